"""Whether a stroke was drawn: a gap between members, a seam or a scratch may look like a bar but for this.

A drawn bar has one tone from end to end, and its ends are square to it. A bar is drawn level or upright; one that
lies aslant in the picture is rare, and gaps and scratches lie anyhow, so that such a one must be plainer to count.
"""

import math

import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.calibrate.bar_fit import Bar
from macrocheck.calibrate.bar_ground import FLANK
from macrocheck.calibrate.bar_label import labelled
from macrocheck.calibrate.profile import fit_edge, strip

CELLS, LEFT_OUT = 24, 2
"""Stretches along a bar whose tones are compared, and how many of them, those farthest off, do not count: an arrow
or a letter may cross a bar."""
EVEN = 0.045
"""Most that the tone varies along a drawn bar (standard deviation, parts of its contrast): 0.035 at most in 300
rendered bars, 0.046 to 0.21 in 8 of 11 gaps and scratches that were taken for bars."""
THROUGH = 0.5
"""Part of the ground's change from place to place that a thin, blurred bar shows at most."""
ASLANT_DEG = 0.2
"""Angle to the picture's rows or columns from which a bar is not level, degrees."""
SQUARE = 0.2
"""Most that an end of a bar aslant may be off square (tangent): rendered bars 0.1, 9 of the 11 0.23 to 0.75."""
SURE_ASLANT = 0.0024
"""Most standard uncertainty of the length of a bar aslant (relative): rendered bars 0.0024, 7 of the 11 0.0025 to
0.0048; two of them are told by it alone."""
PLAIN = 80.0
"""Contrast from which a bar aslant may be less sure, by half at most, grey levels: the 11 had 36 to 98."""
VIVID, SQUARE_VIVID = 35.0, 0.3
"""Least difference of tint from the ground's, in every stretch that counts, from which a bar aslant is ink, neither
gap nor scratch (they have up to 18, mostly 0 to 4): its length may be as unsure as any bar's and its ends less
plainly square, as are those of one with a label. Grey levels (root of the sum of squares) and tangent."""
SHOWS_ACROSS = 10.0
"""Thickness from which a bar's tone across it is seen, px: its shoulders are clear of what its sides blur."""
LINED, TINT_OF_LINE, FAINTER = 0.05, 20.0, 0.5
"""A strip is told by the bar along its middle: that stands out by so much less than both shoulders (parts of the
contrast), or has so much more tint than the ground, grey levels, of which the shoulders, as bright as it, have at
most this part; estimates."""
PARTED, FRINGE = 0.06, 2.0
"""Least contrast of a further part of a bar, in parts of the bar's own, and how far past its side its ground is
read, px: nearer than the edge of a narrow box; estimates."""
TWO_GROUNDS, ALONG = 0.15, 0.3
"""Least difference of the grounds on both sides of a stroke aslant, in parts of its contrast, by which it is a seam
or an edge, and what part of it every stretch that counts must show: 0.26 with 0.36 and 0.48 with 0.71 at two seams;
of 13 rendered bars aslant 12 have 0.1 at most, one 0.17 that changes from place to place."""
LINE, GOES_ON = 5.0, 0.15
"""Widest line, px, beyond which a stroke's own tone goes on, and most that it differs there, in parts of the
contrast; estimates."""
PAST = 8.0
"""How far to either side of an end its edge is read, px."""


def drawn(pixels: ByteArray, bar: Bar) -> bool:
    """Whether a measured bar without end ticks is as even and as square as a drawn one."""
    thick = bar.thickness
    u = np.linspace(0.06, 0.94, CELLS * max(3, int(0.88 * bar.length / CELLS))) * bar.length
    core = 0.2 * thick * np.linspace(-1, 1, 5)
    beside = 0.5 * thick + np.arange(*FLANK, 0.5)
    along = strip(pixels, bar.start, bar.direction, u, core).mean(axis=0)
    flanks = [strip(pixels, bar.start, bar.direction, u, v) for v in (beside, -beside)]
    sides = [np.median(flank, axis=(0, 1)) for flank in flanks]
    ground = (sides[0] + sides[1]) / 2
    step = np.median(along, axis=0) - ground
    size = float(step @ step)
    if size == 0.0:
        return False
    lean = step / size
    if thick >= SHOWS_ACROSS and _lined(pixels, bar, u, lean, ground):
        return False
    tones = ((along - ground) @ lean).reshape(CELLS, -1).mean(axis=1)
    under = (
        ((np.mean([flank.mean(axis=0) for flank in flanks], axis=0) - ground) @ lean)
        .reshape(CELLS, -1)
        .mean(axis=1)
    )
    if _uneven(tones, under) > EVEN:
        return False
    if float(np.abs(bar.direction).max()) > math.cos(math.radians(ASLANT_DEG)):
        return True
    ends = ((bar.start, -bar.direction), (bar.end, bar.direction))
    vivid = _tint(along, flanks) > VIVID
    if not vivid and _between_grounds(flanks, math.sqrt(size)):
        return False
    most = SQUARE_VIVID if vivid or labelled(pixels, bar) else SQUARE
    square = all(_skew(pixels, at, outward, thick, lean, ground) < most for at, outward in ends)
    plain = float(np.clip(bar.contrast / PLAIN, 1.0, 1.5))
    return square and (vivid or bar.u_length < SURE_ASLANT * plain * bar.length)


