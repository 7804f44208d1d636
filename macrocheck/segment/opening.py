"""The opening between the members behind the weld: its width to sub-pixel, or that the members touch."""

from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import BoolArray, FloatArray, IntArray
from macrocheck.photo import Photo
from macrocheck.segment.band import Band, across
from macrocheck.segment.face_run import clear_of_border
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import BACKGROUND, BUTTING, NONBUTTING, WELD, RegionMaps, sample
from macrocheck.segment.see_through import see_through
from macrocheck.segment.tone import air_places, telling_tone

_LOOKED_AT = 60
"""Stations, a map px apart, behind the weld over which the opening is looked for."""
_FEWEST_OPEN, _FEWEST_CLOSED = 4, 8
"""Stations that must show an opening, or none."""
_WIDEST = 0.4
"""Widest opening looked for, as a share of the weld's toe-to-toe distance."""
_EDGE_FLOOR = 0.6
"""Least standard error of an opening, px: its edges are etched and blurred (measured on rendered sections)."""
_LOST = 0.7
"""Standard error of an opening for each px by which it begins off the nonbutting surface, beyond that one's own."""
_GROOVE_DEPTH = 0.85
"""A band that goes less than this part of the way from the plates' grey to that of the air is an etched seam."""
_SEAM_MOST = 4.3
"""Px: blurred, an etched seam is seen up to this wide; a wider band as dark as the air is an opening."""
_PLAIN = 25.0
"""Grey levels that air and plate must differ by for the band's depth to tell."""
_NARROW, _DOUBTFUL = 0.15, 0.5
"""Standard error of the width of a band too narrow for the maps, as a part of it: its sides blur together. Up to
`_CLEAR` photo px or `_CLEAR_MAP` map px wide it may still be a broad seam."""
_CLEAR, _CLEAR_MAP = 6.0, 4.0


_FAINT, _FAINT_WIDE, _FAINT_SHARE = 0.09, 4.5, 0.6
"""Probability of air from which a band behind the weld may be an opening of nearly the plates' tone, map px that it
is wide at half its own height, and part of the stations that show it. The seam of plates that touch is 2 to 3 map
px wide."""
_FAINT_OFF = 3.0
"""Map px by which its near side may lie off the nonbutting surface."""
_FAINT_DOUBT = 0.6
"""Standard uncertainty of such an opening, as a part of its width: about one in three is none."""


@dataclass(frozen=True, eq=False)
class _Strip:
    """Stations behind the weld: `base` (n, 2) px on the nonbutting surface, `out` unit normal off it."""

    base: FloatArray
    out: FloatArray

    def points(self, offsets: FloatArray) -> FloatArray:
        """Return every (station, offset), (n, k, 2) px."""
        return np.asarray(self.base[:, None, :] + offsets[None, :, None] * self.out)

    def band(self, offsets: FloatArray) -> Band:
        """Return the stations as a band across the faying surface."""
        return Band(self.base, np.repeat(self.out[None], len(self.base), axis=0), offsets)

    def only(self, which: IntArray) -> "_Strip":
        """Return the stations with these numbers."""
        return _Strip(self.base[which], self.out)


def _strip(photo: Photo, maps: RegionMaps, nonbutting: Line, inward: FloatArray, fusion: FloatArray) -> _Strip:
    scale = maps.scale
    back, out = -nonbutting.direction, -inward
    rel = fusion - nonbutting.point
    near = np.abs(rel @ out) < 3.0 * scale
    reach = float(((rel[near] if near.any() else rel) @ back).max())
    s = reach + np.arange(2.0, 2.0 + 2 * _LOOKED_AT) * scale
    base = nonbutting.point + s[:, None] * back
    clear = clear_of_border(maps, (photo.width, photo.height), maps.map_points(base))
    stop = int(np.argmin(clear)) if not clear.all() else len(s)
    return _Strip(base[:stop], out)


