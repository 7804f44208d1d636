"""The foot of a face read row by row, along the surface from the air inwards, where the maps close a wedge of air.

The network and a smooth path let a face that overhangs its plate drop straight from its nose to the surface. Rows
just over the surface run from open air into the wedge under the nose: where each meets metal first is the face.
"""

from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import BoolArray, ByteArray, FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.band import across, along, normals_of
from macrocheck.segment.face import AirLine
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import sample
from macrocheck.segment.tone import telling_tone

_PART = 0.35
"""Part of the face from the toe on that is its foot."""
_STEP = 0.5
"""Px from row to row and from station to station."""
_HIGH, _OUT, _IN = 20.0, 4.0, 25.0
"""Map px: heights of the rows; how far outside the face they begin, and how far within they end."""
_NARROW, _NARROW_PX = 0.7, 1.0
"""Widths of the photo's edges, and px, over the surface where its own edge no longer counts."""
_TRUSTED = 4.0
"""Map px over the surface from which the face as it was traced tells metal from air."""
_APART = 4.0
"""How many times the scatter beside the edge metal and air are apart, at least."""
_OPEN, _HAZY, _CLEAR = 0.7, 0.5, 0.75
"""How much of the air's tone a row begins with at least, and the wedge has at its median where there is one, and
where the face is followed into it (1 air, 0 metal)."""
_ROWS, _FEWEST = 0.8, 4
"""Part of the rows under the nose that have to be read, and how many rows there have to be."""
_MEETS = 1.0
"""Map px, and px more, off each other at most where the read foot and the traced face join. With the shares above
estimates: of 151 welds of families that hardly overhang they change no leg by 0.03 mm."""


@dataclass(frozen=True, eq=False)
class _Rows:
    """Rows over the surface: `heights` (n,) px, `stations` (k,) px inwards, `airy` (n, k) 1 air to 0 metal.

    `reached` (n,): station where each meets metal; `read` (n,) whether it does, out of open air.
    """

    heights: FloatArray
    stations: FloatArray
    airy: FloatArray
    reached: FloatArray
    read: BoolArray


def read_foot(
    photo: Photo, air: AirLine, line: Line, out: FloatArray, scale: float
) -> tuple[AirLine | None, float] | None:
    """Return the face, which begins at the toe, with its foot as the rows show it; None where they show no wedge.

    With it comes the height over the surface, px, at which it stands out furthest; that alone where blur leaves
    too little of the wedge to follow the face into. `line`: the surface, pointing outwards; `out`: its unit normal
    to the air. `scale`: photo px in a map px.
    """
    near = air.points[: max(int(_PART * len(air.points)), 2)]
    s, h = line.station(near), (near - line.point) @ out
    rows = _rows(photo, air, (near, s, h), (line, out), scale)
    if rows is None:
        return None
    rising = h >= np.maximum.accumulate(h)
    traced = np.interp(rows.heights, h[rising], s[rising])
    nose = int(np.argmax(np.where(rows.read, rows.reached, -np.inf)))
    # Above the join the face is what it was.
    meets = _MEETS * scale + 1.0
    parted = np.flatnonzero(rows.read & (traced - rows.reached > meets))
    last = max(int(parted[-1]), nose) if len(parted) else len(rows.heights)
    joins = np.flatnonzero(rows.read & (np.abs(rows.reached - traced) < meets) & (np.arange(len(rows.read)) > last))
    if not len(joins) or nose < _FEWEST or rows.read[:nose].mean() < _ROWS:
        return None
    shown = _shown(rows, nose, traced)
    if shown < _HAZY:
        return None
    high, top = float(rows.heights[nose]), int(joins[0])
    if shown < _CLEAR:
        return None, high
    use = np.flatnonzero(rows.read[: top + 1])
    points = line.point + rows.reached[use][:, None] * line.direction + rows.heights[use][:, None] * out
    above = np.flatnonzero(h > rows.heights[top])
    cut = int(above[0]) if len(above) else len(near) - 1
    about = slice(cut, cut + 5)
    face = air.taken(slice(cut, None)).begun(points, float(air.u[about].mean()), float(air.width[about].mean()))
    return face, high


def _rows(
    photo: Photo,
    air: AirLine,
    foot: tuple[FloatArray, FloatArray, FloatArray],
    surface: tuple[Line, FloatArray],
    scale: float,
) -> _Rows | None:
    """Rows over the surface, read; `foot`: points of the face near its toe, their stations and heights, px."""
    (near, s, h), (line, out) = foot, surface
    told = _levels(photo, near[(h > _TRUSTED * scale) & (h < 1.5 * _HIGH * scale)], line, scale)
    low = max(_NARROW * air.blur, _NARROW_PX)
    heights = np.arange(low, min(_HIGH * scale, float(h.max())), _STEP)
    about = s[h < _HIGH * scale]
    if told is None or len(heights) <= _FEWEST or not len(about):
        return None
    tone, metal, open_air = told
    stations = np.arange(float(about.max()) + _OUT * scale, float(about.min()) - _IN * scale, -_STEP)
    ss, hh = np.meshgrid(stations, heights)
    at = line.point + ss.ravel()[:, None] * line.direction + hh.ravel()[:, None] * out
    grey = across(along(sample(tone, at).reshape(ss.shape), 1.0), 1.0)
    airy = (grey - metal) / (open_air - metal)
    begins = airy[:, : max(int(2.0 * scale / _STEP), 1)].mean(axis=1) > _OPEN
    met = airy < 0.5
    each, first = np.arange(len(heights)), np.argmax(met, axis=1)
    before = np.maximum(first - 1, 0)
    fall = np.maximum(airy[each, before] - airy[each, first], 1e-6)
    reached = stations[before] - _STEP * np.clip((airy[each, before] - 0.5) / fall, 0.0, 1.0)
    return _Rows(heights, stations, airy, reached, begins & met.any(axis=1))


def _shown(rows: _Rows, nose: int, traced: FloatArray) -> float:
    """How much of the air's tone lies between the read foot under the nose and the traced one, at the median."""
    closed = np.maximum(traced, rows.reached[nose])
    ss = rows.stations[None]
    wedge = (ss > rows.reached[:, None]) & (ss < closed[:, None])
    wedge[nose:] = False
    return float(np.median(rows.airy[wedge])) if wedge.any() else 0.0


def _levels(photo: Photo, stretch: FloatArray, line: Line, scale: float) -> tuple[ByteArray, float, float] | None:
    """The tone that tells metal from air about a stretch of the face, and either's level in it."""
    if len(stretch) < 5:
        return None
    normal = normals_of(stretch, 2.0)
    if (normal @ line.direction).mean() < 0:
        normal = -normal
    offsets = np.arange(1.5, 4.1, 0.5) * scale + 1.0
    outside = stretch[:, None] + offsets[None, :, None] * normal[:, None]
    inside = stretch[:, None] - offsets[None, :, None] * normal[:, None]
    tone = telling_tone(photo, inside, outside)
    within, without = (sample(tone, side.reshape(-1, 2)) for side in (inside, outside))
    levels = float(np.median(within)), float(np.median(without))
    scatter = 0.5 * (_spread(within) + _spread(without)) + 1.0
    return (tone, *levels) if abs(levels[1] - levels[0]) > _APART * scatter else None


def _spread(values: FloatArray) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))
