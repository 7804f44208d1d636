"""Open chains of points: smoothing and even spacing."""

import numpy as np

from macrocheck.arrays import FloatArray


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


def resample(points: FloatArray, step: float) -> FloatArray:
    """Even points about `step` apart along an open chain, ends kept."""
    steps = np.hypot(*np.diff(points, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    n = max(2, round(along[-1] / step) + 1)
    at = np.linspace(0, along[-1], n)
    return np.column_stack([np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1])])
