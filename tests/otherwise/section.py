"""A whole section in mm (x right, y up): members with their ends, one weld or two, zones, what has to be seen."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import shapely
import shapely.affinity
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from macrocheck.arrays import FloatArray, Point
from tests.otherwise.welds import (
    FACES,
    MELTS,
    Design,
    NoSuchWeldError,
    Weld,
    biggest,
    draw_weld,
    solids,
    spaced,
    wander,
)

ENOUGH_EDGE_MM = 0.5
"""Stretch of a lap's end face that has to be left to tell where it was."""


@dataclass(frozen=True)
class Place:
    """Joint frame to section: mirrored or not, then moved along x."""

    shift: float = 0.0
    mirrored: bool = False

    def put(self, points: FloatArray) -> FloatArray:
        """Return (n, 2) joint frame points in the section."""
        return np.asarray(points * self.sign + np.array([self.shift, 0.0]))

    @property
    def sign(self) -> FloatArray:
        """What directions (2,) are multiplied by."""
        return np.array([-1.0 if self.mirrored else 1.0, 1.0])


@dataclass(frozen=True)
class Section:
    """What is cut through, mm. `members`: butting, nonbutting less the welds; `zones`: heat-affected, in each."""

    joint: str
    welds: tuple[Weld, ...]
    places: tuple[Place, ...]
    members: tuple[Polygon, Polygon]
    zones: tuple[tuple[Polygon, Polygon], ...]
    seam: tuple[Point, Point]
    end_lost: bool
    corner: bool = False

    def metal(self, k: int) -> Polygon:
        """Weld metal of weld `k`."""
        return Polygon(self.places[k].put(np.asarray(self.welds[k].metal.exterior.coords)))

    def needed(self) -> tuple[float, float, float, float]:
        """Bounds of what has to be seen: the welds and some of each surface beyond its toes."""
        points = []
        for weld, place in zip(self.welds, self.places, strict=True):
            d = weld.design
            way = np.array([-1.0, 0.0]) if d.over > 0 else d.along
            on = d.toe_b + (4 * d.undercut[0] + (0.25 if d.lap and d.over == 0 else 1.5)) * way
            points += [place.put(np.vstack([d.toe_n + np.array([4 * d.undercut[1] + 1.5, 0.0]), on]))]
        low = np.min([self.metal(k).bounds[:2] for k in range(len(self.welds))], axis=0)
        high = np.max([self.metal(k).bounds[2:] for k in range(len(self.welds))], axis=0)
        low, high = np.minimum(low, np.vstack(points).min(axis=0)), np.maximum(high, np.vstack(points).max(axis=0))
        if self.corner:  # that the plate ends there is what makes it one
            low[0] = min(low[0], self.members[1].bounds[0] - 0.5)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def grooves_of(weld: Weld) -> tuple[FloatArray | None, FloatArray | None]:
    """Return the undercuts beyond (butting, nonbutting) toe in the joint frame."""
    d, e = weld.design, weld.design.along
    ways = ((d.toe_b, e, np.array([e[1], -e[0]])), (d.toe_n, np.array([1.0, 0.0]), np.array([0.0, 1.0])))
    got = [
        None if g is None else p + g[:, :1] * a + g[:, 1:] * n
        for g, (p, a, n) in zip(weld.grooves, ways, strict=True)
    ]
    return got[0], got[1]


def tried(draw: Callable[[], Section]) -> Section:
    """Draw until the numbers give a section."""
    for _ in range(300):
        try:
            return draw()
        except NoSuchWeldError:
            continue
    msg = "no section in 300 tries"
    raise RuntimeError(msg)


def draw_section(rng: np.random.Generator, *, corner: bool = False) -> Section:
    """Draw a tee or a lap, or a corner with its inside fillet."""
    return tried(partial(_try, rng, corner=corner))


