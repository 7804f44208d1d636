"""A bar of known length, solid or a thin line with end ticks, anywhere in the picture and in any direction.

What the length means: a solid bar is as long as its outer ends are apart; a thin line with end ticks is as long as
the *middles* of the two ticks are apart (common practice, no source; where a bar's maker counts to the outer
edges of the ticks, `points:` says so exactly).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, ByteArray, FloatArray
from macrocheck.calibrate.mark import Candidate, Mark
from macrocheck.calibrate.profile import crossing, fit_edge, fit_line, sample, strip
from macrocheck.photo import Photo

SEARCH_SIDE = 1500
"""Longest side of the reduced picture that bars are searched in, px."""
KERNELS = (13, 37)
"""Widest structure (px of the reduced picture) that each top-hat lets through."""
LEVELS = (130, 80, 48, 28)
"""Contrast thresholds, grey levels."""
LEAST_LENGTH = 0.03
"""Shortest bar, part of the picture's longest side: shorter ones are letters and scratches."""
THICKEST = 0.22
"""Largest thickness over length."""


TEXTURE = 1.0
"""Shift of an end, in blurs, for a ground whose texture is as strong as the bar's contrast; fitted to rendered bars."""
LEAST_U = 0.02
"""Least standard uncertainty of an end, px: bilinear reading and the camera's tone curve; from rendered bars."""
WEAKEST = 0.45
"""A bar this much weaker than the strongest is taken for a scratch or a band of the section."""
MOST_BLOBS = 100
MOST_SEEDS = 40
"""Components looked at per mask, and strokes measured per level, at most: bounds the time on a busy picture."""


@dataclass(frozen=True, slots=True)
class _Seed:
    """A straight elongated stroke, in px of the full picture."""

    start: FloatArray
    end: FloatArray
    thickness: float

    @property
    def length(self) -> float:
        return float(np.hypot(*(self.end - self.start)))

    @property
    def middle(self) -> FloatArray:
        return np.asarray((self.start + self.end) / 2)

    @property
    def direction(self) -> FloatArray:
        return np.asarray((self.end - self.start) / self.length)


@dataclass(frozen=True, slots=True)
class _Bar(_Seed):
    """A measured bar."""

    u_length: float
    contrast: float
    ticks: bool

    @property
    def strength(self) -> float:
        """Contrast, less for a hairline, more for a bar along the picture's rows or columns as burned-in ones are."""
        level = float(np.abs(self.direction).max()) > math.cos(math.radians(0.2))
        return self.contrast * min(self.thickness / 3.0, 1.0) * (1.5 if level else 1.0)


def find(photo: Photo, mark: Mark) -> tuple[Candidate, ...]:
    """Return every bar in the picture, best contrast first."""
    if mark.length_mm is None or min(photo.width, photo.height) < 16:
        return ()
    hats, scale = _hats(photo)
    reach = LEAST_LENGTH * max(photo.width, photo.height) / float(scale.max())
    bars: list[_Bar] = []
    seeds: list[_Seed] = []
    for ceiling, level in zip((255, *LEVELS), LEVELS, strict=False):
        if bars and 1.5 * ceiling < WEAKEST * max(b.strength for b in bars):
            break  # whatever is left is too weak to count
        new = [seed for hat in hats for seed in _blobs(hat >= level, reach, scale)]
        fresh = len(seeds)
        seeds = _unlike([*seeds, *new])
        clear = _clear_of_hatching(seeds, most=4)
        for seed in [seeds[i] for i in range(fresh, len(seeds)) if clear[i]][:MOST_SEEDS]:
            if any(_within(seed, bar) for bar in bars):
                continue
            bar = _measure(photo.pixels, seed)
            if bar is not None and not any(_same(bar, other) for other in bars):
                bars.append(bar)
    bars = [bar for bar, ok in zip(bars, _clear_of_hatching(bars, most=1), strict=True) if ok]
    bars = [bar for bar in bars if not _in_a_row(bar, seeds)]
    bars = [a for a in bars if not any(_only_part(a, b) for b in bars if b is not a)]
    bars.sort(key=lambda b: -b.strength)
    bars = [b for b in bars if b.strength >= WEAKEST * bars[0].strength]
    return tuple(_candidate(bar, mark.length_mm) for bar in bars)


