"""Sections of a bead on plate, mm: x along the plate's surface, y out of it, the bead's middle near x = 0."""

from dataclasses import dataclass
from functools import partial

import numpy as np
import shapely
from shapely import LineString, Polygon

from macrocheck.arrays import FloatArray
from tests.otherwise.section import Place, Section, as_cut, draw_zones, grooves_of, tried
from tests.otherwise.welds import (
    Design,
    NoSuchWeldError,
    Weld,
    behind,
    bezier,
    biggest,
    draw_groove,
    draw_voids,
    spaced,
    wander,
)

FACES = ("cap", "cap", "ellipse", "skewed", "wavy", "low", "high", "rolled", "rolled_both", "remelt")
MELTS = ("dish", "dish", "shallow", "finger", "deep", "lobes", "one_sided", "box", "cold_toe", "through")


@dataclass(frozen=True)
class Run:
    """One bead: width and the plate's thickness, mm, what its face and what its melt are like."""

    width: float
    thick: float
    face: str
    melt: str


def draw_bead_section(rng: np.random.Generator) -> Section:
    """Draw a plate with a bead on it."""
    return tried(partial(_try, rng))


def draw_run(rng: np.random.Generator, run: Run) -> tuple[FloatArray, FloatArray]:
    """Return face, from left to right toe, and fusion boundary, back again (n, 2), of one bead about x = 0."""
    t = np.linspace(0.0, 1.0, 500)
    x = run.width * (t - 0.5)
    return _face(rng, run), np.column_stack([x, -_depth(rng, run, t)])[::-1]


def _face(rng: np.random.Generator, run: Run) -> FloatArray:
    angle = np.linspace(np.pi, 0.0, 600)
    c, s = np.cos(angle), np.sin(angle)
    w = run.width
    rise = float(rng.uniform(0.10, 0.28))
    p = float(rng.uniform(0.8, 1.3))
    if run.face == "low":
        rise = float(rng.uniform(0.03, 0.07))
    elif run.face == "high":
        rise = float(rng.uniform(0.3, 0.5))
    elif run.face == "remelt":  # melted anew without filler: all but flat, or sunk
        rise = float(rng.choice([-1.0, 1.0]) * rng.uniform(0.012, 0.035))
    if run.face.startswith("rolled"):
        return _rolled(rng, w, rise, both=run.face == "rolled_both")
    x, y = np.sign(c) * np.abs(c) ** p, np.abs(s) ** (2.0 if run.face != "ellipse" else 1.1)
    if run.face == "skewed":
        x = 2 * ((x + 1) / 2) ** float(np.exp(rng.choice([-1, 1]) * rng.uniform(0.2, 0.5))) - 1
    curve = np.column_stack([x * w / 2, rise * w * y])
    if run.face == "wavy":
        curve[:, 1] *= 1 + 0.06 * np.minimum(1, 6 * y) * wander(rng, (x + 1) / 2, 0.12)
    return spaced(curve, 0.02)


def _rolled(rng: np.random.Generator, w: float, rise: float, *, both: bool) -> FloatArray:
    """A face that overhangs the plate at its right toe, or at both, as weld metal does that did not wet it."""
    top = np.array([float(rng.uniform(-0.1, 0.1)) * w, max(rise, 0.16) * w])

    def right(foot: FloatArray, peak: FloatArray) -> FloatArray:
        roll = float(rng.uniform(0.04, 0.10)) * w
        nose = foot + np.array([roll, min(float(rng.uniform(0.5, 0.9)) * roll, 0.6 * peak[1])])
        down = np.array([0.0, 0.55 * nose[1]])
        under = np.deg2rad(rng.uniform(20, 55))
        over = bezier(peak, peak + np.array([0.5 * (nose[0] - peak[0]), 0.0]), nose + 1.6 * down, nose)
        back = 0.6 * roll * np.array([np.cos(under), np.sin(under)])
        return np.vstack([over, bezier(nose, nose - down, foot + back, foot)[1:]])

    flip = np.array([-1.0, 1.0])
    foot = np.array([w / 2, 0.0])
    if both:
        left = right(foot, top * flip) * flip
    else:
        left = bezier(
            top, top - np.array([0.3 * w, 0.0]), foot * flip + np.array([0.12 * w, 0.35 * top[1]]), foot * flip
        )
    return spaced(np.vstack([left[::-1], right(foot, top)[1:]]), 0.02)


