"""What a hand does to a curve: drag, add, take out, redraw, move an end. Pure: a curve and a move in, a curve out.

A curve that was found has a vertex every pixel or two. A drag therefore takes the neighbours along and fades; what
the hand set and what merely followed carry different uncertainties.
"""

from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import BoolArray, FloatArray, IntArray, Point
from macrocheck.errors import InputError

STRAIGHT_SHARE = 0.05
"""Standard uncertainty of the middle of a stretch drawn straight between two clicks, as a share of its length: a
bulge of a tenth of the length would go unseen at most. Common practice, no source."""

_END_SHARE = 0.6
"""An end may be moved back over this share of its curve; further it would be the other end."""
_BACK_SHARE = 0.25
"""At most this share of a curve is given up for a new end beyond its old one."""
_LEAST_REACH_PX, _MOST_REACH_PX = 4.0, 400.0
_HANDLES, _LEAST_HANDLE_PX, _MOST_HANDLE_PX = 18, 12.0, 60.0


@dataclass(frozen=True, eq=False)
class Curve:
    """`points` (n, 2) px, `u` (n,) standard uncertainty normal to the curve, px, `hand` (n,): set by a person."""

    points: FloatArray
    u: FloatArray
    hand: BoolArray

    @staticmethod
    def of(points: FloatArray, u: FloatArray | None = None, hand: BoolArray | None = None) -> "Curve":
        """Return a curve of `points`; no uncertainty and nothing set by hand where not given."""
        n = len(points)
        return Curve(
            np.asarray(points, np.float64),
            np.zeros(n) if u is None else np.asarray(u, np.float64),
            np.zeros(n, np.bool_) if hand is None else hand,
        )

    def reversed(self) -> "Curve":
        """Return the curve the other way round."""
        return Curve(self.points[::-1], self.u[::-1], self.hand[::-1])

    def part(self, start: int, end: int) -> "Curve":
        """Return the vertices from `start` to before `end`."""
        return Curve(self.points[start:end], self.u[start:end], self.hand[start:end])


def joined(*parts: Curve) -> Curve:
    """Return curves one after the other; a vertex twice on the same spot is kept once."""
    points = np.vstack([p.points for p in parts])
    keep = np.r_[True, np.any(np.diff(points, axis=0) != 0, axis=1)]
    u, hand = np.concatenate([p.u for p in parts]), np.concatenate([p.hand for p in parts])
    return Curve(points[keep], u[keep], hand[keep])


