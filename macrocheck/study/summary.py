"""One quantity of one group of coupons, summed up."""

from collections.abc import Sequence

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.results import VerdictWord
from macrocheck.study import intervals
from macrocheck.study.comparison import Share, Summary, ToleranceBound, Worst
from macrocheck.study.data import name_and_unit, worse_side
from macrocheck.study.nested import spread_of, within_coupons
from macrocheck.study.values import CouponValue, Interval, Lengths, Need, Side
from macrocheck.study.words import amount, counted, percent

SURE_ENOUGH = 2.0
"""A tolerance factor up to so many times that of a known spread is taken for enough coupons. Our choice."""

NORMAL_P = 0.01
"""Under this p of the Shapiro-Wilk test a group is not taken for normally distributed. Our choice."""


def share_of(words: Sequence[VerdictWord | None], *, confidence: float, what: str = "coupon") -> Share:
    """Sum up the verdicts of coupons."""
    said = [w for w in words if w is not None]
    accepted, graded = said.count("accept"), len(said)
    undecided, rejected = said.count("undecided"), said.count("reject")
    if not graded:
        return Share(0, 0, 0, 0, None, None, None, f"No {what} was graded against limits.")
    interval = intervals.share_interval(accepted, graded, confidence)
    least = intervals.share_at_least(accepted, graded, confidence)
    text = f"{accepted} of {counted(graded, what)} accepted, {undecided} undecided, {rejected} rejected"
    if accepted:
        text += f": with {percent(confidence)} confidence at least {percent(least)} of such {what}s are accepted"
    return Share(graded, accepted, undecided, rejected, accepted / graded, interval, least, text + ".")


def summary_of(
    quantity: str,
    coupons: Sequence[CouponValue],
    missing: int,
    *,
    confidence: float,
    share: float,
    lengths: Lengths = "mm",
) -> Summary:
    """Sum up one quantity of the coupons of a group; `missing` sections have no value for it."""
    name, unit = name_and_unit(quantity, lengths)
    values = np.array([c.value for c in coupons])
    at_least, at_most = _limits(coupons)
    worse: Side = worse_side(quantity)
    if (at_least is None) != (at_most is None):
        worse = "at least" if at_least is not None else "at most"
    n = len(coupons)
    mean = float(values.mean()) if n else None
    sd = float(values.std(ddof=1)) if n > 1 else None
    every = [(c, s) for c in coupons for s in c.sections]
    worst = None
    if every:
        found = (min if worse == "at least" else max)(every, key=lambda pair: pair[1].value)
        worst = Worst(found[0].coupon, found[1])
    bounds: tuple[ToleranceBound | None, ToleranceBound | None] = (None, None)
    if mean is not None and sd is not None:
        limit = at_least if worse == "at least" else at_most
        bounds = _bounds(quantity, unit, values, worse, share=share, confidence=confidence)
        needs = _needs(values, worse, limit, unit, share=share, confidence=confidence)
    else:
        text = "1 coupon has a value; 2 are the fewest that show any scatter."
        if n == 0:
            text = "No coupon has a value of it; record show says why."
        needs = (Need("spread", n, 2, text),)
    words = [c.word for c in coupons]
    return Summary(
        quantity=quantity,
        name=name,
        unit=unit,
        coupons=tuple(coupons),
        n_coupons=n,
        n_sections=sum(c.section_count for c in coupons),
        missing=missing,
        mean=mean,
        interval=None if mean is None or sd is None else _mean_interval(mean, sd, n, confidence),
        sd=sd,
        sd_interval=None if not sd else _sd_interval(sd, n - 1, confidence),
        least=min((s.value for _, s in every), default=None),
        most=max((s.value for _, s in every), default=None),
        worse=worse,
        worst=worst,
        spread=spread_of(coupons),
        tolerance=bounds[0],
        tolerance_ranks=bounds[1],
        share=share_of(words, confidence=confidence) if any(w is not None for w in words) else None,
        at_least=at_least,
        at_most=at_most,
        needs=needs,
        notes=_notes(coupons, values, missing, unit),
        tolerance_section=_section_bound(quantity, unit, coupons, worse, share=share, confidence=confidence),
    )


def _mean_interval(mean: float, sd: float, n: int, confidence: float) -> Interval:
    low, high = intervals.mean_interval(mean, sd, n, confidence)
    return Interval(float(low), float(high), confidence)


def _sd_interval(sd: float, df: int, confidence: float) -> Interval:
    low, high = intervals.sd_interval(sd, df, confidence)
    return Interval(float(low), float(high), confidence)


def _limits(coupons: Sequence[CouponValue]) -> tuple[float | None, float | None]:
    lows = [s.at_least for c in coupons for s in c.sections if s.at_least is not None]
    highs = [s.at_most for c in coupons for s in c.sections if s.at_most is not None]
    return max(lows, default=None), min(highs, default=None)


