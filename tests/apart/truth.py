"""The truth of every quantity of one weld, from its geometry alone (dense polygons, own frame, mm)."""

import numpy as np
from shapely.geometry import LineString, Point, Polygon

from macrocheck.arrays import BoolArray, FloatArray
from tests.apart.scene import WeldShape
from tests.apart.shapes import ring

Truth = float | tuple[float, ...] | tuple[tuple[float, float], ...] | None
"""A number, the two legs, the (start, end) spans, or None where the section cannot show it."""

THRESHOLD = 0.1
"""Fusion threshold, mm."""
STATION = 0.005
"""Spacing of the stations along a leg, mm."""


def depths(weld: WeldShape, member: str, stations: FloatArray) -> FloatArray:
    """Return the depth of fusion (n,) at stations `s` (n,) of "butting" or "nonbutting", mm.

    Over a root gap there is no butting member: there the depth of weld metal in the opening stands for it.
    """
    if member == "nonbutting":
        return _metal_below(weld, weld.nonbutting, np.array([1.0, 0.0]), np.array([0.0, -1.0]), stations)
    along = np.array([np.cos(weld.psi), np.sin(weld.psi)])
    inward = np.array([-np.sin(weld.psi), np.cos(weld.psi)])
    inside = _metal_below(weld, weld.butting, along, inward, stations)
    if weld.gap <= 0:
        return inside
    return np.where(
        stations < weld.gap / np.sin(weld.psi), _metal_below(weld, _opening(weld), along, inward, stations), inside
    )


def _metal_below(
    weld: WeldShape, body: Polygon, along: FloatArray, inward: FloatArray, stations: FloatArray
) -> FloatArray:
    """Return how far weld metal within `body` reaches inward, unbroken, from the surface at each station."""
    inside = weld.polygon.intersection(body)
    lines = []
    for part in getattr(inside, "geoms", [inside]):
        if isinstance(part, Polygon) and part.area > 1e-9:
            points = ring(part)
            lines.append(np.stack([points, np.roll(points, -1, axis=0)]))
    out = np.zeros(len(stations))
    if not lines:
        return out
    edges = np.concatenate(lines, axis=1)
    s, t = edges @ along, edges @ inward
    low, high = np.minimum(s[0], s[1]), np.maximum(s[0], s[1])
    order = np.argsort(stations)
    at = stations[order]
    first, last = np.searchsorted(at, low, side="right"), np.searchsorted(at, high, side="right")
    crossings: list[list[float]] = [[] for _ in at]
    for e in np.flatnonzero(last > first):
        span = s[1, e] - s[0, e]
        for k in range(first[e], last[e]):
            depth = t[0, e] + (at[k] - s[0, e]) / span * (t[1, e] - t[0, e])
            if depth > 1e-3:
                crossings[k].append(float(depth))
    for k, found in enumerate(crossings):
        if len(found) % 2 == 1:
            out[order[k]] = min(found)
    return out


def _opening(weld: WeldShape) -> Polygon:
    e_b = np.array([np.cos(weld.psi), np.sin(weld.psi)])
    foot = weld.gap / np.sin(weld.psi) * e_b
    back = -50.0 if weld.faying is None else -weld.faying
    return Polygon([(0, 0), foot, (foot[0] + back, foot[1]), (back, 0)])


def _spans(stations: FloatArray, under: BoolArray) -> tuple[tuple[float, float], ...]:
    change = np.flatnonzero(np.diff(np.concatenate([[0], under.astype(int), [0]])))
    half = STATION / 2
    top = float(stations[-1])
    return tuple(
        (max(0.0, float(stations[a]) - half), min(top, float(stations[b - 1]) + half))
        for a, b in zip(change[::2], change[1::2], strict=True)
    )


