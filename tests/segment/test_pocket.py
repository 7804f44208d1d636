"""An open pocket at the joint root that the network takes for weld metal, against the one that was drawn."""

import cv2
import numpy as np
import pytest

from macrocheck.arrays import FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.chains import resample
from macrocheck.segment.hints import Hints
from macrocheck.segment.maps import BACKGROUND, BUTTING, NONBUTTING, WELD, RegionMaps
from macrocheck.segment.pocket import without_pocket
from tests.segment.fake_maps import maps_of, photo_of

SCALE = 2.0
ROOT = np.array([300.0, 400.0])
"""Photo px: the butting member stands to the left of x = 300, the nonbutting one lies under y = 400."""
FACE = resample(np.array([(300.0, 120.0), (580.0, 400.0)]), 2.0)
CORNERS = [(580.0, 400.0), (480.0, 440.0), (380.0, 400.0), ROOT, (300.0, 300.0), (250.0, 220.0), (300.0, 120.0)]
FUSION = resample(np.array(CORNERS), 2.0)
"""The boundary as the network has it: round the pocket, along the members."""


def maps() -> RegionMaps:
    regions = np.zeros((4, 300, 450), np.float32)
    regions[NONBUTTING, 200:] = 1.0
    regions[BUTTING, :200, :150] = 1.0
    cv2.fillPoly(regions[WELD], [np.rint(np.vstack([FACE, FUSION]) / SCALE).astype(np.int32)], (1.0,))
    regions[[BUTTING, NONBUTTING]] *= 1 - regions[WELD]
    regions[BACKGROUND] = 1 - regions.sum(axis=0)
    return maps_of(regions, scale=SCALE)


def photograph(pocket: list[tuple[float, float]], *, air: int, weld: int, in_it: int | None = None) -> Photo:
    """Weld metal in `weld` between two plates, a `pocket` (x, y) at the joint root in the air's tone or `in_it`."""
    picture = np.full((600, 900), air, np.uint8)
    picture[400:] = 150
    picture[:400, :300] = 150
    for shape, tone in ((np.vstack([FACE, FUSION]), weld), (np.array(pocket), air if in_it is None else in_it)):
        cv2.fillPoly(picture, [np.round(shape * 16).astype(np.int32)], tone, cv2.LINE_AA, 4)
    return photo_of(picture, noise=3)


POCKET = [(300.0, 400.0), (300.0, 350.0), (370.0, 400.0)]


def passed(photo: Photo, hints: Hints | None = None) -> tuple[FloatArray, FloatArray]:
    return without_pocket(photo, maps(), (FACE, FUSION), np.full(len(FUSION), 0.5), ROOT, hints)


def off_side(points: FloatArray) -> FloatArray:
    """Distance of points from the pocket's side towards the weld, px."""
    a, b = np.array(POCKET[1]), np.array(POCKET[2])
    d = (b - a) / np.hypot(*(b - a))
    return np.asarray(np.abs((points - a) @ np.array([-d[1], d[0]])))


@pytest.mark.parametrize(("air", "weld"), [(15, 110), (235, 180), (15, 200)])
def test_the_boundary_is_the_pockets_side_towards_the_weld(air: int, weld: int) -> None:
    fusion, u = passed(photograph(POCKET, air=air, weld=weld))
    assert len(fusion) == len(u)
    assert np.hypot(*(fusion - ROOT).T).min() > 25.0
    middle = fusion[(fusion[:, 0] > 310) & (fusion[:, 0] < 360) & (fusion[:, 1] < 396) & (fusion[:, 1] > 340)]
    assert len(middle) > 20
    assert off_side(middle).max() < 1.0
    # Elsewhere it is what it was, and it goes on in the same sense.
    assert (fusion[:40] == FUSION[:40]).all()
    assert (fusion[-40:] == FUSION[-40:]).all()
    assert np.hypot(*np.diff(fusion, axis=0).T).max() < 12.0


def test_what_is_not_the_airs_colour_or_only_touches_the_boundary_stays() -> None:
    # A dark grain of the weld, half way between weld metal and air; and a round pore beside the boundary.
    assert passed(photograph(POCKET, air=15, weld=200, in_it=110))[0] is FUSION
    ring = [(345.0 + 18.0 * np.cos(a), 379.0 + 18.0 * np.sin(a)) for a in np.linspace(0, 2 * np.pi, 40)]
    assert passed(photograph(ring, air=15, weld=200))[0] is FUSION


def test_where_a_person_placed_points_or_air_and_weld_are_alike_nothing_changes() -> None:
    hints = Hints(through=((330.0, 398.0),))
    assert passed(photograph(POCKET, air=15, weld=110), hints)[0] is FUSION
    assert passed(photograph(POCKET, air=100, weld=112))[0] is FUSION
