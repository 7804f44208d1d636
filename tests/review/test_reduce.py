"""Edits on a tee of plain geometry: what is measured follows the hand, and only the hand's part is the hand's."""

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from macrocheck.errors import InputError
from macrocheck.flags import Flag
from macrocheck.measure import measure_weld
from macrocheck.outline import WeldOutline
from macrocheck.outline_correction import CLICK_U_PX
from macrocheck.outline_file import outline_bytes, outline_from_geojson
from macrocheck.review import edits as e
from macrocheck.review.figures import outline_of
from tests.review.tee import (
    DEPTH,
    HEIGHT,
    LEG_BUTTING,
    LEG_NONBUTTING,
    MM_PER_PX,
    ROOT,
    SCALE,
    TOE_NONBUTTING,
    WIDTH,
    FakeSolver,
    at,
    begun,
    edited,
    off,
    quantity,
    straight,
    tee,
    value,
)


def test_what_is_found_is_measured_as_it_is() -> None:
    state, _ = begun()
    assert value(state, "leg_butting") == pytest.approx(LEG_BUTTING * MM_PER_PX, abs=1e-6)
    assert value(state, "leg_nonbutting") == pytest.approx(LEG_NONBUTTING * MM_PER_PX, abs=1e-6)
    assert value(state, "depth_of_fusion_nonbutting") == pytest.approx(DEPTH * MM_PER_PX, abs=1e-3)
    assert outline_of(state).made_by == "found"


@pytest.mark.parametrize("shift", [-30.0, 12.0, 45.0])
def test_a_toe_dragged_along_its_member_changes_the_leg_by_as_much(shift: float) -> None:
    state, solver = begun()
    to = at(*off(TOE_NONBUTTING, shift, 7.0))  # beside the surface: it keeps to it
    after, change = edited(state, e.MovePoint(0, "toe_nonbutting", to), solver)
    assert value(after, "leg_nonbutting") == pytest.approx((LEG_NONBUTTING + shift) * MM_PER_PX, abs=1e-3)
    assert value(after, "leg_butting") == pytest.approx(LEG_BUTTING * MM_PER_PX, abs=1e-3)
    weld = after.welds[0].now
    assert weld.toe_nonbutting == pytest.approx((TOE_NONBUTTING[0] + shift, ROOT[1]))
    assert np.array_equal(weld.face[-1], weld.fusion[0])
    assert change.points == (to,)
    assert outline_of(after).made_by == "corrected by hand"
    assert [f.code for f in weld.flags] == ["corrected_by_hand"]


def test_a_free_toe_goes_where_it_is_dropped() -> None:
    state, solver = begun()
    after, _ = edited(state, e.MovePoint(0, "toe_butting", at(290, 300), free=True), solver)
    assert after.welds[0].now.toe_butting == (290.0, 300.0)


@pytest.mark.parametrize("u", [CLICK_U_PX, 4 * CLICK_U_PX])
def test_the_legs_uncertainty_reflects_the_click(u: float) -> None:
    """A toe set by a click that is sure to u px: with exact surfaces and scale, the leg is about as sure.

    A little less: the face beside the toe errs too.
    """
    state, solver = begun()
    after, _ = edited(state, e.MovePoint(0, "toe_nonbutting", at(*off(TOE_NONBUTTING, 30, 0))), solver, u)
    found = quantity(after, "leg_nonbutting").u
    assert found is not None
    assert 0.8 < found / (u * MM_PER_PX) < 1.5


def test_the_joint_root_is_where_it_was_dropped_and_the_legs_follow() -> None:
    state, solver = begun()
    after, _ = edited(state, e.MovePoint(0, "joint_root", at(*off(ROOT, 6, -4))), solver)
    weld = after.welds[0].now
    assert weld.joint_root == pytest.approx(tuple(off(ROOT, 6, -4)))
    for line, middle in ((weld.surface_butting, (300, 200)), (weld.surface_nonbutting, (540, 400))):
        assert line is not None
        assert abs(float(line.signed_distance(np.array([middle]))[0])) < 1e-6  # through where it is seen
    assert value(after, "leg_nonbutting") == pytest.approx((LEG_NONBUTTING - 6) * MM_PER_PX, abs=0.02)
    assert value(after, "leg_butting") == pytest.approx((LEG_BUTTING - 4) * MM_PER_PX, abs=0.02)


