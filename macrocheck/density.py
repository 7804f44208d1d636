"""Pixel density that a picture file states, where it is worth believing."""

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from macrocheck.units import MM_PER_INCH

if TYPE_CHECKING:
    from PIL import Image

# EXIF 2.3 / TIFF 6.0 tag numbers.
_X_RESOLUTION, _Y_RESOLUTION, _RESOLUTION_UNIT = 282, 283, 296
_EXIF_IFD = 0x8769
_CAMERA_TAGS = (33434, 33437, 37386)
"""ExposureTime, FNumber, FocalLength: a camera wrote this file, so its dpi says nothing of the object."""

_DPI_PER_UNIT = {2: 1.0, 3: 2.54}
"""TIFF 6.0 ResolutionUnit: 2 inch, 3 centimetre (1 is no unit)."""

_DEFAULT_DPI = (72.0, 96.0)
_DEFAULT_TOLERANCE = 1.0
"""dpi; density kept per centimetre or metre in whole numbers comes back up to 0.9 off (72 -> 28 per cm -> 71.1)."""

_LEAST_DPI, _MOST_DPI = 50.0, 1_000_000.0
"""Outside these (2 px per mm; 0.025 um per px) a stated density is an aspect ratio or a slip."""

_SAME = 0.002
"""Relative difference of horizontal and vertical density that whole-number rounding explains."""


def stated_density(image: "Image.Image", exif: Mapping[int, Any], *, camera: bool) -> float | None:
    """Return the density in px per mm, or None where the file states none worth believing.

    The defaults 72 and 96 dpi, anything under 50, unlike densities in x and y, and what a camera wrote
    (`camera`) are not believed: none of them was measured on the object.
    """
    if camera:
        return None
    dpi = image.info.get("dpi") or _exif_dpi(exif)
    if dpi is None:
        return None
    try:
        x, y = (float(v) for v in dpi)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    if not (
        math.isfinite(x) and math.isfinite(y) and _LEAST_DPI <= x <= _MOST_DPI and _LEAST_DPI <= y <= _MOST_DPI
    ):
        return None
    if abs(x - y) > _SAME * x or any(abs(x - d) < _DEFAULT_TOLERANCE for d in _DEFAULT_DPI):
        return None
    return x / MM_PER_INCH


def written_by_camera(exif: "Image.Exif") -> bool:
    """Return whether exposure data shows that a camera, not a scanner or a drawing program, wrote the file."""
    sub = exif.get_ifd(_EXIF_IFD)
    return any(tag in sub or tag in exif for tag in _CAMERA_TAGS)


def _exif_dpi(exif: Mapping[int, Any]) -> tuple[Any, Any] | None:
    factor = _DPI_PER_UNIT.get(exif.get(_RESOLUTION_UNIT, 0))
    if factor is None or _X_RESOLUTION not in exif or _Y_RESOLUTION not in exif:
        return None
    try:
        return float(exif[_X_RESOLUTION]) * factor, float(exif[_Y_RESOLUTION]) * factor
    except (TypeError, ValueError, ZeroDivisionError):
        return None
