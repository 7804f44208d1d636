"""A result as text on the screen."""

from dataclasses import replace
from typing import TYPE_CHECKING

from macrocheck.paths import shown
from macrocheck.report.numbers import percent_u95
from macrocheck.report.tables import Row, limit_text, plain_table, quantity_rows

if TYPE_CHECKING:
    from collections.abc import Iterable

    from macrocheck.flags import Flag
    from macrocheck.report.numbers import LengthUnit
    from macrocheck.results import Result
    from macrocheck.scale import Scale

PLAIN_WIDTH = 110
_VERDICT_STYLE = {"accept": "green", "undecided": "yellow", "reject": "bold red"}


def result_lines(result: "Result", unit: "LengthUnit") -> list[str]:
    """Return everything that is said before the tables: photo, scale, what was decided in reading."""
    count = len(result.outline.welds)
    lines = [
        f"{shown(result.photo.path)}: {count} weld{'' if count == 1 else 's'}, outline {result.outline.made_by}"
    ]
    lines.append(scale_line(result.scale, unit))
    lines += [f"Note: {note}" for note in result.photo.notes]
    return lines + flag_lines((*result.scale.flags, *result.outline.flags))


def scale_line(scale: "Scale", unit: "LengthUnit") -> str:
    """Return the scale with its expanded uncertainty (2 u) in percent."""
    number = f"{scale.mm_per_px:.5f} mm" if unit == "mm" else f"{scale.mm_per_px / 25.4:.6f} in"
    return f"Scale: {number} per px ± {percent_u95(scale.u_rel)} (U95), {scale.method}"


def flag_lines(flags: "Iterable[Flag]") -> list[str]:
    """Return one line for every flag, with its place in the picture."""
    lines = []
    for flag in flags:
        where = f" (at {flag.where_px[0][0]:.0f}, {flag.where_px[0][1]:.0f} px)" if flag.where_px else ""
        lines.append(f"Flag {flag.code}: {flag.text}{where}")
    return lines


def table_rows(result: "Result", index: int, unit: "LengthUnit") -> list[Row]:
    """Return the rows of one weld; a remark only where a number is missing, since verdicts are said below."""
    rows = quantity_rows(result, index, unit)
    reasons = result.measurements[index].quantities
    return [
        replace(r, limits="", reason="" if r.value else ((reasons[r.key].reason if r.key in reasons else "") or ""))
        for r in rows
    ]


def verdict_lines(result: "Result", index: int, unit: "LengthUnit") -> list[str]:
    """Return one line for every limit: verdict, limit, quantity, mark (read, from memory ...), and why.

    The sentences are in mm; with inches wanted the limit stands before them in inches too.
    """
    verdicts = result.verdicts.per_weld[index] if index < len(result.verdicts.per_weld) else ()
    lines = []
    for v in verdicts:
        bound = limit_text(v, unit) if unit == "in" and v.unit in {"mm", "mm2"} else ""
        why = f"{bound}. {v.text}" if bound else v.text
        lines.append(f"{v.word:<9}  {v.limit}, {v.quantity} [{v.mark}]: {why}")
    return ["", "Limits (verdict, limit, quantity [how the limit is known])", *lines] if lines else []


def grade_lines(result: "Result", sources: str | None = None) -> list[str]:
    """Return the grade and what it rests on; `sources`: the limits as the user named them."""
    verdicts = result.verdicts
    if verdicts.limits_name is None:
        return []
    lines = [f"Grade: {verdicts.grade} (limits {verdicts.limits_name})"]
    if verdicts.rule:
        lines.append(f"Rule: {verdicts.rule}")
    lines += [f"Note: {note}" for note in verdicts.notes]
    return [*lines, f"Sources of the limits: macrocheck limits show {shown(sources or verdicts.limits_name)}"]


def print_result(
    result: "Result", unit: "LengthUnit", *, terminal: bool, width: int, sources: str | None = None
) -> None:
    """Print one result: a ruled, coloured table on a terminal, plain aligned text elsewhere.

    `sources`: the limits as the user named them.
    """
    say = _on_terminal if terminal else _plainly
    say(result_lines(result, unit))
    for index, weld in enumerate(result.outline.welds):
        flags = (*weld.flags, *result.measurements[index].flags)
        threshold = result.measurements[index].settings.get("fusion_threshold_mm")
        head = f"Weld {index + 1}, {weld.joint}"
        if threshold is not None:
            head += f"; unfused means a depth of fusion under {_length(threshold, unit)}"
        say(["", head])
        rows = table_rows(result, index, unit)
        if not any(row.value for row in rows):
            say([f"Nothing could be measured: {'; '.join(dict.fromkeys(row.reason for row in rows))}."])
        elif terminal:
            _ruled_table(rows, width)
        else:
            _plainly([plain_table(rows, PLAIN_WIDTH)])
        say(flag_lines(flags))
        say(verdict_lines(result, index, unit))
    if lines := grade_lines(result, sources):
        say(["", *lines])


def _length(mm: float, unit: "LengthUnit") -> str:
    from macrocheck.units import format_length

    return format_length(mm, unit)


def _plainly(lines: list[str]) -> None:
    import click

    for line in lines:
        click.echo(line)


def _on_terminal(lines: list[str]) -> None:
    from rich.console import Console
    from rich.text import Text

    console = Console()
    for line in lines:
        text = Text(line)
        for word, style in _VERDICT_STYLE.items():
            text.highlight_regex(rf"^(?:Grade: )?{word}\b", style)
        text.highlight_regex(r"^(?:Flag \w+|Weld \d+)", "bold")
        console.print(text)


def _ruled_table(rows: list[Row], width: int) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for title in ("quantity", "value", "± U95", "unit", "verdict", ""):
        numeric = title in {"value", "± U95"}
        table.add_column(title, justify="right" if numeric else "left", no_wrap=title != "", overflow="fold")
    for row in rows:
        cells = (row.name, row.value or "-", row.u95, row.unit, row.verdict, row.reason)
        table.add_row(*(Text(c, style=_VERDICT_STYLE.get(c, "")) for c in cells))
    Console(width=width).print(table)
