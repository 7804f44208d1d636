"""Stretches of a leg that a person marks as unfused or fused: laying the fusion boundary accordingly."""

from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import FloatArray, Point
from macrocheck.errors import InputError
from macrocheck.outline import SurfaceLine, WeldOutline
from macrocheck.review.curves import Curve, joined, nearest, spacing
from macrocheck.review.edits import Member
from macrocheck.review.hand import HandWeld, Span, curve_of, with_part

FUSED_DEPTH = 1.5
"""A stretch marked as fused lies at least this many fusion thresholds deep: the mark says no more than fused."""
_END_U = 2.0
"""A mark that ends within this many standard uncertainties of the toe or the root is meant to reach it."""


@dataclass(frozen=True, slots=True)
class _Leg:
    """One leg: `root` and unit vector `along` to the toe, `inward` into the member, `length` px."""

    root: FloatArray
    along: FloatArray
    inward: FloatArray
    length: float

    def station(self, points: FloatArray) -> FloatArray:
        return np.asarray((points - self.root) @ self.along)

    def depth(self, points: FloatArray) -> FloatArray:
        return np.asarray((points - self.root) @ self.inward)

    def at(self, station: FloatArray, depth: FloatArray) -> FloatArray:
        return np.asarray(self.root + station[:, None] * self.along + depth[:, None] * self.inward)


def surface_of(weld: WeldOutline, member: Member) -> SurfaceLine | None:
    """Return a member's surface."""
    return weld.surface_butting if member == "butting" else weld.surface_nonbutting


def nearer_member(weld: WeldOutline, points: FloatArray) -> Member:
    """Return the member whose surface lies nearer to `points` (n, 2)."""
    legs: dict[Member, float] = {}
    members: tuple[Member, ...] = ("butting", "nonbutting")
    for member in members:
        line = surface_of(weld, member)
        if line is not None:
            legs[member] = float(np.abs(line.signed_distance(points)).sum())
    if not legs:
        msg = "Neither member's surface is known here; draw the surfaces first."
        raise InputError(msg)
    return min(legs, key=lambda m: legs[m])


def marked(weld: WeldOutline, span: Span) -> tuple[Point, Point]:
    """Return the two ends of a span as feet on the member's surface, px."""
    leg = _leg(weld, span.member)
    ends = leg.station(np.asarray([span.start, span.end]))
    feet = leg.at(np.clip(ends, 0.0, leg.length), np.zeros(2))
    (a, b), (c, d) = feet.tolist()
    return (a, b), (c, d)


def laid(hand: HandWeld, span: Span, bare: FloatArray | None, threshold_px: float) -> HandWeld:
    """Return the weld with its fusion boundary laid as a span says.

    Unfused: onto the member's surface. Fused: where the solver sees the boundary when it lays nothing onto a
    surface (`bare`, (n, 2) px; None: nowhere), at least `FUSED_DEPTH` thresholds deep.
    """
    leg = _leg(hand.now, span.member)
    whole = curve_of(hand, "fusion")
    corner = nearest(whole.points, leg.root)
    corner = min(max(corner, 1), len(whole.points) - 2)
    toe_first = whole.part(0, corner + 1)
    rest = whole.part(corner + 1, len(whole.points))
    if span.member == "butting":
        toe_first, rest = whole.part(corner, len(whole.points)).reversed(), whole.part(0, corner).reversed()
    side = _side_laid(toe_first, leg, span, bare, threshold_px)
    new = joined(side, rest)
    return with_part(hand, "fusion", new if span.member == "nonbutting" else new.reversed(), click=span.u)


def _leg(weld: WeldOutline, member: Member) -> _Leg:
    line, root = surface_of(weld, member), weld.joint_root
    if weld.joint == "bead" or line is None or root is None:
        what = (
            "A bead has no legs" if weld.joint == "bead" else "The member's surface or the joint root is not known"
        )
        msg = f"{what}; a stretch cannot be marked there."
        raise InputError(msg)
    along = np.asarray(line.direction)
    toe = np.asarray(weld.toe_butting if member == "butting" else weld.toe_nonbutting)
    if (toe - np.asarray(root)) @ along < 0:
        along = -along
    inward = np.array([-along[1], along[0]])
    if (weld.face.mean(axis=0) - np.asarray(root)) @ inward > 0:
        inward = -inward
    return _Leg(np.asarray(root), along, inward, float((toe - np.asarray(root)) @ along))


def _side_laid(side: Curve, leg: _Leg, span: Span, bare: FloatArray | None, threshold_px: float) -> Curve:
    """Lay the stretch of one side of the boundary, which runs from the toe to the joint root."""
    low, high = sorted(leg.station(np.asarray([span.start, span.end])).tolist())
    to_root, to_toe = low < _END_U * span.u, high > leg.length - _END_U * span.u
    low, high = max(low, 0.0), min(high, leg.length)
    if high - low < 2.0:
        msg = "The stretch is too short, or lies beyond the leg; mark it along the member's surface."
        raise InputError(msg)
    station = leg.station(side.points)
    first = 0 if to_toe else int(np.argmax(station <= high)) if (station <= high).any() else len(station) - 1
    last = len(station) - 1 if to_root else int(np.flatnonzero(station >= low)[-1]) if (station >= low).any() else 0
    if last < first:
        first, last = last, first
    new = _stretch(leg, (low, high), span, bare, (threshold_px, spacing(side.points)))
    toe = [side.part(0, 1)] if to_toe else []
    head = side.part(0, first)
    corner = (
        [Curve(leg.root[None], np.array([span.u]), np.array([True]))] if to_root and span.state == "unfused" else []
    )
    tail = side.part(last + 1, len(side.points))
    parts = [p for p in (head, *toe, new, *corner, tail) if len(p.points)]
    return joined(*parts)


def _stretch(
    leg: _Leg, ends: tuple[float, float], span: Span, bare: FloatArray | None, sizes: tuple[float, float]
) -> Curve:
    threshold_px, step = sizes
    low, high = ends
    station = np.linspace(high, low, max(2, round((high - low) / step) + 1))
    hand = np.zeros(len(station), np.bool_)
    hand[[0, -1]] = True
    if span.state == "unfused":
        return Curve(leg.at(station, np.zeros(len(station))), np.full(len(station), span.u), hand)
    least = FUSED_DEPTH * threshold_px
    seen = np.zeros(len(station))
    if bare is not None and len(bare):
        s, d = leg.station(bare), leg.depth(bare)
        near = np.abs(s[None] - station[:, None]) < max(2 * step, 3.0)
        seen = np.where(near & (d[None] < 0.8 * leg.length), d[None], 0.0).max(axis=1)
    depth = np.maximum(seen, least)
    u = np.where(seen < least, np.hypot(span.u, 0.5 * least), span.u)
    return Curve(leg.at(station, depth), u, hand)
