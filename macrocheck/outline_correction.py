"""One weld out of the features of an outline file, made good where a person's editing left it loose."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import cast, get_args

import numpy as np

from macrocheck.arrays import FloatArray, Point, frozen
from macrocheck.flags import Flag
from macrocheck.outline import Joint, SurfaceLine, WeldOutline
from macrocheck.outline_features import (
    DIGEST_DECIMALS,
    MANY,
    Feature,
    Part,
    flag_or,
    is_number,
    listed,
    number_or,
    read_flags,
    refuse,
    weld_digest,
)

CORRECTED = "corrected_by_hand"

CLICK_U_PX = 1.5
"""Standard uncertainty of a point that a person set, px, normal to the line. Common practice, no source."""

_LEAST_JOIN_PX, _JOIN_SHARE = 5.0, 1 / 400
"""Ends that lie at most this far apart are taken as one point: px, and as a share of the picture's longer side."""

_OUTSIDE_SHARE = 0.1
"""How far outside the picture a part may lie, as a share of the longer side, before it must be another photo's."""

_EDGE_PX = 1.5
"""A toe this near to the picture's edge is taken as lying outside it."""

_DRAWN_HALF_PX = 20.0
"""Half the length to which a surface line is drawn where it was fitted to less, px."""

_LEAST_AREA_PX2 = 4.0
_LEAST_LINE_PX = 5.0

ANSWERED: dict[str, frozenset[str]] = {
    "face": frozenset({"toe_unsure"}),
    "fusion": frozenset({"low_contrast", "second_boundary", "weld_in_parts", "toe_unsure"}),
    "surface_butting": frozenset({"surface_short", "surface_bent", "surface_missing"}),
    "surface_nonbutting": frozenset({"surface_short", "surface_bent", "surface_missing"}),
}
"""Doubts about where a part lies, which a person who moved that part has answered; the others stay."""


def line_ends(line: SurfaceLine) -> FloatArray:
    """Return the two points, (2, 2) px, between which a surface line is drawn, the root side first."""
    half = max(line.length / 2, _DRAWN_HALF_PX)
    point, direction = np.asarray(line.point), np.asarray(line.direction)
    return np.vstack([point - half * direction, point + half * direction])


@dataclass(frozen=True, slots=True)
class _Curve:
    """A curve with the standard uncertainty of each vertex, and which vertices a person set."""

    points: FloatArray
    u: FloatArray
    moved: tuple[bool, ...]

    def reversed(self) -> "_Curve":
        return _Curve(self.points[::-1], self.u[::-1], self.moved[::-1])


def read_weld(
    features: Sequence[Feature], *, width: int, height: int, joint: Joint | None
) -> tuple[WeldOutline, bool]:
    """Return one weld from its features, and whether a person changed or drew it since it was found.

    Unchanged, it comes back exactly. Changed: vertices that stand where they were found keep their uncertainty,
    the others get `CLICK_U_PX`; ends of face and fusion boundary a few pixels apart are joined (to the one that was
    moved, or half way); lines drawn the other way round are turned; a surface line is fitted to its points; doubts
    that the change answers are dropped with what they withheld, and the flag `corrected_by_hand` is set.
    Raises InputError naming the feature and the fault.
    """
    one, many = _sorted(features)
    face = one["face"]
    for feature in features:
        if not feature.part.startswith("surface"):
            _check_place(feature, width, height)
    kind = _joint(face, joint)
    complete = (flag_or(face, "complete_butting", True), flag_or(face, "complete_nonbutting", True))
    by_hand = face.properties.get("found_weld") != weld_digest(
        [f.digest for f in features], joint=kind, complete=complete
    )
    surfaces: dict[str, SurfaceLine | None] = {
        part: _surface(one.get(part)) for part in ("surface_butting", "surface_nonbutting", "surface_top")
    }
    face_curve, fusion_curve = _curve(face), _curve(one["fusion"])
    if by_hand:
        face_curve, fusion_curve = _joined(face_curve, fusion_curve, surfaces, face, max(width, height))
    gap = listed(face.properties.get("gap_px"))
    if gap is not None and not (len(gap) == 2 and all(is_number(v) and v >= 0 for v in gap)):
        refuse(f"{face.label} has gap_px {gap!r}, which must be two numbers: the gap and its uncertainty")
    seam = one.get("seam_end")
    hazes = [one.get("haz_butting"), one.get("haz_nonbutting")]
    weld = WeldOutline(
        joint=kind,
        surface_butting=surfaces["surface_butting"],
        surface_nonbutting=surfaces["surface_nonbutting"],
        surface_top=surfaces["surface_top"],
        face=frozen(face_curve.points),
        fusion=frozen(fusion_curve.points),
        u_face=frozen(face_curve.u),
        u_fusion=frozen(fusion_curve.u),
        correlation_px=number_or(face, "correlation_px", _spacing(fusion_curve.points)),
        complete_butting=complete[0],
        complete_nonbutting=complete[1],
        voids=tuple(f.points for f in many["void"]),
        u_voids=_u_voids(face, many["void"]),
        haz_butting=_points(hazes[0]),
        haz_nonbutting=_points(hazes[1]),
        u_haz=number_or(face, "u_haz_px", CLICK_U_PX if any(hazes) else 0.0),
        seam_end=None if seam is None else _first(seam.points),
        u_seam_end=0.0 if seam is None else CLICK_U_PX if seam.changed else number_or(face, "u_seam_end_px", 0.0),
        gap_px=None if gap is None else (float(gap[0]), float(gap[1])),
        indications=tuple(f.points for f in many["indication"]),
        groove_butting=_points(one.get("groove_butting")),
        groove_nonbutting=_points(one.get("groove_nonbutting")),
        flags=read_flags(face.properties.get("flags"), face.label),
        withheld=_withheld(face),
    )
    return (_corrected(weld, features, width, height), True) if by_hand else (weld, False)


