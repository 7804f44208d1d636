"""Curves and smoothing shared by the section builder: all lengths in mm, y up."""

import numpy as np
from shapely import make_valid
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from macrocheck.arrays import FloatArray


def resample(line: FloatArray, step: float) -> FloatArray:
    """Return the polyline (n, 2) with vertices about `step` apart, end points kept."""
    gaps = np.hypot(*np.diff(line, axis=0).T)
    keep = np.concatenate([[True], gaps > 1e-9])
    line = line[keep]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    n = max(2, int(np.ceil(along[-1] / step)) + 1)
    at = np.linspace(0.0, along[-1], n)
    return np.column_stack([np.interp(at, along, line[:, 0]), np.interp(at, along, line[:, 1])])


def waviness(n: int, reach: float, rng: np.random.Generator) -> FloatArray:
    """Return n values of unit standard deviation whose neighbours agree over about `reach` samples."""
    reach = max(reach, 0.5)
    pad = int(4 * reach) + 2
    raw = rng.standard_normal(n + 2 * pad)
    x = np.arange(-pad, pad + 1)
    kernel = np.exp(-0.5 * (x / reach) ** 2)
    out = np.convolve(raw, kernel, mode="same")[pad : pad + n]
    return np.asarray(out / np.sqrt(np.sum(kernel**2)))


def round_corner(line: FloatArray, at: FloatArray, reach: float, step: float) -> FloatArray:
    """Return the polyline with the corner near `at` rounded over about `reach` mm, the rest untouched."""
    line = resample(line, step)
    sigma = max(reach / step / 2.0, 0.5)
    x = np.arange(-int(4 * sigma), int(4 * sigma) + 1)
    kernel = np.exp(-0.5 * (x / sigma) ** 2)
    kernel /= kernel.sum()
    half = len(x) // 2
    if len(line) <= 2 * half + 2:
        return line
    head = 2 * line[0] - line[1 : half + 1][::-1]
    tail = 2 * line[-1] - line[-half - 1 : -1][::-1]
    padded = np.vstack([head, line, tail])
    soft = np.column_stack([np.convolve(padded[:, k], kernel, mode="valid") for k in (0, 1)])
    near = np.exp(-0.5 * (np.hypot(*(line - at).T) / (1.2 * reach)) ** 2)[:, None]
    return np.asarray(line * (1 - near) + soft * near)


def largest(shape: BaseGeometry) -> Polygon:
    """Return the biggest polygon of a shape, made valid, its holes dropped."""
    shape = make_valid(shape)
    parts = [p for p in getattr(shape, "geoms", [shape]) if isinstance(p, Polygon | MultiPolygon)]
    flat = [q for p in parts for q in (p.geoms if isinstance(p, MultiPolygon) else [p])]
    if not flat:
        return Polygon()
    return Polygon(max(flat, key=lambda p: p.area).exterior)


def ring(polygon: Polygon) -> FloatArray:
    """Return a polygon's outer ring as (n, 2), first point not repeated."""
    return np.asarray(polygon.exterior.coords, dtype=np.float64)[:-1, :2]


def lobe(u: FloatArray, lean: float, round_: float) -> FloatArray:
    """Return a bump over u in 0..1, 0 at both ends and 1 at its top; `lean` moves the top, `round_` its shape."""
    return np.asarray(np.sin(np.pi * np.clip(u, 0, 1) ** lean) ** round_)
