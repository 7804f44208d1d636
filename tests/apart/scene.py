"""One section built from a plan: original members, weld metal, grooves, voids, in mm (y up).

Every weld has a frame of its own: the joint root at the origin, the nonbutting member's surface along +x, the
butting member's surface along (cos psi, sin psi), the faying surface along -x.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon
from shapely.ops import unary_union

from macrocheck.arrays import FloatArray
from tests.apart.shapes import largest, lobe, resample, ring, round_corner, waviness

STEP = 0.02
"""Vertex spacing of the curves, mm."""

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class WeldPlan:
    """What one weld is to be like; mm. `cold_*` are the unfused spans in s, `over_*` the length of rolled lip."""

    leg_b: float
    leg_n: float
    bulge: float = 0.0
    bulge_lean: float = 0.0
    depth_b: float = 0.0
    depth_n: float = 0.0
    lean_b: float = 1.0
    lean_n: float = 1.0
    round_b: float = 0.7
    round_n: float = 0.7
    penetration: float = 0.0
    shortfall: float = 0.0
    cold_b: tuple[Span, ...] = ()
    cold_n: tuple[Span, ...] = ()
    groove_b: float = 0.0
    groove_n: float = 0.0
    over_b: float = 0.0
    over_n: float = 0.0
    ripple: float = 0.0
    wave: float = 0.0
    melted_back: float | None = None
    """Lap with the upper plate's end melted away: distance of the toe behind the end face, on the top surface."""
    voids: tuple[tuple[float, float, float, float], ...] = ()
    """x, y, radius, stretch in the weld's own frame."""


@dataclass(frozen=True, slots=True)
class SectionPlan:
    """The joint: `psi_deg` on the first weld's side; thicknesses, gap and reaches of the plates in mm."""

    joint: str
    psi_deg: float
    t_b: float
    t_n: float
    gap: float
    welds: tuple[WeldPlan, ...]
    reach_right: float
    reach_left: float
    reach_up: float
    rough: float = 0.0
    bend: float = 0.0


@dataclass(frozen=True, slots=True)
class WeldShape:
    """One weld in its own frame: `polygon` the weld metal (voids not taken out), `face` toe_b to toe_n."""

    joint: str
    psi: float
    plan: WeldPlan
    polygon: Polygon
    face: FloatArray
    voids: tuple[Polygon, ...]
    butting: Polygon
    nonbutting: Polygon
    gap: float
    faying: float | None
    mirrored: bool
    shift: float
    grooves: tuple[Polygon, ...] = ()
    air: Polygon = field(default_factory=Polygon)

    def to_section(self, points: FloatArray) -> FloatArray:
        """Map (n, 2) own-frame points to the section frame, mm."""
        out = np.array(points, dtype=np.float64).reshape(-1, 2)
        if self.mirrored:
            out[:, 0] = -out[:, 0] - self.shift
        return out


@dataclass(frozen=True, slots=True)
class Section:
    """The whole section, section frame (that of the first weld): what is left of the members, and the welds."""

    plan: SectionPlan
    butting: Polygon
    nonbutting: Polygon
    welds: tuple[WeldShape, ...]


def _corner(shortfall: float, psi: float) -> float:
    """Where, along either surface, weld metal begins that bridges the corner `shortfall` mm from the root."""
    return 1.25 * shortfall / float(np.cos(psi / 2))


def _face(plan: WeldPlan, psi: float, toe_b: FloatArray, rng: np.random.Generator) -> FloatArray:
    toe_n = np.array([plan.leg_n, 0.0])
    chord = toe_n - toe_b
    length = float(np.hypot(*chord))
    n = max(40, int(length / STEP))
    u = np.linspace(0.0, 1.0, n)
    out = np.array([-chord[1], chord[0]]) / length
    if out @ (0.5 * (toe_b + toe_n)) < 0:
        out = -out
    bulge = 4 * u * (1 - u) * (1 + plan.bulge_lean * (2 * u - 1)) * plan.bulge
    ripple = plan.ripple * waviness(n, n / 9, rng) * np.minimum(1, 5 * u * (1 - u))
    line = toe_b + u[:, None] * chord + (bulge + ripple)[:, None] * out
    if plan.over_n > 0:
        line = _roll(line, toe_n, np.array([1.0, 0.0]), plan.over_n)
    if plan.over_b > 0:
        along = np.array([np.cos(psi), np.sin(psi)])
        line = _roll(line[::-1], toe_b, along, plan.over_b)[::-1]
    return resample(line, STEP)


