"""Depth of fusion along a member surface, and what follows from it: deepest, unfused, spans."""

from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.measure.section import Section

STATIONS = 320
"""Stations along a leg; at an 8 mm leg one every 0.025 mm."""


@dataclass(frozen=True, slots=True)
class DepthAlong:
    """d(s) of one member: `s` (k,) mm from the joint root at cell centres, `step` mm apart, `d` (rows, k) mm.

    `leg` (rows,) mm: where it ends. `start` (rows,) mm: where the member begins, over a root gap; before it `d`
    is how far weld metal reaches into the gap, which counts for the unfused length but is no depth of fusion.
    """

    s: FloatArray
    d: FloatArray
    start: FloatArray
    leg: FloatArray
    step: float

    @property
    def begin(self) -> FloatArray:
        """Where the leg begins, (rows,) mm: the joint root, or the end of the boundary where that is unknown."""
        return np.asarray(np.minimum(self.start, self.s[0] - self.step / 2))

    def deepest(self) -> FloatArray:
        """Largest depth of fusion over the leg, (rows,)."""
        counted = (self.s >= self.start[:, None]) & (self.s <= self.leg[:, None])
        return np.asarray(np.where(counted, self.d, 0.0).max(axis=1))

    def _share(self, part: FloatArray, rise: FloatArray) -> FloatArray:
        """Where between two stations the threshold is crossed: linear, but half way in a step of the boundary."""
        return np.asarray(np.where(rise > 4.0 * self.step, 0.5, part / np.maximum(rise, 1e-12)))

    def _fraction_below(self, threshold: float) -> FloatArray:
        """Share of each step between neighbouring stations that is under the threshold, (rows, k - 1)."""
        a, b = self.d[:, :-1] - threshold, self.d[:, 1:] - threshold
        low, high = np.minimum(a, b), np.maximum(a, b)
        part = self._share(-low, high - low)
        return np.asarray(np.where(high < 0, 1.0, np.where(low >= 0, 0.0, part)))

    def unfused(self, threshold: float) -> FloatArray:
        """Length of the leg with depth of fusion under `threshold` mm, (rows,)."""
        below = self.d < threshold
        first = below[:, :1] * 0.5
        last = below[:, -1:] * 0.5
        total = np.concatenate([first, first + np.cumsum(self._fraction_below(threshold), axis=1)], axis=1)
        total = np.concatenate([np.zeros_like(first), total, total[:, -1:] + last], axis=1) * self.step
        edges = np.concatenate([[0.0], self.s, [self.s[-1] + self.step / 2]])
        ends = [
            np.array([np.interp(x, edges, row) for x, row in zip(xs, total, strict=True)])
            for xs in (self.begin, self.leg)
        ]
        return np.asarray(ends[1] - ends[0])

    def spans(self, threshold: float, row: int = 0) -> tuple[tuple[float, float], ...]:
        """Intervals of s with depth of fusion under `threshold` in one row, mm."""
        start, leg = float(self.begin[row]), float(self.leg[row])
        inside = (self.s > start) & (self.s < leg)
        s, d = self.s[inside], self.d[row, inside]
        if len(s) == 0:
            return ()
        below = d < threshold
        change = np.flatnonzero(below[1:] != below[:-1])
        part = self._share(np.abs(threshold - d[change]), np.abs(d[change + 1] - d[change]))
        edges = s[change] + self.step * part
        marks = [start, *edges.tolist(), leg]
        first = 0 if below[0] else 1
        return tuple(zip(marks[first::2], marks[first + 1 :: 2], strict=False))

    def trailing(self, threshold: float) -> FloatArray:
        """Length of the unfused interval that adjoins the toe, (rows,) mm."""
        fused = (self.d >= threshold) & (self.s <= self.leg[:, None])
        any_fused = fused.any(axis=1)
        k = fused.shape[1] - 1 - fused[:, ::-1].argmax(axis=1)
        rows = np.arange(len(k))
        after = np.minimum(k + 1, fused.shape[1] - 1)
        here, there = self.d[rows, k], self.d[rows, after]
        part = np.clip(self._share(here - threshold, here - there), 0.0, 1.0)
        end = np.where(any_fused, self.s[k] + part * self.step, self.begin)
        return np.asarray(np.maximum(self.leg - end, 0.0))


