"""Comparisons of the report, worded in the unit wanted."""

from collections.abc import Sequence

from macrocheck.paths import shown
from macrocheck.report.numbers import LengthUnit, bare_text, shown_unit
from macrocheck.report.pages.view import CompareRow, CompareView
from macrocheck.report.pages.wording import interval_text, percent, with_spread
from macrocheck.study.comparison import Comparison, Difference, Share, Summary

MOST_DIFFERENCES = 15
"""More pairs of groups than this: only those that stand out are listed."""


def comparison_views(comparison: Comparison, worded: Comparison, unit: LengthUnit) -> list[CompareView]:
    """Return the comparison, a table a quantity; quantities that no group has are left out.

    `worded`: the same comparison in `unit`, for its sentences.
    """
    views = []
    for quantity in comparison.quantities:
        found = [(g.label, s) for g in comparison.groups if (s := g.summary(quantity)) is not None and s.coupons]
        if found:
            said = [(g.label, s) for g in worded.groups if (s := g.summary(quantity)) is not None and s.coupons]
            views.append(_view(comparison, quantity, found, said, unit))
    return views


def _view(
    comparison: Comparison,
    quantity: str,
    found: Sequence[tuple[str, Summary]],
    said: Sequence[tuple[str, Summary]],
    unit: LengthUnit,
) -> CompareView:
    first = found[0][1]
    sides = sorted({s.tolerance.side for _, s in found if s.tolerance is not None})
    differences = [d for d in comparison.differences if d.quantity == quantity]
    listed = differences if len(differences) <= MOST_DIFFERENCES else [d for d in differences if d.stands_out]
    notes = _said(said)
    if len(listed) < len(differences):
        notes.insert(0, f"{len(differences)} pairs of groups; only those that stand out are listed.")
    return CompareView(
        title=first.name,
        unit=shown_unit(first.unit, unit),
        bound_title=f"{percent(comparison.share)} are {' / '.join(sides) or 'at least'}",
        graded=any(s.share is not None and s.share.graded for _, s in found),
        rows=[_row(label, s, unit) for label, s in found],
        differences=[_difference(d, unit) for d in listed],
        notes=notes,
    )


def _said(groups: Sequence[tuple[str, Summary]]) -> list[str]:
    """Return what is said of the groups, each sentence once, with the groups that it is said of."""
    found: dict[str, list[str]] = {}
    for label, s in groups:
        for text in (*(need.text for need in s.needs), *s.notes):
            found.setdefault(shown(text), []).append(shown(label))
    return [
        text if len(labels) == len(groups) else f"{'; '.join(labels)}: {text}" for text, labels in found.items()
    ]


def _row(label: str, s: Summary, unit: LengthUnit) -> CompareRow:
    spread = None
    if s.interval is not None and s.interval.low is not None and s.interval.high is not None:
        spread = 0.5 * (s.interval.high - s.interval.low)
    bound = s.tolerance.bound if s.tolerance is not None else None
    nothing = s.tolerance is not None and s.says_nothing(s.tolerance)
    worst = "–"
    if s.worst is not None:
        u95 = s.worst.section.U95
        value = with_spread(s.worst.section.value, u95, s.unit, unit)
        worst = f"{value} ({shown(s.worst.coupon)})"
    return CompareRow(
        group=shown(label),
        n=f"{s.n_coupons} ({s.n_sections})",
        mean=with_spread(s.mean, spread or s.sd, s.unit, unit),
        interval=interval_text(s.interval, s.unit, unit),
        sd=with_spread(s.sd, 0.2 * s.sd if s.sd else None, s.unit, unit),
        worst=worst,
        bound="none" if nothing else with_spread(bound, s.sd, s.unit, unit),
        accepted=share_text(s.share),
    )


def share_text(share: Share | None) -> str:
    """Return "5 of 6, 36 to 100 %": how many coupons were accepted and the interval of their share."""
    if share is None or share.graded == 0:
        return "–"
    text = f"{share.accepted} of {share.graded}"
    interval = share.interval
    if interval is None or interval.low is None or interval.high is None:
        return text
    return f"{text}; {100 * interval.low:.0f} to {100 * interval.high:.0f} %"


def _difference(d: Difference, unit: LengthUnit) -> tuple[str, str, str, bool]:
    """Return the pair of groups, the difference with its interval, what it means, and whether it stands out."""
    printed = shown_unit(d.unit, unit)
    spread = None
    if d.interval is not None and d.interval.low is not None and d.interval.high is not None:
        spread = 0.5 * (d.interval.high - d.interval.low)
    value = with_spread(d.difference, spread, d.unit, unit) if spread else bare_text(d.difference, d.unit, unit)
    sign = "+" if d.difference > 0 else ""
    between = f" ({interval_text(d.interval, d.unit, unit)})" if spread else ""
    text = f"{sign}{value}{between}{'' if not spread else f' {printed}'}"
    if d.stands_out is None:
        few = d.need is not None
        meaning = f"cannot be told: {'a group has fewer than 2 coupons' if few else 'neither group scatters'}"
    else:
        meaning = "yes" if d.stands_out else "no"
        if d.p_adjusted is not None:
            meaning += f", p {'< 0.001' if d.p_adjusted < 0.001 else f'= {d.p_adjusted:.2g}'}"
        if not d.stands_out and d.need is not None and d.need.more > 0:
            meaning += f"; one of this size would with about {d.need.need} coupons a group"
    return f"{shown(d.second)} less {shown(d.first)}", text, meaning, bool(d.stands_out)
