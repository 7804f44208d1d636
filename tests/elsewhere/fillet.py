"""The cut of one fillet in its joint frame, mm: face, weld metal, fusion boundary, what lies in and round it.

Frame: origin at the joint root, x along the nonbutting member's surface to its toe, y out of that member. Weld
metal is what was laid between the surfaces plus what a molten blob reaches of the members; the blob is drawn
freely, so that any shape of penetration, lack of fusion at a toe and unmelted root comes about by itself.
"""

from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from macrocheck.arrays import FloatArray
from tests.elsewhere.curves import lengths, noise_along, resampled, spline, waved

GRID = 1e-5
"""Mm to which overlays are snapped, far under a hundredth of a px."""


class NoSectionError(ValueError):
    """The drawn numbers make no section; draw others."""


@dataclass(frozen=True)
class Plan:
    """What one weld is to be, mm and degrees. `over`: how far the lap's toe lies in on the top surface."""

    psi: float
    leg_butting: float
    leg_nonbutting: float
    gap: float
    thick_butting: float
    thick_nonbutting: float
    lap: bool
    over: float = 0.0
    melt: str = "dish"
    face: str = "flat"
    root: str = "fused"
    cold: str = "none"
    depth: float = 1.0
    undercut: tuple[float, float] = (0.0, 0.0)
    passes: int = 1
    voids: int = 0
    wave: float = 0.03

    @property
    def along(self) -> FloatArray:
        """Unit vector (2,) up the butting surface."""
        a = np.deg2rad(self.psi)
        return np.array([np.cos(a), np.sin(a)])

    @property
    def toe_butting(self) -> FloatArray:
        """Where the face begins, on the butting surface or on a lap's top."""
        if self.over > 0:
            corner = self.along * ((self.thick_butting + self.gap) / self.along[1])
            return np.asarray(corner - np.array([self.over, 0.0]))
        return self.along * self.leg_butting

    @property
    def toe_nonbutting(self) -> FloatArray:
        """Where the face ends."""
        return np.array([self.leg_nonbutting, 0.0])


@dataclass(frozen=True)
class Fillet:
    """One weld cut through, mm: `face` and `fusion` enclose `metal`; `beads` are its passes, the last on top."""

    plan: Plan
    face: FloatArray
    fusion: FloatArray
    metal: Polygon
    beads: tuple[Polygon, ...] = ()
    voids: tuple[FloatArray, ...] = ()
    grooves: tuple[FloatArray | None, FloatArray | None] = (None, None)
    notes: dict[str, float] = field(default_factory=dict)


def whole(shape: BaseGeometry) -> Polygon:
    """The largest polygon of a shape, without holes; NoSectionError where there is none."""
    parts = [p for p in getattr(shape, "geoms", [shape]) if isinstance(p, Polygon) and not p.is_empty]
    if not parts:
        msg = "no polygon"
        raise NoSectionError(msg)
    return Polygon(max(parts, key=lambda p: p.area).exterior)


def draw_face(rng: np.random.Generator, plan: Plan) -> FloatArray:
    """The face from the butting toe to the nonbutting toe."""
    a, b = plan.toe_butting, plan.toe_nonbutting
    chord = b - a
    width = float(np.hypot(*chord))
    out = np.array([-chord[1], chord[0]]) / width
    if out @ (0.5 * (a + b)) < 0:
        out = -out
    t = np.linspace(0, 1, 7)
    bulge = {
        "flat": rng.uniform(-0.015, 0.025),
        "convex": rng.uniform(0.07, 0.2),
        "concave": rng.uniform(-0.14, -0.05),
        "sagging": rng.uniform(0.03, 0.09),
        "rippled": rng.uniform(-0.02, 0.08),
        "overlapped": rng.uniform(0.12, 0.2),
        "humped": rng.uniform(0.04, 0.1),
    }[plan.face]
    if plan.psi > 120:
        bulge = max(bulge, -0.05)
    skew = rng.uniform(-0.25, 0.25)
    rise = bulge * width * 4 * t * (1 - t) * (1 + skew * (2 * t - 1))
    if plan.face == "sagging":  # gravity: thick at the lower toe, hollow at the upper
        rise = width * (0.12 * np.sin(np.pi * t**1.6) - 0.05 * np.sin(np.pi * t) * (1 - t) * 2)
    if plan.face == "humped":
        rise += width * 0.05 * np.sin(2 * np.pi * t * rng.choice([1.0, 1.5])) * np.sin(np.pi * t)
    knots = a + t[:, None] * chord + rise[:, None] * out
    if plan.face == "overlapped":
        reach = rng.uniform(0.03, 0.07) * width
        knots = np.vstack(
            [knots[:-2], b + np.array([reach * 0.75, 2.2 * reach]), b + np.array([reach, 0.9 * reach]), b]
        )
    curve = spline(knots)
    if plan.face == "rippled":
        at = lengths(curve)
        fade = np.clip(np.sin(np.pi * at / at[-1]), 0, 1) ** 0.7
        ripple = rng.uniform(0.03, 0.1) * np.sin(2 * np.pi * at / rng.uniform(0.7, 1.8) + rng.uniform(0, 6))
        tangent = np.gradient(curve, axis=0)
        tangent /= np.hypot(*tangent.T)[:, None]
        curve = curve + (ripple * fade)[:, None] * np.column_stack([-tangent[:, 1], tangent[:, 0]])
    return waved(rng, curve, rng.uniform(0.0, 0.025), rng.uniform(0.5, 1.5), closed=False)


