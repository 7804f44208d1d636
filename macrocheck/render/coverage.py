"""Exact coverage: which part of every pixel's footprint a shape covers.

The signed-area sum that font rasterisers use: each edge, cut at the pixel grid, adds its height and its moment to
one cell, and a running sum along the row turns these into covered area. Exact for any simple polygon, so that a
drawn edge lies where the geometry says.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from macrocheck.arrays import Float32Array, FloatArray
from macrocheck.render.raster import View
from macrocheck.render.section import Section

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry


def ring_coverage(rings: list[FloatArray], width: int, height: int) -> Float32Array:
    """Covered part of each pixel, (height, width) 0..1.

    `rings`: closed rings, (n, 2) px, first point not repeated; outlines one way round and holes the other.
    """
    out = np.zeros((height, width), np.float32)
    starts = [np.asarray(r, dtype=np.float64) + 0.5 for r in rings if len(r) > 2]
    if not starts:
        return out
    p = np.vstack(starts)
    q = np.vstack([np.roll(r, -1, axis=0) for r in starts])
    low_y, high_y = np.minimum(p[:, 1], q[:, 1]), np.maximum(p[:, 1], q[:, 1])
    use = (high_y > 0) & (low_y < height) & (high_y > low_y) & (np.minimum(p[:, 0], q[:, 0]) < width)
    p, q = p[use], q[use]
    if not len(p):
        return out
    edge, t = _cuts(p, q)
    same = edge[1:] == edge[:-1]
    e, t0, t1 = edge[:-1][same], t[:-1][same], t[1:][same]
    d = q - p
    middle = (p[e] + d[e] * ((t0 + t1) / 2)[:, None]).T
    dy = d[e, 1] * (t1 - t0)
    row = np.floor(middle[1]).astype(np.intp)
    column = np.floor(middle[0]).astype(np.intp)
    part = middle[0] - column
    before = column < 0
    column[before], part[before] = 0, 0.0
    use = (row >= 0) & (row < height) & (column < width) & (dy != 0)
    row, column, part, dy = row[use], column[use], part[use], dy[use]
    if not len(row):
        return out
    top, bottom = int(row.min()), int(row.max()) + 1
    stride = width + 1
    at = (row - top) * stride + column
    size = (bottom - top) * stride
    cells = np.bincount(at, dy * (1 - part), size) + np.bincount(at + 1, dy * part, size + 1)[:size]
    summed = np.cumsum(cells.reshape(-1, stride), axis=1)[:, :width]
    out[top:bottom] = np.clip(np.abs(summed), 0, 1)
    return out


def _cuts(p: FloatArray, q: FloatArray) -> tuple[Any, FloatArray]:
    """Edge number and parameter of every cut of the edges p-q with the pixel grid, both ends included, in order."""
    n = len(p)
    edges, values = [np.arange(n), np.arange(n)], [np.zeros(n), np.ones(n)]
    for axis in (0, 1):
        a, b = p[:, axis], q[:, axis]
        first = np.floor(np.minimum(a, b)) + 1
        count = np.maximum(np.ceil(np.maximum(a, b)) - first, 0).astype(np.intp)
        e = np.repeat(np.arange(n), count)
        if not len(e):
            continue
        k = np.arange(len(e)) - np.repeat(np.cumsum(count) - count, count)
        edges.append(e)
        values.append((first[e] + k - a[e]) / (b[e] - a[e]))
    edge, t = np.concatenate(edges), np.concatenate(values)
    order = np.lexsort((t, edge))
    return edge[order], t[order]


def shape_coverage(shape: "BaseGeometry", view: View) -> Float32Array:
    """Covered part of each pixel of `view` for a shapely shape in section mm."""
    from shapely.geometry.polygon import orient

    rings: list[FloatArray] = []
    for part in getattr(shape, "geoms", [shape]):
        if part.is_empty or part.geom_type != "Polygon":
            continue
        turned = orient(part)
        rings += [view.to_px(np.asarray(ring.coords)[:-1]) for ring in (turned.exterior, *turned.interiors)]
    return ring_coverage(rings, view.width, view.height)


@dataclass(frozen=True, slots=True)
class Covers:
    """Part of every pixel that is weld metal, either member, void and background, each (h, w) 0..1."""

    weld: Float32Array
    butting: Float32Array
    nonbutting: Float32Array
    void: Float32Array
    background: Float32Array


def section_covers(section: Section, view: View) -> Covers:
    """Exact coverage of every region of a section; weld metal lies over the members, butting over nonbutting."""
    from shapely import make_valid, union_all
    from shapely.geometry import Polygon

    welds = union_all([make_valid(Polygon(w.polygon)) for w in section.welds])
    holes = union_all([Polygon(v) for w in section.welds for v in w.voids])
    nonbutting = make_valid(Polygon(section.nonbutting)).difference(welds)
    none = np.zeros((view.height, view.width), np.float32)
    butting_cover = none
    if section.butting is not None:
        butting = make_valid(Polygon(section.butting))
        nonbutting = nonbutting.difference(butting)
        butting_cover = shape_coverage(butting.difference(welds), view)
    weld = shape_coverage(welds.difference(holes), view)
    plate = shape_coverage(nonbutting, view)
    void = none if holes.is_empty else shape_coverage(holes.intersection(welds), view)
    background = np.clip(1 - weld - butting_cover - plate - void, 0, 1)
    return Covers(weld, butting_cover, plate, void, background)
