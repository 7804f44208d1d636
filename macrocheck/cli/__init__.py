"""The command: parses, calls, prints. A module a command, imported when that command is run."""

import importlib
import io
import os
import sys
from collections.abc import Sequence

import click

from macrocheck import __version__
from macrocheck.__main__ import STOPPED
from macrocheck.cli.outcome import BAD_INPUT, DONE, details_wanted, sentence

_COMMANDS: dict[str, tuple[str, str]] = {
    "measure": ("macrocheck.cli.measure", "Measure the welds in photographs and grade them."),
    "scale": ("macrocheck.cli.scale", "Show what scale the marks in a photograph give."),
    "review": ("macrocheck.cli.review", "Look at outlines on a page, put them right, accept them."),
    "run": ("macrocheck.cli.run", "Measure a whole sheet of coupons onto a test record."),
    "attach": ("macrocheck.cli.attach", "Put single measurements and settings on a test record."),
    "compare": ("macrocheck.cli.compare", "Compare groups of coupons, or photographs side by side."),
    "relate": ("macrocheck.cli.relate", "Fit how a measured quantity follows the settings."),
    "repeat": ("macrocheck.cli.repeat", "Study how far the measuring agrees with itself."),
    "report": ("macrocheck.cli.report", "Write coupons of a test record as a page to hand over."),
    "plot": ("macrocheck.cli.plot", "Draw what is on a test record."),
    "record": ("macrocheck.cli.record", "Look at a test record, check it, take it elsewhere."),
    "card": ("macrocheck.cli.card", "Write the scale card to print."),
    "limits": ("macrocheck.cli.limits", "List, show and begin limit sets."),
}
"""Command -> its module, and what it does in a line; the module's `command` is the command."""


class _Commands(click.Group):
    """Commands that are imported when they are called."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  (click's own signature)
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in _COMMANDS:
            return None
        command = importlib.import_module(_COMMANDS[cmd_name][0]).command
        return command if isinstance(command, click.Command) else None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in _COMMANDS.items()])


@click.command(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="Exit status: 0 measured (and accepted where graded), 1 a limit rejected, 3 undecided, 2 bad input.",
)
@click.version_option(__version__, message="%(prog)s %(version)s")
def program() -> None:
    """Measure and grade photographed cut-and-etch sections of fillet welds.

    A visual measurement of one section is not a qualification of a procedure or a welder.
    """


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and exit with its status; whatever goes wrong ends as one sentence, not a traceback."""
    sys.exit(_status(arguments))


def _status(arguments: Sequence[str] | None) -> int:
    _ready_streams()
    try:
        status = program.main(
            args=None if arguments is None else list(arguments), prog_name="macrocheck", standalone_mode=False
        )
        sys.stdout.flush()
    except click.ClickException as error:
        error.show()
        return BAD_INPUT
    except (click.Abort, KeyboardInterrupt):
        click.echo(STOPPED, err=True)
        return 130
    except (BrokenPipeError, SystemExit):
        # The reader of our output went away (click ends with 1 then, which means "rejected" here); keep Python from
        # complaining about it once more at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return BAD_INPUT
    except Exception as error:
        if details_wanted(error):
            raise
        click.echo(f"macrocheck: {sentence(error)}", err=True)
        return BAD_INPUT
    return status if isinstance(status, int) else DONE


def _ready_streams() -> None:
    """See that there is something to print to, and that it takes every character."""
    # Where one was closed by whoever started us, a file that is opened later must not take its number.
    sys.stdout = sys.stdout or os.fdopen(os.open(os.devnull, os.O_WRONLY), "w", encoding="utf-8")
    sys.stderr = sys.stderr or os.fdopen(os.open(os.devnull, os.O_WRONLY), "w", encoding="utf-8")
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a screen that lacks a character gets an escape, not a fault
            stream.reconfigure(errors="backslashreplace")
