"""A factor as a smooth curve over a part of the variance, its rate as near its confidence as can be. Pure."""

from collections.abc import Callable
from typing import Protocol

import numpy as np
from scipy import optimize, special
from scipy.interpolate import BSpline

from macrocheck.arrays import FloatArray

_SHORT = 1.1
"""Holding the truth too rarely weighs this much more than too often."""
_BENDING = 1e-3
"""How much the curve's bending weighs beside its rate."""


class Rate(Protocol):
    """What can be worked out of a factor: how often it holds the truth, for each true part of the variance."""

    part: FloatArray
    """Parts as estimated, (p, nodes)."""

    def held(self, factor: FloatArray) -> FloatArray:
        """Return the rate (p,) for a factor at each `part`."""

    def slope(self, factor: FloatArray) -> FloatArray:
        """Return what each node adds to the rate's slope by the factor's logarithm, (p, nodes)."""


def log_odds(part: FloatArray, low: float, high: float) -> FloatArray:
    """Return the log odds of a part (0 to 1), cut at both ends."""
    ends = special.expit([low, high])
    return np.asarray(special.logit(np.clip(part, *ends))).clip(low, high)


def knots_between(low: float, high: float, count: int) -> FloatArray:
    """Return the knots of a cubic spline of `count` coefficients over log odds."""
    return np.concatenate([[low] * 3, np.linspace(low, high, count - 2), [high] * 3])


def smooth_factor(
    rate: Rate,
    confidence: float,
    knots: FloatArray,
    *,
    whole: Callable[[FloatArray], FloatArray],
    by_free: Callable[[FloatArray], FloatArray],
    start: FloatArray,
    bounds: tuple[float, float],
) -> BSpline:
    """Fit the logarithm of a factor over log odds.

    `whole`: all coefficients from the free ones. `by_free`: slopes (rows, coefficients) by the free ones instead.
    `start`, `bounds`: of the free ones.
    """
    count = len(knots) - 4
    basis = BSpline.design_matrix(log_odds(rate.part, knots[0], knots[-1]).ravel(), knots, 3).toarray()
    basis = basis.reshape(*rate.part.shape, count)
    bend = _BENDING * np.diff(np.eye(count), 2, axis=0)

    def weighed(off: FloatArray) -> FloatArray:
        return np.where(off < 0, _SHORT, 1.0)

    def misses(free: FloatArray) -> FloatArray:
        logs = whole(free)
        off = rate.held(np.exp(basis @ logs)) - confidence
        return np.concatenate([weighed(off) * off, bend @ logs])

    def slopes(free: FloatArray) -> FloatArray:
        factor = np.exp(basis @ whole(free))
        off = rate.held(factor) - confidence
        by_rate = np.einsum("pn,pnk->pk", rate.slope(factor), basis) * weighed(off)[:, None]
        return by_free(np.concatenate([by_rate, bend]))

    found = optimize.least_squares(misses, start, slopes, bounds=bounds, max_nfev=30, xtol=1e-6, ftol=1e-6)
    return BSpline(knots, whole(found.x), 3)
