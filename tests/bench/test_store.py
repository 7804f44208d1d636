"""Runs that are stopped and taken up again: nothing lost, nothing done twice, nothing of other code taken."""

import json
from functools import partial
from pathlib import Path

import pytest

from tests.bench.store import Rows, code_digest, read_lines, run_missing


def square(seed: int, *, log: Path) -> Rows:
    with log.open("a", encoding="utf-8") as file:
        file.write(f"{seed}\n")
    return [{"seed": seed, "square": seed**2}]


def stops_at_three(seed: int) -> Rows:
    if seed == 3:
        raise KeyboardInterrupt
    return [{"seed": seed}]


def test_only_what_is_missing_is_done(tmp_path: Path) -> None:
    log, path = tmp_path / "log", tmp_path / "rows.jsonl"
    job = partial(square, log=log)
    first = run_missing(path, job, range(3), code="a", processes=1)
    assert [line["rows"][0]["square"] for line in first] == [0, 1, 4]
    again = run_missing(path, job, range(5), code="a", processes=1)
    assert [line["seed"] for line in again] == [0, 1, 2, 3, 4]
    assert log.read_text(encoding="utf-8").split() == ["0", "1", "2", "3", "4"]


def test_other_code_is_done_anew_unless_kept(tmp_path: Path) -> None:
    log, path = tmp_path / "log", tmp_path / "rows.jsonl"
    job = partial(square, log=log)
    run_missing(path, job, range(2), code="a", processes=1)
    kept = run_missing(path, job, range(3), code="b", processes=1, keep_older=True)
    assert [line["code"] for line in kept] == ["a", "a", "b"]
    anew = run_missing(path, job, range(3), code="b", processes=1)
    assert [line["code"] for line in anew] == ["b", "b", "b"]
    assert log.read_text(encoding="utf-8").split() == ["0", "1", "2", "0", "1"]


def test_a_run_stopped_and_a_line_cut_short(tmp_path: Path) -> None:
    path = tmp_path / "rows.jsonl"
    with pytest.raises(KeyboardInterrupt):
        run_missing(path, stops_at_three, range(6), code="a", processes=1)
    assert sorted(read_lines(path)) == [0, 1, 2]
    path.write_text(path.read_text(encoding="utf-8")[:-9], encoding="utf-8")
    assert sorted(read_lines(path)) == [0, 1]
    log = tmp_path / "log"
    lines = run_missing(path, partial(square, log=log), range(4), code="a", processes=1)
    assert [line["seed"] for line in lines] == [0, 1, 2, 3]
    assert log.read_text(encoding="utf-8").split() == ["2", "3"]
    whole = [t for t in path.read_text(encoding="utf-8").splitlines() if t.endswith("}")]
    assert [json.loads(t)["seed"] for t in whole] == [0, 1, 2, 3]


def test_two_processes_give_the_same(tmp_path: Path) -> None:
    job = partial(square, log=tmp_path / "log")
    alone = run_missing(tmp_path / "one.jsonl", job, range(7), code="a", processes=1)
    assert run_missing(tmp_path / "two.jsonl", job, range(7), code="a", processes=2) == alone


def test_digest_follows_the_source() -> None:
    assert code_digest(["macrocheck/measure"]) == code_digest(["macrocheck/measure"])
    assert code_digest(["macrocheck/measure"]) != code_digest(["macrocheck/grade"])
    with pytest.raises(ValueError, match="holds no source"):
        code_digest(["macrocheck/nothing"])
