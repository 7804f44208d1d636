"""The far end of the faying surface: where the unfused land of a weld ends on the other side.

For a tee welded on both sides that is the other weld's root, else the far side of the butting member, or the end of
the nonbutting one where a corner's ends before that; for a lap the end of the overlap. The far side is found in the
maps of the whole photo and then refined on the photo's edges.
"""

from dataclasses import dataclass, replace

import numpy as np

from macrocheck.arrays import FloatArray, Point
from macrocheck.flags import Flag
from macrocheck.outline import SurfaceLine, WeldOutline
from macrocheck.photo import Photo
from macrocheck.segment.band import Band, across, along
from macrocheck.segment.lines import fit_offsets
from macrocheck.segment.maps import BACKGROUND, BUTTING, NONBUTTING, RegionMaps

_HEIGHTS = np.arange(2.5, 40.0, 1.0)
"""Map px off the faying surface at which a member's far end is looked for."""
_FEWEST = 6
"""Heights that must show the far end."""
_FLOOR_PX = 0.4
"""Least standard error of the far end, px: plates' corners are never quite sharp."""
_BEFORE, _PERHAPS = 3.0, 2.0
"""A corner's nonbutting plate ends before the butting one by more than so many standard errors of both; by over
than the second it may."""
_STEP = 1.5
"""Step of the grey across a member's end, in standard deviations of it along that end, from which the photo shows
it; on 14 rendered corners, hard, 1.9 to 35."""
_ROOT = 1.2
"""Standard error of where weld metal ends along the faying surface, in those of its boundary there."""
_FLATTEST = 0.15
"""Sine of the angle between boundary and faying surface under which the end of weld metal is no less sure."""


_SHARED = ("regions_unsure", "second_boundary", "surface_missing", "surface_short", "member_unsure")
"""Flags of the weld on the other side that put the end of the unfused land in doubt."""


@dataclass(frozen=True, eq=False)
class _Frame:
    """Faying surface seen from a weld: `origin` px on it, `back` unit vector away from the weld, `up` off it."""

    origin: FloatArray
    back: FloatArray
    up: FloatArray

    def at(self, s: FloatArray, height: float | FloatArray) -> FloatArray:
        """Photo px of stations behind the origin at a height over the surface."""
        return np.asarray(self.origin + np.multiply.outer(s, self.back) + np.multiply.outer(height, self.up))


def _frame(weld: WeldOutline, line: SurfaceLine) -> _Frame:
    d = np.asarray(line.direction)
    normal = np.array([-d[1], d[0]])
    point = np.asarray(line.point)
    # The face lies on the air's side, over the surface.
    up = normal if ((weld.face.mean(axis=0) - point) @ normal) > 0 else -normal
    start = np.asarray(weld.joint_root or weld.toe_butting)
    foot = point + ((start - point) @ d) * d
    return _Frame(foot, -d, up)


def weld_root(weld: WeldOutline, line: SurfaceLine) -> tuple[float, float]:
    """Furthest reach of weld metal along the faying surface past the joint root (px, not under 0), and its u."""
    frame = _frame(weld, line)
    rel = np.asarray(weld.fusion) - frame.origin
    s, height = rel @ frame.back, rel @ frame.up
    gap = 0.0 if weld.gap_px is None else weld.gap_px[0]
    u = float(np.median(weld.u_fusion))
    apart = max(u, 1.0)
    levels = [-apart, apart] if gap < 2 * apart else [-apart, *np.linspace(apart, gap - apart, 4)]
    reach, at = 0.0, int(np.argmin(np.hypot(s, height)))
    for level in levels:
        over = height > level
        for i in np.flatnonzero(over[1:] != over[:-1]):
            share = (level - height[i]) / (height[i + 1] - height[i])
            station = float(s[i] + share * (s[i + 1] - s[i]))
            if station > reach:
                reach, at = station, int(i)
    near = slice(max(at - 4, 0), at + 6)
    run = float(np.hypot(np.ptp(s[near]), np.ptp(height[near])))
    # The flatter the boundary runs into the faying surface, the further its error moves its end.
    steep = float(np.ptp(height[near])) / run if run > 0 else 1.0
    return reach, _ROOT * float(weld.u_fusion[at]) / max(steep, _FLATTEST)