def _bounds(
    quantity: str, unit: str, values: FloatArray, side: Side, *,
    share: float, confidence: float,
) -> tuple[ToleranceBound, ToleranceBound | None]:  # fmt: skip
    said = quantity.replace("_", " ")
    if np.ptp(values) == 0:
        text = (
            f"No bound: all {counted(len(values), 'coupon')} have the same {said}, which tells nothing of how such "
            "coupons scatter."
        )
        normal = ToleranceBound(side, None, share, confidence, None, "normal distribution", text)
        return normal, _rank_bound(values, unit, side, f"{said} of {side}", share=share, confidence=confidence)
    factor = intervals.tolerance_factor(len(values), share, confidence)
    sign = -1.0 if side == "at least" else 1.0
    bound = float(values.mean() + sign * factor * values.std(ddof=1))
    start = f"With {percent(confidence)} confidence, {percent(share)} of such coupons have {said} of {side} "
    if side == "at least" and bound <= 0 <= values.min():
        text = (
            f"With {percent(confidence)} confidence nothing over 0 can be named that {percent(share)} of such "
            f"coupons reach in {said}: the bound from {counted(len(values), 'coupon')} comes out at "
            f"{amount(bound, unit)}."
        )
    else:
        text = f"{start}{amount(bound, unit)} (mean of a coupon's sections, normal distribution)."
    normal = ToleranceBound(side, bound, share, confidence, factor, "normal distribution", text)
    return normal, _rank_bound(values, unit, side, f"{said} of {side}", share=share, confidence=confidence)


def _section_bound(
    quantity: str, unit: str, coupons: Sequence[CouponValue], side: Side, *, share: float, confidence: float
) -> ToleranceBound | None:
    within = within_coupons(coupons)
    if within is None or within.mean_square <= 0:
        return None
    means = np.array([c.value for c in coupons])
    bound = intervals.nested_bound(means, within.mean_square, within.df, within.harmonic, side, share, confidence)
    said = quantity.replace("_", " ")
    text = (
        f"With {percent(confidence)} confidence, {percent(share)} of single sections of such coupons have {said} "
        f"of {side} {amount(bound, unit)} (coupons and sections nested, normal distributions)."
    )
    return ToleranceBound(side, bound, share, confidence, None, "nested normal distributions", text)


def _rank_bound(
    values: FloatArray, unit: str, side: Side, what: str, *, share: float, confidence: float
) -> ToleranceBound | None:
    bound = intervals.tolerance_by_ranks(values, side, share, confidence)
    if bound is None:
        return None
    text = (
        f"With {percent(confidence)} confidence, {percent(share)} of such coupons have {what} "
        f"{amount(bound, unit)} (by ranks, whatever the distribution)."
    )
    return ToleranceBound(side, bound, share, confidence, None, "ranks", text)


def _needs(
    values: FloatArray, side: Side, limit: float | None, unit: str, *,
    share: float, confidence: float,
) -> tuple[Need, ...]:  # fmt: skip
    n, mean, sd = len(values), float(values.mean()), float(values.std(ddof=1))
    known = intervals.known_factor(share)
    claim = f"that {percent(share)} of such coupons"
    enough = intervals.coupons_for_factor(SURE_ENOUGH * known, share, confidence) or n
    needs = []
    if limit is not None and sd > 0:
        away = (mean - limit) / sd if side == "at least" else (limit - mean) / sd
        need = intervals.coupons_for_factor(away, share, confidence)
        meet = f"{claim} have {side} {amount(limit, unit)} with {percent(confidence)} confidence"
        if need is not None and need > n:
            text = f"If mean and scatter stay as they are, {counted(need - n, 'more coupon')} would show {meet}."
            needs.append(Need("limit", n, need, text))
        elif need is None:
            text = (
                f"No number of coupons of this mean and scatter would show {meet}: less scatter or more room would."
            )
            needs.append(Need("limit", n, n, text))
    if n < enough:
        factor = intervals.tolerance_factor(n, share, confidence)
        text = (
            f"{counted(n, 'coupon')} tell the scatter poorly: the bound lies {factor:.1f} standard deviations from "
            f"the mean; {enough - n} more bring that under {SURE_ENOUGH * known:.1f}."
        )
        needs.append(Need("scatter", n, enough, text))
    return tuple(needs)


def _notes(
    coupons: Sequence[CouponValue],
    values: FloatArray,
    missing: int,
    unit: str,
) -> tuple[str, ...]:
    notes = []
    if missing:
        notes.append(f"{counted(missing, 'section')} without a value left out.")
    zeros = int((values == 0).sum())
    if zeros and zeros < len(values) and len(values) > 2:
        have = "has" if zeros == 1 else "have"
        notes.append(
            f"{zeros} of {counted(len(values), 'coupon')} {have} exactly {amount(0.0, unit)}: what lies at a stop "
            "is not normally distributed, so trust the bound by ranks and the share, not the normal bound."
        )
    elif len(values) >= 5 and np.ptp(values) > 0 and _not_normal(values):
        notes.append(
            "These coupons do not look normally distributed (Shapiro-Wilk); trust the bound by ranks rather."
        )
    if len({c.section_count for c in coupons}) > 1:
        notes.append("Coupons have different numbers of sections; each coupon counts once.")
    if any(len(c.sections) > c.section_count for c in coupons):
        notes.append("Sections with several welds: their mean stands for the section.")
    return tuple(notes)


def _not_normal(values: FloatArray) -> bool:
    from scipy import stats

    return bool(stats.shapiro(values).pvalue < NORMAL_P)