def _roll(line: FloatArray, toe: FloatArray, along: FloatArray, length: float) -> FloatArray:
    """Replace the end of the face by a lip that rolls over the surface and comes back under to the toe."""
    k = int(0.72 * len(line))
    start, slope = line[k], line[k] - line[k - 3]
    slope = slope / np.hypot(*slope)
    up = np.array([-along[1], along[0]])
    if up @ (start - toe) < 0:
        up = -up
    c1 = start + slope * 0.5 * np.hypot(*(toe - start))
    c2 = toe + along * 0.5 * length + up * 0.45 * length
    t = np.linspace(0, 1, 80)[1:, None]
    curve = (1 - t) ** 3 * start + 3 * t * (1 - t) ** 2 * c1 + 3 * t**2 * (1 - t) * c2 + t**3 * toe
    return np.vstack([line[: k + 1], curve])


def _profile(
    s: FloatArray, depth: float, lean: float, round_: float, at_root: float, cold: tuple[Span, ...]
) -> FloatArray:
    """Depth over s: a lobe that ends where an unfused end begins, dented where an unfused span lies within."""
    first, last = float(s[0]), float(s[-1])
    begin, end, dent = first, last, np.ones_like(s)
    for a, b in cold:
        if b >= last:
            end = max(a, first)
        elif a <= first:
            begin = min(b, last)
        else:
            soft = 0.45
            dent *= 1 - np.clip((s - a) / soft + 1, 0, 1) * np.clip((b - s) / soft + 1, 0, 1)
    if end - begin < 0.3:
        return np.zeros_like(s)
    d = depth * lobe((s - begin) / (end - begin), lean, round_) * dent**0.8
    d[(s <= begin) | (s >= end)] = 0.0
    fade = end - first if begin == first else 0.25 * at_root + 1e-6
    return np.asarray(d + at_root * np.clip(1 - (s - first) / max(fade, 1e-6), 0, 1) ** 0.8)


