"""The site builds from one command without a warning, and leaves out no command, no public name and no page."""

import os
import re
import subprocess
import sys
from html import unescape
from pathlib import Path

import click
import pytest

import macrocheck
from macrocheck.cli import program
from macrocheck.flags import KINDS
from macrocheck.quantities import QUANTITIES

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("site")
    done = subprocess.run(
        [sys.executable, "-m", "sphinx", "-W", "--keep-going", "-q", "-b", "html", "docs", str(folder)],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr
    return folder


def words(page: Path) -> str:
    return unescape(re.sub(r"<[^>]+>", "", page.read_text(encoding="utf-8")))


def every_command(command: click.Command, path: str) -> list[tuple[str, click.Command]]:
    found = [(path, command)]
    if isinstance(command, click.Group):
        context = click.Context(command, info_name=path)
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            assert inner is not None
            found += every_command(inner, f"{path} {name}")
    return found


def test_every_command_and_option_is_in_the_reference(site: Path) -> None:
    text = words(site / "reference" / "commands.html")
    for path, command in every_command(program, "macrocheck")[1:]:
        assert f"{path} [OPTIONS]" in text, path
        for parameter in command.params:
            if isinstance(parameter, click.Option) and not parameter.hidden:
                assert parameter.opts[0] in text


def test_every_public_name_is_in_the_reference(site: Path) -> None:
    text = (site / "reference" / "api.html").read_text(encoding="utf-8")
    for name in macrocheck.__all__:
        if name != "__version__":
            assert re.search(rf'id="macrocheck\.(\w+\.)?{name}"', text), name


def test_every_quantity_and_flag_is_in_the_reference(site: Path) -> None:
    text = words(site / "reference" / "keys.html")
    assert all(q.key in text and q.meaning.replace("`", "") in text for q in QUANTITIES)
    assert all(code in text and meaning in text for code, meaning in KINDS.items())


def test_every_page_is_in_the_contents(site: Path) -> None:
    index = (site / "index.html").read_text(encoding="utf-8")
    for page in (ROOT / "docs").rglob("*.md"):
        name = page.relative_to(ROOT / "docs").with_suffix(".html")
        assert name.name == "index.html" or f'href="{name}"' in index, name


def test_nothing_is_fetched_from_elsewhere(site: Path) -> None:
    for page in site.rglob("*.html"):
        text = page.read_text(encoding="utf-8")
        fetched = re.findall(r"""<(?:script|img|link|iframe)[^>]+(?:src|href)=["'](?:https?:)?//[^"']+""", text)
        assert not fetched, page
