"""Whether a round outline is that of a disc and not of a letter's stroke."""

import math

import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.calibrate.disc_fit import Disc
from macrocheck.calibrate.profile import sample

SMALLEST = 0.05
"""Least diameter over the picture's longest side, as measured; beside what is looked for, `LEAST_DIAMETER`."""
UNLIKE = 0.35
"""Least contrast of what lies within a disc to its ground, part of its outline's."""
PLAIN, MOST_MIXED = 0.6, 0.08
"""Contrast within a disc, part of its outline's, and the part of it that may be that unlike the rest of it."""
ALL_ROUND, NO_LETTER = 0.85, 0.08
"""Part of the outline seen, and diameter over the picture's longest side, from which it is no letter's."""


def whole(pixels: ByteArray, disc: Disc) -> bool:
    """Whether an outline is that of a thing: seen all round and of some size, or plain and unlike its ground.

    A digit's or a letter's round stroke is open or straight in part, and has its ground within it as well.
    """
    size = 2 * disc.radius / max(pixels.shape[:2])
    if size < SMALLEST:
        return False
    if disc.seen > ALL_ROUND and size > NO_LETTER:
        return True
    turn = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    unit = np.column_stack([np.cos(turn), np.sin(turn)])
    tones: list[FloatArray] = []
    mixed = 1.0
    for low, high in ((0.0, 0.6), (1.06, 1.16), (1.35, 1.7)):
        far = np.linspace(low, high, 12)[:, None, None]
        at = disc.centre + far * (unit @ disc.shape)
        inside = (at >= 0).all(axis=2) & (at[..., 0] < pixels.shape[1]) & (at[..., 1] < pixels.shape[0])
        if np.count_nonzero(inside) < 60:
            if not tones:
                return False
            continue
        read = sample(pixels, at[..., 0], at[..., 1])[inside]
        tones.append(np.median(read, axis=0))
        if len(tones) == 1:
            mixed = float(np.mean(np.abs(read - tones[0]).max(axis=1) > PLAIN * disc.step))
    # of a stroke's inner outline the stroke lies just outside, and the ground within it beyond
    unlike = min((float(np.abs(tones[0] - tone).max()) for tone in tones[1:]), default=math.inf)
    return unlike > UNLIKE * disc.step and mixed < MOST_MIXED
