"""The section of one fillet weld in its joint frame, mm: x along the nonbutting surface, y out of that member."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from scipy.interpolate import CubicSpline, PchipInterpolator
from shapely import LineString, Polygon

from macrocheck.arrays import FloatArray

FACES = ("superellipse", "superellipse", "spline", "flat", "wavy", "beads", "sagging", "rolled")
MELTS = ("dish", "dish", "finger", "papilla", "thin", "lobes", "deep_root", "one_sided", "cold_root", "cold_toe")


class NoSuchWeldError(Exception):
    """These numbers give no weld; draw others."""


@dataclass(frozen=True)
class Design:
    """What a weld is to be. Lengths in mm, `psi` in degrees; `over`: how far a lap's toe lies on the top."""

    psi: float
    leg_b: float
    leg_n: float
    gap: float
    thick_b: float
    thick_n: float
    lap: bool = False
    over: float = 0.0
    face: str = "flat"
    melt: str = "dish"
    depth: float = 1.0
    bridged: float = 0.0
    undercut: tuple[float, float] = (0.0, 0.0)
    passes: int = 1
    voids: int = 0

    @property
    def along(self) -> FloatArray:
        """Unit vector (2,) along the butting surface, away from the root."""
        return np.array([np.cos(np.deg2rad(self.psi)), np.sin(np.deg2rad(self.psi))])

    @property
    def toe_b(self) -> FloatArray:
        """Toe on the butting member (2,)."""
        return np.asarray(self.leg_b * self.along - np.array([self.over, 0.0]))

    @property
    def toe_n(self) -> FloatArray:
        """Toe on the nonbutting member (2,)."""
        return np.array([self.leg_n, 0.0])


@dataclass(frozen=True)
class Weld:
    """A weld as drawn: `face` toe B to toe N, `fusion` back through the root, `metal` within both less nothing."""

    design: Design
    face: FloatArray
    fusion: FloatArray
    metal: Polygon
    beads: tuple[Polygon, ...]
    voids: tuple[FloatArray, ...]
    grooves: tuple[FloatArray | None, FloatArray | None]


def spaced(curve: FloatArray, step: float) -> FloatArray:
    """Return the curve (n, 2) with points every `step` along it."""
    seg = np.hypot(*np.diff(curve, axis=0).T)
    keep = np.concatenate([[True], seg > 1e-9])
    curve, at = curve[keep], np.concatenate([[0.0], np.cumsum(seg[seg > 1e-9])])
    to = np.linspace(0.0, at[-1], max(int(at[-1] / step), 8) + 1)
    return np.column_stack([np.interp(to, at, curve[:, k]) for k in (0, 1)])


def wander(rng: np.random.Generator, at: FloatArray, length: float) -> FloatArray:
    """Return a smooth random function of `at` (n,), about 1 strong, that changes over `length`."""
    knots = np.arange(at.min() - 3 * length, at.max() + 4 * length, length)
    return np.asarray(CubicSpline(knots, rng.normal(0, 1, len(knots)))(at))


def biggest(shape: shapely.Geometry) -> Polygon:
    """Return the largest polygon of a geometry, without holes."""
    parts = [p for p in getattr(shape, "geoms", [shape]) if p.geom_type == "Polygon" and not p.is_empty]
    if not parts:
        msg = "nothing is left"
        raise NoSuchWeldError(msg)
    return Polygon(max(parts, key=lambda p: p.area).exterior)


