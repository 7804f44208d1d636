"""Holes in the weld metal: told apart where they touch, and as unsure as the doubt whether they are any."""

import cv2
import numpy as np
import pytest

from macrocheck.arrays import AnyArray, FloatArray
from macrocheck.segment.voids import _apart, weigh


def outline_of(*circles: tuple[int, int, int]) -> AnyArray:
    mask = np.zeros((200, 300), np.uint8)
    for x, y, r in circles:
        cv2.circle(mask, (x, y), r, 1, -1)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    assert len(contours) == 1
    return np.asarray(contours[0])


def test_one_round_hole_stays_one() -> None:
    assert len(_apart(outline_of((100, 90, 40)), 30)) == 1


def test_holes_that_touch_are_told_apart() -> None:
    parts = _apart(outline_of((100, 90, 40), (170, 90, 34)), 30)
    assert len(parts) == 2
    centres = sorted(float(p[:, 0, 0].mean()) for p in parts)
    assert abs(centres[0] - 100) < 6
    assert abs(centres[1] - 170) < 6
    areas = sorted(cv2.contourArea(p) for p in parts)
    # External check: the area of a circle.
    assert abs(areas[1] - np.pi * 40**2) < 0.08 * np.pi * 40**2
    assert abs(areas[0] - np.pi * 34**2) < 0.08 * np.pi * 34**2


def test_a_long_hole_stays_one() -> None:
    mask = np.zeros((120, 400), np.uint8)
    cv2.ellipse(mask, (200, 60), (150, 22), 5, 0, 360, 1, -1)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    assert len(_apart(np.asarray(contours[0]), 30)) == 1


def square(side: float, x: float = 0.0) -> FloatArray:
    return np.array([[x, 0.0], [x + side, 0.0], [x + side, side], [x, side]])


def test_a_sure_void_leaves_no_doubt() -> None:
    got = weigh([square(10.0)], [1.0])
    assert len(got.rings) == 1
    assert got.u_length == got.u_area == 0.0
    assert not got.unsure


def test_a_spot_that_is_likely_a_grain_is_not_taken_but_widens() -> None:
    # Worked by hand: value 0; with chance 0.2 the truth is the diagonal of 10, so u = sqrt(0.2) * 14.142.
    got = weigh([square(10.0)], [0.2])
    assert got.rings == ()
    assert got.u_length == pytest.approx(np.sqrt(0.2) * np.hypot(10, 10))
    assert got.u_area == pytest.approx(np.sqrt(0.2) * 100)
    assert got.unsure[0].tolist() == [5.0, 5.0]


def test_a_doubtful_spot_behind_a_larger_sure_one_changes_no_longest_dimension() -> None:
    got = weigh([square(30.0), square(10.0, x=50.0)], [1.0, 0.6])
    assert len(got.rings) == 2
    assert got.u_length == 0.0
    assert got.u_area == pytest.approx(np.sqrt(0.4) * 100)


def test_u_is_the_root_mean_square_error_over_all_that_may_be_so() -> None:
    # External check: drawing which spots are voids, many times over.
    rng = np.random.default_rng(3)
    chances = [0.9, 0.3, 0.6]
    spots = [square(12.0), square(20.0, x=40.0), square(7.0, x=80.0)]
    got = weigh(spots, chances)
    longest = np.array([12.0, 20.0, 7.0]) * np.sqrt(2)
    real = rng.random((200_000, 3)) < chances
    error = np.where(real, longest, 0.0).max(axis=1) - 12.0 * np.sqrt(2)
    assert got.u_length == pytest.approx(float(np.sqrt((error**2).mean())), rel=0.01)


def test_an_unsure_spot_far_smaller_than_a_sure_void_only_widens() -> None:
    got = weigh([square(30.0), square(10.0, x=50.0), square(20.0, x=90.0)], [1.0, 0.6, 0.6])
    assert [middle.tolist() for middle in got.unsure] == [[100.0, 10.0]]
    assert got.u_area == pytest.approx(np.sqrt(0.4 * (100**2 + 400**2)))


def test_a_spot_too_small_to_matter_only_widens() -> None:
    got = weigh([square(10.0)], [0.4], least=15.0)
    assert got.unsure == ()
    assert got.u_length == pytest.approx(np.sqrt(0.4) * np.hypot(10, 10))
