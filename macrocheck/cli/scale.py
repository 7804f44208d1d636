"""`macrocheck scale`: what scale the marks in a photograph give, with a picture of where they were found."""

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

from macrocheck.cli.files import json_text, output_folder
from macrocheck.cli.outcome import BAD_INPUT, DONE, details_wanted, sentence

if TYPE_CHECKING:
    from macrocheck.photo import Photo
    from macrocheck.scale import FoundMark, Lens, Scale

FORMAT = "macrocheck-scale"
"""Format name of the JSON document."""


@click.command(name="scale")
@click.argument("photo", metavar="PHOTO")
@click.option(
    "--mark",
    "marks",
    multiple=True,
    metavar="MARK",
    help="Reference mark in the picture: bar:10mm, ruler:1mm, disc:20mm, card ... Repeatable.",
)
@click.option(
    "--mark-offset",
    metavar="LENGTH",
    help="How much nearer to the camera than the section the marks beside it lie; negative where further.",
)
@click.option("--camera-distance", metavar="LENGTH", help="From the lens to the section; with --mark-offset.")
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="DIR", help="Write a picture of the marks as found there."
)
@click.option("--json", "json_to", metavar="FILE|-", help="Write the scale as JSON; - is standard output.")
def command(
    photo: str,
    marks: tuple[str, ...],
    mark_offset: str | None,
    camera_distance: str | None,
    out: Path | None,
    json_to: str | None,
) -> int:
    """Find the marks in a photograph and say what scale they give.

    Look at the picture that --out writes before you trust the scale: every mark stands in it as it was found.

    Exit status: 0 found, 2 bad input or a mark that is not there.
    """
    from macrocheck.calibrate import ask_for_mark, calibrate, parse_mark, settle_height
    from macrocheck.cli.files import write_json
    from macrocheck.paths import stems
    from macrocheck.reading import read_photo

    if not marks:
        raise click.UsageError(ask_for_mark())
    parsed = [parse_mark(text) for text in marks]
    settle_height(mark_offset, camera_distance)
    folder = output_folder(out)
    quiet = json_to == "-"
    read = read_photo(photo)
    scale = calibrate(read, parsed, mark_offset=mark_offset, camera_distance=camera_distance)
    document = _document(read, scale)
    json_text(document)  # a number that is none is a fault before anything is written
    if not quiet:
        _say(read, scale)
    status = DONE
    if folder is not None:
        try:
            written = _write_picture(read, scale, folder / f"{stems([photo])[0]}.scale.png")
        except Exception as error:
            if details_wanted(error):
                raise
            click.echo(f"macrocheck: {sentence(error)}", err=True)
            status = BAD_INPUT
        else:
            if not quiet:
                click.echo(f"Wrote {written}")
    if json_to is not None:
        write_json(document, json_to)
    return status


def _say(photo: "Photo", scale: "Scale") -> None:
    from macrocheck.cli.show import flag_lines, scale_line
    from macrocheck.paths import shown
    from macrocheck.report.numbers import percent_u95
    from macrocheck.results import CAUTIONS

    click.echo(f"{shown(photo.path)}: {photo.width} x {photo.height} px")
    click.echo(scale_line(scale, "mm"))
    click.echo(f"The picture is {scale.mm_per_px * photo.width:.4g} mm wide, {1 / scale.mm_per_px:.4g} px per mm.")
    for mark in scale.marks:
        about = f"{mark.mm_per_px:.6f} mm per px ± {percent_u95(mark.u_rel)} (U95) by itself"
        click.echo(f"Mark {mark.text}: {about}, {_place(mark)}")
    click.echo(f"Tilt: {_tilt(scale)}")
    if scale.lens is not None:
        click.echo(f"Lens: {_lens(photo, scale.lens)}")
    for line in [*(f"Note: {note}" for note in photo.notes), *flag_lines(scale.flags)]:
        click.echo(line)
    click.echo("")
    for caution in CAUTIONS:
        click.echo(f"Caution: {caution}")


def _place(mark: "FoundMark") -> str:
    if not len(mark.points_px):
        return "stated, not seen in the picture"
    x, y = mark.points_px.mean(axis=0)
    return f"about {x:.0f}, {y:.0f} px"


def _tilt(scale: "Scale") -> str:
    if scale.tilt is None:
        return "not known; a card, or two marks on either side of the section, would tell it"
    return f"{scale.tilt.deg:.1f} ± {2 * scale.tilt.u_deg:.1f} degrees (U95), from {scale.tilt.told_by}"


def _lens(photo: "Photo", lens: "Lens") -> str:
    corner = math.hypot(photo.width, photo.height) / 2
    off = lens.k * (corner / lens.radius_px) ** 2
    return f"distortion taken out, {100 * off:+.2f} % in the picture's corners"


def _write_picture(photo: "Photo", scale: "Scale", path: Path) -> str:
    from macrocheck.paths import shown
    from macrocheck.report.encode import encode_png
    from macrocheck.report.scale_picture import draw_scale
    from macrocheck.writing import write_together

    write_together({path: encode_png(draw_scale(photo, scale))})
    return shown(path)


def _document(photo: "Photo", scale: "Scale") -> dict[str, object]:
    from macrocheck import __version__
    from macrocheck.paths import shown
    from macrocheck.results import CAUTIONS

    return {
        "format": FORMAT,
        "format_version": 1,
        "photo": {
            "path": shown(photo.path),
            "sha256": photo.sha256,
            "width": photo.width,
            "height": photo.height,
            "notes": list(photo.notes),
        },
        "scale": scale.to_json(),
        "plane": None if scale.plane is None else [[float(v) for v in row] for row in scale.plane],
        "tilt": None
        if scale.tilt is None
        else {"deg": scale.tilt.deg, "u_deg": scale.tilt.u_deg, "told_by": scale.tilt.told_by},
        "lens": None
        if scale.lens is None
        else {"centre": list(scale.lens.centre), "radius_px": scale.lens.radius_px, "k": scale.lens.k},
        "marks": [
            {
                "kind": mark.kind,
                "text": mark.text,
                "mm_per_px": mark.mm_per_px,
                "u_rel": mark.u_rel,
                "points_px": [[float(x), float(y)] for x, y in mark.points_px],
            }
            for mark in scale.marks
        ],
        "cautions": list(CAUTIONS),
        "version": __version__,
    }