def _fusion(plan: WeldPlan, psi: float, gap: float, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Return the fusion boundary's two halves: toe_n to behind the root, and on from there to toe_b."""
    p, q = plan.penetration, _corner(plan.shortfall, psi)
    e_b = np.array([np.cos(psi), np.sin(psi)])
    s_n = np.linspace(q if q > 0 else -p, plan.leg_n, max(60, int((plan.leg_n + p) / STEP)))
    d_n = _profile(s_n, plan.depth_n, plan.lean_n, plan.round_n, 0.0, plan.cold_n)
    d_n = d_n * (1 + plan.wave * waviness(len(s_n), 0.5 / STEP, rng))
    lower = np.column_stack([s_n, -np.maximum(d_n, 0)])[::-1]
    s_gap = gap / np.sin(psi)
    s_b = np.linspace(q if q > 0 else s_gap, plan.leg_b, max(60, int(plan.leg_b / STEP)))
    back = 0.0 if plan.melted_back is None else plan.melted_back
    at_root = p + (s_gap * np.cos(psi) if p > 0 else 0.0)
    t_b = _profile(s_b, plan.depth_b, plan.lean_b, plan.round_b, at_root, plan.cold_b)
    t_b = t_b * (1 + plan.wave * waviness(len(s_b), 0.5 / STEP, rng))
    t_b = np.maximum(t_b, 0) + back * (s_b - s_b[0]) / (s_b[-1] - s_b[0])
    upper = s_b[:, None] * e_b - t_b[:, None] * np.array([1.0, 0.0])
    if gap > 0 and p > 0:
        cap = np.linspace(0, np.pi, 12)[1:-1]
        bow = np.column_stack([-p - 0.25 * gap * np.sin(cap), gap * (1 - np.cos(cap)) / 2])
        upper = np.vstack([bow, upper])
    return lower, upper


def groove_width(depth: float) -> float:
    """Return how wide an undercut of this depth is along the surface, mm."""
    return 2.2 * depth + 0.25


def _groove(toe: FloatArray, along: FloatArray, inward: FloatArray, depth: float) -> Polygon:
    width = groove_width(depth)
    u = np.linspace(0, 1, 60)
    profile = depth * np.sin(np.pi * u**0.7)
    bed = toe + (u * width)[:, None] * along + profile[:, None] * inward
    lid = np.array([toe + width * along - 0.2 * inward, toe - 0.2 * inward])
    return Polygon(np.vstack([bed, lid])).buffer(0)


def _weld(
    section: SectionPlan,
    plan: WeldPlan,
    psi: float,
    members: tuple[Polygon, Polygon],
    mirrored: bool,
    rng: np.random.Generator,
) -> WeldShape:
    butting, nonbutting = members
    e_b = np.array([np.cos(psi), np.sin(psi)])
    inward_b = np.array([-np.sin(psi), np.cos(psi)])
    toe_b = plan.leg_b * e_b
    if plan.melted_back is not None:
        toe_b = toe_b - np.array([plan.melted_back, 0.0])
    face = _face(plan, psi, toe_b, rng)
    lower, upper = _fusion(plan, psi, section.gap, rng)
    root = np.zeros((1, 2))
    fill = Polygon(np.vstack([root, face[::-1]])).buffer(0)
    if plan.penetration > 0:
        whole = round_corner(
            np.vstack([lower, upper]), np.array([-plan.penetration, 0.0]), min(0.3, 0.5 * plan.penetration), STEP
        )
        melt = [Polygon(np.vstack([whole, root])).buffer(0)]
    else:
        ends = (np.array([[lower[-1, 0], 0.0]]), np.array([upper[0]]))
        melt = [
            Polygon(np.vstack([lower, ends[0]])).buffer(0),
            Polygon(np.vstack([upper, toe_b[None], ends[1]])).buffer(0),
        ]
        whole = np.vstack([lower, upper])
    metal = unary_union([fill, *melt])
    air = Polygon()
    if plan.melted_back is not None:
        far = [[30.0, 0.0], [30.0, plan.leg_b + 9], [toe_b[0], plan.leg_b + 9]]
        behind = int(np.argmin(np.hypot(*(whole - np.array([-plan.penetration, 0.0])).T)))
        air = Polygon(np.vstack([whole[behind:][::-1], far])).buffer(0)
        above = Polygon(
            np.vstack([face, [[30.0, 0.0], [30.0, plan.leg_b + 9], [toe_b[0], plan.leg_b + 9]]])
        ).buffer(0)
        metal = metal.difference(above)
    if plan.shortfall > 0:
        a, half = _corner(plan.shortfall, psi), psi / 2
        middle = plan.shortfall * np.array([np.cos(half), np.sin(half)])
        t = np.linspace(0, 1, 41)[:, None]
        arc = np.array([a, 0.0]) * (1 - t) ** 2 + a * e_b * t**2
        arc = arc + 2 * t * (1 - t) * (2 * middle - 0.5 * (np.array([a, 0.0]) + a * e_b))
        rest = np.array([arc[-1] + [-1.0, 0.5], [-1.0, -1.0], [a, -1.0]])
        metal = metal.difference(Polygon(np.vstack([arc, rest])))
    metal = metal.buffer(3e-4, quad_segs=2).buffer(-3e-4, quad_segs=2)
    polygon = largest(metal)
    grooves = []
    if plan.groove_n > 0:
        grooves.append(
            _groove(np.array([plan.leg_n, 0.0]), np.array([1.0, 0.0]), np.array([0.0, -1.0]), plan.groove_n)
        )
    if plan.groove_b > 0:
        grooves.append(_groove(toe_b, e_b, inward_b, plan.groove_b))
    room = polygon.buffer(-0.08)
    voids = []
    for x, y, r, stretch in plan.voids:
        hole = affinity.rotate(affinity.scale(Point(x, y).buffer(r, quad_segs=16), 1.0, stretch), 40 * x)
        if room.contains(hole):
            voids.append(hole)
    faying = section.t_b / np.sin(psi) if section.joint == "tee" else None
    return WeldShape(
        joint=section.joint,
        psi=psi,
        plan=plan,
        polygon=polygon,
        face=face,
        voids=tuple(voids),
        butting=butting,
        nonbutting=nonbutting,
        gap=section.gap,
        faying=faying,
        mirrored=mirrored,
        shift=section.t_b / np.sin(psi),
        grooves=tuple(grooves),
        air=air,
    )


def original_members(plan: SectionPlan) -> tuple[Polygon, Polygon]:
    """Return the members before welding, (butting, nonbutting), section frame."""
    psi = np.radians(plan.psi_deg)
    e_b = np.array([np.cos(psi), np.sin(psi)])
    base = Polygon(
        [(-plan.reach_left, 0), (plan.reach_right, 0), (plan.reach_right, -plan.t_n), (-plan.reach_left, -plan.t_n)]
    )
    s0 = plan.gap / np.sin(psi)
    foot = s0 * e_b
    if plan.joint == "lap":
        top = (plan.t_b + plan.gap) / np.sin(psi) * e_b
        left = -plan.reach_left - 3.0
        return Polygon([foot, top, (left, top[1]), (left, foot[1])]), base
    across = np.array([plan.t_b / np.sin(psi), 0.0])
    head = plan.reach_up / np.sin(psi) * e_b
    return Polygon([foot, head, head - across, foot - across]), base


def _mirror(polygon: Polygon, shift: float) -> Polygon:
    points = ring(polygon).copy()
    points[:, 0] = -points[:, 0] - shift
    return Polygon(points)


def _roughen(polygon: Polygon, amount: float, bend: float, rng: np.random.Generator) -> Polygon:
    if amount <= 0 and bend <= 0:
        return polygon
    points = resample(np.vstack([ring(polygon), ring(polygon)[:1]]), 0.04)[:-1]
    tangent = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) / np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    n = len(points)
    shift = amount * (waviness(n, 2, rng) * 0.6 + waviness(n, 12, rng) * 0.8)
    far = np.clip(np.hypot(*points.T) - 3.0, 0, None)
    out = points + normal * shift[:, None]
    out[:, 1] += bend * far**2 / 100.0
    return largest(Polygon(out).buffer(0))


