"""`macrocheck report`: coupons of a record as one page to hand over, HTML or PDF."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from macrocheck.cli.outcome import DONE
from macrocheck.errors import InputError

if TYPE_CHECKING:
    from macrocheck.record.store import Record
    from macrocheck.report.pages.build import Checked
    from macrocheck.report.pages.view import ReportView
    from macrocheck.units import LengthUnit

_LARGE = 300
"""Sections in a PDF whose memory is worth a word before it is made."""
_GB_A_SECTION = 0.009
"""Memory while a PDF is set; measured on 200 coupons, two pages a section."""
_KINDS = {".html": "html", ".htm": "html", ".pdf": "pdf"}


@click.command(
    name="report",
    epilog="RECORD is a file or a database address such as postgresql+psycopg://HOST/NAME.",
)
@click.argument("record")
@click.argument("coupons", nargs=-1, metavar="[COUPON]...")
@click.option("--to", "to_file", required=True, metavar="FILE.html|FILE.pdf", help="The file to write.")
@click.option(
    "--by", metavar="SETTING,...", help="Settings that make the groups: wire_diameter,gas; amps:10 in steps."
)
@click.option("--of", "quantities", metavar="QUANTITY,...", help="What is compared and plotted.")
@click.option("--x", "settings", metavar="SETTING,...", help="Add how it follows these settings: amps.")
@click.option(
    "--where",
    "conditions",
    multiple=True,
    metavar="CONDITION",
    help="Only what fits: amps>=170, operator=Kim, grade=reject. Repeatable.",
)
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Paper size.")
@click.option("--unit", type=click.Choice(["mm", "in"]), default="mm", show_default=True, help="Unit of lengths.")
@click.option("--verify", is_flag=True, help="Check the whole record first and say so in the report.")
@click.option("--title", metavar="TEXT", help="Title of the report.")
@click.option(
    "--photos", type=click.Path(path_type=Path), metavar="DIR", help="Folder of photos kept beside the record."
)
def command(
    record: str,
    coupons: tuple[str, ...],
    to_file: str,
    by: str | None,
    quantities: str | None,
    settings: str | None,
    conditions: tuple[str, ...],
    paper: Literal["a4", "letter"],
    unit: Literal["mm", "in"],
    verify: bool,
    title: str | None,
    photos: Path | None,
) -> int:
    """Write a report on RECORD, or on some COUPONs of it: table, comparison and plots first, then every coupon.

    One HTML file that needs nothing else, or a tagged PDF of the same. A photograph that is no longer found is
    replaced by its outline.
    """
    from macrocheck.cli.record_show import caution_line
    from macrocheck.paths import shown
    from macrocheck.record.store import open_record
    from macrocheck.report.pages.html import html_page, need_templates
    from macrocheck.report.pages.pdf import need_library, pdf_bytes
    from macrocheck.report.pages.wording import plural
    from macrocheck.report.plots.style import need_library as need_plots
    from macrocheck.writing import write_whole

    kind = _KINDS.get(Path(to_file).suffix.lower())
    if kind is None:
        msg = f"{shown(to_file)} must end in .html or .pdf."
        raise InputError(msg)
    if not Path(to_file).absolute().parent.is_dir():
        msg = f"{shown(to_file)} cannot be written: its folder does not exist."
        raise InputError(msg)
    need_templates()
    need_plots()
    if kind == "pdf":
        need_library()
    with open_record(record, photos=photos) as opened:
        view = _view(
            opened,
            coupons,
            by,
            quantities,
            settings,
            conditions,
            unit,
            paper,
            title,
            checked=_checked(opened, verify),
        )
    sections = sum(len(c.sections) for c in view.coupons)
    if kind == "pdf" and sections > _LARGE:
        click.echo(
            f"A PDF of {sections} sections takes some {sections * _GB_A_SECTION:.0f} GB of memory to make; an "
            ".html takes little, and --where or names of coupons make it shorter.",
            err=True,
        )
    content = html_page(view).encode("utf-8", "backslashreplace") if kind == "html" else pdf_bytes(view)
    write_whole(to_file, content)
    click.echo(f"Wrote {shown(to_file)}: {plural(len(view.coupons), 'coupon')}, {len(content) / 1e6:.1f} MB")
    click.echo(caution_line())
    return DONE


def _checked(opened: "Record", wanted: bool) -> "Checked | None":
    if not wanted:
        return None
    from macrocheck.record.verify import verify
    from macrocheck.report.pages.build import Checked

    found = verify(opened)
    return Checked(found.revisions, found.faults)


def _view(
    opened: "Record",
    coupons: Sequence[str],
    by: str | None,
    quantities: str | None,
    settings: str | None,
    conditions: Sequence[str],
    unit: "LengthUnit",
    paper: str,
    title: str | None,
    *,
    checked: "Checked | None",
) -> "ReportView":
    from macrocheck.cli.report_study import comparison_of, listed, quantities_of, relation_of
    from macrocheck.record.engine import reading
    from macrocheck.record.query import parse_filter
    from macrocheck.report.pages.build import ReportWish, report_view
    from macrocheck.report.pages.gather import chosen_sections, coupon_facts, record_facts

    filters = [parse_filter(c) for c in conditions]
    comparison, worded, relations = None, None, []
    groups: list[tuple[str, list[str]]] = []
    with reading(opened.engine, opened.name) as conn:
        chosen = chosen_sections(conn, opened.name, coupons, filters)
        facts = [coupon_facts(conn, coupon, sections) for coupon, sections in chosen.items()]
        about = record_facts(conn, opened.name)
        measured = any(s.document is not None for c in facts for s in c.sections)
        if measured and (len(facts) > 1 or by or quantities or settings):
            keys = quantities_of(conn, listed(quantities))
            comparison, groups = comparison_of(
                conn, opened.name, by=by, quantities=keys, conditions=conditions, coupons=chosen
            )
            worded = comparison
            if unit != "mm":
                worded, _ = comparison_of(
                    conn,
                    opened.name,
                    by=by,
                    quantities=keys,
                    conditions=conditions,
                    coupons=chosen,
                    lengths=unit,
                )
            x = listed(settings)
            relations = [
                relation_of(conn, opened.name, x=x, y=key, conditions=conditions, coupons=chosen)
                for key in (keys if x else ())
            ]
    wish = ReportWish(unit, paper, title or "", listed(quantities), listed(by), tuple(conditions))
    return report_view(
        about,
        facts,
        opened.photos,
        wish,
        comparison=comparison,
        worded=worded,
        groups=groups,
        relations=relations,
        checked=checked,
    )