def test_what_lies_unfused_on_a_surface_goes_along_with_it() -> None:
    state, solver = begun()
    state, _ = edited(state, e.MarkSpan(0, "unfused", at(340, 400), at(400, 400)), solver)
    after, _ = edited(state, e.MovePoint(0, "joint_root", at(*off(ROOT, 0, 5))), solver)
    weld = after.welds[0].now
    assert weld.surface_nonbutting is not None
    marked = weld.fusion[(weld.fusion[:, 0] > 345) & (weld.fusion[:, 0] < 395)]
    assert len(marked) > 10
    assert np.abs(weld.surface_nonbutting.signed_distance(marked)).max() < 0.01


@pytest.mark.parametrize(
    ("start", "end", "member", "length"),
    [
        ((340, 403), (400, 396), "nonbutting", 60.0),
        ((303, 370), (297, 330), "butting", 40.0),
        ((300, 400), (360, 400), "nonbutting", 60.0),  # from the joint root
        ((300, 281), (300, 340), "butting", 60.0),  # to the toe: 1 px short of it means it
    ],
)
def test_a_stretch_marked_unfused_is_that_long(
    start: tuple[float, float], end: tuple[float, float], member: str, length: float
) -> None:
    state, solver = begun()
    key = f"unfused_{member}"
    taper = value(state, key)  # the boundary's own taper at the toe, under the threshold
    after, change = edited(state, e.MarkSpan(0, "unfused", at(*start), at(*end)), solver)
    reaches_toe = abs(length - 60) < 1e-9 and member == "butting"
    expected = length * MM_PER_PX + (0.0 if reaches_toe else taper)
    assert value(after, key) == pytest.approx(expected, abs=0.06)
    assert member in change.text
    other = "unfused_butting" if member == "nonbutting" else "unfused_nonbutting"
    assert value(after, other) == pytest.approx(value(state, other), abs=1e-3)
    fused, _ = edited(after, e.MarkSpan(0, "fused", at(*start), at(*end)), solver)
    assert value(fused, key) == pytest.approx(0.0 if reaches_toe else taper, abs=0.06)


def test_a_stretch_marked_fused_lies_where_the_solver_sees_it_bare() -> None:
    bare = straight(TOE_NONBUTTING, off(ROOT, 150, 14), off(ROOT, 0, 14), ROOT)
    solver = FakeSolver(bare=bare)
    state, _ = begun(solver)
    state, _ = edited(state, e.MarkSpan(0, "unfused", at(330, 400), at(430, 400)), solver)
    after, _ = edited(state, e.MarkSpan(0, "fused", at(360, 400), at(400, 400)), solver)
    fusion = after.welds[0].now.fusion
    middle = fusion[np.abs(fusion[:, 0] - 380) < 12]
    assert middle[:, 1] == pytest.approx(414.0, abs=0.5)


@pytest.mark.parametrize("quick", [False, True])
def test_clicking_where_the_boundary_passes_has_the_solver_draw_it(quick: bool) -> None:
    state, solver = begun(FakeSolver(quick=quick))
    after, _ = edited(state, e.AddHint("through", at(380, 440)), solver)
    assert (380.0, 440.0) in [h.at for _, hints in solver.asked for h in hints]
    assert np.hypot(*(after.welds[0].now.fusion - [380, 440]).T).min() < 0.01
    assert value(after, "depth_of_fusion_nonbutting") == pytest.approx(40 * MM_PER_PX, abs=0.05)
    outline = outline_of(after)
    assert outline.made_by == "found with hints"
    assert not outline.welds[0].flags
    back, _ = edited(after, e.RemoveHint(0), solver)
    assert np.array_equal(back.welds[0].now.fusion, state.welds[0].now.fusion)


@pytest.mark.parametrize("quick", [False, True])
def test_a_hint_leaves_what_the_hand_did_elsewhere(quick: bool) -> None:
    state, solver = begun(FakeSolver(quick=quick))
    state, _ = edited(state, e.MovePoint(0, "toe_butting", at(300, 250)), solver)
    state, _ = edited(state, e.MoveVertex("0/fusion", 130, at(268, 380), 16.0), solver)
    state, _ = edited(state, e.MarkSpan(0, "unfused", at(410, 400), at(440, 400)), solver)
    placed = value(state, "leg_butting"), value(state, "unfused_nonbutting")
    after, _ = edited(state, e.AddHint("through", at(370, 440)), solver)
    fusion = after.welds[0].now.fusion
    assert np.hypot(*(fusion - [370, 440]).T).min() < 1.5
    assert np.hypot(*(fusion - [268, 380]).T).min() < 1e-6
    assert value(after, "leg_butting") == pytest.approx(placed[0], abs=1e-3)
    assert value(after, "unfused_nonbutting") == pytest.approx(placed[1], abs=0.02)


