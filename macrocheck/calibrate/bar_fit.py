"""Measuring one bar in the full picture, to sub-pixel."""

import math
from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, ByteArray, FloatArray
from macrocheck.calibrate.bar_ground import FLANK, Ink, ground_of, inked, tones_at_end, whole
from macrocheck.calibrate.bar_site import Foot, likeness
from macrocheck.calibrate.bar_tips import tips_of
from macrocheck.calibrate.profile import crossing, strip
from macrocheck.calibrate.strokes import THICKEST, Stroke

LETTERS = 9.0
"""Height from which letters in a row are seen to have gaps, px: no drawn bar of the kind is as uneven."""
THICK, TEETH = 16.0, 0.6
"""Thickness from which a bar's inside and its sides are seen place by place, px: no blur reaches so deep; and the
most that its thickness is usually off from place to place, px: an estimate, a strip with teeth has 1.0."""
HAIRLINE, OFF_LINE = 4.0, 2.0
"""Thickness of a seed up to which it may lie beside its line, and how far off it is looked for, px."""
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
NARROWEST, PLAINER = 3.0, 1.3
"""Reach of the narrowest box past a bar's side, px; how much more its tone differs from the bar's than what lies
further off, for it to be told."""
RUGGED = 0.9, 1.2
"""Most that the middle of a bar is off its line and its thickness off the usual, px, however thick it is."""
LOPSIDED = 0.55
"""Most of a bar's stretches (part) that may differ in their grounds on both sides: a label beside it takes half of
them, a band of the section has another metal on either side everywhere."""
THINNEST = 2.0
"""Thinnest line that is drawn as a bar, px."""
LEAST_ROOM = 1.5
"""Least room between an end and the picture's border, px: what is cut off there has no end."""
MOST_U = 0.0075
"""A bar whose length is less sure than this (relative) has no ends: a scratch fades out."""


@dataclass(frozen=True, slots=True)
class Bar(Stroke):
    """A measured bar; `edged`: by the outline within which it ends."""

    u_length: float
    contrast: float
    ticks: bool
    edged: bool = False

    @property
    def level(self) -> bool:
        """Whether it lies along the picture's rows or columns, as burned-in bars do."""
        return float(np.abs(self.direction).max()) > math.cos(math.radians(0.2))

    @property
    def ink(self) -> float:
        """Contrast times thickness, grey levels px, which blur leaves as it is."""
        return self.contrast * self.thickness

    @property
    def strength(self) -> float:
        """Contrast; less for a hairline, more for a level or upright bar."""
        return self.contrast * min(self.thickness / 3.0, 1.0) * (1.5 if self.level else 1.0)


def measure(pixels: ByteArray, seed: Stroke) -> Bar | None:
    """Measure a seed's bar to sub-pixel; None where it is no bar."""
    h, w = pixels.shape[:2]
    for p in (seed.start, seed.end):
        if not (1.5 <= p[0] <= w - 2.5 and 1.5 <= p[1] <= h - 2.5):
            return None
    bar = _on_one_ground(pixels, seed) or _over_grounds(pixels, seed)
    moved = _centred(pixels, seed) if bar is None and seed.thickness < HAIRLINE else None
    return bar if moved is None else _on_one_ground(pixels, moved)


def _centred(pixels: ByteArray, seed: Stroke) -> Stroke | None:
    """A hairline's seed moved onto the line; None where it lies there already.

    Seeds come from a reduced picture, in which a line one pixel wide may lie a pixel off.
    """
    u = np.linspace(0.1, 0.9, 64) * seed.length
    v = np.arange(-OFF_LINE - 4.0, OFF_LINE + 4.1, 0.5)
    across = np.median(strip(pixels, seed.start, seed.direction, u, v), axis=1)
    near = np.abs(v) <= OFF_LINE
    stands = np.linalg.norm(across - np.median(across[~near], axis=0), axis=1)
    line = np.where(near & (stands > 0.5 * float(stands[near].max())), stands, 0.0)
    total = float(line.sum())
    shift = float(line @ v) / total if total > 0.0 else 0.0
    if abs(shift) < 0.3:
        return None
    aside = shift * np.array([-seed.direction[1], seed.direction[0]])
    return Stroke(seed.start + aside, seed.end + aside, max(float(np.count_nonzero(line)) * 0.5, 1.0))


def _on_one_ground(pixels: ByteArray, seed: Stroke) -> Bar | None:
    found = feet_of(pixels, seed)
    if found is None:
        return None
    feet, thick = found
    return between(pixels, feet, thick, float(np.hypot(*(feet[1].at - feet[0].at))))


def feet_of(pixels: ByteArray, seed: Stroke) -> tuple[tuple[Foot, Foot], float] | None:
    """Where both ends of a seed's stroke are looked for, and its thickness; None where it has no straight sides."""
    origin, axis, length, thick = seed.start, seed.direction, seed.length, max(seed.thickness, 1.0)
    for turn in range(3):
        sides = _sides(pixels, origin, axis, length, thick, part=0.45 if turn < 2 else 0.8)
        if sides is None:
            return None
        origin, axis, length, thick, on, ground = sides
        if turn < 2:
            origin, length = _extent(pixels, origin, axis, length, thick, on, ground)
    return (Foot(origin, -axis, on, ground), Foot(origin + axis * length, axis, on, ground)), thick


