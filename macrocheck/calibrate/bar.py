"""A bar of known length, solid or a thin line with end ticks, anywhere in the picture and in any direction.

What the length means: a solid bar is as long as its outer ends are apart; a thin line with end ticks is as long as
the *middles* of the two ticks are apart (common practice, no source; where a bar's maker counts to the outer
edges of the ticks, `points:` says so exactly).
"""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from macrocheck.arrays import ByteArray
from macrocheck.calibrate.bar_broken import broken
from macrocheck.calibrate.bar_drawn import cut_off, drawn, parted
from macrocheck.calibrate.bar_fit import MOST_U, Bar, measure
from macrocheck.calibrate.bar_head import headed
from macrocheck.calibrate.bar_label import labelled
from macrocheck.calibrate.bar_outline import within_outline
from macrocheck.calibrate.bar_ringed import ringed
from macrocheck.calibrate.mark import Candidate, Mark
from macrocheck.calibrate.strokes import LEAST_LENGTH, Stroke, clear_of_hatching, hats, parallel, unlike
from macrocheck.photo import Photo

LEVELS = (130, 80, 48, 37, 28)
"""Contrast thresholds, grey levels: blur ties a bar to its label at the lower ones, and hides it at the higher."""
WEAKEST = 0.45
"""A bar this much weaker than the strongest is taken for a scratch or a band of the section."""
TOUCHING = 3.0
"""Room between two strokes up to which one is the ground beside the other, px."""
BESIDE = 1.5, 0.4
"""How far the middle lines of two strokes that are one lie apart at most, px and parts of both thicknesses added:
the ground between a bar's ticks touches the bar."""
PLAINER = 3.0
"""How much more ink (contrast times thickness) a stroke has than another that is but the fringe of its side."""
HALVES, HALF, TICKED_HALF, MOST_HALVES = (80, 28), 0.4, 0.6, 300
"""Levels at which the two strokes of a bar that its label breaks are looked for, their least length in parts of
that of a bar, the largest width over length with the tick at one end, and how many strokes are compared at most."""
SURE, AGAIN = 0.0008, 0.5
"""Standard uncertainty of a length (relative) from which it is measured once more, and the part of it in what both
differ by; estimates."""
ROUNDED = 0.5
"""Limits of error of a bar's length as software draws it, to whole pixels, px; common practice, no source."""
MOST_SEEDS = 40
"""Strokes measured per level at most: bounds the time on a busy picture."""


