"""`macrocheck repeat`: how far the measuring agrees with itself."""

from typing import Literal

import click

from macrocheck.cli.outcome import DONE


@click.command(
    name="repeat",
    epilog="RECORD is a file or a database address such as postgresql+psycopg://HOST/NAME.",
)
@click.argument("record")
@click.option("--of", "quantities", metavar="QUANTITY,...", help="What is studied.  [default: the usual ones]")
@click.option(
    "--where", "conditions", multiple=True, metavar="CONDITION", help="Only what fits: run=gauge. Repeatable."
)
@click.option(
    "--photos-after",
    metavar="TEXT",
    help="Sections alike up to TEXT are photos of one section: with . S1.a and S1.b show S1.",
)
@click.option("--people-only", is_flag=True, help="Leave out outlines as macrocheck found them.")
@click.option("--confidence", metavar="PERCENT", help="Confidence of intervals.  [default: 95 %]")
@click.option(
    "--unit", type=click.Choice(["mm", "in"]), default="mm", show_default=True, help="Unit of what was measured."
)
@click.option("--json", "json_to", metavar="FILE|-", help="Write everything as JSON; - is standard output.")
def command(
    record: str,
    quantities: str | None,
    conditions: tuple[str, ...],
    photos_after: str | None,
    people_only: bool,
    confidence: str | None,
    unit: Literal["mm", "in"],
    json_to: str | None,
) -> int:
    """Study repeatability and reproducibility of the measuring on RECORD, as a gauge study.

    Every revision of a section counts as a reading that measured anew: another outline, photo or mark. Who
    corrected or drew the outline is the person; an outline as found is macrocheck's.
    """
    from macrocheck.cli.study_options import fraction
    from macrocheck.cli.study_tables import answer
    from macrocheck.cli.study_tables_gauge import gauge_lines
    from macrocheck.record.engine import reading
    from macrocheck.record.query import parse_filter
    from macrocheck.record.store import open_record
    from macrocheck.study.gather import settled_quantities, usual_quantities
    from macrocheck.study.gather_readings import readings_of
    from macrocheck.study.repeat import repeatability
    from macrocheck.study.values import CONFIDENCE

    sure = fraction(confidence, "--confidence", CONFIDENCE)
    if photos_after is not None and not photos_after:
        msg = "--photos-after needs the text that parts a section's name from its photo's, such as '.'."
        raise click.UsageError(msg)
    filters = [parse_filter(c) for c in conditions]
    keys = tuple(q.strip() for q in quantities.split(",") if q.strip()) if quantities else ()
    with open_record(record) as opened, reading(opened.engine, opened.name) as conn:
        wanted = settled_quantities(conn, keys) if keys else usual_quantities(conn)
        readings = readings_of(conn, wanted, filters, photos_after=photos_after, people_only=people_only)
    found = repeatability(readings, record=opened.name, where=conditions, confidence=sure, lengths=unit)
    answer(found.to_json(), gauge_lines(found), json_to)
    return DONE
