"""Limits as they stand at the time: the text that goes on the record, and what it says."""

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from macrocheck.grade import LimitSet


def limits_as_they_stand(name: str) -> "tuple[LimitSet, str]":
    """Return a limit set and its TOML text, read once; InputError where it cannot be used."""
    from macrocheck.grade import load_limits, parse_limits, shipped_names, shipped_text

    load_limits(name)  # says in full what is wrong with the file
    if name in shipped_names():
        text = shipped_text(name)
        return parse_limits(text, where=f"shipped set {name}", shipped=True, fallback=name), text
    text = Path(name).read_bytes().decode("utf-8-sig")
    return parse_limits(text, where=name, fallback=Path(name).stem), text
