"""Grooves beside a toe along the maps' outline: one that the photo shows filled with plate is none."""

import cv2
import numpy as np
import pytest

from macrocheck.arrays import FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.chains import resample
from macrocheck.segment.groove import find_groove
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import NONBUTTING, RegionMaps
from tests.segment.fake_maps import maps_of, photo_of

SCALE = 2.0
TOE = np.array([200.0, 300.0])
SURFACE = Line(np.array([350.0, 300.0]), np.array([1.0, 0.0]), 0.2, 1e-3, -150.0, 150.0)
GROOVE = np.array([(206.0, 300.0), (210.0, 330.0), (222.0, 330.0), (226.0, 300.0)])
"""Photo px: 30 px deep, just beyond the toe."""


def plate(*, grooved: bool) -> Photo:
    """A plate under y = 300, the air above it dark, with the groove in it or whole."""
    picture = np.full((500, 700), 40, np.uint8)
    picture[300:] = 150
    if grooved:
        cv2.fillPoly(picture, [GROOVE.astype(np.int32)], 40)
    return photo_of(picture, noise=3)


def maps_and_walk() -> tuple[RegionMaps, FloatArray]:
    """Maps that show the groove as air, and the walk in map px from the toe along the outline of the plate."""
    regions = np.zeros((4, 250, 350), np.float32)
    regions[0, :150], regions[NONBUTTING, 150:] = 1, 1
    ring = np.round(GROOVE / SCALE * 16).astype(np.int32)
    cv2.fillPoly(regions[0], [ring], 1.0, cv2.LINE_AA, 4)
    cv2.fillPoly(regions[NONBUTTING], [ring], 0.0, cv2.LINE_AA, 4)
    maps = maps_of(regions, scale=SCALE)
    walk = resample(np.vstack([TOE, GROOVE, [(420.0, 300.0)]]), SCALE)
    return maps, maps.map_points(walk)


@pytest.mark.parametrize("grooved", [True, False])
def test_a_groove_is_one_only_where_the_photo_shows_it(grooved: bool) -> None:
    maps, walk = maps_and_walk()
    found = find_groove(plate(grooved=grooved), maps, walk, TOE, SURFACE, 250.0)
    assert found is not None
    deepest = float((found[:, 1] - 300).max())
    if grooved:
        assert abs(deepest - 30) < 2.0
    else:
        assert deepest < 0.5
