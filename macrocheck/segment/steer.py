"""How hints steer a path: the face and the fusion boundary both follow them."""

from dataclasses import replace
from itertools import pairwise

import numpy as np

from macrocheck.arrays import BoolArray, FloatArray, Point
from macrocheck.segment.band import Band
from macrocheck.segment.chains import smooth_open
from macrocheck.segment.hints import Hints

_OF_FACE = 0.5
"""A point this many times as far from the face as from the fusion boundary, or nearer, is meant for the face."""


def split_hints(hints: Hints | None, face: FloatArray, fusion: FloatArray) -> tuple[Hints | None, Hints | None]:
    """Hints for the fusion boundary and for the face: a `through` much nearer to the rough face is the face's.

    `face`, `fusion`: rough lines (n, 2), photo px.
    """
    if hints is None or not hints.through:
        return hints, None

    def of_face(point: Point) -> bool:
        away = [float(np.hypot(*(line - np.asarray(point)).T).min()) for line in (face, fusion)]
        return away[0] <= _OF_FACE * away[1]

    mine = tuple(p for p in hints.through if of_face(p))
    if not mine:
        return hints, None
    others = tuple(p for p in hints.through if p not in mine)
    return replace(hints, through=others), Hints(through=mine)


def hint_cost(band: Band, hints: Hints | None, scale: float) -> tuple[FloatArray, BoolArray]:
    """Extra cost (n, k) of hints, and the stations they fix."""
    n, k = len(band.base), len(band.offsets)
    cost = np.zeros((n, k))
    pinned = np.zeros(n, np.bool_)
    if hints is None:
        return cost, pinned
    points = band.points()
    for x, y in hints.through:
        near = np.hypot(band.base[:, 0] - x, band.base[:, 1] - y)
        i = int(np.argmin(near))
        if near[i] > 3.0 * abs(band.offsets[0]) + 4 * scale:
            continue
        offset = float((np.array([x, y]) - band.base[i]) @ band.normal[i])
        for j in range(max(i - 2, 0), min(i + 3, n)):
            cost[j] += 6.0 * ((band.offsets - offset) / (0.7 * scale)) ** 2
            pinned[j] = True
    for x, y in hints.avoid:
        distance = np.hypot(points[..., 0] - x, points[..., 1] - y)
        cost += 25.0 * np.clip(1.0 - distance / (8.0 * scale), 0, None)
    return cost, pinned


_DETOUR, _NEXT = 1.5, 40.0
"""A path between two hints wanders where it is this many times as long as straight across, and that at most so many
map px: a person who clicks twice so near together means what lies between.
"""


def without_detours(base: FloatArray, hints: Hints | None, scale: float) -> FloatArray:
    """A path (n, 2), photo px, led straight between hints that it takes a long way between though they are near."""
    if hints is None or len(hints.through) < 2:
        return base
    at = sorted({int(np.argmin(np.hypot(*(base - np.asarray(p)).T))) for p in hints.through}, reverse=True)
    for later, earlier in pairwise(at):
        straight = float(np.hypot(*(base[later] - base[earlier])))
        part = base[earlier : later + 1]
        long = float(np.hypot(*np.diff(part, axis=0).T).sum())
        if straight <= _NEXT * scale and long > _DETOUR * straight + 2.0 * scale:
            steps = max(2, round(straight / max(long / (len(part) - 1), 1e-6)) + 1)
            chord = base[earlier] + np.linspace(0.0, 1.0, steps)[:, None] * (base[later] - base[earlier])
            base = np.vstack([base[:earlier], chord, base[later + 1 :]])
    return base


def bend_to_hints(base: FloatArray, hints: Hints | None, scale: float) -> FloatArray:
    """Move a path so that it passes through the hints, falling back to itself beyond them."""
    if hints is None or not hints.through:
        return base
    places: list[tuple[int, FloatArray]] = []
    for x, y in hints.through:
        target = np.array([x, y])
        i = int(np.argmin(np.hypot(*(base - target).T)))
        places.append((i, target - base[i]))
    places.sort(key=lambda p: p[0])
    n = len(base)
    spacing = max(float(np.hypot(*np.diff(base, axis=0).T).mean()), 1e-6)
    knots: list[int] = []
    shifts: list[FloatArray] = []
    for i, shift in places:
        if knots and i <= knots[-1]:
            continue
        knots.append(i)
        shifts.append(shift)
    fade = [max(2.5 * float(np.hypot(*s)) / spacing, 6.0 * scale / spacing) for s in shifts]
    knots = [max(-1, round(knots[0] - fade[0])), *knots, min(n, round(knots[-1] + fade[-1]))]
    table = np.vstack([np.zeros(2), *shifts, np.zeros(2)])
    index = np.arange(n)
    moved = np.column_stack([np.interp(index, knots, table[:, 0]), np.interp(index, knots, table[:, 1])])
    return np.asarray(base + smooth_open(moved, 2.0))
