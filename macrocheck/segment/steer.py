"""How hints steer a path: the face and the fusion boundary both follow them."""

from dataclasses import replace
from itertools import pairwise

import numpy as np

from macrocheck.arrays import BoolArray, FloatArray, Point
from macrocheck.segment.band import Band
from macrocheck.segment.chains import smooth_open
from macrocheck.segment.hints import CLICK, Hints
from macrocheck.segment.maps import BACKGROUND, RegionMaps

_OF_FACE = 0.5
"""A point this many times as far from the face as from the fusion boundary, or nearer, is meant for the face."""
_BEYOND = 4.0
"""Map px beyond the straight line from toe to toe, away from the boundary, from which a point is the face's."""
_ASTRAY = 12.0
"""Map px that the network's face is hardly ever off: in metal a point farther from it is meant for the boundary."""


def _parted(
    face: FloatArray, fusion: FloatArray, toes: tuple[Point, ...], reach: float
) -> tuple[tuple[FloatArray, int], tuple[FloatArray, int]]:
    """Points of face and fusion boundary as a person's toes part them, and how many of them are the lines' own.

    `face`: (n, 2) px from the butting toe; `fusion`: (m, 2) px to it; `reach`: px from a toe to a line it parts.
    What the boundary has beyond a toe is face, what the face has beyond it is the member's own surface.
    """
    beyond = []
    for toe in np.asarray(toes, np.float64).reshape(-1, 2):
        butting = float(np.hypot(*(face[0] - toe))) <= float(np.hypot(*(face[-1] - toe)))
        i, j = (int(np.argmin(np.hypot(*(line - toe).T))) for line in (face, fusion))
        if np.hypot(*(face[i] - toe)) < reach and (i < len(face) // 2) == butting:
            face = face[i:] if butting else face[: i + 1]
        if np.hypot(*(fusion[j] - toe)) < reach and (j >= len(fusion) // 2) == butting:
            beyond.append(fusion[j:] if butting else fusion[: j + 1])
            fusion = fusion[: j + 1] if butting else fusion[j:]
    return (np.vstack([face, *beyond]), len(face)), (fusion, len(fusion))


def split_hints(
    hints: Hints | None, maps: RegionMaps, face: FloatArray, fusion: FloatArray
) -> tuple[Hints | None, Hints | None]:
    """Hints for the fusion boundary and for the face: a `through` much nearer to the rough face is the face's.

    `face`, `fusion`: rough lines (n, 2), photo px. What is far from both is the face's where there is air, or where
    it lies beyond the straight line from toe to toe.
    """
    if hints is None or not hints.through:
        return hints, None

    # Near a toe, face and boundary are told apart only as seen from where it truly is.
    placed = Hints(through=hints.toes[:2])
    parted = _parted(face, fusion, hints.toes[:2], _ASTRAY * maps.scale)
    lines = [np.vstack([line, bend_to_hints(line[:n], placed, maps.scale)]) for line, n in parted]
    chord = face[-1] - face[0]
    normal = np.array([-chord[1], chord[0]]) / max(float(np.hypot(*chord)), 1e-9)
    normal *= -np.sign(np.median((fusion - face[0]) @ normal))

    def of_face(point: Point) -> bool:
        off = np.asarray(point) - face[0]
        if off @ normal > _BEYOND * maps.scale and 0.0 < off @ chord < chord @ chord:
            return True
        away = [float(np.hypot(*(line - np.asarray(point)).T).min()) for line in lines]
        if away[0] > _OF_FACE * away[1]:
            return False
        air = float(maps.sample(maps.regions[BACKGROUND], np.asarray([point]))[0])
        return away[0] <= _ASTRAY * maps.scale or air > 0.5

    mine = tuple(p for p in hints.through if of_face(p))
    if not mine:
        return hints, None
    others = tuple(p for p in hints.through if p not in mine)
    return replace(hints, through=others), Hints(through=mine)


_DRIFT, _REACH = 0.08, 40.0
"""Map px by which a click's standard error grows for each map px along the path, and as far as it says anything of
the path, where what is seen there contradicts it."""
_AT_ODDS = 1.5
"""Map px between a click and the best of what is seen at it from which they contradict each other."""


def hint_cost(band: Band, hints: Hints | None, scale: float, seen: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Extra cost (n, k) of hints, and the stations they fix; `seen` (n, k): the cost of what is seen.

    Where a click contradicts what is seen, what is seen beside it is as far off, and the less so the farther away.
    """
    n, k = len(band.base), len(band.offsets)
    cost = np.zeros((n, k))
    pinned = np.zeros(n, np.bool_)
    if hints is None:
        return cost, pinned
    points = band.points()
    at: dict[int, float] = {}
    for x, y in hints.through:
        near = np.hypot(band.base[:, 0] - x, band.base[:, 1] - y)
        i = int(np.argmin(near))
        if near[i] > 3.0 * abs(band.offsets[0]) + 4 * scale:
            continue
        offset = float((np.array([x, y]) - band.base[i]) @ band.normal[i])
        at[i] = offset
        for j in range(max(i - 2, 0), min(i + 3, n)):
            cost[j] += 6.0 * ((band.offsets - offset) / (CLICK * scale)) ** 2
            pinned[j] = True
    denied = [
        i for i, offset in at.items() if abs(band.offsets[int(np.argmin(seen[i]))] - offset) > _AT_ODDS * scale
    ]
    if denied:
        stations = np.arange(n)
        away = np.abs(stations[:, None] - np.array(denied)[None]).min(axis=1) * band.spacing / scale
        order = sorted(at)
        line = np.interp(stations, order, [at[i] for i in order])
        u = (CLICK + _DRIFT * away) * scale
        tie = 0.5 * ((band.offsets[None] - line[:, None]) / u[:, None]) ** 2
        cost += np.where((away < _REACH)[:, None], tie, 0.0)
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