def _face(rng: np.random.Generator, d: Design) -> FloatArray:
    a, b = d.toe_b, d.toe_n
    t = np.linspace(0.0, 1.0, 400)
    chord = b - a
    width = float(np.hypot(*chord))
    out = np.array([-chord[1], chord[0]]) / width
    out = out if out @ (a + b) > 0 else -out
    straight = a + t[:, None] * chord
    if d.face == "superellipse" and d.over == 0:
        n = float(np.exp(rng.uniform(np.log(0.72), np.log(1.7))))
        u = np.linspace(0, np.pi / 2, 600)
        return spaced(np.sin(u)[:, None] ** (2 / n) * b + np.cos(u)[:, None] ** (2 / n) * a, 0.02)
    if d.face == "spline" or (d.face == "superellipse" and d.over > 0):
        k = np.concatenate([[0.0], np.sort(rng.uniform(0.15, 0.85, 3)), [1.0]])
        h = np.concatenate([[0.0], rng.normal(rng.normal(0.04, 0.08), 0.03, 3), [0.0]])
        rise = np.asarray(PchipInterpolator(k, h)(t))
    elif d.face == "wavy":
        rise = rng.normal(0.02, 0.06) * 4 * t * (1 - t) + 0.018 * wander(rng, t, 0.13) * np.minimum(
            1, 12 * t * (1 - t)
        )
    elif d.face == "beads":
        count = int(rng.integers(2, 5))
        edges = np.concatenate([[0.0], np.sort(rng.uniform(0.2, 0.8, count - 1)), [1.0]])
        rise = rng.uniform(-0.05, 0.06) * 4 * t * (1 - t)
        for lo, hi in pairwise(edges):
            rise = rise + np.where((t > lo) & (t < hi), np.maximum((t - lo) * (hi - t), 0) ** 0.7, 0.0) * 0.35
    elif d.face == "sagging":
        rise = rng.uniform(0.05, 0.12) * (np.sin(2 * np.pi * t**0.9 - np.pi) + 0.5 * np.sin(np.pi * t))
    else:
        rise = rng.uniform(-0.012, 0.012) * 4 * t * (1 - t)
    curve = straight + (rise * width)[:, None] * out
    if d.face == "rolled":  # weld metal rolls over its toe on the nonbutting member without being fused there
        roll = rng.uniform(0.04, 0.10) * width
        nose = b + roll * np.array([1.0, rng.uniform(0.7, 1.3)])
        under = np.deg2rad(rng.uniform(20, 60))
        down = np.array([0.0, 0.55 * (nose[1] - b[1])])
        first = bezier(a, a + 0.4 * chord + 0.04 * width * out, nose + 2 * down, nose)
        last = bezier(nose, nose - down, b + 0.6 * roll * np.array([np.cos(under), np.sin(under)]), b)
        curve = np.vstack([first, last[1:]])
    return spaced(curve, 0.02)


def bezier(*control: FloatArray) -> FloatArray:
    """The cubic through four control points (2,), 200 points of it."""
    p, q, r, s = control
    t = np.linspace(0.0, 1.0, 200)[:, None]
    return np.asarray((1 - t) ** 3 * p + 3 * t * (1 - t) ** 2 * q + 3 * t**2 * (1 - t) * r + t**3 * s)


def _reach(fill: Polygon, middle: FloatArray, angles: FloatArray) -> FloatArray:
    """How far it is from `middle` to the fill's outline at each angle (n,)."""
    ring, out = fill.exterior, []
    for angle in angles:
        ray = LineString([middle, middle + 200 * np.array([np.cos(angle), np.sin(angle)])])
        hit = ring.intersection(ray)
        out.append(shapely.distance(shapely.Point(middle), hit) if not hit.is_empty else 0.0)
    return np.array(out)