def _lined(pixels: ByteArray, bar: Bar, u: FloatArray, lean: FloatArray, ground: FloatArray) -> bool:
    """Whether a line runs along the middle of a stroke: it is the strip on which a bar was drawn."""
    v = np.array([-0.3, -0.25, -0.1, 0.0, 0.1, 0.25, 0.3]) * bar.thickness
    across = np.median(strip(pixels, bar.start, bar.direction, u, v), axis=1) - ground
    left, middle, right = (
        np.median(across[:2], axis=0),
        np.median(across[2:5], axis=0),
        np.median(across[5:], axis=0),
    )
    if float(middle @ lean) < min(float(left @ lean), float(right @ lean)) - LINED:
        return True
    tints = [float(np.linalg.norm(one - one.mean())) for one in (left, middle, right)]
    bright = [abs(float(one.mean())) for one in (left, middle, right)]
    tinted = tints[1] > TINT_OF_LINE and max(tints[0], tints[2]) < FAINTER * tints[1]
    return tinted and min(bright[0], bright[2]) > 0.8 * bright[1]


def _between_grounds(flanks: list[FloatArray], size: float) -> bool:
    """Whether the grounds (m, n, 3) on a stroke's two sides differ alike along it: `size` is its step from them.

    A bar drawn over a picture crosses the edges of its grounds, a seam between two members runs along them.
    """
    left, right = (np.median(flank, axis=0).reshape(CELLS, -1, 3).mean(axis=1) for flank in flanks)
    apart = np.median(left - right, axis=0)
    far = float(np.linalg.norm(apart))
    if far < TWO_GROUNDS * size:
        return False
    along = np.sort((left - right) @ apart / far)
    return bool(along[LEFT_OUT] > ALONG * far)


def _tint(along: FloatArray, flanks: list[FloatArray]) -> float:
    """Difference of tint of a bar's tones (n, 3) from the grounds beside it, least of the stretches that count."""
    step = along - np.mean([flank.mean(axis=0) for flank in flanks], axis=0)
    cells = step.reshape(CELLS, -1, 3).mean(axis=1)
    tints = np.linalg.norm(cells - cells.mean(axis=1, keepdims=True), axis=1)
    return float(np.sort(tints)[LEFT_OUT])


def _uneven(tones: FloatArray, ground: FloatArray) -> float:
    """How much the tones (CELLS,) along a bar vary, but for what of the ground (CELLS,) shows through its blur."""
    off = ground - np.median(ground)
    spread = float(off @ off)
    through = 0.0 if spread == 0.0 else float(np.clip(off @ (tones - np.median(tones)) / spread, 0.0, THROUGH))
    left = tones - through * ground
    away = np.sort(np.abs(left - np.median(left)))[: CELLS - LEFT_OUT]
    return math.sqrt(float(np.mean(away**2)))


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


def parted(pixels: ByteArray, bar: Bar) -> bool:
    """Whether a bar goes on past an end in another tone, as wide as before: one part of a bar of two tones."""
    thick, length = bar.thickness, bar.length
    core = np.linspace(-0.35, 0.35, 5) * thick
    beside = 0.5 * thick + np.arange(0.0, FRINGE + 0.1, 0.5)
    inside = np.linspace(0.1, 0.9, 24) * length
    on = np.median(strip(pixels, bar.start, bar.direction, inside, core), axis=(0, 1))
    h, w = pixels.shape[:2]
    for at, outward in ((bar.start, -bar.direction), (bar.end, bar.direction)):
        last = at + 0.8 * length * outward
        if not (0 <= last[0] <= w - 1 and 0 <= last[1] <= h - 1):
            continue
        u = np.linspace(0.15, 0.8, 24) * length
        tones = strip(pixels, at, outward, u, core)
        tone = np.median(tones, axis=(0, 1))
        # a further part may have a thin line around it
        sides = [np.median(strip(pixels, at, outward, u, side), axis=1) for side in (beside, -beside)]
        stands = min(float(np.linalg.norm(tone - side, axis=1).max()) for side in sides)
        even = float(np.percentile(np.linalg.norm(tones - tone, axis=2), 90))
        least = PARTED * bar.contrast * math.sqrt(3)
        if stands > least and even < 0.4 * stands and math.dist(tone, on) > least:
            return True
    return False


def cut_off(pixels: ByteArray, bar: Bar) -> bool:
    """Whether a bar is the ground on one side of a thin line, which goes on past the line: part of a bar's box."""
    thick = bar.thickness
    u = np.linspace(0.1, 0.9, 48) * bar.length
    on = np.median(strip(pixels, bar.start, bar.direction, u, np.linspace(-0.3, 0.3, 5) * thick), axis=(0, 1))
    most = GOES_ON * bar.contrast * math.sqrt(3)
    again = []
    for side in (-1.0, 1.0):
        v = side * (0.5 * thick + np.arange(0.0, LINE + 3.0, 1.0))
        tones = np.median(strip(pixels, bar.start, bar.direction, u, v), axis=1)
        again.append(bool((np.linalg.norm(tones[-3:] - on, axis=1) < most).all()))
    return again[0] != again[1]
