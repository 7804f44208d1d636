"""How a run goes, on standard error: a bar with the time left on a terminal, a line for what fails anywhere."""

import sys
from collections.abc import Sequence
from types import TracebackType
from typing import Self

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeElapsedColumn, TimeRemainingColumn
from rich.progress import Progress as Bar

from macrocheck.cli.outcome import counted
from macrocheck.paths import shown


class Progress:
    """Tells a person how far a run is."""

    def __init__(self) -> None:
        self._bar = Bar(
            TextColumn("Measuring"),
            BarColumn(),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            TextColumn("left"),
            TimeRemainingColumn(),
            console=Console(stderr=True),
            disable=not sys.stderr.isatty(),
        )
        self._task = self._bar.add_task("coupons", total=None)

    def __enter__(self) -> Self:
        self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._bar.stop()

    def begin(self, coupons: int, done_before: int) -> None:
        """Take note of how many coupons are to be measured, and how many need nothing."""
        if done_before:
            stand = "stands" if done_before == 1 else "stand"
            self._say(f"{counted(done_before, 'coupon')} {stand} on the record unchanged.")
        self._bar.update(self._task, total=coupons)

    def one_done(self, coupon: str, failures: Sequence[str]) -> None:
        """Take note of a coupon that is on the record now."""
        self._bar.advance(self._task)
        for failure in failures:
            self._say(f"{shown(coupon)}: {failure}")

    def _say(self, text: str) -> None:
        if self._bar.disable:
            click.echo(text, err=True)
        else:
            self._bar.console.print(text, markup=False, highlight=False, soft_wrap=True)
