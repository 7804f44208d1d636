"""A bar drawn with an outline of another tone, to show on any ground: where the bar itself ends within it.

The outline is added around the bar, so that the bar's length is that within it (common practice, no source). Its
width and the blur are told by the mean profile across the bar's long sides, where hundreds of pixels say so; the
ends have the same outline.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.calibrate.bar_fit import Bar
from macrocheck.calibrate.profile import erf, strip
from macrocheck.photo import LUMA

PAST = 6.0
"""How far past a bar's sides and ends its outline is looked for, px."""
BLURS = (0.25, 0.35, 0.45, 0.55, 0.7, 0.85, 1.0, 1.2, 1.4, 1.7)
"""Blurs (standard deviation) that are tried, px."""
WIDTHS = np.arange(0.75, 3.6, 0.25)
WIDEST = 3.0
"""Widths of an outline that are tried, and the widest that is taken for one, px: wider ones are the bar's box."""
CLEAR = 1.8
"""Least width of an outline in blurs; a narrower one melts into the bar's edge."""
LEAST_MISFIT = 4.0
"""Least misfit of a bar without an outline, grey levels (root of the mean square)."""
LEAST_STEP = 35.0
"""Least difference of an outline's tone from the bar's and from the ground's, grey levels."""
LEFT = 0.3
"""Part of the misfit of a bar without an outline that one with an outline leaves at most."""
LEFT_BETWEEN, LEAST_BETWEEN = 0.08, 1.5
"""The same for an outline whose tone lies between the bar's and the ground's, and its least width, px."""
MOST_LEFT = 0.05
"""Largest misfit at an end, in parts of what the end's profile changes by (of squares)."""
LEAST_U = 0.1
"""Standard uncertainty of an end within an outline at least, px; from rendered bars."""
UNLIKE = 0.25
"""The same of the length, in parts of what both ends differ by in where they were seen; an estimate."""


@dataclass(frozen=True, slots=True)
class Outline:
    """Outline `width` px all round a bar under a blur (standard deviation, px)."""

    width: float
    blur: float


def within_outline(pixels: ByteArray, bar: Bar) -> Bar:
    """The bar within its outline, or as it is where it has none.

    The ticks of a bar stand as far apart with an outline round them as without.
    """
    outline = None if bar.ticks or bar.edged else outline_of(pixels, bar.start, bar.end, bar.thickness)
    if outline is None:
        return bar
    axis = bar.direction
    first = end_within(pixels, bar.start, -axis, bar.thickness, outline)
    last = end_within(pixels, bar.end, axis, bar.thickness, outline)
    if first is None or last is None:
        return replace(bar, u_length=math.hypot(bar.u_length, outline.width))
    u = math.hypot(bar.u_length, math.sqrt(2.0) * LEAST_U, UNLIKE * abs(first - last))
    return replace(bar, start=bar.start - axis * first, end=bar.end + axis * last, u_length=u)


def outline_of(pixels: ByteArray, start: FloatArray, end: FloatArray, thick: float) -> Outline | None:
    """Outline along both long sides of a bar from `start` to `end`, `thick` px as seen; None without one.

    It is told by brightness: compression spreads colours over their neighbours as an outline would.
    """
    length = float(np.hypot(*(end - start)))
    axis = (end - start) / length
    u = np.linspace(0.1, 0.9, 80) * length
    v = np.arange(-0.5 * thick - PAST, 0.5 * thick + PAST + 0.01, 0.5)
    seen = np.median(strip(pixels, start, axis, u, v) @ np.array(LUMA), axis=1)
    seen = (seen + seen[::-1]) / 2
    if float(np.ptp(seen)) < LEAST_STEP:
        return None
    v, seen = v[v >= -0.25], seen[v >= -0.25]
    plain, _, _ = _best(v, seen, np.zeros(1), thick + np.arange(-1.5, 1.6, 0.125), (*BLURS, 2.1, 2.6, 3.3))
    # what is seen as the bar's side may be the outline's outer edge, its inner one, or lie between
    left, (width, blur), steps = _best(v, seen, WIDTHS, thick + np.arange(-6.5, 1.1, 0.125), BLURS)
    step, further = steps[1], steps[0] - steps[1]
    # a row of pixels that the bar's edge covers in part lies between its tone and the ground's as well
    most = LEFT if step * further < 0 else LEFT_BETWEEN if width >= LEAST_BETWEEN else 0.0
    told = min(abs(step), abs(further)) > LEAST_STEP and CLEAR * blur <= width <= WIDEST
    told &= plain > LEAST_MISFIT**2 * len(seen)
    return Outline(width, blur) if told and left < most * plain else None


def end_within(
    pixels: ByteArray, tip: FloatArray, outward: FloatArray, thick: float, outline: Outline
) -> float | None:
    """Where a bar ends within its outline, px outward of `tip`; None where that is not told."""
    u = np.arange(-PAST - 2.0, PAST + 0.01, 0.5)
    inside = max(0.5 * thick - outline.width - 0.5, 0.25)
    rgb = strip(pixels, tip, outward, u, np.linspace(-0.6, 0.6, 5) * inside)
    seen = (rgb @ np.array(LUMA)).mean(axis=0)
    tries = np.arange(-outline.width - 2.0, 2.0, 0.05)[:, None]
    k = 1.0 / (math.sqrt(2.0) * outline.blur)
    inner, outer = 0.5 - 0.5 * erf((u - tries) * k), 0.5 - 0.5 * erf((u - tries - outline.width) * k)
    lefts, steps = _misfits(seen, np.stack([inner, outer - inner, np.ones_like(inner)], axis=1))
    # the last of the bar itself is no outline: that has a tone of its own
    lefts = np.where(np.abs(steps[:, 0] - steps[:, 1]) < LEAST_STEP / 2, np.inf, lefts)
    best = int(np.argmin(lefts))
    if not 0 < best < len(tries) - 1 or lefts[best] > MOST_LEFT * float(np.sum((seen - seen.mean()) ** 2)):
        return None
    return float(tries[best, 0])


def _best(
    v: FloatArray, seen: FloatArray, widths: FloatArray, thicks: FloatArray, blurs: tuple[float, ...]
) -> tuple[float, tuple[float, float], FloatArray]:
    """Least sum of squares that a bar with an outline leaves of a profile, its width and blur, and both steps."""
    t, w, s = (
        a.ravel()[:, None] for a in np.meshgrid(thicks[thicks > 1.4], widths, np.array(blurs), indexing="ij")
    )
    k = 1.0 / (math.sqrt(2.0) * s)
    fill = 0.5 * (erf((v + t / 2) * k) - erf((v - t / 2) * k))
    shapes = [fill]
    if widths.any():
        shapes.append(0.5 * (erf((v + t / 2 + w) * k) - erf((v - t / 2 - w) * k)) - fill)
    left, heights = _misfits(seen, np.stack([*shapes, np.ones_like(fill)], axis=1))
    best = int(np.argmin(left))
    return float(left[best]), (float(w[best, 0]), float(s[best, 0])), heights[best]


def _misfits(seen: FloatArray, base: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Sums of squares that each set of shapes (m, k, n) leaves of a profile (n,), and the heights (m, k)."""
    normal = base @ base.transpose(0, 2, 1) + 1e-9 * np.eye(base.shape[1])
    heights = np.linalg.solve(normal, (base @ seen)[..., None])[..., 0]
    left = np.sum((seen - np.einsum("mk,mkn->mn", heights, base)) ** 2, axis=1)
    return np.asarray(left), np.asarray(heights)