def test_a_point_that_the_solver_passes_by_is_passed_through_all_the_same() -> None:
    class Deaf(FakeSolver):
        def find(self, joint: Any, hints: Any) -> Any:
            found = super().find(joint, ())
            return replace(found, made_by="found with hints" if hints else "found")

    solver = Deaf()
    state, _ = begun(solver)
    after, _ = edited(state, e.AddHint("through", at(380, 450)), solver)
    assert np.hypot(*(after.welds[0].now.fusion - [380, 450]).T).min() < 0.01
    assert outline_of(after).made_by == "corrected by hand"


def test_a_void_and_an_indication_are_marked_changed_and_taken_away() -> None:
    state, solver = begun()
    square = np.array([[340.0, 360], [350, 360], [350, 370], [340, 370]])
    after, _ = edited(state, e.AddVoid(0, square), solver)
    area = value(after, "weld_area")
    assert value(after, "void_area_fraction") == pytest.approx(100 * MM_PER_PX**2 / area, rel=0.02)
    bigger, _ = edited(after, e.MoveVertex("0/void/0", 2, at(360, 380), 4.0), solver)
    assert value(bigger, "void_area_fraction") > value(after, "void_area_fraction")
    gone, _ = edited(bigger, e.Remove("0/void/0"), solver)
    assert value(gone, "void_area_fraction") == 0.0
    lined, _ = edited(gone, e.AddIndication(0, np.array([[330.0, 380], [345, 372]])), solver)
    assert len(lined.welds[0].now.indications) == 1


def test_taking_one_void_away_leaves_the_others_points() -> None:
    state, solver = begun()
    ring = np.array([[0.0, 0], [8, 0], [8, 8]])
    for x in (330.0, 350.0, 370.0):
        state, _ = edited(state, e.AddVoid(0, off(ring, x, 370)), solver)
    after, _ = edited(state, e.Remove("0/void/1"), solver)
    hand = after.welds[0]
    assert [v[0, 0] for v in hand.now.voids] == [330.0, 370.0]
    assert sorted(hand.set_points) == ["void/0", "void/1"]
    assert hand.set_points["void/1"][0, 0] == 370.0


def test_a_surface_dragged_and_one_drawn_where_there_was_none() -> None:
    state, solver = begun()
    after, _ = edited(state, e.MoveVertex("0/surface_nonbutting", 1, at(600, 410)), solver)
    line = after.welds[0].now.surface_nonbutting
    assert line is not None
    assert abs(float(line.signed_distance(np.array([[600.0, 410.0]]))[0])) < 1e-6
    without, _ = edited(state, e.Remove("0/surface_butting"), solver)
    assert quantity(without, "leg_butting").value is None
    drawn, _ = edited(
        without, e.Redraw("0/surface_butting", np.array([[300.0, 260], [300.5, 200], [300, 140]])), solver
    )
    assert value(drawn, "leg_butting") == pytest.approx(LEG_BUTTING * MM_PER_PX, abs=0.03)


def test_a_stroke_redraws_the_face() -> None:
    state, solver = begun()
    after, _ = edited(state, e.Redraw("0/face", np.array([[324.0, 298], [390, 330], [436, 382]])), solver)
    assert value(after, "convexity") > value(state, "convexity") + 0.3


def test_a_stroke_from_toe_to_toe_moves_the_toes() -> None:
    state, solver = begun()
    stroke = np.array([[298.0, 262], [390, 330], [481, 402]])
    after, _ = edited(state, e.Redraw("0/face", stroke), solver)
    assert value(after, "leg_butting") == pytest.approx((400 - 262) * MM_PER_PX, abs=0.02)
    assert value(after, "leg_nonbutting") == pytest.approx((481 - 300) * MM_PER_PX, abs=0.02)
    assert np.array_equal(after.welds[0].now.face[0], after.welds[0].now.fusion[-1])
    short = np.array([[324.0, 298], [390, 330], [452, 394]])  # ends before the toe: it stays
    after, _ = edited(state, e.Redraw("0/face", short), solver)
    assert value(after, "leg_nonbutting") == pytest.approx(LEG_NONBUTTING * MM_PER_PX, abs=0.02)


def test_doubts_are_answered_by_a_decision_not_by_a_toe_that_drags_the_boundary_along() -> None:
    doubt = Flag("low_contrast", "Hardly visible here.", ((380.0, 420.0),))
    toe = Flag("toe_unsure", "Not clear.", ((460.0, 400.0),))
    solver = FakeSolver(welds=(tee(flags=(doubt, toe), withheld={"dilution": "hardly visible"}),))
    state, _ = begun(solver)
    dragged, _ = edited(state, e.MovePoint(0, "toe_nonbutting", at(470, 400)), solver)
    assert {f.code for f in dragged.welds[0].now.flags} == {"low_contrast", "corrected_by_hand"}
    drawn, _ = edited(state, e.MoveVertex("0/fusion", 50, at(370, 430)), solver)
    assert {f.code for f in drawn.welds[0].now.flags} == {"corrected_by_hand"}
    assert drawn.welds[0].now.withheld == {}


