"""Weld metal that lies cold on a member beyond the toe, where the network takes its thin tongue for air."""

from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.face import AirLine
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import RegionMaps
from macrocheck.segment.toes import Toe
from macrocheck.segment.tone import air_colour, colours_at, weld_colour

_REACH = 0.5
"""Legs beyond the toe over which a tongue is looked for."""
_INSIDE, _HIGHEST = 10.0, 0.3
"""Map px into the weld from the toe, and legs over the surface, that are looked at with it."""
_ROUNDED = 6.0
"""Map px over which the face that was traced rounds the corner where it leaves the tongue's top."""
_SEAM_PX, _SEAM = 4.0, 1.5
"""Px and map px over the surface that a dark seam, or the surface's own blur, may take up."""
_THICK, _LONG, _CLEAR = 3.0, 8.0, 4.0
"""Map px: thickness at the toe and length of a tongue at least, and bare surface beyond it."""
_TAPER, _FALLS = 0.7, 0.35
"""Its outer third is thinner than this part of its inner third: what does not taper is a rim or a burr. Half way
out it is still this part as thick as at the toe: what falls at once is a blurred edge."""
_APART, _PLAIN = 20.0, 5.0
"""Colour levels by which air and weld metal differ at least, and times what the air itself varies by."""
_ALIKE = 0.5
"""Part of that difference by which a tongue's colour is off the weld metal's at most: else it is another thing."""
_RAGGED, _RAGGED_PX = 0.06, 0.7
"""Part of its thickness at the toe, and px, that a tongue's top strays from a smooth curve at most."""
_SOFT, _SMOOTHED = 0.4, 3.75
"""Part of that difference by which it falls at the top over the width of the photo's edges, at least: a shadow cast
on the ground ends softly; and px that smoothing adds to that width."""
_NEAR = 25.0
"""Map px about the toe in which the weld metal's colour is taken."""
_ENOUGH = 30
"""Pixels of it needed."""


@dataclass(frozen=True, eq=False)
class _Top:
    """How high metal stands over a surface: `s` (k,) px beyond the toe, `height` (k,) px, nan where too high.

    `steep` (k,): how fast its colour gives way to the air's going up, parts of their difference a px.
    """

    s: FloatArray
    height: FloatArray
    steep: FloatArray


def _top(photo: Photo, maps: RegionMaps, toe: FloatArray, line: Line, out: FloatArray, leg: float) -> _Top | None:
    """The top of what stands on the surface about the toe and beyond; None where colours do not tell it."""
    scale = maps.scale
    air, weld = air_colour(photo, maps), weld_colour(photo, maps, toe, _NEAR, fewest=_ENOUGH)
    if air is None or weld is None:
        return None
    apart = weld - air[0]
    length = float(np.hypot.reduce(apart))
    if length < max(_APART, _PLAIN * air[1]):
        return None
    s = np.arange(-_INSIDE * scale, _REACH * leg, 1.0)
    low = max(_SEAM * scale, _SEAM_PX)
    heights = np.arange(low, _HIGHEST * leg, 0.5)
    start = line.foot(toe[None])[0]
    points = start + s[:, None, None] * line.direction + heights[None, :, None] * out
    within: BoolArray = ((points >= 1) & (points < (photo.width - 1, photo.height - 1))).all(axis=(1, 2))
    stop = len(s) if within.all() else int(np.argmin(within))
    if stop < (_INSIDE + _LONG + _CLEAR) * scale or len(heights) < 4:
        return None
    colours = cv2.GaussianBlur(colours_at(photo, points[:stop]), (0, 0), sigmaX=1.2, sigmaY=1.5)
    share = ((colours - air[0]) @ apart) / length**2
    metal = (share > 0.5) & (np.hypot.reduce(colours - weld, axis=2) < _ALIKE * length)
    run = np.where(metal.all(axis=1), len(heights), np.argmin(metal, axis=1))
    height = np.where(run == 0, 0.0, heights[np.clip(run, 1, len(heights)) - 1])
    # To a part of a step where the share falls through one half.
    inner = np.flatnonzero((run > 0) & (run < len(heights)))
    above, below = share[inner, run[inner] - 1], share[inner, run[inner]]
    height[inner] += 0.5 * np.clip((above - 0.5) / np.maximum(above - below, 1e-6), 0.0, 1.0)
    steep = -np.gradient(share, axis=1).min(axis=1) / float(heights[1] - heights[0])
    return _Top(s[:stop], np.where(run == len(heights), np.nan, height), steep)


def _is_shadow(top: _Top, end: float, width: float) -> bool:
    """Whether what lies dark on the surface has no edge to the air; `width`: of the photo's edges, px."""
    steep = top.steep[(top.s > 0) & (top.s < end)]
    return float(np.median(steep)) * float(np.hypot(width, _SMOOTHED)) < _SOFT


