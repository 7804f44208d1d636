"""A bar that shows by its outline alone: its fill is about as dark or as light as the ground around it.

What is seen is a long rectangle drawn with a thin line of one tone, closed at both ends and even within; the bar's
length is that within the line, as for every outlined bar.
"""

import math

import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.calibrate.bar_fit import LEAST_ROOM, MOST_U, Bar
from macrocheck.calibrate.bar_outline import LEAST_STEP, LEAST_U, PAST, UNLIKE, Outline, end_within, outline_of
from macrocheck.calibrate.profile import strip
from macrocheck.calibrate.strokes import THICKEST, Stroke
from macrocheck.photo import LUMA

CELLS = 16
"""Stretches along the bar in which the line is looked for on either side."""
WHOLE = 0.85
"""Part of the stretches in which both sides must be there."""
EVEN = 0.12
"""Most that the fill varies along the bar, in parts of the line's step (standard deviation): writing in a frame
varies more. An estimate."""
CLOSED = 0.6
"""Least step of the line across each end, in parts of that along the sides."""
ROOM = 3.0
"""Narrowest fill, px: a narrower one is not told from the line's own blur."""


def ringed(pixels: ByteArray, seed: Stroke) -> Bar | None:
    """Measure a bar by the line around it; None where a seed is none."""
    length, axis = seed.length, seed.direction
    most = max(2.0 * seed.thickness, 12.0) + PAST
    u = np.linspace(0.06, 0.94, 4 * CELLS) * length
    v = np.arange(-most, most + 0.01, 0.5)
    rgb = strip(pixels, seed.start, axis, u, v) @ np.array(LUMA)
    cells = rgb.reshape(len(v), CELLS, 4).mean(axis=2)
    middle = _middle(np.median(cells, axis=1), v)
    if middle is None:
        return None
    shift, thick, step = middle
    across = np.array([-axis[1], axis[0]])
    lines = [_line(cells, v, side, step) for side in (shift - thick / 2, shift + thick / 2)]
    told = np.isfinite(lines[0]) & np.isfinite(lines[1])
    core = cells[np.abs(v - shift) < max(0.2 * thick, 0.5)].mean(axis=0)
    if told.mean() < WHOLE or float(np.std(core)) > EVEN * abs(step):
        return None
    at = (np.arange(CELLS) + 0.5) / CELLS * 0.88 * length + 0.06 * length
    slope, offset = np.polyfit(at[told], ((lines[0] + lines[1]) / 2)[told], 1)
    start = seed.start + across * offset
    end = seed.start + axis * length + across * (offset + slope * length)
    return _closed(pixels, start, end, thick, step)


def _middle(profile: FloatArray, v: FloatArray) -> tuple[float, float, float] | None:
    """Middle of a pair of like lines across, their distance, both px, and their step from what is between them."""
    best: tuple[float, float, float] | None = None
    for sign in (1.0, -1.0):
        seen = sign * profile
        peaks = np.flatnonzero((seen[1:-1] >= seen[:-2]) & (seen[1:-1] > seen[2:])) + 1
        for k, i in enumerate(peaks):
            for j in peaks[k + 1 :]:
                within, outer = float(seen[i:j].min()), min(float(seen[i]), float(seen[j]))
                past = max(float(seen[: max(i - 4, 1)].max()), float(seen[min(j + 5, len(v) - 1) :].max()))
                step = outer - within
                alike = abs(float(seen[i] - seen[j])) < 0.25 * step
                if step > LEAST_STEP and outer - past > 0.5 * step and alike and v[j] - v[i] >= ROOM:
                    found = (float(v[i] + v[j]) / 2, float(v[j] - v[i]), sign * step)
                    best = found if best is None or abs(found[2]) > abs(best[2]) else best
    return best


def _line(cells: FloatArray, v: FloatArray, side: float, step: float) -> FloatArray:
    """Where the line lies in each stretch, (cells,) px; NaN where it is not seen."""
    near = np.flatnonzero(np.abs(v - side) < 2.0)
    seen = np.sign(step) * cells[near]
    top = np.argmax(seen, axis=0)
    inner = np.abs(v) < max(abs(side) - 1.5, 0.5)
    stands = seen.max(axis=0) - np.sign(step) * np.median(cells[inner], axis=0) > 0.6 * abs(step)
    return np.where(stands, v[near][top], np.nan)


def _closed(pixels: ByteArray, start: FloatArray, end: FloatArray, thick: float, step: float) -> Bar | None:
    """The bar within a line that closes both ends."""
    length = float(np.hypot(*(end - start)))
    axis = (end - start) / length
    tips = []
    for tip, out in ((start, -axis), (end, axis)):
        u = np.arange(-8.0 - thick, 8.0 + thick, 0.5)
        seen = np.sign(step) * (strip(pixels, tip, out, u, np.linspace(-0.25, 0.25, 5) * thick) @ np.array(LUMA))
        along = seen.mean(axis=0)
        top = int(np.argmax(along))
        past = float(np.median(along[top + 8 :])) if top + 8 < len(along) else math.inf
        if along[top] - max(float(np.median(along[: max(top - 8, 1)])), past) < CLOSED * abs(step):
            return None
        tips.append(tip + out * float(u[top]))
    outline = outline_of(pixels, tips[0], tips[1], thick)
    if outline is None:
        return None
    return _between(pixels, tips, thick - outline.width, outline, abs(step))


def _between(
    pixels: ByteArray, tips: list[FloatArray], thick: float, outline: Outline, contrast: float
) -> Bar | None:
    length = float(np.hypot(*(tips[1] - tips[0])))
    axis = (tips[1] - tips[0]) / length
    ends = [
        end_within(pixels, tip, out, thick + outline.width, outline)
        for tip, out in ((tips[0], -axis), (tips[1], axis))
    ]
    if ends[0] is None or ends[1] is None or thick > THICKEST * length:
        return None
    u = math.hypot(math.sqrt(2.0) * LEAST_U, UNLIKE * abs(ends[0] - ends[1]))
    bar = Bar(tips[0] - axis * ends[0], tips[1] + axis * ends[1], thick, u, contrast, ticks=False, edged=True)
    most = np.array(pixels.shape[1::-1]) - 1.0 - LEAST_ROOM
    inside = all((p >= LEAST_ROOM).all() and (p <= most).all() for p in (bar.start, bar.end))
    return bar if inside and u < MOST_U * bar.length else None
