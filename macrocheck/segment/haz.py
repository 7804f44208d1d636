"""The heat-affected zone's outer edge: from the maps first, then on the photo's own change of tone."""

from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import BoolArray, FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.band import Band, across, along, best_path, normals_of
from macrocheck.segment.chains import resample, smooth_open
from macrocheck.segment.face_run import clear_of_border
from macrocheck.segment.layout import Layout
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import BUTTING, NONBUTTING, RegionMaps

_UNSURE = 4.5
"""Map px: standard error of the HAZ's outer edge, which fades out (measured on rendered sections)."""
_SHARE = 0.55
"""Part of a member's fusion boundary along which its HAZ must end visibly."""
_RAMP = 0.35
"""Fall of the network's statement across the edge, under which there may be no zone at all.

On rendered sections without one it is under 0.3 (one in 50 is not), with one it is over 0.4 (one in 10 is not).
"""
_STEP = 3.0
"""Change of tone across the edge, in its own standard errors, under which the photo does not bear the maps out."""
_UNSEEN = 1.0
"""Standard error, in the zone's mean width, per part of the boundary along which its edge is not seen."""
_SEARCH = 8.0
"""Map px to either side within which the photo's own edge is looked for."""


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
    unsure = []
    for mine in (station >= split, station < split):
        own = _longest_run(good & mine, 4)
        if mine.sum() < 8 or own.sum() < max(6, _SHARE * mine.sum()):
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
        stations = index[keep]
        edge = _on_photo(photo, maps, Band(line[stations], normal[stations], value[keep]), scale)
        found.append(None if edge is None else edge[0])
        if edge is not None:
            # Where part of the zone is not seen, its mean width is that much less sure.
            unseen = 1.0 - len(stations) / int(mine.sum())
            unsure.append(float(np.hypot(edge[1], _UNSEEN * unseen * float(value[keep].mean()))))
    return Haz(found[0], found[1], max(unsure, default=0.0))


def _on_photo(photo: Photo, maps: RegionMaps, rough: Band, scale: float) -> tuple[FloatArray, float] | None:
    """The edge moved to the photo's own change of tone, and its u, px; None where neither bears it out.

    `rough`: stations on the fusion boundary with, as its offsets, the edge's distance in the maps at each.
    """
    edge = rough.at(rough.offsets)
    offsets = np.arange(-_SEARCH, _SEARCH + 0.25, 0.5) * scale
    band = Band(edge, rough.normal, offsets)
    stated = maps.sample(maps.haz, band.points())
    grey = band.grey(photo.grey)
    inner = (offsets < -1.5 * scale) & (offsets > -7 * scale)
    outer = (offsets > 1.5 * scale) & (offsets < 7 * scale)
    ramp = float(
        (
            stated[:, np.argmin(np.abs(offsets + 3 * scale))] - stated[:, np.argmin(np.abs(offsets - 3 * scale))]
        ).mean()
    )
    change = grey[:, outer].mean(axis=1) - grey[:, inner].mean(axis=1)
    parts = np.array([p.mean() for p in np.array_split(change, max(4, len(change) // 6))])
    mean = float(parts.mean())
    if ramp < _RAMP or abs(mean) < _STEP * float(parts.std()) / np.sqrt(len(parts)):
        return None
    slope = np.sign(mean) * np.gradient(across(along(grey, 3.0), 1.5 * scale / band.step), axis=1)
    typical = float(np.percentile(slope.max(axis=1), 60)) + 1e-6
    gain = 2.0 * np.clip(slope / typical, 0, 1)
    path = best_path(0.5 * (offsets / (4.0 * scale)) ** 2 - gain, stiffness=0.3)
    weight = np.clip(slope, 0, None) ** 2 * (np.abs(offsets - offsets[path][:, None]) < 2.0 * scale)
    total = weight.sum(axis=1)
    shift = np.where(total > 1e-9, (weight * offsets).sum(axis=1) / np.maximum(total, 1e-9), offsets[path])
    shift = along(shift[:, None], 2.0)[:, 0]
    return band.at(shift), float(np.hypot(_UNSURE * scale, 0.5 * float(np.std(shift))))