def _over_grounds(pixels: ByteArray, seed: Stroke) -> Bar | None:
    """A bar that crosses from one ground to the next."""
    origin, axis, length, thick = seed.start, seed.direction, seed.length, max(seed.thickness, 1.0)
    ink = None
    for turn in range(3):
        found = whole(pixels, origin, axis, length, thick)
        if found is None:
            return None
        low, high, ink = found
        part = 0.45 if turn < 2 else 0.75
        sides = _sides(pixels, origin + low * axis, axis, high - low, thick, part=part, ink=ink)
        if sides is None:
            return None
        origin, axis, length, thick, on, ground = sides
    if ink is None:
        return None
    feet = []
    for at, out in ((origin, -axis), (origin + axis * length, axis)):
        feet.append(Foot(at, out, *tones_at_end(pixels, at, out, thick, ink)))
    return between(pixels, (feet[0], feet[1]), thick, length, math.dist(on, ground) / math.sqrt(3))


def between(
    pixels: ByteArray, feet: tuple[Foot, Foot], thick: float, length: float, contrast: float | None = None
) -> Bar | None:
    """The bar between two ends; None where they are not sharp, or too little stands out for a bar.

    `contrast`: grey levels; that at its feet where it is not given.
    """
    if contrast is None:
        contrast = min(foot.contrast for foot in feet) / math.sqrt(3)
    tips = tips_of(pixels, feet, thick, length)
    if tips is None:
        return None
    a, b = tips
    start, stop = (foot.at + foot.outward * tip.at for foot, tip in zip(feet, tips, strict=True))
    most = np.array(pixels.shape[1::-1]) - 1.0 - LEAST_ROOM
    if not all((end >= LEAST_ROOM).all() and (end <= most).all() for end in (start, stop)):
        return None
    bar = Bar(start, stop, thick, math.hypot(a.u, b.u), contrast, a.tick)
    stands = contrast >= TICKED
    if not a.tick:
        stands = (
            _sharp_contrast(contrast, thick, (a.blur + b.blur) / 2) >= STANDS_OUT and contrast * thick >= LEAST_INK
        )
    fits = bar.thickness <= THICKEST * bar.length and stands and bar.u_length < MOST_U * bar.length
    return bar if fits else None


def _sharp_contrast(contrast: float, seen: float, blur: float) -> float:
    """Contrast of a line `seen` px wide at half height had it not been blurred; blur keeps its area."""
    width = math.sqrt(max(seen**2 - (2.355 * blur) ** 2, THINNEST**2))
    return contrast * max(seen / width, 1.0)


def _sides(
    pixels: ByteArray,
    origin: FloatArray,
    axis: FloatArray,
    length: float,
    thick: float,
    part: float,
    ink: Ink | None = None,
) -> tuple[FloatArray, FloatArray, float, float, FloatArray, FloatArray] | None:
    """Straighten the axis on the bar's long sides, clear on at least `part` of the length.

    With `ink` it may lie over several grounds. Returns origin, axis, length, thickness, the bar's colour and the
    usual colour beside it (3,); None where the sides are not two straight edges of one solid stroke.
    """
    cells = 24
    per_cell = max(round(length * 0.9 / cells), 2)
    u = np.linspace(0.05, 0.95, cells * min(per_cell, 12)) * length
    reach = 1.0 * thick + 4.0
    v = np.arange(-reach - 0.5 * thick, reach + 0.5 * thick + 0.01, 0.5 if thick < 12 else 1.0)
    rgb = strip(pixels, origin, axis, u, v)
    inside = np.abs(v) <= max(0.25 * thick, 0.5)
    on = np.median(rgb[inside], axis=(0, 1))
    off = _beside(rgb, v, thick, on)
    step = on - off
    size = float(step @ step)
    if size < 3 * LEAST_CONTRAST**2 or length < LEAST_PX:
        return None
    # close by and where it is least like the bar: a label or the edge of its strip may lie beside it
    past = np.abs(v) - 0.5 * thick
    flank = (past >= FLANK[0]) & (past <= FLANK[1])
    told: BoolArray = np.ones(cells, dtype=bool)
    if ink is None:
        alike = likeness(rgb, on, off)
    else:
        under = ground_of(rgb[inside].mean(axis=0), rgb[flank & (v < 0)], rgb[flank & (v > 0)])
        alike, told = inked(rgb, under, ink, cells)
    signal = alike.reshape(len(v), cells, -1).mean(axis=2)
    core = signal[inside].mean(axis=0)
    smooth = cv2.blur(signal, (1, 3))
    left, right = smooth[flank & (v < 0)].min(axis=0), smooth[flank & (v > 0)].min(axis=0)
    hollow = _hollow(alike, signal, v, thick)
    # how much of the step from the ground beside it to the bar's own tone each cell shows: a thin blurred bar
    # takes on some of its ground
    side = np.maximum(left, right)
    shown = np.clip((core - side) / np.maximum(1.0 - side, 0.25), 0.0, 1.2)
    least = max(0.12, 10.0 / math.sqrt(size / 3))
    clear = (shown > 0.35) & (core < 1.8) & (core - side > least) & told
    if (
        (hollow and part > 0.5)  # a seed's thickness is that of the reduced picture
        or float(np.sum(clear)) < part * max(float(np.sum(told)), 0.5 * cells)
        or float(np.std(shown[clear])) > 0.3
    ):
        return None
    # a bar lies on one ground; a band of the section has another metal on either side
    lopsided = np.abs(left - right) > 0.6 * (core - (left + right) / 2)
    at = ((np.arange(cells) + 0.5) / cells * 0.9 + 0.05) * length
    sides = _side_edges(signal, v, at, core, left, right, clear)
    if float(np.mean(lopsided[clear])) > LOPSIDED or len(sides) < 0.8 * part * cells:
        return None
    c = sides[:, :2]
    slope, offset = np.polyfit(c[:, 0], c[:, 1], 1)
    off_line = np.abs(c[:, 1] - slope * c[:, 0] - offset)
    thickness = float(np.median(sides[:, 2]))
    uneven = np.abs(sides[:, 2] - thickness)
    waves, teeth = (
        min(part, most) for part, most in zip((0.3 + 0.03 * thickness, 0.4 + 0.06 * thickness), RUGGED, strict=True)
    )
    if np.median(off_line) > waves or np.median(uneven) > teeth:
        return None
    across = np.array([-axis[1], axis[0]])
    start, stop = origin + across * offset, origin + axis * length + across * (offset + slope * length)
    new_length = float(np.hypot(*(stop - start)))
    return start, (stop - start) / new_length, new_length, max(thickness, 1.0), np.asarray(on), np.asarray(off)


