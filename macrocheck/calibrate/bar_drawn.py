"""Whether a stroke was drawn: a gap between members, a seam or a scratch may look like a bar but for this.

A drawn bar has one tone from end to end, and its ends are square to it. A bar is drawn level or upright; one that
lies aslant in the picture is rare, and gaps and scratches lie anyhow, so that such a one must be plainer to count.
"""

import math

import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.calibrate.bar_fit import Bar
from macrocheck.calibrate.bar_ground import FLANK
from macrocheck.calibrate.profile import fit_edge, strip

CELLS, LEFT_OUT = 24, 2
"""Stretches along a bar whose tones are compared, and how many of them, those farthest off, do not count: an arrow
or a letter may cross a bar."""
EVEN = 0.045
"""Most that the tone varies along a drawn bar (standard deviation, parts of its contrast): 0.035 at most in 300
rendered bars, 0.046 to 0.21 in 8 of 11 gaps and scratches that were taken for bars."""
ASLANT_DEG = 0.2
"""Angle to the picture's rows or columns from which a bar is not level, degrees."""
SQUARE = 0.2
"""Most that an end of a bar aslant may be off square (tangent): rendered bars 0.1, 9 of the 11 0.23 to 0.75."""
SURE_ASLANT = 0.0025
"""Most standard uncertainty of the length of a bar aslant (relative): rendered bars 0.0024, 7 of the 11 0.0027 to
0.0048; two of them are told by it alone."""
PAST = 8.0
"""How far to either side of an end its edge is read, px."""


def drawn(pixels: ByteArray, bar: Bar) -> bool:
    """Whether a measured bar without end ticks is as even and as square as a drawn one."""
    thick = bar.thickness
    u = np.linspace(0.06, 0.94, CELLS * max(3, int(0.88 * bar.length / CELLS))) * bar.length
    core = 0.2 * thick * np.linspace(-1, 1, 5)
    beside = 0.5 * thick + np.arange(*FLANK, 0.5)
    along = strip(pixels, bar.start, bar.direction, u, core).mean(axis=0)
    sides = [np.median(strip(pixels, bar.start, bar.direction, u, v), axis=(0, 1)) for v in (beside, -beside)]
    ground = (sides[0] + sides[1]) / 2
    step = np.median(along, axis=0) - ground
    size = float(step @ step)
    if size == 0.0:
        return False
    lean = step / size
    tones = ((along - ground) @ lean).reshape(CELLS, -1).mean(axis=1)
    off = np.sort(np.abs(tones - np.median(tones)))[: CELLS - LEFT_OUT]
    if math.sqrt(float(np.mean(off**2))) > EVEN:
        return False
    if float(np.abs(bar.direction).max()) > math.cos(math.radians(ASLANT_DEG)):
        return True
    ends = ((bar.start, -bar.direction), (bar.end, bar.direction))
    square = all(_skew(pixels, at, outward, thick, lean, ground) < SQUARE for at, outward in ends)
    return square and bar.u_length < SURE_ASLANT * bar.length


def _skew(
    pixels: ByteArray, at: FloatArray, outward: FloatArray, thick: float, lean: FloatArray, ground: FloatArray
) -> float:
    """How far an end is off square to its bar (tangent); infinite where one half of it has no edge."""
    u = np.arange(-PAST, PAST + 0.01, 0.5)
    half = np.linspace(0.15, 0.5, 4) * thick
    fits = [
        fit_edge(u, ((strip(pixels, at, outward, u, rows) - ground) @ lean).mean(axis=0), 0.0)
        for rows in (-half, half)
    ]
    left, right = fits
    if left is None or right is None:
        return math.inf
    return abs(left[0] - right[0]) / (0.65 * thick)