def _u_voids(face: Feature, voids: Sequence[Feature]) -> tuple[float, float]:
    """Return the doubt about voids, none where a person changed, added or removed one."""
    kept = listed(face.properties.get("u_voids_px", [0.0, 0.0, len(voids)]))
    if kept is None or len(kept) != 3 or not all(is_number(v) and v >= 0 for v in kept):
        refuse(f"{face.label} has u_voids_px {kept!r}, which must be three numbers: px, px^2 and how many voids")
    if kept[2] != len(voids) or any(f.changed for f in voids):
        return 0.0, 0.0
    return float(kept[0]), float(kept[1])


def _sorted(features: Sequence[Feature]) -> tuple[dict[Part, Feature], dict[Part, list[Feature]]]:
    one: dict[Part, Feature] = {}
    many: dict[Part, list[Feature]] = {part: [] for part in MANY}
    for feature in features:
        if feature.part in MANY:
            many[feature.part].append(feature)
        elif feature.part in one:
            refuse(f"{feature.label} is there twice (also {one[feature.part].label}); delete one")
        else:
            one[feature.part] = feature
    needed: tuple[Part, Part] = ("face", "fusion")
    for part in needed:
        if part not in one:
            refuse(f"weld {features[0].weld} has no {part}; draw it as a LineString from toe to toe")
    return one, many


def _joint(face: Feature, joint: Joint | None) -> Joint:
    named = face.properties.get("joint", joint)
    if named is None:
        refuse(f"{face.label} names no joint; add joint tee, lap or bead")
    if named not in get_args(Joint):
        refuse(f"{face.label} has the unknown joint {named!r}; use tee, lap or bead")
    return cast("Joint", named)


def _check_place(feature: Feature, width: int, height: int) -> None:
    margin = _OUTSIDE_SHARE * max(width, height)
    low, high = feature.points.min(axis=0), feature.points.max(axis=0)
    if (low < -margin).any() or high[0] > width + margin or high[1] > height + margin:
        x, y = feature.points[int(np.argmax(np.abs(feature.points - (width / 2, height / 2)).max(axis=1)))]
        refuse(f"{feature.label} reaches to {x:.0f},{y:.0f}, outside the photo of {width} x {height} px")


def _curve(feature: Feature) -> _Curve:
    points = feature.points
    rows = listed(feature.properties.get("u_at")) or []
    for row in rows:
        if not (isinstance(row, list) and len(row) == 3 and all(is_number(v) for v in row) and row[2] >= 0):
            refuse(f"{feature.label} has the entry {str(row)[:40]} in u_at, which must be three numbers x, y, u")
    if len(rows) == len(points) and not feature.changed:
        return _Curve(points, frozen([row[2] for row in rows]), (False,) * len(points))
    known = {_key(row): float(row[2]) for row in rows}
    found = [known.get(_key(p)) for p in points.tolist()]
    u = np.array([CLICK_U_PX if v is None else v for v in found])
    # A vertex set twice on the same spot has no direction.
    keep = np.r_[True, np.any(np.diff(points, axis=0) != 0, axis=1)]
    moved = tuple(v is None for v, k in zip(found, keep, strict=True) if k)
    if int(keep.sum()) < 2:
        refuse(f"{feature.label} has all its points on one spot")
    return _Curve(points[keep], u[keep], moved)


