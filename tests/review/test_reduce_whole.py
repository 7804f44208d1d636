"""Edits of whole things on a tee of plain geometry: welds drawn and taken away, the joint, the scale, settings."""

import numpy as np
import pytest

from macrocheck.errors import InputError
from macrocheck.measure import measure_weld
from macrocheck.review import edits as e
from macrocheck.review.choices import Limits
from macrocheck.review.figures import outline_of
from macrocheck.review.reduce import reduced
from tests.review.tee import (
    LEG_BUTTING,
    LEG_NONBUTTING,
    MM_PER_PX,
    ROOT,
    SCALE,
    TOE_BUTTING,
    TOE_NONBUTTING,
    FakeSolver,
    at,
    begun,
    edited,
    value,
)


def test_a_weld_is_drawn_where_none_was_found() -> None:
    solver = FakeSolver(welds=())
    state, _ = begun(solver)
    assert state.problem == "no weld was found"
    edit = e.DrawWeld("tee", at(*TOE_BUTTING), at(*TOE_NONBUTTING), at(*ROOT))
    after, _ = edited(state, edit, solver)
    assert after.problem is None
    assert value(after, "leg_butting") == pytest.approx(LEG_BUTTING * MM_PER_PX, abs=1e-3)
    assert value(after, "unfused_nonbutting") == pytest.approx(LEG_NONBUTTING * MM_PER_PX, abs=0.02)
    assert outline_of(after).made_by == "drawn by hand"
    deeper, _ = edited(after, e.Redraw("0/fusion", np.array([[440.0, 401], [380, 420], [310, 401]])), solver)
    assert value(deeper, "depth_of_fusion_nonbutting") == pytest.approx(20 * MM_PER_PX, abs=0.1)


def test_a_bead_is_drawn_without_a_root() -> None:
    solver = FakeSolver(welds=())
    state, _ = begun(solver)
    after, _ = edited(state, e.DrawWeld("bead", at(200, 300), at(320, 300)), solver)
    measured = measure_weld(after.welds[0].now, SCALE).quantities
    assert measured["bead_width"].value == pytest.approx(120 * MM_PER_PX, abs=1e-3)


def test_a_weld_taken_away_is_said_so() -> None:
    solver = FakeSolver()
    state, _ = begun(solver)
    after, _ = edited(state, e.RemoveWeld(0), solver)
    outline = outline_of(after)
    assert outline.welds == ()
    assert outline.made_by == "corrected by hand"
    assert after.problem is not None
    again, _ = edited(after, e.Plain("reset"), solver)
    assert outline_of(again).made_by == "found"


def test_another_joint_has_the_outline_found_anew() -> None:
    state, solver = begun()
    state, _ = edited(state, e.MovePoint(0, "toe_butting", at(300, 250)), solver)
    after, _ = edited(state, e.Choose({"joint": "lap"}), solver)
    assert solver.asked[-1][0] == "lap"
    assert not after.welds[0].by_hand


def test_the_scale_is_set_by_two_ends() -> None:
    state, solver = begun()
    after, _ = edited(state, e.SetScale(((100.0, 50.0), (300.0, 50.0)), "10mm"), solver)
    assert after.choices.marks == ("points:100.00,50.00,300.00,50.00=10mm",)
    with pytest.raises(InputError):
        edited(state, e.SetScale(((100.0, 50.0), (300.0, 50.0)), "ten"), solver)


def test_settings_are_chosen_and_refused() -> None:
    state, solver = begun()
    shelf = {"mine": Limits("mine", "", shipped=False)}
    after, change = reduced(state, e.Choose({"limits": "mine", "given": {"t": "8mm", "a": ""}}), 1.5, solver, shelf)
    assert after.choices.limits == shelf["mine"]
    assert after.choices.given == (("t", "8mm"),)
    assert change.text == "Chosen: limits, thicknesses"
    for wish in (
        {"limits": "theirs"},
        {"given": {"q": "8mm"}},
        {"given": {"t": "8"}},
        {"marks": ["bar"]},
        {"marks": "bar:10mm"},
        {"joint": "corner"},
        {"guard": -1},
        {"guard": True},
        {"fusion_threshold": "0"},
        {"colour": "red"},
        {"mark_offset": "5mm"},
        {"camera_distance": "1mm"},
    ):
        with pytest.raises(InputError):
            reduced(state, e.Choose(wish), 1.5, solver, shelf)