def _end(top: _Top, scale: float) -> float | None:
    """Where beyond the toe the tongue ends, px; None where there is none."""
    beyond = top.s > 0
    s, height = top.s[beyond], top.height[beyond]
    if np.isnan(height[: int(_LONG * scale)]).any():
        return None
    bare = np.flatnonzero(~(height > 0))
    if not len(bare) or np.isnan(height[: bare[0]]).any():
        return None
    last = int(bare[0])
    if last < max(_LONG * scale, 4.0):
        return None
    after = height[last : last + int(_CLEAR * scale)]
    third = max(1, last // 3)
    smooth = np.polyval(np.polyfit(s[:last], height[:last], 2), s[:last])
    strays = float(np.sqrt(((height[:last] - smooth) ** 2).mean()))
    if strays > _RAGGED * float(height[:third].mean()) + _RAGGED_PX:
        return None
    if (
        len(after) < int(_CLEAR * scale)
        or (np.nan_to_num(after, nan=1.0) > 0).mean() > 0.2
        or height[:third].mean() < _THICK * scale
        or height[last - third : last].mean() > _TAPER * height[:third].mean()
        or height[last // 2] < _FALLS * height[0]
    ):
        return None
    # The thin end is lost in the seam: the top runs on as its outer half does.
    part = slice(last // 2, last)
    slope, level = np.polyfit(s[part], height[part], 1)
    end = -level / slope if slope < 0 else float(s[last - 1])
    return float(np.clip(end, s[last - 1], s[last - 1] + max(3.0 * scale, 0.3 * last)))


def _grown(
    photo: Photo, maps: RegionMaps, air: AirLine, toe: Toe, line: Line, inward: FloatArray, leg: float
) -> tuple[AirLine, Toe] | None:
    """The face, its first point at the toe, and the toe with the tongue beyond it; None where there is none."""
    scale = maps.scale
    top = _top(photo, maps, toe.point, line, -inward, leg)
    end = None if top is None else _end(top, scale)
    if top is None or end is None or _is_shadow(top, end, air.blur):
        return None
    start = line.foot(toe.point[None])[0]
    inside = np.flatnonzero((top.s <= 0) & np.isnan(top.height))
    first = int(inside[-1]) + 1 if len(inside) else 0
    on = (np.arange(len(top.s)) >= first) & (top.s < end) & (top.height > 0)
    s, height = top.s[on][::-1], top.height[on][::-1]
    tongue = start + s[:, None] * line.direction - height[:, None] * inward
    new = start + end * line.direction
    station, up = (air.points - start) @ line.direction, (start - air.points) @ inward
    # The face as it was, from where it has come up to the tongue's top and round the corner there.
    kept = np.flatnonzero((station < s[-1]) & (up > height[-1] - 1.0))
    if not len(kept):
        return None
    clear = np.hypot(*(air.points[kept] - air.points[kept[0]]).T) > _ROUNDED * scale
    if not clear.any():
        return None
    from_ = int(kept[int(np.argmax(clear))])
    doubt = float(np.median(air.u)) + 0.3
    grown = air.taken(slice(from_, None)).begun(np.vstack([new, tongue]), doubt, float(np.median(air.width)))
    angle = float(
        np.arctan2(height[: max(2, len(height) // 3)].mean(), max(end - s[: max(2, len(s) // 3)].mean(), 1.0))
    )
    return grown, Toe(new, scale + 0.3 * (end - float(s[0])), angle)


def with_tongues(
    photo: Photo,
    maps: RegionMaps,
    air: AirLine,
    toes: tuple[Toe, Toe],
    lines: tuple[Line | None, Line | None],
    inward: tuple[FloatArray | None, FloatArray | None],
    leg: float,
) -> tuple[AirLine, tuple[Toe, Toe]]:
    """Return face and toes (butting, nonbutting) with the tongues that lie beyond them on the members.

    `lines` point from the joint root past their toes, `inward`: unit normals into the members; None where a toe is
    not to be moved. `leg`: px. A tongue is what has the weld metal's colour rather than the air's, stands on the
    surface from the toe on without a gap, tapers, and ends on bare surface.
    """
    found = list(toes)
    for k, (line, into) in enumerate(zip(lines, inward, strict=True)):
        if line is None or into is None:
            continue
        turned = air if k == 0 else air.taken(slice(None, None, -1))
        grown = _grown(photo, maps, turned, found[k], line, into, leg)
        if grown is not None:
            turned, found[k] = grown
            air = turned if k == 0 else turned.taken(slice(None, None, -1))
    return air, (found[0], found[1])