def build(plan: SectionPlan, rng: np.random.Generator) -> Section:
    """Build the section that a plan describes."""
    # the geometry library raises the processor's divide flag on nearly equal points, its result is sound
    with np.errstate(divide="ignore", invalid="ignore"):
        return _build(plan, rng)


def _build(plan: SectionPlan, rng: np.random.Generator) -> Section:
    members = original_members(plan)
    psi = float(np.radians(plan.psi_deg))
    shift = plan.t_b / float(np.sin(psi))
    welds = []
    for i, weld in enumerate(plan.welds):
        if i == 0:
            welds.append(_weld(plan, weld, psi, members, False, rng))
        else:
            other = (_mirror(members[0], shift), _mirror(members[1], shift))
            welds.append(_weld(plan, weld, float(np.pi) - psi, other, True, rng))
    left = [_roughen(m, plan.rough, plan.bend, rng) for m in members]
    for weld_shape in welds:
        for cut in (*weld_shape.grooves, weld_shape.air):
            own = cut if not weld_shape.mirrored else _mirror(cut, shift)
            if not own.is_empty:
                left = [largest(m.difference(own)) for m in left]
    return Section(plan=plan, butting=left[0], nonbutting=left[1], welds=tuple(welds))


def face_line(weld: WeldShape) -> LineString:
    """Return the weld face as a line, own frame."""
    return LineString(weld.face)


def with_weld(plan: SectionPlan, index: int, weld: WeldPlan) -> SectionPlan:
    """Return the plan with one weld replaced."""
    welds = list(plan.welds)
    welds[index] = weld
    return replace(plan, welds=tuple(welds))