def _ellipse(centre: FloatArray, along: float, across: float, angle: float) -> Polygon:
    disc = shapely.affinity.scale(Point(0, 0).buffer(1.0, 48), along, across)
    return Polygon(shapely.affinity.translate(shapely.affinity.rotate(disc, angle, (0, 0)), *centre).exterior)


def _blob(rng: np.random.Generator, plan: Plan, fill: Polygon) -> BaseGeometry:
    """The molten blob before it is cut at the toes."""
    bisect = plan.psi / 2
    away = -np.array([np.cos(np.deg2rad(bisect)), np.sin(np.deg2rad(bisect))])
    leg = min(plan.leg_butting, plan.leg_nonbutting)
    toes = np.array([plan.toe_butting, plan.toe_nonbutting])
    middle = toes.mean(axis=0)
    d = plan.depth
    if plan.melt == "rim":  # the same depth all along
        return fill.buffer(d * rng.uniform(0.7, 1.1), join_style="round")
    lean = rng.uniform(-0.22, 0.22) * leg * np.array([away[1], -away[0]])
    if plan.melt == "shallow":
        half = 0.5 * float(np.hypot(*(toes[1] - toes[0])))
        depth = float(np.hypot(*middle)) + rng.uniform(-0.05, 0.25) * d
        return _ellipse(middle + lean * 0.3, half * 1.02, max(depth, 0.5 * half), bisect - 90)
    body = fill.buffer(d * rng.uniform(0.25, 0.5))
    if plan.melt == "dish":
        half = 0.5 * float(np.hypot(*(toes[1] - toes[0])))
        depth = float(np.hypot(*middle)) + d
        return _ellipse(middle + lean, half * rng.uniform(0.88, 1.05), depth, bisect - 90 + rng.uniform(-12, 12))
    if plan.melt == "finger":
        turn = np.deg2rad(rng.uniform(-22, 22))
        c, s = np.cos(turn), np.sin(turn)
        point = np.array([c * away[0] - s * away[1], s * away[0] + c * away[1]])
        thick = rng.uniform(0.10, 0.2) * leg
        start, tip = 0.3 * middle, point * (d * 1.5)
        line = LineString([start, start + 0.6 * (tip - start), tip])
        bell = _ellipse(middle, 0.55 * float(np.hypot(*(toes[1] - toes[0]))), 0.95 * np.hypot(*middle), bisect - 90)
        return body.union(bell).union(line.buffer(thick))
    if plan.melt == "wide":  # flat-bottomed in one member
        low = rng.random() < 0.6
        e = np.array([1.0, 0.0]) if low else plan.along
        inward = np.array([0.0, -1.0]) if low else np.array([-plan.along[1], plan.along[0]])
        reach = plan.leg_nonbutting if low else plan.leg_butting
        a, b = e * reach * 0.1 + inward * d, e * reach * 0.7 + inward * d * 0.9
        return body.union(shapely.MultiPoint([a, b, e * reach * 0.95, 0.3 * middle]).convex_hull.buffer(0.12 * leg))
    # lobes: one dip in each member, the passes' own
    out: BaseGeometry = body
    n = np.array([-plan.along[1], plan.along[0]])
    for e, inward, reach in (
        (np.array([1.0, 0.0]), np.array([0.0, -1.0]), plan.leg_nonbutting),
        (plan.along, n, plan.leg_butting),
    ):
        radius = rng.uniform(0.22, 0.38) * reach
        at = e * reach * rng.uniform(0.45, 0.7) + inward * (d * rng.uniform(0.4, 1.0) - radius)
        out = out.union(Point(*at).buffer(radius))
    return out


def _half_plane(through: FloatArray, along: FloatArray, keep: FloatArray) -> Polygon:
    far = 80.0
    a, b = through - far * along, through + far * along
    return Polygon([a, b, b + far * keep, a + far * keep])


