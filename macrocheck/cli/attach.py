"""`macrocheck attach`: put single measurements and settings on a test record."""

from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from macrocheck.cli.outcome import status_of, worst
from macrocheck.paths import stems
from macrocheck.pipeline import FUSION_THRESHOLD_MM, JOINTS, JointChoice

if TYPE_CHECKING:
    from macrocheck.calibrate import Height
    from macrocheck.record.attach import Measured
    from macrocheck.record.settings import Setting


@click.command(name="attach")
@click.argument("record")
@click.argument("coupon")
@click.argument("files", nargs=-1, type=click.Path(path_type=Path), metavar="[RESULT.json|PHOTO]...")
@click.option("--set", "pairs", multiple=True, metavar="NAME=VALUE", help="A setting: amps=180, wfs='300 in/min'.")
@click.option("--section", help="Name of the section; for one file.  [default: the file's name]")
@click.option("--mark", "marks", multiple=True, metavar="MARK", help="Reference mark in the photos, as in measure.")
@click.option("--mark-offset", metavar="LENGTH", help="How much nearer to the camera the marks lie, as in measure.")
@click.option("--camera-distance", metavar="LENGTH", help="From the lens to the section, as in measure.")
@click.option("--joint", type=click.Choice(JOINTS), default="auto", show_default=True, help="Kind of joint.")
@click.option("--limits", metavar="FILE|NAME", help="Grade the photos against a limits file or a shipped set.")
@click.option("--given", "given", multiple=True, metavar="NAME=LENGTH", help="t, a, z, b or s for the limits.")
@click.option("--guard", type=click.FloatRange(0, 10), metavar="N", help="Guard band of N x U95.")
@click.option("--outline", type=click.Path(path_type=Path), metavar="FILE", help="Outline (GeoJSON); one file.")
@click.option("--hint", "hints", multiple=True, metavar="KIND=X,Y", help="Point that steers the search; one photo.")
@click.option("--fusion-threshold", metavar="LENGTH", help=f"As in measure.  [default: {FUSION_THRESHOLD_MM}mm]")
@click.option(
    "--keep-photos",
    "keep",
    type=click.Choice(["no", "beside", "inside"]),
    default="beside",
    show_default=True,
    help="Where the photographs' files are kept.",
)
@click.option("--photos", type=click.Path(path_type=Path), metavar="DIR", help="Folder of photos kept beside.")
@click.option("--reason", help="Why what is on the record is corrected.")
@click.option("--by", metavar="NAME", help="Who puts it there.  [default: your user name]")
def command(
    record: str,
    coupon: str,
    files: tuple[Path, ...],
    pairs: tuple[str, ...],
    section: str | None,
    marks: tuple[str, ...],
    mark_offset: str | None,
    camera_distance: str | None,
    joint: JointChoice,
    limits: str | None,
    given: tuple[str, ...],
    guard: float | None,
    outline: Path | None,
    hints: tuple[str, ...],
    fusion_threshold: str | None,
    keep: Literal["no", "beside", "inside"],
    photos: Path | None,
    reason: str | None,
    by: str | None,
) -> int:
    """Put measurements of one coupon on RECORD (a file, made if there is none, or a database address).

    A result file that measure wrote is taken as it is; a photograph is measured first. Nothing on a record is ever
    changed: a correction stands beside what it corrects, with its --reason.
    """
    if not files and not pairs:
        msg = "Name a result, a photograph or a setting (--set NAME=VALUE)."
        raise click.UsageError(msg)
    if len(files) > 1 and (section or outline or hints):
        msg = "--section, --outline and --hint hold for one file; attach the files one at a time."
        raise click.UsageError(msg)
    if outline is not None and hints:
        msg = "--hint steers the search for an outline, and --outline is one already; leave one of them out."
        raise click.UsageError(msg)
    settings = [_setting(pair) for pair in pairs]
    names = [section] if section else [n.removesuffix(".result") for n in stems([str(f) for f in files])]
    from macrocheck.calibrate import settle_height

    height = settle_height(mark_offset, camera_distance)
    wish = _Wish(marks, height, joint, limits, given, guard, outline, hints, fusion_threshold)
    measured = [wish.taken(file, name) for file, name in zip(files, names, strict=True)]
    from macrocheck.record.attach import attach
    from macrocheck.record.store import open_record

    with open_record(record, make=True, photos=photos) as opened:
        written = attach(opened, coupon, measured, settings=settings, keep=keep, reason=reason, who=by)
    for m in measured:
        for note in m.notes:
            click.echo(f"Note: {note}")
    new = [w for w in written if w.new]
    if not new:
        click.echo(f"Coupon {coupon} says all that already; nothing was added.")
    else:
        click.echo(f"Coupon {coupon}: {len(new)} revision{'s' if len(new) > 1 else ''} added.")
        click.echo(f"Last revision {new[-1].seq}, hash {new[-1].hash}")
    from macrocheck.results import CAUTIONS

    click.echo(f"Caution: {CAUTIONS[0]}")
    return worst(status_of(m.result) for m in measured)


