"""Dragging what the section hangs on: joint root, toes, surfaces, the end of the unfused land."""

import numpy as np

from macrocheck.arrays import FloatArray, Point
from macrocheck.errors import InputError
from macrocheck.outline import SurfaceLine, WeldOutline
from macrocheck.outline_features import Part
from macrocheck.review.curves import Curve, with_end
from macrocheck.review.edits import Member
from macrocheck.review.hand import HandWeld, curve_of, line_between, with_part
from macrocheck.review.spans import surface_of

_FLATTEST = 0.2
"""Sine of the flattest angle at which a face still says where its toe is: 12 degrees, as for found toes."""
_ON_SURFACE_PX = 0.75
"""A vertex of the fusion boundary this near to a surface lies on it: unfused there."""


def with_toe(hand: HandWeld, member: Member, to: Point, u: float, *, free: bool) -> HandWeld:
    """Move a toe: the ends of face and fusion boundary go along. It keeps to the member's surface unless `free`.

    Of a bead, the butting toe is the start of the face, the nonbutting one its end.
    """
    weld = hand.now
    line = weld.surface_nonbutting if weld.joint == "bead" else surface_of(weld, member)
    at = to if free or line is None else _foot(line, to)
    other = weld.toe_nonbutting if member == "butting" else weld.toe_butting
    if np.hypot(at[0] - other[0], at[1] - other[1]) < 4.0:
        msg = "The two toes would lie on one spot; drag this one to where the face meets its own member."
        raise InputError(msg)
    at_start = member == "butting"
    face = _sure_along(with_end(curve_of(hand, "face"), at, u, at_start=at_start), line, u, at_start=at_start)
    fusion = with_end(curve_of(hand, "fusion"), at, u, at_start=not at_start)
    moved = with_part(hand, "face", face, click=u)
    return with_part(moved, "fusion", fusion, decided=False, click=u)


def _sure_along(face: Curve, line: SurfaceLine | None, u: float, *, at_start: bool) -> Curve:
    """Return the face with its end as sure along the member's surface as the click was.

    The toe's error is that of the face across itself over the sine of the angle between the two.
    """
    if line is None:
        return face
    toe, back = (0, min(6, len(face.points) - 1)) if at_start else (-1, max(-7, -len(face.points)))
    tangent = face.points[toe] - face.points[back]
    tangent = tangent / max(float(np.hypot(*tangent)), 1e-9)
    d = line.direction
    sine = max(abs(float(d[0] * tangent[1] - d[1] * tangent[0])), _FLATTEST)
    across = face.u.copy()
    across[toe] = u * sine
    return Curve(face.points, across, face.hand)


def _foot(line: SurfaceLine, to: Point) -> Point:
    d = np.asarray(line.direction)
    x, y = (np.asarray(line.point) + ((np.asarray(to) - line.point) @ d) * d).tolist()
    return x, y


def with_root(hand: HandWeld, to: Point, u: float) -> HandWeld:
    """Move the joint root: each surface turns about the middle of where it is seen, to meet there.

    A surface then rests on that click and on what is seen of it; stretches laid on it go along.
    """
    weld = hand.now
    if weld.joint == "bead" or weld.surface_butting is None or weld.surface_nonbutting is None:
        msg = "A joint root lies where two surfaces meet; draw both member surfaces first."
        raise InputError(msg)
    root = np.asarray(to, np.float64)
    parts: tuple[tuple[Part, SurfaceLine], ...] = (
        ("surface_butting", weld.surface_butting),
        ("surface_nonbutting", weld.surface_nonbutting),
    )
    for part, line in parts:
        middle = np.asarray(line.point)
        out = middle - root
        if out @ np.asarray(line.direction) < 0:  # seen on the root's other side only
            out = -out
        length = float(np.hypot(*out))
        if length < 5.0:
            msg = "The joint root cannot lie where the surface itself is seen; drag the surface's ends instead."
            raise InputError(msg)
        far = middle + out / length * max(line.length / 2, 0.0)
        if np.hypot(*(far - root)) < length:
            far = middle
        hand = with_surface(hand, part, np.vstack([root, far]), u)
    return hand


def with_surface(hand: HandWeld, part: Part, ends: FloatArray, u: float) -> HandWeld:
    """Lay a surface anew through two points, (2, 2) px, the root's side first; what lies on it goes along."""
    before: SurfaceLine | None = getattr(hand.now, part)
    line = line_between(ends)
    curve = Curve(np.asarray(ends, np.float64), np.full(2, u), np.ones(2, np.bool_))
    moved = with_part(hand, part, curve, click=u)
    if before is None or part == "surface_top":
        return moved
    old_root, new_root = hand.now.joint_root, moved.now.joint_root
    fusion = curve_of(moved, "fusion")
    on = np.abs(before.signed_distance(fusion.points)) < _ON_SURFACE_PX
    on[[0, -1]] = False
    if old_root is not None:  # what lies behind the joint root is penetration along the faying surface, not unfused
        on &= (fusion.points - np.asarray(old_root)) @ np.asarray(before.direction) > -_ON_SURFACE_PX
    if not on.any():
        return moved
    points = fusion.points.copy()
    points[on] = _same_station(points[on], before, line, old_root, new_root)
    return with_part(moved, "fusion", Curve(points, fusion.u, fusion.hand), decided=False, click=u)


def _same_station(
    points: FloatArray, before: SurfaceLine, after: SurfaceLine, old_root: Point | None, new_root: Point | None
) -> FloatArray:
    """Carry points on one line to another, as far from the joint root as they were."""
    d, e = np.asarray(before.direction), np.asarray(after.direction)
    if d @ e < 0:
        e = -e
    if old_root is None or new_root is None:
        return np.asarray(after.point + ((points - np.asarray(after.point)) @ e)[:, None] * e)
    return np.asarray(np.asarray(new_root) + ((points - np.asarray(old_root)) @ d)[:, None] * e)


def with_seam_end(hand: HandWeld, to: Point, u: float) -> HandWeld:
    """Move (or set) the far end of the unfused land; it keeps to the nonbutting member's surface."""
    weld: WeldOutline = hand.now
    if weld.joint == "bead" or weld.surface_nonbutting is None:
        msg = "An unfused land lies along the nonbutting member's surface; draw that surface first."
        raise InputError(msg)
    at = np.asarray([_foot(weld.surface_nonbutting, to)])
    return with_part(hand, "seam_end", Curve(at, np.full(1, u), np.ones(1, np.bool_)), click=u)
