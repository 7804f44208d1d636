"""Narrow grooves beside a toe, found on the photo: depth against the shape that was drawn."""

import cv2
import numpy as np
import pytest

from macrocheck.arrays import FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import NONBUTTING, RegionMaps
from macrocheck.segment.notch import find_notch
from tests.segment.fake_maps import maps_of, photo_of

TOE = np.array([200.0, 300.0])
SCALE = 3.0
LEG = 250.0


def plate(groove: list[tuple[float, float]] | None, *, tone: int = 150, filled: int = 40) -> Photo:
    """A plate under y = 300 with a groove (x, y) of tone `filled`, smoothed and noisy like a photograph."""
    picture = np.full((600, 800), 40, np.uint8)
    picture[300:] = tone
    if groove is not None:
        cv2.fillPoly(picture, [np.round(np.array(groove) * 16).astype(np.int32)], filled, cv2.LINE_AA, 4)
    return photo_of(picture, noise=3)


def maps() -> RegionMaps:
    """The network's maps of the plate, in which the groove is closed over."""
    regions = np.zeros((4, 200, 267), np.float32)
    regions[0, :100], regions[NONBUTTING, 100:] = 1, 1
    return maps_of(regions, scale=SCALE)


def line() -> Line:
    return Line(np.array([350.0, 300.0]), np.array([1.0, 0.0]), 0.2, 1e-3, -150.0, 150.0)


def depth(found: FloatArray | None) -> float:
    assert found is not None
    assert np.hypot(*(found[0] - TOE)) < 1e-9
    return float((found[:, 1] - 300).max())


@pytest.mark.parametrize("deep", [12.0, 25.0, 40.0])
def test_a_groove_three_map_pixels_wide(deep: float) -> None:
    photo = plate([(203, 300), (216, 300), (209.5, 300 + deep)])
    # The bottom of a V is narrower than the blur: a few px may go unseen.
    assert deep - 9 < depth(find_notch(photo, maps(), TOE, line(), LEG)) < deep + 1


def test_a_plain_surface_has_none() -> None:
    assert find_notch(plate(None), maps(), TOE, line(), LEG) is None


def test_a_groove_far_from_the_toe_is_no_undercut() -> None:
    assert find_notch(plate([(250, 300), (262, 300), (256, 330)]), maps(), TOE, line(), LEG) is None


def test_where_air_and_plate_look_alike_nothing_is_claimed() -> None:
    photo = plate([(203, 300), (216, 300), (209.5, 330)], tone=48)
    assert find_notch(photo, maps(), TOE, line(), LEG) is None


def test_a_zone_beside_the_toe_nearer_to_the_air_s_tone_is_no_groove() -> None:
    shape = [(203.0, 300.0), (216.0, 300.0), (209.5, 330.0)]
    assert find_notch(plate(shape, filled=75), maps(), TOE, line(), LEG) is None
    assert find_notch(plate(shape, filled=48), maps(), TOE, line(), LEG) is not None


def test_a_jagged_bottom_is_noise() -> None:
    teeth = [(203.0, 300.0), (207.0, 340.0), (211.0, 302.0), (215.0, 340.0), (219.0, 302.0), (223.0, 340.0)]
    assert find_notch(plate([*teeth, (227.0, 300.0)]), maps(), TOE, line(), LEG) is None


def test_the_end_of_a_plate_is_no_groove() -> None:
    assert find_notch(plate([(205, 300), (800, 300), (800, 600), (205, 600)]), maps(), TOE, line(), LEG) is None
