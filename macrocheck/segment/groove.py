"""What lies beside the weld: grooves beyond the toes."""

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.face import trace_air
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import RegionMaps

_BESIDE = 0.15
"""A groove beside a toe begins within this part of a leg of it."""
_AS_PLATE = 0.3
"""What differs from the plate under it by less than this part of what the air does is plate and no groove."""


def find_groove(
    photo: Photo, maps: RegionMaps, walk: FloatArray, toe: FloatArray, line: Line | None, leg: float
) -> FloatArray | None:
    """Exposed outline of a member just beyond a toe, (k, 2) photo px from the toe outwards.

    `walk`: map px from the toe on. `leg`: px, sets how far is looked at; a groove ends where the outline has come
    back to the surface line for good.
    """
    if line is None or len(walk) < 12:
        return None
    scale = maps.scale
    longest = int(max(20.0, 0.45 * leg / scale))
    part = np.asarray(walk[:longest], np.float64)
    air = trace_air(photo, maps, part)
    points = air.points
    away = np.hypot(*(points - toe).T)
    points = points[np.flatnonzero(away > 1.5 * scale + 1.0)]
    if len(points) < 6:
        return None
    off = np.abs(line.distance(points)) > 1.5 * scale
    if off.all():
        return None
    # Past a corner the outline leaves the surface for good: that is the plate's end, no groove.
    points, off = points[: int(np.flatnonzero(~off)[-1]) + 1], off[: int(np.flatnonzero(~off)[-1]) + 1]
    if len(points) < 4:
        return None
    # What begins further off is a dent or scale of the plate: undercut is beside the weld.
    begins = points[int(np.argmax(off))]
    if off.any() and float(np.hypot(*(begins - toe))) > _BESIDE * leg + 3.0 * scale:
        off = np.zeros_like(off)
    if off.any() and _filled(photo, points[off], line, scale):
        points, off = line.foot(points), np.zeros_like(off)
    spacing = float(np.hypot(*np.diff(points, axis=0).T).mean())
    beyond = int(8.0 * scale / max(spacing, 1e-6))
    last = int(np.flatnonzero(off)[-1]) if off.any() else 0
    return np.vstack([toe, points[: last + beyond + 1]])


def _filled(photo: Photo, bottom: FloatArray, line: Line, scale: float) -> bool:
    """Whether what lies between a groove's bottom (k, 2) px and the surface has the colour of the plate below."""
    deep = float(np.median(line.distance(bottom)))
    inward = np.sign(deep) * line.normal
    feet, depths = line.foot(bottom), np.abs(line.distance(bottom))
    inside = [feet + (part * depths)[:, None] * inward for part in (0.3, 0.5, 0.7)]
    lowest = float(depths.max())
    plate = [feet + (lowest + k * scale) * inward for k in (2.0, 3.5, 5.0)]
    air = [feet - k * scale * inward for k in (3.0, 4.5, 6.0)]
    here, metal, open_air = (_colour(photo, np.vstack(at)) for at in (inside, plate, air))
    return float(np.abs(here - metal).max()) < _AS_PLATE * float(np.abs(open_air - metal).max())


def _colour(photo: Photo, points: FloatArray) -> FloatArray:
    """Median colour (3,) of the pixels nearest to points (k, 2), kept within the photo."""
    at = np.clip(np.rint(points), 0, (photo.width - 1, photo.height - 1)).astype(np.intp)
    return np.asarray(np.median(photo.pixels[at[:, 1], at[:, 0]], axis=0), np.float64)