def _depth(rng: np.random.Generator, run: Run, t: FloatArray) -> FloatArray:
    """Depth of the melt at stations `t` (n,) from the left toe (0) to the right one (1)."""
    full = float(rng.uniform(0.5, 1.2))
    deep = float(rng.uniform(0.14, 0.30)) * run.width
    at = float(rng.normal(0.5, 0.05))

    def bowl(power: float) -> FloatArray:
        return np.asarray(np.sin(np.pi * t) ** power)

    def peak(wide: float) -> FloatArray:
        return np.asarray(np.exp(-0.5 * np.abs((t - at) / wide) ** 2) * bowl(0.4))

    d = deep * bowl(full)
    if run.melt == "shallow":
        d = float(rng.uniform(0.05, 0.10)) * run.width * bowl(full)
    elif run.melt == "finger":
        d = 0.7 * d + float(rng.uniform(0.2, 0.45)) * run.width * peak(float(rng.uniform(0.06, 0.11)))
    elif run.melt == "deep":  # a narrow stem under a head, as a concentrated arc melts
        d = 0.5 * d + float(rng.uniform(0.5, 1.3)) * run.width * peak(float(rng.uniform(0.09, 0.16)))
    elif run.melt == "lobes":
        d = d * (1 - float(rng.uniform(0.25, 0.5)) * np.exp(-0.5 * ((t - at) / 0.14) ** 2)) * 1.15
    elif run.melt == "one_sided":
        d = d * 2 * np.clip(t if rng.random() < 0.5 else 1 - t, 0, 1) ** float(rng.uniform(0.6, 1.4))
    elif run.melt == "box":
        d = deep * bowl(0.25)
    elif run.melt == "through":
        d = run.thick * float(rng.uniform(0.82, 0.95)) * bowl(full)
    d = np.maximum(d, 0.0) * (1 + 0.05 * bowl(1.0) * wander(rng, t, 0.12))
    cold = float(rng.uniform(0.06, 0.16)) if run.melt == "cold_toe" else 0.0
    if run.face.startswith("rolled") and rng.random() < 0.5:
        cold = float(rng.uniform(0.03, 0.08))
    if cold:
        d = np.interp(t, np.linspace(0, 1 - cold, len(t)), d, right=0.0)
    d[[0, -1]] = 0.0
    return d


