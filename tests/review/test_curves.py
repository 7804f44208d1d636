"""What a hand does to a curve."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from macrocheck.errors import InputError
from macrocheck.outline_correction import CLICK_U_PX
from macrocheck.review.curves import (
    Curve,
    dragged,
    handles,
    redrawn,
    spliced,
    stations,
    with_end,
    with_vertex,
    without_vertex,
)

LINE = Curve.of(np.column_stack([np.arange(0, 201, 2.0), np.zeros(101)]), np.full(101, 0.4))
_RING = 2 * np.pi * np.arange(60) / 60
CIRCLE = Curve.of(np.column_stack([50 + 30 * np.cos(_RING), 50 + 30 * np.sin(_RING)]))


@given(index=st.integers(1, 99), dx=st.floats(-30, 30), dy=st.floats(-30, 30), reach=st.floats(4, 120))
def test_a_drag_lands_where_it_was_dropped_and_leaves_what_is_out_of_reach(
    index: int, dx: float, dy: float, reach: float
) -> None:
    to = (LINE.points[index, 0] + dx, LINE.points[index, 1] + dy)
    after = dragged(LINE, index, to, CLICK_U_PX, reach=reach)
    assert tuple(after.points[index]) == to
    assert after.u[index] == pytest.approx(CLICK_U_PX)
    assert after.hand[index]
    out = np.abs(LINE.points[:, 0] - LINE.points[index, 0]) >= reach
    assert np.array_equal(after.points[out], LINE.points[out])
    assert np.array_equal(after.u[out], LINE.u[out])
    assert np.array_equal(after.points[[0, -1]], LINE.points[[0, -1]])


def test_what_follows_a_drag_half_way_is_less_sure_than_the_click() -> None:
    after = dragged(LINE, 50, (100.0, 20.0), CLICK_U_PX, reach=40.0)
    half = 60  # 20 px along, where half of the 20 px is followed
    assert after.points[half, 1] == pytest.approx(10.0)
    assert after.u[half] == pytest.approx(np.hypot(CLICK_U_PX, 0.25 * 20))
    assert after.hand.sum() == 1


def test_an_end_moved_back_cuts_the_curve_there() -> None:
    after = with_end(LINE, (40.0, 0.0), CLICK_U_PX, at_start=True)
    assert tuple(after.points[0]) == (40.0, 0.0)
    assert stations(after.points)[-1] == pytest.approx(160.0)
    assert after.u[0] == CLICK_U_PX
    assert after.u[-1] == 0.4
    assert after.points[:, 0].min() == 40.0


def test_an_end_moved_on_goes_straight_and_is_least_sure_in_the_middle() -> None:
    after = with_end(LINE, (250.0, 0.0), CLICK_U_PX, at_start=False)
    assert tuple(after.points[-1]) == (250.0, 0.0)
    assert stations(after.points)[-1] == pytest.approx(250.0)
    new = after.points[:, 0] > 150
    assert after.u[new].max() == pytest.approx(np.hypot(CLICK_U_PX, 0.05 * 100), rel=0.01)
    assert np.array_equal(after.points[~new], LINE.points[LINE.points[:, 0] <= 150])


def test_an_end_moved_aside_takes_its_neighbours_along_without_a_kink() -> None:
    after = with_end(LINE, (0.0, 6.0), CLICK_U_PX, at_start=True)
    assert tuple(after.points[0]) == (0.0, 6.0)
    assert np.abs(np.diff(after.points[:, 1])).max() < 1.2
    assert np.array_equal(after.points[30:], LINE.points[30:])


def test_an_end_moved_to_where_it_is_changes_nothing() -> None:
    assert with_end(LINE, (0.0, 0.0), CLICK_U_PX, at_start=True) is LINE


@pytest.mark.parametrize("backwards", [False, True])
def test_a_stroke_takes_the_place_of_the_stretch_it_runs_along(backwards: bool) -> None:
    stroke = np.array([[60.0, 1.0], [80.0, 12.0], [100.0, 1.0]])
    after = redrawn(LINE, stroke[::-1] if backwards else stroke, CLICK_U_PX)
    assert np.all(np.diff(after.points[:, 0]) > 0)
    assert after.points[:, 1].max() == pytest.approx(12.0, abs=0.8)
    assert np.array_equal(after.points[:30], LINE.points[:30])
    assert np.array_equal(after.points[-50:], LINE.points[-50:])
    assert after.u[after.hand].tolist() == [CLICK_U_PX] * int(after.hand.sum())


def test_a_stroke_beyond_an_end_leaves_the_end_where_it_is() -> None:
    after = redrawn(LINE, np.array([[-9.0, 3.0], [30.0, 3.0]]), CLICK_U_PX)
    assert tuple(after.points[0]) == (0.0, 0.0)


def test_a_stroke_on_a_ring_takes_the_place_of_the_side_it_lies_on() -> None:
    stroke = np.array([[80.0, 50.0], [85.0, 70.0], [50.0, 80.0]])
    after = redrawn(CIRCLE, stroke, CLICK_U_PX, ring=True)
    assert np.hypot(*(after.points - [85, 70]).T).min() < 2.0
    kept = CIRCLE.points[(CIRCLE.points[:, 0] < 48) | (CIRCLE.points[:, 1] < 48)]
    for point in kept:
        assert np.hypot(*(after.points - point).T).min() < 1e-9


@pytest.mark.parametrize("stroke", [[[50.0, 0.0], [50.5, 0.0]], [[-9.0, 0.0], [-3.0, 0.0]]])
def test_a_stroke_that_says_nothing_is_refused(stroke: list[list[float]]) -> None:
    with pytest.raises(InputError, match="stroke"):
        redrawn(LINE, np.array(stroke), CLICK_U_PX)


def test_a_vertex_put_in_and_taken_out() -> None:
    more = with_vertex(LINE, 10, (21.0, 5.0), CLICK_U_PX)
    assert len(more.points) == 102
    assert tuple(more.points[11]) == (21.0, 5.0)
    assert more.u[11] == CLICK_U_PX
    back = without_vertex(more, 11, CLICK_U_PX)
    assert np.array_equal(back.points, LINE.points)
    fewer = without_vertex(LINE, 50, CLICK_U_PX, reach=20.0)
    gap = np.diff(fewer.points[:, 0])
    assert gap.max() == 44.0
    assert fewer.u.max() == pytest.approx(np.hypot(CLICK_U_PX, 0.05 * 44))


@pytest.mark.parametrize("index", [0, 100, 101])
def test_the_ends_cannot_be_taken_out(index: int) -> None:
    with pytest.raises(InputError):
        without_vertex(LINE, index, CLICK_U_PX)


def test_a_solvers_new_stretch_comes_in_and_the_hands_own_stays() -> None:
    now = dragged(LINE, 80, (160.0, 9.0), CLICK_U_PX, reach=16.0)
    bump = LINE.points.copy()
    bump[20:31, 1] = 5 * np.sin(np.linspace(0, np.pi, 11))
    bump[90:95, 1] = 3.0  # the solver's own second thoughts elsewhere are not asked for
    after = spliced(now, LINE.points, Curve.of(bump, np.full(101, 0.3)), (50.0, 5.0))
    assert np.hypot(*(after.points - [50, 5]).T).min() < 0.1
    assert np.hypot(*(after.points - [160, 9]).T).min() == 0.0
    assert after.points[np.abs(after.points[:, 0] - 184) < 3, 1].max() == 0.0


@given(st.integers(2, 400), st.floats(0.3, 5.0))
def test_handles_are_few_and_hold_both_ends(n: int, step: float) -> None:
    points = np.column_stack([np.arange(n) * step, np.sin(np.arange(n) * 0.1)])
    chosen = handles(points, ring=False)
    assert chosen[0] == 0
    assert chosen[-1] == n - 1
    assert chosen == sorted(set(chosen))
    assert len(chosen) <= 40


def test_a_corner_gets_a_handle() -> None:
    corner = np.vstack([LINE.points, np.column_stack([np.full(60, 200.0), np.arange(2, 121, 2.0)])])
    chosen = handles(corner, ring=False)
    assert min(abs(i - 100) for i in chosen) <= 1