def _edge_in_maps(
    maps: RegionMaps, frame: _Frame, side: float, begin: float, above: float
) -> tuple[FloatArray, FloatArray] | None:
    """Heights (k,) and stations (k,), px, where the member on one side of the faying surface ends in the maps."""
    scale = maps.scale
    s = np.arange(begin, begin + 2.0 * max(maps.shape) * scale, 0.5 * scale)
    heights = above + _HEIGHTS * scale
    points = frame.origin + s[None, :, None] * frame.back + (side * heights)[:, None, None] * frame.up
    at = maps.map_points(points.reshape(-1, 2)).reshape(points.shape)
    h, w = maps.shape
    inside = (at[..., 0] > 2) & (at[..., 1] > 2) & (at[..., 0] < w - 3) & (at[..., 1] < h - 3)
    plate = maps.sample(maps.regions[BUTTING], points) + maps.sample(maps.regions[NONBUTTING], points)
    air = maps.sample(maps.regions[BACKGROUND], points)
    found = []
    for i, height in enumerate(heights):
        stop = int(np.argmin(inside[i])) if not inside[i].all() else len(s)
        on = np.flatnonzero(plate[i, :stop] > 0.5)
        # Over the root the weld itself may reach further back than on the faying surface.
        if not len(on) or air[i, : on[0]].max(initial=0.0) > 0.5:
            continue
        off = np.flatnonzero(plate[i, on[0] : stop] < 0.5)
        if not len(off):
            continue
        k = int(on[0] + off[0])
        # Past the end there is air, and that for a while; weld metal there is another weld's.
        past = air[i, k + 2 : min(k + 8, stop)]
        if len(past) < 2 or past.min() < 0.5:
            continue
        share = (plate[i, k - 1] - 0.5) / max(plate[i, k - 1] - plate[i, k], 1e-6)
        found.append((height, float(s[k - 1] + share * (s[k] - s[k - 1]))))
    if len(found) < _FEWEST:
        return None
    t, v = np.array(found).T
    a, b, weight, sd = fit_offsets(t, v, np.ones(len(t)))
    if (weight > 0).sum() < _FEWEST or sd > 2.0 * scale or abs(b) > 1.5:
        return None
    return t[weight > 0], a + b * t[weight > 0]


def _edge_on_photo(
    photo: Photo, frame: _Frame, side: float, heights: FloatArray, stations: FloatArray, scale: float
) -> tuple[float, float]:
    """Station (value, u) px where the member's end face meets the faying surface, by the photo's own edge."""
    slope = float((stations[-1] - stations[0]) / (heights[-1] - heights[0]))
    at_zero = float(stations[0] - slope * heights[0])
    rough = (at_zero, 1.0 * scale)
    along_face = np.array([slope, 1.0]) / np.hypot(slope, 1.0)
    normal = along_face[1] * frame.back - along_face[0] * side * frame.up
    half = 2.0 * scale + 2.0
    for _ in range(2):
        t = np.arange(heights[0], heights[-1] + 0.5, max(1.0, (heights[-1] - heights[0]) / 150))
        base = (
            frame.origin
            + np.multiply.outer(at_zero + slope * t, frame.back)
            + np.multiply.outer(side * t, frame.up)
        )
        clear = (base > half).all(axis=1) & (base[:, 0] < photo.width - half) & (base[:, 1] < photo.height - half)
        t, base = t[clear], base[clear]
        if len(t) < 12:
            return rough
        offsets = np.arange(-half, half + 0.25, 0.5)
        grey = Band(base, np.repeat(normal[None], len(base), axis=0), offsets).grey(photo.grey)
        edge = np.gradient(across(along(grey, 1.5), 2.0), axis=1) / 0.5
        edge = edge * (1.0 if edge.mean() >= 0 else -1.0) * np.exp(-0.5 * (offsets / (0.6 * half)) ** 2)
        k = np.clip(edge.argmax(axis=1), 1, len(offsets) - 2)
        row = np.arange(len(t))
        left, mid, right = edge[row, k - 1], edge[row, k], edge[row, k + 1]
        curve = left - 2 * mid + right
        shift = np.where(curve < 0, 0.5 * (left - right) / np.where(curve < 0, curve, -1.0), 0.0)
        v = offsets[k] + 0.5 * np.clip(shift, -1, 1)
        good = mid > max(0.35 * float(np.median(mid)), 1.0)
        if good.sum() < 12:
            return rough
        # An offset across the face is longer along the faying surface.
        v = v / along_face[1]
        a, b, weight, sd = fit_offsets(t[good], v[good], np.ones(int(good.sum())))
        live = weight > 0
        if live.sum() < 12 or sd > 0.6 * scale + 0.8:
            return rough
        at_zero, slope = at_zero + a, slope + b
        half = max(0.7 * half, 3.0)
    reach = float(t[good][live].mean())
    spread = float(np.std(t[good][live]))
    # Neighbouring rows share their noise over some pixels.
    few = max(live.sum() / 6.0, 3.0)
    u = float(np.hypot(sd / np.sqrt(few), sd / np.sqrt(few) * reach / max(spread, 1.0)))
    gap = abs(at_zero - rough[0])
    return at_zero, float(np.hypot(np.hypot(u, _FLOOR_PX), max(0.0, 0.5 * (gap - 1.5 * scale))))


