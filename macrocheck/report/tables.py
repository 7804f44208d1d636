"""The quantities of one weld as rows and as plain text."""

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from macrocheck.quantities import BY_KEY, QUANTITIES
from macrocheck.report.numbers import LengthUnit, bare_text, written
from macrocheck.results import Quantity, Result, Verdict, VerdictWord

SEVERITY: tuple[VerdictWord, ...] = ("accept", "undecided", "reject")
"""From best to worst."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table, all text: nothing is left to format.

    `key` the JSON key, `name` the trade's name, `value` and `u95` numbers without unit ("" where there is none),
    `unit` as printed ("mm", "in", "mm²", "°", "%", ""), `verdict` the worst word of the limits on this quantity
    ("" where there is no limit), `limits` those limits ("at least 4.500 mm (minimum leg)"), `reason` why there
    is no value, or why the verdict is what it is.
    """

    key: str
    name: str
    value: str
    u95: str
    unit: str
    verdict: str = ""
    limits: str = ""
    reason: str = ""


def quantity_rows(result: Result, weld_index: int, unit: LengthUnit = "mm") -> list[Row]:
    """Return one row for every quantity of weld `weld_index` (from 0), in the order of the list of quantities."""
    verdicts = result.verdicts.per_weld[weld_index] if weld_index < len(result.verdicts.per_weld) else ()
    return rows_of(result.measurements[weld_index].quantities, verdicts, unit)


def rows_of(quantities: Mapping[str, Quantity], verdicts: Sequence[Verdict], unit: LengthUnit = "mm") -> list[Row]:
    """Return one row for every quantity in the order of their list, then the limits on what is not there."""
    known = [k.key for k in QUANTITIES if k.key in quantities]
    rows = [
        _row(key, quantities[key], [v for v in verdicts if v.quantity == key], unit)
        for key in (*known, *(k for k in quantities if k not in BY_KEY))
    ]
    # A limit on something that this joint does not have still has to be seen.
    for verdict in verdicts:
        if verdict.quantity not in quantities:
            kind = BY_KEY.get(verdict.quantity)
            nothing = Quantity(None, None, None, kind.unit if kind else verdict.unit, None)
            rows.append(_row(verdict.quantity, nothing, [verdict], unit))
    return rows


def limit_text(verdict: Verdict, unit: LengthUnit = "mm") -> str:
    """Return a limit as words: "at least 4.500 mm", "60.0° to 135.0°", or "" where it could not be worked out."""
    low, high = (
        None if bound is None else bare_text(bound, verdict.unit, unit)
        for bound in (verdict.at_least, verdict.at_most)
    )
    if low is not None and high is not None:
        return f"{low} to {high}"
    if low is not None:
        return f"at least {low}"
    return "" if high is None else f"at most {high}"


def worst(words: Sequence[VerdictWord]) -> VerdictWord | None:
    """Return the worst of some verdict words; None where there are none."""
    return max(words, key=SEVERITY.index) if words else None


def plain_table(rows: Sequence[Row], width: int = 110) -> str:
    """Return the rows as lines of text with aligned columns, at most `width` characters wide, no trailing blanks.

    Values line up at the decimal point; reasons stand in the last column and wrap under themselves.
    """
    if not rows:
        return ""
    whole = max(len(_split(r.value)[0]) for r in rows)
    part = max(len(_split(r.value)[1]) for r in rows)
    head = ("quantity", "value", "± U95", "unit", "verdict", "")
    cells = [(r.name, _aligned(r.value, whole, part), r.u95, r.unit, r.verdict, _remark(r)) for r in rows]
    sizes = [max(len(head[i]), *(len(c[i]) for c in cells)) for i in range(5)]
    indent = sum(sizes) + 2 * len(sizes)
    room = max(width - indent, 24)
    lines = [_line(head, sizes), "-" * min(width, indent + 24)]
    for cell in cells:
        remark = textwrap.wrap(cell[5], room) or [""]
        lines.append(_line((*cell[:5], remark[0]), sizes))
        lines += [" " * indent + more for more in remark[1:]]
    return "\n".join(line.rstrip() for line in lines)


def _row(key: str, quantity: Quantity, verdicts: Sequence[Verdict], unit: LengthUnit) -> Row:
    text = written(quantity, unit)
    word = worst([v.word for v in verdicts])
    limits = [f"{limit_text(v, unit)} ({v.limit})".strip() for v in verdicts]
    reason = quantity.reason or ""
    if not reason and word is not None and word != "accept":
        reason = " ".join(v.text for v in verdicts if v.word == word)
    kind = BY_KEY.get(key)
    return Row(
        key=key,
        name=kind.name if kind else key,
        value=text.value,
        u95=text.u95,
        unit=text.unit if text.value else "",
        verdict=word or "",
        limits="; ".join(limits),
        reason=reason,
    )


def _remark(row: Row) -> str:
    return "; ".join(part for part in (row.limits, row.reason) if part)


def _split(value: str) -> tuple[str, str]:
    """Split a plain number at its point; text of several numbers counts as no number."""
    if not value or not value[-1].isdigit() or " " in value:
        return "", ""
    whole, point, part = value.partition(".")
    return whole, point + part


def _aligned(value: str, whole: int, part: int) -> str:
    if not value:
        return "-".rjust(whole)
    left, right = _split(value)
    return value if not left else left.rjust(whole) + right.ljust(part)


def _line(cells: Sequence[str], sizes: Sequence[int]) -> str:
    name, value, u95, unit, verdict, remark = cells
    return (
        f"{name:<{sizes[0]}}  {value:<{sizes[1]}}  {u95:>{sizes[2]}}  {unit:<{sizes[3]}}  "
        f"{verdict:<{sizes[4]}}  {remark}"
    )
