"""Exact truth of a section: every quantity computed from its geometry in mm, and its outline in a picture.

Written apart from the measuring stage on purpose, so that one checks the other: this module knows the curves, the
measuring stage only sees an outline in pixels.
"""

from typing import TYPE_CHECKING

import numpy as np

from macrocheck.arrays import FloatArray, Point
from macrocheck.outline import Joint, SurfaceLine, WeldOutline
from macrocheck.quantities import QUANTITIES
from macrocheck.render.joint_frame import (
    OwnFrame,
    butting_beyond_toe,
    depth_along,
    distance_to_line,
    end_face_lost,
    haz_edge,
    own_frame,
    spans_below,
    weld_root,
)
from macrocheck.render.raster import View
from macrocheck.render.section import Section, WeldGeometry, groove_curve

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

Value = float | tuple[float, ...] | tuple[tuple[float, float], ...] | None
"""A number in its quantity's unit; `size_unequal` is two numbers, `unfused_spans_*` pairs; None: does not exist."""

FUSION_THRESHOLD_MM = 0.1

# What starts at the joint root, hence is void where nothing shows a lap's end face.
# fmt: off
_NEEDS_ROOT = (
    "leg_butting", "leg_nonbutting", "leg_difference", "size", "size_unequal", "theoretical_throat",
    "depth_of_fusion_butting", "root_penetration", "root_shortfall", "unfused_butting", "unfused_nonbutting",
    "unfused_spans_butting", "unfused_spans_nonbutting", "fused_fraction_butting", "fused_fraction_nonbutting",
    "unfused_land", "fill_area", "melted_area_butting", "dilution", "dihedral_angle", "overlap_butting",
    "overlap_nonbutting",
)
# fmt: on


def _oblique(own: OwnFrame, points: FloatArray) -> FloatArray:
    """Coordinates (along nonbutting, along butting) of points, parallel to the two surfaces."""
    basis = np.column_stack([[1.0, 0.0], own.along_butting])
    return np.asarray(points @ np.linalg.inv(basis).T)


def _face_in_wedge(own: OwnFrame) -> FloatArray:
    """The face in oblique coordinates, cut to the angle between the two surfaces, crossings included."""
    p = _oblique(own, own.face)
    out = [p[(p >= -1e-9).all(axis=1)]]
    for axis in (0, 1):
        a, b = p[:-1, axis], p[1:, axis]
        i = np.flatnonzero(a * b < 0)
        out.append(p[i] + (a[i] / (a[i] - b[i]))[:, None] * (p[i + 1] - p[i]))
    joined = np.vstack(out)
    return joined[(joined >= -1e-9).all(axis=1)]


def _unequal(face: FloatArray, leg_b: float, leg_n: float) -> tuple[float, float]:
    """Legs (butting, nonbutting) of the largest triangle under the face."""

    def reach(a: FloatArray) -> FloatArray:
        left = 1 - face[:, :1] / a[None]
        with np.errstate(divide="ignore", invalid="ignore"):
            b = np.where(left > 1e-9, face[:, 1:] / left, np.inf)
        return np.asarray(np.minimum(b.min(axis=0), leg_b))

    low, high = 1e-3 * leg_n, leg_n
    best = high
    for _ in range(5):
        a = np.linspace(low, high, 401)
        area = a * reach(a)
        i = int(np.argmax(area))
        best = float(a[i])
        low, high = float(a[max(i - 2, 0)]), float(a[min(i + 2, 400)])
    return float(reach(np.array([best]))[0]), best


def end_tangent(line: FloatArray) -> FloatArray:
    """Unit tangent at the start of a curve, by the parabola through its first three points."""
    t = -3 * line[0] + 4 * line[1] - line[2]
    return np.asarray(t / np.hypot(*t))


def _through_air(surface: FloatArray, face: FloatArray, sign: float) -> float:
    a, b = np.arctan2(surface[1], surface[0]), np.arctan2(face[1], face[0])
    return float(np.rad2deg(sign * (a - b)) % 360)