def _candidate(bar: _Bar, length_mm: float) -> Candidate:
    ends = np.vstack([bar.start, bar.end])
    kind = "bar with end ticks" if bar.ticks else "bar"
    return Candidate(
        mm_per_px=length_mm / bar.length,
        u_found=bar.u_length / bar.length,
        points_px=ends,
        what=f"{kind} {length_mm:g} mm, {bar.length:.1f} px long",
        extent_px=bar.length,
        ends_px=tuple((float(x), float(y)) for x, y in ends),
    )


# --- search in the reduced picture ---------------------------------------------------------------------------


def _hats(photo: Photo) -> tuple[list[ByteArray], FloatArray]:
    """What stands out from its neighbourhood in the reduced picture, light, dark or coloured; px per reduced px."""
    factor = max(max(photo.width, photo.height) / SEARCH_SIDE, 1.0)
    size = (max(round(photo.width / factor), 8), max(round(photo.height / factor), 8))
    small = cv2.resize(photo.pixels, size, interpolation=cv2.INTER_AREA) if factor > 1 else photo.pixels
    grey = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    layers = [grey, np.asarray(255 - grey, dtype=np.uint8)]
    red, green, blue = cv2.split(small)
    chroma = cv2.subtract(cv2.max(cv2.max(red, green), blue), cv2.min(cv2.min(red, green), blue))
    if np.count_nonzero(chroma > int(np.median(chroma[::4, ::4])) + 50) > LEAST_LENGTH * max(size):
        layers.append(np.asarray(chroma, dtype=np.uint8))
    boxes = [np.ones((kernel, kernel), dtype=np.uint8) for kernel in KERNELS]
    hats = [
        np.asarray(cv2.morphologyEx(layer, cv2.MORPH_TOPHAT, box), dtype=np.uint8) for layer in layers for box in boxes
    ]
    return hats, np.array([photo.width / size[0], photo.height / size[1]])


def _unlike(seeds: list[_Seed]) -> list[_Seed]:
    """Leave out every seed that repeats an earlier one."""
    if not seeds:
        return []
    ends = np.array([np.concatenate([s.start, s.end]) for s in seeds])
    near = 1.5 + 0.4 * np.array([s.thickness for s in seeds])
    apart = np.abs(ends[:, None, :] - ends[None, :, :]).max(axis=2)
    alike = np.tril(apart < np.minimum(near[:, None], near[None, :]), -1)
    return [s for s, repeated in zip(seeds, alike.any(axis=1), strict=True) if not repeated]


