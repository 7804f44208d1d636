"""Two welds of one tee and the plate that both stand on."""

from dataclasses import replace

import numpy as np
import pytest

from macrocheck.outline import SurfaceLine, WeldOutline
from macrocheck.segment.pair import compare_openings, share_surfaces
from tests.segment.test_land import SURFACE, weld


def _pair(own: SurfaceLine) -> tuple[WeldOutline, WeldOutline]:
    """A weld whose plate is seen as in `own`, and the one across the butting member with its plate in full view."""
    there = SurfaceLine((300.0, SURFACE), (-1.0, 0.0), 0.1, 0.001, 300.0)
    return replace(weld(700.0), surface_nonbutting=own), replace(weld(550.0, sign=-1.0), surface_nonbutting=there)


def test_a_surface_hardly_seen_is_drawn_from_the_other_weld_s() -> None:
    turn = np.deg2rad(3.0)
    askew = SurfaceLine((790.0, SURFACE), (float(np.cos(turn)), float(np.sin(turn))), 0.5, np.deg2rad(4.0), 12.0)
    before = _pair(askew)
    after, other = share_surfaces(before)
    assert other == before[1]
    line = after.surface_nonbutting
    assert line is not None
    # Two lines' means with weights 1/u^2 (JCGM 100): 3 degrees, +- 4 from one and 0, +- 1 from the other.
    assert abs(np.rad2deg(np.arctan2(line.direction[1], line.direction[0]))) < 3.0 / 17 + 0.05
    assert line.u_angle < np.deg2rad(1.0)
    assert line.direction[0] > 0


def test_surfaces_at_odds_and_surfaces_well_seen_stay_as_they_are() -> None:
    turn = np.deg2rad(30.0)
    askew = SurfaceLine((790.0, SURFACE), (float(np.cos(turn)), float(np.sin(turn))), 0.5, np.deg2rad(4.0), 12.0)
    assert share_surfaces(_pair(askew))[0].surface_nonbutting == askew
    sure = SurfaceLine((850.0, SURFACE + 3.0), (1.0, 0.0), 0.1, 0.001, 200.0)
    assert share_surfaces(_pair(sure))[0].surface_nonbutting == sure


def _faces(lean: float, u: float, length: float) -> tuple[WeldOutline, WeldOutline]:
    """A butting member whose one face leans by `lean` degrees, its other face in full view and upright."""
    up = (float(np.sin(np.deg2rad(lean))), -float(np.cos(np.deg2rad(lean))))
    own = SurfaceLine((700.0, SURFACE - 100.0), up, 0.5, np.deg2rad(u), length)
    there = SurfaceLine((550.0, SURFACE - 200.0), (0.0, -1.0), 0.1, 0.001, 300.0)
    return replace(weld(700.0), surface_butting=own), replace(weld(550.0, sign=-1.0), surface_butting=there)


def _lean(surface: SurfaceLine | None) -> float:
    assert surface is not None
    return float(np.rad2deg(np.arctan2(surface.direction[0], -surface.direction[1])))


def test_a_short_face_of_the_butting_member_is_laid_parallel_to_its_other_face() -> None:
    after, other = share_surfaces(_faces(3.0, 4.0, 20.0))
    # Weighted mean (JCGM 100): 3 degrees +- 4 from one, 0 +- 0.3 from the other.
    assert _lean(after.surface_butting) == pytest.approx(3.0 * 0.3**2 / (0.3**2 + 4.0**2), abs=0.01)
    assert other.surface_butting == _faces(3.0, 4.0, 20.0)[1].surface_butting
    # So far off that it is a groove's wall: laid parallel, and where it lies is unsure by half of what it spans.
    wall = share_surfaces(_faces(40.0, 4.0, 20.0))[0].surface_butting
    assert _lean(wall) == pytest.approx(0.0, abs=1e-9)
    assert wall is not None
    assert wall.u_offset == pytest.approx(np.hypot(0.5, 10.0 * np.sin(np.deg2rad(40.0))))


@pytest.mark.parametrize(("lean", "u", "length"), [(0.5, 0.3, 20.0), (40.0, 4.0, 200.0), (120.0, 4.0, 20.0)])
def test_a_face_well_seen_or_another_plate_s_stays(lean: float, u: float, length: float) -> None:
    before = _faces(lean, u, length)
    assert share_surfaces(before) == before


@pytest.mark.parametrize("missing", [0, 1])
def test_nothing_is_made_up_where_a_surface_is_missing(missing: int) -> None:
    pair = list(_pair(SurfaceLine((790.0, SURFACE), (1.0, 0.0), 0.5, np.deg2rad(4.0), 12.0)))
    pair[missing] = replace(pair[missing], surface_nonbutting=None)
    assert share_surfaces((pair[0], pair[1])) == (pair[0], pair[1])


@pytest.mark.parametrize("turned", [False, True])
def test_the_wider_of_two_unlike_openings_is_unsure(turned: bool) -> None:
    wide, narrow = replace(weld(700.0), gap_px=(24.0, 1.0)), replace(weld(550.0, sign=-1.0), gap_px=(0.0, 0.7))
    pair = (narrow, wide) if turned else (wide, narrow)
    after = compare_openings(pair)[::-1] if turned else compare_openings(pair)
    assert np.allclose(np.array(after[0].gap_px), [24.0, np.hypot(1.0, 12.0)])
    assert after[1] == narrow
    alike = (replace(wide, gap_px=(2.0, 1.0)), narrow)
    assert compare_openings(alike) is alike
    unseen = (wide, replace(narrow, gap_px=None))
    assert compare_openings(unseen) is unseen
