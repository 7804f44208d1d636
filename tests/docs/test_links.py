"""Every link inside the project leads somewhere, and every command in a page exists with its options."""

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from macrocheck.cli import program

ROOT = Path(__file__).parents[2]
PAGES = sorted(
    [
        ROOT / "README.md",
        ROOT / "DEVELOPERS.md",
        ROOT / "sample_images" / "README.md",
        *(ROOT / "docs").rglob("*.md"),
    ]
)
LATER = {"accuracy.md"}  # written by `python -m tests.bench.page`; CI asks for it
_FENCE = re.compile(r"^(`{3,})[^\n]*\n.*?^\1`*$", re.DOTALL | re.MULTILINE)
_LINK = re.compile(r"(?<!!)\[[^\]]*\]\(([^)\s]+)\)")
_PICTURE = re.compile(r"!\[([^\]]*)\]\(([^)\s]+)\)")


def name(page: Path) -> str:
    return str(page.relative_to(ROOT))


def prose(page: Path) -> str:
    return _FENCE.sub("", page.read_text(encoding="utf-8"))


def anchors(page: Path) -> set[str]:
    """Return the anchors of a page's headings and targets."""
    text = prose(page)
    headings = re.findall(r"^#{1,6} +(.*?)\s*$", text, re.MULTILINE)
    slugs = {re.sub(r"[^\w\- ]", "", h.replace("`", "").lower()).replace(" ", "-") for h in headings}
    return slugs | set(re.findall(r"^\(([\w-]+)\)=$", text, re.MULTILINE))


@pytest.mark.parametrize("page", PAGES, ids=name)
def test_links_lead_somewhere(page: Path) -> None:
    missing = []
    for link in _LINK.findall(prose(page)):
        if re.match(r"[a-z]+:", link):
            continue
        path, _, anchor = link.partition("#")
        target = (page.parent / path).resolve() if path else page
        if target.name in LATER:
            continue
        if not target.exists() or (anchor and anchor not in anchors(target)):
            missing.append(link)
    assert not missing


@pytest.mark.parametrize("page", PAGES, ids=name)
def test_pictures_are_there_small_and_described(page: Path) -> None:
    for words, link in _PICTURE.findall(prose(page)):
        picture = page.parent / link
        assert picture.exists(), link
        assert picture.stat().st_size < 300_000, link
        assert len(words) > 20, f"{link}: says too little to those who cannot see it"


def commands(page: Path) -> Iterator[str]:
    """Yield the commands in a page's blocks, fenced or indented, lines that go on joined."""
    text = page.read_text(encoding="utf-8")
    blocks = [match[0] for match in _FENCE.finditer(text)] + re.findall(
        r"^ {4}.*$", _FENCE.sub("", text), re.MULTILINE
    )
    for block in blocks:
        joined = re.sub(r"\\\n\s*", " ", block)
        yield from re.findall(r"^\s*(?:.*&& )?((?:\.venv/bin/)?macrocheck .*)$", joined, re.MULTILINE)


@pytest.mark.parametrize("page", PAGES, ids=name)
def test_commands_exist_with_their_options(page: Path) -> None:
    for line in commands(page):
        if re.search(r"[\[\]]|\b[A-Z]{2,}\.\.\.", line):
            continue  # a line of usage
        words = shlex.split(line, comments=True)
        command: click.Command = program
        context = click.Context(program, info_name="macrocheck")
        rest = words[1:]
        while isinstance(command, click.Group) and rest and not rest[0].startswith("-"):
            found = command.get_command(context, rest.pop(0))
            assert found is not None, line
            command = found
        known = {opt for p in command.params for opt in p.opts} | {"--help", "-h", "--version"}
        assert not [w for w in rest if w.startswith("--") and w.partition("=")[0] not in known], line


def test_there_is_something_to_check() -> None:
    assert sum(1 for page in PAGES for _ in commands(page)) > 30
    assert sum(len(_LINK.findall(prose(page))) for page in PAGES) > 40