def _blobs(mask: BoolArray, reach: float, scale: FloatArray) -> list[_Seed]:
    """Straight elongated components of a mask."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    if count <= 1:
        return []
    stats = np.asarray(stats)
    diagonal = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    area = stats[:, cv2.CC_STAT_AREA]
    good = (diagonal >= reach) & (area <= 2 * THICKEST * diagonal**2) & (area >= 0.7 * diagonal)
    good[0] = False
    seeds = []
    longest = np.flatnonzero(good)
    for i in longest[np.argsort(-diagonal[longest])][:MOST_BLOBS]:
        x, y, w, h = (int(k) for k in stats[i, :4])
        rows, columns = np.nonzero(np.asarray(labels)[y : y + h, x : x + w] == i)
        seed = _straight(np.column_stack([columns + x, rows + y]).astype(np.float64), reach)
        if seed is not None:
            start, end, thick = seed
            seeds.append(_Seed((start + 0.5) * scale - 0.5, (end + 0.5) * scale - 0.5, thick * float(scale.mean())))
    return seeds


def _straight(points: FloatArray, reach: float) -> tuple[FloatArray, FloatArray, float] | None:
    """Ends and thickness of a component if it is a straight stroke of even thickness (ticks at its ends allowed)."""
    middle = points.mean(axis=0)
    centred = points - middle
    spread, axes = np.linalg.eigh(centred.T @ centred / len(points))
    if spread[1] <= 0 or math.sqrt(max(spread[0], 0) / spread[1]) > THICKEST:
        return None
    for _ in range(2):
        axis = axes[:, 1]
        u = centred @ axis
        v = centred @ np.array([-axis[1], axis[0]])
        low, high = float(u.min()), float(u.max())
        length = high - low + 1
        if length < reach:
            return None
        bins = np.clip(((u - low) / length * 40).astype(np.intp), 0, 39)
        per_bin = np.bincount(bins, minlength=40)
        centre = np.bincount(bins, weights=v, minlength=40) / np.maximum(per_bin, 1)
        inner = slice(3, 37)
        thick = float(np.median(per_bin[inner])) / (length / 40)
        # the ends' ticks pull the principal axis off the line: turn it onto the inner stretch
        at = (np.arange(40) + 0.5) / 40 * length + low
        slope, offset = np.polyfit(at[inner], centre[inner], 1)
        axis = axis + slope * np.array([-axis[1], axis[0]])
        axes = np.column_stack([axes[:, 0], axis / np.hypot(*axis)])
        middle = middle + offset * np.array([-axis[1], axis[0]])
        centred = points - middle
    uneven = np.abs(per_bin[inner] * 40 / length - thick) > max(1.2, 0.35 * thick)
    wavy = np.abs(centre[inner] - np.polyval([slope, offset], at[inner])) > max(0.8, 0.2 * thick)
    if float(np.mean(uneven | wavy)) > 0.2 or thick > THICKEST * 1.3 * length:
        return None
    axis = axes[:, 1]
    u = centred @ axis
    return middle + axis * (float(u.min()) - 0.5), middle + axis * (float(u.max()) + 0.5), thick


# --- measuring in the full picture ---------------------------------------------------------------------------


def _measure(pixels: ByteArray, seed: _Seed) -> _Bar | None:
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
        origin, axis, length, thick, lean, ground = sides
        if turn < 2:
            origin, length = _extent(pixels, origin, axis, length, thick, lean, ground)
    rows = np.arange(-1, 2) * 0.25 * thick if thick < 4 else np.linspace(-0.35, 0.35, 15) * thick
    ends = []
    for sign in (-1.0, 1.0):
        tip = origin if sign < 0 else origin + axis * length
        end = _end(pixels, tip, sign * axis, thick, lean, ground, rows, length)
        if end is None:
            return None
        ends.append(end)
    (a, u_a, tick_a), (b, u_b, tick_b) = ends
    if tick_a != tick_b:
        return None
    start, stop = origin - axis * a, origin + axis * (length + b)
    contrast = 1.0 / math.sqrt(3.0 * float(lean @ lean))
    bar = _Bar(start, stop, thick, math.hypot(u_a, u_b), contrast, tick_a)
    return bar if bar.thickness <= THICKEST * bar.length else None


def _sides(
    pixels: ByteArray, origin: FloatArray, axis: FloatArray, length: float, thick: float, part: float
) -> tuple[FloatArray, FloatArray, float, float, FloatArray, FloatArray] | None:
    """Straighten the axis on the bar's long sides, clear on at least `part` of the length.

    Returns origin, axis, length, thickness, `lean` (3,) and `ground` (3,) so that (RGB - ground) . lean is 1 on the
    bar and 0 beside it; None where the sides are not two straight edges of one solid stroke.
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
    if size < 3 * 14.0**2:
        return None
    lean = step / size
    signal = ((rgb - off) @ lean).reshape(len(v), cells, -1).mean(axis=2)
    core = signal[inside].mean(axis=0)
    left = signal[v <= -0.5 * thick - 2.0].mean(axis=0)
    right = signal[v >= 0.5 * thick + 2.0].mean(axis=0)
    if float(np.min(np.median(signal[np.abs(v) <= max(0.35 * thick, 0.5)], axis=1))) < 0.5:
        return None
    # how much of the step from the ground beside it to the bar's own tone each cell shows: a thin blurred bar
    # takes on some of its ground
    side = np.maximum(left, right)
    shown = np.clip((core - side) / np.maximum(1.0 - side, 0.25), 0.0, 1.2)
    least = max(0.12, 10.0 / math.sqrt(size / 3))
    clear = (shown > 0.35) & (core < 1.8) & (core - side > least)
    if float(np.mean(clear)) < part or float(np.std(shown[clear])) > 0.3:
        return None
    # a bar lies on one ground; a band of the section has another metal on either side
    lopsided = np.abs(left - right) > 0.6 * (core - (left + right) / 2)
    if float(np.mean(lopsided[clear])) > 0.4:
        return None
    at = (np.arange(cells) + 0.5) / cells * 0.9 * length + 0.05 * length
    centre, width = [], []
    mid = len(v) // 2
    for i in np.flatnonzero(clear):
        high = crossing(signal[mid:, i], v[mid:], (core[i] + right[i]) / 2)
        low = crossing(signal[mid::-1, i], v[mid::-1], (core[i] + left[i]) / 2)
        if high is not None and low is not None:
            centre.append((at[i], (high + low) / 2))
            width.append(high - low)
    if len(centre) < 0.8 * part * cells:
        return None
    c = np.array(centre)
    slope, offset = np.polyfit(c[:, 0], c[:, 1], 1)
    off_line = np.abs(c[:, 1] - slope * c[:, 0] - offset)
    thickness = float(np.median(width))
    uneven = np.abs(np.array(width) - thickness)
    if np.median(off_line) > 0.3 + 0.03 * thickness or np.median(uneven) > 0.4 + 0.06 * thickness:
        return None
    across = np.array([-axis[1], axis[0]])
    start, stop = origin + across * offset, origin + axis * length + across * (offset + slope * length)
    new_length = float(np.hypot(*(stop - start)))
    return start, (stop - start) / new_length, new_length, max(thickness, 1.0), lean, np.asarray(off)


