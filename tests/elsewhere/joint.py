"""A whole section: members with their ends and skins, one or two welds, all in section mm (x right, y up)."""

from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely import Polygon

from macrocheck.arrays import FloatArray, Point
from tests.elsewhere.curves import lengths, noise_along, resampled
from tests.elsewhere.fillet import Fillet, NoSectionError, Plan, draw_fillet, whole

MELTS = ("dish", "dish", "rim", "finger", "shallow", "wide", "lobes")
FACES = ("flat", "flat", "convex", "concave", "sagging", "rippled", "overlapped", "humped")
UNMELTED_EDGE_MM = 0.5
"""Shortest stretch of a lap's end face that still tells where it was."""


@dataclass(frozen=True)
class Frame:
    """From a weld's joint frame to section mm: mirrored or not, then shifted along x."""

    shift: float = 0.0
    mirrored: bool = False

    def place(self, points: FloatArray) -> FloatArray:
        """Return (n, 2) joint frame points in section mm."""
        sign = np.array([-1.0 if self.mirrored else 1.0, 1.0])
        moved = np.asarray(points, dtype=np.float64) * sign + np.array([self.shift, 0.0])
        return np.asarray(moved)

    def turn(self, vector: FloatArray) -> FloatArray:
        """Return a direction (2,) in section mm."""
        return np.asarray(vector * np.array([-1.0 if self.mirrored else 1.0, 1.0]))


@dataclass(frozen=True)
class Section:
    """What is cut through. `members`: butting, nonbutting, as the eye sees them, less the weld metal."""

    joint: str
    fillets: tuple[Fillet, ...]
    frames: tuple[Frame, ...]
    members: tuple[Polygon, Polygon]
    seam: tuple[Point, Point] | None
    end_lost: bool

    def bounds(self) -> tuple[float, float, float, float]:
        """What has to be in the picture: the welds, and some of every surface beyond a toe."""
        points = []
        for weld, frame in zip(self.fillets, self.frames, strict=True):
            plan = weld.plan
            beyond = [plan.toe_nonbutting + np.array([3 * plan.undercut[1] + 1.2, 0.0])]
            way = np.array([-1.0, 0.0]) if plan.over > 0 else plan.along
            beyond.append(plan.toe_butting + (3 * plan.undercut[0] + (0.3 if plan.lap else 1.2)) * way)
            points.append(frame.place(np.vstack([np.asarray(weld.metal.exterior.coords), *beyond])))
        low, high = np.vstack(points).min(axis=0), np.vstack(points).max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])

    def metal(self, k: int) -> Polygon:
        """Weld metal of weld `k` in section mm."""
        return Polygon(self.frames[k].place(np.asarray(self.fillets[k].metal.exterior.coords)))


def _plan(rng: np.random.Generator, joint: str) -> Plan:
    leg = float(np.exp(rng.uniform(np.log(3.2), np.log(12))))
    unlike = float(np.exp(rng.normal(0, 0.16)))
    psi = 90.0
    if joint == "skewed":
        psi = float(rng.uniform(62, 133))
    elif joint != "lap":
        psi = float(rng.normal(90, 1.2))
    else:
        psi = float(rng.normal(90, 2.0))
    thick_n = float(np.clip(leg * rng.uniform(0.8, 2.5), 2.5, 25))
    thick_b = float(np.clip(leg * rng.uniform(0.8, 2.2), 2.5, 25))
    leg_b, leg_n, over = leg * unlike**0.5, leg / unlike**0.5, 0.0
    gap = float(rng.uniform(0.2, 1.2)) if rng.random() < 0.2 else 0.0
    if joint == "lap":
        thick_b = float(np.clip(leg * rng.uniform(0.75, 1.5), 2.0, 14))
        slant = np.sin(np.deg2rad(psi))
        kind = rng.choice(["below", "corner", "over"], p=[0.45, 0.2, 0.35])
        if kind == "below":
            leg_b = min(leg_b, 0.88 * thick_b)
            leg_b = max(leg_b, 2.0)
            thick_b = max(thick_b, leg_b / 0.88)
        elif kind == "corner":
            leg_b = (thick_b + gap) / slant
        else:
            leg_b = (thick_b + gap) / slant
            over = float(rng.uniform(0.1, 0.5)) * thick_b
    melt = str(rng.choice(MELTS))
    cold = str(rng.choice(["none", "butting", "nonbutting"], p=[0.8, 0.1, 0.1]))
    if over > 0:
        cold = "none" if cold == "butting" else cold
    depth = float(np.clip(rng.gamma(3.0, 0.08) * leg, 0.25, 0.45 * min(thick_n, thick_b)))
    cut = [float(rng.uniform(0.15, 0.6)) if rng.random() < 0.1 else 0.0 for _ in range(2)]
    if over > 0:
        cut[0] = 0.0
    passes = int(rng.integers(2, 6)) if leg > 5.5 and rng.random() < 0.4 else 1
    return Plan(
        psi=psi,
        leg_butting=leg_b,
        leg_nonbutting=leg_n,
        gap=gap,
        thick_butting=thick_b,
        thick_nonbutting=thick_n,
        lap=joint == "lap",
        over=over,
        melt=melt,
        face=str(rng.choice(FACES)),
        root="short" if gap == 0 and over == 0 and rng.random() < 0.12 else "fused",
        cold=cold,
        depth=depth,
        undercut=(cut[0], cut[1]),
        passes=passes,
        voids=int(rng.integers(1, 5)) if rng.random() < 0.25 else 0,
        wave=float(rng.choice([0.0, 0.02, 0.05, 0.09])),
    )


