"""What lies in and beside the weld: voids, HAZ edge, grooves beyond the toes."""

from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.band import Band, across, along, normals_of
from macrocheck.segment.chains import resample, smooth_open
from macrocheck.segment.face import trace_air
from macrocheck.segment.layout import Layout, clear_of_border
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import BUTTING, NONBUTTING, RegionMaps

_SMALLEST_VOID = 8.0
"""Map px of area below which a void cannot be told from a speck."""
_HAZ_UNSURE = 6.0
"""Map px: standard error of the HAZ's outer edge, which fades out (measured on rendered sections)."""
_HAZ_SHARE = 0.55
"""Part of a member's fusion boundary along which its HAZ must end visibly."""


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


@dataclass(frozen=True, eq=False)
class Haz:
    """Outer edge of the heat-affected zone in each member, photo px, or None; `u` px."""

    butting: FloatArray | None
    nonbutting: FloatArray | None
    u: float


def _longest_run(on: BoolArray, bridged: int) -> BoolArray:
    """The longest stretch of True, breaks of up to `bridged` samples included; only its True samples are on."""
    index = np.flatnonzero(on)
    if not len(index):
        return on
    breaks = np.flatnonzero(np.diff(index) > bridged + 1)
    starts, ends = np.concatenate([[0], breaks + 1]), np.concatenate([breaks + 1, [len(index)]])
    k = int(np.argmax(ends - starts))
    out = np.zeros(len(on), np.bool_)
    out[index[starts[k] : ends[k]]] = True
    return out


def member_split(fusion: FloatArray, nonbutting: Line | None, inward: FloatArray | None, scale: float) -> int:
    """Index in `fusion` (from the nonbutting toe on) where it leaves the nonbutting member for good."""
    if nonbutting is None or inward is None:
        return len(fusion)
    below = (fusion - nonbutting.point) @ inward > -1.5 * scale
    return int(np.flatnonzero(below)[-1]) + 1 if below.any() else 0


def find_haz(
    photo: Photo,
    maps: RegionMaps,
    layout: Layout,
    fusion: FloatArray,
    nonbutting: Line | None,
    inward: FloatArray | None,
) -> Haz:
    """Follow the HAZ map outwards from the fusion boundary (photo px) to where it ends.

    `inward`: unit normal of the nonbutting surface into that member.
    """
    scale = maps.scale
    line = resample(fusion, 2.0 * scale)
    if len(line) < 12:
        return Haz(None, None, 0.0)
    normal = normals_of(smooth_open(line, 3.0), 3.0)
    probe = 4.0 * scale
    right, left = (maps.sample(layout.p_weld, line + k * probe * normal).sum() for k in (1, -1))
    if right > left:
        normal = -normal
    size = float(np.hypot(*np.ptp(fusion, axis=0)))
    band = Band(line, normal, np.arange(0.0, 0.5 * size, scale))
    points = band.points()
    haz = along(maps.sample(maps.haz, points), 1.0)
    plate = maps.sample(maps.regions[BUTTING], points) + maps.sample(maps.regions[NONBUTTING], points)
    at = maps.map_points(points.reshape(-1, 2))
    inside = clear_of_border(maps, (photo.width, photo.height), at).reshape(haz.shape)
    split = member_split(line, nonbutting, inward, scale)
    station = np.arange(len(line))
    starts = haz[:, 2:5].max(axis=1) > 0.5
    ended = haz < 0.5
    ended[:, :4] = False
    k = np.argmax(ended, axis=1)
    last = haz.shape[1] - 1
    # Plate must go on past the edge: where the zone reaches the plate's far side its edge is not seen.
    beyond = np.minimum(plate[station, np.minimum(k + 3, last)], plate[station, np.minimum(k + 6, last)])
    good = starts & (k > 3) & inside[station, np.minimum(k + 6, last)] & (beyond > 0.5)
    before, after = haz[station, k - 1], haz[station, k]
    offset = (k - 1 + (before - 0.5) / np.maximum(before - after, 1e-6)) * scale
    found: list[FloatArray | None] = []
    roughness = []
    for mine in (station >= split, station < split):
        own = _longest_run(good & mine, 4)
        if mine.sum() < 8 or own.sum() < max(6, _HAZ_SHARE * mine.sum()):
            found.append(None)
            continue
        index = np.flatnonzero(own)
        value = offset[index]
        padded = np.pad(value, 3, mode="edge")
        median = np.median(np.lib.stride_tricks.sliding_window_view(padded, 7), axis=1)
        keep = np.abs(value - median) < 3 * scale
        if keep.sum() < 6:
            found.append(None)
            continue
        roughness.append(float(np.std(value[keep] - median[keep])))
        found.append((line + offset[:, None] * normal)[index[keep]])
    u = float(np.hypot(_HAZ_UNSURE * scale, max(roughness, default=0.0)))
    return Haz(found[0], found[1], u)


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
