"""`macrocheck compare PHOTO PHOTO ...`: measured, drawn side by side, differences printed."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from macrocheck.calibrate import settle_height
from macrocheck.cli.outcome import DONE
from macrocheck.cli.study_tables import answer, table
from macrocheck.errors import InputError, MacrocheckError
from macrocheck.paths import shown, stems
from macrocheck.pipeline import JointChoice, measure_read_photo
from macrocheck.reading import read_photo
from macrocheck.report.encode import encode_png
from macrocheck.report.numbers import shown_unit
from macrocheck.study.photos import MOST_PHOTOS, compare_results
from macrocheck.study.side_by_side import difference_text, difference_value, draw_side_by_side
from macrocheck.writing import write_together

if TYPE_CHECKING:
    from macrocheck.study.photo_comparison import ComparedQuantity, PhotoComparison

PICTURE = Path("compared.png")


def compare_photos(
    paths: Sequence[str],
    marks: Sequence[str],
    joint: JointChoice,
    quantities: Sequence[str],
    *,
    mark_offset: str | None = None,
    camera_distance: str | None = None,
    outlines: Sequence[str],
    weld: int,
    picture: Path | None,
    unit: Literal["mm", "in"],
    json_to: str | None,
) -> int:
    """Measure the photos, write the picture, print the table; raises InputError where one cannot be measured.

    `mark_offset` and `camera_distance` hold for all photos."""
    if len(paths) > MOST_PHOTOS:
        msg = f"{len(paths)} photos are more than one picture can hold ({MOST_PHOTOS}); put them on a record."
        raise InputError(msg)
    settle_height(mark_offset, camera_distance)
    marks_of = _marks(marks, len(paths))
    outline_of = {n: text for n, text in (_numbered(o, len(paths), "--outline") for o in outlines) if n is not None}
    if len(outline_of) < len(outlines):
        msg = "--outline says of which photo it is, once each: --outline 2:corrected.geojson."
        raise click.UsageError(msg)
    photos, results = [], []
    for number, path in enumerate(paths, 1):
        try:
            photos.append(read_photo(path))
            outline = outline_of.get(number)
            results.append(
                measure_read_photo(
                    photos[-1],
                    mark=marks_of[number],
                    mark_offset=mark_offset,
                    camera_distance=camera_distance,
                    joint=joint,
                    outline=outline,
                )
            )
        except MacrocheckError as error:
            text = str(error)
            raise type(error)(text if shown(path) in text else f"{shown(path)}: {text}") from error
    found = compare_results(results, [shown(n) for n in stems(paths)], weld=weld, quantities=quantities)
    target = picture or PICTURE
    write_together({target: encode_png(draw_side_by_side(photos, results, found, unit=unit))})
    answer(found.to_json(), comparison_lines(found, unit), json_to)
    if json_to != "-":
        click.echo(f"Wrote {shown(target)}")
    return DONE


def _marks(marks: Sequence[str], count: int) -> dict[int, list[str]]:
    """Return the marks of each photo, from 1: its own where there are any, else those for all."""
    from macrocheck.calibrate import parse_mark

    numbered = [_numbered(mark, count, "--mark") for mark in marks]
    for _, mark in numbered:
        parse_mark(mark)
    common = [mark for number, mark in numbered if number is None]
    made = {n: [mark for number, mark in numbered if number == n] or common for n in range(1, count + 1)}
    bare = next((n for n, found in made.items() if not found), None)
    if bare is not None:
        msg = f"Photo {bare} has no mark; state one for all (--mark bar:5mm) or for it (--mark {bare}:bar:5mm)."
        raise click.UsageError(msg)
    return made


def _numbered(text: str, count: int, option: str) -> tuple[int | None, str]:
    """Read "2:bar:5mm" as (2, "bar:5mm"), and "bar:5mm" as (None, "bar:5mm")."""
    first, colon, rest = text.partition(":")
    if not (colon and first.isdecimal()):
        return None, text
    number = int(first)
    if not 1 <= number <= count:
        msg = f"{option} {text}: there are {count} photos, numbered from 1."
        raise click.UsageError(msg)
    return number, rest


def comparison_lines(found: "PhotoComparison", unit: Literal["mm", "in"]) -> list[str]:
    """Return the photos, their values and differences, notes and cautions as lines."""
    letters = [chr(ord("A") + i) for i in range(len(found.names))]
    lines = [f"{letter}: {name}" for letter, name in zip(letters, found.names, strict=True)]
    rows = [_row(r, unit) for r in found.rows if any(q is not None and q.value is not None for q in r.values)]
    head = ("quantity", "unit", *letters, *(f"{x} less A" for x in letters[1:]))
    lines += ["", *table(head, rows)]
    lines.append("* the difference exceeds the joint U95 of the two photos; ± is U95.")
    empty = [r.name for r in found.rows if all(q is None or q.value is None for q in r.values)]
    if empty:
        lines.append(f"Without a number in any photo: {', '.join(empty)}.")
    lines += ["", *(f"Note: {note}" for note in found.notes)]
    return [*lines, "", *(f"Caution: {c}" for c in found.cautions)]


def _row(row: "ComparedQuantity", unit: Literal["mm", "in"]) -> tuple[str, ...]:
    differences = (
        difference_text(d.difference, d.U95, row.unit, unit) + ("*" if d.exceeds else " ") for d in row.differences
    )
    return (
        row.name,
        shown_unit(row.unit, unit),
        *(difference_value(q, unit) for q in row.values),
        *differences,
    )