def stations(points: FloatArray) -> FloatArray:
    """Return the length along a curve at each vertex, (n,) px."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])


def nearest(points: FloatArray, to: Point | FloatArray) -> int:
    """Return the index of the vertex nearest to a point."""
    return int(np.argmin(np.hypot(*(points - np.asarray(to)).T)))


def spacing(points: FloatArray) -> float:
    """Return the median distance between vertices, px, at least a pixel."""
    return max(1.0, float(np.median(np.hypot(*np.diff(points, axis=0).T))))


def along(points: FloatArray, step: float) -> FloatArray:
    """Return a polyline resampled about every `step` px, its ends kept."""
    s = stations(points)
    count = max(2, round(float(s[-1]) / max(step, 1e-6)) + 1)
    at = np.linspace(0.0, float(s[-1]), count)
    return np.column_stack([np.interp(at, s, points[:, k]) for k in (0, 1)])


def handles(points: FloatArray, *, ring: bool) -> list[int]:
    """Return which vertices to show for grabbing: evenly along the curve, and where it bends sharply."""
    n = len(points)
    if n <= 8:
        return list(range(n))
    s = stations(points)
    step = float(np.clip(s[-1] / _HANDLES, _LEAST_HANDLE_PX, _MOST_HANDLE_PX))
    count = max(2, round(float(s[-1]) / step))
    even = np.searchsorted(s, np.linspace(0, s[-1], count + 1)[: count if ring else None])
    chosen = {0} if ring else {0, n - 1}
    for wanted in (sorted(_corners(points, s, step)), [min(int(i), n - 1) for i in even]):
        chosen |= {i for i in wanted if min(abs(s[i] - s[k]) for k in chosen) > 0.4 * step}
    return sorted(chosen)


def _corners(points: FloatArray, s: FloatArray, step: float) -> set[int]:
    """Where the direction changes by over 40 degrees within a step."""
    arm = 0.5 * step
    before = np.column_stack([np.interp(s - arm, s, points[:, k]) for k in (0, 1)])
    after = np.column_stack([np.interp(s + arm, s, points[:, k]) for k in (0, 1)])
    a, b = points - before, after - points
    turn = np.abs(np.arctan2(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], (a * b).sum(axis=1)))
    turn[(s < arm) | (s > s[-1] - arm)] = 0.0
    peak = turn > np.deg2rad(40)
    found: set[int] = set()
    i = 0
    while i < len(turn):
        if not peak[i]:
            i += 1
            continue
        j = i
        while j < len(turn) and peak[j]:
            j += 1
        found.add(i + int(np.argmax(turn[i:j])))
        i = j
    return found


def dragged(
    curve: Curve, index: int, to: Point, u_click: float, *, reach: float | None = None, ring: bool = False
) -> Curve:
    """Move vertex `index` to a point; neighbours within `reach` px along the curve follow and fade out.

    Ends of an open curve stay: they are moved with `with_end`. What follows part of the way is as unsure as the
    click, and by how far it might have followed otherwise.
    """
    n = len(curve.points)
    if not 0 <= index < n:
        msg = f"The curve has no vertex {index}; it has {n}."
        raise InputError(msg)
    reach = _reach(curve.points, index, reach, ring=ring)
    shift = np.asarray(to, np.float64) - curve.points[index]
    away = np.abs(_away(curve.points, index, ring=ring))
    weight = np.where(away < reach, 0.5 * (1 + np.cos(np.pi * np.minimum(away / reach, 1))), 0.0)
    if not ring:
        weight[[0, -1]] = 0.0
    weight[index] = 1.0
    moved = weight > 0.02
    loose = np.hypot(u_click, weight * (1 - weight) * float(np.hypot(*shift)))
    hand = curve.hand.copy()
    hand[index] = True
    points = np.where(moved[:, None], curve.points + weight[:, None] * shift, curve.points)
    points[index] = to
    return Curve(points, np.where(moved, loose, curve.u), hand)


def _reach(points: FloatArray, index: int, reach: float | None, *, ring: bool) -> float:
    if reach is not None:
        return float(np.clip(reach, _LEAST_REACH_PX, _MOST_REACH_PX))
    s = stations(points)
    shown = [i for i in handles(points, ring=ring) if i != index]
    return float(np.clip(min((abs(s[i] - s[index]) for i in shown), default=s[-1]), _LEAST_REACH_PX, s[-1]))


def _away(points: FloatArray, index: int, *, ring: bool) -> FloatArray:
    """Length along the curve from vertex `index` to every other."""
    s = stations(points)
    away = np.abs(s - s[index])
    if ring:
        whole = s[-1] + float(np.hypot(*(points[0] - points[-1])))
        away = np.minimum(away, whole - away)
    return np.asarray(away)


def with_vertex(curve: Curve, after: int, at: Point, u_click: float, *, ring: bool = False) -> Curve:
    """Put a vertex between `after` and the next one."""
    n = len(curve.points)
    if not 0 <= after < (n if ring else n - 1):
        msg = f"There is no stretch after vertex {after} to put a vertex in."
        raise InputError(msg)
    k = after + 1
    return Curve(
        np.insert(curve.points, k, at, axis=0),
        np.insert(curve.u, k, u_click),
        np.insert(curve.hand, k, values=True),
    )


def without_vertex(curve: Curve, index: int, u_click: float, *, reach: float = 0.0, ring: bool = False) -> Curve:
    """Take a vertex out, with those within `reach` px along the curve; the curve runs straight there."""
    n = len(curve.points)
    if not 0 <= index < n or (not ring and index in (0, n - 1)):
        msg = "The ends of a curve are the toes and cannot be taken out; move them instead."
        raise InputError(msg)
    drop = _away(curve.points, index, ring=ring) <= reach
    drop[index] = True
    if not ring:
        drop[[0, -1]] = False
    left = ~drop
    if int(left.sum()) < (3 if ring else 2):
        msg = "Too little of the curve would be left; remove it as a whole instead."
        raise InputError(msg)
    u = curve.u.copy()
    edges = np.flatnonzero(left & (np.roll(drop, 1) | np.roll(drop, -1)))
    length = float(np.hypot(*(curve.points[edges[-1]] - curve.points[edges[0]]))) if len(edges) > 1 else 0.0
    u[edges] = np.maximum(u[edges], np.hypot(u_click, STRAIGHT_SHARE * length))
    return Curve(curve.points[left], u[left], curve.hand[left])


def redrawn(curve: Curve, stroke: FloatArray, u_click: float, *, ring: bool = False) -> Curve:
    """Replace the stretch between the places nearest to a stroke's ends by the stroke; the ends of a curve stay."""
    drawn = along(np.asarray(stroke, np.float64).reshape(-1, 2), max(2.0, spacing(curve.points)))
    if float(stations(drawn)[-1]) < 2.0:
        msg = "The stroke is too short; draw along the stretch that is wrong."
        raise InputError(msg)
    i, j = nearest(curve.points, drawn[0]), nearest(curve.points, drawn[-1])
    if ring:
        return _ring_redrawn(curve, drawn, (i, j), u_click)
    if i > j:
        i, j, drawn = j, i, drawn[::-1]
    if i == j:
        msg = "The stroke begins and ends at the same place of the curve; draw along the stretch that is wrong."
        raise InputError(msg)
    new = _by_hand(drawn, u_click)
    head, tail = curve.part(0, max(i, 1)), curve.part(min(j + 1, len(curve.points) - 1), len(curve.points))
    return joined(head, new, tail)


