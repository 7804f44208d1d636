"""The journal: whatever ends the program, what was answered is there again."""

import errno
import json
import os
from pathlib import Path

import numpy as np
import pytest

from macrocheck.errors import OutputError
from macrocheck.measure import measure_weld
from macrocheck.outline_correction import CLICK_U_PX
from macrocheck.review import edits as e
from macrocheck.review.choices import Limits
from macrocheck.review.journal import Decision, Journal
from macrocheck.review.reduce import reduced
from macrocheck.review.state import History, Step
from macrocheck.scale import Scale
from tests.review.tee import HEIGHT, MM_PER_PX, WIDTH, begun

SHELF = {"mine": Limits("mine", 'name = "mine"\n', shipped=False)}
EDITS: tuple[e.Edit, ...] = (
    e.MovePoint(0, "toe_nonbutting", (480.0, 404.0)),
    e.Choose({"limits": "mine", "given": {"t": "8mm"}, "guard": 0.5}),
    e.AddHint("through", (380.0, 432.0)),
    e.MovePoint(0, "joint_root", (302.0, 401.0)),
    e.MarkSpan(0, "unfused", (302.0, 390.0), (302.0, 350.0)),
    e.AddVoid(0, np.array([[340.0, 360], [350, 360], [350, 370]])),
)


def written(path: Path) -> tuple[History, Journal]:
    """A journal with all of `EDITS` and two undos."""
    state, solver = begun()
    journal = Journal(path, WIDTH, HEIGHT)
    journal.begin(state)
    history = History((Step(state),))
    for edit in EDITS:
        state, change = reduced(history.now, edit, 2 * CLICK_U_PX, solver, SHELF)
        history = history.after(state, change)
        journal.step(history.steps[history.place], history.revision)
    for _ in range(2):
        history = history.moved(-1)
        journal.moved(-1, history.revision)
    return history, journal


def numbers(history: History) -> list[object]:
    scale = Scale(MM_PER_PX, 0.001, "stated")
    return [[measure_weld(h.now, scale, draws=20).quantities for h in step.state.welds] for step in history.steps]


def test_everything_comes_back_as_it_was(tmp_path: Path) -> None:
    history, journal = written(tmp_path / "j")
    journal.decided(Decision("look_again", "the root", "Kim", "2026-01-01T00:00:00+00:00"))
    journal.kept(saved=("a.json",))
    journal.kept(saved=("a.json",), attached=("shop: 1 a",))
    kept = Journal(tmp_path / "j", WIDTH, HEIGHT).read()
    assert kept.history is not None
    assert (kept.history.place, kept.history.revision) == (history.place, history.revision)
    assert numbers(kept.history) == numbers(history)
    for one, two in zip(kept.history.steps, history.steps, strict=True):
        assert one.state.choices == two.state.choices
        assert one.state.hints == two.state.hints
        assert one.change == two.change
        for a, b in zip(one.state.welds, two.state.welds, strict=True):
            assert (a.touched, a.decided, a.spans, dict(a.click)) == (b.touched, b.decided, b.spans, dict(b.click))
            assert {k: v.tolist() for k, v in a.set_points.items()} == {
                k: v.tolist() for k, v in b.set_points.items()
            }
    assert kept.decision == Decision("look_again", "the root", "Kim", "2026-01-01T00:00:00+00:00")
    assert kept.saved == ("a.json",)
    assert kept.attached == ("shop: 1 a",)


def test_an_edit_withdraws_the_decision_in_the_journal_too(tmp_path: Path) -> None:
    history, journal = written(tmp_path / "j")
    journal.decided(Decision("accept", "", "Kim", ""))
    journal.moved(1, history.revision + 1)
    assert Journal(tmp_path / "j", WIDTH, HEIGHT).read().decision is None


def test_cut_short_anywhere_it_holds_all_that_was_whole(tmp_path: Path) -> None:
    written(tmp_path / "whole")
    data = (tmp_path / "whole").read_bytes()
    ends = [0, *(i + 1 for i, c in enumerate(data) if c == ord("\n"))]
    rng = np.random.default_rng(0)
    for k, cut in enumerate([*rng.integers(0, len(data), 25).tolist(), len(data) - 1, ends[3] + 1]):
        path = tmp_path / f"cut-{k}"
        path.write_bytes(data[:cut])
        kept = Journal(path, WIDTH, HEIGHT).read()
        whole = max(end for end in ends if end <= cut)
        steps = [json.loads(line) for line in data[:whole].splitlines() if line.startswith(b'{"step"')]
        assert (0 if kept.history is None else len(kept.history.steps)) == len(steps)
        assert path.read_bytes() == data[:whole]  # ready to be added to
        if cut != whole:
            assert path.with_name(f"cut-{k}.aside-1").read_bytes() == data[:cut]


def test_after_a_cut_it_goes_on(tmp_path: Path) -> None:
    written(tmp_path / "j")
    path = tmp_path / "j"
    path.write_bytes(path.read_bytes()[:-5])
    journal = Journal(path, WIDTH, HEIGHT)
    kept = journal.read()
    assert kept.history is not None
    solver = begun()[1]
    after, change = reduced(kept.history.now, e.MovePoint(0, "toe_butting", (300.0, 270.0)), 1.5, solver, {})
    history = kept.history.after(after, change)
    journal.step(history.steps[history.place], history.revision)
    again = Journal(path, WIDTH, HEIGHT).read().history
    assert again is not None
    assert numbers(again) == numbers(history)


@pytest.mark.parametrize("spoil", [b"\xff\xfe nonsense\n", b'{"step": 3}\n', b"[]\n", b'{"move": "x"}\n'])
def test_a_line_that_makes_no_sense_ends_it_and_is_put_aside(tmp_path: Path, spoil: bytes) -> None:
    history, _ = written(tmp_path / "j")
    path = tmp_path / "j"
    data = path.read_bytes()
    path.write_bytes(data + spoil + data.splitlines(keepends=True)[-1])
    kept = Journal(path, WIDTH, HEIGHT).read()
    assert kept.history is not None
    assert kept.history.revision == history.revision
    assert path.read_bytes() == data


def test_another_photos_or_a_newer_versions_journal_is_put_aside(tmp_path: Path) -> None:
    written(tmp_path / "j")
    data = (tmp_path / "j").read_bytes()
    assert Journal(tmp_path / "j", WIDTH + 1, HEIGHT).read().history is None
    assert (tmp_path / "j.aside-1").read_bytes() == data


def test_a_full_disk_leaves_no_half_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    history, journal = written(tmp_path / "j")
    data = (tmp_path / "j").read_bytes()
    real = os.write

    def full(handle: int, content: bytes) -> int:
        if len(content) > 200:
            return real(handle, content[:200])
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    with pytest.raises(OutputError, match="the disk is full; it was not made"):
        journal.step(history.steps[1], history.revision + 1)
    monkeypatch.undo()
    assert (tmp_path / "j").read_bytes() == data
    journal.moved(-1, history.revision + 1)
    again = Journal(tmp_path / "j", WIDTH, HEIGHT).read().history
    assert again is not None
    assert again.place == history.place - 1


def test_only_its_owner_can_read_it(tmp_path: Path) -> None:
    written(tmp_path / "j")
    if os.name == "posix":
        assert (tmp_path / "j").stat().st_mode & 0o077 == 0
