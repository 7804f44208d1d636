"""A bar that lies over several grounds: one paint, laid on more or less thinly, over whatever is under it.

A drawn bar takes on some of its ground where it is thin and blurred. Along its middle line the picture is
core = paint + (1 - cover) ground, with one cover and one paint for the whole bar; the ground is read beside it.
Where that holds, each stretch of the bar shows against its own ground, be it brighter than one and darker than the
next.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, ByteArray, FloatArray
from macrocheck.calibrate.profile import strip

FLANK = 1.5, 5.0
"""How far from a bar's edge the ground on either side of it is read, px."""
LEAST_STEP = 24.0
"""Least distance of the bar's colour from its ground's by which the bar can be told, grey levels (root of the sum
of the squares of red, green and blue)."""
THINNEST_COVER = 0.15
"""Least part of its ground that a drawn bar covers."""
HOLD = 8.0
"""A ground that changes by so little tells nothing of the cover, grey levels."""
VARIES = 0.2
"""Least change of the ground along a bar, in parts of the bar's step, for it to be laid over several grounds."""
PRESENT, ABSENT = 0.45, 0.3
"""Part of its expected step from which a bar is there, and up to which it is not."""
MISFIT = 0.3
"""Largest usual misfit of the paint, in parts of the bar's step."""
WIDEST_GAP = 0.25
"""Longest stretch on which a bar may be hidden by a ground of its own colour, part of its length."""


@dataclass(frozen=True, slots=True)
class Ink:
    """`paint` (3,): colour times cover; `cover`: 0 to 1."""

    paint: FloatArray
    cover: float

    def step(self, ground: FloatArray) -> FloatArray:
        """How the bar's colour differs from grounds (..., 3)."""
        return np.asarray(self.paint - self.cover * ground)


@dataclass(frozen=True, slots=True)
class Line:
    """The picture along a bar's middle line: `core` on it and `ground` beside it, (n, 3) at `u` (n,) px."""

    u: FloatArray
    core: FloatArray
    ground: FloatArray

    @classmethod
    def read(cls, pixels: ByteArray, origin: FloatArray, axis: FloatArray, u: FloatArray, thick: float) -> "Line":
        """Read at `u` from `origin` along `axis`."""
        v = np.concatenate([[-0.25 * thick, 0.0, 0.25 * thick], _beside(thick), -_beside(thick)])
        rgb = strip(pixels, origin, axis, u, v)
        n = len(_beside(thick))
        return cls(u, rgb[:3].mean(axis=0), ground_of(rgb[:3].mean(axis=0), rgb[3 : 3 + n], rgb[3 + n :]))


def _beside(thick: float) -> FloatArray:
    return np.arange(0.5 * thick + FLANK[0], 0.5 * thick + FLANK[1], 1.0)


def ground_of(core: FloatArray, left: FloatArray, right: FloatArray) -> FloatArray:
    """Ground under a bar from rows (m, n, 3) on either side: their mean; where they differ, the less like the bar.

    A label on one side is of the bar's own colour.
    """
    a, b = np.median(left, axis=0), np.median(right, axis=0)
    mean = (a + b) / 2
    apart = np.linalg.norm(a - b, axis=-1) > 0.5 * np.linalg.norm(core - mean, axis=-1)
    less = np.where((np.linalg.norm(core - a, axis=-1) > np.linalg.norm(core - b, axis=-1))[..., None], a, b)
    return np.asarray(np.where(apart[..., None], less, mean))


def ink_of(core: FloatArray, ground: FloatArray) -> Ink | None:
    """Paint and cover from colours (n, 3) on a bar and beside it; None where no one paint explains them."""
    if len(core) < 8:
        return None
    step = core - ground
    usual, under = np.median(step, axis=0), np.median(ground, axis=0)
    # a paint is no brighter than white and no darker than black
    room = np.where(usual > 0, 255.0 - under, under)
    least = float(np.clip(np.max(np.abs(usual) / np.maximum(room, 1.0)), THINNEST_COVER, 1.0))
    keep = np.ones(len(core), dtype=bool)
    ink = Ink(usual + least * under, least)
    for _ in range(3):
        d, g = step[keep], ground[keep]
        dd, gg = d - d.mean(axis=0), g - g.mean(axis=0)
        hold = gg.size * HOLD**2
        cover = (hold * least - float(np.sum(dd * gg))) / (hold + float(np.sum(gg**2)))
        cover = float(np.clip(cover, 0.8 * THINNEST_COVER, 1.1))
        ink = Ink(d.mean(axis=0) + cover * g.mean(axis=0), cover)
        miss = np.linalg.norm(step - ink.step(ground), axis=1)
        keep = miss <= max(2.5 * float(np.median(miss)), 4.0)
    size = float(np.median(np.linalg.norm(ink.step(ground), axis=1)))
    return ink if size > LEAST_STEP and float(np.median(miss)) < MISFIT * size else None


