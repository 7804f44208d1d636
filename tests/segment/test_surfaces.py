"""Surfaces: an opening between the members is no seam at odds with the surface that bounds it."""

import numpy as np
import pytest

from macrocheck.segment.lines import Line
from macrocheck.segment.opening import bounds_opening
from tests.segment.two_plates import nonbutting_line, painted, tee_parts


def seam(y: float) -> Line:
    return Line(np.array([400.0, y]), np.array([1.0, 0.0]), 0.6, 0.02, -100.0, 100.0)


@pytest.mark.parametrize(("gap", "at", "bounds"), [(12.0, 395.0, True), (0.0, 395.0, False)])
def test_a_surface_along_an_open_gap_bounds_it(gap: float, at: float, bounds: bool) -> None:
    # The seam is seen in the middle of an opening 12 px wide, or 7 px off in the middle of a plate.
    photo = painted(*tee_parts(gap=gap), noise=4.0)
    assert bounds_opening(photo, nonbutting_line(402.3), seam(at)) is bounds


def test_a_line_that_runs_off_the_opening_does_not_bound_it() -> None:
    photo = painted(*tee_parts(gap=12.0), noise=4.0)
    assert not bounds_opening(photo, nonbutting_line(425.0), seam(396.0))