def _widths(maps: RegionMaps, strip: _Strip, most: float) -> tuple[FloatArray, BoolArray]:
    """Width of the opening at each station by the maps, px (nan where none is seen), and where there is none."""
    scale = maps.scale
    step = 0.5
    offsets = np.arange(-5.0, most / scale + 8.0, step)
    points = strip.points(offsets * scale)
    air = maps.sample(maps.regions[BACKGROUND], points)
    weld = maps.sample(maps.regions[WELD], points)
    plate = maps.sample(maps.regions[BUTTING], points) + maps.sample(maps.regions[NONBUTTING], points)
    widths = np.full(len(points), np.nan)
    closed = np.zeros(len(points), np.bool_)
    low, high = np.searchsorted(offsets, [-3.0, 4.0])
    for i in range(len(points)):
        open_at = np.flatnonzero(air[i, low:high] > 0.5)
        if not len(open_at):
            sides = plate[i, [0, 2, high + 2, high + 4]]
            closed[i] = bool((sides > 0.5).all() and weld[i, :high].max() < 0.5)
            continue
        first = low + int(open_at[0])
        over = np.flatnonzero(air[i, first:] < 0.5)
        if not len(over):
            continue
        last = first + int(over[0])
        past = min(last + 6, len(offsets) - 1)
        if (
            plate[i, past] < 0.5
            or weld[i, max(first - 4, 0) : past].max() > 0.4
            or plate[i, max(first - 6, 0)] < 0.5
        ):
            continue
        widths[i] = air[i, max(first - 5, 0) : past].sum() * step * scale
    return widths, closed


def _steepest(slope: FloatArray, offsets: FloatArray, near: float, reach: float) -> float | None:
    """Place of the highest point of `slope` within about `reach` of `near`; None where it is no edge."""
    g = slope * np.exp(-0.5 * ((offsets - near) / reach) ** 2)
    k = int(g.argmax())
    if g[k] < 1.0 or not 0 < k < len(g) - 1:
        return None
    curve = g[k - 1] - 2 * g[k] + g[k + 1]
    shift = 0.5 * (g[k - 1] - g[k + 1]) / curve if curve < 0 else 0.0
    return float(offsets[k] + np.clip(shift, -1, 1) * (offsets[1] - offsets[0]))


