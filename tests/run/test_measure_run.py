"""`macrocheck run measure`: everything recorded once, whatever fails or stops it; a rerun does what is missing."""

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import pytest
from sqlalchemy import select

from macrocheck.pipeline import measure_photo
from macrocheck.record import arc, schema
from macrocheck.record.attach import revise
from macrocheck.record.engine import reading
from macrocheck.record.facts import weld_facts
from macrocheck.record.query import body_of, list_sections, parse_filter
from macrocheck.record.store import open_record
from macrocheck.record.verify import verify
from macrocheck.results import CAUTIONS
from macrocheck.run import pool
from macrocheck.run.work import Outcome, SectionJob, measure_sections
from tests.cli.conftest import Run
from tests.cli.coupon import MARK, outline, write_outline
from tests.run.quick import write_sheet

Job = tuple[SectionJob, ...]


@pytest.fixture
def in_process(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """Measure in this process, and count what is measured."""
    counted: Counter[str] = Counter()

    def measure(jobs: Sequence[Job], _: int, __: float) -> Iterator[tuple[int, tuple[Outcome, ...]]]:
        for i, job in reversed(list(enumerate(jobs))):  # any order will do
            counted.update(s.section for s in job)
            yield i, measure_sections(job)

    monkeypatch.setattr(pool, "measure_here", measure)
    return counted


def revisions(place: Path) -> list[tuple[str, str, int, str | None]]:
    record = open_record(place)
    r = schema.revision
    with reading(record.engine, record.name) as conn:
        rows = conn.execute(select(r.c.kind, r.c.subject, r.c.number, r.c.reason).order_by(r.c.seq)).all()
    record.close()
    return [(row.kind, row.subject, row.number, row.reason) for row in rows]


def check_record(place: Path, coupons: int) -> None:
    record = open_record(place)
    assert verify(record).faults == ()
    with reading(record.engine, record.name) as conn:
        assert len(list(list_sections(conn))) == coupons
    record.close()


def test_all_in_processes(run: Run, sheet: Path, tmp_path: Path) -> None:
    record = tmp_path / "bench.db"
    ran = run("run", "measure", sheet, "--record", record, "--limits", "iso5817-fillet-b", "--given", "a=3mm")
    assert ran.status in {0, 1, 3}
    assert [line.split()[0] for line in ran.out.splitlines() if line.startswith("C0")] == ["C000", "C001", "C002"]
    assert "3 recorded now, 0 unchanged, 0 not measured" in ran.out
    assert CAUTIONS[0] in ran.out
    check_record(record, 3)
    assert len(list((tmp_path / "bench.db.photos").iterdir())) == 3
    again = run("run", "measure", sheet, "--record", record, "--limits", "iso5817-fillet-b", "--given", "a=3mm")
    assert again.status == ran.status
    assert "0 recorded now, 3 unchanged" in again.out
    assert len(revisions(record)) == 7  # the run, and a coupon and a section for each
    said = run("record", "show", record, "C001").out
    for part in ("heat_input ", "fill_area_expected", "fill_area_ratio", "implied_travel_speed", "run trial"):
        assert part in said


def test_only_what_changed(run: Run, sheet: Path, tmp_path: Path, in_process: Counter[str]) -> None:
    record = tmp_path / "bench.db"
    command = ("run", "measure", sheet, "--record", record)
    run(*command)
    assert in_process == {"p000": 1, "p001": 1, "p002": 1}
    text = sheet.read_text(encoding="utf-8")

    sheet.write_text(text.replace(",151,15", ",151,18"), encoding="utf-8")
    run(*command)
    assert in_process.total() == 3
    assert revisions(record)[-2:] == [
        ("coupon", '["C001"]', 2, "sheet changed: travel_speed"),
        ("section", '["C001","p001"]', 2, "sheet changed: travel_speed"),  # its metal balance
    ]

    sheet.write_text(text.replace(",151,15", ",151,18").replace("p002.png,tee.geojson,px:0.02mm",
                     "p002.png,tee.geojson,px:0.021mm"), encoding="utf-8")  # fmt: skip
    run(*command)
    assert in_process == {"p000": 1, "p001": 1, "p002": 2}
    assert revisions(record)[-1] == ("section", '["C002","p002"]', 2, "p002: changed: marks")

    run(*command, "--limits", "iso5817-fillet-b", "--given", "a=3mm", "--reason", "graded now")
    assert in_process.total() == 7
    assert {r[3] for r in revisions(record)[-3:]} == {"graded now"}
    check_record(record, 3)


def test_a_mark_off_the_sections_plane(run: Run, sheet: Path, tmp_path: Path, in_process: Counter[str]) -> None:
    """Its height is in the result, is on the record, and a changed one is measured anew (300 / 295, pinhole)."""
    lines = sheet.read_text(encoding="utf-8").replace(MARK, '"points:100,100,600,100=10mm"').splitlines()
    record, command = tmp_path / "bench.db", ("run", "measure", sheet, "--record", tmp_path / "bench.db")
    sheet.write_text("\n".join(lines) + "\n", encoding="utf-8")
    run(*command)
    columns = ("mark offset,camera distance", ",", "5 mm,300 mm", ",")
    height = [f"{line},{more}" for line, more in zip(lines, columns, strict=True)]
    sheet.write_text("\n".join(height) + "\n", encoding="utf-8")
    run(*command)
    assert in_process == {"p000": 1, "p001": 2, "p002": 1}
    last = revisions(record)[-1]
    assert last == ("section", '["C001","p001"]', 2, "p001: changed: height of the mark, distance of the camera")
    opened = open_record(record)
    with reading(opened.engine, opened.name) as conn:
        bodies = [body_of(conn, row.section_seq or 0) for row in list_sections(conn)]
    opened.close()
    assert [(b.get("mark_offset_mm"), b.get("camera_distance_mm")) for b in bodies] == [
        (None, None), (5.0, 300.0), (None, None)
    ]  # fmt: skip


def test_a_correction_outlives_runs(
    run: Run, sheet: Path, tmp_path: Path, in_process: Counter[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a person corrected is not measured again of itself, and where it must be, with the corrected outline."""
    text = sheet.read_text(encoding="utf-8").replace("tee.geojson", "")
    record, command = tmp_path / "bench.db", ("run", "measure", sheet, "--record", tmp_path / "bench.db")
    run(*command)
    # as if it had been found: the sheet names no outline, and inputs say so
    sheet.write_text(text, encoding="utf-8")
    monkeypatch.setattr("macrocheck.segment.find_outline", lambda _, **__: outline())
    run(*command)
    assert in_process["p001"] == 2
    corrected = measure_photo(
        tmp_path / "p001.png", mark=MARK, outline=replace(outline(240.0), made_by="corrected by hand")
    )
    opened = open_record(record)
    revise(opened, "C001", "p001", corrected, reason="toe moved", who="Lee")
    opened.close()
    run(*command)
    assert in_process["p001"] == 2
    run(*command, "--limits", "iso5817-fillet-b", "--given", "a=3mm")
    assert in_process["p001"] == 3
    reasons = [r[3] for r in revisions(record) if r[1] == '["C001","p001"]']
    assert reasons[-1] == "p001: changed: given lengths, limits; measured with the outline corrected by hand"
    monkeypatch.setattr("macrocheck.run.plan.__version__", "99.0")
    monkeypatch.setattr("macrocheck.run.drive.__version__", "99.0")
    run(*command, "--limits", "iso5817-fillet-b", "--given", "a=3mm")
    opened = open_record(record)
    with reading(opened.engine, opened.name) as conn:
        legs = {w.listed.coupon: w.quantities["leg_butting"].value for w in weld_facts(conn)}
    assert verify(opened).faults == ()
    opened.close()
    assert legs == pytest.approx({"C000": 5, "C001": 4.8, "C002": 5}, abs=0.05)
    # an outline that the sheet names goes before it
    sheet.write_text(text.replace("p001.png,,", "p001.png,tee.geojson,"), encoding="utf-8")
    run(*command)
    opened = open_record(record)
    with reading(opened.engine, opened.name) as conn:
        (now,) = weld_facts(conn, [parse_filter("coupon=C001")])
    opened.close()
    assert now.quantities["leg_butting"].value == pytest.approx(5, abs=0.05)


def test_a_result_attached_to_a_runs_coupon_outlives_runs(
    run: Run, sheet: Path, tmp_path: Path, in_process: Counter[str]
) -> None:
    record = tmp_path / "bench.db"
    run("run", "measure", sheet, "--record", record)
    drawn = write_outline(tmp_path / "drawn.geojson", 240.0)
    run("measure", tmp_path / "p001.png", "--mark", MARK, "--outline", drawn, "--out", tmp_path / "out")
    ran = run("attach", record, "C001", tmp_path / "out" / "p001.result.json", "--reason", "toe moved")
    assert ran.status == 0, ran.err
    assert "0 recorded now, 3 unchanged" in run("run", "measure", sheet, "--record", record).out
    assert in_process.total() == 3
    check_record(record, 3)


def test_a_new_version_measures_again(
    run: Run, sheet: Path, tmp_path: Path, in_process: Counter[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    command = ("run", "measure", sheet, "--record", tmp_path / "bench.db")
    run(*command)
    other_words = replace(arc.STEEL_DENSITY, text="steel, in other words")
    monkeypatch.setattr(arc, "STEEL_DENSITY", other_words)
    run(*command)
    assert in_process.total() == 3
    assert (
        revisions(tmp_path / "bench.db")[-1][3] == "the same settings, worked out by another version of macrocheck"
    )
    for module in ("plan", "drive"):
        monkeypatch.setattr(f"macrocheck.run.{module}.__version__", "99.0")
    run(*command)
    assert in_process.total() == 6


def test_one_failure_does_not_stop_the_rest(
    run: Run, sheet: Path, tmp_path: Path, in_process: Counter[str]
) -> None:
    whole = (tmp_path / "p001.png").read_bytes()
    (tmp_path / "p001.png").write_bytes(whole[:3000])
    record = tmp_path / "bench.db"
    ran = run("run", "measure", sheet, "--record", record)
    assert ran.status == 2
    assert "2 recorded now, 0 unchanged, 1 not measured" in ran.out
    assert "is damaged or cut short" in ran.out
    check_record(record, 3)
    count = len(revisions(record))
    run("run", "measure", sheet, "--record", record)  # fails again in the same way: nothing new to say
    assert len(revisions(record)) == count
    (tmp_path / "p001.png").write_bytes(whole)
    assert run("run", "measure", sheet, "--record", record).status == 0
    assert in_process == {"p000": 1, "p001": 3, "p002": 1}
    assert revisions(record)[-1][2:] == (2, "p001: changed: photograph")


def test_faults_stop_before_anything_is_measured(
    run: Run, sheet: Path, tmp_path: Path, in_process: Counter[str]
) -> None:
    (tmp_path / "p001.png").unlink()
    record = tmp_path / "bench.db"
    ran = run("run", "measure", sheet, "--record", record)
    assert ran.status == 2
    assert "B3: the photograph p001.png does not exist" in ran.err
    assert not record.exists()
    ran = run("run", "measure", sheet, "--record", record, "--skip-faults")
    assert ran.status == 2
    assert in_process == {"p000": 1, "p002": 1}


def test_a_coupon_of_another_run(run: Run, sheet: Path, tmp_path: Path, in_process: Counter[str]) -> None:
    record = tmp_path / "bench.db"
    run("run", "measure", sheet, "--record", record)
    ran = run("run", "measure", sheet, "--record", record, "--run", "second")
    assert ran.status == 2
    assert "is on the record from run trial already" in ran.out
    assert in_process.total() == 3
    check_record(record, 3)


def test_an_id_in_other_letters(run: Run, sheet: Path, tmp_path: Path, in_process: Counter[str]) -> None:
    record = tmp_path / "bench.db"
    run("run", "measure", sheet, "--record", record)
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("C001", "c001"), encoding="utf-8")
    ran = run("run", "measure", sheet, "--record", record)
    assert ran.status == 2
    assert "The record has a coupon C001; write the id like that" in ran.out
    assert in_process.total() == 3
    check_record(record, 3)


def test_a_photograph_that_is_another_coupons(
    run: Run, sheet: Path, tmp_path: Path, in_process: Counter[str]
) -> None:
    record = tmp_path / "bench.db"
    run("run", "measure", sheet, "--record", record)
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("C001", "D001"), encoding="utf-8")
    ran = run("run", "measure", sheet, "--record", record)
    assert ran.status == 2
    assert "is on the record as coupon C001's" in ran.out
    assert in_process.total() == 3


def test_several_sections_of_one_coupon(run: Run, tmp_path: Path, in_process: Counter[str]) -> None:
    sheet = write_sheet(tmp_path, 2)
    text = sheet.read_text(encoding="utf-8").splitlines()
    one = text[1].replace("p000.png,tee.geojson", "p000.png;p001.png,tee.geojson;tee.geojson")
    sheet.write_text(f"{text[0]}\n{one}\n", encoding="utf-8")
    record = tmp_path / "bench.db"
    assert run("run", "measure", sheet, "--record", record).status == 0
    assert in_process == {"p000": 1, "p001": 1}
    check_record(record, 2)
    opened = open_record(record)
    with reading(opened.engine, opened.name) as conn:
        rows = list(list_sections(conn))
        assert [(r.coupon, r.section) for r in rows] == [("C000", "p000"), ("C000", "p001")]
        body: dict[str, Any] = body_of(conn, rows[1].section_seq or 0)
        assert body["outline"] is not None
        assert body["photo"]["kept"] == "beside"
    opened.close()


def command_line(sheet: Path, record: Path) -> list[str]:
    return [
        sys.executable,
        "-m",
        "macrocheck",
        "run",
        "measure",
        str(sheet),
        "--record",
        str(record),
        "--jobs",
        "2",
    ]


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT])
def test_stopped_in_the_middle(run: Run, tmp_path: Path, how: signal.Signals) -> None:
    # So many that even on a machine busy with other things they are not done before it is stopped.
    sheet = write_sheet(tmp_path, 40)
    record = tmp_path / "bench.db"
    with subprocess.Popen(command_line(sheet, record), stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        photos = tmp_path / "bench.db.photos"
        deadline = time.monotonic() + 60
        while (not photos.exists() or len(list(photos.iterdir())) < 2) and time.monotonic() < deadline:
            time.sleep(0.02)
        os.kill(running.pid, how)
        try:
            _, err = running.communicate(timeout=60)
        except subprocess.TimeoutExpired:
            running.kill()
            raise
    if how == signal.SIGINT:
        assert running.returncode == 130
        assert b"Traceback" not in err
        assert b"stopped" in err
    opened = open_record(record)
    found = verify(opened)
    opened.close()
    assert found.faults == ()
    kept = Counter(r[1] for r in revisions(record) if r[0] == "section")
    assert 1 <= len(kept) < 40
    assert set(kept.values()) == {1}
    ran = run("run", "measure", sheet, "--record", record)
    assert ran.status == 0
    assert f"{len(kept)} unchanged" in ran.out
    check_record(record, 40)


def _misbehave(job: SectionJob) -> Outcome:
    """Do what the section's name says."""
    if job.section == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    if job.section == "die once" and not Path(job.photo).exists():
        Path(job.photo).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    if job.section == "threads":
        return Outcome(failure=f"{os.environ['OPENBLAS_NUM_THREADS']} of BLAS, {cv2.getNumThreads()} of OpenCV")
    if job.section == "hang":
        time.sleep(600)
    return Outcome(failure=f"by {os.getpid()}")


def _job(photo: Path, *sections: str, outline: bytes | None = None) -> Job:
    return tuple(SectionJob("C", s, str(photo), "0" * 64, (), "auto", (), outline) for s in sections)


def test_a_process_that_dies_or_hangs_takes_nothing_with_it(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(pool, "measure_section", _misbehave)
    names = (("a",), ("die",), ("b", "hang", "c"), ("d",), ("die once",), ("e", "f"), ("hang",), ("g",))
    large = b"x" * 3_000_000  # more than fits into a pipe
    found = dict(pool.measure_here([_job(tmp_path / "died", *n, outline=large) for n in names], 2, 0.5))
    assert sorted(found) == list(range(8))
    for i, sections in enumerate(names):
        for section, outcome in zip(sections, found[i], strict=True):
            assert outcome.failure is not None
            wanted = {"die": pool.DIED, "hang": "It was given up after 0.5 s"}.get(section, "by ")
            assert outcome.failure.startswith(wanted), section
    assert not [c for c in multiprocessing.active_children() if c.is_alive()]


def test_a_process_takes_one_thread(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(pool, "measure_section", _misbehave)
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "7")
    monkeypatch.delenv("OMP_NUM_THREADS", raising=False)
    ((_, (outcome,)),) = pool.measure_here([_job(tmp_path, "threads")], 1)
    assert outcome.failure == "1 of BLAS, 1 of OpenCV"
    assert os.environ["OPENBLAS_NUM_THREADS"] == "7"
    assert "OMP_NUM_THREADS" not in os.environ


def test_stopping_early_ends_the_processes(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(pool, "measure_section", _misbehave)
    jobs = [_job(tmp_path, "a"), _job(tmp_path, "hang"), _job(tmp_path, "hang")]
    coming = pool.measure_here(jobs, 2)
    assert next(coming)[0] == 0
    begun = time.monotonic()
    coming.close()  # type: ignore[attr-defined]
    assert time.monotonic() - begun < 5
    assert not multiprocessing.active_children()


def test_time_during_which_nothing_could_go_on_does_not_count(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """As when the machine sleeps: an hour passes between two looks at the clock."""
    monkeypatch.setattr(pool, "measure_section", _misbehave)
    hours = iter(range(0, 10**6, 3600))
    monkeypatch.setattr("macrocheck.run.pool.time.monotonic", lambda: next(hours))
    found = dict(pool.measure_here([_job(tmp_path, s) for s in "abcd"], 2, 300.0))
    assert all(o.failure is not None and o.failure.startswith("by ") for (o,) in found.values())


def test_light_start() -> None:
    code = """
import sys
from macrocheck.cli import main
try:
    main(["run", "measure", "--help"])
except SystemExit as end:
    assert end.code == 0, end.code
loaded = {"numpy", "cv2", "sqlalchemy", "openpyxl", "rich", "rocrate", "distributed"} & set(sys.modules)
assert not loaded, loaded
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
