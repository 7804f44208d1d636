"""The photograph of a section, found and decoded no larger than the page needs it."""

import hashlib
import tempfile
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Literal

import numpy as np

from macrocheck.arrays import ByteArray
from macrocheck.errors import InputError
from macrocheck.paths import shown
from macrocheck.record.photos import PhotoStore
from macrocheck.report.pages.facts import SectionFacts

_REDUCED: tuple[Literal[8, 4, 2], ...] = (8, 4, 2)
_MOST_ENLARGED = 1.25
"""A reduced photograph may be enlarged by this: hardly seen, and decoded in a third of the time."""
_ORIENTATION = 274
"""EXIF tag."""


@dataclass(frozen=True, slots=True)
class Found:
    """The bytes of a photograph, None where they cannot be had, and then a sentence that says why."""

    content: bytes | None
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class Small:
    """An upright photograph at 1/`factor` of its size: `pixels` (h, w, 3) uint8 sRGB."""

    pixels: ByteArray
    factor: int


def find_photo(section: SectionFacts, store: PhotoStore) -> Found:
    """Look for a section's photograph in the record, beside it, and where it lay; its digest must be right."""
    photo = section.photo
    if photo is None:
        return Found(None, "The record knows no photograph of this section.")
    kept = store.content(photo) if photo.kept != "no" else None
    if kept is not None and hashlib.sha256(kept).hexdigest() == photo.sha256:
        return Found(kept)
    there = _where_it_lay(section)
    if there is not None and hashlib.sha256(there).hexdigest() == photo.sha256:
        return Found(there)
    if kept is not None:
        why = "The photograph kept with the record was changed since it was measured, so it is not shown"
    elif photo.kept != "no":
        why = "The photograph that was kept with the record is no longer found"
    elif section.photo_path is None:
        why = "The photograph was not kept in the record"
    elif there is not None:
        why = "The photograph was not kept in the record, and another file lies where it was"
    else:
        why = "The photograph was not kept in the record and is no longer found"
    return Found(None, f"{why}.")


def _where_it_lay(section: SectionFacts) -> bytes | None:
    path = section.photo_path
    try:
        return Path(path).read_bytes() if path and Path(path).is_file() else None
    except (OSError, ValueError):
        return None


def decode(content: bytes, name: str, size: tuple[int, int] | None, zoom: float) -> Small:
    """Decode a photograph for a drawing of `zoom` px per photo px; JPEG only as large as that takes.

    `size`: (width, height) px that it must have upright, where that is known. Raises InputError where it is no
    picture that can be read or has another size.
    """
    small = _decode_jpeg(content, zoom) or Small(_decode_whole(content, name), 1)
    if size is not None:
        f = small.factor
        h, w = small.pixels.shape[:2]
        if (w, h) != (-(-size[0] // f), -(-size[1] // f)):
            msg = f"The photograph {shown(name)} has another size than the one that was measured."
            raise InputError(msg)
    return small


def _decode_jpeg(content: bytes, zoom: float) -> Small | None:
    """Decode a colour JPEG at a half, quarter or eighth, which its blocks of 8 x 8 px (ITU-T T.81) make quick."""
    factor = next((f for f in _REDUCED if f * zoom <= _MOST_ENLARGED), None)
    if factor is None or not content.startswith(b"\xff\xd8"):
        return None
    import cv2
    from PIL import Image

    from macrocheck.colour import array_through_profile, upright

    flags = {2: cv2.IMREAD_REDUCED_COLOR_2, 4: cv2.IMREAD_REDUCED_COLOR_4, 8: cv2.IMREAD_REDUCED_COLOR_8}
    try:
        with Image.open(BytesIO(content), formats=["JPEG"]) as image:
            if image.mode != "RGB":
                return None
            orientation, profile = image.getexif().get(_ORIENTATION, 1), image.info.get("icc_profile")
        pixels = cv2.imdecode(np.frombuffer(content, np.uint8), flags[factor] | cv2.IMREAD_IGNORE_ORIENTATION)
    except (OSError, ValueError, SyntaxError, cv2.error):
        return None
    if pixels is None:
        return None
    rgb = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB), dtype=np.uint8)
    rgb, _ = array_through_profile(rgb, profile if isinstance(profile, bytes) and profile else None)
    return Small(upright(rgb, orientation if isinstance(orientation, int) else 1), factor)


def shrunk(pixels: ByteArray, most: int) -> tuple[ByteArray, float]:
    """Return a copy of a picture (h, w, 3) whose longer side has at most `most` px, and its zoom.

    By a whole number first, which OpenCV does many times as fast as any other.
    """
    import cv2

    h, w = pixels.shape[:2]
    zoom = min(1.0, most / max(w, h))
    size = max(1, round(w * zoom)), max(1, round(h * zoom))
    n = int(1 / zoom)
    if n > 1:
        kept = np.ascontiguousarray(pixels[: h // n * n, : w // n * n])
        pixels = np.asarray(cv2.resize(kept, (w // n, h // n), interpolation=cv2.INTER_AREA), dtype=np.uint8)
    return np.array(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), dtype=np.uint8), zoom


def _decode_whole(content: bytes, name: str) -> ByteArray:
    """Read any other picture as the measuring does; its reader takes files."""
    from macrocheck.reading import read_photo

    with tempfile.TemporaryDirectory(prefix="macrocheck-") as folder:
        path = Path(folder) / f"photo{Path(name).suffix}"
        path.write_bytes(content)
        try:
            return read_photo(path).pixels
        except InputError as error:
            msg = f"The photograph {shown(name)} cannot be read as a picture."
            raise InputError(msg) from error
