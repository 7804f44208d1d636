"""Weld metal lying cold beyond a toe, against the tongue that was drawn."""

import cv2
import numpy as np
import pytest

from macrocheck.photo import Photo
from macrocheck.segment.face import AirLine
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import BACKGROUND, NONBUTTING, WELD, RegionMaps
from macrocheck.segment.toes import Toe
from macrocheck.segment.tongue import with_tongues
from tests.segment.fake_maps import maps_of, photo_of

SCALE = 2.0
HEIGHT, WIDTH = 600, 900
SURFACE = 400.0
TOE = np.array([500.0, SURFACE])
"""Photo px: where the network's weld ends, its face coming down at 45 degrees from the left."""
LINE = Line(np.array([700.0, SURFACE]), np.array([1.0, 0.0]), 0.2, 1e-3, -150.0, 150.0)
DOWN = np.array([0.0, 1.0])
WELD_SHAPE = [(200.0, 100.0), (500.0, 400.0), (200.0, 400.0)]


def photograph(tongue: list[tuple[float, float]], *, tone: int = 110, seam: int = 0) -> Photo:
    """Dark air over a bright plate, the weld on it in `tone`, and a tongue (x, y); `seam` px dark under that."""
    picture = np.full((HEIGHT, WIDTH), 15, np.uint8)
    for shape in (WELD_SHAPE, tongue):
        if shape:
            cv2.fillPoly(picture, [np.round(np.array(shape) * 16).astype(np.int32)], tone, cv2.LINE_AA, 4)
    picture[400:] = 190
    if seam:
        picture[400 : 400 + seam, 500:] = 10
    return photo_of(picture, noise=4)


def maps() -> RegionMaps:
    """What a network says that takes the tongue for air."""
    size = (WIDTH // 2, HEIGHT // 2)
    regions = np.zeros((4, size[1], size[0]), np.float32)
    cv2.fillPoly(regions[WELD], [np.round(np.array(WELD_SHAPE) / 2 * 16).astype(np.int32)], 1.0, cv2.LINE_8, 4)
    regions[NONBUTTING][200:] = 1 - regions[WELD][200:]
    regions[BACKGROUND] = np.clip(1 - regions[WELD] - regions[NONBUTTING], 0, 1)
    return maps_of(regions, scale=SCALE)


def grown(photo: Photo, leg: float = 300.0) -> tuple[AirLine, Toe]:
    """The face, from the butting side down to the nonbutting toe, and that toe.

    The network rounds the weld off: its face drops down to the toe over the last of its way.
    """
    face = np.vstack([np.linspace((200.0, 100.0), (470.0, 370.0), 190), np.linspace((471.0, 374.0), TOE, 10)])
    air = AirLine(face, np.full(200, 0.2), np.ones(200), np.full(200, 3.0))
    toes = (Toe(face[0], 1.0, 0.8), Toe(TOE, 1.0, 0.8))
    found, after = with_tongues(photo, maps(), air, toes, (None, LINE), (None, DOWN), leg)
    assert after[0] is toes[0]
    return found, after[1]


@pytest.mark.parametrize(("thick", "end"), [(30.0, 580.0), (18.0, 560.0), (45.0, 620.0)])
@pytest.mark.parametrize("seam", [0, 4])
def test_a_tongue_is_followed_to_its_end(thick: float, end: float, seam: int) -> None:
    shape = [(500.0 - thick, 400.0 - thick), (end, 400.0), (470.0, 400.0)]
    air, toe = grown(photograph(shape, seam=seam))
    assert abs(toe.point[0] - end) < 2 * toe.u
    assert toe.u < 12
    assert toe.point[1] == SURFACE
    assert (air.points[-1] == toe.point).all()
    # On the drawn top, or on the face as it was.
    slope = thick / (end - 500.0 + thick)
    beyond = air.points[(air.points[:, 0] > 505) & (air.points[:, 0] < end - 12)]
    assert np.abs(beyond[:, 1] - (400.0 - slope * (end - beyond[:, 0]))).max() < 1.5
    assert len(air.points) == len(air.u) == len(air.seen)
    # One way along: no spur of the face as it was.
    assert (np.diff(air.points[:, 0]) > -1e-9).all()


def same(photo: Photo) -> bool:
    return bool((grown(photo)[1].point == TOE).all())


def test_a_bare_surface_has_none() -> None:
    assert same(photograph([]))


def test_a_burr_that_does_not_taper_is_none() -> None:
    assert same(photograph([(480.0, 385.0), (580.0, 385.0), (580.0, 400.0), (480.0, 400.0)]))


def test_a_ball_off_the_toe_is_none() -> None:
    assert same(photograph([(530.0, 400.0), (545.0, 380.0), (570.0, 380.0), (585.0, 400.0)]))


def test_a_shadow_on_the_ground_beside_a_dark_weld_is_none() -> None:
    # It is as dark as the weld at the plate and thins out away from the toe, but nowhere has it an edge.
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(np.float64)
    shade = np.exp(-np.clip(400.0 - y, 0.0, None) / 22.0) * np.clip(1.25 - (x - 500.0) / 80.0, 0.0, 1.0)
    picture = np.asarray(200.0 - 135.0 * shade, np.uint8)
    cv2.fillPoly(picture, [np.round(np.array(WELD_SHAPE) * 16).astype(np.int32)], 60, cv2.LINE_AA, 4)
    picture[400:] = 120
    assert same(photo_of(picture, noise=4))


def test_weld_and_air_of_one_tone_tell_nothing() -> None:
    assert same(photograph([(470.0, 370.0), (580.0, 400.0), (470.0, 400.0)], tone=20))


def test_a_weld_of_a_few_pixels_is_left_alone() -> None:
    shape = [(470.0, 370.0), (580.0, 400.0), (470.0, 400.0)]
    assert (grown(photograph(shape), leg=12.0)[1].point == TOE).all()