def _blocks(rows: FloatArray, size: int) -> FloatArray:
    """Means of every `size` rows, (n, k); fewer rows than that make one."""
    count = max(1, len(rows) // size)
    return np.array([part.mean(axis=0) for part in np.array_split(rows, count)])


def _edges(
    photo: Photo, strip: _Strip, rough: tuple[float, float], scale: float, u_surface: float
) -> tuple[float, float]:
    """Width (value, u) px between the steepest edges of the profiles across.

    `rough`: where the opening begins, as an offset, and its width. `u_surface`: standard error of offset 0.
    """
    begin, width = rough
    strip = _Strip(strip.base + begin * strip.out, strip.out)
    reach = 1.5 * scale + 1.5
    within = strip.points(np.linspace(0.25 * width, 0.75 * width, 5))
    beside = np.linspace(reach, 2.5 * reach, 4)
    tone = telling_tone(photo, within, strip.points(np.concatenate([-beside, width + beside])))
    offsets = np.arange(-3.0 * reach, width + 3.0 * reach, 0.5)
    grey = across(_blocks(strip.band(offsets).grey(tone), 6), 2.0)
    slope = np.gradient(grey, axis=1) / 0.5
    inside = np.abs(offsets - width / 2) < max(0.25 * width, 1.0)
    sides = (offsets < -reach) | (offsets > width + reach)
    sign = 1.0 if grey[:, inside].mean() < grey[:, sides].mean() else -1.0
    found, starts = [], []
    for row in sign * slope:
        low, high = _steepest(-row, offsets, 0.0, reach), _steepest(row, offsets, width, reach)
        if low is not None and high is not None and high > low:
            found.append(high - low)
            starts.append(begin + low)
    if len(found) < 0.5 * len(slope):
        return width, 1.2 * scale
    value = float(np.median(found))
    spread = 1.4826 * float(np.median(np.abs(np.array(found) - value))) * 1.25 / np.sqrt(len(found))
    doubt = max(0.0, abs(value - width) - 2.0 * scale)
    # What begins off the plate's surface has lost its rim: to glare, or to an edge that is blurred twice.
    lost = _LOST * max(0.0, float(np.median(starts)) - u_surface)
    return value, float(np.sqrt(_EDGE_FLOOR**2 + spread**2 + doubt**2 + lost**2))


def _groove(photo: Photo, maps: RegionMaps, strip: _Strip) -> tuple[float, float] | None:
    """Depth, as a part of the way to the air's grey, and width at half depth, px, of a narrow band at the seam.

    None where the air is of the plates' own grey, so that an opening would not show.
    """
    scale = maps.scale
    own = photo.grey
    at = air_places(photo, maps)
    if at is None:
        return None
    level = float(np.median(own[at[:, 1], at[:, 0]]))
    offsets = np.arange(-7.0 * scale - 4, 7.0 * scale + 4, 0.5)
    rows = across(_blocks(strip.band(offsets).grey(own), 8), 0.8)
    near = np.abs(offsets) < 2.5 * scale + 1.5
    depths, widths, rooms = [], [], []
    for row in rows:
        low = float(np.median(row[(offsets < -3.0 * scale - 2)]))
        high = float(np.median(row[(offsets > 3.0 * scale + 2)]))
        plate = 0.5 * (low + high)
        sign = 1.0 if level < plate else -1.0
        k = int(np.flatnonzero(near)[np.argmin((sign * row)[near])])
        side = np.where(offsets < offsets[k], low, high)
        contrast = sign * (side - row)
        depth = min(sign * (low - row[k]), sign * (high - row[k]))
        rooms.append(abs(plate - level))
        depths.append(depth / max(rooms[-1], _PLAIN))
        if depth <= 0:
            widths.append(0.0)
            continue
        half = 0.5 * np.where(offsets < offsets[k], sign * (low - row[k]), sign * (high - row[k]))
        under = contrast < half
        left = np.flatnonzero(under[:k])
        right = np.flatnonzero(under[k:])
        if not len(left) or not len(right):
            widths.append(0.0)
            continue
        i, j = int(left[-1]), k + int(right[0])
        a = (half[i] - contrast[i]) / max(contrast[i + 1] - contrast[i], 1e-6)
        b = (half[j] - contrast[j]) / max(contrast[j - 1] - contrast[j], 1e-6)
        widths.append(float(offsets[j] - offsets[i] - (np.clip(a, 0, 1) + np.clip(b, 0, 1)) * 0.5))
    if float(np.median(rooms)) < _PLAIN:
        return None
    return float(np.median(depths)), float(np.median(widths))


def find_opening(
    photo: Photo, maps: RegionMaps, nonbutting: Line, inward: FloatArray, fusion: FloatArray, chord: float
) -> tuple[float, float] | None:
    """Opening (value, u) px between the members next to the weld; (0, u) where they touch, None where unseen.

    `inward`: unit normal into the nonbutting member. `fusion`: boundary of the weld, photo px. `chord`: toe to
    toe, px.
    """
    scale = maps.scale
    strip = _strip(photo, maps, nonbutting, inward, fusion)
    if len(strip.base) < _FEWEST_OPEN:
        return None
    across_it = np.arange(-8.0 * scale, _WIDEST * chord + 8.0 * scale, max(1.0, 0.5 * scale))
    seen = see_through(photo, maps, strip.points(across_it), across_it)
    # As narrow as that it may be a seam as dark as the air.
    if seen is not None and seen[1] > _CLEAR:
        return _edges(photo, strip, seen, scale, nonbutting.u_offset)
    widths, closed = _widths(maps, strip, _WIDEST * chord)
    usable = np.flatnonzero(np.isfinite(widths) | closed)
    is_open = np.isfinite(widths[usable])
    tail = usable[int(np.flatnonzero(is_open)[-1]) + 1 :] if is_open.any() else usable
    most = _WIDEST * chord
    # An opening goes on; what the plates close again behind may be a cavity beside the weld.
    goes_on = len(tail) < _FEWEST_CLOSED or _faint(maps, strip.only(tail), most) is not None
    first, is_open = usable[:_LOOKED_AT], is_open[:_LOOKED_AT]
    on = first[is_open]
    if len(on) >= max(_FEWEST_OPEN, 0.5 * len(first)):
        rough = (0.0, float(np.median(widths[on])))
        width, u = _edges(photo, strip.only(on), rough, scale, nonbutting.u_offset)
        return width, u if goes_on and width >= _CLEAR else float(np.hypot(u, _DOUBTFUL * width))
    if goes_on:
        tail = first[~is_open]
    if len(tail) < _FEWEST_CLOSED:
        return None
    shut_strip = strip.only(tail[:_LOOKED_AT])
    by_groove = _by_groove(_groove(photo, maps, shut_strip), max(_CLEAR, _CLEAR_MAP * scale))
    faint = _faint(maps, shut_strip, most)
    if faint is None or (by_groove is not None and by_groove[0] > 0):
        return by_groove
    width, u = _edges(photo, shut_strip, faint, scale, nonbutting.u_offset)
    return width, float(np.hypot(u, _FAINT_DOUBT * width))


def _faint(maps: RegionMaps, strip: _Strip, most: float) -> tuple[float, float] | None:
    """Where a band that the maps half take for air begins, off the surface, and its width, px; None without one."""
    scale, step = maps.scale, 0.5
    # Where the surface was taken from the other plate, the band lies under it.
    offsets = np.arange(-most / scale - 8.0, most / scale + 8.0, step)
    air = maps.sample(maps.regions[BACKGROUND], strip.points(offsets * scale))
    begins, widths = [], []
    for row in air:
        peak = int(row.argmax())
        off = np.flatnonzero(row < 0.5 * row[peak])
        below, above = off[off < peak], off[off > peak]
        if row[peak] < _FAINT or not len(below) or not len(above):
            continue
        width = float(above[0] - below[-1] - 1) * step
        if width >= _FAINT_WIDE:
            begins.append(float(offsets[below[-1]] + 0.5 * step))
            widths.append(width)
    if len(widths) < max(_FEWEST_CLOSED, _FAINT_SHARE * len(air)):
        return None
    begin, width = float(np.median(begins)), float(np.median(widths))
    # It has to reach the surface from one side or the other: what lies off it is a patch in a plate.
    reaches = -_FAINT_OFF - width <= begin <= _FAINT_OFF
    return (begin * scale, width * scale) if reaches else None


def _by_groove(groove: tuple[float, float] | None, clear: float) -> tuple[float, float] | None:
    """The opening (value, u) px where the maps show none, by the depth and width of the band at the seam.

    `clear`: px of width from which a band is no broad seam.
    """
    if groove is None:
        return None
    depth, width = groove
    if depth > _GROOVE_DEPTH and width > _SEAM_MOST:
        return width, float(np.hypot(_EDGE_FLOOR, (_NARROW if width > clear else _DOUBTFUL) * width))
    return 0.0, float(max(0.7, 0.5 * width if depth > 0.15 else 0.0))


_OPEN, _PLATE, _SAME = (0.25, 0.5, 0.75), 1.5, 0.25
"""Between a seam's line and the surface alongside (0 to 1) and beyond that, where tones are read; an opening's own
differ by at most this part of its step to the plate."""
_STEP_LEVELS = 20.0
"""Grey levels of that step at least."""


def bounds_opening(photo: Photo, surface: Line, seam: Line) -> bool:
    """Whether what is taken for the seam is an open gap between the members, and `surface` one of its sides."""
    points = seam.point + np.linspace(seam.start, seam.end, 40)[:, None] * seam.direction
    across = surface.foot(points) - points

    def tone(share: float) -> float:
        return float(np.median(sample(photo.grey, points + share * across)))

    step = tone(_PLATE) - tone(0.0)
    inside = [tone(share) - tone(0.0) for share in _OPEN]
    return abs(step) > _STEP_LEVELS and max(abs(v) for v in inside) < _SAME * abs(step)
