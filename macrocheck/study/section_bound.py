"""A one-sided tolerance bound for single sections of coupons, from coupons with several sections each. Pure.

Coupons normal about the group's mean, sections normal about their coupon's. The bound is x̄ ∓ k(ĉ) s, s² the
variance of a single section as estimated, ĉ how much of what coupon means scatter comes from their sections; k is
fitted so that the bound holds its confidence for whatever is behind ĉ. Rule and sources in docs/study.md.
"""

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from scipy import special, stats

from macrocheck.arrays import FloatArray
from macrocheck.study.smooth_factor import knots_between, log_odds, smooth_factor

_KNOTS = 13
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
    curve = smooth_factor(
        exact,
        confidence,
        knots_between(_LOW, _HIGH, _KNOTS),
        whole=lambda steps: first - np.concatenate([[0.0], np.cumsum(steps)]),
        by_free=lambda rows: -np.cumsum(rows[:, :0:-1], axis=1)[:, ::-1],
        start=np.full(_KNOTS - 1, 0.7 * (first - low) / (_KNOTS - 1)),
        bounds=(0, first - low),
    )

    def fitted(part: float) -> float:
        return float(np.exp(curve(log_odds(np.array([part]), _LOW, _HIGH))[0]))

    return fitted