def _by_hand(points: FloatArray, u: float) -> Curve:
    return Curve(points, np.full(len(points), u), np.ones(len(points), np.bool_))


def _ring_redrawn(curve: Curve, drawn: FloatArray, ends: tuple[int, int], u_click: float) -> Curve:
    """Of the two ways round a ring, the stroke takes the place of the one it lies nearer to."""
    n = len(curve.points)
    i, j = ends
    order = np.roll(np.arange(n), -i)
    k = (j - i) % n
    one, other = curve.points[order[: k + 1]], curve.points[order[k:]]

    def gap(part: FloatArray) -> float:
        return float(np.mean([np.hypot(*(drawn - p).T).min() for p in part]))

    new = _by_hand(drawn, u_click)
    keep, new = (order[k + 1 :], new) if gap(one) <= gap(other) else (order[1:k], new.reversed())
    if len(keep) + len(new.points) < 3:
        msg = "Too little of the ring would be left; draw it anew."
        raise InputError(msg)
    return joined(new, _taken(curve, keep))


def _taken(curve: Curve, index: IntArray) -> Curve:
    return Curve(curve.points[index], curve.u[index], curve.hand[index])


def with_end(curve: Curve, to: Point, u_click: float, *, at_start: bool) -> Curve:
    """Move one end of an open curve: back along it, on past it, or aside.

    Moved back, the curve is cut where it passes the point and led into it; moved on, it goes straight there from as
    far before its old end, for what was found about a wrong end was wrong too.
    """
    if not at_start:
        return with_end(curve.reversed(), to, u_click, at_start=True).reversed()
    points, target = curve.points, np.asarray(to, np.float64)
    if np.array_equal(points[0], target):
        return curve
    s = stations(points)
    within = int(np.searchsorted(s, _END_SHARE * s[-1], side="right"))
    foot = nearest(points[: max(within, 1)], target)
    end = _by_hand(target[None], u_click)
    step = spacing(points)
    shift = target - points[foot]
    off = float(np.hypot(*shift))
    outward = points[0] - points[min(nearest_at(s, 6 * step), len(points) - 1)]
    outward /= max(float(np.hypot(*outward)), 1e-9)
    if foot == 0 and float(shift @ outward) > 0.5 * off and off > 2 * step:
        back = min(nearest_at(s, min(off, _BACK_SHARE * float(s[-1]))), len(points) - 2)
        straight = along(np.vstack([target, points[back]]), step)[1:-1]
        length = float(np.hypot(*(points[back] - target)))
        bulge = STRAIGHT_SHARE * length * np.sin(np.linspace(0, np.pi, len(straight) + 2)[1:-1])
        return joined(end, Curve.of(straight, np.hypot(u_click, bulge)), curve.part(back, len(points)))
    rest = curve.part(foot, len(points))
    t = stations(rest.points)
    reach = max(3.0 * off, 4.0 * step)
    weight = np.where(t < reach, 0.5 * (1 + np.cos(np.pi * np.minimum(t / reach, 1))), 0.0)
    weight[-1] = 0.0
    loose = np.hypot(u_click, weight * (1 - weight) * off)
    bent = Curve(
        rest.points + weight[:, None] * shift, np.where(weight > 0.02, np.maximum(loose, rest.u), rest.u), rest.hand
    )
    return (
        joined(end, bent.part(1, len(bent.points)))
        if len(bent.points) > 2
        else joined(end, rest.part(len(rest.points) - 1, len(rest.points)))
    )


def nearest_at(s: FloatArray, length: float) -> int:
    """Return the first vertex at least `length` px along."""
    return int(np.searchsorted(s, length))


def spliced(now: Curve, before: FloatArray, new: Curve, at: Point) -> Curve:
    """Take over from `new` the stretch about `at` in which it differs from `before`; the rest stays as it is `now`.

    `before` and `new`: the solver's curves without and with a point to pass, the same way round as `now`.
    """
    moved = np.array([float(np.hypot(*(before - p).T).min()) for p in new.points]) > 0.7
    k = nearest(new.points, at)
    moved[k] = True
    i, j = k, k
    gap = 4  # a path may touch the old one for a few px between two stretches that belong together
    while i > 0 and moved[max(i - gap, 0) : i].any():
        i -= 1
    while j < len(moved) - 1 and moved[j + 1 : j + 1 + gap].any():
        j += 1
    a, b = nearest(now.points, new.points[i]), nearest(now.points, new.points[j])
    if a > b:
        a, b = b, a
    last = len(now.points)
    return joined(now.part(0, max(a, 1)), new.part(i, j + 1), now.part(min(b + 1, last - 1), last))


def replaced(curve: Curve, first: int, last: int, new: Curve) -> Curve:
    """Put `new` in the place of the vertices `first` to `last`."""
    parts = [curve.part(0, first), new, curve.part(last + 1, len(curve.points))]
    return joined(*(p for p in parts if len(p.points)))
