"""Holes in the weld metal: told apart where they touch, and not taken from coarse grain."""

import cv2
import numpy as np

from macrocheck.arrays import AnyArray
from macrocheck.segment.voids import _apart


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