def _haz_width(section: Section, number: int, *, butting: bool) -> float | None:
    """Mean distance, mm, from the fusion boundary in a member to the band's outer edge, where it lies opposite."""
    edge = haz_edge(section, number, butting=butting)
    if edge is None:
        return None
    from shapely import distance, line_locate_point, points
    from shapely.geometry import LineString

    weld, outer = section.welds[number], LineString(edge)
    part = weld.fusion[weld.split :] if butting else weld.fusion[: weld.split + 1]
    at = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(part, axis=0).T))])
    even = np.linspace(0, at[-1], 400)
    inside = points(np.column_stack([np.interp(even, at, part[:, 0]), np.interp(even, at, part[:, 1])]))
    foot = line_locate_point(outer, inside)
    opposite = (foot > 0) & (foot < outer.length)
    return float(np.asarray(distance(inside, outer))[opposite].mean()) if opposite.any() else None


def _groove_depth(undercut: tuple[float, float] | None) -> float:
    return float(groove_curve(undercut)[:, 1].max()) if undercut is not None else 0.0


def _voids(weld: WeldGeometry) -> tuple[float, float, float]:
    """Weld metal area less its voids, the voids' share of the whole, the longest void."""
    from shapely import make_valid, union_all
    from shapely.geometry import Polygon

    metal = make_valid(Polygon(weld.polygon))
    holes = union_all([Polygon(v) for v in weld.voids]).intersection(metal)
    longest = 0.0
    for hole in getattr(holes, "geoms", [holes]):
        if hole.is_empty or hole.geom_type != "Polygon":
            continue
        p = np.asarray(hole.exterior.coords)
        longest = max(longest, float(np.hypot(*(p[:, None] - p[None]).transpose(2, 0, 1)).max()))
    area = float(metal.area)
    return area - float(holes.area), float(holes.area) / area, longest


def _melted(section: Section, own: OwnFrame, holes: list[FloatArray]) -> tuple[float, float]:
    """Weld metal inside the original (butting, nonbutting) member, mm2."""
    from shapely.geometry import Polygon

    metal, in_nonbutting = _melted_below(own, holes)
    big = 500.0
    top = section.spec.thickness_butting if section.spec.joint == "lap" else big
    e, gap = own.along_butting, section.spec.gap
    foot, head = e * (gap / e[1]), e * (top / e[1])
    behind = Polygon([tuple(foot), tuple(head), (head[0] - 2 * big, head[1]), (foot[0] - 2 * big, foot[1])])
    return float(metal.intersection(behind).area), in_nonbutting


def _melted_below(own: OwnFrame, holes: list[FloatArray]) -> "tuple[BaseGeometry, float]":
    """Weld metal without its voids, and its area under y = 0."""
    from shapely import make_valid, union_all
    from shapely.geometry import Polygon, box

    metal = make_valid(Polygon(own.polygon)).difference(union_all([Polygon(h) for h in holes]))
    return metal, float(metal.intersection(box(-500, -500, 500, 0)).area)


