"""Tips that a smooth path cuts off: where they end, against the wedge that was drawn."""

import cv2
import numpy as np
import pytest

from macrocheck.arrays import FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.chains import resample
from macrocheck.segment.hints import Hints
from macrocheck.segment.tips import with_tips
from tests.segment.fake_maps import photo_of

SCALE = 2.0
APEX = np.array([300.0, 330.0])
NOISE = 3.0


def turned(points: FloatArray, degrees: float) -> FloatArray:
    """Points turned about the middle of the picture."""
    a = np.deg2rad(degrees)
    return np.asarray((points - 300) @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]) + 300)


def wedge(half_angle: float, *, blunt: float = 0.0) -> FloatArray:
    """The weld metal: a box above a wedge that points down to APEX, its tip taken off `blunt` px above that."""
    wide, short = (h * float(np.tan(np.deg2rad(half_angle))) for h in (90.0, blunt))
    end = [(-short, -blunt), (short, -blunt)] if blunt else [(0.0, 0.0)]
    return np.asarray(APEX + np.array([(wide, -150.0), (-wide, -150.0), (-wide, -90.0), *end, (wide, -90.0)]))


def photograph(shape: FloatArray, *, weld: int = 170, member: int = 110) -> Photo:
    picture = np.full((600, 600), member, np.uint8)
    cv2.fillPoly(picture, [np.round(shape * 16).astype(np.int32)], weld, cv2.LINE_AA, 4)
    return photo_of(picture, noise=NOISE, seed=5)


def path_of(shape: FloatArray, cut: float) -> tuple[FloatArray, FloatArray]:
    """The face (the box's upper side) and a fusion boundary that follows the shape but for the last `cut` px."""
    sides = [shape[1], shape[2], shape[3], shape[-2] if len(shape) > 5 else shape[3], shape[-1], shape[0]]
    even = resample(np.array(sides), 0.25)
    tip = 0.5 * (sides[2] + sides[3])
    far = np.hypot(*(even - tip).T) > cut
    return np.array([shape[0], shape[1]]), resample(even[far], SCALE)


def nearest(path: FloatArray, point: FloatArray) -> float:
    return float(np.hypot(*(path - point).T).min())


@pytest.mark.parametrize("turn", [0.0, 65.0, 190.0])
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("weld", [170, 60])
def test_a_tip_that_was_cut_off_is_drawn_out(turn: float, mirrored: bool, weld: int) -> None:
    shape = turned(wedge(22.0), turn)
    if mirrored:
        shape = np.ascontiguousarray(shape * [-1, 1] + [600, 0])
    apex = shape[3]
    face, fusion = path_of(shape, 12.0)
    assert nearest(fusion, apex) > 10
    found, u = with_tips(photograph(shape, weld=weld), face, fusion, np.full(len(fusion), 0.5), SCALE)
    # The wedge is 0.8 px wide one px before it ends: less than the blur, so the last two px may go unseen.
    assert nearest(found, apex) < 2.5
    assert len(u) == len(found)
    assert u.max() > 1.0
    assert u.min() == 0.5


@pytest.mark.parametrize("blunt", [8.0, 12.0])
def test_a_blunt_end_stays_where_the_photo_shows_it(blunt: float) -> None:
    shape = wedge(22.0, blunt=blunt)
    face, fusion = path_of(shape, 4.0)
    found, _ = with_tips(photograph(shape), face, fusion, np.full(len(fusion), 0.5), SCALE)
    assert abs(found[:, 1].max() - (APEX[1] - blunt)) < 1.5


def test_no_tip_where_the_photo_shows_no_edge() -> None:
    shape = wedge(22.0)
    face, fusion = path_of(shape, 12.0)
    plain = photograph(shape, weld=110)
    found, u = with_tips(plain, face, fusion, np.full(len(fusion), 0.5), SCALE)
    assert found is fusion
    assert u.max() == 0.5


def test_a_person_s_point_stays() -> None:
    shape = wedge(22.0)
    face, fusion = path_of(shape, 12.0)
    hints = Hints(through=((300.0, 318.0),))
    found, _ = with_tips(photograph(shape), face, fusion, np.full(len(fusion), 0.5), SCALE, hints)
    assert found is fusion


def test_a_wide_corner_is_no_tip() -> None:
    shape = wedge(60.0)
    face, fusion = path_of(shape, 12.0)
    found, _ = with_tips(photograph(shape), face, fusion, np.full(len(fusion), 0.5), SCALE)
    assert found is fusion


def test_a_tip_smaller_than_a_pixel_is_left() -> None:
    # The window about it holds no place of a grid of px; numpy's warning of an empty mean would fail this test.
    shape = wedge(22.0)
    face, fusion = path_of(shape, 12.0)
    small = (fusion - 300) / 40 + 300
    found, _ = with_tips(photograph(shape), (face - 300) / 40 + 300, small, np.full(len(small), 0.5), SCALE / 40)
    assert found is small
