"""`macrocheck limits`: list, show, new."""

from pathlib import Path

import pytest

from macrocheck.grade import load_limits, shipped_names, shipped_text
from macrocheck.quantities import BY_KEY
from tests.cli.conftest import Run


def test_list(run: Run) -> None:
    ran = run("limits", "list")
    assert ran.status == 0
    for name in shipped_names():
        assert f"{name} " in ran.out
    assert "Check every row against your own copy" in ran.out


@pytest.mark.parametrize("name", shipped_names())
def test_show_every_row_with_source_and_mark(run: Run, name: str) -> None:
    ran = run("limits", "show", name)
    said = " ".join(ran.out.split())
    for limit in load_limits(name).limits:
        assert limit.name in said
        assert f"Source: {limit.source} [{limit.mark}]" in said
        for formula in limit.formulas:
            assert formula.text in said
    assert "Check every row against your own copy" in said
    assert ran.status == 0


def test_keys_are_what_a_limit_can_be_on(run: Run) -> None:
    ran = run("limits", "keys")
    listed = {line.split()[0] for line in ran.out.splitlines() if line and not line.startswith("Symbols")}
    for key in listed:
        unit = {"mm": "1mm", "mm2": "1mm*1mm", "deg": "1deg", "1": "1%"}[BY_KEY[key].unit]
        assert load_limits(f'[[limit]]\nname = "x"\nquantity = "{key}"\nat_most = "{unit}"\n').limits
    assert listed == {key for key, kind in BY_KEY.items() if not kind.is_list}


def test_new_gives_a_file_that_can_be_shown(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "bench.toml"
    assert run("limits", "new", file).status == 0
    shown = run("limits", "show", file)
    assert shown.status == 0
    assert "at most min(1mm + 0.1*b, 3mm), for t > 3mm" in " ".join(shown.out.split())
    before = file.read_bytes()
    again = run("limits", "new", file)
    assert again.status == 2
    assert "there already" in again.err
    assert file.read_bytes() == before


def test_new_from_a_shipped_set(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    assert run("limits", "new", file, "--from", "iso5817-fillet-c").status == 0
    assert load_limits(file).limits == load_limits("iso5817-fillet-c").limits
    assert not load_limits(file).shipped
    assert load_limits(file).name == "mine"


def test_an_edited_copy_does_not_go_by_the_shipped_name(
    run: Run, coupon: tuple[object, ...], tmp_path: Path
) -> None:
    text = shipped_text("structural-steel-macroetch")
    same, edited = tmp_path / "same.toml", tmp_path / "bench.toml"
    same.write_text(text, encoding="utf-8")
    edited.write_text(text.replace('at_least = "z"', 'at_least = "1mm"'), encoding="utf-8")
    assert load_limits(same).name == "structural-steel-macroetch"  # the same rows, whatever the file is called
    assert load_limits(edited).name == "bench"
    assert load_limits(edited.read_text(encoding="utf-8")).name == "structural-steel-macroetch, changed"
    ran = run("measure", *coupon, "--limits", edited, "--given", "z=9mm")
    assert "(limits bench)" in ran.out
    # what it says to type shows the rows that were used
    assert f"Sources of the limits: macrocheck limits show {edited}" in ran.out


def test_faults(run: Run, tmp_path: Path) -> None:
    faults: list[tuple[list[object], str]] = [
        (["show", "nowhere"], "no limits file 'nowhere'"),
        (["new", tmp_path / "x.toml", "--from", "nowhere"], "no shipped limit set"),
        (["new", tmp_path / "no" / "folder" / "x.toml"], "cannot be written"),
        (["show"], "Missing argument"),
        (["show", ""], "have no name"),
        (["show", "/dev/null"], "not an ordinary file"),
        (["new", ""], "no name for a file"),
    ]
    for arguments, part in faults:
        ran = run("limits", *arguments)
        assert ran.status == 2
        assert part in ran.err
    assert list(tmp_path.iterdir()) == []


def test_help_in_one_line_is_not_cut_off(run: Run) -> None:
    for group in ("limits", "run", "record"):
        assert "..." not in run(group, "--help").out.split("Commands:")[1]