def _extent(
    pixels: ByteArray,
    origin: FloatArray,
    axis: FloatArray,
    length: float,
    thick: float,
    lean: FloatArray,
    ground: FloatArray,
) -> tuple[FloatArray, float]:
    """Follow the bar's own colour along its axis both ways: (origin, length) of the whole bar, to about a px."""
    reach = 2.0 * length
    u = np.arange(-reach, length + reach, 1.0)
    h, w = pixels.shape[:2]
    x, y = origin[0] + u * axis[0], origin[1] + u * axis[1]
    u = u[(x >= 0) & (x <= w - 1) & (y >= 0) & (y <= h - 1)]
    rgb = strip(pixels, origin, axis, u, np.arange(-1, 2) * 0.25 * thick).mean(axis=0)
    core = (u > 0.1 * length) & (u < 0.9 * length)
    if not core.any():
        return origin, length
    on = np.median(rgb[core], axis=0)
    away = np.sqrt(np.sum((rgb - on) ** 2, axis=1)) * math.sqrt(float(lean @ lean))
    # a thin blurred bar takes on some of its ground, so standing out from both sides counts as well
    side = 0.5 * thick + 3.0
    beside = (strip(pixels, origin, axis, u, np.array([-side - 1, -side, side, side + 1])) - ground) @ lean
    stands = (rgb - ground) @ lean - np.maximum(beside[:2].mean(axis=0), beside[2:].mean(axis=0))
    run = max(3, round(0.5 * thick))
    gone = np.convolve((away > 0.5) & (stands < 0.35), np.ones(run), "same") >= 0.8 * run
    middle = int(np.searchsorted(u, 0.5 * length))
    before, after = np.flatnonzero(gone[:middle]), np.flatnonzero(gone[middle:])
    low = float(u[before[-1]]) + run / 2 if before.size else float(u[0])
    high = float(u[middle + after[0]]) - run / 2 if after.size else float(u[-1])
    return origin + axis * low, max(high - low, 1.0)


