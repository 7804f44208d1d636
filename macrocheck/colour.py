"""Any picture's pixels as upright 8-bit sRGB: bit depth, transparency, colour profile, orientation."""

import io
import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from macrocheck.arrays import ByteArray

BACKDROP = 255
"""Grey level that shows through transparent parts: white, as paper and picture viewers show them, so that a
cut-out section stands on something that no etched steel looks like."""

_DEPTHS = (10, 12, 14, 16)
"""Bit depths of cameras and microscopes that store their counts in 16-bit files."""

_STRIP_ROWS = 256
_PROFILE_FAULTS = (ImageCms.PyCMSError, OSError, ValueError, TypeError)
_NO_PROFILE = "The colour profile in the file cannot be used; its colours are taken as sRGB."


def to_eight_bits(values: NDArray[np.uint16]) -> tuple[ByteArray, int]:
    """Scale 16-bit counts (any shape) to 8 bits; returns them and the bit depth that was in use.

    Cameras of 10, 12 and 14 bits store their counts unscaled in 16-bit files, where they would all look black:
    the smallest of those depths that holds the brightest pixel is taken for white.
    """
    top = int(values.max(initial=0))
    depth = next(d for d in _DEPTHS if top < 2**d)
    white = 2**depth - 1
    # A table of the levels, rounded to the nearest: wider copies of 120 Mpx would not fit small machines.
    levels = ((np.arange(white + 1) * 255 + white // 2) // white).astype(np.uint8)
    return np.take(levels, values), depth


def composite(colour: ByteArray, alpha: ByteArray) -> ByteArray:
    """Lay (h, w, 3) uint8 colour with (h, w) uint8 alpha on the backdrop."""
    if int(alpha.min(initial=255)) == 255:
        return colour
    a = alpha[..., None].astype(np.uint16)
    mixed = (colour.astype(np.uint16) * a + BACKDROP * (255 - a) + 127) // 255
    return mixed.astype(np.uint8)


def picture_to_rgb(image: Image.Image, profile: bytes | None) -> tuple[ByteArray, list[str]]:
    """Turn a loaded 8-bit Pillow image of any mode into (h, w, 3) sRGB; returns it and notes on what was decided.

    `profile`: the file's ICC profile or None. Raises ValueError for a mode that has no colour meaning.
    """
    notes: list[str] = []
    alpha: ByteArray | None = None
    if image.mode == "P" or (image.mode in {"1", "L", "RGB"} and "transparency" in image.info):
        image = image.convert("RGBA" if "transparency" in image.info else "RGB")
    if image.mode in {"PA", "La", "RGBa"}:
        image = image.convert({"PA": "RGBA", "La": "LA", "RGBa": "RGBA"}[image.mode])
    if image.mode in {"LA", "RGBA"}:
        alpha = np.asarray(image.getchannel("A"))
        image = image.convert("L" if image.mode == "LA" else "RGB")
    if image.mode in {"1", "YCbCr", "HSV", "RGBX"}:
        image = image.convert("L" if image.mode == "1" else "RGB")
    if image.mode not in {"L", "RGB", "CMYK", "LAB"}:
        msg = f"pixels of kind {image.mode!r}"
        raise ValueError(msg)
    rgb, note = _through_profile(image, profile)
    if note:
        notes.append(note)
    if alpha is not None:
        flat = composite(rgb, alpha)
        if flat is not rgb:
            notes.append("Transparent parts are taken as white.")
        rgb = flat
    return rgb, notes


def array_through_profile(rgb: ByteArray, profile: bytes | None) -> tuple[ByteArray, str | None]:
    """Convert (h, w, 3) uint8 RGB from its ICC profile to sRGB; returns it and a note where that failed."""
    if profile is None:
        return rgb, None
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        if _is_srgb(source):
            return rgb, None
        transform = ImageCms.buildTransform(source, ImageCms.createProfile("sRGB"), "RGB", "RGB")
        out = np.empty_like(rgb)

        def strip(start: int) -> None:
            rows = slice(start, start + _STRIP_ROWS)
            piece = ImageCms.applyTransform(Image.fromarray(rgb[rows]), transform)
            if piece is not None:
                out[rows] = np.asarray(piece)

        # The colour engine lets go of the interpreter while it works, so strips run side by side.
        with ThreadPoolExecutor(max_workers=min(4, os.cpu_count() or 1)) as pool:
            for _ in pool.map(strip, range(0, rgb.shape[0], _STRIP_ROWS)):
                pass
    except _PROFILE_FAULTS:
        return rgb, _NO_PROFILE
    return out, None


def _through_profile(image: Image.Image, profile: bytes | None) -> tuple[ByteArray, str | None]:
    if image.mode == "RGB":
        return array_through_profile(np.asarray(image), profile)
    if image.mode != "LAB" and profile is None:
        return np.asarray(image.convert("RGB")), None
    try:
        # Lab needs no profile of its own: it says the colours outright (TIFF 6.0, section 23).
        source = ImageCms.createProfile("LAB") if image.mode == "LAB" else io.BytesIO(profile or b"")
        to = ImageCms.createProfile("sRGB")
        converted = ImageCms.profileToProfile(image, ImageCms.ImageCmsProfile(source), to, outputMode="RGB")
        if converted is not None:
            return np.asarray(converted), None
    except _PROFILE_FAULTS as error:
        if image.mode == "LAB":
            msg = "Lab pixels that cannot be converted"
            raise ValueError(msg) from error
    return np.asarray(image.convert("RGB")), _NO_PROFILE


def _is_srgb(profile: ImageCms.ImageCmsProfile) -> bool:
    return (profile.profile.profile_description or "").lower().startswith("srgb")


def upright(pixels: ByteArray, orientation: int) -> ByteArray:
    """Apply the EXIF orientation (1 to 8, EXIF 2.3, tag 274) to (h, w, 3) pixels; other values leave them."""
    import cv2

    # OpenCV's copies: numpy's strided ones take ten times as long on 12 Mpx.
    if orientation in {5, 6, 7, 8}:
        pixels = np.asarray(cv2.transpose(pixels), dtype=np.uint8)
    flip = _FLIP_AFTER_TRANSPOSE.get(orientation)
    return pixels if flip is None else np.asarray(cv2.flip(pixels, flip), dtype=np.uint8)


_LEFT_RIGHT, _TOP_BOTTOM, _BOTH = 1, 0, -1
"""OpenCV's codes for the axis to flip about."""
_FLIP_AFTER_TRANSPOSE = {2: _LEFT_RIGHT, 3: _BOTH, 4: _TOP_BOTTOM, 6: _LEFT_RIGHT, 7: _BOTH, 8: _TOP_BOTTOM}