def test_an_outline_taken_as_right_gives_what_was_withheld_and_moves_nothing() -> None:
    flags = tuple(Flag(code, "Hardly visible.", ((380.0, 420.0),)) for code in ("low_contrast", "indication"))
    solver = FakeSolver(welds=(tee(flags=flags, withheld={"leg_butting": "hardly visible"}),))
    state, _ = begun(solver)
    assert quantity(state, "leg_butting").value is None
    after, _ = edited(state, e.Confirm(0), solver)
    assert value(after, "leg_butting") == pytest.approx(LEG_BUTTING * MM_PER_PX, abs=1e-6)
    assert {f.code for f in after.welds[0].now.flags} == {"indication", "corrected_by_hand"}
    assert np.array_equal(after.welds[0].now.u_fusion, state.welds[0].now.u_fusion)
    outline = outline_of(after)
    assert outline.made_by == "corrected by hand"
    again = outline_from_geojson(json.loads(outline_bytes(outline)), width=WIDTH, height=HEIGHT)
    assert measure_weld(again.welds[0], SCALE).quantities == measure_weld(outline.welds[0], SCALE).quantities
    moved, _ = edited(after, e.MovePoint(0, "toe_nonbutting", at(470, 400)), solver)
    assert quantity(moved, "leg_butting").value is not None


@pytest.mark.parametrize(
    "edit",
    [
        e.MovePoint(3, "toe_butting", (0.0, 0.0)),
        e.MovePoint(0, "toe_butting", (460.0, 400.0), free=True),
        e.MovePoint(0, "joint_root", (300.0, 201.0)),
        e.MoveVertex("0/void/0", 0, (0.0, 0.0)),
        e.MoveVertex("0/fusion", 9999, (0.0, 0.0)),
        e.MoveVertex("0/nothing", 0, (0.0, 0.0)),
        e.MoveVertex("face", 0, (0.0, 0.0)),
        e.MoveVertex("0/surface_butting", 0, (300.0, 141.0)),
        e.AddVertex("0/surface_butting", 0, (0.0, 0.0)),
        e.RemoveVertex("0/face", 0),
        e.Remove("0/face"),
        e.Remove("0/haz_butting"),
        e.RemoveHint(0),
        e.AddVoid(0, np.full((3, 2), 350.0)),
        e.AddIndication(0, np.full((2, 2), 350.0)),
        e.Redraw("0/haz_butting", np.full((2, 2), 350.0)),
        e.RemoveWeld(1),
        e.MarkSpan(0, "unfused", (300.0, 500.0), (300.0, 550.0), "butting"),
        e.DrawWeld("tee", (10.0, 10.0), (12.0, 10.0), (11.0, 20.0)),
        e.DrawWeld("tee", (10.0, 10.0), (90.0, 10.0), (11.0, 12.0)),
    ],
)
def test_what_cannot_be_done_is_one_sentence_and_changes_nothing(edit: e.Edit) -> None:
    state, solver = begun()
    before = state.welds[0].now
    with pytest.raises(InputError) as refused:
        edited(state, edit, solver)
    text = str(refused.value)
    assert text.endswith(".")
    assert text.count(".") == 1
    assert state.welds[0].now is before


def test_a_saved_outline_read_back_is_measured_the_same() -> None:
    state, solver = begun()
    for edit in (
        e.MovePoint(0, "toe_nonbutting", at(480, 404)),
        e.MoveVertex("0/fusion", 60, at(352, 428)),
        e.AddHint("through", at(274, 350)),
        e.MovePoint(0, "joint_root", at(302, 401)),
        e.MarkSpan(0, "unfused", at(302, 390), at(302, 350)),
        e.AddVoid(0, np.array([[340.0, 360], [350, 360], [350, 370]])),
        e.MovePoint(0, "seam_end", at(200, 400)),
    ):
        state, _ = edited(state, edit, solver, 2.5)
    outline = outline_of(state)
    again = outline_from_geojson(json.loads(outline_bytes(outline)), width=WIDTH, height=HEIGHT)
    assert again.made_by == "corrected by hand"
    one, two = (measure_weld(o.welds[0], SCALE) for o in (outline, again))
    assert one.quantities == two.quantities
    assert _flags(outline.welds[0]) == _flags(again.welds[0])


def _flags(weld: WeldOutline) -> list[str]:
    return [f.text for f in weld.flags]