def _fillet(section: Section, number: int) -> dict[str, Value]:
    weld = section.welds[number]
    own = own_frame(weld)
    e = own.along_butting
    toe_b, toe_n = own.face[0], own.face[-1]
    leg_b, leg_n = float(toe_b @ e), float(toe_n[0])
    chord = toe_n - toe_b
    width = float(np.hypot(*chord))
    bulge = ((own.face - toe_b) @ np.array([-chord[1], chord[0]])) / width
    root, penetration, shortfall = weld_root(own, section.spec.gap)
    throat = distance_to_line(root, own.face)
    convexity = max(float(bulge.max()), 0.0)
    in_wedge = _face_in_wedge(own)
    size = min(leg_b, leg_n, float(in_wedge.sum(axis=1).min()))
    # At a lap's corner end face and top are both "the surface beyond the toe", 90 degrees apart: no truth.
    corner = section.spec.thickness_butting / own.along_butting[1]
    at_corner = section.spec.joint == "lap" and weld.spec.top_melt <= 0 and leg_b > 0.97 * corner
    angle_b = None if at_corner else _through_air(butting_beyond_toe(section, number), end_tangent(own.face), 1.0)
    angle_n = _through_air(np.array([1.0, 0.0]), end_tangent(own.face[::-1]), -1.0)
    holes = [(v - weld.frame[:, 2]) @ np.linalg.inv(weld.frame[:, :2]).T for v in weld.voids]
    melted_b, melted_n = _melted(section, own, holes)
    metal_area, void_part, void_length = _voids(weld)
    out: dict[str, Value] = {
        "leg_butting": leg_b,
        "leg_nonbutting": leg_n,
        "leg_difference": abs(leg_b - leg_n),
        "size": size,
        "size_unequal": _unequal(in_wedge, leg_b, leg_n),
        "theoretical_throat": size * float(np.cos(np.deg2rad(weld.psi / 2))),
        "actual_throat": throat,
        "effective_throat": throat - convexity,
        "convexity": convexity,
        "concavity": max(-float(bulge.min()), 0.0),
        "face_width": width,
        "toe_angle_butting": angle_b,
        "toe_angle_nonbutting": angle_n,
        "root_penetration": penetration,
        "root_shortfall": shortfall,
        "unfused_land": unfused_land(section),
        "melted_area_butting": melted_b,
        "melted_area_nonbutting": melted_n,
        "undercut_butting": _groove_depth(weld.spec.undercut_butting),
        "undercut_nonbutting": _groove_depth(weld.spec.undercut_nonbutting),
        "haz_width_butting": _haz_width(section, number, butting=True),
        "haz_width_nonbutting": _haz_width(section, number, butting=False),
        "root_gap": section.spec.gap,
        "dihedral_angle": weld.psi,
        "weld_area": metal_area,
        "fill_area": metal_area - melted_b - melted_n,
        "dilution": (melted_b + melted_n) / metal_area,
        "void_area_fraction": void_part,
        "largest_void": void_length,
    }
    for member, leg, angle in (("butting", leg_b, angle_b), ("nonbutting", leg_n, angle_n)):
        s, d = depth_along(own, butting=member == "butting", leg=leg, gap=section.spec.gap)
        spans = spans_below(s, d, FUSION_THRESHOLD_MM)
        total = sum(b - a for a, b in spans)
        corner = section.spec.gap / float(e[1]) if member == "butting" else 0.0
        out[f"depth_of_fusion_{member}"] = float(d[s >= min(corner, leg)].max())
        out[f"unfused_{member}"] = total
        out[f"unfused_spans_{member}"] = tuple(spans)
        out[f"fused_fraction_{member}"] = 1 - total / leg
        turned = angle is not None and angle < 90 and spans and leg - spans[-1][1] < 1e-6
        out[f"overlap_{member}"] = spans[-1][1] - spans[-1][0] if turned else 0.0
    if end_face_lost(section):
        out.update(dict.fromkeys(_NEEDS_ROOT))
        out["depth_of_fusion_nonbutting"] = float(-own.fusion[:, 1].min())
    return out


def seam_span(section: Section) -> tuple[FloatArray, FloatArray] | None:
    """Both ends of the unfused faying surface behind the root, mm; None for a bead or where none is left."""
    spec = section.spec
    if spec.joint == "bead":
        return None
    start = -weld_root(own_frame(section.welds[0]), spec.gap)[1]
    end = -0.75 * spec.reach
    if spec.joint != "lap":
        end = -spec.thickness_butting / float(np.sin(np.deg2rad(spec.psi)))
        if len(section.welds) > 1:
            end += weld_root(own_frame(section.welds[1]), spec.gap)[1]
    return (np.array([start, 0.0]), np.array([end, 0.0])) if end < start else None


def unfused_land(section: Section) -> float:
    """Length of faying surface behind the root that stays unfused, mm."""
    span = seam_span(section)
    return 0.0 if span is None else float(span[0][0] - span[1][0])


