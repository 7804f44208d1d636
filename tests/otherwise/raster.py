"""Geometry to pixels: the view, how much of each pixel a shape covers, noise in the plane."""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from macrocheck.arrays import FloatArray
from tests.otherwise.welds import spaced

Plane = npt.NDArray[np.float32]
"""One value a pixel, (h, w)."""


@dataclass(frozen=True)
class View:
    """Section mm (y up) to px (y down), by a turn, perhaps a mirror, a scale and a shift."""

    width: int
    height: int
    mm_per_px: float
    matrix: FloatArray
    offset: FloatArray

    def to_px(self, points: FloatArray) -> FloatArray:
        """Return (n, 2) section points in px."""
        return np.asarray(np.asarray(points, dtype=np.float64) @ self.matrix.T + self.offset)

    def turn(self, way: FloatArray) -> FloatArray:
        """Return a unit direction (2,) in the picture."""
        v = self.matrix @ way
        return np.asarray(v / np.hypot(*v))

    def holds(self, point: FloatArray) -> bool:
        """Whether a point (2,) px is in the picture."""
        return bool(-0.5 <= point[0] <= self.width - 0.5 and -0.5 <= point[1] <= self.height - 0.5)

    def cover(self, shape: BaseGeometry) -> Plane:
        """Return how much of every pixel a section shape covers."""
        rings: list[FloatArray] = []
        for part in getattr(shape, "geoms", [shape]):
            if part.geom_type == "Polygon" and not part.is_empty:
                rings += [self.to_px(np.asarray(r.coords)) for r in (part.exterior, *part.interiors)]
        return cover(rings, self.height, self.width)


def cover(rings: list[FloatArray], height: int, width: int) -> Plane:
    """Return how much of every pixel closed rings (n, 2) px cover, even-odd; half on the line itself."""
    hard = np.zeros((height, width), np.uint8)
    if not rings:
        return hard.astype(np.float32)
    far = [np.round(np.clip(r, -9000, 20000) * 16).astype(np.int32) for r in rings]
    cv2.fillPoly(hard, far, 255, cv2.LINE_8, 4)
    line = np.zeros_like(hard)
    cv2.polylines(line, far, isClosed=True, color=255, thickness=3, shift=4)
    ys, xs = np.nonzero(cv2.dilate(line, np.ones((3, 3), np.uint8)))
    out = (hard > 0).astype(np.float32)
    if len(xs) == 0:
        return out
    at = np.column_stack([xs, ys]).astype(np.float64)
    dense = np.vstack([spaced(np.vstack([r, r[:1]]), 0.1) for r in rings])
    near, _ = cKDTree(dense).query(at, distance_upper_bound=4.0)
    inside = np.zeros(len(at), bool)
    for r in rings:
        shape = shapely.Polygon(r)
        shapely.prepare(shape)
        inside ^= np.asarray(shapely.contains_xy(shape, at[:, 0], at[:, 1]))
    signed = np.where(inside, near, -near)
    out[ys, xs] = np.clip(0.5 + signed, 0.0, 1.0)
    return out


def clouds(rng: np.random.Generator, height: int, width: int, size: float, octaves: int = 3) -> Plane:
    """Return smooth noise, about 1 strong, whose largest lumps are `size` px across."""
    out = np.zeros((height, width), np.float32)
    for k in range(octaves):
        step = max(size / 2**k, 1.0)
        rows, cols = int(height / step) + 4, int(width / step) + 4
        grid = rng.normal(0, 1, (rows, cols)).astype(np.float32)
        y0, x0 = rng.uniform(0.5, 1.5, 2)
        m = np.array([[1 / step, 0, x0], [0, 1 / step, y0]], np.float32)
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        out += cv2.warpAffine(grid, m, (width, height), flags=flags, borderMode=cv2.BORDER_REFLECT) * np.float32(
            0.6**k
        )
    return np.asarray(out / np.float32(max(out.std(), 1e-6)), dtype=np.float32)


def stripes(rng: np.random.Generator, height: int, width: int, size: float, angle: float, long: float) -> Plane:
    """Return streaks `size` px wide and `long` times as long, at an angle (rad)."""
    side = int(np.hypot(height, width)) + 8
    flat = rng.normal(0, 1, (int(side / size) + 4, int(side / (size * long)) + 4)).astype(np.float32)
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, s], [-s, c]]) / np.array([[size * long], [size]])
    at = np.array([side / 2 / (size * long), side / 2 / size]) + 1 - turn @ np.array([width / 2, height / 2])
    m = np.column_stack([turn, at]).astype(np.float32)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    got = cv2.warpAffine(flat, m, (width, height), flags=flags, borderMode=cv2.BORDER_REFLECT)
    return np.asarray(got / np.float32(max(got.std(), 1e-6)), dtype=np.float32)


def cells(rng: np.random.Generator, where: FloatArray, size: float) -> tuple[FloatArray, FloatArray]:
    """Return the grain tone (about 1 strong) at points (n, 2), and how near a boundary is (1 on it)."""
    low, high = where.min(axis=0) - size, where.max(axis=0) + size
    count = int(np.clip(np.prod((high - low) / size), 4, 60000))
    seeds = rng.uniform(low, high, (count, 2))
    tone = rng.normal(0, 1, count)
    d, i = (np.asarray(a) for a in cKDTree(seeds).query(where, k=2))
    return tone[i[:, 0]], np.exp(-(((d[:, 1] - d[:, 0]) / (0.12 * size)) ** 2))
