"""How many standard errors an interval of two means' difference takes, where their scatters differ. Pure.

Satterthwaite's degrees of freedom serve large groups. Of few coupons they hold too little where the smaller group
scatters most, and too much where both scatter alike. How often a factor holds the truth can be worked out without
simulation, so for few coupons the factor is fitted; rule and sources in docs/study.md.
"""

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from scipy import special

from macrocheck.arrays import FloatArray
from macrocheck.study.smooth_factor import knots_between, log_odds, smooth_factor

NEAR = 0.1
"""Satterthwaite's rule is kept where its rate of misses is off by no more than this part, whatever the scatters."""

_KNOTS = 21
_END = 10.0
"""Log odds of a group's part of the variance past which it is all, or nothing."""
_NODES, _RATIOS = 120, 40
_STEPS = (1.0, 0.2, 0.02)

Factor = Callable[[FloatArray], FloatArray]
"""From the first group's part of the variance of the difference (0 to 1, as estimated) to the factor."""


class Exact:
    """How often d ± h(ĉ) √(v₁ + v₂) holds the difference of two normal means, for each true part of the variance.

    v₁, v₂: estimated variances of the means with `df1`, `df2` degrees of freedom, ĉ = v₁/(v₁ + v₂); `parts`: true
    parts c (p,). Given B = χ²₁/(χ²₁ + χ²₂), a beta variate, ĉ is known, and what remains is Student's t with
    df1 + df2 degrees of freedom: one integral over B, by Gauss and Legendre's rule.
    """

    def __init__(self, df1: int, df2: int, parts: FloatArray) -> None:
        self.df = df1 + df2
        x, w = np.polynomial.legendre.leggauss(_NODES)
        angle = (x + 1) * np.pi / 4
        sine, cosine = np.sin(angle), np.cos(angle)
        log = (df1 - 1) * np.log(sine) + (df2 - 1) * np.log(cosine) + np.log(2) - special.betaln(df1 / 2, df2 / 2)
        self.weights: FloatArray = w * np.pi / 4 * np.exp(log)
        one = parts[:, None] * sine**2 / df1
        two = (1 - parts[:, None]) * cosine**2 / df2
        self.part: FloatArray = one / (one + two)
        self.root: FloatArray = np.sqrt(self.df * (one + two))
        self._log_density = special.gammaln((self.df + 1) / 2) - special.gammaln(self.df / 2)
        self._log_density -= 0.5 * np.log(self.df * np.pi)

    def held(self, factor: FloatArray) -> FloatArray:
        """Return the rate (p,) for a factor at each `part` (p, nodes)."""
        return np.asarray((2 * special.stdtr(self.df, factor * self.root) - 1) @ self.weights)

    def slope(self, factor: FloatArray) -> FloatArray:
        """Return what each node adds to the rate's slope by the factor's logarithm, (p, nodes)."""
        z = factor * self.root
        density = np.exp(self._log_density - (self.df + 1) / 2 * np.log1p(z**2 / self.df))
        return np.asarray(2 * density * z * self.weights)


def satterthwaite(df1: int, df2: int, part: FloatArray) -> FloatArray:
    """Return the degrees of freedom of v₁ + v₂ where `part` of it is the first's."""
    return np.asarray(np.clip(1 / (part**2 / df1 + (1 - part) ** 2 / df2), min(df1, df2), df1 + df2))


@lru_cache(maxsize=256)
def factor_for(df1: int, df2: int, confidence: float) -> Factor:
    """Return the factor of an interval with this confidence.

    Satterthwaite's where it is within `NEAR` of the confidence for every ratio of scatters; else a smooth curve
    whose rate is as near the confidence as one can be that stays between Student's factors for df1 + df2 and for
    the fewer degrees of freedom.
    """
    quantile = 0.5 + confidence / 2

    def usual(part: FloatArray) -> FloatArray:
        return np.asarray(special.stdtrit(satterthwaite(df1, df2, part), quantile))

    parts = special.expit(np.linspace(-_END, _END, _RATIOS))
    exact = Exact(df1, df2, parts)
    if np.abs(exact.held(usual(exact.part)) - confidence).max() <= NEAR * (1 - confidence):
        return usual
    return _fitted(exact, df1, df2, confidence, usual)


def _fitted(exact: Exact, df1: int, df2: int, confidence: float, usual: Factor) -> Factor:
    quantile = 0.5 + confidence / 2
    low, high = (float(np.log(special.stdtrit(df, quantile))) for df in (df1 + df2, min(df1, df2)))
    first, last = (float(np.log(special.stdtrit(df, quantile))) for df in (df2, df1))
    knots = knots_between(-_END, _END, _KNOTS)
    middles = np.array([knots[i + 1 : i + 4].mean() for i in range(1, _KNOTS - 1)])
    curve = smooth_factor(
        exact,
        confidence,
        knots,
        whole=lambda inner: np.concatenate([[first], inner, [last]]),
        by_free=lambda rows: rows[:, 1:-1],
        start=np.clip(np.log(usual(special.expit(middles))), low + 1e-6, high - 1e-6),
        bounds=(low, high),
    )

    def fitted(part: FloatArray) -> FloatArray:
        return np.asarray(np.exp(curve(log_odds(part, -_END, _END))))

    return fitted


def chance(t: FloatArray, part: FloatArray, df1: int, df2: int, confidence: float) -> FloatArray:
    """Return the p of no difference, two-sided, for `t` standard errors.

    It is the level at which the interval would end at 0, between the levels of `_STEPS` by interpolation; so it is
    under 1 - confidence just where the interval of that confidence leaves out 0.
    """
    levels = np.array([(1 - confidence) * step for step in _STEPS])
    beyond = []
    for level in levels:
        df = effective_df(factor_for(df1, df2, 1 - float(level))(part), df1, df2, 1 - float(level))
        beyond.append(np.log(np.maximum(2 * special.stdtr(df, -np.abs(t)), 1e-300)) - np.log(level))
    p = np.exp(beyond[0]) * levels[0]
    for i in range(len(levels) - 1):
        share = np.clip(beyond[i] / np.where(beyond[i] == beyond[i + 1], -1.0, beyond[i] - beyond[i + 1]), 0.0, 1.0)
        between = np.exp(np.log(levels[i]) + share * np.log(levels[i + 1] / levels[i]))
        p = np.where(beyond[i] < 0, between, p)
    return np.asarray(np.where(beyond[-1] < 0, np.exp(beyond[-1]) * levels[-1], p))


def effective_df(factor: FloatArray, df1: int, df2: int, confidence: float) -> FloatArray:
    """Return the degrees of freedom whose Student's factor this is: between the fewer and the sum of both."""
    quantile = 0.5 + confidence / 2
    low = np.full(np.shape(factor), float(min(df1, df2)))
    high = np.full(np.shape(factor), float(df1 + df2))
    for _ in range(50):
        middle = (low + high) / 2
        more = special.stdtrit(middle, quantile) > factor  # the factor falls with the degrees of freedom
        low, high = np.where(more, middle, low), np.where(more, high, middle)
    return np.asarray((low + high) / 2)
