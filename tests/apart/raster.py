"""From the section in mm to layers of the picture in px: placing, coverage masks, distances."""

from dataclasses import dataclass

import cv2
import numpy as np
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from macrocheck.arrays import Float32Array, FloatArray
from tests.apart.scene import Section, SectionPlan, WeldShape
from tests.apart.shapes import resample

SHIFT = 4
"""Fraction bits of the drawing calls' fixed-point coordinates."""


@dataclass(frozen=True, slots=True)
class Placing:
    """Section mm to picture px: x_px = matrix @ x_mm + offset; similarity with or without mirror."""

    matrix: FloatArray
    offset: FloatArray
    width: int
    height: int
    mm_per_px: float

    def px(self, points_mm: FloatArray) -> FloatArray:
        """Map (n, 2) section mm to px."""
        return np.asarray(np.asarray(points_mm) @ self.matrix.T + self.offset)

    def weld_px(self, weld: WeldShape, points_mm: FloatArray) -> FloatArray:
        """Map (n, 2) of a weld's own frame to px."""
        return self.px(weld.to_section(points_mm))


def place(
    section: Section, look: str, px_per_mm: float | None, size: tuple[int, int] | None, rng: np.random.Generator
) -> Placing:
    """Choose turn, mirror, scale and frame: every toe of the framed welds lies inside the picture."""
    plan: SectionPlan = section.plan
    spread = {"fair": 4.0, "grain": 8.0, "hard": 25.0}[look]
    turn = np.radians(rng.normal(0, spread))
    if rng.random() < {"fair": 0.1, "grain": 0.3, "hard": 0.6}[look]:
        turn += np.radians(rng.uniform(0, 360) if look == "hard" else 90 * rng.integers(0, 4))
    mirror = np.diag([1.0 if rng.random() < 0.5 else -1.0, 1.0])
    c, s = np.cos(turn), np.sin(turn)
    base = np.array([[c, -s], [s, c]]) @ np.diag([1.0, -1.0]) @ mirror
    welds = section.welds if len(section.welds) < 2 or rng.random() < 0.8 else section.welds[:1]
    points = np.vstack([w.to_section(np.asarray(w.polygon.exterior.coords)) for w in welds]) @ base.T
    low, high = points.min(axis=0), points.max(axis=0)
    leg = max(plan.welds[0].leg_b, plan.welds[0].leg_n)
    tight = {"fair": 0.0, "grain": 0.2, "hard": 0.35}[look]
    span = (0.18, 0.4) if rng.random() < tight else (0.5, 1.5 if look == "fair" else 2.2)
    pads = rng.uniform(*span, 4) * leg
    low, high = low - pads[:2], high + pads[2:]
    wide = high - low
    if wide.max() / wide.min() > 1.8:
        thin = int(np.argmin(wide))
        extra = (wide.max() / 1.8 - wide[thin]) / 2
        low[thin] -= extra
        high[thin] += extra
        wide = high - low
    density = px_per_mm
    if density is None:
        if size is not None:
            density = float(min(size[0] / wide[0], size[1] / wide[1]))
        else:
            density = float(rng.uniform(30, 60)) if look == "fair" else float(rng.uniform(20, 60))
            most = float(np.sqrt(1.55e6 / (wide[0] * wide[1])))
            density = max(min(density, most), min(18.0, most))
    if size is None:
        size = (int(np.ceil(wide[0] * density)), int(np.ceil(wide[1] * density)))
    middle = 0.5 * (low + high)
    if np.any(wide * density > np.array(size) + 1):  # too small for everything: the first weld, then
        first = section.welds[0].to_section(np.asarray(section.welds[0].polygon.exterior.coords)) @ base.T
        middle = 0.5 * (first.min(axis=0) + first.max(axis=0))
    offset = np.array([size[0] / 2 - 0.5, size[1] / 2 - 0.5]) - middle * density
    return Placing(base * density, offset, size[0], size[1], 1.0 / density)


def _edges(ring_px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Cut a closed ring into pieces under half a pixel that stay in one pixel row: starts and ends (n, 2)."""
    points = resample(ring_px, 0.45)
    start, end = points[:-1], points[1:]
    line = np.maximum(np.floor(start[:, 1]), np.floor(end[:, 1]))
    across = np.floor(start[:, 1]) != np.floor(end[:, 1])
    rise = end[:, 1] - start[:, 1]
    share = np.where(across, (line - start[:, 1]) / np.where(across, rise, 1.0), 1.0)
    middle = start + share[:, None] * (end - start)
    return np.vstack([start, middle[across]]), np.vstack([middle, end[across]])


def coverage(shape: BaseGeometry, width: int, height: int) -> Float32Array:
    """Return the share (height, width) of each pixel that polygons in px cover, 0..1.

    Signed areas to the right of every edge piece are summed along the rows, so edges lie where they are drawn.
    """
    total = np.zeros(height * (width + 2))
    for part in getattr(shape, "geoms", [shape]):
        if not isinstance(part, Polygon) or part.is_empty:
            continue
        turned = orient(part)
        for ring in (turned.exterior, *turned.interiors):
            start, end = _edges(np.asarray(ring.coords)[:, :2] + 0.5)
            rise = end[:, 1] - start[:, 1]
            x = np.clip(0.5 * (start[:, 0] + end[:, 0]), 0.0, width + 0.999)
            row = np.floor(0.5 * (start[:, 1] + end[:, 1])).astype(int)
            use = (row >= 0) & (row < height)
            column = np.minimum(np.floor(x), width).astype(int)[use]
            at, rise, rest = row[use] * (width + 2) + column, rise[use], (x[use] - column)
            total += np.bincount(at, rise * (1 - rest), len(total)) + np.bincount(at + 1, rise * rest, len(total))
    rows = np.cumsum(total.reshape(height, width + 2), axis=1)[:, :width]
    return np.asarray(np.clip(np.abs(rows), 0, 1), dtype=np.float32)


def line_cover(line_px: FloatArray, wide_px: float, width: int, height: int) -> Float32Array:
    """Return the coverage of a polyline in px drawn `wide_px` wide."""
    if len(line_px) < 2:
        return np.zeros((height, width), dtype=np.float32)
    return coverage(LineString(line_px).buffer(wide_px / 2), width, height)


def distance_to(line_px: FloatArray, width: int, height: int) -> Float32Array:
    """Return each pixel's distance from a polyline in px."""
    mask = np.full((height, width), 255, dtype=np.uint8)
    cv2.polylines(mask, [np.rint(line_px * (1 << SHIFT)).astype(np.int32)], False, 0, shift=SHIFT)
    return np.asarray(cv2.distanceTransform(mask, cv2.DIST_L2, cv2.DIST_MASK_PRECISE), dtype=np.float32)


def fusion_part(weld: WeldShape) -> FloatArray:
    """Return the part of the weld's outline that is not its face, (n, 2) own frame, toe_n to toe_b."""
    outline = np.asarray(weld.polygon.exterior.coords)[:-1]
    start = int(np.argmin(np.hypot(*(outline - weld.face[-1]).T)))
    stop = int(np.argmin(np.hypot(*(outline - weld.face[0]).T)))
    turned = np.roll(outline, -start, axis=0)
    cut = (stop - start) % len(outline)
    one, two = turned[: cut + 1], np.vstack([turned[cut:], turned[:1]])[::-1]
    face = LineString(weld.face)
    away = [
        np.mean([face.distance(LineString([p, p + 1e-6])) for p in part[:: max(1, len(part) // 20)]])
        for part in (one, two)
    ]
    return one if away[0] > away[1] else two