class _Wish:
    """How photographs are to be measured."""

    def __init__(
        self,
        marks: tuple[str, ...],
        height: "Height",
        joint: JointChoice,
        limits: str | None,
        given: tuple[str, ...],
        guard: float | None,
        outline: Path | None,
        hints: tuple[str, ...],
        fusion_threshold: str | None,
    ) -> None:
        self.marks, self.joint, self.guard, self.outline, self.hints = marks, joint, guard, outline, hints
        self.height = height
        self.limits, self.given, self.fusion_threshold = limits, given, fusion_threshold

    def taken(self, file: Path, section: str) -> "Measured":
        from macrocheck.record.attach import from_file

        if file.suffix.lower() == ".json":
            if self.marks or self.limits or self.height.distance_mm is not None:
                msg = f"{file} is a result already; --mark, its height and --limits are for photographs."
                raise click.UsageError(msg)
            return from_file(file, section, outline=self.outline)
        return self._measured(file, section)

    def _measured(self, file: Path, section: str) -> "Measured":
        from macrocheck.grade import parse_given
        from macrocheck.pipeline import measure_photo
        from macrocheck.record.attach import from_result
        from macrocheck.record.entries import SectionInputs
        from macrocheck.record.limits_text import limits_as_they_stand
        from macrocheck.units import parse_length

        if not self.marks:
            msg = f"{file} is to be measured: state the mark in it, such as --mark bar:10mm."
            raise click.UsageError(msg)
        limits, text = limits_as_they_stand(self.limits) if self.limits else (None, None)
        threshold = parse_length(self.fusion_threshold) if self.fusion_threshold else FUSION_THRESHOLD_MM
        inputs = SectionInputs(
            self.marks,
            self.joint,
            self.hints,
            parse_given(self.given),
            self.guard,
            threshold,
            self.height.offset_mm,
            self.height.distance_mm,
        )
        result = measure_photo(
            file,
            mark=self.marks,
            mark_offset=self.height.offset_mm,
            camera_distance=self.height.distance_mm,
            joint=self.joint,
            limits=limits,
            given=inputs.given,
            guard=self.guard,
            outline=self.outline,
            hints=self.hints,
            fusion_threshold_mm=threshold,
        )
        return from_result(result, section, inputs, photo=file, limits=text)


def _setting(pair: str) -> "Setting":
    from macrocheck.record.setting_text import read_setting
    from macrocheck.record.settings import kind_named

    name, equals, value = pair.partition("=")
    if not equals or not name.strip() or not value.strip():
        msg = f"'{pair}' is not a setting; write NAME=VALUE, such as amps=180."
        raise click.UsageError(msg)
    return read_setting(kind_named(name), value)