def _key(row: Sequence[float]) -> tuple[float, float]:
    return round(row[0], DIGEST_DECIMALS), round(row[1], DIGEST_DECIMALS)


def _surface(feature: Feature | None) -> SurfaceLine | None:
    if feature is None:
        return None
    if not feature.changed:
        stated = _stated_line(feature)
        if stated is not None:
            return stated
    points = feature.points
    centre = points.mean(axis=0)
    along = np.linalg.svd(points - centre, full_matrices=False)[2][0]
    if along @ (points[-1] - points[0]) < 0:
        along = -along
    stations = (points - centre) @ along
    length = float(np.ptp(stations))
    if length < _LEAST_LINE_PX:
        refuse(f"{feature.label} is only {length:.1f} px long; draw it along the member's surface")
    return SurfaceLine(
        point=_first(centre[None]),
        direction=_first(along[None]),
        u_offset=CLICK_U_PX / math.sqrt(len(points)),
        u_angle=CLICK_U_PX / float(np.sqrt(np.sum(stations**2))),  # of a line fitted to clicks (least squares)
        length=length,
    )


def _stated_line(feature: Feature) -> SurfaceLine | None:
    """Return the line exactly as it was found, where its properties say so and it still lies there."""
    point, direction = (listed(feature.properties.get(k)) for k in ("point", "direction"))
    if point is None or direction is None or not all(len(v) == 2 for v in (point, direction)):
        return None
    if not all(is_number(v) for v in (*point, *direction)):
        return None
    line = SurfaceLine(
        point=(float(point[0]), float(point[1])),
        direction=(float(direction[0]), float(direction[1])),
        u_offset=number_or(feature, "u_offset_px", CLICK_U_PX),
        u_angle=number_or(feature, "u_angle_rad", 0.0),
        length=number_or(feature, "length_px", 0.0),
    )
    ends = line_ends(line)
    same = ends.shape == feature.points.shape and np.allclose(ends, feature.points, rtol=0, atol=0.02)
    return line if same and "u_angle_rad" in feature.properties else None


def _joined(
    face: _Curve, fusion: _Curve, surfaces: dict[str, SurfaceLine | None], feature: Feature, side: int
) -> tuple[_Curve, _Curve]:
    """Turn face and fusion boundary the right way round and let their ends meet."""
    if _starts_at_nonbutting(face, surfaces):
        face = face.reversed()
    if _gap(face, fusion.reversed()) < _gap(face, fusion):
        fusion = fusion.reversed()
    most = max(_LEAST_JOIN_PX, _JOIN_SHARE * side)
    face, fusion = _meet(face, -1, fusion, 0, most, f"at the nonbutting member's toe of weld {feature.weld}")
    face, fusion = _meet(face, 0, fusion, -1, most, f"at the butting member's toe of weld {feature.weld}")
    ring = np.vstack([face.points, fusion.points[1:-1]])
    x, y = ring[:, 0], ring[:, 1]
    if abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2 < _LEAST_AREA_PX2:
        refuse(f"{feature.label} and its fusion enclose no weld metal")
    return face, fusion


def _starts_at_nonbutting(face: _Curve, surfaces: dict[str, SurfaceLine | None]) -> bool:
    butting, nonbutting = surfaces["surface_butting"], surfaces["surface_nonbutting"]
    if butting is None or nonbutting is None:
        return False
    ends = face.points[[0, -1]]
    off_butting, off_nonbutting = (np.abs(s.signed_distance(ends)) for s in (butting, nonbutting))
    return bool(off_butting[1] + off_nonbutting[0] < off_butting[0] + off_nonbutting[1])


def _gap(face: _Curve, fusion: _Curve) -> float:
    ends = face.points[[-1, 0]] - fusion.points[[0, -1]]
    return float(np.hypot(ends[:, 0], ends[:, 1]).sum())


