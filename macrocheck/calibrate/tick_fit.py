"""Where a rule's ticks stand when they are close: each fitted by a blurred line on ground that may slope.

The samples are read where they are. A mean tick of five samples, drawn anew between them, leaves one degree of
freedom: it took ticks 5 px apart to 0.3 px, and gaps for ticks; the line fit takes them to 0.05 px.
"""

import numpy as np

from macrocheck.arrays import AnyArray, BoolArray, FloatArray

CLOSE_PX = 12.0
"""Ticks less than so many px apart are fitted by lines, others by their mean tick, whose shape is known then."""
REACH = 0.62
"""How far to either side of a tick its ground is read, in pitches: not as far as the next tick."""
FEWEST = 2.6
"""Least reach, px: ground to either side of a line."""
NARROWEST = 0.4
"""Least width of a line (standard deviation), px: that of a pixel itself is 0.29."""


def line_ticks(
    signal: FloatArray, places: FloatArray, pitch: float, sigma: float, *, rounds: int = 4
) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Fit bright lines near `places` (n,), samples of `signal`: places, likeness (0-1), height (n,), their width.

    All lines are alike in width, a standard deviation of `sigma` samples to begin with.
    """
    half = max(REACH * pitch, FEWEST)
    count = 2 * int(half) + 1
    at = places.astype(np.float64)
    height = likeness = np.zeros(len(at))
    for turn in range(rounds):
        first = np.clip(np.rint(at).astype(np.intp) - int(half), 0, max(len(signal) - count, 0))
        u = first[:, None] + np.arange(count)
        y = signal[u]
        x = u - at[:, None]
        weight = np.clip(half + 0.5 - np.abs(x), 0, 1)
        bell = np.exp(-0.5 * (x / sigma) ** 2)
        # bell, its derivative by place and by width for height 1, level and slope of the ground
        base = np.stack([bell, bell * x / sigma**2, bell * x**2 / sigma**3, np.ones_like(x), x / half], axis=2)
        c, left = _solved(base[..., [0, 1, 3, 4]], y, weight)
        height = c[:, 0]
        high: BoolArray = height > 1e-6
        rest = _solved(base[..., 3:], y, weight)[1]
        likeness = np.where(high, np.sqrt(np.clip(1 - left / np.maximum(rest, 1e-9), 0, 1)), 0.0)
        shift = np.where(high, c[:, 1] / np.where(high, height, 1.0), 0.0)
        at = at + np.clip(shift, -0.1 * pitch, 0.1 * pitch)
        sure = likeness > 0.6
        if turn < rounds - 1 and np.count_nonzero(sure) >= 5:
            wide = _solved(base[sure], y[sure], weight[sure])[0]
            wider = float(np.median(wide[:, 2] / np.maximum(wide[:, 0], 1e-6)))
            sigma = float(np.clip(sigma + np.clip(wider, -0.3 * sigma, 0.3 * sigma), NARROWEST, 0.3 * pitch))
    return at, likeness, height, sigma


def _solved(base: AnyArray, y: AnyArray, weight: AnyArray) -> tuple[FloatArray, FloatArray]:
    """Weighted least squares in each row of `base` (n, samples, parameters): parameters, sum of squares left."""
    turned = np.swapaxes(base * weight[..., None], 1, 2)
    square = turned @ base
    size = np.trace(square, axis1=1, axis2=2) / base.shape[2]
    square = square + 1e-9 * size[:, None, None] * np.eye(base.shape[2])
    c = np.linalg.solve(square, turned @ y[..., None])
    left = y - (base @ c)[..., 0]
    return np.asarray(c[..., 0]), np.asarray(np.sum(weight * left**2, axis=1))