def _hollow(alike: FloatArray, signal: FloatArray, v: FloatArray, thick: float) -> bool:
    """Whether a stroke is not solid: a line runs along its middle, letters stand in a row, teeth along its sides.

    `alike`: likeness to the stroke (len(v), n), `signal`: the same by cells, (len(v), cells).
    """
    most = (0.35 if thick < 8 else 0.44) * thick
    if float(np.min(np.median(signal[np.abs(v) <= max(most, 0.5)], axis=1))) < 0.5:
        return True
    if thick > THICK:  # a thin line within is a bar on its strip
        wide = np.sum(np.clip(alike[np.abs(v) < 0.5 * thick + 4.0], 0.0, 1.0), axis=0) * float(v[1] - v[0])
        toothed = float(np.median(np.abs(wide - np.median(wide)))) > TEETH
        if toothed or float(np.min(np.median(signal[np.abs(v) <= 0.35 * thick], axis=1))) < 0.85:
            return True
    inside = np.abs(v) <= max(0.25 * thick, 0.5)
    return thick > LETTERS and float(np.percentile(alike[inside].mean(axis=0), 8)) < 0.8


def _beside(rgb: FloatArray, v: FloatArray, thick: float, on: FloatArray) -> FloatArray:
    """Colour (3,) of the ground beside a bar; a narrow box counts, what is past it does not."""
    past = np.abs(v) - 0.5 * thick
    off = np.median(rgb[(past >= 2.0) & (past <= 6.5)], axis=(0, 1))
    near = np.median(rgb[(past >= FLANK[0]) & (past <= NARROWEST)], axis=(0, 1))
    return np.asarray(near if math.dist(near, on) > PLAINER * math.dist(off, on) else off)


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
    core = likeness(rgb, on, ground)
    # a thin blurred bar takes on some of its ground, so standing out from both sides counts as well
    side = 0.5 * thick + np.arange(FLANK[0], FLANK[1], 1.0)
    left, right = (cv2.blur(likeness(strip(pixels, origin, axis, u, v), on, ground), (1, 3)) for v in (-side, side))
    beside = np.maximum(left.min(axis=0), right.min(axis=0))
    # where a ground is dotted the least of several lines lies below each of them
    known = (u > 0.1 * length) & (u < 0.9 * length)
    dots = 0.0
    if known.any():
        lines = max(float(np.median(side[:, known], axis=1).min()) for side in (left, right))
        dots = min(float(np.median(beside[known])) - lines, 0.0)
    stands = core - beside + dots
    run = max(3, round(0.5 * thick))
    stands = np.convolve(stands, np.ones(5) / 5, "same")
    off = (stands < 0.2) & ((core < 0.5) | (stands < 0.1))
    gone = np.convolve(off, np.ones(run), "same") >= 0.8 * run
    middle = int(np.searchsorted(u, 0.5 * length))
    before, after = np.flatnonzero(gone[:middle]), np.flatnonzero(gone[middle:])
    low = float(u[before[-1]]) + run / 2 if before.size else float(u[0])
    high = float(u[middle + after[0]]) - run / 2 if after.size else float(u[-1])
    return origin + axis * low, max(high - low, 1.0)
