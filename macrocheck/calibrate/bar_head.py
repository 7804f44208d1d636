"""Whether a stroke is an arrow: two barbs of its own colour run back from one of its ends, one on either side."""

import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.calibrate.bar_site import likeness
from macrocheck.calibrate.profile import sample, strip
from macrocheck.calibrate.strokes import Stroke

BARB_DEG = np.arange(14.0, 66.0, 2.0)
"""Angles of a barb to the shaft that are looked at, degrees."""
BARB = 0.06
"""Length of a barb that is looked at, part of the shaft's, and 10 px at least."""
ALIKE_DEG = 30.0
"""Most that the angles of both barbs may differ, degrees: drawn by hand they do."""
INKED, CLEAR = 0.8, 0.45
"""Part of a barb that must have the shaft's colour at least, and of the room between barb and shaft at most."""
NEAR_TIP = 0.25
"""Stretch of the shaft just behind its barbs beside which the ground under the head is read, part of its length."""


def headed(pixels: ByteArray, stroke: Stroke) -> bool:
    """Whether a stroke has an arrow's head at one of its ends."""
    thick = max(stroke.thickness, 1.0)
    axis, length = stroke.direction, stroke.length
    u = np.linspace(0.2, 0.8, 40) * length
    beside = 0.5 * thick + np.array([2.5, 4.0])
    on = np.median(strip(pixels, stroke.start, axis, u, np.array([-0.2, 0.0, 0.2]) * thick), axis=(0, 1))
    ground = np.median(strip(pixels, stroke.start, axis, u, np.concatenate([-beside, beside])), axis=(0, 1))
    first = 1.5 * thick + 3.0
    r = np.arange(first, first + max(BARB * length, 10.0), 1.0)
    close = r[-1] + np.linspace(0.0, NEAR_TIP, 20) * length
    for tip, back in ((stroke.start, axis), (stroke.end, -axis)):
        # a shaft may cross to another ground, as like its own colour as to the ground beside its middle
        under = np.median(strip(pixels, tip, back, close, np.concatenate([-beside, beside])), axis=(0, 1))
        for around in (ground, under):
            if np.allclose(on, around):
                continue
            # a drawn tip is blunt: the barbs may meet a little before or past where the shaft was measured to end
            for shift in np.array([-1.0, -0.3, 0.4, 1.1]) * thick:
                inked = [_inked(pixels, tip + shift * back, back, side, r, on, around) for side in (-1.0, 1.0)]
                if _barbs(*inked):
                    return True
    return False


def _inked(
    pixels: ByteArray,
    tip: FloatArray,
    back: FloatArray,
    side: float,
    r: FloatArray,
    on: FloatArray,
    ground: FloatArray,
) -> FloatArray:
    """Part of the ray at each angle that has the shaft's colour, (angles,), on one side of the shaft."""
    turn = np.deg2rad(BARB_DEG)[:, None]
    across = side * np.array([-back[1], back[0]])
    x, y = (tip[i] + r * (np.cos(turn) * back[i] + np.sin(turn) * across[i]) for i in (0, 1))
    h, w = pixels.shape[:2]
    inside = (x >= 0) & (y >= 0) & (x <= w - 1) & (y <= h - 1)
    alike = likeness(sample(pixels, x, y), on, ground) > 0.5
    return np.asarray((alike & inside).mean(axis=1))


def _barbs(left: FloatArray, right: FloatArray) -> bool:
    """Whether rays on both sides are inked at about the same angle, with room between them and the shaft."""
    barbs = []
    for inked in (left, right):
        best = int(np.argmax(inked))
        if inked[best] < INKED or inked[: best + 1].min() > CLEAR or inked[best:].min() > CLEAR:
            return False
        barbs.append(BARB_DEG[best])
    return bool(abs(barbs[0] - barbs[1]) <= ALIKE_DEG)
