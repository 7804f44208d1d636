"""Open chains of points: smoothing and even spacing."""

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, Float32Array, FloatArray


def smooth_open(points: FloatArray, sd: float) -> FloatArray:
    """Smooth an open chain of evenly spaced points with a Gaussian of `sd` steps; the ends stay put."""
    n = len(points)
    if n < 4 or sd <= 0:
        return points
    pad = min(int(3 * sd) + 1, n - 1)
    # Point reflection at the ends keeps both the ends and the slope there.
    head = 2 * points[0] - points[pad:0:-1]
    tail = 2 * points[-1] - points[-2 : -pad - 2 : -1]
    full = np.vstack([head, points, tail])
    x = np.arange(-pad, pad + 1)
    kernel = np.exp(-0.5 * (x / sd) ** 2)
    kernel /= kernel.sum()
    return np.column_stack([np.convolve(full[:, i], kernel, "valid") for i in range(points.shape[1])])


def arc(points: FloatArray) -> FloatArray:
    """Distance along an open chain (n, 2) from its first point, (n,)."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])


def resample(points: FloatArray, step: float) -> FloatArray:
    """Even points about `step` apart along an open chain, ends kept."""
    along = arc(points)
    n = max(2, round(along[-1] / step) + 1)
    at = np.linspace(0, along[-1], n)
    return np.column_stack([np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1])])


def without_loops(rows: FloatArray, longest: float) -> FloatArray:
    """An open chain without the loops it makes where it crosses itself, each cut off at its crossing.

    `rows` (n, k): x, y and whatever else goes with a point. A loop of more than `longest` (in the chain's own unit)
    is left: it is no slip of the tracing.
    """
    heading = np.unwrap(np.arctan2(*np.diff(rows[:, :2], axis=0).T[::-1]))
    if np.ptp(heading) < np.pi:  # what crosses itself turns by more than half a circle
        return rows
    i = 0
    while i < len(rows) - 2:
        p, q = rows[:, :2], np.diff(rows[:, :2], axis=0)
        a, d = p[i], q[i]
        b, e = p[i + 2 : -1], q[i + 2 :]
        cross = d[0] * e[:, 1] - d[1] * e[:, 0]
        safe = np.where(np.abs(cross) < 1e-12, 1.0, cross)
        rel = b - a
        t = (rel[:, 0] * e[:, 1] - rel[:, 1] * e[:, 0]) / safe
        s = (rel[:, 0] * d[1] - rel[:, 1] * d[0]) / safe
        hit = np.flatnonzero((np.abs(cross) >= 1e-12) & (t >= 0) & (t <= 1) & (s >= 0) & (s <= 1))
        for k in hit[::-1]:
            j = i + 2 + int(k)
            if np.hypot(*np.diff(p[i : j + 2], axis=0).T).sum() <= longest:
                at = rows[i] + t[k] * (rows[i + 1] - rows[i])
                rows = np.vstack([rows[: i + 1], at, rows[j + 1 :]])
                break
        i += 1
    return rows


def distance_map(points: FloatArray, shape: tuple[int, ...]) -> Float32Array:
    """Distance of every pixel of a picture of `shape` from an open chain (n, 2), px."""
    free = np.ones(shape, np.uint8)
    cv2.polylines(free, [np.rint(points).astype(np.int32)], isClosed=False, color=(0,))
    return np.asarray(cv2.distanceTransform(free, cv2.DIST_L2, 3), np.float32)


def stretches(on: BoolArray, shortest: int) -> list[tuple[int, int]]:
    """Runs [i, j) of True of at least `shortest` samples, longest first."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(int), [0]])))
    runs = [(int(i), int(j)) for i, j in zip(edges[::2], edges[1::2], strict=True) if j - i >= shortest]
    return sorted(runs, key=lambda r: r[0] - r[1])
