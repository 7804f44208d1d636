"""`macrocheck card` writes a page, whole or not at all."""

import sys
from pathlib import Path

import pytest

from tests.cli.conftest import Run


@pytest.mark.parametrize("paper", [(), ("--paper", "letter")])
def test_the_card_is_written(run: Run, tmp_path: Path, paper: tuple[str, ...]) -> None:
    file = tmp_path / "card.pdf"
    ran = run("card", file, *paper)
    assert ran.status == 0
    assert "100 %" in ran.out
    assert "card:49.7mm" in ran.out
    assert file.read_bytes().startswith(b"%PDF-")


def test_what_is_there_is_left_alone(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "card.pdf"
    file.write_text("mine")
    ran = run("card", file)
    assert ran.status == 2
    assert "is there already" in ran.err
    assert file.read_text() == "mine"


@pytest.mark.parametrize("name", ["card.png", "card", "no/such/folder/card.pdf"])
def test_a_name_that_cannot_be_written(run: Run, tmp_path: Path, name: str) -> None:
    ran = run("card", tmp_path / name)
    assert ran.status == 2
    assert ran.err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_without_reportlab_it_says_what_to_install(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "reportlab.pdfgen.canvas", None)
    ran = run("card", tmp_path / "card.pdf")
    assert ran.status == 2
    assert "macrocheck[card]" in ran.err
    assert list(tmp_path.iterdir()) == []