def _meet(a: _Curve, i: int, b: _Curve, j: int, most: float, where: str) -> tuple[_Curve, _Curve]:
    """Let end `i` of `a` and end `j` of `b` be one point: the one that was moved, or half way between the two."""
    p, q = a.points[i], b.points[j]
    distance = float(np.hypot(*(p - q)))
    if distance == 0:
        return a, b
    if distance > most:
        refuse(
            f"{where} the face ends {distance:.0f} px from the fusion boundary (at {p[0]:.0f},{p[1]:.0f} and "
            f"{q[0]:.0f},{q[1]:.0f}); move both ends to the toe"
        )
    share = 0.5 if a.moved[i] == b.moved[j] else float(b.moved[j])
    toe = p + share * (q - p)
    return _with_end(a, i, toe), _with_end(b, j, toe)


def _with_end(curve: _Curve, end: int, point: FloatArray) -> _Curve:
    points, u = curve.points.copy(), curve.u.copy()
    points[end], u[end] = point, max(float(u[end]), CLICK_U_PX)
    return replace(curve, points=points, u=u)


def _corrected(weld: WeldOutline, features: Sequence[Feature], width: int, height: int) -> WeldOutline:
    """Set what follows from a change by hand: directions, completeness, flags and what they withheld."""
    changed = [f for f in features if f.changed]
    parts = sorted({f.part for f in changed})
    answered: set[str] = {CORRECTED}.union(*(ANSWERED.get(part, frozenset()) for part in parts))
    if not any(weld.u_voids):
        answered.add("void_unsure")
    drawn = not any("found" in f.properties for f in features)
    how = "drawn" if drawn else "corrected"
    what = ", ".join(p.replace("_", " ") for p in parts) or "a part was removed or a property changed"
    spots = tuple(_first(f.points) for f in changed if not drawn)
    decided = any(part in ANSWERED for part in parts)
    return replace(
        weld,
        surface_butting=_away(weld.surface_butting, weld.joint_root, weld.toe_butting, weld.joint),
        surface_nonbutting=_away(weld.surface_nonbutting, weld.joint_root, weld.toe_nonbutting, weld.joint),
        surface_top=_top_away(weld.surface_top, weld.polygon),
        complete_butting=_inside(weld.toe_butting, weld.complete_butting, width, height),
        complete_nonbutting=_inside(weld.toe_nonbutting, weld.complete_nonbutting, width, height),
        flags=(
            *(f for f in weld.flags if f.code not in answered),
            Flag(CORRECTED, f"The outline was {how} by hand: {what}.", spots),
        ),
        withheld={} if decided else dict(weld.withheld),
    )


def _away(line: SurfaceLine | None, root: Point | None, toe: Point, joint: Joint) -> SurfaceLine | None:
    if line is None or root is None or joint == "bead":
        return line
    along = line.direction[0] * (toe[0] - root[0]) + line.direction[1] * (toe[1] - root[1])
    return _turned(line) if along < 0 else line


def _top_away(line: SurfaceLine | None, polygon: FloatArray) -> SurfaceLine | None:
    if line is None:
        return None
    return _turned(line) if np.asarray(line.direction) @ (line.point - polygon.mean(axis=0)) < 0 else line


def _turned(line: SurfaceLine) -> SurfaceLine:
    return replace(line, direction=(-line.direction[0], -line.direction[1]))


def _inside(toe: Point, stated: bool, width: int, height: int) -> bool:
    """Whether a toe is in the picture: not at its edge, or at its edge and stated to be a toe none the less."""
    to_edge = min(toe[0], toe[1], width - 1 - toe[0], height - 1 - toe[1])
    return to_edge > _EDGE_PX or stated


def _withheld(face: Feature) -> dict[str, str]:
    withheld = face.properties.get("withheld") or {}
    if not isinstance(withheld, dict):
        refuse(f"{face.label} has withheld that is not a table of quantity and reason")
    return {str(k): str(v) for k, v in withheld.items()}


def _spacing(points: FloatArray) -> float:
    """Mean distance between vertices, px: how far one click's error reaches along the curve."""
    return float(np.hypot(*np.diff(points, axis=0).T).mean())


def _points(feature: Feature | None) -> FloatArray | None:
    return None if feature is None else feature.points


def _first(points: FloatArray | Iterable[Sequence[float]]) -> Point:
    x, y = next(iter(points))
    return float(x), float(y)