def _cut_at_toes(rng: np.random.Generator, plan: Plan, blob: BaseGeometry) -> BaseGeometry:
    """The blob cut by slanted lines through the toes, or short of them where a toe is cold."""
    back_n = plan.leg_nonbutting * (rng.uniform(0.2, 0.6) if plan.cold == "nonbutting" else 0.0)
    lean = rng.uniform(0.3, 1.4)
    line = np.array([lean, 1.0]) / np.hypot(lean, 1.0)
    out = blob.intersection(_half_plane(plan.toe_nonbutting - [back_n, 0], line, np.array([-line[1], line[0]])))
    lean = rng.uniform(0.3, 1.4)
    if plan.over > 0:
        line = np.array([lean, 1.0]) / np.hypot(lean, 1.0) * np.array([-1, 1])
        return out.intersection(_half_plane(plan.toe_butting, line, np.array([line[1], -line[0]])))
    back_b = plan.leg_butting * (rng.uniform(0.2, 0.6) if plan.cold == "butting" else 0.0)
    e, n = plan.along, np.array([plan.along[1], -plan.along[0]])
    line = (lean * e + n) / np.hypot(lean, 1.0)
    keep = np.array([line[1], -line[0]])
    if keep @ e > 0:
        keep = -keep
    return out.intersection(_half_plane(plan.toe_butting - back_b * e, line, keep))


def members_of(plan: Plan, reach: float = 60.0) -> tuple[Polygon, Polygon]:
    """The butting and the nonbutting member beside this weld, sharp and straight."""
    e = plan.along
    top = plan.thick_butting + plan.gap if plan.lap else plan.gap + reach
    foot, head = e * (plan.gap / e[1]), e * (top / e[1])
    across = reach if plan.lap else plan.thick_butting / e[1]
    butting = Polygon([foot, head, head - [across, 0], foot - [across, 0]])
    return butting, shapely.box(-reach, -plan.thick_nonbutting, reach, 0)


def draw_fillet(rng: np.random.Generator, plan: Plan) -> Fillet:
    """Draw one weld; NoSectionError where the plan gives none."""
    face = draw_face(rng, plan)
    butting, nonbutting = members_of(plan)
    wedge = [*face, (0.0, 0.0)]
    if plan.over > 0:
        wedge.append(plan.along * ((plan.thick_butting + plan.gap) / plan.along[1]))
    fill = Polygon(wedge)
    if not fill.is_valid:
        msg = "the face meets a member"
        raise NoSectionError(msg)
    fill = whole(fill.difference(butting.union(nonbutting)))
    blob = whole(_blob(rng, plan, fill))
    leg = min(plan.leg_butting, plan.leg_nonbutting)
    soft = 0.06 * leg
    blob = whole(blob.buffer(soft).buffer(-2 * soft).buffer(soft))
    if plan.wave > 0:
        ring = resampled(np.asarray(blob.exterior.coords), 0.05)
        blob = whole(Polygon(waved(rng, ring, plan.wave, rng.uniform(0.5, 2.0), closed=True)).buffer(0))
    melt = whole(whole(_cut_at_toes(rng, plan, blob)).buffer(-0.02).buffer(0.02))
    room = butting.union(nonbutting)
    if plan.gap > 0:
        plug = rng.uniform(0.0, 1.0) * max(min(plan.depth, 1.0), plan.gap)
        slant = plan.along[0] / plan.along[1] * plan.gap
        neck = Polygon([(0.1, 0), (0.1 + slant, plan.gap), (slant - plug, plan.gap), (-plug, 0)])
        tip = _ellipse(np.array([slant / 2 - plug, plan.gap / 2]), 0.3 * plan.gap, plan.gap / 2, 0)
        fill = whole(fill.union(neck.union(tip).difference(room), grid_size=GRID))
    if plan.root == "short":
        radius = rng.uniform(0.08, 0.2) * leg
        flat = radius * rng.uniform(0.6, 1)
        hole = _ellipse(0.25 * radius * (plan.along + np.array([1.0, 0.0])), radius, flat, plan.psi / 2)
        hole = whole(hole.union(Point(0, 0).buffer(0.35 * radius)))
        fill, melt = whole(fill.difference(hole)), whole(melt.difference(hole))
    if plan.gap > 0:
        fill, melt = _with_gap(plan, fill, melt, room)
    into = melt.intersection(room)
    joined = whole(shapely.union(fill, into, grid_size=GRID))
    # Snapping leaves cracks of a grid step between what was laid and what melted: close them.
    metal = whole(joined.buffer(20 * GRID, join_style="mitre").buffer(-20 * GRID, join_style="mitre"))
    deepest = -metal.bounds[1]
    if deepest > 0.7 * plan.thick_nonbutting or not metal.is_valid:
        msg = "melted through"
        raise NoSectionError(msg)
    outline = np.asarray(metal.exterior.coords)
    behind = (outline @ np.array([-plan.along[1], plan.along[0]]))[outline[:, 1] > plan.gap]
    if not plan.lap and behind.max(initial=0.0) > 0.65 * plan.thick_butting:
        msg = "melted through the butting member"
        raise NoSectionError(msg)
    face, fusion = split_ring(metal, plan, face)
    voids = _voids(rng, plan, metal)
    beads = _beads(rng, plan, metal)
    grooves = (_groove(plan.undercut[0]), _groove(plan.undercut[1]))
    return Fillet(plan, face, fusion, metal, beads, voids, grooves)


