"""`macrocheck review`: the page where a person looks, corrects and accepts."""

import importlib.util
import os
from pathlib import Path
from typing import Any, Literal

import click

from macrocheck.errors import InputError
from macrocheck.pipeline import FUSION_THRESHOLD_MM, JOINTS, JointChoice


@click.command(name="review")
@click.argument("names", nargs=-1, metavar="[PHOTO|RESULT.json|RECORD]...")
@click.option("--mark", "marks", multiple=True, metavar="MARK", help="Reference mark in the photos, as in measure.")
@click.option("--mark-offset", metavar="LENGTH", help="How much nearer to the camera the marks lie, as in measure.")
@click.option("--camera-distance", metavar="LENGTH", help="From the lens to the section, as in measure.")
@click.option("--joint", type=click.Choice(JOINTS), help="Kind of joint.  [default: told from the picture]")
@click.option("--limits", metavar="FILE|NAME", help="Grade against a limits file or a shipped set.")
@click.option("--given", "given", multiple=True, metavar="NAME=LENGTH", help="t, a, z, b or s for the limits.")
@click.option("--guard", type=click.FloatRange(0, 10), metavar="N", help="Guard band of N x U95; 0 is simple.")
@click.option("--fusion-threshold", metavar="LENGTH", help=f"As in measure.  [default: {FUSION_THRESHOLD_MM}mm]")
@click.option("--unit", type=click.Choice(["mm", "in"]), default="mm", show_default=True, help="Unit shown first.")
@click.option(
    "--keep",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Where the work is kept.  [default: a folder of yours]",
)
@click.option("--port", type=click.IntRange(0, 65535), default=0, metavar="N", help="Port.  [default: a free one]")
@click.option("--by", metavar="NAME", help="Who corrects and accepts.  [default: your user name]")
@click.option("--no-browser", is_flag=True, help="Only print the page's address.")
def command(
    names: tuple[str, ...],
    marks: tuple[str, ...],
    mark_offset: str | None,
    camera_distance: str | None,
    joint: JointChoice | None,
    limits: str | None,
    given: tuple[str, ...],
    guard: float | None,
    fusion_threshold: str | None,
    unit: Literal["mm", "in"],
    keep: Path | None,
    port: int,
    by: str | None,
    no_browser: bool,
) -> int:
    """Look at outlines on a page in the browser, put them right, and accept them.

    Opens photographs, result files that measure wrote, or the sections of a record; without any, what was open
    last, or an empty page to drop pictures on. The page is for this machine only. Every change is kept as it is
    made, in the --keep folder; ending the program or closing the page loses nothing. Ctrl-C ends it.
    """
    missing = [name for name in ("starlette", "uvicorn", "platformdirs") if importlib.util.find_spec(name) is None]
    if missing:
        msg = f"The page needs {', '.join(missing)}; install with: pip install 'macrocheck[review]'"
        raise InputError(msg)
    # The curves are short: threads of the linear algebra would wait for each other, at twice the processor time.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from macrocheck.review.serve import Wish, default_keep, named, serve
    from macrocheck.review.sources import limits_named

    named_here = {
        "marks": list(marks) or None,
        "mark_offset": mark_offset,
        "camera_distance": camera_distance,
        "joint": joint,
        "given": _given(given) if given else None,
        "guard": guard,
        "fusion_threshold": fusion_threshold,
    }
    settings: dict[str, Any] = {name: value for name, value in named_here.items() if value is not None}
    chosen = None if limits is None else limits_named(limits)
    if chosen is not None:
        settings["limits"] = chosen.id
    wish = Wish(named(names), keep or default_keep(), settings, chosen, unit, by or _user(), port)

    def say(address: str) -> None:
        click.echo(f"The page is at {address}")
        click.echo(f"Kept in {wish.keep}. Ctrl-C ends it; nothing is lost.")

    serve(wish, say=say, browser=not no_browser)
    return 0


def _given(pairs: tuple[str, ...]) -> dict[str, str]:
    from macrocheck.grade import parse_given

    parse_given(pairs)
    return {symbol.strip(): text.strip() for symbol, _, text in (pair.partition("=") for pair in pairs)}


def _user() -> str:
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "unknown"
