"""What lies in and beside the weld: voids, HAZ edge, grooves beyond the toes."""

import cv2
import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.band import Band, across, normals_of
from macrocheck.segment.chains import resample, smooth_open
from macrocheck.segment.face import trace_air
from macrocheck.segment.layout import Layout
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import RegionMaps

_SMALLEST_VOID = 8.0
"""Map px of area below which a void cannot be told from a speck."""


def find_voids(photo: Photo, maps: RegionMaps, layout: Layout) -> tuple[FloatArray, ...]:
    """Outlines (k, 2) photo px of holes in the weld metal."""
    inside = cv2.erode(layout.weld, np.ones((3, 3), np.uint8))
    p = maps.void * inside
    if float(p.max(initial=0.0)) < 0.5:
        return ()
    finer = 4
    big = cv2.resize(p, None, fx=finer, fy=finer, interpolation=cv2.INTER_LINEAR)
    contours, _ = cv2.findContours((big > 0.5).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    out = []
    for contour in contours:
        if cv2.contourArea(contour) < _SMALLEST_VOID * finer**2:
            continue
        ring = (contour[:, 0, :].astype(np.float64) - (finer - 1) / 2) / finer
        out.append(_refine_ring(photo, maps.photo_points(ring), maps.scale))
    return tuple(out)


def _refine_ring(photo: Photo, ring: FloatArray, scale: float) -> FloatArray:
    closed = resample(np.vstack([ring, ring[:1]]), max(1.0, 0.5 * scale))[:-1]
    n = len(closed)
    if n < 8:
        return closed
    wrapped = np.vstack([closed[-6:], closed, closed[:6]])
    normal = normals_of(smooth_open(wrapped, 2.0), 1.0)[6:-6]
    centre = closed.mean(axis=0)
    if ((closed - centre) * normal).sum() < 0:
        normal = -normal
    size = float(np.sqrt(((closed - centre) ** 2).sum(axis=1)).mean())
    half = min(2.0 * scale + 1.0, 0.7 * size)
    band = Band(closed, normal, np.arange(-half, half + 0.25, 0.5))
    grey = band.grey(photo.grey)
    slope = np.gradient(across(grey, 1.5), axis=1)
    sign = 1.0 if slope.mean() >= 0 else -1.0
    edge = np.clip(sign * slope, 0, None) * np.exp(-0.5 * (band.offsets / (1.2 * scale)) ** 2)
    strength = edge.max(axis=1)
    if float(np.median(strength)) < 1.0:
        return closed
    weight = edge**2
    offset = (weight * band.offsets).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-6)
    return band.at(np.clip(offset, -half, half))


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
    spacing = float(np.hypot(*np.diff(points, axis=0).T).mean())
    beyond = int(8.0 * scale / max(spacing, 1e-6))
    last = int(np.flatnonzero(off)[-1]) if off.any() else 0
    return np.vstack([toe, points[: last + beyond + 1]])
