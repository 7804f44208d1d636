"""`macrocheck run`: a sheet of coupons, checked and measured onto a test record."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from macrocheck.cli.outcome import BAD_INPUT, DONE, counted, worst
from macrocheck.pipeline import FUSION_THRESHOLD_MM
from macrocheck.run.work import TIME_LIMIT_S

if TYPE_CHECKING:
    from macrocheck.record.store import Record
    from macrocheck.run.drive import RunOutcome
    from macrocheck.run.pool import Job
    from macrocheck.run.sheet import RunSheet
    from macrocheck.run.work import LimitsText, Outcome

_path = click.Path(path_type=Path)
_marks = click.option("--mark", "marks", multiple=True, metavar="MARK", help="Mark for rows without one.")


@click.group(name="run")
def command() -> None:
    """Measure a whole sheet of coupons onto a test record."""


@command.command("new")
@click.argument("sheet", type=_path)
def new(sheet: Path) -> None:
    """Write an empty sheet (.csv or .xlsx) with its columns explained."""
    from macrocheck.paths import shown
    from macrocheck.run.blank import write_blank

    write_blank(sheet)
    click.echo(f"Wrote {shown(sheet)}; fill in a row a coupon, then: macrocheck run check {shown(sheet)}")


@command.command("check", short_help="List every fault of a sheet with its cell.")
@click.argument("sheet", type=_path)
@_marks
def check(sheet: Path, marks: tuple[str, ...]) -> int:
    """List every fault of a sheet with its cell, before anything is measured.

    Exit status: 0 no fault, 2 faults.
    """
    read = _read(sheet, marks)
    return BAD_INPUT if _say_faults(read) else DONE


@command.command("measure", short_help="Measure the coupons of a sheet that are missing or changed.")
@click.argument("sheet", type=_path)
@click.option("--record", required=True, metavar="RECORD", help="File of the record, made if need be, or address.")
@click.option("--limits", metavar="FILE|NAME", help="Grade against a limits file or a shipped set.")
@click.option("--given", "pairs", multiple=True, metavar="NAME=LENGTH", help="t, a, z, b, s where no cell says it.")
@click.option("--guard", type=click.FloatRange(0, 10), metavar="N", help="Guard band of N x U95; 0: simple.")
@_marks
@click.option("--fusion-threshold", metavar="LENGTH", help=f"As in measure.  [default: {FUSION_THRESHOLD_MM}mm]")
@click.option("--jobs", type=click.IntRange(1, 256), metavar="N", help="Processes at once.  [default: one a core]")
@click.option(
    "--time-limit",
    "time_limit_s",
    type=click.FloatRange(1, 86_400),
    default=TIME_LIMIT_S,
    show_default=True,
    metavar="SECONDS",
    help="Give a photo up after this long.",
)
@click.option("--cluster", metavar="tcp://HOST:PORT", help="Measure on an existing Dask cluster instead.")
@click.option("--skip-faults", is_flag=True, help="Measure the rows without a fault even if others have one.")
@click.option(
    "--keep-photos",
    "keep",
    type=click.Choice(["no", "beside", "inside"]),
    default="beside",
    show_default=True,
    help="Where the photographs' files are kept.",
)
@click.option("--photos", type=_path, metavar="DIR", help="Folder of photos kept beside.")
@click.option("--run", "name", metavar="NAME", help="Name of the run on the record.  [default: the sheet's]")
@click.option("--reason", help="Why coupons that are on the record are measured again.")
@click.option("--by", metavar="NAME", help="Who measures.  [default: your user name]")
def measure(
    sheet: Path,
    record: str,
    limits: str | None,
    pairs: tuple[str, ...],
    guard: float | None,
    marks: tuple[str, ...],
    fusion_threshold: str | None,
    jobs: int | None,
    time_limit_s: float,
    cluster: str | None,
    skip_faults: bool,
    keep: Literal["no", "beside", "inside"],
    photos: Path | None,
    name: str | None,
    reason: str | None,
    by: str | None,
) -> int:
    """Measure the coupons of SHEET that are not on the record yet, or whose inputs changed.

    May be stopped at any moment and called again: what is finished stays. The exit status is the worst of all
    coupons, as in measure: 2 not measured, 1 rejected, 3 undecided, 0.
    """
    from macrocheck.cores import cores
    from macrocheck.record.store import open_record
    from macrocheck.run.plan import RunWish
    from macrocheck.run.pool import measure_here
    from macrocheck.units import parse_length

    if cluster is not None and jobs is not None:
        msg = "--jobs is for this machine; a cluster has its own workers."
        raise click.UsageError(msg)
    if limits is None and (pairs or guard is not None):
        msg = "--given and --guard are only of use with --limits."
        raise click.UsageError(msg)
    read = _read(sheet, marks)
    if _say_faults(read, brief=True) and not (skip_faults and read.coupons):
        click.echo("Nothing was measured; put these right, or measure the other rows with --skip-faults.", err=True)
        return BAD_INPUT
    wish = RunWish(
        run=name or sheet.stem,
        limits=_limits(limits),
        given=_given(pairs),
        guard=guard,
        fusion_threshold_mm=parse_length(fusion_threshold) if fusion_threshold else FUSION_THRESHOLD_MM,
        reason=reason,
    )
    from macrocheck.cli.run_progress import Progress
    from macrocheck.run.drive import measure_run

    def measure_work(work: "Sequence[Job]") -> "Iterator[tuple[int, tuple[Outcome, ...]]]":
        if cluster is None:
            return measure_here(work, jobs or cores(), time_limit_s)
        from macrocheck.run.cluster import measure_on_cluster

        return measure_on_cluster(work, cluster, time_limit_s)

    with open_record(record, make=True, photos=photos) as opened:
        if keep == "beside":
            opened.photos.need_folder()  # said before anything is measured
        with Progress() as progress:
            done = measure_run(
                opened,
                read,
                sheet.name,
                wish,
                measure_work,
                progress,
                keep=keep,
                who=by,
            )
        return _ended(opened, wish.run, [c.coupon for c in read.coupons], done, faults=bool(read.faults))


def _read(sheet: Path, marks: Sequence[str]) -> "RunSheet":
    from macrocheck.calibrate import parse_mark
    from macrocheck.run.sheet import read_sheet

    for mark in marks:
        parse_mark(mark)
    return read_sheet(sheet, marks=marks)


def _say_faults(read: "RunSheet", *, brief: bool = False) -> bool:
    """Say what is wrong with a sheet, and otherwise what it holds; tell whether anything is wrong."""
    for note in read.notes:
        click.echo(f"Note: {note}", err=brief)
    for fault in read.faults:
        click.echo(str(fault), err=brief)
    if brief:
        return bool(read.faults)
    photos = sum(len(c.sections) for c in read.coupons)
    if read.faults:
        click.echo(f"{counted(len(read.faults), 'fault')}; {counted(len(read.coupons), 'coupon')} without one.")
    else:
        click.echo(f"{counted(len(read.coupons), 'coupon')}, {counted(photos, 'photograph')}, no fault.")
    if read.own_columns:
        click.echo(f"Kept as columns of your own: {', '.join(read.own_columns)}")
    return bool(read.faults)


def _limits(name: str | None) -> "LimitsText | None":
    if name is None:
        return None
    from macrocheck.record.limits_text import limits_as_they_stand
    from macrocheck.run.work import LimitsText

    limits, text = limits_as_they_stand(name)
    where = f"shipped set {name}" if limits.shipped else name
    return LimitsText(text, where, limits.name if limits.shipped else Path(name).stem, limits.shipped)


def _given(pairs: Sequence[str]) -> dict[str, float]:
    if not pairs:
        return {}
    from macrocheck.grade import parse_given

    return parse_given(pairs)


def _ended(opened: "Record", run: str, coupons: Sequence[str], done: "RunOutcome", *, faults: bool) -> int:
    from macrocheck.cli.run_table import table_lines

    lines, statuses = table_lines(opened, run, coupons, dict(done.failures))
    for line in lines:
        click.echo(line)
    click.echo(
        f"Coupons: {done.recorded} recorded now, {done.unchanged} unchanged, {done.failed} not measured in full."
    )
    from macrocheck.results import CAUTIONS

    click.echo(f"Caution: {CAUTIONS[0]}")
    return worst([*statuses, *([BAD_INPUT] if faults else [])])
