"""Studies of a record as lines of text."""

import shutil
import textwrap
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import click

from macrocheck.cli.files import write_json
from macrocheck.paths import shown
from macrocheck.study.words import amount, counted, listed, number, percent, span, unit_text

if TYPE_CHECKING:
    from macrocheck.study.comparison import Comparison, Group, Summary, ToleranceBound

_MOST_LEFT_OUT = 10
_MOST_WORTH = 200


def answer(document: object, lines: Iterable[str], json_to: str | None) -> None:
    """Print what a study found, and write it as JSON where that is asked for; with - there is only the JSON."""
    if json_to is not None:
        write_json(document, json_to)
    if json_to != "-":
        print_lines(lines)


def print_lines(lines: Iterable[str]) -> None:
    """Print lines, those that are sentences wrapped to the screen."""
    width = max(80, min(shutil.get_terminal_size((110, 24)).columns, 140))
    for line in lines:
        if len(line) <= width or "  " in line.strip() or " " not in line:
            click.echo(line)
            continue
        indent = len(line) - len(line.lstrip())
        for part in textwrap.wrap(line.strip(), width - indent - 2) or [""]:
            click.echo(" " * indent + part)


def table(head: Sequence[str], rows: Sequence[Sequence[str]], *, last_left: bool = False) -> list[str]:
    """Return aligned columns: the first to the left, the others to the right; `last_left`: the last to the left."""
    every = [tuple(head), *(tuple(r) for r in rows)]
    sizes = [max(len(r[i]) for r in every) for i in range(len(head))]
    to_left = {0, len(head) - 1} if last_left else {0}

    def line(cells: Sequence[str]) -> str:
        padded = (
            f"{c:<{s}}" if i in to_left else f"{c:>{s}}" for i, (c, s) in enumerate(zip(cells, sizes, strict=True))
        )
        return "  ".join(padded).rstrip()

    rule = "-" * min(sum(sizes) + 2 * len(sizes) - 2, 110)
    return [line(every[0]), rule, *map(line, every[1:])]


def p_text(p: float | None) -> str:
    """Return a p value as printed."""
    return "-" if p is None else "<0.001" if p < 0.001 else f"{p:.3f}"


def comparison_lines(found: "Comparison") -> list[str]:
    """Return a comparison: groups, quantity by quantity, differences, notes, cautions."""
    n = sum(g.n_coupons for g in found.groups)
    by = f" by {listed(found.by)}" if found.by else ""
    lines = [
        f"{found.record}: {counted(n, 'coupon')} compared{by}"
        + (f", where {' and '.join(found.where)}" if found.where else "")
    ]
    lines += ["", *_group_table(found)]
    for quantity in found.quantities:
        lines += ["", *_quantity_lines(found, quantity)]
    lines += _share_lines(found)
    lines += left_out_lines(found.left_out)
    if found.notes:
        lines += ["", *(f"Note: {note}" for note in found.notes)]
    return [*lines, "", *(f"Caution: {c}" for c in found.cautions)]


def left_out_lines(left_out: Sequence[tuple[str, str]]) -> list[str]:
    """Return which coupons were left out, and why."""
    if not left_out:
        return []
    by_reason: dict[str, list[str]] = {}
    for coupon, why in left_out:
        by_reason.setdefault(why, []).append(shown(coupon))
    lines = [
        f"Left out, {shown(why)}: {listed(names, _MOST_LEFT_OUT)} ({counted(len(names), 'coupon')})"
        for why, names in by_reason.items()
    ]
    return ["", *lines]


def _group_table(found: "Comparison") -> list[str]:
    rows = []
    for g in found.groups:
        s = g.share
        interval = "-" if s.interval is None else f"{_pc(s.interval.low)} to {_pc(s.interval.high)} %"
        share = "-" if s.share is None else percent(s.share)
        least = "-" if s.at_least is None else percent(s.at_least)
        rows.append((
            shown(g.label), *map(str, (g.n_coupons, g.n_sections, g.not_measured)),
            *map(str, (s.graded, s.accepted, s.undecided, s.rejected)), share, interval, least,
        ))  # fmt: skip
    sure = percent(found.confidence)
    head = (
        "group", "coupons", "sections", "failed", "graded", "accept", "undecided", "reject", "share",
        f"{sure} interval", "at least",
    )  # fmt: skip
    lines = table(head, rows)
    return lines + [f"{shown(g.label)}: {shown(g.share.text)}" for g in found.groups if g.share.graded]


def _pc(share: float | None) -> str:
    return number(share, "1")


