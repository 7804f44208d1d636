"""Measuring one bar in the full picture, to sub-pixel."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, ByteArray, FloatArray
from macrocheck.calibrate.bar_ends import End, Patch, closer_end, plain_end, tick_shows, ticked_end
from macrocheck.calibrate.profile import crossing, fit_edge, sample, strip
from macrocheck.calibrate.strokes import THICKEST, Stroke

TEXTURE = 1.0
"""Shift of an end, in blurs, for a ground textured as strongly as the bar stands out; from rendered bars."""
GROUND_CHANGE = 0.5
"""A bar that seems to end where its ground changes by more than this part of its contrast may well go on unseen."""
LEAST_U = 0.02
"""Least standard uncertainty of an end, px: bilinear reading and the camera's tone curve; from rendered bars."""
TICK_U = 0.045
"""The same for the middle of a tick."""
COLOUR_U = 0.25
"""Standard uncertainty of an end that is told by colour alone, px: JPEG files keep a colour for every second pixel
at best; from rendered bars."""
FLANK = 1.5, 5.0
"""How far from a bar's edge the ground on either side of it is read, px."""
LEAST_PX = 20.0
"""Shortest bar that can be measured, px."""
LEAST_CONTRAST = 14.0
"""Least contrast along a bar, grey levels."""
STANDS_OUT, TICKED = 42.0, 15.0
"""Least contrast of the whole but for its blur, and as seen of a bar between two ticks: drawn bars outshine
scratches, and no scratch has ticks."""
LEAST_INK = 150.0
"""Least contrast times thickness of a bar without ticks, grey levels px, which blur leaves as it is: rendered bars
have 200 and more, scratches 100."""
THINNEST = 2.0
"""Thinnest line that is drawn as a bar, px."""
MOST_U = 0.006
"""A bar whose length is less sure than this (relative) has no ends: a scratch fades out."""
LUMA = np.array([0.299, 0.587, 0.114])
"""Brightness of red, green, blue (ITU-R BT.601)."""
LEAST_BRIGHT = 12.0
"""Step of brightness from which an end is measured by brightness, grey levels."""
FAINT_TINT, TINTED_BY = 25.0, 1.5
"""Step of colour from which an end is measured by colour, grey levels, and in parts of the step of brightness."""
LEAST_SHOWN, SURELY_SHOWN = 0.35, 0.6
"""How much of the misfit of a plain end a tick must make good for it to be there: rendered ticks 0.48 to 1, 19 of
20 ends without one 0.3 at most."""
MOST_ALIKE = 0.6
"""Most that the ground around an end may be like the bar: 1 is its tone, 0 that of what lies beyond the end."""
SOFT_END = 0.55, 0.8
"""An end is as sharp as the sides: its blur is at most this part of the thickness, and so many px."""


@dataclass(frozen=True, slots=True)
class Tip:
    """One end as measured: how far past where it was looked for, its standard uncertainty, the blur, all px."""

    at: float
    u: float
    blur: float
    tick: bool


@dataclass(frozen=True, slots=True)
class Lean:
    """A way to read an end: (RGB - ground) . lean is 1 on the bar, 0 off it.

    `u`: standard uncertainty of a place that is told so, beside what its fit says, px.
    """

    lean: FloatArray
    ground: FloatArray
    u: float


@dataclass(frozen=True, slots=True)
class Bar(Stroke):
    """A measured bar."""

    u_length: float
    contrast: float
    ticks: bool

    @property
    def strength(self) -> float:
        """Contrast; less for a hairline, more along the picture's rows or columns as burned-in bars lie."""
        level = float(np.abs(self.direction).max()) > math.cos(math.radians(0.2))
        return self.contrast * min(self.thickness / 3.0, 1.0) * (1.5 if level else 1.0)