def root_reach(weld: WeldShape) -> float:
    """Return how far weld metal reaches past the joint root along the faying surface, mm."""
    best = 0.0
    heights = (0.5 * weld.gap,) if weld.gap > 0 else (2e-3, -2e-3)
    for y in heights:
        hit = weld.polygon.intersection(LineString([(-60.0, y), (0.0, y)]))
        for part in getattr(hit, "geoms", [hit]):
            if not part.is_empty and part.bounds[2] > -0.02:
                best = max(best, -float(part.bounds[0]))
    return best if best > 5e-3 else 0.0


def triangle_equal(weld: WeldShape) -> float:
    """Return the leg of the largest isosceles triangle from the joint root inside the section, mm."""
    a, b = _oblique(weld)
    on = (a >= -1e-9) & (b >= -1e-9)
    return float(min(weld.plan.leg_b, weld.plan.leg_n, np.min((a + b)[on])))


def triangle_unequal(weld: WeldShape) -> tuple[float, float]:
    """Return the legs (butting, nonbutting) of the largest-area triangle from the joint root, mm."""
    a, b = _oblique(weld)
    on = (a >= -1e-9) & (b >= -1e-9)
    a, b = a[on], b[on]
    best = (0.0, 0.0)
    grid = np.linspace(0.3, 1.0, 401) * weld.plan.leg_b
    for _ in range(2):
        for z in grid:
            share = 1 - a / z
            free = share > 1e-9
            other = min(weld.plan.leg_n, float(np.min(b[free] / share[free])))
            if z * other > best[0] * best[1]:
                best = (float(z), other)
        grid = np.clip(np.linspace(best[0] * 0.997, best[0] * 1.003, 201), 0, weld.plan.leg_b)
    return best


def _oblique(weld: WeldShape) -> tuple[FloatArray, FloatArray]:
    """Face points as a * e_butting + b * e_nonbutting."""
    a = weld.face[:, 1] / np.sin(weld.psi)
    b = weld.face[:, 0] - a * np.cos(weld.psi)
    return a, b


def _toe_angle(face: FloatArray, beyond: FloatArray, turn: int) -> float:
    """Angle through the air between the surface beyond the toe and the face leaving the toe (face[0]), degrees.

    `turn`: +1 where the air lies to the left of `beyond`, -1 to the right. Over 180 where the face falls away.
    """
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(face, axis=0).T))])
    k = int(np.searchsorted(along, 0.06))
    tangent = face[max(k, 1)] - face[0]
    angle = np.arctan2(tangent[1], tangent[0]) - np.arctan2(beyond[1], beyond[0])
    return float(np.degrees(turn * angle) % 360.0)


