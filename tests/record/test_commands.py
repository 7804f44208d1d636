"""`macrocheck attach` and `macrocheck record`."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from macrocheck.results import CAUTIONS
from tests.cli.conftest import Run
from tests.cli.coupon import MARK, write_outline, write_photo


@pytest.fixture
def measured(run: Run, tmp_path: Path) -> Path:
    """The result file that `macrocheck measure` writes."""
    photo = write_photo(tmp_path / "tee.png")
    drawn = write_outline(tmp_path / "tee.drawn.geojson")
    assert run("measure", photo, "--mark", MARK, "--outline", drawn, "--out", tmp_path / "out").status == 0
    return tmp_path / "out" / "tee.result.json"


def test_from_result_to_spreadsheet(run: Run, measured: Path, tmp_path: Path) -> None:
    record = tmp_path / "bench.db"
    ran = run("attach", record, "T6-01", measured, "--set", "amps=180", "--set", "wfs=300 in/min", "--by", "Kim")
    assert (ran.status, ran.err) == (0, "")
    assert "2 revisions added" in ran.out
    assert CAUTIONS[0] in ran.out
    said = run("record", "show", record, "T6-01", "--history").out
    assert "amps             180 A" in said
    assert "leg_butting" in said
    assert "kept beside the record" in said
    assert "Kim  coupon T6-01, number 1" in said
    assert CAUTIONS[0] in said
    assert "T6-01         tee" in run("record", "list", record, "--where", "amps>170").out
    assert "0 sections" in run("record", "list", record, "--where", "amps>190").out
    assert run("record", "export", record, tmp_path / "x.xlsx").status == 0
    assert run("record", "export", record, "-", "--to", "csv").out.startswith("coupon,section,weld")
    ran = run("record", "verify", record)
    assert (ran.status, "nothing was changed" in ran.out) == (0, True)
    assert "1 coupon, 1 section" in run("record", "show", record).out


def test_a_photo_is_measured_first(run: Run, tmp_path: Path) -> None:
    photo = write_photo(tmp_path / "tee.png")
    drawn = write_outline(tmp_path / "tee.drawn.geojson")
    record = tmp_path / "bench.db"
    arguments = ("attach", record, "T6-01", photo, "--mark", MARK, "--outline", drawn, "--keep-photos", "inside")
    ran = run(*arguments, "--limits", "iso5817-fillet-b", "--given", "t=6mm", "--given", "a=3mm")
    assert ran.status in {0, 1, 3}
    assert not (tmp_path / "bench.db.photos").exists()
    assert "kept inside" in run("record", "show", record, "T6-01").out
    again = run(*arguments)
    assert again.status == 2
    assert "a correction needs a reason" in again.err
    assert run(*arguments, "--reason", "graded against the wrong limits").status == 0
    said = run("record", "show", record, "T6-01", "--history").out
    assert "number 2: graded against the wrong limits" in said
    assert run("record", "verify", record).status == 0


def test_a_tampered_record_ends_with_1(run: Run, measured: Path, tmp_path: Path) -> None:
    record = tmp_path / "bench.db"
    noted = run("attach", record, "A", measured).out.split("hash ")[1].split()[0]
    assert run("record", "verify", record, "--expect", f"2:{noted}").status == 0
    (photo,) = (tmp_path / "bench.db.photos").iterdir()
    photo.write_bytes(b"x")
    ran = run("record", "verify", record)
    assert ran.status == 1
    assert "the photograph tee.png was changed" in ran.out
    assert run("record", "verify", record, "--expect", f"2:{noted[::-1]}").status == 1
    assert run("record", "verify", record, "--expect", "2").status == 2


def test_a_record_that_was_renamed_asks_for_its_photographs(run: Run, measured: Path, tmp_path: Path) -> None:
    run("attach", tmp_path / "bench.db", "A", measured)
    renamed = (tmp_path / "bench.db").rename(tmp_path / "march.db")
    ran = run("record", "verify", renamed)
    assert ran.status == 1
    assert "there is no folder" in ran.out
    assert "name its photographs' folder with --photos" in ran.out
    assert run("record", "verify", renamed, "--photos", tmp_path / "bench.db.photos").status == 0


def test_a_change_of_settings_rebalances(run: Run, measured: Path, tmp_path: Path) -> None:
    record = tmp_path / "bench.db"
    sets = ["--set", "wfs=300 in/min", "--set", "wire size=.035in", "--set", "process=GMAW"]
    run("attach", record, "A", measured, *sets)
    before = run("record", "show", record, "A").out
    assert "implied_travel_speed" in before
    assert "fill_area_ratio" not in before
    ran = run("attach", record, "A", "--set", "travel=15 in/min", "--reason", "was forgotten")
    assert "2 revisions added" in ran.out
    assert "fill_area_ratio" in run("record", "show", record, "A").out
    assert "says all that already" in run("attach", record, "A", "--set", "travel=15 in/min").out
    assert run("record", "verify", record).status == 0


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (["attach", "R", "A"], "Name a result"),
        (["attach", "R", "A", "--set", "amps"], "not a setting"),
        (["attach", "R", "A", "--set", "amps=hot"], "not a number"),
        (["attach", "R", "A", "none.json"], "does not exist"),
        (["attach", "R", "A", "none.jpg"], "state the mark"),
        (["attach", "R", "A", "none.jpg", "--mark", "bar:10mm"], "does not exist"),
        (["attach", "R", "A", "a.json", "b.json", "--section", "x"], "hold for one file"),
        (["attach", "R", " A", "--set", "amps=180"], "without blanks"),
        (["record", "show", "R"], "There is no record"),
        (["record", "list", "R"], "There is no record"),
        (["record", "verify", "R"], "There is no record"),
        (["record", "export", "R", "x.pdf"], "Say what to write"),
        (["record", "export", "R", "-", "--to", "xlsx"], "name one"),
        (["record", "export", "R", "x", "--to", "folder", "--where", "amps>1"], "leave --where out"),
        (["record", "import", "F", "R2"], "is not a folder that"),
        (["attach", "sqlite://", "A", "--set", "amps=5"], "is a database in memory"),
        (["attach", "sqlite:///:memory:", "A", "--set", "amps=5"], "is a database in memory"),
        (["record", "show", "/dev/null"], "is not an ordinary file"),
        (["attach", "R", "A", "/dev/null", "--mark", "bar:10mm"], "is not an ordinary file"),
    ],
)
def test_faults(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], part: str) -> None:
    monkeypatch.chdir(tmp_path)
    ran = run(*arguments)
    assert ran.status == 2
    assert part in ran.err
    assert not [p for p in tmp_path.iterdir() if p.name != "R"]


def test_results_that_are_none(run: Run, measured: Path, tmp_path: Path) -> None:
    document: dict[str, Any] = json.loads(measured.read_text(encoding="utf-8"))
    for name, content, part in (
        ("list", [document], "holds several results"),
        ("none", {**document, "welds": []}, "holds no weld"),
        ("other", {"format": "songs"}, "is not a result of macrocheck measure"),
        ("broken", None, "is not JSON"),
    ):
        file = tmp_path / f"{name}.json"
        file.write_text("{" if content is None else json.dumps(content), encoding="utf-8")
        ran = run("attach", tmp_path / "bench.db", "A", file)
        assert ran.status == 2
        assert part in ran.err
    assert not (tmp_path / "bench.db").exists()


def test_one_photograph_for_two_coupons(run: Run, measured: Path, tmp_path: Path) -> None:
    run("attach", tmp_path / "bench.db", "A", measured)
    ran = run("attach", tmp_path / "bench.db", "B", measured)
    assert ran.status == 2
    assert "is on the record as coupon A's" in ran.err
    assert "1 coupon, 1 section" in run("record", "show", tmp_path / "bench.db").out


def test_one_photograph_for_two_sections(run: Run, measured: Path, tmp_path: Path) -> None:
    """A result under another file name is not another section: its photograph says which one it is."""
    record, renamed = tmp_path / "bench.db", measured.with_name("again.result.json")
    renamed.write_bytes(measured.read_bytes())
    run("attach", record, "A", measured)
    ran = run("attach", record, "A", renamed)
    assert ran.status == 2
    assert "is on the record as section tee of coupon A already" in ran.err
    assert "--section tee and a reason" in ran.err
    assert run("attach", record, "A", renamed, "--section", "tee", "--reason", "read again").status == 0
    ran = run("attach", record, "B", measured, renamed)
    assert (ran.status, "is given twice" in ran.err) == (2, True)
    assert "1 coupon, 1 section" in run("record", "show", record).out


def test_an_id_in_other_letters_is_asked_about(run: Run, measured: Path, tmp_path: Path) -> None:
    record = tmp_path / "bench.db"
    run("attach", record, "T6-É", measured)
    ran = run("attach", record, "t6-é", "--set", "amps=180")
    assert ran.status == 2
    assert "The record has a coupon T6-É; write the id like that" in ran.err
    assert run("attach", record, "T6-É", "--set", "amps=180", "--reason", "was forgotten").status == 0


def test_coupons_without_a_section_are_counted_apart(run: Run, measured: Path, tmp_path: Path) -> None:
    record = tmp_path / "bench.db"
    run("attach", record, "A", measured)
    run("attach", record, "B", "--set", "amps=180")
    assert "\n1 section, 1 coupon without one\n" in run("record", "list", record).out


def test_a_coupon_that_is_not_there(run: Run, measured: Path, tmp_path: Path) -> None:
    run("attach", tmp_path / "bench.db", "A", measured)
    ran = run("record", "show", tmp_path / "bench.db", "B")
    assert ran.status == 2
    assert "There is no coupon B" in ran.err


@pytest.mark.parametrize(
    "arguments", [["--help"], ["attach", "--help"], ["record", "--help"], ["record", "list", "-h"]]
)
def test_light_start(arguments: list[str]) -> None:
    code = f"""
import sys
from macrocheck.cli import main
try:
    main({arguments!r})
except SystemExit as end:
    assert end.code == 0, end.code
loaded = {{"numpy", "cv2", "sqlalchemy", "openpyxl", "rich", "rocrate", "distributed"}} & set(sys.modules)
assert not loaded, loaded
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
