"""Where in a TOML text a key stands, so that a faulty entry can be named by its line."""

import re
from collections.abc import Sequence

Path = tuple[str | int, ...]

_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(
    r"""\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=(.*)"""
)
_FENCES = ('"""', "'''")


def key_lines(text: str) -> dict[Path, int]:
    """Return key path -> line (from 1) for tables, array tables and keys; array tables carry their index.

    `text` is valid TOML. Keys inside inline tables and arrays are not listed: their line is their parent's.
    """
    found: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    table: Path = ()
    fence: str | None = None
    for number, line in enumerate(text.splitlines(), start=1):
        if fence is not None:
            if fence in line:
                fence = None
            continue
        if header := _HEADER.match(line):
            table = _parts(header[2])
            if header[1] == "[[":
                counts[table] = counts.get(table, -1) + 1
                table = (*table, counts[table])
            found.setdefault(table, number)
        elif key := _KEY.match(line):
            path: Path = table
            for part in _parts(key[1]):
                path = (*path, part)
                found.setdefault(path, number)
            fence = next((f for f in _FENCES if key[2].count(f) % 2), None)
    return found


def line_of(text: str, path: Sequence[str | int]) -> int:
    """Return the line (from 1) of the entry at `path`, or of the nearest entry around it; 1 for the whole file."""
    lines = key_lines(text)
    for length in range(len(path), 0, -1):
        if (line := lines.get(tuple(path[:length]))) is not None:
            return line
    return 1


def _parts(dotted: str) -> Path:
    return tuple(part.strip().strip("\"'") for part in dotted.split("."))