_MARGIN_PX = 3, 8
"""Px off a member's end, from and to, that are compared."""
_PLAIN, _PLAIN_LEVELS, _STEPS, _AT_ONCE = 0.85, 8.0, 0.9, 0.75
"""Beyond that the picture is plain in this part of its width, within so many levels, and this part differs from it
on the near side; and of that step this part falls between two pixels: what a lens saw is softer."""


def _cut_by_strip(photo: Photo, at: Point, back: FloatArray) -> bool:
    """Whether the section goes on under a plain strip at the picture's side (a legend's, a border).

    `at`: px on the faying surface where a member ends; `back`: unit vector past it. A section that ends by itself
    shows the same ground on either side of its end.
    """
    axis = int(np.argmax(np.abs(back)))
    grey = photo.grey if axis == 1 else photo.grey.T
    row, way = round(at[axis]), int(np.sign(back[axis]))
    near, far = _MARGIN_PX
    beyond, before = (sorted((row + s * way * near, row + s * way * far)) for s in (1, -1))
    if min(beyond[0], before[0]) < 0 or max(beyond[1], before[1]) >= len(grey):
        return False
    strip = grey[beyond[0] : beyond[1]].mean(axis=0)
    tone = float(np.median(strip))
    plain = float((np.abs(strip - tone) < _PLAIN_LEVELS).mean())
    steps = float((np.abs(grey[before[0] : before[1]].mean(axis=0) - tone) > _PLAIN_LEVELS).mean())
    across_end = np.median(grey[min(before[0], beyond[0]) : max(before[1], beyond[1])], axis=1)
    falls = np.abs(np.diff(across_end))
    at_once = float(falls.max()) > _AT_ONCE * float(abs(across_end[-1] - across_end[0]))
    return plain > _PLAIN and steps > _STEPS and at_once


def _first_end(
    maps: RegionMaps,
    frame: _Frame,
    butting: tuple[float, float] | None,
    nonbutting: tuple[float, float] | None,
    *,
    shown: bool,
) -> tuple[float, float] | None:
    """Station and u, px, where the one or the other member of a tee or corner ends first along the faying surface.

    That is the butting member's far side, unless the photo shows the nonbutting one's end before it or, where that
    far side is not seen, under the butting member. An end that is not `shown`, that the maps alone have, only makes
    it unsure.
    """
    if butting is None:
        return nonbutting if nonbutting is not None and shown and _goes_on(maps, frame, nonbutting[0]) else None
    if nonbutting is None:
        return butting
    before = butting[0] - nonbutting[0]
    u = float(np.hypot(butting[1], nonbutting[1]))
    if shown and before > _BEFORE * u:
        return nonbutting
    return butting[0], max(butting[1], 0.5 * before) if before > _PERHAPS * u else butting[1]


def _steps(photo: Photo, frame: _Frame, side: float, edge: tuple[FloatArray, FloatArray], station: float) -> bool:
    """Whether the photo's grey steps across an end at a station, px, that runs as `edge` in the maps."""
    heights, stations = edge
    slope = float((stations[-1] - stations[0]) / (heights[-1] - heights[0]))
    t = np.arange(heights[0], heights[-1] + 0.5)
    rows = frame.at(station + slope * t, 0.0) + np.multiply.outer(side * t, frame.up)
    near, far = _MARGIN_PX

    def grey(way: float) -> FloatArray:
        at = rows[:, None] + np.multiply.outer(way * np.arange(near, far + 1), frame.back)
        x = np.clip(np.rint(at[..., 0]), 0, photo.width - 1).astype(int)
        y = np.clip(np.rint(at[..., 1]), 0, photo.height - 1).astype(int)
        return np.asarray(photo.grey[y, x].mean(axis=1), np.float64)

    step = grey(1.0) - grey(-1.0)
    middle = float(np.median(step))
    return abs(middle) > _STEP * 1.4826 * float(np.median(np.abs(step - middle)))


