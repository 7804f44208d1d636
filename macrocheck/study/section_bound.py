"""A one-sided tolerance bound for single sections of coupons, from coupons with several sections each. Pure.

Coupons normal about the group's mean, sections normal about their coupon's. The bound is x̄ ∓ k(ĉ) s, s² the
variance of a single section as estimated, ĉ how much of what coupon means scatter comes from their sections; k is
fitted so that the bound holds its confidence for whatever is behind ĉ. Rule and sources in docs/study.md.
"""

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from scipy import optimize, special, stats
from scipy.interpolate import BSpline

from macrocheck.arrays import FloatArray

_SHORT = 1.1
"""Holding the confidence too rarely weighs this much more than too often."""
_KNOTS, _BENDING = 13, 1e-3
_LOW, _HIGH = -9.0, 4.0
"""Log odds of ĉ between which the factor changes."""
_NODES, _SIZES, _PARTS = 48, 32, 32


Factor = Callable[[float], float]
"""From the sections' part of what coupon means scatter (0 to 1, as estimated) to the factor k."""


class Exact:
    """How often x̄ − k s lies under what a share of single sections reach, for each true part of the sections.

    In units of the standard deviation of a coupon's mean of `sections` sections: s₁² = χ²/(coupons − 1) is that of
    the means, s₂² = c χ²/df the sections' part of it, c (p,) its true value; s² = s₁² + (sections − 1) s₂².
    """

    def __init__(self, coupons: int, df: int, sections: float, share: float, parts: FloatArray) -> None:
        of_means, df_sections = coupons - 1, df
        b, weights = _beta(of_means, df_sections)
        size, size_weights = _chi_square(of_means + df_sections)
        one = b / of_means
        two = parts[:, None] * (1 - b) / df_sections
        self.part: FloatArray = two / (one + two)
        self.weights: FloatArray = weights[:, None] * size_weights
        self.root: FloatArray = np.sqrt(coupons * (one + (sections - 1) * two)[:, :, None] * size)
        total = np.sqrt(1 + (sections - 1) * parts)
        self.reach: FloatArray = (math.sqrt(coupons) * float(special.ndtri(share)) * total)[:, None, None]

    def held(self, factor: FloatArray) -> FloatArray:
        """Return the rate (p,) for a factor at each `part` (p, nodes)."""
        inside = special.ndtr(factor[:, :, None] * self.root - self.reach)
        return np.asarray(np.einsum("pns,ns->p", inside, self.weights))

    def slope(self, factor: FloatArray) -> FloatArray:
        """Return what each node adds to the rate's slope by the factor's logarithm, (p, nodes)."""
        z = factor[:, :, None] * self.root
        density = np.exp(-0.5 * (z - self.reach) ** 2) / math.sqrt(2 * np.pi)
        return np.asarray((density * z * self.weights).sum(axis=2))


def _beta(df1: int, df2: int) -> tuple[FloatArray, FloatArray]:
    """Return nodes and weights of χ²₁/(χ²₁ + χ²₂)."""
    x, w = np.polynomial.legendre.leggauss(_NODES)
    middles = stats.beta.ppf([1e-7, 1 - 1e-7], df1 / 2, df2 / 2)
    low, high = np.arcsin(np.sqrt(middles))
    angle = low + (x + 1) * (high - low) / 2
    log = (df1 - 1) * np.log(np.sin(angle)) + (df2 - 1) * np.log(np.cos(angle))
    weights = w * np.exp(log - log.max())
    return np.sin(angle) ** 2, weights / weights.sum()


def _chi_square(df: int) -> tuple[FloatArray, FloatArray]:
    """Return nodes and weights of a chi-square, by its square root."""
    x, w = np.polynomial.legendre.leggauss(_SIZES)
    low, high = np.sqrt(stats.chi2.ppf([1e-8, 1 - 1e-8], df))
    root = low + (x + 1) * (high - low) / 2
    log = (df - 1) * np.log(root) - root**2 / 2
    weights = w * np.exp(log - log.max())
    return root**2, weights / weights.sum()


@lru_cache(maxsize=256)
def factor_for(coupons: int, df: int, sections: float, share: float, confidence: float) -> Factor:
    """Return k: `coupons` with `sections` sections each, of which `df` degrees of freedom within coupons.

    k starts at the tolerance factor of the coupons' means alone, falls as the sections' part grows, as they are
    many, and is else as near the confidence for every part of the sections as a smooth curve can be.
    """
    parts = np.concatenate([special.expit(np.linspace(-7, 3, _PARTS - 4)), [0.97, 0.985, 0.995, 1.0]])
    exact = Exact(coupons, df, sections, share, parts)
    root = math.sqrt(coupons)
    known = float(special.ndtri(share))
    first = float(np.log(stats.nct.ppf(confidence, coupons - 1, root * known) / root))
    low = math.log(known)
    knots = np.concatenate([[_LOW] * 3, np.linspace(_LOW, _HIGH, _KNOTS - 2), [_HIGH] * 3])
    basis = BSpline.design_matrix(_odds(exact.part).ravel(), knots, 3).toarray()
    basis = basis.reshape(*exact.part.shape, _KNOTS)
    bend = _BENDING * np.diff(np.eye(_KNOTS), 2, axis=0)

    def whole(steps: FloatArray) -> FloatArray:
        return first - np.concatenate([[0.0], np.cumsum(steps)])

    def short(off: FloatArray) -> FloatArray:
        return np.where(off < 0, _SHORT, 1.0)

    def off(steps: FloatArray) -> FloatArray:
        logs = whole(steps)
        rate = exact.held(np.exp(basis @ logs)) - confidence
        return np.concatenate([short(rate) * rate, bend @ logs])

    def slopes(steps: FloatArray) -> FloatArray:
        factor = np.exp(basis @ whole(steps))
        rate = exact.held(factor) - confidence
        by_rate = np.einsum("pn,pnk->pk", exact.slope(factor), basis) * short(rate)[:, None]
        by_logs = np.concatenate([by_rate, bend])[:, 1:]
        return -np.cumsum(by_logs[:, ::-1], axis=1)[:, ::-1]

    start = np.full(_KNOTS - 1, 0.7 * (first - low) / (_KNOTS - 1))
    found = optimize.least_squares(off, start, slopes, bounds=(0, first - low), max_nfev=30, xtol=1e-6, ftol=1e-6)
    curve = BSpline(knots, whole(found.x), 3)

    def fitted(part: float) -> float:
        return float(np.exp(curve(_odds(np.array([part])))[0]))

    return fitted


def _odds(part: FloatArray) -> FloatArray:
    """Return log odds, cut at both ends."""
    ends = special.expit([_LOW, _HIGH])
    return np.asarray(special.logit(np.clip(part, *ends))).clip(_LOW, _HIGH)
