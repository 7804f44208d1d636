"""What is doubtful about an outline, as flags with a place; whatever is flagged has been widened or is withheld."""

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, Float32Array, FloatArray, Point
from macrocheck.flags import Flag
from macrocheck.outline import Joint
from macrocheck.quantities import QUANTITIES
from macrocheck.segment.boundary import Boundary
from macrocheck.segment.chains import stretches
from macrocheck.segment.hints import CLICK
from macrocheck.segment.layout import Layout
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import BACKGROUND, BUTTING, NONBUTTING, WELD, RegionMaps
from macrocheck.segment.surfaces import Surfaces
from macrocheck.segment.toes import Toe
from macrocheck.segment.voids import Voids

_SOFT = 3.0
"""Map px of spread in the network's own statement from which a stretch counts as hardly visible."""
_RIVAL = 0.25
"""Share of the network's statement elsewhere from which a second outline counts as nearly as good."""
_STRETCH = 0.04
"""Part of the boundary's length a doubtful stretch must take up to be worth a flag."""
_SHORT = 0.3
"""A surface seen for less than this part of its leg is short."""
_TOE = 0.05
"""A toe less sure than this part of its leg is unsure."""
_UNTOLD = 0.5
"""Margin between the two ends below which the members could not be told apart."""


_UNCLEAR_AROUND, _UNCLEAR_INSIDE = 0.25, 0.016
"""Share of the ring around the weld where no region leads, and mean doubt inside it, from which nothing is told.

On rendered sections (fair, grain, hard) outlines off by more than 0.05 of the weld's size start at about a fifth
of these values; the sound ones mostly stay under a tenth of them.
"""
_UNCLEAR_FROM = 0.2
_ASTRAY, _ASTRAY_FROM = (6.0, 4.0), (0.0004, 0.0012)
"""Of fusion boundary and face: standard error, as a part of the weld's size, for each part by which their
`doubtful_shares` are over the second numbers (fitted to 52 rendered welds, hard and mostly unclear)."""
_RAMP = 3.0
"""Map px to either side of a border over which it may be blurred and still be sure."""
_FACELESS = 0.025
"""Doubtful share of the face from which nothing is measured that rests on it."""
_FACE_KEYS: tuple[str, ...] = (
    *("leg", "size", "theoretical_throat", "convexity", "concavity", "face_width", "toe_angle", "undercut"),
    *("dihedral_angle", "root_gap", "bead_width", "reinforcement_height"),
)
"""How the keys begin of what rests on the face and the members' surfaces, and not on the fusion boundary."""


def unclear(maps: RegionMaps, layout: Layout, photo_size: tuple[int, int]) -> float:
    """How unclear the network is about what is weld, member and air here: 0 sure, 1 nothing can be told."""
    r = maps.regions
    leading = np.maximum(np.maximum(r[BACKGROUND], r[WELD]), r[BUTTING] + r[NONBUTTING])
    away = cv2.distanceTransform(1 - layout.weld, cv2.DIST_L2, 3)
    ring = (away > 3.0) & (away < 0.25 * float(np.sqrt(layout.weld.sum())))
    ys, xs = np.nonzero(ring)
    at = maps.photo_points(np.column_stack([xs, ys]).astype(np.float64))
    seen = (at >= 0).all(axis=1) & (at[:, 0] < photo_size[0]) & (at[:, 1] < photo_size[1])
    around = float((leading[ys[seen], xs[seen]] < 0.8).mean()) if seen.any() else 1.0
    # The border's own ramp is no doubt about what the region is.
    deep = cv2.distanceTransform(layout.weld, cv2.DIST_L2, 3) > 3.0
    inside = float(1 - r[WELD][deep].mean()) if deep.any() else 0.0
    return min(1.0, max(around / _UNCLEAR_AROUND, inside / _UNCLEAR_INSIDE))


def doubtful_shares(maps: RegionMaps, layout: Layout) -> tuple[float, float]:
    """Area that the network may have on the wrong side of the weld's outline, and of its face: by its own word.

    As a part of the length of each and of the weld's width: about what either may be off by, as a part of that. The
    borders' own ramps do not count; how wide they are is in the outline's own uncertainty.
    """
    width = float(np.sqrt(layout.weld.sum()))
    away = cv2.distanceTransform(1 - layout.weld, cv2.DIST_L2, 3)
    around = float(((away > 0) & (away < 1.6)).sum())
    outline = _doubtful(maps.regions[WELD], away < 0.35 * width) / max(around * width, 1.0)
    air = maps.regions[BACKGROUND]
    at = np.rint(layout.face).astype(np.intp)
    at = at[((at >= 0) & (at < (air.shape[1], air.shape[0]))).all(axis=1)]
    off_face = np.ones(air.shape, np.uint8)
    off_face[at[:, 1], at[:, 0]] = 0
    near = cv2.distanceTransform(off_face, cv2.DIST_L2, 3) < 0.2 * width
    return outline, _doubtful(air, near) / max(len(at) * width, 1.0)