def _design(rng: np.random.Generator, joint: str) -> Design:
    leg = float(np.exp(rng.uniform(np.log(3.0), np.log(11))))
    ratio = float(np.exp(rng.normal(0, 0.2)))
    psi = float(rng.uniform(61, 134)) if joint == "skewed" else float(rng.normal(90, 1.0))
    thick = float(np.clip(leg * rng.uniform(0.8, 2.3), 2.5, 22))
    other = thick if rng.random() < 0.4 else float(np.clip(leg * rng.uniform(0.8, 2.3), 2.5, 22))
    gap = float(rng.uniform(0.2, 1.3)) if rng.random() < 0.18 else 0.0
    leg_b, over = leg * ratio**0.5, 0.0
    if joint == "lap":
        thick = float(np.clip(leg * rng.uniform(0.8, 1.6), 2.2, 14))
        slant = float(np.sin(np.deg2rad(psi)))
        if rng.random() < 0.6:
            leg_b = min(leg_b, 0.85 * thick)
        else:
            leg_b, over = (thick + gap) / slant, float(rng.uniform(0.1, 0.5)) * thick
    undercut = [float(rng.uniform(0.2, 0.7)) if rng.random() < 0.08 else 0.0 for _ in range(2)]
    if joint == "lap":
        undercut[0] = 0.0
    face = str(rng.choice(FACES))
    if face == "rolled":
        undercut[1] = 0.0
    melt = str(rng.choice(MELTS))
    return Design(
        psi,
        leg_b,
        leg / ratio**0.5,
        gap,
        thick,
        other,
        lap=joint == "lap",
        over=over,
        face=face,
        melt=melt,
        depth=float(np.clip(leg * rng.lognormal(np.log(0.17), 0.45), 0.3, 0.4 * min(thick, other))),
        bridged=float(rng.uniform(0.4, 1.2)) if melt == "cold_root" and gap == 0 and rng.random() < 0.4 else 0.0,
        undercut=(undercut[0], undercut[1]),
        passes=int(rng.integers(2, 5)) if leg > 5 and rng.random() < 0.4 else 1,
        voids=int(rng.integers(1, 5)) if rng.random() < 0.22 else 0,
    )


def _try(rng: np.random.Generator, *, corner: bool) -> Section:
    joint = str(rng.choice(["tee", "skewed", "lap"], p=[0.75, 0.25, 0.0] if corner else [0.45, 0.25, 0.3]))
    d = _design(rng, joint)
    welds, places = [draw_weld(rng, d)], [Place()]
    back = d.thick_b / float(d.along[1])
    if joint != "lap" and not corner and 60 <= 180 - d.psi <= 135 and rng.random() < 0.4:
        o = _design(rng, "tee")
        grow = rng.uniform(0.75, 1.25) * (d.leg_b + d.leg_n) / (o.leg_b + o.leg_n)
        o = replace(o, psi=180 - d.psi, leg_b=o.leg_b * grow, leg_n=o.leg_n * grow, gap=d.gap, bridged=0.0)
        o = replace(o, thick_b=d.thick_b, thick_n=d.thick_n, depth=min(o.depth * grow, 0.35 * d.thick_b))
        welds.append(draw_weld(rng, o))
        places.append(Place(-back, mirrored=True))
    metals = [Polygon(p.put(np.asarray(w.metal.exterior.coords))) for w, p in zip(welds, places, strict=True)]
    if len(metals) == 2 and metals[0].distance(metals[1]) < 0.6:
        msg = "the welds meet"
        raise NoSuchWeldError(msg)
    full = _members(rng, d, welds, places, back, corner=corner)
    left = [biggest(m.difference(shapely.union_all(metals))) for m in full]
    reach = [_reach(w) for w in welds]
    overlap = -min(float(full[0].bounds[0]), 0.0)
    end = -back + (max(reach[1], 0.0) if len(welds) > 1 else 0.0)
    if d.lap:
        end = max(float(full[1].bounds[0]), -overlap)
    if corner:
        top = full[1].intersection(shapely.box(-90.0, -0.08, 0.0, -0.02))
        end = max(float(top.bounds[0]), end)
    zones = tuple(draw_zones(rng, m, (full[0], full[1]), metals) for m in metals)
    seam = ((-max(reach[0], 0.0), 0.0), (end, 0.0))
    kind = "lap" if d.lap else "tee"
    lost = _end_lost(welds[0])
    return Section(kind, tuple(welds), tuple(places), (left[0], left[1]), zones, seam, lost, corner)


def _reach(weld: Weld) -> float:
    """How far weld metal reaches behind the joint root, mm."""
    band = weld.metal.intersection(shapely.box(-80, -0.02, 80, max(0.02, 0.95 * weld.design.gap)))
    return -float(band.bounds[0]) if not band.is_empty else 0.0


def _end_lost(weld: Weld) -> bool:
    d = weld.design
    if not d.lap:
        return False
    e = d.along
    inner = LineString([e * (d.gap / e[1]), e * ((d.gap + d.thick_b) / e[1])])
    left = shapely.affinity.translate(inner, -0.05, 0.0).difference(weld.metal)
    return max((p.length for p in getattr(left, "geoms", [left])), default=0.0) < ENOUGH_EDGE_MM


