"""Where scatter comes from: coupon to coupon, section to section within a coupon, the measuring.

Analysis of variance for one nested factor, any number of sections a coupon; formulas in docs/study.md.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from macrocheck.study.comparison import Spread
from macrocheck.study.data import section_means
from macrocheck.study.values import CouponValue


def spread_of(coupons: Sequence[CouponValue]) -> Spread | None:
    """Return the sources of scatter of some coupons; None where there are fewer than two."""
    if len(coupons) < 2:
        return None
    sections = [section_means(c) for c in coupons]
    measured = _measured(coupons)
    count = sum(map(len, sections))
    if count == len(coupons):
        return _together([s[0] for s in sections], measured)
    between, within = _mean_squares(sections)
    n0 = (count - sum(len(s) ** 2 for s in sections) / count) / (len(sections) - 1)
    coupon = math.sqrt(max(0.0, (between - within) / n0))
    section = math.sqrt(max(0.0, within - (measured or 0.0) ** 2))
    text = "Scatter from coupon to coupon and from section to section told apart"
    if measured is None:
        text += "; the measuring is in the sections' part, its uncertainty is not known"
    elif within < measured**2:
        text += "; sections scatter less than the measuring could hide, so theirs is taken as 0"
    return Spread(coupon, section, measured, text + ".")


@dataclass(frozen=True, slots=True)
class Within:
    """Scatter of sections within their coupons: mean square, degrees of freedom, harmonic mean of their numbers."""

    mean_square: float
    df: int
    harmonic: float


def within_coupons(coupons: Sequence[CouponValue]) -> Within | None:
    """Return how sections scatter within coupons; None where no coupon has two, or there are under two coupons."""
    sections = [section_means(c) for c in coupons]
    df = sum(len(s) - 1 for s in sections)
    if df < 1 or len(coupons) < 2:
        return None
    harmonic = len(sections) / math.fsum(1 / len(s) for s in sections)
    return Within(_mean_squares(sections)[1], df, harmonic)


def _measured(coupons: Sequence[CouponValue]) -> float | None:
    us = [s.u for c in coupons for s in c.sections]
    known = [u for u in us if u is not None]
    if len(known) < len(us) or not known:
        return None
    return math.sqrt(sum(u**2 for u in known) / len(known))


def _together(values: Sequence[float], measured: float | None) -> Spread:
    mean = math.fsum(values) / len(values)
    square = math.fsum((v - mean) ** 2 for v in values) / (len(values) - 1)
    left = square - (measured or 0.0) ** 2
    text = "No coupon has two sections, so coupon-to-coupon and section-to-section scatter are one number"
    if measured is None:
        text += "; the measuring is in it too, its uncertainty is not known"
    elif left <= 0:
        text += "; the coupons scatter no more than the measuring does"
    return Spread(math.sqrt(max(0.0, left)), None, measured, text + ".")


def _mean_squares(sections: Sequence[Sequence[float]]) -> tuple[float, float]:
    """Return the mean squares between coupons and within them."""
    count = sum(map(len, sections))
    grand = math.fsum(v for s in sections for v in s) / count
    means = [math.fsum(s) / len(s) for s in sections]
    between = math.fsum(len(s) * (m - grand) ** 2 for s, m in zip(sections, means, strict=True))
    within = math.fsum((v - m) ** 2 for s, m in zip(sections, means, strict=True) for v in s)
    return between / (len(sections) - 1), within / (count - len(sections))
