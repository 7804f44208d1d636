"""Intervals, bounds and how many coupons they need; formulas with their sources in docs/study.md.

Functions on summary numbers take arrays too, so that their coverage can be tried on thousands of simulated runs.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from macrocheck.arrays import FloatArray
from macrocheck.study.values import Interval, Side

MOST_COUPONS = 100_000
"""Where more than this would be needed, none are said to be enough."""

DRAWS = 10_000
"""Draws behind a bound for single sections: its last digit is worth a hundredth of the scatter."""

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


def share_difference(first: tuple[int, int], second: tuple[int, int], confidence: float) -> Interval:
    """Return the interval of second share less first, each (accepted, graded): made of two of Wilson's."""
    (a, n), (b, m) = first, second
    p, q = a / n, b / m
    one, two = wilson(a, n, confidence), wilson(b, m, confidence)
    low = math.hypot(q - (two.low or 0.0), (one.high or 0.0) - p)
    high = math.hypot((two.high or 0.0) - q, p - (one.low or 0.0))
    return Interval(q - p - low, q - p + high, confidence)


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
    """Compare two means, each (mean, standard deviation, number), without taking their spreads for equal."""
    (m1, s1, n1), (m2, s2, n2) = first, second
    a, b = np.asarray(s1) ** 2 / n1, np.asarray(s2) ** 2 / n2
    square = np.maximum(a + b, 1e-300)
    df = square**2 / np.maximum(a**2 / (n1 - 1) + b**2 / (n2 - 1), 1e-300)
    df = np.clip(df, min(n1, n2) - 1, n1 + n2 - 2)
    difference, error = np.asarray(m2) - np.asarray(m1), np.sqrt(square)
    half = stats.t.ppf(0.5 + confidence / 2, df) * error
    p = 2 * np.asarray(stats.t.sf(np.abs(difference) / error, df))
    return Welch(difference, difference - half, difference + half, df, p)


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
    `harmonic`: harmonic mean of their numbers. By a generalized pivotal quantity, drawn `DRAWS` times from a fixed
    seed; it holds its confidence at the least (94 to 99 % where 95 % are said).
    """
    count = len(means)
    normal, of_means, of_sections = _draws(count - 1, df_within)
    between = float(means.var(ddof=1)) * (count - 1) / of_means
    inner = (1 - 1 / harmonic) * within * df_within / of_sections
    sign = -1.0 if side == "at least" else 1.0
    centre = float(means.mean()) + normal * np.sqrt(between / count)
    pivot = centre + sign * known_factor(share) * np.sqrt(between + inner)
    return float(np.quantile(pivot, 1 - confidence if side == "at least" else confidence))


@lru_cache(maxsize=64)
def _draws(df_means: int, df_sections: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return draws of a normal and two chi-squares, always the same."""
    rng = np.random.default_rng(0)
    return rng.standard_normal(DRAWS), rng.chisquare(df_means, DRAWS), rng.chisquare(df_sections, DRAWS)


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
