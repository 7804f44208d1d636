"""What a hinted joint root and hinted toes do to the surfaces."""

import numpy as np
import pytest

from macrocheck.segment.hinted_surfaces import pass_root, through_hints
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