def _goes_on(maps: RegionMaps, frame: _Frame, station: float) -> bool:
    """Whether the maps show metal over the faying surface on both sides of a station, px."""
    scale = maps.scale
    stations = frame.at(station + np.array([-4, -2, 2, 4, 6]) * scale, 0.0)
    points = stations[:, None] + np.multiply.outer(_HEIGHTS[1:9:2] * scale, frame.up)
    at = maps.map_points(points.reshape(-1, 2))
    h, w = maps.shape
    inside = ((at > 2) & (at < [w - 3, h - 3])).all(axis=1)
    return bool(inside.all() and maps.sample(maps.regions[BACKGROUND], points).max() < 0.5)


def _far_end(
    photo: Photo, maps: RegionMaps, weld: WeldOutline, frame: _Frame, line: SurfaceLine
) -> tuple[Point, float] | None:
    scale = maps.scale
    begin = weld_root(weld, line)[0] + 2.0 * scale
    gap = 0.0 if weld.gap_px is None else weld.gap_px[0]
    ends, shown = [], False
    for side in (1.0, -1.0):
        # The butting member begins over the opening.
        edge = _edge_in_maps(maps, frame, side, begin, gap if side > 0 else 0.0)
        end = None if edge is None else _edge_on_photo(photo, frame, side, *edge, scale)
        shown = edge is not None and end is not None and end[1] < scale and _steps(photo, frame, side, edge, end[0])
        ends.append(end)
    if weld.joint == "lap":
        end = min((e for e in ends if e is not None), default=None)
    else:
        end = _first_end(maps, frame, *ends, shown=shown)
    if end is None:
        return None
    station, u = end
    x, y = frame.origin + station * frame.back
    if station <= begin or not (0 <= x <= photo.width - 1 and 0 <= y <= photo.height - 1):
        return None
    return None if _cut_by_strip(photo, (float(x), float(y)), frame.back) else ((float(x), float(y)), u)


def _from_behind(weld: WeldOutline, other: WeldOutline) -> tuple[Flag, ...]:
    """Doubts about the other weld that the unfused land shares: it ends at that weld's root."""
    told = {f.code for f in weld.flags}
    return tuple(
        replace(f, text=f"On the weld of the other side, where the unfused land ends: {f.text}")
        for f in other.flags
        if f.code in _SHARED and f.code not in told
    )


def with_land(photo: Photo, coarse: RegionMaps, welds: tuple[WeldOutline, ...]) -> tuple[WeldOutline, ...]:
    """Return the welds with `seam_end` and its uncertainty, where the far end of the faying surface is seen.

    `coarse`: maps of the whole photo. `welds`: all welds of one joint; one or, in a tee, two.
    """
    out = []
    for k, weld in enumerate(welds):
        line = weld.surface_nonbutting
        if line is None or weld.joint == "bead":
            out.append(weld)
            continue
        frame = _frame(weld, line)
        found: tuple[Point, float] | None = None
        if len(welds) == 2:
            other = welds[1 - k]
            own = other.surface_nonbutting
            if own is not None and other.joint_root is not None:
                reach, u = weld_root(other, own)
                seen = _frame(other, own)
                x, y = seen.origin + reach * seen.back
                # The other joint root itself is only as sure as the surface that it lies on.
                if reach <= 0 and other.surface_butting is not None:
                    u = max(u, other.surface_butting.u_offset)
                found = (float(x), float(y)), max(u, _FLOOR_PX)
        else:
            found = _far_end(photo, coarse, weld, frame, line)
        if found is None:
            out.append(weld)
            continue
        station = (np.asarray(found[0]) - frame.origin) @ frame.back
        ahead = station > weld_root(weld, line)[0] - 3.0 * found[1]
        if not ahead:
            out.append(weld)
            continue
        flags = weld.flags if len(welds) < 2 else (*weld.flags, *_from_behind(weld, welds[1 - k]))
        out.append(replace(weld, seam_end=found[0], u_seam_end=found[1], flags=flags))
    return tuple(out)
