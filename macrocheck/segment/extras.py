"""What lies in and beside the weld: voids, HAZ edge, faying surface and gap, grooves beyond the toes."""

from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, FloatArray, Point
from macrocheck.photo import Photo
from macrocheck.segment.band import Band, across, along, normals_of
from macrocheck.segment.chains import resample, smooth_open
from macrocheck.segment.face import trace_air
from macrocheck.segment.layout import Layout, clear_of_border
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import BACKGROUND, BUTTING, NONBUTTING, WELD, RegionMaps

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


@dataclass(frozen=True, eq=False)
class Faying:
    """The faying surface behind the root: its far end, photo px, and the opening there (value, u) px."""

    end: Point | None
    gap: tuple[float, float] | None


def _first_over(values: FloatArray, start: int, level: float) -> float | None:
    """Sub-sample index from `start` on where `values` first rise over `level` and stay there for 3 samples."""
    over = values > level
    steady = over & np.roll(over, -1) & np.roll(over, -2)
    steady[-2:] = False
    index = np.flatnonzero(steady[start:])
    if not len(index):
        return None
    i = int(index[0]) + start
    if i == 0:
        return 0.0
    rise = values[i] - values[i - 1]
    return float(i - 1 + (level - values[i - 1]) / rise) if rise > 1e-6 else float(i)


def find_faying(
    photo: Photo, maps: RegionMaps, nonbutting: Line, root: FloatArray, inward: FloatArray, fusion: FloatArray
) -> Faying:
    """Follow the faying surface from the root away from the weld.

    `inward`: unit normal into the nonbutting member; `fusion`: boundary of the weld in photo px.
    """
    scale = maps.scale
    back = -nonbutting.direction
    out = -inward
    h, w = maps.shape
    foot = nonbutting.foot(root[None])[0]
    s = np.arange(0.0, 1.5 * max(h, w), 1.0) * scale
    base = foot + s[:, None] * back
    at = maps.map_points(base)
    clear = clear_of_border(maps, (photo.width, photo.height), at)
    stop = int(np.argmin(clear)) if not clear.all() else len(s)
    if stop < 10:
        return Faying(None, None)
    s, base = s[:stop], base[:stop]
    offsets = np.arange(-6.0, 30.0, 0.5) * scale
    points = base[:, None, :] + offsets[None, :, None] * out
    p = {k: maps.sample(maps.regions[k], points) for k in (BACKGROUND, WELD)}
    # Which member the network calls it matters less than that it is a member.
    plate = maps.sample(maps.regions[BUTTING], points) + maps.sample(maps.regions[NONBUTTING], points)
    # Past the weld's own end: where it reaches furthest along the faying surface.
    own = (fusion - foot) @ back
    beside = np.abs((fusion - foot) @ out) < 3.0 * scale
    past = max(float(own[beside].max(initial=0.0)), 0.0)
    begin = int(past / scale) + 4
    if begin >= stop - 6:
        return Faying(None, None)
    # Opening: background between the members, from the surface up to where the butting member begins.
    low = int(np.flatnonzero(offsets >= -2.0 * scale)[0])
    up = int(np.flatnonzero(offsets >= 2.0 * scale)[0])
    open_here = p[BACKGROUND][:, low : up + 1].max(axis=1) > 0.5
    # With a gap the butting member begins past it, without one right above the line.
    rising = (plate > 0.5) & (offsets >= 0) & np.maximum.accumulate(p[BACKGROUND] > 0.5, axis=1)
    first_metal = np.where(open_here & rising.any(axis=1), rising.argmax(axis=1), up)
    opening = np.array([p[BACKGROUND][i, low : max(int(first_metal[i]) + 1, low)].sum() * 0.5 for i in range(stop)])
    peak = np.array([p[BACKGROUND][i, low : max(int(first_metal[i]) + 1, low + 1)].max() for i in range(stop)])
    over_k = np.clip(first_metal + 4, 0, len(offsets) - 1)
    butting_above = plate[np.arange(stop), over_k]
    along_line = p[WELD][:, int(np.argmin(np.abs(offsets)))]
    ends = [
        e
        for e in (_first_over(1 - butting_above, begin, 0.5), _first_over(along_line, begin, 0.5))
        if e is not None and e > begin + 6
    ]
    end_index = min(ends) if ends else None
    end: Point | None = None
    last = stop
    if end_index is not None:
        place = foot + end_index * scale * back
        end = (float(place[0]), float(place[1]))
        last = int(end_index)
    span = slice(begin, max(min(last - 3, begin + 60), begin))
    gap = None
    if span.stop - span.start >= 5 and float(np.median(peak[span])) > 0.6:
        by_maps = float(np.median(opening[span])) * scale
        if by_maps > 1.2 * scale:
            gap = _gap_on_photo(photo, base[span], out, by_maps, scale)
    return Faying(end, gap)


def _gap_on_photo(
    photo: Photo, base: FloatArray, out: FloatArray, width: float, scale: float
) -> tuple[float, float]:
    """Opening (value, u) px from the two steepest edges of the mean profile across it, or the maps' own."""
    reach = 2.5 * scale + 2
    offsets = np.arange(-reach, width + reach, 0.5)
    band = Band(base, np.repeat(out[None], len(base), axis=0), offsets)
    grey = band.grey(photo.grey)
    slope = np.gradient(across(np.median(grey, axis=0)[None], 2.0)[0])
    middle = (offsets > 0.35 * width) & (offsets < 0.65 * width)
    sides = (offsets < -1.5 * scale) | (offsets > width + 1.5 * scale)
    darker = float(grey[:, middle].mean()) < float(grey[:, sides].mean())
    sign = 1.0 if darker else -1.0
    low = np.where(offsets < 0.5 * width, -sign * slope, 0.0) * np.exp(-0.5 * (offsets / (1.5 * scale)) ** 2)
    high = np.where(offsets > 0.5 * width, sign * slope, 0.0) * np.exp(
        -0.5 * ((offsets - width) / (1.5 * scale)) ** 2
    )
    if min(low.max(), high.max()) < 1.0:
        return width, 1.2 * scale
    edges = [(v**2 * offsets).sum() / (v**2).sum() for v in (np.clip(low, 0, None), np.clip(high, 0, None))]
    value = float(edges[1] - edges[0])
    return value, float(np.hypot(0.8, 0.3 * abs(value - width)))


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
