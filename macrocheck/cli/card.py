"""`macrocheck card`: write the scale card as a PDF to print."""

from pathlib import Path
from typing import Literal

import click

from macrocheck.errors import InputError


@click.command(name="card")
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE.pdf")
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Paper size.")
def command(file: Path, paper: Literal["a4", "letter"]) -> None:
    """Write the scale card as a PDF; a file that is there already is left alone.

    Print it at 100 %, measure its check lines with a caliper, lay it in the plane of the section, and state what
    the caliper said as the mark: --mark card:49.7mm.
    """
    from macrocheck.calibrate.card_page import page
    from macrocheck.paths import shown
    from macrocheck.writing import write_whole

    if file.suffix.lower() != ".pdf":
        msg = f"{shown(file)} does not end in .pdf; name the file to write, like card.pdf."
        raise InputError(msg)
    if file.exists() or file.is_symlink():
        msg = f"{shown(file)} is there already; choose another name, or remove it first."
        raise InputError(msg)
    write_whole(file, page(paper))
    click.echo(
        f"Wrote {shown(file)}; print it at 100 % (no scaling), measure both check lines with a caliper, and state "
        "their mean as the mark: --mark card:49.7mm"
    )
