"""A bar that its label breaks, `|--- 10 mm ---|`: two like strokes on one line, each with an end tick."""

import math
from collections.abc import Sequence

import numpy as np

from macrocheck.arrays import ByteArray
from macrocheck.calibrate.bar_fit import Bar, between, feet_of
from macrocheck.calibrate.bar_site import likeness
from macrocheck.calibrate.profile import strip
from macrocheck.calibrate.strokes import Stroke

EVEN_HALVES = 0.2
"""Most that the two strokes differ in length, in parts of the longer: a label is centred."""
WIDEST_GAP = 0.75
"""Widest gap, in parts of the whole."""
ONE_INK = 0.3
"""Most that the two strokes differ in colour, in parts of their contrast."""
WRITTEN, SOLID = 0.06, 0.7
"""Part of a label's line that has the strokes' colour, at least and at most."""
HEIGHT = 8.0
"""How far to either side of the line the label is looked for, px at least."""


def broken(pixels: ByteArray, seeds: Sequence[Stroke], least: float) -> list[Bar]:
    """Every such bar `least` px long or more of which both strokes are among the seeds."""
    found: list[Bar] = []
    for i, a in enumerate(seeds):
        for b in seeds[:i]:
            bar = _measured(pixels, a, b) if _facing(a, b, least) else None
            if bar is not None and not any(math.dist(bar.middle, other.middle) < bar.thickness for other in found):
                found.append(bar)
    return found


def _facing(a: Stroke, b: Stroke, least: float) -> bool:
    """Whether two strokes are alike and lie on one line with room for a label between them."""
    if abs(a.length - b.length) > EVEN_HALVES * max(a.length, b.length) + 4.0:
        return False
    if not 0.6 < a.thickness / b.thickness < 1.7 or abs(float(a.direction @ b.direction)) < 0.998:
        return False
    shift = b.middle - a.middle
    apart = float(np.hypot(*shift))
    whole = apart + (a.length + b.length) / 2
    off = abs(float(a.direction[0] * shift[1] - a.direction[1] * shift[0]))
    gap = apart - (a.length + b.length) / 2
    return whole > least and off < 1.0 + 0.3 * a.thickness and 2.0 * a.thickness + 6.0 < gap < WIDEST_GAP * whole


def _measured(pixels: ByteArray, a: Stroke, b: Stroke) -> Bar | None:
    """The bar from the outer end of one stroke to that of the other."""
    one, other = feet_of(pixels, a), feet_of(pixels, b)
    if one is None or other is None:
        return None
    (feet_a, thick_a), (feet_b, thick_b) = one, other
    along = (b.middle - a.middle) / math.dist(a.middle, b.middle)
    first, inner = sorted(feet_a, key=lambda foot: float(foot.at @ along))
    facing, last = sorted(feet_b, key=lambda foot: float(foot.at @ along))
    gap = float((facing.at - inner.at) @ along)
    apart = math.dist(first.on, last.on)
    if gap < thick_a or apart > ONE_INK * min(first.contrast, last.contrast):
        return None
    high = max(HEIGHT, 2.0 * thick_a)
    u, v = np.arange(thick_a, gap - thick_a, 1.0), np.arange(-high, high + 0.5, 1.0)
    if len(u) < 4:
        return None
    label = likeness(strip(pixels, inner.at, along, u, v), inner.on, inner.ground)
    if not WRITTEN < float(np.mean(label > 0.5)) < SOLID:
        return None
    bar = between(pixels, (first, last), (thick_a + thick_b) / 2, math.dist(first.at, last.at))
    return bar if bar is not None and bar.ticks else None
