"""The files that `macrocheck measure` writes."""

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from macrocheck.errors import InputError

if TYPE_CHECKING:
    from macrocheck.photo import Photo
    from macrocheck.report.numbers import LengthUnit
    from macrocheck.results import Result


def output_folder(out: Path | None) -> Path | None:
    """Make the output folder before anything is measured."""
    if out is None:
        return None
    from macrocheck.paths import os_reason, shown

    try:
        out.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        taken = isinstance(error, FileExistsError)
        why = "it is a file" if taken else os_reason(error) if isinstance(error, OSError) else "it is no file name"
        msg = f"The output folder {shown(out)} cannot be made: {why}; name another with --out."
        raise InputError(msg) from error
    if not os.access(out, os.W_OK | os.X_OK):
        msg = (
            f"The output folder {shown(out)} cannot be written to: you have no permission; name another with --out."
        )
        raise InputError(msg)
    return out


def output_file(target: str | None) -> None:
    """Refuse a file that cannot be written for its name or its folder, before anything is measured."""
    if target is None or target == "-":
        return
    from macrocheck.paths import shown

    file = Path(target)
    why = None
    if not target.strip() or "\0" in target:
        why = "this is not a file name"
    elif file.is_dir():
        why = "a folder of that name is in the way"
    elif not file.parent.is_dir():
        why = "its folder does not exist"
    if why is not None:
        msg = f"{shown(target) or 'The result'} cannot be written: {why}; name another file with --json."
        raise InputError(msg)


def write_files(
    photo: "Photo", result: "Result", folder: Path, stem: str, *, unit: "LengthUnit", keep: Path | None
) -> list[str]:
    """Write overlay, outline and result of one photo together, whole or not at all; return their names.

    `unit`: of the lengths in the overlay. `keep`: the outline that was read; where it stands at the outline's own
    place it stays as a person saved it.
    """
    from macrocheck.outline_file import outline_bytes
    from macrocheck.paths import shown
    from macrocheck.report.encode import encode_png
    from macrocheck.report.overlay import draw_overlay
    from macrocheck.writing import write_together

    outline = folder / f"{stem}.outline.geojson"
    contents: dict[str | os.PathLike[str], bytes] = {
        folder / f"{stem}.overlay.png": encode_png(draw_overlay(photo, result, unit=unit)),
        outline: outline_bytes(result.outline),
        folder / f"{stem}.result.json": json_text(result.to_json()).encode("utf-8", "backslashreplace"),
    }
    if keep is not None and outline.exists() and outline.samefile(keep):
        del contents[outline]
    write_together(contents)
    return [shown(path) for path in contents]


def write_json(document: object, target: str) -> None:
    """Write a document to a file, or to standard output where `target` is "-"."""
    from macrocheck.writing import write_text_whole

    if target != "-":
        write_text_whole(target, json_text(document))
        return
    click.echo(json_text(document).encode("utf-8", "backslashreplace"), nl=False)


def json_text(document: object) -> str:
    """Return a document as JSON text; a number that is none is a fault, never written."""
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n"
