"""A bar drawn with an outline of another tone, to show on any ground: where the bar itself ends within it.

The outline is added around the bar, so that the bar's length is that within it (common practice, no source).
"""

from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.calibrate.disc_rim import SPACING, Melted, melted
from macrocheck.calibrate.profile import LUMA_CHROMA, strip

BEYOND = 5.5
"""How far beyond a bar's edge its outline may reach, px; the ground beyond a strip lies further off."""
LEAST_WIDE = 0.8
"""Thinnest outline, px."""
LEAST_STEP = 30.0
"""Least difference of an outline's tone or colour from the bar's and from the ground's, grey levels."""
ALIKE_WIDE = 0.6
"""Most by which an outline may seem wider on one side than on the other, px."""
MOST_UNLIKE, LEAST_U = 2.0, 0.25
"""Most by which it may seem wider at an end than along the sides, and the standard uncertainty of an end within it
at least, px: outlines are a pixel or two wide; estimates."""
INWARD = 10.0
"""How far back along the bar its end is looked at, px."""


@dataclass(frozen=True, slots=True)
class Within:
    """Where the bar itself ends, px outward from where it was looked for, and the standard uncertainty of that."""

    at: float
    u: float


def outline_width(pixels: ByteArray, start: FloatArray, end: FloatArray, thick: float) -> float:
    """Width in px of the outline along both sides of a bar from `start` to `end`, `thick` px; 0 without one."""
    length = float(np.hypot(*(end - start)))
    axis = (end - start) / length
    u = np.arange(0.1 * length, 0.9 * length, 1.0)
    t = np.arange(-0.5 * thick, BEYOND + 0.01, SPACING)
    v = 0.5 * thick + t
    sides = [_outline(t, _mean(strip(pixels, start, axis, u, sign * v), 1)) for sign in (-1.0, 1.0)]
    if sides[0] is None or sides[1] is None:
        return 0.0
    left, right = sides[0].gap, sides[1].gap
    return (left + right) / 2 if abs(left - right) < ALIKE_WIDE else 0.0


def end_within(
    pixels: ByteArray, tip: FloatArray, outward: FloatArray, thick: float, length: float, wide: float
) -> Within | None:
    """The end of a bar whose outline, `wide` px, ends about at `tip`; None where no such outline goes round it."""
    t = np.arange(-min(INWARD, 0.3 * length), BEYOND + 0.01, SPACING)
    v = np.linspace(-0.25, 0.25, 5) * thick
    found = _outline(t, _mean(strip(pixels, tip, outward, t, v), 0))
    if found is None or abs(found.gap - wide) > MOST_UNLIKE:
        return None
    # the sides are read along the whole bar, so they say how wide the outline is
    return Within(found.at - wide, max(LEAST_U, 0.3 * abs(found.gap - wide)))


def _mean(rgb: FloatArray, axis: int) -> FloatArray:
    """Brightness and colour (3, n) of colours (m, n, 3) or (n, m, 3), meant over `axis`."""
    return np.asarray((np.asarray(rgb.mean(axis=axis)) @ LUMA_CHROMA.T).T)


def _outline(t: FloatArray, mean: FloatArray) -> Melted | None:
    found = melted(t, mean, 1.0)
    steps = np.linalg.norm(found.height, axis=1)
    # a row of pixels that the bar's edge covers in part lies between its tone and the ground's, an outline does not
    back = float(found.height[0] @ found.height[1]) < 0.0
    return found if found.gap > LEAST_WIDE and float(steps.min()) > LEAST_STEP and back else None