def _doubtful(p: Float32Array, where: BoolArray) -> float:
    """Map px of `where` that lie on the wrong side by their own probability `p`, without the border's ramp."""
    inside = (p > 0.5).astype(np.uint8)
    deep = cv2.distanceTransform(inside, cv2.DIST_L2, 3) + cv2.distanceTransform(1 - inside, cv2.DIST_L2, 3) > _RAMP
    return float(np.minimum(p, 1 - p)[where & deep].sum())


def widening(shares: tuple[float, float], size_px: float) -> tuple[float, float]:
    """Standard uncertainty, px, that `shares` (see `doubtful_shares`) add to fusion boundary and face."""
    fusion, face = (
        times * max(share - least, 0.0) * size_px
        for times, share, least in zip(_ASTRAY, shares, _ASTRAY_FROM, strict=True)
    )
    return fusion, face


_DRIFT, _TOLD = 0.25, 40.0
"""Map px by which a click's standard error grows with each map px from it, and as far as it says anything of what
the network doubts.

Fitted to how far the outlines of 70 rendered sections, hard, lay off the true ones beside right hints.
"""


def settled_u(points: FloatArray, u: FloatArray, doubt: float, placed: FloatArray, scale: float) -> FloatArray:
    """`u` (n,) px of an outline (n, 2), with what the network's doubt (px) adds; less near points a person placed.

    `placed`: (k, 2) px. `scale`: photo px in a map px.
    """
    if not len(placed):
        return np.asarray(np.hypot(u, doubt))
    away = np.hypot(*(points[:, None] - placed[None]).transpose(2, 0, 1)).min(axis=1) / scale
    near = np.hypot(CLICK, _DRIFT * away) * scale
    return np.asarray(np.hypot(np.minimum(u, near), doubt * np.minimum(away / _TOLD, 1.0)))


_THROATS = ("actual_throat", "effective_throat")


def withheld(layout: Layout, *, joint: Joint, doubt: float, face: float) -> dict[str, str]:
    """Quantities that the doubts rule out, with the reason; `face`: the doubtful share of the face."""
    reasons: dict[str, str] = {}
    if doubt >= 1.0:
        reason = "the picture is too unclear here to tell weld, members and background apart"
        clear = _FACE_KEYS if face < _FACELESS else ()
        reasons = {q.key: reason for q in QUANTITIES if not q.key.startswith(clear)}
    if joint == "tee" and layout.member_margin < _UNTOLD:
        reason = "which member is the butting one could not be told"
        own = ("size_unequal", "root_penetration", "root_shortfall", "unfused_land", *_THROATS)
        keys = [q.key for q in QUANTITIES if q.key.endswith(("_butting", "_nonbutting")) or q.key in own]
        reasons = dict.fromkeys(keys, reason) | reasons
    return reasons


def point(p: FloatArray) -> Point:
    """A flag's place."""
    return float(p[0]), float(p[1])


