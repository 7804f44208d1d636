"""Reading a photograph: one file in, one `Photo` out, or one sentence on why not."""

import hashlib
import io
import os
import re
import stat
import struct
import threading
import warnings
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import numpy as np
from PIL import Image, ImageFile, UnidentifiedImageError

from macrocheck.arrays import AnyArray, ByteArray
from macrocheck.colour import array_through_profile, composite, picture_to_rgb, to_eight_bits, upright
from macrocheck.density import stated_density, written_by_camera
from macrocheck.errors import InputError
from macrocheck.paths import os_reason, shown
from macrocheck.photo import Photo

if TYPE_CHECKING:
    from collections.abc import Callable

LEAST_SIDE_PX = 64
"""A section this small has under two pixels per millimetre over an inch: nothing on it can be measured."""

MOST_PIXELS = 120_000_000
"""120 Mpx; as 8-bit RGB that is 360 MB, the most that decoding may ask of the machine."""

MOST_BYTES = 1_000_000_000
"""No picture within `MOST_PIXELS` needs more (four 16-bit channels, uncompressed)."""

_FORMATS = ["JPEG", "PNG", "TIFF", "WEBP", "BMP", "GIF", "PPM", "JPEG2000", "AVIF"]
"""Pictures only: Pillow's other readers hand the file to other programs (PostScript) or draw it (WMF)."""
_STARTS_AT_ONCE = ("JPEG", "PNG", "BMP", "GIF", "PPM")
"""What Pillow reads without loading all its readers, which takes a while."""
_RAW_ENDINGS = frozenset({
    ".3fr", ".arw", ".cr2", ".cr3", ".crw", ".dng", ".erf", ".iiq", ".kdc", ".mef", ".mos", ".mrw",
    ".nef", ".nrw", ".orf", ".pef", ".raf", ".raw", ".rw2", ".sr2", ".srf", ".srw", ".x3f",
})  # fmt: skip
"""Camera raw files: many are TIFF inside and would give their thumbnail."""
_DNG_VERSION = 50706
_ORIENTATION, _PHOTOMETRIC, _BITS_PER_SAMPLE = 274, 262, 258

_DECODER_FAULTS = (
    OSError, SyntaxError, ValueError, TypeError, KeyError, IndexError, EOFError, AttributeError, OverflowError,
    ZeroDivisionError, RuntimeError, NotImplementedError, struct.error, zlib.error,
)  # fmt: skip
"""What decoders raise on damaged files."""

_ONE_AT_A_TIME = threading.Lock()
"""Held while the process's list of warnings to show is changed, which is not a thread's own."""

