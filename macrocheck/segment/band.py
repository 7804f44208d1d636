"""A band straightened along a curve: sampling across it, and the best path along it."""

from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, FloatArray, IntArray
from macrocheck.segment.maps import sample


@dataclass(frozen=True, eq=False)
class Band:
    """Stations along a curve and offsets across it, photo px.

    `base`: (n, 2) evenly spaced stations. `normal`: (n, 2) unit normals. `offsets`: (k,) along the normal.
    """

    base: FloatArray
    normal: FloatArray
    offsets: FloatArray

    @property
    def step(self) -> float:
        """Distance between offsets, px."""
        return float(self.offsets[1] - self.offsets[0])

    @property
    def spacing(self) -> float:
        """Distance between stations, px."""
        return float(np.hypot(*np.diff(self.base, axis=0).T).mean()) if len(self.base) > 1 else 1.0

    def points(self) -> FloatArray:
        """Every (station, offset), (n, k, 2) photo px."""
        return np.asarray(self.base[:, None, :] + self.offsets[None, :, None] * self.normal[:, None, :])

    def at(self, offset: FloatArray) -> FloatArray:
        """(n, 2) photo px at one `offset` a station."""
        return np.asarray(self.base + offset[:, None] * self.normal)

    def grey(self, image: AnyArray) -> FloatArray:
        """Values of a photo-sized 2-D image over the band, (n, k)."""
        p = self.points()
        return sample(image, p.reshape(-1, 2)).reshape(p.shape[:2])


def normals_of(curve: FloatArray, smooth: float) -> FloatArray:
    """Unit normals to the right of an open curve's direction (y down), smoothed over `smooth` stations."""
    tangent = np.gradient(curve, axis=0)
    if smooth > 0:
        tangent = along(tangent, smooth)
    length = np.hypot(tangent[:, 0], tangent[:, 1])
    tangent = tangent / np.maximum(length, 1e-9)[:, None]
    return np.column_stack([-tangent[:, 1], tangent[:, 0]])


def along(values: FloatArray, sd: float) -> FloatArray:
    """Smooth (n, ...) values along the stations with a Gaussian of `sd` stations; the ends are repeated."""
    if sd <= 0 or len(values) < 3:
        return values
    flat = np.ascontiguousarray(values.reshape(len(values), -1))
    size = 2 * int(3 * sd + 0.5) + 1
    out = cv2.GaussianBlur(flat, (1, size), sigmaX=1e-6, sigmaY=sd, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(out, np.float64).reshape(values.shape)


def across(values: FloatArray, sd: float) -> FloatArray:
    """Smooth (n, k) values across the band with a Gaussian of `sd` offsets."""
    if sd <= 0:
        return values
    size = 2 * int(3 * sd + 0.5) + 1
    out = cv2.GaussianBlur(
        np.ascontiguousarray(values), (size, 1), sigmaX=sd, sigmaY=1e-6, borderType=cv2.BORDER_REPLICATE
    )
    return np.asarray(out, np.float64)


def best_path(cost: FloatArray, *, stiffness: float, reach: int = 2) -> IntArray:
    """Offset index a station, (n,), of the path of least total `cost` (n, k).

    A change of j offsets between stations costs `stiffness` * j^2 and is at most `reach`.
    """
    n, k = cost.shape
    total = np.ascontiguousarray(cost, np.float64)
    padded = np.full(k + 2 * reach, np.inf)
    jumps = np.arange(-reach, reach + 1)
    extra = (stiffness * jumps.astype(float) ** 2)[:, None]
    window = np.lib.stride_tricks.sliding_window_view(padded, k)
    came = np.empty((n, k), np.int8)
    best = total[0].copy()
    column = np.arange(k)
    for i in range(1, n):
        padded[reach : reach + k] = best
        options = window + extra
        choice = options.argmin(axis=0)
        came[i] = choice
        best = options[choice, column] + total[i]
    path = np.empty(n, np.intp)
    path[-1] = int(np.argmin(best))
    for i in range(n - 1, 0, -1):
        path[i - 1] = path[i] + came[i, path[i]] - reach
    return path