def _melt(rng: np.random.Generator, d: Design, fill: Polygon) -> Polygon:
    """What was molten: a star about a point in the fill, by a spline through radii."""
    middle = (d.toe_b + d.toe_n) * rng.uniform(0.22, 0.32)
    rays = np.array([np.arctan2(*(p - middle)[::-1]) for p in (d.toe_n, np.zeros(2), d.toe_b)])
    start = rays[0]
    root, end = ((rays[1:] - start) % (2 * np.pi)) - 2 * np.pi
    u = np.array([0.0, 0.18, 0.4, 0.62, 0.82, 1.0, 1.18, 1.38, 1.6, 1.82, 2.0])
    angle = np.where(u <= 1, u * root, root + (u - 1) * (end - root))
    base = _reach(fill, middle, start + angle)
    base[0], base[-1] = (float(np.hypot(*(p - middle))) for p in (d.toe_n, d.toe_b))
    side = 1 - np.abs(np.abs(u - 1) - 0.5) * 2
    deep = d.depth * (0.35 + 0.65 * side) * np.exp(0.15 * rng.normal(0, 1, len(u)))
    deep[5] = d.depth * rng.uniform(0.2, 0.8)
    if d.melt == "thin":
        deep *= 0.35
    elif d.melt == "finger":
        deep[3:6] += d.depth * rng.uniform(0.5, 1.4) * np.array([0.2, 1.0, 0.35])
    elif d.melt == "papilla":
        deep[4:7] += d.depth * rng.uniform(0.4, 1.2) * np.array([0.15, 1.0, 0.15])
    elif d.melt == "lobes":
        deep[[2, 4, 6, 8]] *= rng.uniform(1.0, 1.5, 4)
        deep[[3, 5, 7]] *= 0.7
    elif d.melt == "deep_root":
        deep[5] = d.depth * rng.uniform(1.2, 2.2)
    elif d.melt == "one_sided":
        deep[:5] *= rng.uniform(1.0, 1.6)
        deep[6:] *= rng.uniform(0.15, 0.5)
    elif d.melt == "cold_root":
        deep[4:7] = -d.depth * np.array([rng.uniform(-0.2, 0.4), rng.uniform(0.2, 0.6), rng.uniform(-0.2, 0.4)])
    elif d.melt == "cold_toe":
        at = slice(1, 4) if d.over > 0 or rng.random() < 0.5 else slice(7, 10)
        deep[at] = -d.depth * np.array([0.4, 0.5, 0.4])
    if d.face == "rolled":
        deep[1] = -0.2
    if d.bridged > 0:
        deep[5] = -d.bridged
    deep[[0, -1]] = 0.0
    order = np.argsort(angle)
    fine = np.linspace(end, 0.0, 700)
    radius = np.asarray(PchipInterpolator(angle[order], np.maximum(base + deep, 0.15 * base)[order])(fine))
    window = np.clip(np.minimum(-fine, fine - end) / 0.25, 0, 1)
    radius = radius + 0.02 * d.depth**0.5 * window * wander(rng, fine, 0.12)
    theta = start + fine
    return Polygon(
        np.vstack([middle, middle + radius[:, None] * np.column_stack([np.cos(theta), np.sin(theta)])])
    ).buffer(0)


def solids(d: Design) -> tuple[Polygon, Polygon, Polygon]:
    """Return the butting member, the nonbutting one and the gap between them, as if they had no end."""
    e, far = d.along, 90.0
    foot = e * (d.gap / e[1])
    if d.lap:
        top = e * ((d.gap + d.thick_b) / e[1])
        butting = Polygon([foot, top, top - [far, 0], foot - [far, 0]])
    else:
        back = np.array([d.thick_b / e[1], 0.0])
        butting = Polygon([foot, e * far, e * far - back, foot - back])
    nonbutting = Polygon([(-far, 0), (far, 0), (far, -d.thick_n), (-far, -d.thick_n)])
    gap = Polygon([(0, 0), foot, foot - [far, 0], (-far, 0)]) if d.gap > 0 else Polygon()
    return butting, nonbutting, gap


def draw_weld(rng: np.random.Generator, d: Design) -> Weld:
    """Draw the weld of a design; NoSuchWeldError where it cannot be."""
    face = _face(rng, d)
    butting, nonbutting, gap = solids(d)
    corner = [d.leg_b * d.along] if d.over > 0 else []
    fill = Polygon(np.vstack([face, [(0.0, 0.0)], *[[c] for c in corner]]))
    if not fill.is_valid or fill.intersection(butting.union(nonbutting)).area > 0.004:
        msg = "the face crosses a member"
        raise NoSuchWeldError(msg)
    melt = _melt(rng, d, fill)
    if d.bridged > 0:
        t = np.linspace(0, 1, 40)[:, None]
        ends = np.array([d.bridged * rng.uniform(0.8, 1.3), 0.0]), d.along * d.bridged * rng.uniform(0.8, 1.3)
        arc = (1 - t) ** 2 * ends[0] + 2 * t * (1 - t) * 0.2 * (ends[0] + ends[1]) / 2 + t**2 * ends[1]
        fill = biggest(fill.difference(Polygon(np.vstack([[-0.05 * (ends[0] + ends[1])], arc]))))
    parts = [fill, *(melt.intersection(p) for p in (butting, nonbutting, gap))]
    metal = biggest(shapely.union_all([p.buffer(1e-4) for p in parts if not p.is_empty]).buffer(-1e-4))
    metal = biggest(metal.buffer(0.004).buffer(-0.008).buffer(0.004))
    if metal.intersection(butting).bounds[0] < -0.8 * d.thick_b / d.along[1] and not d.lap:
        msg = "melted through the butting member"
        raise NoSuchWeldError(msg)
    if d.lap and d.over == 0 and metal.bounds[3] > d.gap + d.thick_b:
        msg = "melted through the upper plate's top"
        raise NoSuchWeldError(msg)
    if metal.bounds[1] < -0.85 * d.thick_n:
        msg = "melted through the nonbutting member"
        raise NoSuchWeldError(msg)
    fusion = behind(metal, face)
    grooves = (draw_groove(rng, d.undercut[0]), draw_groove(rng, d.undercut[1]))
    return Weld(d, face, fusion, metal, _beads(rng, d, metal), draw_voids(rng, d.voids, metal), grooves)


