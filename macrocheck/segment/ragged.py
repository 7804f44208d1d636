"""Surfaces with a ragged edge, as mill scale leaves them: the plate's own surface is straight, not its scale."""

from dataclasses import replace

import numpy as np

from macrocheck.arrays import AnyArray, FloatArray
from macrocheck.segment.band import Band, across, along
from macrocheck.segment.lines import Line, line_of
from macrocheck.segment.photo_line import peaks

_RAGGED = 0.3
"""Px from which an edge is ragged: clean ones stray by 0.05 to 0.2 px (measured on rendered sections)."""
_SMOOTH, _DOUBT, _LEFT = 0.1, 3.0, 0.4
"""An edge that strays by r px may be off the surface by `_DOUBT` times what r exceeds `_SMOOTH` by: scale as dark
as the background hides where the plate ends (measured on rendered sections). `_LEFT` of it stays on a straighter
edge found instead: that may be the wrong one."""
_STRAIGHTER, _LEAST, _STEEPER = 1.4, 0.4, 1.2
"""To be the surface, an edge outside the ragged one must be this many times as straight and at least this part as
steep in the mean over its length, or no less straight and this many times as steep."""
_LONG = 30.0
"""Px of a stretch under which no straighter edge is told from a ragged one."""
_WINDOW = 1.5
"""Px about an edge within which it is looked for at each station."""


def _slopes(grey: AnyArray, line: Line, half: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Stations (n,), offsets (k,) along the normal and grey slopes (n, k) across a line."""
    height, width = grey.shape
    s = np.arange(line.start, line.end, max(1.0, line.length / 300))
    base = line.point + s[:, None] * line.direction
    clear = (base > half).all(axis=1) & (base[:, 0] < width - 1 - half) & (base[:, 1] < height - 1 - half)
    s, base = s[clear], base[clear]
    offsets = np.arange(-half, half + 0.25, 0.5)
    if len(s) < 12:
        return s, offsets, np.zeros((len(s), len(offsets)))
    band = Band(base, np.repeat(line.normal[None], len(s), axis=0), offsets)
    return s, offsets, np.gradient(across(along(band.grey(grey), 1.5), 2.0), axis=1) / 0.5


def _steepness(slope: FloatArray, offsets: FloatArray, window: float) -> tuple[float, float]:
    """Steepness of the mean profile at offset 0, and as a part of the stations' own within `window` px.

    A straight edge adds up along its length, a ragged one smears, and noise cancels.
    """
    mean = slope.mean(axis=0)
    middle = np.abs(offsets) <= 1.0
    k = int(np.argmax(np.abs(mean) * middle))
    sign = 1.0 if mean[k] >= 0 else -1.0
    own = (sign * slope)[:, np.abs(offsets) <= window].max(axis=1)
    steep = abs(float(mean[k]))
    return steep, steep / max(float(own.mean()), 1e-6)


def _fitted(grey: AnyArray, line: Line, half: float, at: float) -> Line | None:
    """The line refitted to the edge that lies `at` px beside it."""
    current, place = line, at
    for _ in range(2):
        s, offsets, slope = _slopes(grey, current, half)
        if len(s) < 12:
            return None
        mean = slope.mean(axis=0)
        sign = 1.0 if mean[int(np.argmin(np.abs(offsets - place)))] >= 0 else -1.0
        g = sign * slope
        v, height = peaks(g * np.exp(-0.5 * ((offsets - place) / _WINDOW) ** 2), offsets)
        good = height > 0.35 * float(np.median(height))
        share = float(good.mean())
        found = line_of(current, s[good], v[good], floor=line.u_offset, angle_floor=0.5, share=share)
        if found is None:
            return None
        current, place = found, 0.0
    return current


def settle(grey: AnyArray, line: Line, air_side: float) -> Line:
    """Return a surface's line moved to a sharper straight edge beside a ragged one, or as unsure as that leaves it.

    `grey`: (h, w) uint8. `line`, `air_side`: as `refine_line` has them. A clean edge's line comes back as it is.
    """
    if line.ragged < _SMOOTH:
        return line
    doubt = _DOUBT * (line.ragged - _SMOOTH)
    other = _straighter(grey, line, air_side) if line.ragged >= _RAGGED and line.length >= _LONG else None
    if other is not None:
        line, doubt = replace(other, ragged=line.ragged), _LEFT * doubt
    return replace(
        line,
        u_offset=float(np.hypot(line.u_offset, doubt)),
        u_angle=float(np.hypot(line.u_angle, 0.5 * doubt / max(line.length, 1.0))),
    )


def _straighter(grey: AnyArray, line: Line, air_side: float) -> Line | None:
    """A clearly straighter edge outside a ragged one; None where there is none."""
    reach = 6.0 * line.ragged + 2.0
    half = reach + 4.0
    s, offsets, slope = _slopes(grey, line, half)
    if len(s) < 12:
        return None
    own, straight = _steepness(slope, offsets, max(2.0 * line.ragged, _WINDOW))
    mean = np.abs(slope.mean(axis=0))
    inner = np.flatnonzero((mean[1:-1] >= mean[:-2]) & (mean[1:-1] > mean[2:])) + 1
    best, most = None, 0.0
    for k in inner:
        at = float(offsets[k])
        # Scale lies outside the metal's own ragged edge; lines inside are rolled into the plate.
        if not 1.0 < at * air_side <= reach or mean[k] < 0.5 * _LEAST * own:
            continue
        other = _fitted(grey, line, half, at)
        if other is None or abs(float(other.distance(line.point[None])[0])) > reach + 1.0:
            continue
        _, beside, slopes = _slopes(grey, other, half)
        steep, ratio = _steepness(slopes, beside, _WINDOW)
        clear = (ratio > _STRAIGHTER * straight and steep > _LEAST * own) or (
            ratio > straight and steep > _STEEPER * own
        )
        if clear and steep * ratio > most:
            best, most = other, steep * ratio
    return best
