"""Straight strokes in the reduced picture: where a bar may lie."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, BoolArray, ByteArray, FloatArray
from macrocheck.calibrate.profile import reduced
from macrocheck.photo import Photo

SEARCH_SIDE = 1500
"""Longest side of the reduced picture that bars are searched in, px."""
KERNELS = (13, 37)
"""Widest structure (px of the reduced picture) that each top-hat lets through."""
COARSER, COARSER_THICKEST = 3, 0.09
"""How much smaller the picture is in which the thickest bars are searched, and how thick the thickest is, in parts
of the longer side."""
LEAST_LENGTH = 0.055
"""Shortest bar, part of the picture's longest side: shorter ones are letters and scratches."""
THICKEST = 0.22
"""Largest thickness over length."""
TINTED = 30
"""Difference of two colours, from the picture's usual one, that a coloured bar shows at least, grey levels."""
LEAST_BIN, MOST_BINS = 4.0, 40
"""A stroke's evenness is told in so many stretches at most, each so long at least, px of the reduced picture: whole
pixels are counted."""
PARALLEL, TURN, MOST_TURN = 0.03, 3.0, 0.09
"""Most that strokes of one row may be turned to each other (sine): so much, more by so many px over the length of
the shorter, and never more than the last; estimates."""
MOST_DIVIDED = 0.4
"""Most of a stroke (part of its length) that strokes across it may take."""
MOST_BLOBS = 100
"""Components looked at per mask at most: bounds the time on a busy picture."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """A straight elongated stroke, in px of the full picture."""

    start: FloatArray
    end: FloatArray
    thickness: float

    @property
    def length(self) -> float:
        """End to end, px."""
        return float(np.hypot(*(self.end - self.start)))

    @property
    def middle(self) -> FloatArray:
        """Middle, (x, y) px."""
        return np.asarray((self.start + self.end) / 2)

    @property
    def direction(self) -> FloatArray:
        """Unit vector from start to end."""
        return np.asarray((self.end - self.start) / self.length)


@dataclass(frozen=True, slots=True)
class Hat:
    """What stands out in one reduced picture: `tones` (h, w), `scale` its px per px of the full picture, (x, y).

    `thinnest`: least thickness of a stroke that is looked for in it, its own px.
    """

    tones: ByteArray
    scale: FloatArray
    thinnest: float = 0.0

    def strokes(self, level: int, least: float, spread: float = THICKEST) -> list[Stroke]:
        """Strokes that stand out by `level` grey levels and are `least` px of the full picture long."""
        found = blobs(self.tones >= level, least / float(self.scale.max()), self.scale, spread)
        return [stroke for stroke in found if stroke.thickness >= self.thinnest * float(self.scale.mean())]


def hats(photo: Photo) -> list[Hat]:
    """What stands out from its neighbourhood in the reduced picture, light, dark or coloured."""
    factor = max(max(photo.width, photo.height) / SEARCH_SIDE, 1.0)
    size = (max(round(photo.width / factor), 8), max(round(photo.height / factor), 8))
    small = reduced(photo.pixels, size) if factor > 1 else photo.pixels
    grey = np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    layers = [grey, np.asarray(255 - grey, dtype=np.uint8)]
    layers.extend(_colours(small, LEAST_LENGTH * max(size)))
    scale = np.array([photo.width / size[0], photo.height / size[1]])
    found = [Hat(_hat(layer, kernel), scale) for layer in layers for kernel in KERNELS]
    if max(size) * COARSER_THICKEST <= KERNELS[-1]:  # no stroke in it is too thick for the widest
        return found
    coarse = (max(size[0] // COARSER, 8), max(size[1] // COARSER, 8))
    scale = np.array([photo.width / coarse[0], photo.height / coarse[1]])
    thinnest = 0.8 * KERNELS[-1] / COARSER
    for layer in layers:
        tones = np.asarray(cv2.resize(layer, coarse, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        found.append(Hat(_hat(tones, KERNELS[-1]), scale, thinnest))
    return found


def _hat(layer: ByteArray, kernel: int) -> ByteArray:
    box = np.ones((kernel, kernel), dtype=np.uint8)
    return np.asarray(cv2.morphologyEx(layer, cv2.MORPH_TOPHAT, box), dtype=np.uint8)


def _colours(small: AnyArray, least: float) -> list[ByteArray]:
    """Red against green and blue against both, each way, where some pixels are far from the usual tint."""
    red, green, blue = (np.asarray(channel, dtype=np.int16) for channel in cv2.split(small))
    layers: list[ByteArray] = []
    for raw in (red - green, blue - ((red + green) >> 1)):
        usual = int(np.median(raw[::4, ::4]))
        for sign in (1, -1):
            if np.count_nonzero(raw > usual + TINTED if sign > 0 else raw < usual - TINTED) > least:
                # saturates at 0 and 255
                layer = cv2.addWeighted(raw, sign, raw, 0.0, 128.0 - sign * usual, dtype=cv2.CV_8U)
                layers.append(np.asarray(layer, dtype=np.uint8))
    return layers


def unlike(seeds: list[Stroke]) -> list[Stroke]:
    """Leave out every seed that repeats an earlier one."""
    if not seeds:
        return []
    ends = np.array([np.concatenate([s.start, s.end]) for s in seeds])
    near = 1.5 + 0.4 * np.array([s.thickness for s in seeds])
    apart = np.abs(ends[:, None, :] - ends[None, :, :]).max(axis=2)
    alike = np.tril(apart < np.minimum(near[:, None], near[None, :]), -1)
    return [s for s, repeated in zip(seeds, alike.any(axis=1), strict=True) if not repeated]


def blobs(mask: BoolArray, reach: float, scale: FloatArray, spread: float = THICKEST) -> list[Stroke]:
    """Straight elongated components of a mask; `spread`: their largest width over length, ticks included."""
    cover = mask.astype(np.uint8)
    # outlines first: labelling a whole picture for the few long components in it takes ten times as long
    outlines, tree = cv2.findContours(cover, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    if not outlines:
        return []
    outer = np.asarray(tree)[0, :, 3] < 0
    sized = [
        (math.hypot(*box[2:]), box, outline[0, 0])
        for outline, is_outer in zip(outlines, outer, strict=True)
        if is_outer and len(outline) >= reach and math.hypot(*(box := cv2.boundingRect(outline))[2:]) >= reach
    ]
    seeds: list[Stroke] = []
    looked = 0
    for diagonal, (x, y, w, h), (i, j) in sorted(sized, key=lambda one: -one[0]):
        _, labels = cv2.connectedComponents(cover[y : y + h, x : x + w], connectivity=8)
        rows, columns = np.nonzero(np.asarray(labels) == labels[j - y, i - x])
        if not 0.7 * diagonal <= len(rows) <= 2 * THICKEST * diagonal**2:
            continue
        seed = _straight(np.column_stack([columns + x, rows + y]).astype(np.float64), reach, spread)
        if seed is not None:
            start, end, thick = seed
            seeds.append(
                Stroke((start + 0.5) * scale - 0.5, (end + 0.5) * scale - 0.5, thick * float(scale.mean()))
            )
        looked += 1
        if looked == MOST_BLOBS:
            break
    return seeds


def _straight(points: FloatArray, reach: float, most: float) -> tuple[FloatArray, FloatArray, float] | None:
    """Ends and thickness of a component if it is a straight, even stroke (ticks at its ends allowed)."""
    middle = points.mean(axis=0)
    centred = points - middle
    spread, axes = np.linalg.eigh(centred.T @ centred / len(points))
    if spread[1] <= 0 or math.sqrt(max(spread[0], 0) / spread[1]) > most:
        return None
    for _ in range(2):
        axis = axes[:, 1]
        u = centred @ axis
        v = centred @ np.array([-axis[1], axis[0]])
        low, high = float(u.min()), float(u.max())
        length = high - low + 1
        if length < reach:
            return None
        n = int(np.clip(length / LEAST_BIN, 8, MOST_BINS))
        bins = np.clip(((u - low) / length * n).astype(np.intp), 0, n - 1)
        per_bin = np.bincount(bins, minlength=n)
        centre = np.bincount(bins, weights=v, minlength=n) / np.maximum(per_bin, 1)
        inner = slice(round(0.075 * n), n - round(0.075 * n))
        thick = float(np.median(per_bin[inner])) / (length / n)
        # the ends' ticks pull the principal axis off the line: turn it onto the inner stretch
        at = (np.arange(n) + 0.5) / n * length + low
        slope, offset = np.polyfit(at[inner], centre[inner], 1)
        axis = axis + slope * np.array([-axis[1], axis[0]])
        axes = np.column_stack([axes[:, 0], axis / np.hypot(*axis)])
        middle = middle + offset * np.array([-axis[1], axis[0]])
        centred = points - middle
    more = per_bin[inner] * n / length - thick
    uneven = np.abs(more) > max(1.2, 0.35 * thick)
    wavy = np.abs(centre[inner] - np.polyval([slope, offset], at[inner])) > max(0.8, 0.2 * thick)
    # strokes across it divide a bar: there it is only thicker
    off = uneven | wavy
    if (
        float(np.mean(off)) > MOST_DIVIDED
        or float(np.mean(off & ((more < 0) | wavy))) > 0.2
        or thick > THICKEST * 1.3 * length
    ):
        return None
    axis = axes[:, 1]
    u = centred @ axis
    return middle + axis * (float(u.min()) - 0.5), middle + axis * (float(u.max()) + 0.5), thick


def parallel(a_axis: FloatArray, a_length: FloatArray, b_axis: FloatArray, b_length: FloatArray) -> BoolArray:
    """Whether strokes run side by side as a rule's ticks do; a short stroke's direction is known less well."""
    turn = np.abs(a_axis[..., 0] * b_axis[..., 1] - a_axis[..., 1] * b_axis[..., 0])
    return np.asarray(turn < np.minimum(PARALLEL + TURN / np.minimum(a_length, b_length), MOST_TURN))


def clear_of_hatching(strokes: Sequence[Stroke], most: int) -> BoolArray:
    """Which strokes have no more than `most` of their kind beside them: a rule's ticks, teeth, hatching have."""
    if not strokes:
        return np.empty(0, dtype=bool)
    middle = np.array([s.middle for s in strokes])
    axis = np.array([s.direction for s in strokes])
    length = np.array([s.length for s in strokes])
    thick = np.array([s.thickness for s in strokes])
    alike = parallel(axis[:, None], length[:, None], axis[None, :], length[None, :])
    ratio = length[:, None] / length[None, :]
    shift = middle[None, :, :] - middle[:, None, :]
    along = np.abs(np.einsum("ijk,ik->ij", shift, axis))
    across = np.abs(axis[:, None, 0] * shift[..., 1] - axis[:, None, 1] * shift[..., 0])
    longest = np.maximum(length[:, None], length[None, :])
    apart = across > 0.7 * (thick[:, None] + thick[None, :])
    beside = alike & (ratio > 0.4) & (ratio < 2.5) & (along < 0.6 * longest) & apart & (across < 1.5 * longest)
    hatched = beside.sum(axis=1) > most
    hatched |= (beside & (across < longest)) @ hatched
    return np.asarray(~hatched)
