"""What lies in and beside the weld: voids, HAZ edge, grooves beyond the toes."""

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.band import Band, across, normals_of
from macrocheck.segment.chains import resample, smooth_open
from macrocheck.segment.face import trace_air
from macrocheck.segment.layout import Layout
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import RegionMaps

_SMALLEST_VOID = 8.0
"""Map px of area below which a void cannot be told from a speck."""
_NO_HOLE, _FEW = 0.2, 50
"""Probability of a void under which metal is taken to know what grains look like; as many map px at least."""
_SURE, _STANDS_OUT, _STANDS_OUT_SURE = 0.95, 2.8, 1.8
"""A void differs from the weld metal around it by more than so many standard deviations of that, or by so many
where the network is as sure of its middle: a dark grain does not."""
_BESIDE = 0.15
"""A groove beside a toe begins within this part of a leg of it."""
_AS_PLATE = 0.3
"""What differs from the plate under it by less than this part of what the air does is plate and no groove."""
_WHOLE = 0.95
"""A hole that fills less of its convex hull may be several that touch."""
_WAIST = 0.85
"""It is several where it narrows to this part of the narrower one's width."""


def find_voids(photo: Photo, maps: RegionMaps, layout: Layout) -> tuple[FloatArray, ...]:
    """Outlines (k, 2) photo px of holes in the weld metal."""
    inside = cv2.erode(layout.weld, np.ones((3, 3), np.uint8))
    p = maps.void * inside
    if float(p.max(initial=0.0)) < 0.5:
        return ()
    finer = 4
    big = cv2.resize(p, None, fx=finer, fy=finer, interpolation=cv2.INTER_LINEAR)
    contours, _ = cv2.findContours((big > 0.5).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    out: list[FloatArray] = []
    sure: list[bool] = []
    for contour in (part for whole in contours for part in _apart(whole, _SMALLEST_VOID * finer**2)):
        if cv2.contourArea(contour) < _SMALLEST_VOID * finer**2:
            continue
        ring = (contour[:, 0, :].astype(np.float64) - (finer - 1) / 2) / finer
        out.append(_refine_ring(photo, maps.photo_points(ring), maps.scale))
        x, y, w, h = cv2.boundingRect(contour)
        sure.append(float(big[y : y + h, x : x + w].max()) > _SURE)
    least = [_STANDS_OUT_SURE if known else _STANDS_OUT for known in sure]
    return tuple(ring for ring, z in zip(out, least, strict=True) if _stands_out(photo, ring, maps, layout, z))


def _stands_out(photo: Photo, ring: FloatArray, maps: RegionMaps, layout: Layout, least: float) -> bool:
    """Whether a hole differs from the weld metal by `least` times what the metal's own grains differ by."""
    ys, xs = np.nonzero(layout.weld & (maps.void < _NO_HOLE))
    if len(xs) < _FEW:
        return True
    every = max(1, len(xs) // 2000)
    around = photo.grey[_pixels(photo, maps.photo_points(np.column_stack([xs, ys])[::every].astype(np.float64)))]
    low = np.floor(ring.min(axis=0)).astype(int) - 1
    mask = np.zeros(tuple(np.ceil(np.ptp(ring, axis=0)).astype(int)[::-1] + 4), np.uint8)
    cv2.fillPoly(mask, [np.round((ring - low) * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
    y, x = np.nonzero(mask)
    within = photo.grey[_pixels(photo, np.column_stack([x, y]) + low)]
    middle = float(np.median(around))
    sd = 1.4826 * float(np.median(np.abs(around - middle)))
    return abs(float(np.median(within)) - middle) > least * max(sd, 1.0)


def _pixels(photo: Photo, points: FloatArray) -> tuple[AnyArray, AnyArray]:
    """Rows and columns of the photo pixels nearest to (k, 2) points."""
    height, width = photo.grey.shape
    at = np.round(points).astype(np.intp)
    return np.clip(at[:, 1], 0, height - 1), np.clip(at[:, 0], 0, width - 1)


def _apart(contour: AnyArray, least: float) -> list[AnyArray]:
    """Split the outline (k, 1, 2) of holes that touch into theirs; each of `least` px or more."""
    hull = cv2.contourArea(cv2.convexHull(contour))
    if cv2.contourArea(contour) >= _WHOLE * hull or hull < 2 * least:
        return [contour]
    x, y, w, h = cv2.boundingRect(contour)
    mask = np.zeros((h + 2, w + 2), np.uint8)
    cv2.fillPoly(mask, [contour - np.array([[[x - 1, y - 1]]], np.int32)], 1)
    depth = cv2.GaussianBlur(cv2.distanceTransform(mask, cv2.DIST_L2, cv2.DIST_MASK_PRECISE), (0, 0), 1.0)
    # Cores that a waist parts: go down from the deepest and keep what is wide before it meets another.
    markers = np.zeros(mask.shape, np.int32)
    count = 0
    for level in np.linspace(0.95, 0.2, 16) * float(depth.max()):
        _, parts = cv2.connectedComponents((depth > level).astype(np.uint8))
        for k in range(1, int(parts.max()) + 1):
            inside = parts == k
            peak = float(depth[inside].max())
            if not (markers[inside] > 0).any() and level <= _WAIST * peak:
                count += 1
                markers[inside] = count
    if count < 2:
        return [contour]
    away = [cv2.distanceTransform((markers != k).astype(np.uint8), cv2.DIST_L2, 5) for k in range(1, count + 1)]
    nearest = np.argmin(np.stack(away), axis=0) + 1
    out = []
    for k in range(1, count + 1):
        found, _ = cv2.findContours(
            ((nearest == k) & (mask > 0)).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
        )
        out += [c + np.array([[[x - 1, y - 1]]], np.int32) for c in found if cv2.contourArea(c) >= least]
    return out if len(out) > 1 else [contour]


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
    colours = [np.median(photo.pixels[_pixels(photo, np.vstack(at))], axis=0) for at in (inside, plate, air)]
    here, metal, open_air = (np.asarray(c, np.float64) for c in colours)
    return float(np.abs(here - metal).max()) < _AS_PLATE * float(np.abs(open_air - metal).max())