def measure(pixels: ByteArray, seed: Stroke) -> Bar | None:
    """Measure a seed's bar to sub-pixel; None where it is no bar."""
    length = float(np.hypot(*(seed.end - seed.start)))
    axis = (seed.end - seed.start) / length
    origin = seed.start
    thick = max(seed.thickness, 1.0)
    h, w = pixels.shape[:2]
    for p in (seed.start, seed.end):
        if not (1.5 <= p[0] <= w - 2.5 and 1.5 <= p[1] <= h - 2.5):
            return None
    for turn in range(3):
        sides = _sides(pixels, origin, axis, length, thick, part=0.45 if turn < 2 else 0.9)
        if sides is None:
            return None
        origin, axis, length, thick, on, ground = sides
        if turn < 2:
            origin, length = _extent(pixels, origin, axis, length, thick, on, ground)
    rows = np.array([-0.25, 0.0, 0.25]) * thick if thick < 4 else np.linspace(-0.35, 0.35, 15) * thick
    tips = ((origin, -axis), (origin + axis * length, axis))
    ends: list[Tip | None] = _ticks(pixels, tips, thick, on, ground, rows, length)
    if not ends:
        ends = [_end(pixels, tip, out, thick, on, ground, rows, length) for tip, out in tips]
    if ends[0] is None or ends[1] is None:
        return None
    a, b = ends[0], ends[1]
    start, stop = origin - axis * a.at, origin + axis * (length + b.at)
    contrast = math.sqrt(float((on - ground) @ (on - ground)) / 3)
    bar = Bar(start, stop, thick, math.hypot(a.u, b.u), contrast, a.tick)
    stands = contrast >= TICKED
    if not a.tick:
        stands = (
            _sharp_contrast(contrast, thick, min(a.blur, b.blur)) >= STANDS_OUT and contrast * thick >= LEAST_INK
        )
    fits = bar.thickness <= THICKEST * bar.length and stands and bar.u_length < MOST_U * bar.length
    return bar if fits else None


def _sharp_contrast(contrast: float, seen: float, blur: float) -> float:
    """Contrast of a line `seen` px wide at half height had it not been blurred; blur keeps its area."""
    width = math.sqrt(max(seen**2 - (2.355 * blur) ** 2, THINNEST**2))
    return contrast * max(seen / width, 1.0)


def _sides(
    pixels: ByteArray, origin: FloatArray, axis: FloatArray, length: float, thick: float, part: float
) -> tuple[FloatArray, FloatArray, float, float, FloatArray, FloatArray] | None:
    """Straighten the axis on the bar's long sides, clear on at least `part` of the length.

    Returns origin, axis, length, thickness, the bar's colour and the usual colour beside it (3,); None where the
    sides are not two straight edges of one solid stroke.
    """
    cells = 24
    per_cell = max(round(length * 0.9 / cells), 2)
    u = np.linspace(0.05, 0.95, cells * min(per_cell, 12)) * length
    reach = 1.0 * thick + 4.0
    v = np.arange(-reach - 0.5 * thick, reach + 0.5 * thick + 0.01, 0.5 if thick < 12 else 1.0)
    rgb = strip(pixels, origin, axis, u, v)
    inside = np.abs(v) <= max(0.25 * thick, 0.5)
    beside = np.abs(v) >= 0.5 * thick + 2.0
    on, off = np.median(rgb[inside], axis=(0, 1)), np.median(rgb[beside], axis=(0, 1))
    step = on - off
    size = float(step @ step)
    if size < 3 * LEAST_CONTRAST**2 or length < LEAST_PX:
        return None
    alike = _likeness(rgb, on, off)
    signal = alike.reshape(len(v), cells, -1).mean(axis=2)
    core = signal[inside].mean(axis=0)
    # close by and where it is least like the bar: a label or the edge of its strip may lie beside it
    past = np.abs(v) - 0.5 * thick
    flank = (past >= FLANK[0]) & (past <= FLANK[1])
    smooth = cv2.blur(signal, (1, 3))
    left, right = smooth[flank & (v < 0)].min(axis=0), smooth[flank & (v > 0)].min(axis=0)
    most = (0.35 if thick < 8 else 0.44) * thick
    hollow = float(np.min(np.median(signal[np.abs(v) <= max(most, 0.5)], axis=1))) < 0.5
    if thick > 16:  # no blur reaches so deep: a thin line within is a bar on its strip
        hollow |= float(np.min(np.median(signal[np.abs(v) <= 0.35 * thick], axis=1))) < 0.85
        hollow |= float(np.percentile(alike[inside].mean(axis=0), 8)) < 0.8  # letters in a row
    # how much of the step from the ground beside it to the bar's own tone each cell shows: a thin blurred bar
    # takes on some of its ground
    side = np.maximum(left, right)
    shown = np.clip((core - side) / np.maximum(1.0 - side, 0.25), 0.0, 1.2)
    least = max(0.12, 10.0 / math.sqrt(size / 3))
    clear = (shown > 0.35) & (core < 1.8) & (core - side > least)
    if hollow or float(np.mean(clear)) < part or float(np.std(shown[clear])) > 0.3:
        return None
    # a bar lies on one ground; a band of the section has another metal on either side
    lopsided = np.abs(left - right) > 0.6 * (core - (left + right) / 2)
    at = ((np.arange(cells) + 0.5) / cells * 0.9 + 0.05) * length
    sides = _side_edges(signal, v, at, core, left, right, clear)
    if float(np.mean(lopsided[clear])) > 0.4 or len(sides) < 0.8 * part * cells:
        return None
    c = sides[:, :2]
    slope, offset = np.polyfit(c[:, 0], c[:, 1], 1)
    off_line = np.abs(c[:, 1] - slope * c[:, 0] - offset)
    thickness = float(np.median(sides[:, 2]))
    uneven = np.abs(sides[:, 2] - thickness)
    if np.median(off_line) > 0.3 + 0.03 * thickness or np.median(uneven) > 0.4 + 0.06 * thickness:
        return None
    across = np.array([-axis[1], axis[0]])
    start, stop = origin + across * offset, origin + axis * length + across * (offset + slope * length)
    new_length = float(np.hypot(*(stop - start)))
    return start, (stop - start) / new_length, new_length, max(thickness, 1.0), np.asarray(on), np.asarray(off)


