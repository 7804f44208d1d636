"""Whether an end tick that stands on one side of a bar only was drawn there.

The strip of ground between a plain bar and the edge of its box, and the far side of an outline, end like a bracket;
they are told by what lies between their ticks, which is the bar, and by ticks unlike their line.
"""

import math
from collections.abc import Callable

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.calibrate.bar_ends import End, Patch

PEN, SHOWS_PEN = (0.6, 1.6), 3.0
"""Thickness of a one-sided tick in parts of its bar's, and thickness of a bar, px, from which that is seen."""
ONE_GROUND = 0.35
"""Most that the grounds around a one-sided tick differ, in parts of the bar's contrast; an estimate."""

Read = Callable[[FloatArray, FloatArray], FloatArray]
"""Colours (len(v), len(u), 3) at places along and across the bar, px from where its end was looked for."""


def one_sided(patch: Patch, end: End, read: Read, contrast: float) -> bool:
    """Whether a fitted one-sided tick ends, is as thick as its bar and stands on one ground.

    `contrast`: of the bar, grey levels. A tick that does not end is the side of a frame.
    """
    ends = end.tick - end.thickness / 2 <= float((end.side * patch.v).max()) - 1.0
    pen = end.thickness <= SHOWS_PEN or PEN[0] < end.wide / end.thickness < PEN[1]
    return ends and pen and _ground_differs(end, read) < ONE_GROUND * contrast


def _ground_differs(end: End, read: Read) -> float:
    """How far the ground between the ticks is from that past them and on the bar's other side, grey levels."""
    near = end.thickness / 2 + 1.5 * end.blur + 0.5
    far = max(end.tick - end.thickness / 2 - end.blur, near + 1.0)
    aside = end.side * np.linspace(near, far, 5)
    clear = end.wide / 2 + 1.5 * end.blur + 0.5
    inside = np.arange(-8.0, 0.5) + end.at - clear
    past = np.arange(0.0, 2.5) + end.at + clear
    other = -end.side * np.arange(near, near + 2.5)
    between, beyond, across = (
        np.median(read(u, v), axis=(0, 1)) for u, v in ((inside, aside), (past, aside), (inside, other))
    )
    return max(math.dist(between, beyond), math.dist(between, across))