def behind(metal: Polygon, face: FloatArray) -> FloatArray:
    """The outline from toe N through the root to toe B."""
    ring = spaced(np.asarray(metal.exterior.coords), 0.01)[:-1]
    first, last = (int(np.argmin(np.hypot(*(ring - p).T))) for p in (face[-1], face[0]))
    ring = np.roll(ring, -first, axis=0)
    last = (last - first) % len(ring)
    ways = ring[: last + 1], np.vstack([ring[last:], ring[:1]])[::-1]
    line = LineString(face)
    off = [float(shapely.distance(shapely.points(w[:: max(len(w) // 40, 1)]), line).mean()) for w in ways]
    way = ways[int(np.argmax(off))]
    if min(off) > 0.02:
        msg = "the face is not the outline"
        raise NoSuchWeldError(msg)
    return np.vstack([face[-1], way[2:-2], face[0]])


def draw_groove(rng: np.random.Generator, depth: float) -> FloatArray | None:
    """An undercut (n, 2): x along the surface from the toe, y out of it."""
    if depth <= 0:
        return None
    width, lean = depth * rng.uniform(2.0, 4.0), rng.uniform(0.55, 0.9)
    t = np.linspace(0, 1, 60)
    return np.column_stack([width * t, -depth * np.sin(np.pi * t**lean) ** 1.2])


def _beads(rng: np.random.Generator, d: Design, metal: Polygon) -> tuple[Polygon, ...]:
    """Later runs of a weld, each over what was laid before."""
    out = []
    for k in range(d.passes - 1):
        t = rng.uniform(0.2, 0.5) + 0.45 * (k % 2)
        middle = d.toe_b * (1 - t) + d.toe_n * t
        size = rng.uniform(0.45, 0.7) * float(np.hypot(*(d.toe_b - d.toe_n)))
        angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)
        r = size * (1 + 0.06 * np.sin(2 * angle + rng.uniform(0, 6)) + 0.05 * np.sin(3 * angle + rng.uniform(0, 6)))
        ring = middle + r[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
        bead = metal.intersection(Polygon(ring).buffer(0))
        if bead.area > 0.1 * metal.area:
            out.append(biggest(bead))
    return tuple(out)


def draw_voids(rng: np.random.Generator, count: int, metal: Polygon) -> tuple[FloatArray, ...]:
    """Return `count` holes (n, 2) well inside the metal, fewer where there is no room."""
    out: list[Polygon] = []
    size = metal.area**0.5
    for _ in range(60):
        if len(out) == count:
            break
        x, y = (rng.uniform(metal.bounds[k], metal.bounds[k + 2]) for k in (0, 1))
        a = np.clip(size * rng.lognormal(np.log(0.05), 0.5), 0.12, 0.15 * size)
        angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
        r = a * (1 + 0.15 * np.cos(2 * angle + rng.uniform(0, 6)))
        blob = Polygon(np.array([x, y]) + r[:, None] * np.column_stack([np.cos(angle), np.sin(angle)]))
        if metal.buffer(-0.15).contains(blob) and all(o.distance(blob) > 0.2 for o in out):
            out.append(blob)
    return tuple(np.asarray(b.exterior.coords)[:-1] for b in out)
