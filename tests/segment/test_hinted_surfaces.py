"""What a hinted joint root and hinted toes do to the surfaces."""

import numpy as np
import pytest

from macrocheck.segment.hinted_surfaces import pass_edge, pass_root, pass_toes, through_hints
from macrocheck.segment.lines import Line
from macrocheck.segment.surfaces import Surfaces


def line(point: tuple[float, float], degrees: float, u_angle: float = 1e-3) -> Line:
    d = np.array([np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))])
    return Line(np.array(point), d, 0.2, u_angle, -30.0, 30.0)


def test_a_surface_moves_to_the_root_as_far_as_its_doubt_allows() -> None:
    near = pass_root(Surfaces(line((50.0, 0.5), 0.0, 0.02), None), (0.0, 0.0), 1.0).butting
    assert near is not None
    assert abs(float(near.distance(np.zeros((1, 2)))[0])) < 0.4
    assert near.u_angle < 0.02


def test_a_surface_that_contradicts_the_root_goes_through_it_and_is_unsure() -> None:
    left = pass_root(Surfaces(line((50.0, 20.0), 0.0), None), (0.0, 0.0), 1.0).butting
    assert left is not None
    assert float(left.distance(np.zeros((1, 2)))[0]) == pytest.approx(0.0, abs=1e-9)
    # 20 px aside over the 60 px that it was fitted to
    assert left.u_angle == pytest.approx(np.arctan2(20.0, 60.0), rel=0.01)


@pytest.mark.parametrize(("toe", "drawn"), [((100.0, 5.0), True), ((100.0, 30.0), False)])
def test_a_laps_end_face_is_drawn_to_a_toe_only_where_it_leads_there(toe: tuple[float, float], drawn: bool) -> None:
    given = Surfaces(line((50.0, 0.0), 0.0), None)
    left = through_hints(given, (0.0, 0.0), (np.array(toe), None), 1.0, "lap").butting
    assert left is not None
    assert (float(np.abs(left.distance(np.array([toe]))[0])) < 1e-9) == drawn
    # Of a tee, whose toe lies on the surface, always.
    tee = through_hints(given, (0.0, 0.0), (np.array(toe), None), 1.0, "tee").butting
    assert tee is not None
    assert float(np.abs(tee.distance(np.array([toe]))[0])) < 1e-9


def off(given: Line | None, point: tuple[float, float]) -> float:
    assert given is not None
    return abs(float(given.distance(np.array([point]))[0]))


def test_a_surface_passes_a_toe_within_a_click_however_sure_it_is() -> None:
    # 2.2 px off a line sure to 0.2 px: within what the line and a click of 0.8 px leave open, but the click holds
    sure = line((50.0, 2.2), 0.0)
    moved = pass_toes(Surfaces(None, sure), (None, np.array([100.0, 0.0])), 1.0, "tee").nonbutting
    assert off(moved, (100.0, 0.0)) <= 0.8 + 1e-6
    assert moved is not None
    assert moved.u_offset > sure.u_offset
    # a click off by less than clicks are says next to nothing
    near = pass_toes(Surfaces(None, sure), (None, np.array([100.0, 1.7])), 1.0, "tee").nonbutting
    assert off(near, (100.0, 2.2)) < 0.05


def test_a_toe_settles_its_own_member_s_surface_alone() -> None:
    given = Surfaces(line((50.0, 2.2), 0.0), line((0.0, 50.0), 90.0))
    toe = np.array([100.0, 0.0])
    tee = pass_toes(given, (toe, None), 1.0, "tee")
    assert off(tee.butting, (100.0, 0.0)) <= 0.8 + 1e-6
    assert tee.nonbutting is given.nonbutting
    # a lap's butting toe may lie on the plate's top
    assert pass_toes(given, (toe, None), 1.0, "lap").butting is given.butting
    # both toes of a bead lie on its one plate
    plate = Surfaces(None, line((50.0, 2.2), 0.0))
    bead = pass_toes(plate, (np.array([20.0, 0.0]), np.array([80.0, 0.0])), 1.0, "bead").nonbutting
    assert max(off(bead, (20.0, 0.0)), off(bead, (80.0, 0.0))) < 1.0


def test_two_points_of_a_bare_end_face_turn_it_that_way() -> None:
    askew = line((0.0, -40.0), 97.0, np.deg2rad(3.0))
    edge = ((0.0, -20.0), (0.0, -60.0))
    turned = pass_edge(Surfaces(askew, None), edge, 1.0).butting
    assert turned is not None
    assert max(off(turned, p) for p in edge) < 1.0
    assert abs(float(turned.direction[0])) < np.sin(np.deg2rad(2.0)) < abs(float(askew.direction[0]))
    stated = Surfaces(askew, None, stated=True)
    assert pass_edge(stated, edge, 1.0) is stated