def find(photo: Photo, mark: Mark) -> tuple[Candidate, ...]:
    """Return every bar in the picture, best contrast first."""
    if mark.length_mm is None or min(photo.width, photo.height) < 16:
        return ()
    layers = hats(photo)
    longest = max(photo.width, photo.height)
    bars: list[Bar] = []
    others: list[Bar] = []
    seeds: list[Stroke] = []
    for ceiling, level in zip((255, *LEVELS), LEVELS, strict=False):
        if bars and 1.5 * ceiling < WEAKEST * max(b.strength for b in bars):
            break  # whatever is left is too weak to count
        new = [seed for hat in layers for seed in hat.strokes(level, LEAST_LENGTH * longest)]
        fresh = len(seeds)
        seeds = unlike([*seeds, *new])
        clear = clear_of_hatching(seeds, most=4)
        for seed in [seeds[i] for i in range(fresh, len(seeds)) if clear[i]][:MOST_SEEDS]:
            if any(_within(seed, bar) for bar in (*bars, *others)):
                continue
            bar = measure(photo.pixels, seed) or ringed(photo.pixels, seed)
            if bar is None or bar.length <= longest * LEAST_LENGTH:
                continue
            if bar.edged:  # the lines along its sides are no bars by themselves
                bars = [other for other in bars if other.edged or not _same(bar, other)]
            else:  # nor is the fringe of its side
                bars = [other for other in bars if bar.ink < PLAINER * other.ink or not _same(bar, other)]
            if not any(_same(bar, other) for other in (bars if bar.edged else (*bars, *others))):
                # An arrow's head may pass for a tick, and its blunt end for another.
                ticked = bar.ticks and not headed(photo.pixels, bar)
                counts = ticked or bar.edged or _plain(photo.pixels, bar)
                (bars if counts else others).append(bar)
    if not bars:
        least = LEAST_LENGTH * longest
        halves = [s for level in HALVES for hat in layers for s in hat.strokes(level, HALF * least, TICKED_HALF)]
        bars = broken(photo.pixels, unlike(halves)[:MOST_HALVES], least)
    bars = [bar for bar, ok in zip(bars, clear_of_hatching(bars, most=1), strict=True) if ok]
    bars = [bar for bar in bars if not _in_a_row(bar, seeds) and not any(_twins(bar, other) for other in bars)]
    bars = [a for a in bars if not any(_only_part(a, b) for b in bars if b is not a)]
    bars.sort(key=lambda b: -b.strength)
    bars = [b for b in bars if b.strength >= WEAKEST * bars[0].strength]
    if len(bars) > 1:  # of several a bar is the one that says how long it is
        bars = _most_likely([bar for bar in bars if labelled(photo.pixels, bar)]) or bars
    bars = [again for bar in bars if (again := _again(photo.pixels, bar)).u_length < MOST_U * bar.length]
    return tuple(_candidate(within_outline(photo.pixels, bar), mark.length_mm) for bar in bars)


def _most_likely(bars: list[Bar]) -> list[Bar]:
    """Without lines aslant that have no ticks where another bar is level: their dimension reads as a label."""
    return [bar for bar in bars if bar.ticks or bar.level] or bars


def _again(pixels: ByteArray, bar: Bar) -> Bar:
    """The bar measured once more from where it was found, the surer of the two, in more doubt where they differ."""
    again = None if bar.edged or bar.u_length < SURE * bar.length else measure(pixels, bar)
    if again is None or again.ticks != bar.ticks:
        return bar
    if not _same(bar, again):  # nobody knows which of both is the bar
        return replace(bar, u_length=math.hypot(bar.u_length, bar.length - again.length))
    surer = min(bar, again, key=lambda one: one.u_length)
    return replace(surer, u_length=math.hypot(surer.u_length, AGAIN * (bar.length - again.length)))


def _plain(pixels: ByteArray, bar: Bar) -> bool:
    if not drawn(pixels, bar) or headed(pixels, bar) or parted(pixels, bar):
        return False
    return not cut_off(pixels, bar) or labelled(pixels, bar)


def _candidate(bar: Bar, length_mm: float) -> Candidate:
    ends = np.vstack([bar.start, bar.end])
    kind = "bar with end ticks" if bar.ticks else "bar"
    return Candidate(
        mm_per_px=length_mm / bar.length,
        u_found=bar.u_length / bar.length,
        points_px=ends,
        what=f"{kind} {length_mm:g} mm, {bar.length:.1f} px long",
        extent_px=bar.length,
        ends_px=tuple((float(x), float(y)) for x, y in ends),
        least_limits=ROUNDED / bar.length,
    )


def _same(a: Bar, b: Bar) -> bool:
    if _between_ticks(a, b) or _between_ticks(b, a):
        return False
    shift = b.middle - a.middle
    across = abs(float(a.direction[0] * shift[1] - a.direction[1] * shift[0]))
    if across > max(BESIDE[0], BESIDE[1] * (a.thickness + b.thickness)):
        return False
    ends = np.abs(np.array([a.start - b.start, a.end - b.end])).max()
    turned = np.abs(np.array([a.start - b.end, a.end - b.start])).max()
    return bool(min(ends, turned) < 3.0 + 0.5 * max(a.thickness, b.thickness))