def _end(
    pixels: ByteArray,
    tip: FloatArray,
    outward: FloatArray,
    thick: float,
    lean: FloatArray,
    ground: FloatArray,
    rows: FloatArray,
    length: float,
) -> tuple[float, float, bool] | None:
    """One end of the bar: (how far past `tip`, its standard uncertainty, whether it carries a tick), px."""
    window = min(max(12.0, 2.0 * thick), 0.2 * length)
    u = np.arange(-window, window + 0.01, 1.0)
    tick = _tick(pixels, tip, outward, thick, lean, ground, u)
    if tick is not None:
        return (*tick, True)
    values = ((strip(pixels, tip, outward, u, rows) - ground) @ lean).mean(axis=0)
    fit = fit_edge(u, values, 0.0)
    if fit is None:
        return None
    # once more in a window as wide as the blur asks for, so that clutter beyond the end weighs little
    near = max(3.5, 3.0 * fit[2] + 1.5)
    u = np.arange(-near, near + 0.01, 0.5) + fit[0]
    values = ((strip(pixels, tip, outward, u, rows) - ground) @ lean).mean(axis=0)
    fit = fit_edge(u, values, fit[0]) or fit
    if not 0.3 < fit[3] < 2.5 or fit[2] > 0.2 * window + 3.0 or abs(fit[0]) > 0.8 * window:
        return None
    # nothing of the bar's tone goes on around the end: a band of the section turns a corner there
    turn = np.deg2rad(np.arange(-95, 96, 5.0))
    radius = 0.9 * thick + 1.5 * fit[2] + 2.0
    across = np.array([-outward[1], outward[0]])
    ring = tip + outward * fit[0] + radius * (np.cos(turn)[:, None] * outward + np.sin(turn)[:, None] * across)
    around = (sample(pixels, ring[:, 0], ring[:, 1]) - ground) @ lean
    if float(np.percentile(around, 85)) > values.max() - 0.5 * fit[3]:
        return None
    # samples half a px apart share pixels and compression ties neighbours, so residuals hold less than their
    # number says (1.8: from rendered bars); the ground's own texture moves the half-way point as well
    texture = float(np.std(around)) / fit[3]
    return fit[0], math.hypot(1.8 * fit[1], TEXTURE * texture * fit[2], LEAST_U), False


def _tick(
    pixels: ByteArray,
    tip: FloatArray,
    outward: FloatArray,
    thick: float,
    lean: FloatArray,
    ground: FloatArray,
    u: FloatArray,
) -> tuple[float, float] | None:
    """Middle of an end tick past `tip` and its standard uncertainty, px; None where there is no tick."""
    far = 6.0 * thick + 12.0
    step = 0.5
    v = np.arange(-far, far + 0.01, step)
    signal = (strip(pixels, tip, outward, u, v) - ground) @ lean
    rows = []
    for side in (-1.0, 1.0):
        beside = np.flatnonzero(side * v > 0.5 * thick + 1.0)
        beside = beside[np.argsort(np.abs(v[beside]))]
        peak = signal[beside].max(axis=1) - np.median(signal[beside], axis=1)
        stop = np.flatnonzero(peak < 0.4)
        run = int(stop[0]) if stop.size else len(beside)
        rows.append(beside[: max(run - 1, 0)])
    picked = np.concatenate(rows)
    if len(picked) * step < 1.0 + 0.25 * thick:
        return None
    profile = np.asarray(signal[picked].mean(axis=0))
    at = float(u[int(np.argmax(profile))])
    wide = float(np.sum(profile > 0.5 * profile.max()))
    if wide > 0.5 * len(u) or wide > 4.0 * thick + 4.0:
        return None
    fits = []
    for part, step_too in ((1.6, False), (1.6, True), (1.0, False)):
        near = np.abs(u - at) <= max(4.0, part * wide)
        fit = fit_line(u[near], profile[near], at, wide / 2.35, step=step_too)
        if fit is not None and 0.3 < fit[3] < 2.5 and abs(fit[0] - at) < 0.5 * wide + 1.0:
            fits.append(fit)
    if not fits:
        return None
    # the plain line unless the ground plainly differs on its two sides
    fit = fits[0] if fits[0][1] < 2.0 * min(f[1] for f in fits) else min(fits, key=lambda f: f[1])
    return fit[0], math.hypot(1.8 * fit[1], LEAST_U)