def _members(
    rng: np.random.Generator, d: Design, welds: list[Weld], places: list[Place], back: float, *, corner: bool
) -> tuple[Polygon, Polygon]:
    """Both members with their far ends, saw-cut and rounded, and with undercuts; as they were before welding."""
    leg = max(d.leg_b, d.leg_n)
    beyond = 4 * max(d.undercut) + 2.0
    right = d.leg_n + beyond + float(rng.uniform(0.2, 2.5)) * leg
    up = d.leg_b + beyond + float(rng.uniform(0.2, 2.5)) * leg
    other = welds[1].design if len(welds) > 1 else None
    behind = (
        back + (other.leg_n + 4 * max(other.undercut) + 2.0 if other else 0.5) + float(rng.uniform(0.1, 2.5)) * leg
    )
    up = max(up, other.leg_b + 4 * max(other.undercut) + 2.0) if other else up
    if d.lap:
        behind = d.over + float(rng.uniform(1.0, 4.0)) * d.thick_b
    if corner:
        behind = _end_behind(rng, welds[0], back)
    butting, nonbutting, _ = solids(d)
    far = d.over + beyond + float(rng.uniform(0.8, 3.5)) * leg
    window = shapely.box(-max(far, 1.0), -1, 200, 200) if d.lap else shapely.box(-200, -1, 200, up * d.along[1])
    butting = biggest(butting.intersection(window))
    nonbutting = biggest(nonbutting.intersection(shapely.box(-behind, -100, right, 5)))
    near = shapely.union_all(
        [Polygon(p.put(np.asarray(w.metal.exterior.coords))) for w, p in zip(welds, places, strict=True)]
    ).buffer(beyond * 0.8)
    out = []
    for shape in (butting, nonbutting):
        cut = as_cut(rng, shape, near)
        for weld, place in zip(welds, places, strict=True):
            for curve, normal in zip(
                grooves_of(weld), (np.array([d.along[1], -d.along[0]]), np.array([0.0, 1.0])), strict=True
            ):
                if curve is not None:
                    lid = curve[[-1, 0]] + 0.4 * normal
                    cut = biggest(cut.difference(Polygon(place.put(np.vstack([curve, lid]))).buffer(0)))
        out.append(cut)
    return out[0], out[1]


def _end_behind(rng: np.random.Generator, weld: Weld, back: float) -> float:
    """How far behind the joint root a corner's nonbutting plate ends: flush, proud, or half covered."""
    kind = rng.random()
    if kind < 0.4:
        behind = back + float(rng.normal(0, 0.08))
    elif kind < 0.8:
        behind = back + float(rng.uniform(0.2, 2.5))
    else:
        behind = back * float(rng.uniform(0.5, 0.95))
    if behind < max(_reach(weld), 0.0) + 0.6 or weld.metal.bounds[0] < 0.4 - behind:
        msg = "the weld melts the plate's end"
        raise NoSuchWeldError(msg)
    return behind


def as_cut(rng: np.random.Generator, shape: Polygon, near: BaseGeometry) -> Polygon:
    """Return a member with its outline as it was cut, rough and uneven, but as drawn within `near`."""
    ring = spaced(np.asarray(shape.exterior.coords), 0.08)[:-1]
    at = np.arange(len(ring), dtype=np.float64) * 0.08
    rough = float(rng.choice([0.0, 0.01, 0.03])) * wander(rng, at, 0.4) + 0.02 * wander(rng, at, 3.0)
    off = np.clip(shapely.distance(shapely.points(ring), near) / 1.5, 0, 1)
    t = np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0)
    ring = ring + (rough * off)[:, None] * np.column_stack([-t[:, 1], t[:, 0]]) / np.hypot(*t.T)[:, None]
    cut = shapely.union(Polygon(ring).buffer(0).difference(near), shape.intersection(near), grid_size=1e-6)
    return biggest(cut)


def draw_zones(
    rng: np.random.Generator, metal: Polygon, members: tuple[Polygon, Polygon], metals: list[Polygon]
) -> tuple[Polygon, Polygon]:
    """Heat-affected zones in both members; their width changes along the boundary."""
    size = float(np.clip(metal.area**0.5 * rng.uniform(0.06, 0.28), 0.3, 2.6))
    ring = spaced(np.asarray(metal.exterior.coords), 0.2)[:-1]
    angle = np.linspace(0, 2 * np.pi, len(ring), endpoint=False)
    width = size * (1 + 0.25 * np.sin(angle + rng.uniform(0, 6)) + 0.12 * np.sin(3 * angle + rng.uniform(0, 6)))
    grown = shapely.union_all(shapely.buffer(shapely.points(ring), width)).union(metal)
    metal_all = shapely.union_all(metals)
    got = [m.intersection(grown).difference(metal_all).buffer(-0.005).buffer(0.005) for m in members]
    parts = [max(getattr(g, "geoms", [g]), key=lambda p: p.area) if not g.is_empty else Polygon() for g in got]
    return parts[0], parts[1]
