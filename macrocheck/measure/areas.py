"""Areas: weld metal, what of it lies in the original members, voids."""

from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.measure.curves import closed
from macrocheck.measure.section import Section


def polygon_area(polygons: FloatArray) -> FloatArray:
    """Signed area (rows,) of closed polygons (rows, n, 2), first point not repeated."""
    x, y = polygons[..., 0], polygons[..., 1]
    return np.asarray((x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y).sum(axis=1) / 2)


def quadrant_area(a: FloatArray, b: FloatArray) -> FloatArray:
    """Signed area (rows,) of closed polygons with vertices (a, b), each (rows, n), within a < 0 and b > 0.

    Green's theorem on the polygon with everything else folded onto the quadrant's edges, where it encloses
    nothing: the integral of max(b, 0) over d min(a, 0), exact for straight sides.
    """
    a2, b2 = np.roll(a, -1, axis=1), np.roll(b, -1, axis=1)
    da = a2 - a
    safe = np.where(da == 0, 1.0, da)
    cut = np.clip(-a / safe, 0.0, 1.0)
    crosses = (a < 0) != (a2 < 0)
    t0 = np.where(crosses & (a >= 0), cut, 0.0)
    t1 = np.where(crosses & (a < 0), cut, 1.0)
    outside = (a >= 0) & (a2 >= 0)
    p, q = b + t0 * (b2 - b), b + t1 * (b2 - b)
    high, low = np.maximum(p, q), np.minimum(p, q)
    mean = np.where(low >= 0, (high + low) / 2, 0.0)
    mixed = (low < 0) & (high > 0)
    mean = np.where(mixed, high**2 / np.where(mixed, 2 * (high - low), 1.0), mean)
    return np.asarray(-np.where(outside, 0.0, mean * (t1 - t0) * da).sum(axis=1))


def half_plane_area(polygons: FloatArray) -> FloatArray:
    """Signed area (rows,) of closed polygons (rows, n, 2) under y = 0."""
    x, y = polygons[..., 0], polygons[..., 1]
    floor = x.min(axis=1, keepdims=True) - 1.0
    return quadrant_area(y, x - floor) * -1.0


@dataclass(frozen=True, slots=True)
class Areas:
    """(rows,) mm2 each, voids taken off; `melted_butting` None without a joint root."""

    weld: FloatArray
    melted_nonbutting: FloatArray
    melted_butting: FloatArray | None
    voids: FloatArray


def _in_butting_member(section: Section, polygons: FloatArray) -> FloatArray:
    """Area (rows,) behind the butting surface, over the faying surface and under a lap's top surface."""
    behind = section.in_butting(polygons)[..., 1]
    sin, cos = np.sin(section.psi), np.cos(section.psi)
    # Distances from two lines are oblique coordinates; their determinant turns the area back.
    area = quadrant_area(behind, polygons[..., 1] - section.gap[:, None]) / sin
    if section.top is not None:
        normal, offset, _ = section.top
        over = (polygons * normal[:, None, :]).sum(-1) - offset[:, None]
        area -= quadrant_area(behind, over) / (sin * normal[:, 1] + cos * normal[:, 0])
    return area


def find_areas(section: Section) -> Areas:
    """Measure areas of the weld metal with its voids taken off."""
    outline = closed(section.face, section.fusion)
    sign = np.sign(polygon_area(outline)[:1])
    weld = sign * polygon_area(outline)
    below = sign * half_plane_area(outline)
    behind = sign * _in_butting_member(section, outline) if section.has_root else None
    holes = np.zeros_like(weld)
    for void in section.voids:
        turn = np.sign(polygon_area(void)[:1])
        holes = holes + turn * polygon_area(void)
        below = below - turn * half_plane_area(void)
        if behind is not None:
            behind = behind - turn * _in_butting_member(section, void)
    below = np.maximum(below, 0.0)
    behind = None if behind is None else np.maximum(behind, 0.0)
    return Areas(weld - holes, below, behind, holes)


def largest_void(section: Section) -> FloatArray:
    """Longest dimension (rows,) mm of the largest void; 0 without voids."""
    longest = np.zeros(len(section.face))
    for void in section.voids:
        corners = void[:, :: max(1, void.shape[1] // 48)]
        span = corners[:, :, None, :] - corners[:, None, :, :]
        longest = np.maximum(longest, np.sqrt((span**2).sum(-1).max(axis=(1, 2))))
    return longest
