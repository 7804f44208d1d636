"""`macrocheck limits`: list the shipped sets, show one, begin a file of one's own."""

import json
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import click

from macrocheck.errors import InputError

if TYPE_CHECKING:
    from macrocheck.grade import Limit, LimitSet

_WIDTH = 100


@click.group(name="limits")
def command() -> None:
    """List, show and begin limit sets."""


@command.command("list")
def list_sets() -> None:
    """List the limit sets that come with the program."""
    from macrocheck.grade import CHECK_YOUR_COPY, load_limits, shipped_names

    sets = [load_limits(name) for name in shipped_names()]
    width = max(len(s.name) for s in sets)
    for limits in sets:
        remembered = sum(limit.mark == "from memory" for limit in limits.limits)
        memory = f", {remembered} from memory" if remembered else ""
        click.echo(f"{limits.name:<{width}}  {limits.title} ({len(limits.limits)} limits{memory})")
    _say(f"\n{CHECK_YOUR_COPY}")


@command.command("show", short_help="Show every limit of a set or file, with its source.")
@click.argument("name")
def show(name: str) -> None:
    """Show every limit of a shipped set or a limits file, with its source and its mark."""
    from macrocheck.grade import CHECK_YOUR_COPY, load_limits, rule_text
    from macrocheck.grade.formula import SYMBOLS
    from macrocheck.quantities import BY_KEY

    limits = load_limits(name)
    click.echo(f"{limits.name}: {limits.title}" if limits.title else limits.name)
    for label, text in (("Source", limits.source), ("Note", limits.note), ("Rule", rule_text(limits))):
        if text:
            _say(f"{label}: {text}")
    for symbol in sorted(frozenset[str]().union(*(limit.symbols for limit in limits.limits))):
        _say(f"{symbol}: {SYMBOLS[symbol]}, {_origin(limits, symbol)}")
    for number, limit in enumerate(limits.limits, start=1):
        click.echo(f"\n{number}. {limit.name}")
        _say(f"{', '.join(f'{BY_KEY[k].name} ({k})' for k in limit.quantities)}: {_bounds(limit)}", "   ")
        if limit.length_rule:
            _say(f"Length: {limit.length_rule}; one section cannot decide that.", "   ")
        _say(f"Source: {limit.source} [{limit.mark}]", "   ")
        if limit.note:
            _say(f"Note: {limit.note}", "   ")
    if limits.by_eye:
        click.echo("\nTo be judged by eye:")
        for rule in limits.by_eye:
            _say(f"- {rule}", "   ")
    if limits.shipped or any(limit.mark != "stated by the user" for limit in limits.limits):
        _say(f"\n{CHECK_YOUR_COPY}")


@command.command("keys", short_help="List what a limit can be on, and the symbols of formulas.")
def keys() -> None:
    """List the quantities that a limit can be on, and the symbols of formulas."""
    from macrocheck.grade.formula import SYMBOLS
    from macrocheck.quantities import QUANTITIES

    rows = [q for q in QUANTITIES if not q.is_list]
    width = max(len(q.key) for q in rows)
    for q in rows:
        joints = "tee, lap, bead" if q.fillet and q.bead else "tee, lap" if q.fillet else "bead"
        unit = {"1": "ratio or %"}.get(q.unit, q.unit)
        click.echo(f"{q.key:<{width}}  {unit:<10}  {joints:<14}  {q.meaning}")
    click.echo(f"\nSymbols in formulas: {', '.join(f'{k} {v}' for k, v in SYMBOLS.items())}.")


@command.command("new", short_help="Write a limits file to be edited.")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--from", "origin", metavar="NAME", help="Begin from a shipped set instead of the short example.")
def new(file: Path, origin: str | None) -> None:
    """Write a limits file to be edited; a file that is there already is left alone."""
    from macrocheck.grade import shipped_text, template_text
    from macrocheck.paths import shown
    from macrocheck.writing import write_text_whole

    if not str(file).strip(". /\\"):
        msg = f"{shown(file)} is no name for a file; write one such as bench.toml."
        raise InputError(msg)
    text = _copy(shipped_text(origin), origin, file.stem) if origin else template_text()
    if file.exists() or file.is_symlink():
        msg = f"{shown(file)} is there already; choose another name, or remove it first."
        raise InputError(msg)
    write_text_whole(file, text)
    click.echo(f"Wrote {shown(file)}; edit it, then check it with: macrocheck limits show {shown(file)}")


def _copy(text: str, origin: str, name: str) -> str:
    """Return a shipped set under a name of its own: what is edited is the shipped set no more."""
    own = json.dumps(name, ensure_ascii=False)
    return f"# Begun as a copy of the shipped set {origin}.\n" + text.replace(
        f'name = "{origin}"', f"name = {own}", 1
    )


def _say(text: str, indent: str = "") -> None:
    for paragraph in text.split("\n"):
        click.echo(textwrap.fill(paragraph, _WIDTH, initial_indent=indent, subsequent_indent=indent + "  "))


def _origin(limits: "LimitSet", symbol: str) -> str:
    if symbol in limits.given:
        return f"{limits.given[symbol]:.4g} mm as given in the file"
    if symbol in limits.measured:
        return f"the measured {limits.measured[symbol]}"
    return f"to be stated with --given {symbol}=LENGTH"


def _bounds(limit: "Limit") -> str:
    parts = []
    if limit.at_least:
        parts.append(f"at least {limit.at_least.text}")
    if limit.at_most:
        parts.append(f"at most {limit.at_most.text}")
    text = " and ".join(parts)
    if limit.free_at_least:
        text += f"{', ' if text else ''}no imperfection from {limit.free_at_least.text}"
    if limit.free_at_most:
        text += f"{', ' if text else ''}no imperfection up to {limit.free_at_most.text}"
    if limit.counts_from:
        text += f" (under {limit.counts_from.text} not counted)"
    if limit.when:
        text += f", for {limit.when.text}"
    if limit.only_if_given:
        text += ", left out where its symbols are not given"
    if limit.joints:
        text += f", for {' and '.join(limit.joints)} only"
    return text
