"""`macrocheck measure`: photographs in; tables, files and one JSON document out."""

import shutil
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from macrocheck.cli.files import output_file, output_folder, write_files, write_json
from macrocheck.cli.outcome import BAD_INPUT, details_wanted, sentence, status_of, worst
from macrocheck.errors import InputError
from macrocheck.paths import stems
from macrocheck.pipeline import FUSION_THRESHOLD_MM, JOINTS, JointChoice

if TYPE_CHECKING:
    from macrocheck.grade import LimitSet
    from macrocheck.photo import Photo
    from macrocheck.results import Result

FAILURE_FORMAT = "macrocheck-failure"
"""Format name of what stands in the JSON for a photograph that could not be measured."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What the command line asks for, every option read; `sources`: the limits as they were named."""

    marks: tuple[str, ...]
    mark_offset: str | None
    camera_distance: str | None
    joint: JointChoice
    limits: "LimitSet | None"
    sources: str | None
    given: dict[str, float]
    guard: float | None
    outline: Path | None
    hints: tuple[str, ...]
    fusion_threshold_mm: float
    out: Path | None


@click.command(name="measure")
@click.argument("photos", nargs=-1, required=True, metavar="PHOTO...")
@click.option(
    "--mark",
    "marks",
    multiple=True,
    metavar="MARK",
    help="What gives the scale, required: bar:10mm, ruler:1mm, disc:20mm, points:x1,y1,x2,y2=10mm ... Repeatable.",
)
@click.option(
    "--mark-offset",
    metavar="LENGTH",
    help="How much nearer to the camera than the section the marks beside it lie; negative where further.",
)
@click.option("--camera-distance", metavar="LENGTH", help="From the lens to the section; with --mark-offset.")
@click.option("--joint", type=click.Choice(JOINTS), default="auto", show_default=True, help="Kind of joint.")
@click.option("--limits", metavar="FILE|NAME", help="Grade against a limits file or a shipped set.")
@click.option(
    "--given", "pairs", multiple=True, metavar="NAME=LENGTH", help="t, a, z, b or s for the limits: t=8mm, t=14ga."
)
@click.option(
    "--guard", type=click.FloatRange(0, 10), metavar="N", help="Guard band of N x U95; 0 is simple acceptance."
)
@click.option(
    "--unit", type=click.Choice(["mm", "in"]), default="mm", show_default=True, help="Unit of the tables."
)
@click.option(
    "--outline", type=click.Path(path_type=Path), metavar="FILE", help="Measure this outline (GeoJSON); one photo."
)
@click.option("--hint", "hints", multiple=True, metavar="KIND=X,Y", help="Point that steers the search; one photo.")
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="DIR", help="Write overlay, outline and result files there."
)
@click.option("--json", "json_to", metavar="FILE|-", help="Write the result as JSON; - is standard output.")
@click.option(
    "--fusion-threshold",
    metavar="LENGTH",
    help=f"Depth of fusion under which a stretch is unfused.  [default: {FUSION_THRESHOLD_MM}mm]",
)
def command(
    photos: tuple[str, ...],
    marks: tuple[str, ...],
    mark_offset: str | None,
    camera_distance: str | None,
    joint: JointChoice,
    limits: str | None,
    pairs: tuple[str, ...],
    guard: float | None,
    unit: Literal["mm", "in"],
    outline: Path | None,
    hints: tuple[str, ...],
    out: Path | None,
    json_to: str | None,
    fusion_threshold: str | None,
) -> int:
    """Measure the welds in photographs and grade them.

    Lengths are written with their unit: 4.8mm, 3/16in, 0.19in.

    Exit status: 0 measured (and accepted where graded), 1 a limit rejected, 3 undecided, 2 bad input; the worst of
    several photos counts (2, 1, 3, 0), and one bad photo does not stop the others.
    """
    if not marks:
        from macrocheck.calibrate import ask_for_mark

        raise click.UsageError(ask_for_mark())
    if len(photos) > 1 and (outline is not None or hints):
        msg = "--outline and --hint hold for one photo; measure the photos one at a time."
        raise click.UsageError(msg)
    if outline is not None and hints:
        msg = "--hint steers the search for an outline, and --outline is one already; leave one of them out."
        raise click.UsageError(msg)
    if limits is None and (pairs or guard is not None):
        msg = "--given and --guard are only of use with --limits."
        raise click.UsageError(msg)
    output_file(json_to)
    wish = Wish(
        marks=_checked_marks(marks, mark_offset, camera_distance),
        mark_offset=mark_offset,
        camera_distance=camera_distance,
        joint=joint,
        limits=_limits(limits),
        sources=limits,
        given=_given(pairs),
        guard=guard,
        outline=outline,
        hints=hints,
        fusion_threshold_mm=_threshold(fusion_threshold),
        out=output_folder(out),
    )
    quiet = json_to == "-"
    documents: list[dict[str, object]] = []
    statuses = []
    for path, stem in zip(photos, stems(photos), strict=True):
        document, status = _one(path, stem, wish, unit=unit, quiet=quiet)
        documents.append(document)
        statuses.append(status)
    if any(d["format"] != FAILURE_FORMAT for d in documents) and not quiet:
        _caution()
    if json_to is not None:
        write_json(documents if len(photos) > 1 else documents[0], json_to)
    return worst(statuses)


