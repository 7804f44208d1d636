"""`macrocheck compare`: what groups of coupons on a record did, or photographs beside each other."""

from collections.abc import Mapping
from pathlib import Path
from typing import Literal

import click

from macrocheck.cli.outcome import DONE
from macrocheck.pipeline import JOINTS, JointChoice

_FOR_RECORD = ("by", "conditions", "confidence", "share")
_FOR_PHOTOS = ("marks", "mark_offset", "camera_distance", "outlines", "joint", "picture", "welds")


@click.command(
    name="compare",
    epilog="RECORD is a file or a database address such as postgresql+psycopg://HOST/NAME.",
)
@click.argument("subjects", nargs=-1, required=True, metavar="RECORD|PHOTO...")
@click.option(
    "--by", metavar="SETTING,...", help="Settings that make the groups: wire_diameter,gas; amps:10 in steps."
)
@click.option("--of", "quantities", metavar="QUANTITY,...", help="What is compared.  [default: the usual ones]")
@click.option(
    "--where",
    "conditions",
    multiple=True,
    metavar="CONDITION",
    help="Only what fits: amps>=170, operator=Kim. Repeatable.",
)
@click.option("--confidence", metavar="PERCENT", help="Confidence of intervals and bounds.  [default: 95 %]")
@click.option("--share", metavar="PERCENT", help="Share of the coupons that the bound speaks of.  [default: 90 %]")
@click.option(
    "--mark",
    "marks",
    multiple=True,
    metavar="[N:]MARK",
    help="Photos: reference mark, as in measure; 2:bar:5mm holds for the second photo only. Repeatable.",
)
@click.option(
    "--mark-offset",
    metavar="LENGTH",
    help="Photos: how much nearer to the camera than the sections the marks lie, as in measure.",
)
@click.option("--camera-distance", metavar="LENGTH", help="Photos: from the lens to the section, as in measure.")
@click.option(
    "--outline",
    "outlines",
    multiple=True,
    metavar="N:FILE",
    help="Photos: outline (GeoJSON) of photo N. Repeatable.",
)
@click.option("--joint", type=click.Choice(JOINTS), help="Photos: kind of joint.  [default: auto]")
@click.option(
    "--weld", "welds", type=click.IntRange(1), metavar="N", help="Photos: which weld of each.  [default: 1]"
)
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Photos: where the sections are drawn side by side (PNG).  [default: compared.png]",
)
@click.option(
    "--unit", type=click.Choice(["mm", "in"]), default="mm", show_default=True, help="Unit of what was measured."
)
@click.option("--json", "json_to", metavar="FILE|-", help="Write everything as JSON; - is standard output.")
def command(
    subjects: tuple[str, ...],
    by: str | None,
    quantities: str | None,
    conditions: tuple[str, ...],
    confidence: str | None,
    share: str | None,
    marks: tuple[str, ...],
    mark_offset: str | None,
    camera_distance: str | None,
    outlines: tuple[str, ...],
    joint: JointChoice | None,
    welds: int | None,
    picture: Path | None,
    unit: Literal["mm", "in"],
    json_to: str | None,
) -> int:
    """Compare groups of coupons on RECORD, or two or more PHOTOs section by section.

    Of each group: how many, mean, spread, the worst, the share accepted, and a bound that most such coupons keep;
    then the differences between groups with their intervals. Sections of one coupon never count as independent.
    """
    given = {
        "by": by, "conditions": conditions, "confidence": confidence, "share": share,
        "marks": marks, "mark_offset": mark_offset, "camera_distance": camera_distance,
        "outlines": outlines, "joint": joint, "picture": picture, "welds": welds,
    }  # fmt: skip
    keys = tuple(q.strip() for q in quantities.split(",") if q.strip()) if quantities else ()
    if len(subjects) == 1 and not marks:
        _refuse(given, _FOR_PHOTOS, "for photos; name two or more of them, with --mark")
        return _record(subjects[0], by, keys, conditions, confidence, share, unit, json_to)
    if len(subjects) == 1:
        msg = "--mark is for photos: name two or more of them; a record needs none."
        raise click.UsageError(msg)
    if not marks:
        msg = "State the mark in the photos, such as --mark ruler:1mm; of records, name one."
        raise click.UsageError(msg)
    _refuse(given, _FOR_RECORD, "for a record, not for photos")
    from macrocheck.cli.compare_photos import compare_photos

    return compare_photos(
        subjects,
        marks,
        joint or "auto",
        keys,
        mark_offset=mark_offset,
        camera_distance=camera_distance,
        outlines=outlines,
        weld=welds or 1,
        picture=picture,
        unit=unit,
        json_to=json_to,
    )


def _refuse(given: Mapping[str, object], names: tuple[str, ...], why: str) -> None:
    options = {
        "conditions": "where", "marks": "mark", "outlines": "outline", "welds": "weld",
        "mark_offset": "mark-offset", "camera_distance": "camera-distance",
    }  # fmt: skip
    wrong = [f"--{options.get(n, n)}" for n in names if given[n]]
    if wrong:
        msg = f"{', '.join(wrong)} {'is' if len(wrong) == 1 else 'are'} {why}."
        raise click.UsageError(msg)


def _record(
    where: str,
    by: str | None,
    keys: tuple[str, ...],
    conditions: tuple[str, ...],
    confidence: str | None,
    share: str | None,
    unit: Literal["mm", "in"],
    json_to: str | None,
) -> int:
    from macrocheck.cli.study_options import fraction
    from macrocheck.cli.study_tables import answer, comparison_lines
    from macrocheck.record.engine import reading
    from macrocheck.record.query import parse_filter
    from macrocheck.record.store import open_record
    from macrocheck.study.compare import SHARE, By, compare, parse_by
    from macrocheck.study.gather import coupons_of, settled_quantities, settled_settings, usual_quantities
    from macrocheck.study.values import CONFIDENCE

    sure = fraction(confidence, "--confidence", CONFIDENCE)
    most = fraction(share, "--share", SHARE)
    wanted = parse_by(by) if by else ()
    filters = [parse_filter(c) for c in conditions]
    with open_record(where) as opened, reading(opened.engine, opened.name) as conn:
        quantities = settled_quantities(conn, keys) if keys else usual_quantities(conn)
        names = [settled_settings(conn, [b.name])[0] for b in wanted]
        coupons = coupons_of(conn, quantities, filters)
    found = compare(
        coupons,
        by=[By(name, b.step) for name, b in zip(names, wanted, strict=True)],
        quantities=quantities,
        record=opened.name,
        where=conditions,
        confidence=sure,
        share=most,
        lengths=unit,
    )
    answer(found.to_json(), comparison_lines(found), json_to)
    return DONE