def shown(line: Line, ink: Ink) -> tuple[FloatArray, BoolArray]:
    """How much of its expected step the bar shows along a line, (n,), and where that can be told at all."""
    step = ink.step(line.ground)
    size = cv2.blur(np.sum(step**2, axis=1)[None, :], (5, 1))[0]
    part = cv2.blur(np.sum((line.core - line.ground) * step, axis=1)[None, :], (5, 1))[0] / np.maximum(size, 1.0)
    return np.asarray(part), np.asarray(size > LEAST_STEP**2)


def inked(rgb: FloatArray, ground: FloatArray, ink: Ink, cells: int) -> tuple[FloatArray, BoolArray]:
    """Colours (m, n, 3) over grounds (n, 3) as parts of the bar's step there, (m, n), and which cells tell it.

    Where the ground hides the bar, the part is that of the picture's other places on the line.
    """
    step = ink.step(ground)
    size = np.sum(step**2, axis=1)
    told = size > LEAST_STEP**2
    part = np.sum((rgb - ground) * step, axis=2) / np.where(told, size, 1.0)
    if told.any():
        part[:, ~told] = np.median(part[:, told], axis=1)[:, None]
    return np.asarray(part), np.asarray(told.reshape(cells, -1).mean(axis=1) > 0.7)


def whole(
    pixels: ByteArray, origin: FloatArray, axis: FloatArray, length: float, thick: float
) -> tuple[float, float, Ink] | None:
    """First and last place along the axis of the whole bar of which a stretch is known, px, and its ink.

    None where the bar does not lie over several grounds or its ends cannot be told.
    """
    h, w = pixels.shape[:2]
    u = np.arange(-3.0 * length, 4.0 * length, 1.0)
    x, y = origin[0] + u * axis[0], origin[1] + u * axis[1]
    u = u[(x >= 1) & (x <= w - 2) & (y >= 1) & (y <= h - 2)]
    if len(u) < 12:
        return None
    line = Line.read(pixels, origin, axis, u, thick)
    known = (u > 0.1 * length) & (u < 0.9 * length)
    run = max(4, round(0.5 * thick))
    low, high = 0.0, length
    ink = None
    for _ in range(6):
        ink = ink_of(line.core[known], line.ground[known])
        if ink is None:
            return None
        part, told = shown(line, ink)
        there = told & (part > PRESENT)
        gone = np.convolve(told & (part < ABSENT), np.ones(run), "same") >= 0.8 * run
        middle = int(np.searchsorted(u, 0.5 * (low + high)))
        before, after = np.flatnonzero(gone[:middle]), np.flatnonzero(gone[middle:])
        if not before.size or not after.size:
            return None
        stretch = np.flatnonzero(there[before[-1] : middle + after[0]]) + before[-1]
        if not len(stretch):
            return None
        was, (low, high) = (low, high), (float(u[stretch[0]]) - 0.5, float(u[stretch[-1]]) + 0.5)
        known = there & (u >= low) & (u <= high)
        if was == (low, high):
            break
    if ink is None or not _told_ends(u, told, gone, low, high, thick):
        return None
    step = float(np.median(np.linalg.norm(ink.step(line.ground[known]), axis=1)))
    spread = math.sqrt(float(line.ground[known].var(axis=0).sum()))
    return (low, high, ink) if spread > VARIES * step else None


def _told_ends(u: FloatArray, told: BoolArray, gone: BoolArray, low: float, high: float, thick: float) -> bool:
    """Whether the bar is seen to be missing right past both its ends, and not hidden for long in between."""
    slack = 6.0 + thick
    before, after = gone & (u < low) & (u > low - slack), gone & (u > high) & (u < high + slack)
    hidden = np.flatnonzero(told & (u >= low) & (u <= high))
    gap = int(np.diff(hidden).max()) if len(hidden) > 1 else 0
    return bool(before.any() and after.any() and gap < max(WIDEST_GAP * (high - low), 4.0))


def tones_at_end(
    pixels: ByteArray, at: FloatArray, outward: FloatArray, thick: float, ink: Ink
) -> tuple[FloatArray, FloatArray]:
    """The bar's colour and that of its ground, (3,) each, on the stretch up to an end."""
    line = Line.read(pixels, at, outward, np.arange(-10.0 - thick, -1.0 - 0.5 * thick, 1.0), thick)
    ground = np.median(line.ground, axis=0)
    return np.asarray(ground + ink.step(ground)), ground