def _one(
    path: str, stem: str, wish: Wish, *, unit: Literal["mm", "in"], quiet: bool
) -> tuple[dict[str, object], int]:
    """Measure one photo, write its files, print it; return its JSON document and exit status."""
    try:
        photo, result = _measure(path, wish)
        document = result.to_json()
    except Exception as error:
        if details_wanted(error):
            raise
        text = sentence(error)
        click.echo(f"macrocheck: {_named(path, text)}", err=True)
        return _failure(path, text), BAD_INPUT
    if not quiet:
        _print(result, unit, wish.sources)
    try:
        written = write_files(photo, result, wish.out, stem, unit=unit, keep=wish.outline) if wish.out else []
    except Exception as error:
        if details_wanted(error):
            raise
        click.echo(f"macrocheck: {sentence(error)}", err=True)
        return document, BAD_INPUT
    if written and not quiet:
        click.echo(f"Wrote {', '.join(written)}")
    return document, status_of(document)


def _measure(path: str, wish: Wish) -> "tuple[Photo, Result]":
    from macrocheck.pipeline import measure_read_photo
    from macrocheck.reading import read_photo

    photo = read_photo(path)
    result = measure_read_photo(
        photo,
        mark=wish.marks,
        joint=wish.joint,
        limits=wish.limits,
        given=wish.given,
        guard=wish.guard,
        outline=wish.outline,
        hints=wish.hints,
        fusion_threshold_mm=wish.fusion_threshold_mm,
        mark_offset=wish.mark_offset,
        camera_distance=wish.camera_distance,
    )
    return photo, result


def _named(path: str, text: str) -> str:
    """Put the photo's name before a sentence that does not hold it."""
    from macrocheck.paths import shown

    return text if shown(path) in text else f"{shown(path)}: {text}"


def _failure(path: str, text: str) -> dict[str, object]:
    from macrocheck import __version__
    from macrocheck.paths import shown

    return {
        "format": FAILURE_FORMAT,
        "format_version": 1,
        "photo": {"path": shown(path)},
        "error": text,
        "version": __version__,
    }


def _print(result: "Result", unit: Literal["mm", "in"], sources: str | None) -> None:
    from macrocheck.cli.show import print_result

    width = max(80, shutil.get_terminal_size((100, 24)).columns)
    print_result(result, unit, terminal=on_terminal(), width=width, sources=sources)


def on_terminal() -> bool:
    """Tell whether a person is looking at standard output."""
    return sys.stdout.isatty()


def _caution() -> None:
    from macrocheck.results import CAUTIONS

    click.echo("")
    for caution in CAUTIONS:
        click.echo(f"Caution: {caution}")


def _checked_marks(marks: tuple[str, ...], offset: str | None, distance: str | None) -> tuple[str, ...]:
    """Refuse a mark or a height that cannot be read once, not with every photo."""
    from macrocheck.calibrate import parse_mark, settle_height

    settle_height(offset, distance)

    for mark in marks:
        parse_mark(mark)
    return marks


def _limits(name: str | None) -> "LimitSet | None":
    from macrocheck.pipeline import settle_limits

    return settle_limits(name)


def _given(pairs: Sequence[str]) -> dict[str, float]:
    if not pairs:
        return {}
    from macrocheck.grade import parse_given

    return parse_given(pairs)


def _threshold(text: str | None) -> float:
    if text is None:
        return FUSION_THRESHOLD_MM
    from macrocheck.units import parse_length

    try:
        return parse_length(text)
    except InputError as error:
        msg = f"--fusion-threshold: {error}"
        raise InputError(msg) from None