def _two(rng: np.random.Generator, run: Run) -> tuple[FloatArray, FloatArray, Polygon]:
    """Two beads run into one another: face, fusion boundary, the one laid last."""
    other = Run(run.width * float(rng.uniform(0.7, 1.2)), run.thick, str(rng.choice(FACES[:6])), run.melt)
    one, two = (Polygon(np.vstack([f, b[1:-1]])) for f, b in (draw_run(rng, run), draw_run(rng, other)))
    off = float(rng.uniform(0.5, 0.78)) * (run.width + other.width) / 2
    two = shapely.affinity.translate(two, off, 0.0)
    joined = one.union(two)
    both = biggest(joined)
    if abs(joined.area - both.area) > 1e-6:
        msg = "the beads do not run into one another"
        raise NoSuchWeldError(msg)
    ring = spaced(np.asarray(both.exterior.coords), 0.01)[:-1]
    ends = [int(np.argmin(np.hypot(*(ring - p).T))) for p in ((-run.width / 2, 0.0), (off + other.width / 2, 0.0))]
    ring = np.roll(ring, -ends[0], axis=0)
    last = (ends[1] - ends[0]) % len(ring)
    ways = [ring[: last + 1], np.vstack([ring[last:], ring[:1]])[::-1]]
    face = max(ways, key=lambda w: float(w[:, 1].mean()))
    if float(face[len(face) // 8 : -len(face) // 8, 1].min()) < 0.02 * run.width:
        msg = "the plate shows between the beads"
        raise NoSuchWeldError(msg)
    fusion = min(ways, key=lambda w: float(w[:, 1].mean()))[::-1]
    middle = np.array([(face[0, 0] + face[-1, 0]) / 2, 0.0])
    return face - middle, fusion - middle, shapely.affinity.translate(two, -float(middle[0]), 0.0)


def _try(rng: np.random.Generator) -> Section:
    width = float(np.exp(rng.uniform(np.log(4.0), np.log(15))))
    face, melt = str(rng.choice(FACES)), str(rng.choice(MELTS))
    low, high = (0.2, 0.45) if melt == "through" else (0.45, 1.5)
    thick = float(np.clip(width * rng.uniform(low, high), 2.0, 25))
    run = Run(width, thick, face, melt)
    plain = not face.startswith("rolled") and face != "remelt"
    if plain and melt != "through" and rng.random() < 0.2:
        curve, fusion, last = _two(rng, run)
        laid: tuple[Polygon, ...] = (last,)
    else:
        curve, fusion = draw_run(rng, run)
        laid = ()
    metal = Polygon(np.vstack([curve, fusion[1:-1]]))
    if not metal.is_valid or -metal.bounds[1] > (0.96 if melt == "through" else 0.85) * thick:
        msg = "melted through the plate, or not in one piece"
        raise NoSuchWeldError(msg)
    if -metal.bounds[1] < 0.25:
        msg = "all but nothing of the plate is melted"
        raise NoSuchWeldError(msg)
    fusion = behind(metal, curve)
    cuts = [float(rng.uniform(0.2, 0.6)) if rng.random() < 0.15 else 0.0 for _ in range(2)]
    cuts = [c if plain else 0.0 for c in cuts]
    voids = int(rng.integers(1, 5)) if rng.random() < 0.2 else 0
    d = Design(180.0, -float(curve[0, 0]), float(curve[-1, 0]), 0.0, thick, thick, undercut=(cuts[0], cuts[1]))
    grooves = draw_groove(rng, cuts[0]), draw_groove(rng, cuts[1])
    weld = Weld(d, curve, fusion, metal, laid, draw_voids(rng, voids, metal), grooves)
    plate = _plate(rng, weld)
    zones = draw_zones(rng, metal, (Polygon(), plate), [metal])
    if face == "remelt":  # a sunk face has air over it
        over = Polygon(np.vstack([curve, curve[[-1, 0]] + np.array([0.0, 0.3])])).buffer(0)
        plate = biggest(plate.difference(over.difference(metal)))
    left = biggest(plate.difference(metal))
    return Section("bead", (weld,), (Place(),), (Polygon(), left), (zones,), ((0.0, 0.0), (0.0, 0.0)), False)


def _plate(rng: np.random.Generator, weld: Weld) -> Polygon:
    """The plate with its ends, bent a little or not, undercut where the weld is."""
    d = weld.design
    width = d.leg_b + d.leg_n
    beyond = [
        float(rng.uniform(1.0, 2.5)) if rng.random() < 0.15 else float(rng.uniform(0.5, 3.0)) * width + 2.0
        for _ in range(2)
    ]
    clear = [4 * u + 0.3 for u in d.undercut]
    ends = -d.leg_b - clear[0] - beyond[0], d.leg_n + clear[1] + beyond[1]
    bent = rng.random() < 0.3
    slopes = np.tan(np.deg2rad(rng.uniform(0.3, 1.5, 2))) * float(rng.choice([-1, 1])) if bent else np.zeros(2)
    xs = np.arange(ends[0], ends[1] + 0.05, 0.1)
    past = np.maximum(-d.leg_b - clear[0] - xs, 0), np.maximum(xs - d.leg_n - clear[1], 0)
    shift = slopes[0] * past[0] ** 2 / (past[0] + 2.0) + slopes[1] * past[1] ** 2 / (past[1] + 2.0)
    ring = np.vstack([np.column_stack([xs, shift]), np.column_stack([xs, shift - d.thick_n])[::-1]])
    shape = Polygon(ring)
    near = weld.metal.buffer(min(0.8 * min(beyond), 2.0))
    shape = as_cut(rng, shape, near)
    for curve in grooves_of(weld):
        if curve is not None:
            lid = curve[[-1, 0]] + np.array([0.0, 0.4])
            shape = biggest(shape.difference(Polygon(np.vstack([curve, lid])).buffer(0)))
    if (
        LineString([(-d.leg_b - 0.6, -0.05), (d.leg_n + 0.6, -0.05)])
        .difference(shape.union(weld.metal).buffer(0.7))
        .length
    ):
        msg = "no plate beside a toe"
        raise NoSuchWeldError(msg)
    return shape
