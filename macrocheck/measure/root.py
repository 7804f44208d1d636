"""The root: how far weld metal reaches along the faying surface, or by how much it misses the joint root."""

from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.measure.curves import closed, distance_to_polyline
from macrocheck.measure.section import Section


@dataclass(frozen=True, slots=True)
class Root:
    """`reach` (rows,) mm past the joint root, negative where weld metal falls short of it; `shortfall` (rows,)
    mm; `weld_root` (rows, 2) where weld metal ends, mm in the joint frame."""

    reach: FloatArray
    shortfall: FloatArray
    weld_root: FloatArray


def _left_end(outline: FloatArray, height: FloatArray, *, anywhere: bool) -> FloatArray:
    """x where the weld metal that holds x = 0 ends to the left, on the line y = height; (rows,).

    Where x = 0 is not in weld metal: the first weld metal to the right of it. With `anywhere`, the leftmost
    weld metal of the line. inf where there is none.
    """
    x, y = outline[..., 0], outline[..., 1] - height[:, None]
    x2, y2 = np.roll(x, -1, axis=1), np.roll(y, -1, axis=1)
    crosses = (y < 0) != (y2 < 0)
    at = np.where(crosses, x - y * (x2 - x) / np.where(crosses, y2 - y, 1.0), np.nan)
    if anywhere:
        return np.asarray(np.where(crosses, at, np.inf).min(axis=1))
    right = crosses & (at > 0)
    inside = right.sum(axis=1) % 2 == 1
    before = np.where(crosses & (at <= 0), at, -np.inf).max(axis=1)
    after = np.where(right, at, np.inf).min(axis=1)
    return np.asarray(np.where(inside, before, after))


def _crossing_near(outline: FloatArray, height: FloatArray, end: FloatArray, window: float) -> FloatArray:
    """Leftmost crossing of y = height within `window` of `end`, (rows,); `end` itself where there is none."""
    x, y = outline[..., 0], outline[..., 1] - height[:, None]
    x2, y2 = np.roll(x, -1, axis=1), np.roll(y, -1, axis=1)
    crosses = (y < 0) != (y2 < 0)
    at = np.where(crosses, x - y * (x2 - x) / np.where(crosses, y2 - y, 1.0), np.nan)
    at = np.where(np.abs(at - end[:, None]) <= window, at, np.inf).min(axis=1)
    return np.asarray(np.where(np.isfinite(at), at, end))


def _extended(
    outline: FloatArray, lines: tuple[FloatArray, FloatArray], to: FloatArray, *, anywhere: bool
) -> FloatArray:
    """Left end (rows,) read on two lines y = lines[0], lines[1] and extended linearly to y = `to`."""
    near, far = (_left_end(outline, line, anywhere=anywhere) for line in lines)
    both = np.isfinite(near) & np.isfinite(far)
    apart = lines[0] - lines[1]
    ratio = (to - lines[0]) / np.where(apart == 0, 1.0, apart)
    step = np.where(both, near, 0.0) - np.where(both, far, 0.0)
    # A jump between the two lines is another part of the boundary, not its slope.
    return np.asarray(near + np.where(np.abs(step) < 10.0 * np.abs(apart), step * ratio, 0.0))


def find_root(section: Section) -> Root:
    """Find where weld metal ends at the root.

    Along an unfused surface the boundary *is* the faying line, so crossings on that very line mean nothing.
    The reach is therefore read on lines to either side of the faying surface, farther off than the boundary's
    typical uncertainty, and extended linearly back to it, to the crossing there if one is that near; the farther
    of both sides holds. With a root gap the far side is the gap itself: the farthest weld metal in it counts.
    """
    outline = closed(section.face, section.fusion)
    offset = float(np.clip(3.0 * section.u_fusion, 0.02, 0.1))
    anywhere = not section.has_root
    zero = np.zeros_like(section.gap)
    sides = [(zero - offset, zero - 2 * offset), (zero + offset, zero + 2 * offset)]
    gap = section.gap[0] if section.has_root else 0.0
    if gap > 0:
        sides = sides[:1]
    ends = [
        _crossing_near(outline, zero, _extended(outline, lines, zero, anywhere=anywhere), offset) for lines in sides
    ]
    if gap > 0:
        ends += [_left_end(outline, section.gap * part, anywhere=anywhere) for part in (0.1, 0.25, 0.5, 0.75)]
        walls = (section.gap * 0.9, section.gap * 0.75)
        ends.append(_extended(outline, walls, section.gap, anywhere=anywhere))
    end = np.min(ends, axis=0)
    distance, nearest = distance_to_polyline(np.zeros((len(end), 2)), section.fusion)
    end = np.where(np.isfinite(end), end, distance)
    if anywhere:
        return Root(-end, np.zeros_like(end), np.column_stack([end, np.zeros_like(end)]))
    missed = end > 0
    weld_root = np.where(missed[:, None], nearest, np.column_stack([np.minimum(end, 0.0), np.zeros_like(end)]))
    return Root(-end, np.where(missed, distance, 0.0), weld_root)


def unfused_land(section: Section, root: Root) -> FloatArray | None:
    """Faying surface left unfused behind the root, (rows,) mm; None where its far end is not in the picture."""
    if section.seam_end is None:
        return None
    return np.asarray(np.maximum(-section.seam_end[:, 0] - np.maximum(root.reach, 0.0), 0.0))