_KNOWN_STARTS = (b"\xff\xd8\xff", b"\x89PNG", b"GIF8", b"II*\0", b"MM\0*", b"BM")
_HEIF_BRANDS = frozenset({b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1"})
_TOO_DEEP = "has pixel values beyond 16 bits or outside 0 to 1; save it with 8 or 16 bits a channel"
_DAMAGED = "is damaged or cut short; copy it again from the camera or save it anew"
_READABLE = "JPEG, PNG, TIFF, WebP, BMP, GIF or HEIC"


@dataclass(frozen=True, slots=True)
class _Header:
    """What the file's header says, before a pixel is decoded."""

    name: str
    image: Image.Image
    orientation: int
    profile: bytes | None
    density: float | None
    notes: tuple[str, ...]


def read_photo(path: str | os.PathLike[str]) -> Photo:
    """Read one photograph as upright 8-bit sRGB.

    JPEG, PNG, TIFF, WebP, BMP, GIF, JPEG 2000, PNM and AVIF; HEIC with the extra `heic`. 16-bit counts are scaled
    to 8 bits (white at the smallest of 10, 12, 14, 16 bits that holds the brightest pixel), transparent parts are
    laid on white, an ICC colour profile is converted to sRGB, the EXIF orientation is applied, and of several
    pictures in a file the first is taken; `Photo.notes` says so.

    Raises InputError, one sentence that names the file, for whatever is not a whole, readable picture of at least
    64 px a side and at most 120 Mpx. The size is checked before anything is decoded.
    """
    name = shown(path)
    data = _read_bytes(path, name)
    digest = hashlib.sha256(data).hexdigest()
    with _ONE_AT_A_TIME, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        # Another library in the process may have told Pillow to take half pictures for whole ones.
        ImageFile.LOAD_TRUNCATED_IMAGES = False
        try:
            header = _open(data, name, Path(path).suffix.lower())
            pixels, notes = _decode(header, data)
        except MemoryError:
            _refuse(name, "does not fit into memory; save it smaller")
        except _DECODER_FAULTS:
            _refuse(name, _DAMAGED)
    pixels = np.ascontiguousarray(upright(pixels, header.orientation), dtype=np.uint8)
    pixels.setflags(write=False)
    return Photo(pixels, os.fspath(path), digest, header.density, (*header.notes, *notes))


def _refuse(name: str, what: str) -> NoReturn:
    msg = f"{name} {what}."
    raise InputError(msg) from None


def _read_bytes(path: str | os.PathLike[str], name: str) -> bytes:
    try:
        status = Path(path).stat()
        # Asked before opening: opening a pipe or a device may wait for ever.
        if stat.S_ISDIR(status.st_mode):
            _refuse(name, "is a folder; name the photograph in it")
        if not stat.S_ISREG(status.st_mode):
            _refuse(name, "is not an ordinary file; name a picture file")
        if status.st_size == 0:
            _refuse(name, "is empty (0 bytes); copy it again from the camera")
        if status.st_size > MOST_BYTES:
            _refuse(name, f"has {status.st_size / 1e9:.1f} GB, more than any photograph; save it smaller")
        return Path(path).read_bytes()
    except FileNotFoundError:
        _refuse(name, "does not exist; check the name and the folder")
    except PermissionError:
        _refuse(name, "cannot be read: you have no permission; change its permissions or copy it elsewhere")
    except OSError as error:
        _refuse(name, f"cannot be read: {os_reason(error)}")
    except ValueError:
        _refuse(name, "is not a file name")


def _open(data: bytes, name: str, ending: str) -> _Header:
    if ending in _RAW_ENDINGS:
        _refuse(name, "is a camera raw file; export it as JPEG or TIFF and give that")
    image = _open_image(data, name)
    width, height = image.size
    if width * height > MOST_PIXELS:
        _refuse_bomb(name, width * height)
    if min(width, height) < LEAST_SIDE_PX:
        _refuse(name, f"is only {width} x {height} px; at least {LEAST_SIDE_PX} px a side are needed")
    try:
        exif = image.getexif()
        is_raw = image.format == "TIFF" and _DNG_VERSION in exif
        density = stated_density(image, exif, camera=written_by_camera(exif))
        orientation = exif.get(_ORIENTATION, 1)
    except _DECODER_FAULTS:
        is_raw, density, orientation = False, None, 1
    if is_raw:
        _refuse(name, "is a camera raw file; export it as JPEG or TIFF and give that")
    if image.format == "TIFF" or not isinstance(orientation, int):
        orientation = 1  # the TIFF decoders turn the picture themselves
    profile = image.info.get("icc_profile")
    notes = []
    try:
        frames = int(getattr(image, "n_frames", 1)) if image.format not in {"MPO", "HEIF"} else 1
    except _DECODER_FAULTS:
        frames = 1
    if frames > 1:
        notes.append(f"The file holds {frames} pictures; the first is taken.")
    if not (isinstance(profile, bytes) and profile):
        profile = None
    return _Header(name, image, orientation, profile, density, tuple(notes))


def _open_image(data: bytes, name: str) -> Image.Image:
    if data[4:8] == b"ftyp" and data[8:12] in _HEIF_BRANDS:
        return _open_heic(data, name)
    try:
        return _open_with_pillow(data)
    except Image.DecompressionBombError as error:
        found = re.search(r"\((\d+) pixels\)", str(error))
        _refuse_bomb(name, int(found[1]) if found else None)
    except UnidentifiedImageError:
        if data.startswith(_KNOWN_STARTS) or (data.startswith(b"RIFF") and data[8:12] == b"WEBP"):
            _refuse(name, _DAMAGED)
        _refuse(name, f"is not a picture that can be read; give a {_READABLE} file")
    except _DECODER_FAULTS:
        _refuse(name, _DAMAGED)


def _open_with_pillow(data: bytes) -> Image.Image:
    Image.preinit()
    try:
        return Image.open(io.BytesIO(data), formats=_STARTS_AT_ONCE)
    except UnidentifiedImageError:
        Image.init()
        return Image.open(io.BytesIO(data), formats=[f for f in _FORMATS if f in Image.OPEN])


def _open_heic(data: bytes, name: str) -> Image.Image:
    try:
        import pillow_heif
    except ImportError:
        _refuse(
            name,
            'is a HEIC picture, which needs an extra: pip install "macrocheck[heic]", or save the photo as JPEG',
        )
    try:
        # Opened directly rather than registered with Pillow, whose list of formats belongs to the whole process.
        opener: Callable[[io.BytesIO], Image.Image] = pillow_heif.HeifImageFile
        return opener(io.BytesIO(data))
    except _DECODER_FAULTS:
        _refuse(name, _DAMAGED)


def _refuse_bomb(name: str, pixels: int | None) -> NoReturn:
    size = f"{pixels / 1e6:,.0f} Mpx" if pixels else "too many pixels"
    _refuse(
        name,
        f"claims {size}; at most {MOST_PIXELS // 1_000_000} Mpx are read; save it smaller or crop it",
    )


def _decode(header: _Header, data: bytes) -> tuple[ByteArray, list[str]]:
    image = header.image
    if image.format in {"JPEG", "MPO"} and image.mode == "RGB":
        fast = _decode_jpeg(data, image.size)
        if fast is not None:
            rgb, note = array_through_profile(fast, header.profile)
            return rgb, [note] if note else []
    deep = _deep_values(header, data)
    if deep is not None:
        return _from_deep(deep, header)
    image.load()
    return picture_to_rgb(image, header.profile)


def _decode_jpeg(data: bytes, size: tuple[int, int]) -> ByteArray | None:
    """Decode straight into an array: the same pixels as Pillow's, a third sooner (no copy by way of 4-byte RGB)."""
    import cv2

    flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        pixels: AnyArray | None = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except cv2.error:
        return None
    if pixels is None or pixels.shape != (size[1], size[0], 3):
        return None  # a truncated file: Pillow says so
    return pixels


def _deep_values(header: _Header, data: bytes) -> AnyArray | None:
    """Return the counts of a picture of more than 8 bits, (h, w) or (h, w, 3 or 4) RGB(A); None for any other."""
    image = header.image
    if image.mode in {"I;16", "I;16L", "I;16B", "I;16N", "I"}:
        photometric = image.getexif().get(_PHOTOMETRIC) if image.format == "TIFF" else None
        image.load()
        values = np.asarray(image)
        if values.min() < 0 or values.max() > 65535:
            _refuse(header.name, _TOO_DEEP)
        counts = values.astype(np.uint16)
        return 65535 - counts if photometric == 0 else counts
    if image.mode == "F":
        image.load()
        return np.asarray(image)
    if not _has_deep_colour(image, data):
        return None
    import cv2

    # Pillow keeps the high byte of 16-bit colour only; OpenCV keeps all of it, blue first.
    values_bgr = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION)
    if values_bgr is None or values_bgr.dtype != np.uint16 or values_bgr.ndim != 3:
        return None
    order = [2, 1, 0, 3] if values_bgr.shape[2] == 4 else [2, 1, 0]
    return np.asarray(values_bgr[..., order])


def _has_deep_colour(image: Image.Image, data: bytes) -> bool:
    if image.mode not in {"RGB", "RGBA"}:
        return False
    if image.format == "PNG":
        return data[24] == 16  # bit depth in IHDR, the first chunk (ISO/IEC 15948, 11.2.2)
    if image.format == "TIFF":
        bits = image.getexif().get(_BITS_PER_SAMPLE, 8)
        return bits == 16 or (isinstance(bits, tuple) and max(bits) == 16)
    return False


def _from_deep(values: AnyArray, header: _Header) -> tuple[ByteArray, list[str]]:
    notes = []
    if values.dtype == np.float32:
        if not np.isfinite(values).all() or values.min() < 0 or values.max() > 1:
            _refuse(header.name, _TOO_DEEP)
        values = np.rint(values * 65535).astype(np.uint16)
    alpha = None
    if values.ndim == 3 and values.shape[2] == 4:
        alpha = (values[..., 3] >> 8).astype(np.uint8)
        values = values[..., :3]
    eight, depth = to_eight_bits(values)
    if depth < 16:
        notes.append(f"The 16-bit file holds {depth}-bit counts; white is taken at {2**depth - 1}.")
    if eight.ndim == 2:
        rgb, more = picture_to_rgb(Image.fromarray(eight), header.profile)
    else:
        rgb, note = array_through_profile(np.ascontiguousarray(eight), header.profile)
        more = [note] if note else []
    if alpha is not None:
        flat = composite(rgb, alpha)
        if flat is not rgb:
            more.append("Transparent parts are taken as white.")
        rgb = flat
    return rgb, [*notes, *more]