def _with_gap(plan: Plan, fill: Polygon, melt: Polygon, room: BaseGeometry) -> tuple[Polygon, Polygon]:
    """Metal runs into the gap as far as both its sides are molten; behind that nothing melts under an open gap."""
    strip = shapely.box(-30, 0, 0.5, plan.gap).difference(room)
    filled = whole(shapely.union(fill, whole(melt.union(fill)).intersection(strip), grid_size=GRID))
    in_gap = filled.intersection(strip)
    behind = (0.0 if in_gap.is_empty else in_gap.bounds[0]) - 0.3 * plan.gap
    kept = melt.intersection(shapely.box(behind, -99, 99, 99))
    soft = 0.3
    return filled, whole(whole(kept).buffer(-soft).buffer(soft).union(kept.intersection(filled.buffer(0.2))))


def split_ring(metal: Polygon, plan: Plan, face: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the outline as (face, fusion), each from toe to toe as an outline holds them."""
    ring = np.asarray(metal.exterior.coords)[:-1]
    at = [int(np.hypot(*(ring - toe).T).argmin()) for toe in (plan.toe_butting, plan.toe_nonbutting)]
    for k, toe in zip(at, (plan.toe_butting, plan.toe_nonbutting), strict=True):
        if np.hypot(*(ring[k] - toe)) > 0.003:
            msg = "a toe is not on the weld metal's outline"
            raise NoSectionError(msg)
    turned = np.roll(ring, -at[0], axis=0)
    cut = (at[1] - at[0]) % len(ring)
    one, other = turned[: cut + 1], np.vstack([turned[cut:], turned[:1]])
    near = [float(np.mean(shapely.distance(shapely.points(c), LineString(face)))) for c in (one, other)]
    if near[0] < near[1]:
        return one, other
    return other[::-1], one[::-1]


def _groove(depth: float) -> FloatArray | None:
    """Undercut beyond a toe: (n, 2) distance from the toe along the surface, height over it."""
    if depth <= 0:
        return None
    s = np.linspace(0, 1, 40)
    return np.column_stack([s * depth * 3.0, -depth * np.clip(np.sin(np.pi * s**0.6), 0, 1) ** 0.8])


def _voids(rng: np.random.Generator, plan: Plan, metal: Polygon) -> tuple[FloatArray, ...]:
    inner = metal.buffer(-0.35)
    out: list[Polygon] = []
    if inner.is_empty:
        return ()
    x0, y0, x1, y1 = inner.bounds
    for _ in range(40 * plan.voids):
        if len(out) >= plan.voids:
            break
        radius = rng.uniform(0.08, 0.4)
        at = np.array([rng.uniform(x0, x1), rng.uniform(y0, y1)])
        disc = _ellipse(at, radius, radius * rng.uniform(0.6, 1), rng.uniform(0, 180))
        if inner.contains(disc) and all(disc.distance(v) > 0.15 for v in out):
            out.append(disc)
    return tuple(np.asarray(v.exterior.coords)[:-1] for v in out)


def _beads(rng: np.random.Generator, plan: Plan, metal: Polygon) -> tuple[Polygon, ...]:
    """The passes, first to last; each covers what it melts of those before."""
    if plan.passes < 2:
        return (metal,)
    toes = np.array([plan.toe_nonbutting, plan.toe_butting])
    beads = [metal]
    for k in range(1, plan.passes):
        t = (k - 0.5) / (plan.passes - 1) if plan.passes > 2 else rng.uniform(0.35, 0.65)
        at = toes[0] + t * (toes[1] - toes[0]) * 0.95
        radius = float(np.hypot(*(toes[1] - toes[0]))) * rng.uniform(0.75, 1.0) / (plan.passes - 0.6)
        reach = _ellipse(at * rng.uniform(0.85, 1.0), radius, radius * rng.uniform(0.75, 1.1), rng.uniform(0, 180))
        ring = waved(rng, resampled(np.asarray(reach.exterior.coords), 0.1), 0.06, 1.2, closed=True)
        part = metal.intersection(Polygon(ring).buffer(0))
        if not part.is_empty and not isinstance(part, MultiPolygon):
            beads.append(whole(part))
    return tuple(beads)


__all__ = ["Fillet", "NoSectionError", "Plan", "draw_fillet", "members_of", "noise_along", "whole"]