def _places(points: FloatArray, run: tuple[int, int]) -> tuple[Point, ...]:
    i, j = run
    return tuple(point(points[k]) for k in (i, (i + j) // 2, j - 1))


def _of_surface(name: str, line: Line | None, leg: float, toe: FloatArray, *, from_seam: bool) -> list[Flag]:
    if line is None:
        text = f"No straight original surface of the {name} member was found near the toe."
        return [Flag("surface_missing", text, (point(toe),))]
    flags = []
    if line.length < _SHORT * leg and line.length > 0:
        what = "under the weld" if from_seam else "beyond the toe"
        text = (
            f"Only {100 * line.length / max(leg, 1):.0f} % of a leg of the {name} member's surface is seen {what}."
        )
        flags.append(Flag("surface_short", text, (point(line.point),)))
    if line.bend > max(1.2, 0.004 * line.length):
        text = f"The {name} member's surface bends by {line.bend:.1f} px over the stretch it was fitted to."
        flags.append(Flag("surface_bent", text, (point(line.point),)))
    return flags


def unanswered(on: BoolArray, pinned: BoolArray) -> BoolArray:
    """The doubtful points (n,), about a map px apart, without those near one that a person set on their stretch."""
    out = on & ~pinned
    reach = int(_TOLD)
    for i, j in stretches(on, 1):
        for k in np.flatnonzero(pinned[i:j]) + i:
            out[max(i, k - reach) : min(j, k + reach + 1)] = False
    return out


def _of_boundary(boundary: Boundary) -> list[Flag]:
    points = boundary.points
    shortest = max(6, int(_STRETCH * len(points)))
    rivalled = boundary.rival > _RIVAL
    rival = stretches(unanswered(rivalled, boundary.pinned), shortest)
    soft = stretches(unanswered((boundary.spread > _SOFT) & ~rivalled, boundary.pinned), shortest)
    flags = []
    if rival:
        text = "Another line is nearly as good a fusion boundary on this stretch."
        flags.append(Flag("second_boundary", text, sum((_places(points, r) for r in rival[:3]), ())))
    if soft:
        text = "The fusion boundary is hardly visible on this stretch."
        flags.append(Flag("low_contrast", text, sum((_places(points, r) for r in soft[:3]), ())))
    return flags


def _of_voids(voids: Voids, root: FloatArray | None, near: float) -> list[Flag]:
    flags = []
    at_root = [] if root is None else [v for v in voids.rings if float(np.hypot(*(v - root).T).min()) < near]
    if at_root:
        flags.append(Flag("void_at_root", "There is a void at the root.", (point(at_root[0].mean(axis=0)),)))
    if voids.unsure:
        text = "Whether there is a void here could not be told with confidence."
        flags.append(Flag("void_unsure", text, tuple(point(middle) for middle in voids.unsure)))
    return flags


def find_doubts(
    maps: RegionMaps,
    layout: Layout,
    surfaces: Surfaces,
    boundary: Boundary,
    toes: tuple[Toe, Toe],
    *,
    joint: Joint,
    root: FloatArray | None,
    voids: Voids,
    doubt: float,
    indications: tuple[FloatArray, ...],
    mm_per_px: float | None,
    settled: tuple[bool, bool] = (False, False),
) -> tuple[Flag, ...]:
    """Collect the flags of one weld; `doubt` as `unclear` gives it.

    `settled`: whether a person has said where the butting and the nonbutting member's surface lies.
    """
    flags: list[Flag] = []
    if doubt > _UNCLEAR_FROM:
        text = "Weld metal, members and background are hard to tell apart here."
        flags.append(Flag("regions_unsure", text, (point(maps.photo_points(np.array([layout.centre]))[0]),)))
    chord = float(np.hypot(*(toes[0].point - toes[1].point)))
    legs = [chord * 0.7 if root is None else float(np.hypot(*(t.point - root))) for t in toes]
    sides = [("nonbutting", surfaces.nonbutting, legs[1], toes[1], False, settled[1])]
    if joint != "bead":
        sides.insert(0, ("butting", surfaces.butting, legs[0], toes[0], surfaces.from_seam, settled[0]))
    for name, line, leg, toe, from_seam, said in sides:
        if line is None or not said:
            flags += _of_surface(name, line, leg, toe.point, from_seam=from_seam)
    names = ("left", "right") if joint == "bead" else ("butting", "nonbutting")
    for name, toe, leg, whole in zip(
        names, toes, legs, (layout.complete_butting, layout.complete_nonbutting), strict=True
    ):
        if not whole:
            text = f"The weld runs out of the picture before its {name} toe."
            flags.append(Flag("touches_edge", text, (point(toe.point),)))
        elif toe.u > _TOE * leg or not toe.agrees:
            text = f"The {name} toe is not clearly visible (within {2 * toe.u:.0f} px)."
            flags.append(Flag("toe_unsure", text, (point(toe.point),)))
    flags += _of_boundary(boundary)
    if joint != "bead" and layout.member_margin < _UNTOLD:
        text = "Which member is the butting one could not be told with confidence."
        flags.append(Flag("member_unsure", text, tuple(point(t.point) for t in toes)))
    if layout.second_part is not None:
        place = maps.photo_points(np.array([layout.second_part]))[0]
        text = "Another part of weld metal lies beside this one and was left out."
        flags.append(Flag("weld_in_parts", text, (point(place),)))
    flags += _of_voids(voids, root, 0.12 * min(legs))
    for mark in indications:
        length = float(np.hypot(*np.diff(mark, axis=0).T).sum())
        long = f"{length:.0f} px" if mm_per_px is None else f"{length * mm_per_px:.1f} mm"
        text = f"Look here: possible crack or seam, {long} long."
        flags.append(Flag("indication", text, (point(mark[0]), point(mark[-1]))))
    return tuple(flags)