def _likeness(rgb: FloatArray, on: FloatArray, ground: FloatArray) -> FloatArray:
    """1 where a colour is the bar's, 0 where it is as far from it as the usual ground, less where farther.

    Linear along every mixture of the bar with a ground of any colour, so a blurred edge keeps its half-way point.
    """
    far = math.sqrt(float((on - ground) @ (on - ground)))
    return np.asarray(1.0 - np.sqrt(np.sum((rgb - on) ** 2, axis=-1)) / far)


def _leans(on: FloatArray, ground: FloatArray, usual: FloatArray) -> tuple[Lean, ...]:
    """How an end may be read, by its brightness, its colour or both; the usual ground where that is plainer."""
    step = on - ground
    if float(step @ step) < 0.3 * float((on - usual) @ (on - usual)):
        ground, step = usual, on - usual
    # compression keeps colour at half the sharpness and less, and shifts it; a ground's texture has little of it
    bright = float(step @ LUMA)
    tint = step - step.mean()
    size = float(tint @ tint)
    coloured = Lean(tint / max(size, 1e-9), ground, COLOUR_U)
    if abs(bright) <= LEAST_BRIGHT:
        return (coloured,) if size > FAINT_TINT**2 else (Lean(step / float(step @ step), ground, COLOUR_U),)
    plain = Lean(LUMA / bright, ground, 0.0)
    return (plain, coloured) if size > (TINTED_BY * bright) ** 2 else (plain,)


def _side_edges(
    signal: FloatArray,
    v: FloatArray,
    at: FloatArray,
    core: FloatArray,
    left: FloatArray,
    right: FloatArray,
    clear: BoolArray,
) -> FloatArray:
    """Place along the bar, middle and width (half-way points of the sides) of every clear cell, (n, 3) px."""
    found = []
    mid = len(v) // 2
    for i in np.flatnonzero(clear):
        high = crossing(signal[mid:, i], v[mid:], float(core[i] + right[i]) / 2)
        low = crossing(signal[mid::-1, i], v[mid::-1], float(core[i] + left[i]) / 2)
        if high is not None and low is not None:
            found.append((float(at[i]), (high + low) / 2, high - low))
    return np.array(found, dtype=np.float64).reshape(-1, 3)


