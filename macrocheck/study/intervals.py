"""Intervals, bounds and how many coupons they need; formulas with their sources in docs/study.md.

Functions on summary numbers take arrays too, so that their coverage can be tried on thousands of simulated runs.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from macrocheck.arrays import FloatArray
from macrocheck.study import section_bound, unequal
from macrocheck.study.values import Interval, Side

MOST_COUPONS = 100_000
"""Where more than this would be needed, none are said to be enough."""

POWER = 0.8
"""Chance of showing a difference that is there, behind the number of coupons for it. Common practice, no source."""


def share_interval(accepted: int, graded: int, confidence: float) -> Interval:
    """Return the two-sided Clopper-Pearson interval of a share (at least `confidence`, by construction)."""
    found = stats.binomtest(accepted, graded).proportion_ci(confidence, method="exact")
    return Interval(float(found.low), float(found.high), confidence)


def share_at_least(accepted: int, graded: int, confidence: float) -> float:
    """Return the one-sided lower Clopper-Pearson bound of a share."""
    if accepted == 0:
        return 0.0
    return float(stats.beta.ppf(1 - confidence, accepted, graded - accepted + 1))


def wilson(accepted: int, graded: int, confidence: float) -> Interval:
    """Return the two-sided score interval of a share (Wilson 1927)."""
    found = stats.binomtest(accepted, graded).proportion_ci(confidence, method="wilson")
    return Interval(float(found.low), float(found.high), confidence)


def share_difference(
    first: tuple[int, int],
    second: tuple[int, int],
    confidence: float,
    of_each: Callable[[int, int, float], Interval] = share_interval,
) -> Interval:
    """Return the interval of second share less first, each (accepted, graded), made of the two shares' intervals.

    By Clopper and Pearson's it holds its confidence nearly always at the least; `of_each` = `wilson` gives
    Newcombe's (1998), which is narrower and holds 95 % in 86 to 99 % of trials.
    """
    (a, n), (b, m) = first, second
    p, q = a / n, b / m
    one, two = of_each(a, n, confidence), of_each(b, m, confidence)
    low = math.hypot(q - (two.low or 0.0), (one.high or 0.0) - p)
    high = math.hypot((two.high or 0.0) - q, p - (one.low or 0.0))
    return Interval(round(q - p - low, 12), round(q - p + high, 12), confidence)


def share_chance(first: tuple[int, int], second: tuple[int, int]) -> float:
    """Return the p of equal shares, two-sided, each (accepted, graded): Boschloo's exact test (Boschloo 1970)."""
    (a, n), (b, m) = first, second
    if a + b in {0, n + m}:
        return 1.0
    return min(1.0, float(stats.boschloo_exact([[a, b], [n - a, m - b]]).pvalue))


def mean_interval(mean: ArrayLike, sd: ArrayLike, n: int, confidence: float) -> tuple[FloatArray, FloatArray]:
    """Return Student's interval of a mean from mean, standard deviation and number of coupons."""
    half = stats.t.ppf(0.5 + confidence / 2, n - 1) * np.asarray(sd) / math.sqrt(n)
    return np.asarray(mean) - half, np.asarray(mean) + half


def sd_interval(sd: ArrayLike, df: float, confidence: float) -> tuple[FloatArray, FloatArray]:
    """Return the chi-square interval of a standard deviation with `df` degrees of freedom."""
    low = math.sqrt(df / float(stats.chi2.ppf(0.5 + confidence / 2, df)))
    high = math.sqrt(df / float(stats.chi2.ppf(0.5 - confidence / 2, df)))
    return np.asarray(sd) * low, np.asarray(sd) * high


@dataclass(frozen=True, slots=True)
class Welch:
    """Second mean less first, its interval, degrees of freedom and p of no difference; arrays or numbers alike."""

    difference: FloatArray
    low: FloatArray
    high: FloatArray
    df: FloatArray
    p: FloatArray


def welch(
    first: tuple[ArrayLike, ArrayLike, int], second: tuple[ArrayLike, ArrayLike, int], confidence: float
) -> Welch:
    """Compare two means, each (mean, standard deviation, number), without taking their spreads for equal.

    The factor of the interval is `unequal`'s: Satterthwaite's but for few coupons.
    """
    (m1, s1, n1), (m2, s2, n2) = first, second
    a, b = np.asarray(s1) ** 2 / n1, np.asarray(s2) ** 2 / n2
    square = np.maximum(a + b, 1e-300)
    factor = unequal.factor_for(n1 - 1, n2 - 1, confidence)(a / square)
    df = unequal.effective_df(factor, n1 - 1, n2 - 1, confidence)
    difference, error = np.asarray(m2) - np.asarray(m1), np.sqrt(square)
    p = unequal.chance(difference / error, a / square, n1 - 1, n2 - 1, confidence)
    return Welch(difference, difference - factor * error, difference + factor * error, df, p)