def _skin(rng: np.random.Generator, shape: Polygon, rough: float, keep: shapely.Geometry) -> Polygon:
    """The member with a rough outline, smooth within `keep`, where the weld lies."""
    ring = resampled(np.asarray(shape.exterior.coords), 0.06)
    at = lengths(ring)
    shift = rough * (noise_along(rng, at, 0.5) + 0.6 * noise_along(rng, at, 2.5))
    fade = np.clip(shapely.distance(shapely.points(ring), keep) / 0.8, 0.0, 1.0)
    tangent = np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0)
    tangent[0] = tangent[-1] = ring[1] - ring[-2]
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-12)[:, None]
    return whole(
        Polygon(ring + (shift * fade)[:, None] * np.column_stack([-tangent[:, 1], tangent[:, 0]])).buffer(0)
    )


def _rounded(shape: Polygon, radius: float, keep: shapely.Geometry) -> Polygon:
    """The member with its far corners rounded, those within `keep` left sharp."""
    soft = shape.buffer(-radius).buffer(radius)
    return whole(soft.union(shape.intersection(keep), grid_size=1e-5))


def _members(
    rng: np.random.Generator, plan: Plan, joint: str, fillets: tuple[Fillet, ...], frames: tuple[Frame, ...]
) -> tuple[Polygon, Polygon]:
    e = plan.along
    far = 70.0
    leg = max(plan.leg_butting, plan.leg_nonbutting)
    back = plan.thick_butting / e[1]
    seen = 3 * max(plan.undercut) + 1.5  # of a surface beyond the toe, so that it can be told where it was
    reach = plan.leg_nonbutting + (seen + float(rng.uniform(0.3, 2.5)) * leg if rng.random() < 0.6 else far)
    behind = far
    if joint == "corner":
        behind = back + float(rng.uniform(-0.3, 0.3)) * (rng.random() < 0.5)
    elif joint != "lap" and rng.random() < 0.6:
        behind = (
            back + plan.leg_nonbutting * (1.2 if len(fillets) > 1 else 0.0) + float(rng.uniform(0.6, 3.0)) * leg
        )
    bevel = rng.normal(0, 0.3, 2) * (rng.random() < 0.5)
    low = -plan.thick_nonbutting
    nonbutting = Polygon([(reach, 0), (reach + bevel[0], low), (-behind + bevel[1], low), (-behind, 0)])
    if joint == "lap":
        top = plan.thick_butting + plan.gap
        inner = far if rng.random() < 0.7 else float(rng.uniform(1.5, 4)) * leg + plan.over
        foot, head = e * (plan.gap / e[1]), e * (top / e[1])
        butting = Polygon([foot, head, head - [inner, 0], foot - [inner, 0]])
    else:
        tall = plan.leg_butting + (seen + float(rng.uniform(0.3, 2.5)) * leg if rng.random() < 0.5 else far)
        foot, head = e * (plan.gap / e[1]), e * tall
        tilt = np.array([0.0, rng.normal(0, 0.4)]) * (rng.random() < 0.5)
        butting = Polygon([foot, head, head - [back, 0] + tilt, foot - [back, 0]])
    welds = shapely.union_all(
        [Polygon(f.place(np.asarray(w.metal.exterior.coords))) for w, f in zip(fillets, frames, strict=True)]
    )
    root = shapely.MultiPoint([(0, 0), (0, plan.gap), (-back, 0), (-back, plan.gap)])
    keep = welds.union(root).buffer(0.35)
    radius = float(rng.uniform(0.02, 0.5)) if rng.random() < 0.6 else 0.02
    rough = float(rng.choice([0.0, 0.01, 0.02, 0.04]))
    out = []
    for shape in (butting, nonbutting):
        worked = _skin(rng, _rounded(shape, radius, keep), rough, keep)
        for weld, frame in zip(fillets, frames, strict=True):
            for groove in _groove_polygons(weld, frame):
                worked = whole(worked.difference(groove))
        out.append(worked)
    return out[0], out[1]