def _extent(
    pixels: ByteArray,
    origin: FloatArray,
    axis: FloatArray,
    length: float,
    thick: float,
    on: FloatArray,
    ground: FloatArray,
) -> tuple[FloatArray, float]:
    """Follow the bar's own colour along its axis both ways: (origin, length) of the whole bar, to about a px."""
    reach = 2.0 * length
    u = np.arange(-reach, length + reach, 1.0)
    h, w = pixels.shape[:2]
    x, y = origin[0] + u * axis[0], origin[1] + u * axis[1]
    u = u[(x >= 0) & (x <= w - 1) & (y >= 0) & (y <= h - 1)]
    rgb = strip(pixels, origin, axis, u, np.array([-0.25, 0.0, 0.25]) * thick).mean(axis=0)
    if len(u) < 8:
        return origin, length
    core = _likeness(rgb, on, ground)
    # a thin blurred bar takes on some of its ground, so standing out from both sides counts as well
    side = 0.5 * thick + 3.0
    beside = _likeness(strip(pixels, origin, axis, u, np.array([-side - 1, -side, side, side + 1])), on, ground)
    stands = core - np.maximum(beside[:2].mean(axis=0), beside[2:].mean(axis=0))
    run = max(3, round(0.5 * thick))
    stands = np.convolve(stands, np.ones(5) / 5, "same")
    off = (stands < 0.2) & ((core < 0.5) | (stands < 0.1))
    gone = np.convolve(off, np.ones(run), "same") >= 0.8 * run
    middle = int(np.searchsorted(u, 0.5 * length))
    before, after = np.flatnonzero(gone[:middle]), np.flatnonzero(gone[middle:])
    low = float(u[before[-1]]) + run / 2 if before.size else float(u[0])
    high = float(u[middle + after[0]]) - run / 2 if after.size else float(u[-1])
    return origin + axis * low, max(high - low, 1.0)


def _window(thick: float, length: float) -> float:
    return min(max(12.0, 2.0 * thick), 0.2 * length)


def _beyond(pixels: ByteArray, tip: FloatArray, outward: FloatArray, window: float, rows: FloatArray) -> FloatArray:
    """Colour of the ground past an end, (3,)."""
    ahead = np.arange(0.35 * window, 0.7 * window, 1.0)
    return np.asarray(np.median(strip(pixels, tip, outward, ahead, rows), axis=(0, 1)))


def _ticks(
    pixels: ByteArray,
    tips: tuple[tuple[FloatArray, FloatArray], ...],
    thick: float,
    on: FloatArray,
    ground: FloatArray,
    rows: FloatArray,
    length: float,
) -> list[Tip | None]:
    """Both end ticks as by `_end`; empty where the bar has none, a None where the two ends contradict."""
    ends: list[list[tuple[float, float, Tip]]] = []
    contrast = math.dist(on, ground)
    flanks = np.array([-0.5 * thick - 3.0, 0.5 * thick + 3.0])
    for tip, out in tips:
        window = _window(thick, length)
        beyond = _beyond(pixels, tip, out, window, rows)
        behind = np.median(strip(pixels, tip, out, np.arange(-1.8, -1.0, 0.1) * window, flanks), axis=1)
        changes = float(np.sqrt(((beyond - behind) ** 2).sum(axis=1)).min()) > GROUND_CHANGE * contrast
        if changes or math.dist(on, beyond) < GROUND_CHANGE * contrast:
            return [None, None]
        readings = []
        for way in _leans(on, beyond, ground):
            patch = Patch.cut(pixels, tip, out, thick, way.lean, way.ground, 0.4 * length)
            plain = plain_end(patch, 0.0)
            end = ticked_end(patch, plain)
            shows = tick_shows(patch, plain, end) if _is_tick(end) else 0.0
            if shows >= LEAST_SHOWN:
                end = closer_end(patch.around(end), end)
            u = math.hypot(end.u, TICK_U, way.u)
            readings.append((shows, end.tick, Tip(end.at, u, end.blur, tick=True)))
        ends.append(readings)
    best = [max(readings, key=lambda r: r[0]) for readings in ends]
    shows = [r[0] for r in best]
    if max(shows) < LEAST_SHOWN:
        return []
    tall = sorted(r[1] for r in best)
    if min(shows) < LEAST_SHOWN or tall[1] > 1.5 * tall[0] + 2.0:
        return [] if max(shows) < SURELY_SHOWN else [None, None]
    return [_joint([tip for shows, _, tip in readings if shows >= LEAST_SHOWN]) for readings in ends]