def _quantity_lines(found: "Comparison", quantity: str) -> list[str]:
    pairs = [(g, s) for g in found.groups if (s := g.summary(quantity)) is not None]
    first = pairs[0][1]
    unit = unit_text(first.unit)
    limits = list(dict.fromkeys(text for _, s in pairs if (text := _limit_text(s))))
    lines = [
        f"{first.name} ({quantity}){f', {unit}' if unit else ''}{f'; limit {listed(limits)}' if limits else ''}"
    ]
    sure = percent(found.confidence)
    head = ("group", "coupons", "mean", f"{sure} interval", "worst", "bound", "a section", "by ranks", "accepted")
    lines += table(head, [_summary_row(g, s) for g, s in pairs])
    lines += _bound_lines(pairs, found)
    if any(s.spread is not None for _, s in pairs):
        sources = ("scatter (standard deviation)", "coupons as seen", "coupon", "section", "measuring")
        lines += ["", *table(sources, [_spread_row(g, s) for g, s in pairs])]
    said: dict[str, list[str]] = {}
    for group, summary in pairs:
        for text in _sentences(summary, alone=len(pairs) == 1):
            said.setdefault(shown(text), []).append(shown(group.label))
    for text, labels in said.items():
        who = "Each group" if len(labels) == len(pairs) else "; ".join(labels)
        lines.append(f"{who}: {text}" if len(pairs) > 1 else text)
    if any(s.spread is not None and s.spread.section is None for _, s in pairs):
        lines.append("* coupon and section together: no coupon has two sections with this quantity.")
    return lines + _difference_lines(found, quantity)


def _summary_row(group: "Group", s: "Summary") -> tuple[str, ...]:
    u, worst = s.unit, s.worst
    return (
        shown(group.label),
        str(s.n_coupons),
        number(s.mean, u),
        span(s.interval, u),
        "-" if worst is None else f"{number(worst.section.value, u)} {shown(worst.coupon)}",
        *(_bound(s, bound) for bound in (s.tolerance, s.tolerance_section, s.tolerance_ranks)),
        "-" if s.share is None else f"{s.share.accepted} of {s.share.graded}",
    )


def _spread_row(group: "Group", s: "Summary") -> tuple[str, ...]:
    u, spread = s.unit, s.spread
    if spread is None:
        return shown(group.label), number(s.sd, u, fine=True), "-", "-", "-"
    both = spread.section is None
    return (
        shown(group.label),
        number(s.sd, u, fine=True),
        number(spread.coupon, u, fine=True) + ("*" if both else ""),
        "*" if both else number(spread.section, u, fine=True),
        number(spread.measurement, u, fine=True),
    )


def _limit_text(s: "Summary") -> str:
    bounds = (("at least", s.at_least), ("at most", s.at_most))
    return ", ".join(f"{word} {amount(v, s.unit)}" for word, v in bounds if v is not None)


def _bound_lines(pairs: "Sequence[tuple[Group, Summary]]", found: "Comparison") -> list[str]:
    """Return what the bounds say: one sentence for a single group, else one for all of them."""
    bounded = [s for _, s in pairs if s.tolerance is not None]
    if not bounded:
        return []
    if len(pairs) == 1 and bounded[0].tolerance is not None:
        section = bounded[0].tolerance_section
        return [shown(t.text) for t in (bounded[0].tolerance, section) if t is not None]
    sides = listed(sorted({s.worse for s in bounded}))
    return [
        f"Bound: with {percent(found.confidence)} confidence, {percent(found.share)} of such coupons have {sides} "
        "this much (mean of a coupon's sections, normal distribution; a section: of single sections instead; by "
        "ranks: whatever the distribution)."
    ]


def _bound(s: "Summary", bound: "ToleranceBound | None") -> str:
    if bound is None:
        return "-"
    return "none" if s.says_nothing(bound) else number(bound.bound, s.unit)


def _sentences(s: "Summary", *, alone: bool) -> list[str]:
    said = []
    if s.tolerance is not None and not alone and (s.tolerance.bound is None or s.says_nothing(s.tolerance)):
        said.append(s.tolerance.text)
    said += [need.text for need in s.needs]
    return [*said, *s.notes]


def _difference_lines(found: "Comparison", quantity: str) -> list[str]:
    rows = []
    for d in (d for d in found.differences if d.quantity == quantity):
        u = d.unit
        if d.interval is None:
            rows.append(
                (
                    f"{shown(d.second)} less {shown(d.first)}",
                    number(d.difference, u, signed=True),
                    "-",
                    "-",
                    "-",
                    "-",
                )
            )
            continue
        p = p_text(d.p_adjusted)
        need = "-" if d.stands_out or d.need is None else _coupons(d.need.need)
        rows.append((
            f"{shown(d.second)} less {shown(d.first)}", number(d.difference, u, signed=True),
            span(d.interval, u, signed=True), p, "yes" if d.stands_out else "no", need,
        ))  # fmt: skip
    if not rows:
        return []
    head = (
        "difference",
        "mean",
        f"{percent(found.confidence)} interval",
        "p",
        "more than chance",
        "coupons needed",
    )
    return ["", *table(head, rows)]


def _coupons(count: int) -> str:
    """Return how many coupons a group a difference of this size needs; hundreds are no plan."""
    return str(count) if count <= _MOST_WORTH else f">{_MOST_WORTH}"


def _share_lines(found: "Comparison") -> list[str]:
    if not found.share_differences:
        return []
    out = [shown(d.text) for d in found.share_differences if d.stands_out]
    return ["", *(out or ["No two groups differ in share accepted by more than chance."])]