def groove_curves(weld: Fillet) -> tuple[FloatArray | None, FloatArray | None]:
    """Outline of the undercut beyond the (butting, nonbutting) toe, joint frame mm, from the toe outwards."""
    plan = weld.plan
    out: list[FloatArray | None] = []
    for k, (toe, along, normal) in enumerate(
        (
            (plan.toe_butting, plan.along, np.array([plan.along[1], -plan.along[0]])),
            (plan.toe_nonbutting, np.array([1.0, 0.0]), np.array([0.0, 1.0])),
        )
    ):
        groove = weld.grooves[k]
        out.append(None if groove is None else toe + groove[:, :1] * along + groove[:, 1:] * normal)
    return out[0], out[1]


def _groove_polygons(weld: Fillet, frame: Frame) -> list[Polygon]:
    plan, out = weld.plan, []
    normals = (np.array([plan.along[1], -plan.along[0]]), np.array([0.0, 1.0]))
    for curve, normal in zip(groove_curves(weld), normals, strict=True):
        if curve is not None:
            lid = curve[[-1, 0]] + 0.3 * normal
            out.append(Polygon(frame.place(np.vstack([curve, lid]))).buffer(0))
    return out


def _end_lost(weld: Fillet) -> bool:
    """Whether no stretch of a lap's end face is left by which a person could place it."""
    plan = weld.plan
    if not plan.lap:
        return False
    edge = plan.thick_butting / plan.along[1]
    foot = plan.along * (plan.gap / plan.along[1])
    line = shapely.LineString([foot, foot + plan.along * edge])
    inside = np.array([plan.along[1], -plan.along[0]]) * -0.05
    left = shapely.affinity.translate(line, *inside).difference(weld.metal)
    longest = max((p.length for p in getattr(left, "geoms", [left])), default=0.0)
    return longest < UNMELTED_EDGE_MM


def draw_section(rng: np.random.Generator) -> Section:
    """Draw a section; tries until the numbers give one."""
    for _ in range(200):
        try:
            return _try_section(rng)
        except NoSectionError:
            continue
    msg = "no section in 200 tries"
    raise RuntimeError(msg)


def _try_section(rng: np.random.Generator) -> Section:
    joint = str(rng.choice(["tee", "skewed", "lap", "corner"], p=[0.4, 0.2, 0.3, 0.1]))
    plan = _plan(rng, joint)
    fillets = [draw_fillet(rng, plan)]
    frames = [Frame()]
    back = plan.thick_butting / plan.along[1]
    if joint in ("tee", "skewed") and 60 <= 180 - plan.psi <= 135 and rng.random() < 0.45:
        other = replace(_plan(rng, joint), psi=180 - plan.psi, gap=plan.gap, lap=False)
        scale = float(rng.uniform(0.8, 1.2)) * plan.leg_nonbutting / other.leg_nonbutting
        other = replace(
            other,
            leg_butting=other.leg_butting * scale,
            leg_nonbutting=other.leg_nonbutting * scale,
            thick_butting=plan.thick_butting,
            thick_nonbutting=plan.thick_nonbutting,
            depth=min(other.depth * scale, 0.4 * plan.thick_butting),
        )
        fillets.append(draw_fillet(rng, other))
        frames.append(Frame(-back, mirrored=True))
    metals = [Polygon(f.place(np.asarray(w.metal.exterior.coords))) for w, f in zip(fillets, frames, strict=True)]
    if len(metals) == 2 and metals[0].distance(metals[1]) < 0.5:
        msg = "the welds meet"
        raise NoSectionError(msg)
    if not plan.lap and len(metals) == 1 and metals[0].bounds[0] < -0.8 * back:
        msg = "melted through"
        raise NoSectionError(msg)
    members = _members(rng, plan, joint, tuple(fillets), tuple(frames))
    bare = [whole(m.difference(shapely.union_all(metals), grid_size=1e-5)) for m in members]
    start = -max(_reach(fillets[0]), 0.0)
    end = -back + (max(_reach(fillets[1]), 0.0) if len(fillets) > 1 else 0.0)
    seam = ((start, 0.0), (end if not plan.lap else -70.0, 0.0))
    kind = {"skewed": "tee", "corner": "tee"}.get(joint, joint)
    return Section(kind, tuple(fillets), tuple(frames), (bare[0], bare[1]), seam, _end_lost(fillets[0]))


def _reach(weld: Fillet) -> float:
    """How far weld metal reaches behind the joint root along the faying surface, mm; negative: it misses it."""
    line = shapely.LineString([(-60, -0.01), (60, -0.01)]).intersection(weld.metal)
    up = shapely.LineString([(-60, 0.01), (60, 0.01)]).intersection(weld.metal)
    if weld.plan.gap > 0:
        up = shapely.box(-60, 0.01, 60, 0.95 * weld.plan.gap).intersection(weld.metal)
    return -min((g.bounds[0] for g in (line, up) if not g.is_empty), default=0.0)