def truth_of(weld: WeldShape, other_reach: float | None = None) -> dict[str, Truth]:
    """Return quantity key -> truth; `other_reach` is the root penetration of the weld on the other side."""
    plan, psi = weld.plan, weld.psi
    e_b, e_n = np.array([np.cos(psi), np.sin(psi)]), np.array([1.0, 0.0])
    face = LineString(weld.face)
    toe_b, toe_n = weld.face[0], weld.face[-1]
    melted = plan.melted_back is not None
    reach = root_reach(weld)
    origin = Point(0.0, 0.0)
    shortfall = 0.0 if reach > 0 else float(weld.polygon.distance(origin))
    shortfall = shortfall if shortfall > 5e-3 else 0.0
    start = Point(-reach, 0.0)
    if shortfall > 0:
        nearest = weld.polygon.exterior.interpolate(weld.polygon.exterior.project(origin))
        start = Point(nearest.x, nearest.y)
    throat = float(start.distance(face))
    chord = toe_n - toe_b
    normal = np.array([-chord[1], chord[0]]) / np.hypot(*chord)
    if normal @ (toe_b - np.array([0.0, 0.0])) < 0:
        normal = -normal
    height = (weld.face - toe_b) @ normal
    convexity, concavity = max(0.0, float(height.max())), max(0.0, float(-height.min()))
    size = triangle_equal(weld) if not melted else 0.0
    holes = sum(v.area for v in weld.voids)
    metal = float(weld.polygon.area) - holes
    inside_b, inside_n = (
        float(weld.polygon.intersection(m).area) - sum(v.intersection(m).area for v in weld.voids)
        for m in (weld.butting, weld.nonbutting)
    )
    angles = {
        "butting": _toe_angle(weld.face, e_b if not melted else -e_n, -1),
        "nonbutting": _toe_angle(weld.face[::-1], e_n, 1),
    }
    truth: dict[str, Truth] = {
        "leg_butting": plan.leg_b,
        "leg_nonbutting": plan.leg_n,
        "leg_difference": abs(plan.leg_b - plan.leg_n),
        "size": size,
        "size_unequal": triangle_unequal(weld) if not melted else None,
        "theoretical_throat": size * float(np.cos(psi / 2)),
        "actual_throat": throat,
        "effective_throat": throat - convexity,
        "convexity": convexity,
        "concavity": concavity,
        "face_width": float(np.hypot(*chord)),
        "toe_angle_butting": angles["butting"],
        "toe_angle_nonbutting": angles["nonbutting"],
        "root_penetration": reach,
        "root_shortfall": shortfall,
        "weld_area": metal,
        "fill_area": metal - inside_b - inside_n,
        "melted_area_butting": inside_b,
        "melted_area_nonbutting": inside_n,
        "dilution": (inside_b + inside_n) / metal,
        "haz_width_butting": None,
        "haz_width_nonbutting": None,
        "undercut_butting": plan.groove_b,
        "undercut_nonbutting": plan.groove_n,
        "root_gap": weld.gap if weld.gap > 0 else None,
        "void_area_fraction": holes / metal,
        "largest_void": max((_longest(v) for v in weld.voids), default=0.0),
        "dihedral_angle": float(np.degrees(psi)),
        "unfused_land": None,
    }
    for member, leg in (("butting", plan.leg_b), ("nonbutting", plan.leg_n)):
        stations = np.arange(STATION / 2, leg, STATION)
        d = depths(weld, member, stations)
        spans = _spans(stations, d < THRESHOLD)
        total = float(np.sum(d < THRESHOLD)) * STATION
        inside = stations >= (weld.gap / np.sin(psi) if member == "butting" else 0.0)  # no member over a root gap
        truth[f"depth_of_fusion_{member}"] = float(d[inside].max(initial=0.0))
        truth[f"unfused_{member}"] = total
        truth[f"unfused_spans_{member}"] = spans
        truth[f"fused_fraction_{member}"] = 1 - total / leg
        lying = spans[-1][1] - spans[-1][0] if spans and spans[-1][1] > leg - 2 * STATION else 0.0
        truth[f"overlap_{member}"] = lying if angles[member] < 90 else 0.0
    if weld.faying is not None and other_reach is not None:
        truth["unfused_land"] = max(0.0, weld.faying - reach - other_reach)
    if melted:
        low = np.arange(float(weld.polygon.bounds[0]), plan.leg_n, STATION)
        truth["depth_of_fusion_nonbutting"] = float(depths(weld, "nonbutting", low).max())
        for key in NEEDS_EDGE:
            truth[key] = None
    return truth


NEEDS_EDGE: tuple[str, ...] = (
    "leg_butting", "leg_nonbutting", "leg_difference", "size", "size_unequal", "theoretical_throat",
    "root_penetration", "root_shortfall", "unfused_butting", "unfused_nonbutting", "unfused_spans_butting",
    "unfused_spans_nonbutting", "fused_fraction_butting", "fused_fraction_nonbutting", "unfused_land", "fill_area",
    "melted_area_butting", "dilution", "depth_of_fusion_butting", "undercut_butting", "overlap_butting",
    "dihedral_angle",
)  # fmt: skip
"""What a lap whose upper plate's end is melted away cannot show."""


def _longest(shape: Polygon) -> float:
    points = ring(shape)
    return float(np.max(np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))))
