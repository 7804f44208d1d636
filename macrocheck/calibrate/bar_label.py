"""Whether a bar has its label beside it: a row of letters of the bar's own colour, clear of all else."""

import cv2
import numpy as np

from macrocheck.arrays import ByteArray
from macrocheck.calibrate.bar_fit import Bar
from macrocheck.calibrate.bar_site import likeness
from macrocheck.calibrate.profile import strip

REACH = 0.5
"""How far from a bar its label is looked for, parts of its length."""
STEPS = 400
"""Places along a bar that are read at most: bounds the time."""
LEAST_LETTER = 5
"""Least height of a letter, places."""
ALIKE = 1.7
"""Most that the heights of two letters of a label differ."""


def labelled(pixels: ByteArray, bar: Bar) -> bool:
    """Whether two letters or more stand in a row, along the bar or upright to the picture, within its reach."""
    reach = REACH * bar.length
    step = max(1.0, (bar.length + 2 * reach) / STEPS)
    u = np.arange(-reach, bar.length + reach, step)
    v = np.arange(-reach - bar.thickness, reach + bar.thickness, step)
    inside = np.linspace(0.1, 0.9, 40) * bar.length
    beside = 0.5 * bar.thickness + np.array([1.5, 3.0])
    on = np.median(strip(pixels, bar.start, bar.direction, inside, np.zeros(1)), axis=(0, 1))
    ground = np.median(
        strip(pixels, bar.start, bar.direction, inside, np.concatenate([-beside, beside])), axis=(0, 1)
    )
    inked = likeness(strip(pixels, bar.start, bar.direction, u, v), on, ground) > 0.5
    _, _, found, middles = cv2.connectedComponentsWithStats(inked.astype(np.uint8), connectivity=8)
    letters = []
    for (x, y, w, h, area), (i, j) in zip(found[1:], middles[1:], strict=True):
        clear = x > 0 and y > 0 and x + w < len(u) and y + h < len(v)
        if clear and LEAST_LETTER <= max(w, h) < 0.3 * bar.length / step and area > 0.12 * w * h:
            letters.append((float(i), float(j), float(max(w, h))))
    return any(
        max(a[2], b[2]) < ALIKE * min(a[2], b[2]) and _side_by_side(a, b)
        for k, a in enumerate(letters)
        for b in letters[:k]
    )


def _side_by_side(a: tuple[float, float, float], b: tuple[float, float, float]) -> bool:
    size = max(a[2], b[2])
    apart = sorted((abs(a[0] - b[0]), abs(a[1] - b[1])))
    return apart[0] < 0.35 * size and apart[1] < 1.6 * size