def holm(ps: list[float]) -> list[float]:
    """Return p values adjusted for how many there are, in their order (Holm 1979)."""
    order = sorted(range(len(ps)), key=lambda i: ps[i])
    adjusted, least = [0.0] * len(ps), 0.0
    for rank, i in enumerate(order):
        least = max(least, min(1.0, (len(ps) - rank) * ps[i]))
        adjusted[i] = least
    return adjusted


@lru_cache(maxsize=1024)
def tolerance_factor(n: int, share: float, confidence: float) -> float:
    """Return how many standard deviations from the mean a one-sided normal tolerance bound lies.

    Exact, by the noncentral t distribution.
    """
    root = math.sqrt(n)
    return float(stats.nct.ppf(confidence, n - 1, root * float(stats.norm.ppf(share)))) / root


def nested_bound(
    means: FloatArray, within: float, df_within: int, harmonic: float, side: Side, share: float, confidence: float
) -> float:
    """Return a tolerance bound for single sections from the means (a,) of coupons with several sections each.

    `within`: mean square between the sections of a coupon, with `df_within` degrees of freedom;
    `harmonic`: harmonic mean of their numbers. The factor is `section_bound`'s.
    """
    of_means, of_sections = float(means.var(ddof=1)), within / harmonic
    part = of_sections / (of_means + of_sections)
    factor = section_bound.factor_for(len(means), df_within, harmonic, share, confidence)(part)
    sign = -1.0 if side == "at least" else 1.0
    return float(means.mean()) + sign * factor * math.sqrt(of_means + (harmonic - 1) * of_sections)


def known_factor(share: float) -> float:
    """Return what `tolerance_factor` comes down to for ever more coupons."""
    return float(stats.norm.ppf(share))


def rank_bound(n: int, share: float, confidence: float) -> int:
    """Return which coupon, counted from the worst, is a bound whatever the distribution; 0 where n is too small."""
    return int(stats.binom.ppf(1 - confidence, n, 1 - share))


def tolerance_by_ranks(values: FloatArray, side: Side, share: float, confidence: float) -> float | None:
    """Return the bound by ranks, or None where there are too few coupons."""
    rank = rank_bound(len(values), share, confidence)
    if rank < 1:
        return None
    ordered = np.sort(values)
    return float(ordered[rank - 1] if side == "at least" else ordered[-rank])


def coupons_for_ranks(share: float, confidence: float) -> int:
    """Return the fewest coupons for a bound by ranks: 1 - share^n >= confidence."""
    return math.ceil(math.log(1 - confidence) / math.log(share) - 1e-9)


def coupons_for_share(missed: int, share: float, confidence: float) -> int:
    """Return how many graded coupons, `missed` of them not accepted, show that at least `share` are."""
    n = missed + 1
    while n <= MOST_COUPONS and share_at_least(n - missed, n, confidence) < share:
        n = n + 1 if n < 200 else math.ceil(n * 1.01)
    return n


def coupons_for_factor(most: float, share: float, confidence: float) -> int | None:
    """Return the fewest coupons whose tolerance factor is at most `most`; None where no number is enough."""
    if most <= known_factor(share):
        return None
    low, high = 1, 2
    while tolerance_factor(high, share, confidence) > most:
        low, high = high, high * 2
        if high > MOST_COUPONS:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if tolerance_factor(middle, share, confidence) > most else (low, middle)
    return high


def coupons_for_difference(difference: float, sd1: float, sd2: float, confidence: float) -> int | None:
    """Return how many coupons in each group show a difference with a chance of `POWER`; None where too many."""
    if difference == 0:
        return None
    square = (sd1**2 + sd2**2) / difference**2
    n = 2
    for _ in range(50):
        df = 2 * (n - 1) if sd1 > 0 and sd2 > 0 else n - 1
        quantiles = stats.t.ppf(0.5 + confidence / 2, df) + stats.t.ppf(POWER, df)
        need = max(2, math.ceil(float(quantiles) ** 2 * square))
        if need > MOST_COUPONS:
            return None
        if need in {n, n - 1}:
            return n
        n = need
    return n