def _same(a: _Bar, b: _Bar) -> bool:
    ends = np.abs(np.array([a.start - b.start, a.end - b.end])).max()
    turned = np.abs(np.array([a.start - b.end, a.end - b.start])).max()
    return bool(min(ends, turned) < 3.0 + 0.5 * max(a.thickness, b.thickness))


def _only_part(a: _Bar, b: _Bar) -> bool:
    """Whether `a` is only the ground beside bar `b` on its strip, or an end tick of `b`."""
    turn = abs(float(a.direction @ b.direction))
    shift = np.array([a.start, a.middle, a.end]) - b.start
    along = shift @ b.direction
    across = np.abs(shift @ np.array([-b.direction[1], b.direction[0]]))
    if turn > 0.999:
        touching = across[1] < 0.5 * (a.thickness + b.thickness) + 6.0
        longer = along.min() < 1.0 and along.max() > b.length - 1.0 and a.length > 1.01 * b.length
        return bool(touching and longer)
    at_end = min(abs(along[1]), abs(along[1] - b.length)) < 3.0 + a.thickness
    return bool(turn < 0.1 and at_end and across[1] < 0.3 * a.length and a.length < b.length)


def _within(seed: _Seed, bar: _Bar) -> bool:
    """Whether a seed is a piece of a bar that is measured already."""
    shift = np.array([seed.start, seed.end]) - bar.start
    along = shift @ bar.direction
    across = np.abs(shift @ np.array([-bar.direction[1], bar.direction[0]])).max()
    slack = 4.0 + bar.thickness
    if seed.thickness < 0.4 * bar.thickness:
        return False
    return bool(across < 1.0 + 0.5 * bar.thickness and along.min() > -slack and along.max() < bar.length + slack)


def _in_a_row(bar: _Bar, seeds: Sequence[_Seed]) -> bool:
    """Whether three or more strokes as long as the bar stand beside it, on lines of their own."""
    places = []
    for seed in seeds:
        shift = seed.middle - bar.middle
        along = abs(float(shift @ bar.direction))
        across = float(bar.direction[0] * shift[1] - bar.direction[1] * shift[0])
        alike = abs(float(seed.direction @ bar.direction)) > 0.99 and 0.6 < seed.length / bar.length < 1.6
        if alike and along < 0.5 * bar.length and 1.4 * bar.thickness < abs(across) < 3 * bar.length:
            places.append(across)
    places.sort()
    return sum(b - a > 1.4 * bar.thickness for a, b in zip([-math.inf, *places], places, strict=False)) >= 3


def _clear_of_hatching(strokes: Sequence[_Seed], most: int) -> BoolArray:
    """Which strokes have no more than `most` of their kind beside them: a rule's ticks, teeth, hatching have."""
    if not strokes:
        return np.empty(0, dtype=bool)
    middle = np.array([s.middle for s in strokes])
    axis = np.array([s.direction for s in strokes])
    length = np.array([s.length for s in strokes])
    thick = np.array([s.thickness for s in strokes])
    parallel = np.abs(axis @ axis.T) > 0.99
    ratio = length[:, None] / length[None, :]
    shift = middle[None, :, :] - middle[:, None, :]
    along = np.abs(np.einsum("ijk,ik->ij", shift, axis))
    across = np.abs(axis[:, None, 0] * shift[..., 1] - axis[:, None, 1] * shift[..., 0])
    longest = np.maximum(length[:, None], length[None, :])
    apart = across > 0.7 * (thick[:, None] + thick[None, :])
    beside = parallel & (ratio > 0.4) & (ratio < 2.5) & (along < 0.6 * longest) & apart & (across < 3 * longest)
    hatched = beside.sum(axis=1) > most
    hatched |= (beside & (across < longest)) @ hatched
    return np.asarray(~hatched)
