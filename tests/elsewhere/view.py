"""How a section lies in the picture, and its regions drawn into pixels."""

from dataclasses import dataclass

import cv2
import numpy as np
from shapely.geometry.base import BaseGeometry

from macrocheck.arrays import FloatArray
from tests.elsewhere.textures import Plane

FINE = 8
"""Bits of a pixel that OpenCV draws polygons to."""


@dataclass(frozen=True)
class View:
    """Section mm (y up) to px (y down): turned, mirrored, scaled, shifted; centres of pixels at whole numbers."""

    width: int
    height: int
    mm_per_px: float
    matrix: FloatArray
    offset: FloatArray

    def to_px(self, points: FloatArray) -> FloatArray:
        """Return (n, 2) section points in px."""
        return np.asarray(np.asarray(points, dtype=np.float64) @ self.matrix.T + self.offset)

    def turn(self, vector: FloatArray) -> FloatArray:
        """Return a unit direction (2,) in the picture."""
        v = self.matrix @ np.asarray(vector)
        return np.asarray(v / np.hypot(*v))

    def mask(self, shape: BaseGeometry) -> Plane:
        """Return how much of every pixel a shape covers, (h, w) 0 to 1."""
        times = 3 if self.width <= 1700 else 2
        out = np.zeros((self.height * times, self.width * times), np.uint8)
        # OpenCV fills every pixel that an outline touches: half a fine pixel too much all round.
        shape = shape.buffer(-0.5 / times * self.mm_per_px, join_style="mitre")
        for part in getattr(shape, "geoms", [shape]):
            if part.is_empty or part.geom_type != "Polygon":
                continue
            rings = [part.exterior, *part.interiors]
            fixed = []
            for ring in rings:
                fine = (self.to_px(np.asarray(ring.coords)) + 0.5) * times - 0.5
                fixed.append(np.round(np.clip(fine, -20000, 40000) * 2**FINE).astype(np.int32))
            cv2.fillPoly(out, fixed, 255, cv2.LINE_8, FINE)
        small = cv2.resize(out, (self.width, self.height), interpolation=cv2.INTER_AREA)
        return np.asarray(small, dtype=np.float32) / np.float32(255)

    def stroke(self, points: FloatArray, width_px: float) -> Plane:
        """Return the cover of a line of this width along section points, (h, w) 0 to 1."""
        from shapely import LineString

        px = LineString(points).buffer(max(width_px, 0.3) * self.mm_per_px / 2, cap_style="flat")
        return self.mask(px)


def frame_view(rng: np.random.Generator, bounds: tuple[float, float, float, float], margin: float) -> View:
    """Frame what is within `bounds` (section mm), with `margin` times its size round it."""
    turn = _turn(rng)
    mirror = rng.random() < 0.5
    c, s = np.cos(turn), np.sin(turn)
    linear = np.array([[c, -s], [s, c]]) @ np.diag([-1.0 if mirror else 1.0, -1.0])
    x0, y0, x1, y1 = bounds
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) @ linear.T
    low, high = corners.min(axis=0), corners.max(axis=0)
    span = (high - low) + 2 * margin * float((high - low).max())
    wanted = float(rng.choice([1.0, 4 / 3, 4 / 3, 3 / 2, 16 / 9, 3 / 4]))
    span = np.array([max(span[0], span[1] * wanted), max(span[1], span[0] / wanted)])
    width = float(np.exp(rng.normal(np.log(1200), 0.28)))
    if rng.random() < 0.1:
        width = float(rng.uniform(500, 3000))
    if span[0] * 60 < width:  # a small weld: show more round it rather than magnify it further
        width = min(width, 110 * span[0])
        span = span * (width / rng.uniform(40, 60) / span[0])
    width = float(np.clip(np.clip(width, span[0] * 12, span[0] * 60), 500, 3000))
    mm_per_px = max(span[0] / width, 1 / 60)
    w, h = round(width), round(span[1] / mm_per_px)
    middle = 0.5 * (low + high) + rng.uniform(-0.5, 0.5, 2) * (span - (high - low)) * 0.8
    offset = np.array([w / 2, h / 2]) - middle / mm_per_px
    return View(w, h, float(mm_per_px), linear / mm_per_px, offset)


def _turn(rng: np.random.Generator) -> float:
    """How far the section lies turned in the picture, rad."""
    kind = rng.random()
    if kind < 0.62:
        return float(np.deg2rad(rng.normal(0, 4)))
    if kind < 0.85:
        return float(np.deg2rad(rng.normal(0, 4) + rng.choice([90, 180, 270])))
    return float(rng.uniform(-np.pi, np.pi))