def _joint(tips: Sequence[Tip]) -> Tip:
    """One end as read in several ways: the mean by their uncertainties, in more doubt where they differ."""
    weight = np.array([tip.u**-2 for tip in tips])
    weight /= weight.sum()
    at = np.array([tip.at for tip in tips])
    mean = float(weight @ at)
    each = float(weight**2 @ np.array([tip.u**2 for tip in tips]))
    u = math.sqrt(each + float(weight @ (at - mean) ** 2))
    return Tip(mean, u, min(tip.blur for tip in tips), tips[0].tick)


def _is_tick(end: End) -> bool:
    return end.tick > 1.4 * end.thickness + 1.0 and 0.3 < end.height < 25.0


def _end(
    pixels: ByteArray,
    tip: FloatArray,
    outward: FloatArray,
    thick: float,
    on: FloatArray,
    ground: FloatArray,
    rows: FloatArray,
    length: float,
) -> Tip | None:
    """One end of a bar without ticks; None where it is no sharp end."""
    window = _window(thick, length)
    beyond = _beyond(pixels, tip, outward, window, rows)
    tips = []
    for way in _leans(on, beyond, ground):
        one = _end_read(pixels, tip, outward, thick, way, on, beyond, rows, window, math.dist(on, ground))
        if one is not None:
            tips.append(one)
    return _joint(tips) if tips else None


def _end_read(
    pixels: ByteArray,
    tip: FloatArray,
    outward: FloatArray,
    thick: float,
    way: Lean,
    on: FloatArray,
    beyond: FloatArray,
    rows: FloatArray,
    window: float,
    contrast: float,
) -> Tip | None:
    """One end without a tick, read one way."""
    u = np.arange(-window, window + 0.01, 1.0)
    flanks = np.array([-0.5 * thick - 3.0, 0.5 * thick + 3.0])
    behind = (u < -0.3 * window) & (u > -0.7 * window)
    change = beyond - np.median(strip(pixels, tip, outward, u[behind], flanks), axis=1)
    values = ((strip(pixels, tip, outward, u, rows) - way.ground) @ way.lean).mean(axis=0)
    fit = fit_edge(u, values, 0.0)
    if fit is None or float(np.sqrt((change**2).sum(axis=1)).min()) > GROUND_CHANGE * contrast:
        return None
    softest = min(0.2 * window + 3.0, SOFT_END[0] * thick + SOFT_END[1])
    # once more in a window as wide as the blur asks for, so that clutter beyond the end weighs little
    near = max(3.5, 3.0 * min(fit[2], softest) + 1.5)
    u = np.arange(-near, near + 0.01, 0.5) + fit[0]
    values = ((strip(pixels, tip, outward, u, rows) - way.ground) @ way.lean).mean(axis=0)
    fit = fit_edge(u, values, fit[0]) or fit
    if not 0.3 < fit[3] < 2.5 or fit[2] > softest or abs(fit[0]) > 0.8 * window:
        return None
    # nothing of the bar's tone goes on around the end: a band of the section turns a corner there
    turn = np.deg2rad(np.arange(-60, 61, 4.0))
    radius = 0.9 * thick + 1.5 * fit[2] + 2.0
    across = np.array([-outward[1], outward[0]])
    ring = tip + outward * fit[0] + radius * (np.cos(turn)[:, None] * outward + np.sin(turn)[:, None] * across)
    around = sample(pixels, ring[:, 0], ring[:, 1])
    beside = _likeness(strip(pixels, tip, outward, fit[0] + np.array([-2.0, -1.0, 0.0]), flanks), on, beyond)
    unseen_tick = float(beside.mean(axis=1).max()) > 0.4
    if unseen_tick or float(np.percentile(_likeness(around, on, beyond), 90)) > MOST_ALIKE:
        return None
    # samples half a px apart share pixels and compression ties neighbours, so residuals hold less than their
    # number says (2.6: from rendered bars); the ground's own texture moves the half-way point as well
    texture = float(np.std((around - way.ground) @ way.lean)) / fit[3]
    u_at = math.hypot(2.6 * fit[1], TEXTURE * texture * fit[2], LEAST_U, way.u)
    return Tip(fit[0], u_at, fit[2], tick=False)
