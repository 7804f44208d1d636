"""`macrocheck plot`: every kind, both file kinds, refusals."""

import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from tests.cli.conftest import Run


@pytest.mark.parametrize(
    ("kind", "more"),
    [
        ("strip", ["--by", "gas", "--of", "root_penetration"]),
        ("profile", ["--by", "gas"]),
        ("sections", []),
        ("relation", ["--x", "amps", "--of", "depth_of_fusion_nonbutting"]),
        ("control", ["--of", "root_penetration", "--unit", "in"]),
    ],
)
def test_every_kind(bench: Path, run: Run, tmp_path: Path, kind: str, more: list[str]) -> None:
    target = tmp_path / f"{kind}.svg"
    ended = run("plot", bench, kind, "--to", target, "--where", "operator=Ruiz", *more)
    assert ended.status == 0
    assert ended.out == f"Wrote {target}\n"
    assert ET.parse(target).getroot().tag.endswith("svg")


def test_png(bench: Path, run: Run, tmp_path: Path) -> None:
    ended = run("plot", bench, "strip", "--to", tmp_path / "a.png", "--dpi", "60")
    assert ended.status == 0
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["strip", "--to", "a.jpg"], "a.jpg must end in .svg or .png"),
        (["relation", "--to", "a.svg"], "--x amps"),
        (["relation", "--to", "a.svg", "--x", "gas"], "gas"),
        (["strip", "--to", "a.svg", "--of", "beauty"], "'beauty' is not a quantity"),
        (["control", "--to", "a.svg", "--where", "operator=Kim"], "No coupon is left"),
    ],
)
def test_refusals(
    bench: Path, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], sentence: str
) -> None:
    monkeypatch.chdir(tmp_path)
    ended = run("plot", bench, *arguments)
    assert ended.status == 2
    assert sentence in ended.err
    assert not list(tmp_path.iterdir())