def _between_ticks(a: Bar, b: Bar) -> bool:
    """Whether `a` is the ground between the ticks of `b`, beside its line."""
    if a.ticks or not b.ticks or abs(float(a.direction @ b.direction)) < 0.999:
        return False
    shift = np.array([a.start, a.middle, a.end]) - b.start
    along = shift @ b.direction
    across = abs(float(shift[1] @ np.array([-b.direction[1], b.direction[0]])))
    apart = across - 0.5 * (a.thickness + b.thickness)
    inside = along.min() > -1.0 and along.max() < b.length + 1.0
    return bool(inside and a.length > b.length - 3.0 * b.thickness - 6.0 and -3.0 < apart < 6.0)


def _twins(a: Bar, b: Bar) -> bool:
    """Whether two strokes that are alike stand beside each other: letters, an equals sign, two teeth."""
    shift = b.middle - a.middle
    along = abs(float(shift @ a.direction))
    across = abs(float(a.direction[0] * shift[1] - a.direction[1] * shift[0]))
    alike = all(0.8 < x / y < 1.25 for x, y in ((a.contrast, b.contrast), (a.thickness, b.thickness)))
    beside = a.thickness < across < 0.5 * a.length and along < 0.03 * a.length
    parallel = abs(float(a.direction @ b.direction)) > 0.996
    return bool(a is not b and alike and beside and parallel and abs(a.length / b.length - 1) < 0.03)


def _only_part(a: Bar, b: Bar) -> bool:
    """Whether `a` is only the ground beside bar `b` on its strip or between its ticks, or an end tick of `b`."""
    turn = abs(float(a.direction @ b.direction))
    shift = np.array([a.start, a.middle, a.end]) - b.start
    along = shift @ b.direction
    across = np.abs(shift @ np.array([-b.direction[1], b.direction[0]]))
    if turn > 0.999:
        touching = across[1] < 0.5 * (a.thickness + b.thickness) + 6.0
        longer = along.min() < 1.0 and along.max() > b.length - 1.0 and a.length > 1.01 * b.length
        return bool(touching and longer and not _between_ticks(b, a)) or _between_ticks(a, b)
    at_end = min(abs(along[1]), abs(along[1] - b.length)) < 3.0 + a.thickness
    return bool(turn < 0.1 and at_end and across[1] < 0.3 * a.length and a.length < b.length)


def _within(seed: Stroke, bar: Bar) -> bool:
    """Whether a seed is a piece of a bar that is measured already."""
    shift = np.array([seed.start, seed.end]) - bar.start
    along = shift @ bar.direction
    across = np.abs(shift @ np.array([-bar.direction[1], bar.direction[0]])).max()
    slack = 4.0 + bar.thickness
    if seed.thickness < 0.4 * bar.thickness:
        return False
    return bool(across < 1.0 + 0.5 * bar.thickness and along.min() > -slack and along.max() < bar.length + slack)


def _in_a_row(bar: Bar, seeds: Sequence[Stroke]) -> bool:
    """Whether three or more strokes as long as the bar stand beside it, on lines of their own."""
    places = []
    for seed in seeds:
        shift = seed.middle - bar.middle
        along = abs(float(shift @ bar.direction))
        across = float(bar.direction[0] * shift[1] - bar.direction[1] * shift[0])
        alike = bool(parallel(seed.direction, np.array(seed.length), bar.direction, np.array(bar.length)))
        alike &= 0.6 < seed.length / bar.length < 1.6
        # no row: the ground on either side of a bar on its strip
        room = abs(across) - 0.5 * (seed.thickness + bar.thickness)
        alike &= seed.thickness < (2.5 if room > TOUCHING else 1.0) * bar.thickness
        if alike and along < 0.5 * bar.length and 1.4 * bar.thickness < abs(across) < 1.5 * bar.length:
            places.append(across)
    lines, last = 0, -math.inf
    for place in sorted(places):
        if place - last > 1.4 * bar.thickness:
            lines, last = lines + 1, place
    return lines >= 3