def _bead(section: Section) -> dict[str, Value]:
    weld = section.welds[0]
    face, fusion = weld.face, weld.fusion
    area, void_part, void_length = _voids(weld)
    holes = list(weld.voids)
    own = OwnFrame(face, fusion, weld.split, np.array([-1.0, 0.0]), np.array([0.0, -1.0]), 180.0)
    _, melted = _melted_below(own, holes)
    return {
        "bead_width": float(face[-1, 0] - face[0, 0]),
        "reinforcement_height": float(face[:, 1].max()),
        "depth_of_fusion": float(-fusion[:, 1].min()),
        "weld_area": area,
        "fill_area": area - melted,
        "melted_area": melted,
        "dilution": melted / area,
        "toe_angle_left": _through_air(np.array([-1.0, 0.0]), end_tangent(face), 1.0),
        "toe_angle_right": _through_air(np.array([1.0, 0.0]), end_tangent(face[::-1]), -1.0),
        "undercut_left": 0.0,
        "undercut_right": _groove_depth(weld.spec.undercut_nonbutting),
        "void_area_fraction": void_part,
        "largest_void": void_length,
    }


def section_truth(section: Section) -> tuple[dict[str, Value], ...]:
    """Exact value of every quantity, one dict a weld; None where it does not exist for that joint or section."""
    welds = (
        [_bead(section)]
        if section.spec.joint == "bead"
        else [_fillet(section, i) for i in range(len(section.welds))]
    )
    return tuple({q.key: w.get(q.key) for q in QUANTITIES} for w in welds)


def _line(view: View, start: FloatArray, direction: FloatArray, low: float, high: float) -> SurfaceLine:
    """Surface line in px: visible from `low` to `high` mm beyond `start` (section mm)."""
    ends = view.to_px(np.vstack([start + low * direction, start + high * direction]))
    middle, d = ends.mean(axis=0), ends[1] - ends[0]
    length = float(np.hypot(*d))
    d = d / length
    return SurfaceLine((float(middle[0]), float(middle[1])), (float(d[0]), float(d[1])), 0.0, 0.0, length)


def truth_outline(section: Section, view: View, weld_index: int = 0) -> WeldOutline:
    """Return the exact outline of a weld in the picture's pixels, with zero uncertainties."""
    spec, weld = section.spec, section.welds[weld_index]
    joint: Joint = "lap" if spec.joint == "lap" else "bead" if spec.joint == "bead" else "tee"
    linear = weld.frame[:, :2]
    root = weld.frame[:, 2]
    own = own_frame(weld)
    along_n, along_b = linear @ np.array([1.0, 0.0]), linear @ own.along_butting
    leg_n = float(own.face[-1, 0])
    start = root if joint != "bead" else weld.face[-1]
    nonbutting = _line(view, start, along_n, leg_n if joint != "bead" else 0.0, leg_n + spec.overhang)
    butting = top = None
    if joint != "bead" and not end_face_lost(section):
        leg_b = float(own.face[0] @ own.along_butting)
        beyond = spec.thickness_butting / own.along_butting[1] if joint == "lap" else spec.reach
        butting = _line(view, root, along_b, min(leg_b, beyond - 0.3), max(beyond, leg_b + 0.3))
    if joint == "lap":
        corner = own.along_butting * (spec.thickness_butting / own.along_butting[1])
        top = _line(view, corner, np.array([-1.0, 0.0]), max(0.0, float(corner[0] - own.face[0, 0])), spec.reach)
    seam = seam_span(section)
    seam_end: Point | None = None
    if seam is not None:
        far = seam[1] if weld_index == 0 else seam[0]
        at = view.to_px(far[None])[0]
        if -0.5 <= at[0] <= view.width - 0.5 and -0.5 <= at[1] <= view.height - 0.5:
            seam_end = (float(at[0]), float(at[1]))
    haz = [haz_edge(section, weld_index, butting=b) for b in (True, False)]
    face, fusion = view.to_px(weld.face), view.to_px(weld.fusion)
    return WeldOutline(
        joint=joint,
        surface_butting=butting,
        surface_nonbutting=nonbutting,
        face=face,
        fusion=fusion,
        u_face=np.zeros(len(face)),
        u_fusion=np.zeros(len(fusion)),
        correlation_px=1.0,
        voids=tuple(view.to_px(v) for v in weld.voids),
        haz_butting=None if haz[0] is None or joint == "bead" else view.to_px(haz[0]),
        haz_nonbutting=None if haz[1] is None or joint == "bead" else view.to_px(haz[1]),
        seam_end=seam_end,
        gap_px=None if joint == "bead" else (spec.gap * view.px_per_mm, 0.0),
        surface_top=top,
    )
