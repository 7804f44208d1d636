"""A surface's straight line on the photo itself: refitted to sub-pixel on the edge that it shows."""

from dataclasses import replace

import numpy as np

from macrocheck.arrays import AnyArray, FloatArray
from macrocheck.segment.band import Band, across, along
from macrocheck.segment.lines import Line, line_of

FLOOR_PX = 0.06
"""Photo px that no line claims to be surer than while lines are compared and joined; how sure a surface is in the
end is `fit`'s to say, by the photo's blur."""


def peaks(g: FloatArray, offsets: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Place and height of the highest point of each row, by a parabola through its three highest samples."""
    k = np.clip(g.argmax(axis=1), 1, g.shape[1] - 2)
    row = np.arange(len(g))
    left, mid, right = g[row, k - 1], g[row, k], g[row, k + 1]
    curve = left - 2 * mid + right
    shift = np.where(curve < 0, 0.5 * (left - right) / np.where(curve < 0, curve, -1.0), 0.0)
    return offsets[k] + np.clip(shift, -1, 1) * (offsets[1] - offsets[0]), mid


def _raggedness(line: Line, edge: FloatArray, wide: float) -> float:
    """How far edge points (n, 2) stray from a line, px: half the span of nine in ten, smoothed over `wide` px."""
    off, s = line.distance(edge), line.station(edge)
    spacing = float(np.median(np.abs(np.diff(s))))
    low, high = np.quantile(along(off[:, None], max(wide / max(spacing, 1e-6), 1.0))[:, 0], [0.05, 0.95])
    return float(high - low) / 2


_NEARBY = 0.25
"""A line that is to be followed is first fitted this part of the way: a direction that is only roughly known soon
leaves the edge."""


def refine_line(
    grey: AnyArray, line: Line, *, scale: float, onward: float, air_side: float, blur: float = 1.0
) -> Line | None:
    """Refit a line on the photo's own edge points; None where the photo shows no steady edge along it.

    `grey`: (h, w) uint8. `line`: from the maps, its stretch lies in the crop. `scale`: photo px per map px.
    `onward`: how far past the stretch's end the surface may be followed, px. `air_side`: +1 where the air lies on
    the side of the line's normal, -1 on the other.
    """
    spacing = max(1.0, min(scale / 2, line.length / 60))
    half = 3.5 * scale + 2.5
    height, width = grey.shape
    current = line
    result: Line | None = None
    turns = ((onward, True), (onward, False))
    for reach, broad in ((_NEARBY * onward, True), *turns) if onward > 0 else turns:
        s = np.arange(line.start, line.end + reach, spacing)
        base = current.point + s[:, None] * current.direction
        clear = (base > half).all(axis=1) & (base[:, 0] < width - 1 - half) & (base[:, 1] < height - 1 - half)
        s, base = s[clear], base[clear]
        if len(s) < 12:
            return result
        offsets = np.arange(-half, half + 0.25, 0.5)
        # The offsets run from metal to air, so that a lighter metal means a falling edge wherever it lies.
        band = Band(base, np.repeat((current.normal * air_side)[None], len(s), axis=0), offsets)
        profile = along(band.grey(grey), 1.5)
        slope = np.gradient(across(profile, blur / 0.5), axis=1) / 0.5
        first = s <= line.end
        if not first.any():
            return result
        near = np.abs(offsets) < 2.0 * scale + 1
        sign = 1.0 if slope[np.ix_(first, near)].mean(axis=0).sum() >= 0 else -1.0
        g = sign * slope
        # Past the crop the line is extrapolated, so its place there is less sure.
        wide = (1.6 * scale + 0.8) if broad else 1.3 + 0.35 * scale
        v, _ = peaks(g * np.exp(-0.5 * (offsets / wide) ** 2), offsets)
        index = np.clip(np.rint((v - offsets[0]) / 0.5).astype(int), 0, len(offsets) - 1)
        height_at = g[np.arange(len(s)), index]
        typical = float(np.median(height_at[first]))
        if typical < 1.2:
            return result
        good = (height_at > 0.35 * typical) & (np.abs(v) < 2.4 * wide)
        # Followed past the crop until the edge is lost for a while.
        lost = along((~good).astype(float), 12 / spacing)
        ended = np.flatnonzero((lost > 0.6) & ~first)
        if len(ended):
            keep = np.arange(len(s)) < int(ended[0]) - int(12 / spacing)
            good &= keep
        share = float(good[first].mean())
        if share < 0.35:
            return result
        off = air_side * v[good]
        found = line_of(current, s[good], off, floor=FLOOR_PX, angle_floor=FLOOR_PX, share=share)
        if found is None:
            return result
        edge = current.point + s[good, None] * current.direction + off[:, None] * current.normal
        result = replace(found, ragged=_raggedness(found, edge, 2.0 * scale))
        # Stations keep counting from the foot of the first line's point.
        foot = result.foot(line.point[None])[0]
        current = Line(foot, result.direction, result.u_offset, result.u_angle, line.start, line.end)
    return result
