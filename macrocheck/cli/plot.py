"""`macrocheck plot`: one picture of what is on a record."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from macrocheck.cli.outcome import DONE
from macrocheck.errors import InputError
from macrocheck.study.relation import FORMS, Form

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from sqlalchemy import Connection

    from macrocheck.units import LengthUnit

Kind = Literal["strip", "profile", "sections", "relation", "control"]
_ENDINGS = (".svg", ".png")


@click.command(
    name="plot",
    epilog="RECORD is a file or a database address such as postgresql+psycopg://HOST/NAME.",
)
@click.argument("record")
@click.argument("kind", type=click.Choice(["strip", "profile", "sections", "relation", "control"]))
@click.option("--to", "to_file", required=True, metavar="FILE.svg|FILE.png", help="The file to write.")
@click.option("--of", "quantity", metavar="QUANTITY", help="strip, relation, control: what is drawn.")
@click.option("--by", metavar="SETTING,...", help="Settings that make the groups: wire_diameter,gas; amps:10.")
@click.option("--x", "settings", metavar="SETTING", help="relation: the setting along the axis, such as amps.")
@click.option("--form", type=click.Choice(FORMS), help="relation: which fit.  [default: the best over --x]")
@click.option(
    "--where", "conditions", multiple=True, metavar="CONDITION", help="Only what fits: gas=CO2. Repeatable."
)
@click.option("--unit", type=click.Choice(["mm", "in"]), default="mm", show_default=True, help="Unit of lengths.")
@click.option("--dpi", type=click.IntRange(50, 1200), default=200, show_default=True, help="PNG: pixels per inch.")
def command(
    record: str,
    kind: Kind,
    to_file: str,
    quantity: str | None,
    by: str | None,
    settings: str | None,
    form: Form | None,
    conditions: tuple[str, ...],
    unit: Literal["mm", "in"],
    dpi: int,
) -> int:
    """Draw what is on RECORD as SVG or PNG.

    strip: every coupon of a quantity by group, with limits and intervals. profile: penetration along both legs.
    sections: all sections laid on one another by their joint roots. relation: a quantity over a setting, with
    bands. control: a quantity by date, individuals and moving range.
    """
    from macrocheck.paths import shown
    from macrocheck.record.engine import reading
    from macrocheck.record.store import open_record
    from macrocheck.report.plots.style import need_library, to_png, to_svg
    from macrocheck.writing import write_whole

    if Path(to_file).suffix.lower() not in _ENDINGS:
        msg = f"{shown(to_file)} must end in .svg or .png."
        raise InputError(msg)
    if kind == "relation" and not settings:
        msg = "A relation needs the setting along the axis, such as --x amps."
        raise click.UsageError(msg)
    need_library()
    with open_record(record) as opened, reading(opened.engine, opened.name) as conn:
        figure = _figure(conn, opened.name, kind, quantity, by, settings, form, conditions, unit)
    write_whole(to_file, to_svg(figure) if to_file.lower().endswith(".svg") else to_png(figure, dpi))
    click.echo(f"Wrote {shown(to_file)}")
    return DONE


def _figure(
    conn: "Connection",
    name: str,
    kind: Kind,
    quantity: str | None,
    by: str | None,
    settings: str | None,
    form: Form | None,
    conditions: Sequence[str],
    unit: "LengthUnit",
) -> "Figure":
    from macrocheck.cli.report_study import comparison_of, listed, quantities_of, relation_of
    from macrocheck.report.plots.control import control_chart
    from macrocheck.report.plots.relation import relation_plot
    from macrocheck.report.plots.strip import strip_plot
    from macrocheck.study.data import name_and_unit

    key = quantities_of(conn, listed(quantity))[0]
    if kind == "relation":
        relation = relation_of(conn, name, x=listed(settings), y=key, conditions=conditions)
        return relation_plot(relation, form, unit)
    comparison, groups = comparison_of(conn, name, by=by, quantities=[key], conditions=conditions)
    if kind == "strip":
        return strip_plot(comparison, key, unit)
    if kind == "control":
        from macrocheck.report.pages.plots_view import coupon_values

        title, measured_in = name_and_unit(key)
        values, low, high = coupon_values(comparison, key)
        return control_chart(values, title, measured_in, unit, at_least=low, at_most=high)
    return _of_shapes(conn, name, kind, groups, conditions, unit)


def _of_shapes(
    conn: "Connection",
    name: str,
    kind: Kind,
    groups: Sequence[tuple[str, Sequence[str]]],
    conditions: Sequence[str],
    unit: "LengthUnit",
) -> "Figure":
    from macrocheck.record.query import parse_filter
    from macrocheck.report.pages.gather import chosen_sections, coupon_facts
    from macrocheck.report.pages.plots_view import (
        fusion_threshold,
        section_shapes,
        shapes_by_group,
    )
    from macrocheck.report.plots.profile import profile_plot
    from macrocheck.report.plots.section import section_plot

    chosen = chosen_sections(conn, name, (), [parse_filter(c) for c in conditions])
    facts = [coupon_facts(conn, coupon, sections) for coupon, sections in chosen.items()]
    grouped = shapes_by_group(section_shapes(facts), groups)
    if kind == "profile":
        return profile_plot(grouped, unit, threshold_mm=fusion_threshold(facts))
    return section_plot(grouped, unit)
