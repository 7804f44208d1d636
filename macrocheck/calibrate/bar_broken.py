"""A bar that its label breaks, `|--- 10 mm ---|`: two like strokes on one line, each with an end tick."""

import math
from collections.abc import Sequence
from functools import cache

import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.calibrate.bar_fit import Bar, between, feet_of
from macrocheck.calibrate.bar_site import Foot, likeness
from macrocheck.calibrate.profile import strip
from macrocheck.calibrate.strokes import Stroke

_Feet = tuple[tuple[Foot, Foot], float] | None
"""What `feet_of` says of a stroke."""
EVEN_HALVES = 0.2
"""Most that the two strokes differ in length, in parts of the longer: a label is centred."""
WIDEST_GAP = 0.75
"""Widest gap, in parts of the whole."""
ONE_INK = 0.3
"""Most that the two strokes differ in colour, in parts of their contrast."""
WRITTEN, SOLID = 0.06, 0.7
"""Part of a label's line that has the strokes' colour, at least and at most."""
SLACK, PLACES = 2.0, 40
"""How much the first, rough look at a pair allows more than the measured one, and how many places of the gap along
it the first look reads."""
STANDS = 0.15
"""By how much likeness to a stroke, 1 its ink and 0 its ground, a tick stands out beside its end at least."""
HEIGHT = 8.0
"""How far to either side of the line the label is looked for, px at least."""


def broken(pixels: ByteArray, seeds: Sequence[Stroke], least: float) -> list[Bar]:
    """Every such bar `least` px long or more of which both strokes are among the seeds."""
    found: list[Bar] = []

    @cache
    def feet(i: int) -> _Feet:
        return feet_of(pixels, seeds[i])

    @cache
    def tones(i: int) -> tuple[FloatArray, FloatArray]:
        return _tones(pixels, seeds[i])

    for i, j in _facing(seeds, least):
        if not _likely(pixels, (seeds[i], seeds[j]), (tones(i), tones(j))):
            continue
        bar = _measured(pixels, (seeds[i], seeds[j]), (feet(i), feet(j)))
        if bar is not None and not any(math.dist(bar.middle, other.middle) < bar.thickness for other in found):
            found.append(bar)
    return found


def _tones(pixels: ByteArray, stroke: Stroke) -> tuple[FloatArray, FloatArray]:
    """Colours (3,) of a stroke and of its ground, roughly."""
    u = np.linspace(0.2, 0.8, 16) * stroke.length
    beside = 0.5 * stroke.thickness + np.array([2.0, 4.0])
    v = np.concatenate([-beside, np.array([-0.2, 0.0, 0.2]) * stroke.thickness, beside])
    rgb = strip(pixels, stroke.start, stroke.direction, u, v)
    on = np.median(rgb[2:5], axis=(0, 1))
    return np.asarray(on), np.asarray(np.median(rgb[[0, 1, 5, 6]], axis=(0, 1)))


def _likely(
    pixels: ByteArray, strokes: tuple[Stroke, Stroke], tones: tuple[tuple[FloatArray, FloatArray], ...]
) -> bool:
    """Whether two strokes may be of one ink, with something of it written between them.

    Told roughly, by a few places, so that few pairs are measured.
    """
    (a, b), ((on_a, ground_a), (on_b, ground_b)) = strokes, tones
    contrast = min(math.dist(on_a, ground_a), math.dist(on_b, ground_b))
    if math.dist(on_a, on_b) > SLACK * ONE_INK * contrast:
        return False
    along = (b.middle - a.middle) / math.dist(a.middle, b.middle)
    inner = max((a.start, a.end), key=lambda end: float(end @ along))
    facing = min((b.start, b.end), key=lambda end: float(end @ along))
    gap = float((facing - inner) @ along)
    high = max(HEIGHT, 2.0 * a.thickness)
    u, v = np.linspace(0.05, 0.95, PLACES) * gap, np.linspace(-high, high, PLACES // 2)
    inked = float(np.mean(likeness(strip(pixels, inner, along, u, v), on_a, ground_a) > 0.5))
    if not WRITTEN / SLACK < inked < 1.0 - (1.0 - SOLID) / SLACK:
        return False
    outer = (
        (a, min((a.start, a.end), key=lambda end: float(end @ along)), -along, tones[0]),
        (b, max((b.start, b.end), key=lambda end: float(end @ along)), along, tones[1]),
    )
    return all(_ticked(pixels, stroke, end, out, own) for stroke, end, out, own in outer)


def _ticked(
    pixels: ByteArray, stroke: Stroke, end: FloatArray, out: FloatArray, tones: tuple[FloatArray, FloatArray]
) -> bool:
    """Whether something of a stroke's ink stands beside its outer end that does not beside the rest of it."""
    thick = stroke.thickness
    near, far = np.arange(-6.0 - thick, 6.0 + thick), np.linspace(-0.8, -0.3, 12) * stroke.length
    for side in (-1.0, 1.0):
        v = side * (0.5 * thick + np.array([2.0, 3.0]))
        at_end, before = (likeness(strip(pixels, end, out, u, v), *tones).mean(axis=0) for u in (near, far))
        if float(at_end.max() - np.median(before)) > STANDS:
            return True
    return False


def _facing(seeds: Sequence[Stroke], least: float) -> list[tuple[int, int]]:
    """Pairs of strokes, by their places, that are alike and lie on one line with room for a label between them."""
    if len(seeds) < 2:
        return []
    i, j = np.tril_indices(len(seeds), -1)
    length, thick = (np.array([getattr(s, k) for s in seeds]) for k in ("length", "thickness"))
    middle, direction = (np.array([getattr(s, k) for s in seeds]) for k in ("middle", "direction"))
    alike = np.abs(length[i] - length[j]) <= EVEN_HALVES * np.maximum(length[i], length[j]) + 4.0
    alike &= (0.6 * thick[j] < thick[i]) & (thick[i] < 1.7 * thick[j])
    alike &= np.abs((direction[i] * direction[j]).sum(axis=1)) >= 0.998
    i, j = i[alike], j[alike]
    shift = middle[j] - middle[i]
    apart = np.hypot(shift[:, 0], shift[:, 1])
    whole = apart + (length[i] + length[j]) / 2
    off = np.abs(direction[i, 0] * shift[:, 1] - direction[i, 1] * shift[:, 0])
    gap = apart - (length[i] + length[j]) / 2
    room = (2.0 * thick[i] + 6.0 < gap) & (gap < WIDEST_GAP * whole)
    facing = (whole > least) & (off < 1.0 + 0.3 * thick[i]) & room
    return list(zip(i[facing].tolist(), j[facing].tolist(), strict=True))


def _measured(pixels: ByteArray, strokes: tuple[Stroke, Stroke], feet: tuple[_Feet, _Feet]) -> Bar | None:
    """The bar from the outer end of one stroke to that of the other; `feet`: what `feet_of` says of each."""
    (a, b), (one, other) = strokes, feet
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