def depth_below(curves: FloatArray, s0: float, step: float, count: int) -> FloatArray:
    """Return how far weld metal reaches straight down from y = 0 at stations s0 + k step, (rows, count).

    `curves` (rows, m, 2): fusion boundaries, open. Weld metal has to begin at the surface: where an even number
    of crossings lies under a station, metal is over the surface only (or under a skin of plate) and the depth is 0.
    """
    rows, m, _ = curves.shape
    x = (curves[..., 0] - s0) / step
    y = curves[..., 1]
    x1, x2, y1, y2 = x[:, :-1], x[:, 1:], y[:, :-1], y[:, 1:]
    low = np.ceil(np.minimum(x1, x2))
    high = np.ceil(np.maximum(x1, x2)) - 1
    low, high = np.maximum(low, 0.0), np.minimum(high, count - 1.0)
    hits = np.where(np.minimum(y1, y2) < 0, high - low + 1, 0.0).astype(np.intp).ravel()
    hits = np.maximum(hits, 0)
    which = np.repeat(np.arange(rows * (m - 1)), hits)
    begin = np.cumsum(hits) - hits
    k = low.ravel()[which] + (np.arange(len(which)) - begin[which])
    xa, xb, ya, yb = (v.ravel()[which] for v in (x1, x2, y1, y2))
    crossing = ya + (yb - ya) * (k - xa) / (xb - xa)
    under = crossing < 0
    cell = (which // (m - 1))[under] * count + k[under].astype(np.intp)
    odd = np.bincount(cell, minlength=rows * count) % 2 == 1
    nearest = np.full(rows * count, -np.inf)
    np.maximum.at(nearest, cell, crossing[under])
    return np.where(odd, -nearest, 0.0).reshape(rows, count)


def along_nonbutting(section: Section) -> DepthAlong:
    """Depth of fusion into the nonbutting member, from its surface line."""
    leg = section.toe_nonbutting[:, 0]
    # Without a joint root the whole fusion boundary counts, wherever the end face once stood.
    first = np.zeros_like(leg) if section.has_root else section.fusion[..., 0].min(axis=1)
    s, step = _stations(first, leg)
    return DepthAlong(s, depth_below(section.fusion, float(s[0]), step, len(s)), first, leg, step)


def _stations(first: FloatArray, leg: FloatArray) -> tuple[FloatArray, float]:
    """Stations s (k,) and their spacing, mm, fixed by the outline as found and reaching over every draw's leg."""
    # A leg of next to nothing whose draws reach far (surfaces that hardly meet) must not ask for endless stations.
    reach = float(max(leg.max(), leg[0]) - min(first.min(), first[0]))
    step = max(float(leg[0] - first[0]), 0.1 * reach, 1e-3) / STATIONS
    before = int(np.ceil((first[0] - first.min()) / step))
    after = int(np.ceil(max(float(leg.max() - leg[0]), 0.0) / step)) + 1
    k = np.arange(-before, STATIONS + after)
    return np.asarray(first[0] + (k + 0.5) * step, dtype=np.float64), step


def along_butting(section: Section) -> DepthAlong:
    """Depth of fusion into the butting member, from its surface line, clipped to that member."""
    own = section.in_butting(section.fusion)
    leg = section.in_butting(section.face[:, :1])[:, 0, 0]
    s, step = _stations(np.zeros_like(leg), leg)
    d = depth_below(own, float(s[0]), step, len(s))
    sin, cos = np.sin(section.psi), np.cos(section.psi)
    start = section.gap / sin
    # Over an obtuse dihedral angle the normal leaves the member through its faying surface.
    slant = np.where(cos < -1e-9, -cos, np.nan)[:, None]
    room = (s * sin[:, None] - section.gap[:, None]) / slant
    d = np.where(s >= start[:, None], np.fmin(d, np.maximum(room, 0.0)), np.fmin(d, s * sin[:, None] / slant))
    if section.top is not None:
        normal, offset, _ = section.top
        inward = np.column_stack([-sin, cos])
        rise = (normal * inward).sum(-1)[:, None]
        left = offset[:, None] - s * (normal * section.along_butting).sum(-1)[:, None]
        d = np.where(left <= 0, 0.0, np.where(rise > 1e-6, np.minimum(d, left / np.maximum(rise, 1e-6)), d))
    return DepthAlong(s, d, np.minimum(start, leg), leg, step)
