"""Where labels go: near what they name, in free background, hiding neither the weld's outline nor each other.

Greedy: label after label takes the cheapest place on a coarse map of what must not be hidden. A place costs what
it would cover, its distance, and what its leader would cross.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from macrocheck.arrays import Float32Array, FloatArray

TAKEN = 1000.0
"""Cost, per square em, of covering another label."""


_LOOKED_AT = 1500
"""Places whose leaders are followed: about one in seventeen of those in a 4:3 picture."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a label was put, px: its box, and its leader from the anchor to the box's edge (None: close enough)."""

    x: float
    y: float
    width: float
    height: float
    leader: FloatArray | None


class Map:
    """Costs of covering each part of a picture of `width` x `height` px; `em` is the size of the text."""

    def __init__(self, width: int, height: int, em: float) -> None:
        self.em = em
        self.cell = max(2.0, em / 4)
        self.shape = max(1, round(height / self.cell)), max(1, round(width / self.cell))
        self.size = width, height
        self.cost: Float32Array = np.ones(self.shape, np.float32)

    def area(self, polygon: FloatArray, cost: float) -> None:
        """Set the cost of covering a polygon (n, 2), per square em."""
        if len(polygon) > 2:
            cv2.fillPoly(self.cost, [self._cells(polygon)], cost)

    def line(self, points: FloatArray, cost: float, width_em: float = 0.6) -> None:
        """Raise the cost along a polyline (n, 2) to at least `cost`."""
        if len(points) < 2:
            return
        drawn = np.zeros(self.shape, np.float32)
        thick = max(1, round(width_em * self.em / self.cell))
        cv2.polylines(drawn, [self._cells(points)], False, cost, thick)
        np.maximum(self.cost, drawn, out=self.cost)

    def take(self, x: float, y: float, width: float, height: float) -> None:
        """Mark a box as taken, with a little air around it."""
        air = 0.35 * self.em
        a = np.floor(np.array([x - air, y - air]) / self.cell).astype(int)
        b = np.ceil(np.array([x + width + air, y + height + air]) / self.cell).astype(int)
        self.cost[max(a[1], 0) : max(b[1], 0), max(a[0], 0) : max(b[0], 0)] = TAKEN

    def put(self, anchor: FloatArray, width: float, height: float) -> Place:
        """Find the cheapest place for a box with its leader to `anchor` (2,), take it and return it."""
        w, h = self.size
        step = self.cell * 1.5
        xs = np.arange(0.25 * self.em, max(w - width - 0.25 * self.em, 0.26 * self.em), step)
        ys = np.arange(0.25 * self.em, max(h - height - 0.25 * self.em, 0.26 * self.em), step)
        x, y = (g.ravel() for g in np.meshgrid(xs, ys))
        end = np.column_stack([np.clip(anchor[0], x, x + width), np.clip(anchor[1], y, y + height)])
        length = np.hypot(*(end - anchor).T) / self.em
        # A label right on top of what it names hides it.
        cost = self._covered(x, y, width, height) + 2.4 * length + np.where(length < 0.7, 40.0, 0.0)
        # Leaders are only looked at for the places that are cheapest without.
        few = np.argsort(cost)[:_LOOKED_AT]
        k = int(few[np.argmin(cost[few] + 0.5 * self._crossed(anchor, end[few], length[few]))])
        place = Place(float(x[k]), float(y[k]), width, height, None)
        if length[k] > 0.9:
            place = Place(place.x, place.y, width, height, np.array([anchor, end[k]]))
            self.line(np.array([anchor, end[k]]), 25.0)
        self.take(place.x, place.y, width, height)
        return place

    def covered(self, x: float, y: float, width: float, height: float) -> float:
        """Return the cost of covering one box."""
        return float(self._covered(np.array([x]), np.array([y]), width, height)[0])

    def _cells(self, points: FloatArray) -> NDArray[np.int32]:
        cells = np.clip(points / self.cell, -1e5, 1e5)
        return np.asarray(np.rint(cells), dtype=np.int32).reshape(-1, 1, 2)

    def _covered(self, x: FloatArray, y: FloatArray, width: float, height: float) -> FloatArray:
        """Cost of covering boxes at (x, y): the sum over their cells, in square ems."""
        total = cv2.integral(self.cost, sdepth=cv2.CV_64F)
        rows, columns = self.shape
        x0 = np.clip((x / self.cell).astype(int), 0, columns)
        y0 = np.clip((y / self.cell).astype(int), 0, rows)
        x1 = np.clip(np.ceil((x + width) / self.cell).astype(int), 0, columns)
        y1 = np.clip(np.ceil((y + height) / self.cell).astype(int), 0, rows)
        inside = total[y1, x1] - total[y0, x1] - total[y1, x0] + total[y0, x0]
        return np.asarray(inside * (self.cell / self.em) ** 2)

    def _crossed(self, anchor: FloatArray, end: FloatArray, length: FloatArray) -> FloatArray:
        """Mean cost along leaders times their length in em."""
        rows, columns = self.shape
        steps = np.linspace(0.08, 1.0, 24)[:, None]
        x, y = ((a + steps * (e - a)) / self.cell for a, e in zip(anchor, end.T, strict=True))
        j = np.minimum(np.maximum(x, 0.0), columns - 1).astype(np.int32)
        i = np.minimum(np.maximum(y, 0.0), rows - 1).astype(np.int32)
        total = self.cost.ravel()[i * columns + j].sum(axis=0, dtype=np.float64)
        return np.asarray(total / len(steps) * length)
