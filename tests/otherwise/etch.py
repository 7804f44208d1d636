"""The etched metal: tones of plates, zones and weld, their grain, lines between them. All tones 0 to 255."""

from dataclasses import dataclass, replace

import cv2
import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely import LineString, Polygon

from macrocheck.arrays import FloatArray
from tests.otherwise.raster import Plane, View, cells, clouds, stripes
from tests.otherwise.section import Section
from tests.otherwise.welds import spaced

GRAINS = ("columns", "worley", "streaked", "smooth")


@dataclass(frozen=True)
class Etch:
    """How the metal was etched: tone of (butting, nonbutting) plate, weld, steps of the zones, what tells them."""

    plates: tuple[float, float]
    weld: float
    zone: tuple[float, float]
    grain: str
    weld_grain: float
    plate_grain: float
    line: float
    rim: float
    seam: float
    bead_step: float
    reheat: float
    grind: float
    grind_angle: float
    tint: tuple[FloatArray, FloatArray, FloatArray]

    @property
    def tones(self) -> tuple[float, ...]:
        """All tones that may lie beside the ground."""
        return (*self.plates, self.weld)


def _sign(rng: np.random.Generator) -> float:
    return float(rng.choice([-1.0, 1.0]))


def draw_etch(rng: np.random.Generator, look: str) -> Etch:
    """Draw an etch: the weld 25 to 60 grey levels off both plates (fair), half of that or by grain only (hard)."""
    hard = look == "hard"
    by_grain = hard and rng.random() < 0.3
    plate = float(rng.uniform(75, 195))
    unlike = float(rng.normal(0, 14)) if rng.random() < 0.35 else 0.0
    plates = (plate + unlike / 2, plate - unlike / 2)
    step = float(rng.uniform(12.5, 22) if hard else rng.uniform(26, 60)) * _sign(rng)
    weld = (max(plates) if step > 0 else min(plates)) + step
    if not 25 < weld < 235:
        weld = (min(plates) if step > 0 else max(plates)) - step
    if by_grain:
        weld = plate + float(rng.uniform(-4, 4))
    zone = [0.0, 0.0]
    if rng.random() < 0.8:
        size = float(rng.uniform(22, 45) if hard else rng.uniform(6, 30)) * _sign(rng)
        zone = [size, size if rng.random() < 0.7 else -size * float(rng.uniform(0.4, 1))]
        for k, p in enumerate(plates):  # the weld shows beside its zone too, or the grain tells
            least = 10.0 if hard else 24.0
            if not by_grain and abs(p + zone[k] - weld) < least:
                zone[k] = -zone[k]
            if not by_grain and abs(p + zone[k] - weld) < least:
                zone[k] = 0.0
            zone[k] = float(np.clip(p + zone[k], 18, 240)) - p
    grain = "columns" if by_grain and rng.random() < 0.6 else str(rng.choice(GRAINS[:3] if by_grain else GRAINS))
    tint = [1 + np.array([1.0, 0.2, -1.0]) * rng.normal(0, 0.06) + rng.normal(0, 0.012, 3) for _ in range(3)]
    if rng.random() < 0.35:
        tint = [np.ones(3)] * 3
    return Etch(
        plates,
        float(weld),
        (zone[0], zone[1]),
        grain,
        float(rng.uniform(14, 24) if by_grain else rng.uniform(4, 13)),
        float(rng.uniform(2, 5) if by_grain else rng.uniform(2, 8)),
        _sign(rng) * float(rng.uniform(10, 35)) if rng.random() < 0.35 else 0.0,
        _sign(rng) * float(rng.uniform(10, 50)) if rng.random() < 0.35 else 0.0,
        float(rng.uniform(0.02, 0.07)) if rng.random() < 0.8 else 0.0,
        float(rng.uniform(3, 10)) * _sign(rng),
        float(rng.uniform(5, 14)) * _sign(rng),
        float(rng.uniform(2, 10)) if rng.random() < 0.45 else 0.0,
        float(rng.uniform(0, np.pi)),
        (tint[0], tint[1], tint[2]),
    )


def browned(rng: np.random.Generator, etch: Etch) -> Etch:
    """Return the etch of a worn or over-etched section: plate and weld of one dark brown, told by little."""
    plate = float(rng.uniform(38, 80))
    weld = plate + _sign(rng) * float(rng.uniform(7, 13))
    brown = np.array([1.18, 0.98, 0.80]) + rng.normal(0, 0.02, 3)
    zone = tuple(_sign(rng) * float(rng.uniform(6, 14)) if z else 0.0 for z in etch.zone)
    rim = etch.rim or float(rng.uniform(12, 30))
    return replace(
        etch,
        plates=(plate, plate),
        weld=weld,
        zone=(zone[0], zone[1]),
        weld_grain=float(rng.uniform(4, 9)),
        plate_grain=float(rng.uniform(2, 4)),
        rim=rim,
        tint=(brown, brown + rng.normal(0, 0.01, 3), brown + rng.normal(0, 0.02, 3)),
    )


def _weld_grain(rng: np.random.Generator, view: View, section: Section, k: int, cover: Plane, kind: str) -> Plane:
    """The weld metal's grain over the whole picture, about 1 strong within weld `k`, 0 elsewhere."""
    out = np.zeros_like(cover)
    h, w = cover.shape
    ys, xs = np.nonzero(cover > 0)
    if kind == "smooth" or len(xs) == 0:
        out[ys, xs] = clouds(rng, h, w, 0.3 / view.mm_per_px)[ys, xs]
        return out
    stride = 2 if len(xs) > 250_000 else 1
    y0, x0 = ys.min(), xs.min()
    gy, gx = np.arange(y0, ys.max() + stride, stride), np.arange(x0, xs.max() + stride, stride)
    grid = np.column_stack([a.ravel() for a in np.meshgrid(gx, gy)]).astype(np.float64)
    size = float(rng.uniform(0.08, 0.25)) / view.mm_per_px
    if kind == "worley":
        tone, edge = cells(rng, grid, max(size * 1.6, 3.0))
        value = tone - 0.8 * edge
    else:
        weld, place = section.welds[k], section.places[k]
        line = spaced(view.to_px(place.put(weld.fusion)), 1.0)
        d, i = cKDTree(line).query(grid)
        bend = clouds(rng, h, w, 1.5 / view.mm_per_px, 2)[
            np.clip(grid[:, 1].astype(int), 0, cover.shape[0] - 1),
            np.clip(grid[:, 0].astype(int), 0, cover.shape[1] - 1),
        ]
        across = i + 0.6 * size * bend
        long = float(rng.uniform(5, 14)) if kind == "columns" else 3.0
        tone, edge = cells(rng, np.column_stack([across / size, d / (size * long)]), 1.0)
        value = tone - 0.6 * edge
    small = value.reshape(len(gy), len(gx)).astype(np.float32)
    big = cv2.resize(small, (len(gx) * stride, len(gy) * stride), interpolation=cv2.INTER_LINEAR)
    rows, cols = min(big.shape[0], cover.shape[0] - y0), min(big.shape[1], cover.shape[1] - x0)
    out[y0 : y0 + rows, x0 : x0 + cols] = big[:rows, :cols]
    return out / np.float32(max(float(out[ys, xs].std()), 1e-6))


def _band(view: View, line: FloatArray, width_mm: float) -> Plane:
    """Cover of a line along section points."""
    return view.cover(LineString(line).buffer(max(width_mm, 0.35 * view.mm_per_px) / 2, cap_style="flat"))


def _lay(image: Plane, cover: Plane, tone: Plane | float) -> Plane:
    return image + cover * (tone - image)


def paint_metal(
    rng: np.random.Generator, view: View, section: Section, etch: Etch
) -> tuple[FloatArray, Plane, list[Plane]]:
    """Return the metal's picture (h, w, 3), how much of each pixel is metal, and the cover of each weld."""
    shape = (view.height, view.width)
    mm = 1 / view.mm_per_px
    metals = [section.metal(k) for k in range(len(section.welds))]
    welds = [view.cover(m) for m in metals]
    members = [view.cover(m) for m in section.members]
    grey = np.full(shape, sum(etch.plates) / 2, np.float32)
    tint = np.ones((*shape, 3), np.float32) * etch.tint[0].astype(np.float32)
    for k, cover in enumerate(members):  # pixels shared with the ground take the member's tone
        full = np.minimum(cv2.dilate(cover, np.ones((3, 3), np.uint8)), 1)
        grey = _lay(grey, full, etch.plates[k])
    fine = clouds(rng, *shape, max(float(rng.uniform(0.05, 0.12)) * mm, 1.5), 2)
    rough = etch.plate_grain * fine + 0.5 * etch.plate_grain * clouds(rng, *shape, 3 * mm)
    if rng.random() < 0.35:
        along = float(np.arctan2(*view.turn(np.array([1.0, 0.0]))[::-1]))
        rough = rough + 0.6 * etch.plate_grain * stripes(rng, *shape, max(0.08 * mm, 1.2), along, 25)
    for zones in section.zones:
        soft = float(rng.uniform(0.02, 0.15)) * mm
        for k, zone in enumerate(zones):
            if etch.zone[k] and not zone.is_empty:
                # filled through under the weld, so that a soft outer edge leaves its inner one sharp
                under = shapely.union_all([zone.buffer(0.02), *metals]).intersection(
                    section.members[k].union(metals[0])
                )
                over: Plane = np.asarray(
                    cv2.GaussianBlur(view.cover(under), (0, 0), max(soft, 0.3)) * (members[k] > 0), np.float32
                )
                grey = grey + over * etch.zone[k]
                tint = tint + over[..., None] * (etch.tint[1] - etch.tint[0]).astype(np.float32)
                rough = rough * (1 - 0.4 * over)
    grey = grey + rough
    for k, cover in enumerate(welds):
        weld = section.welds[k]
        tone = etch.weld + etch.weld_grain * _weld_grain(rng, view, section, k, cover, etch.grain)
        tone = tone + 0.4 * etch.plate_grain * fine
        for n, bead in enumerate(weld.beads):
            ring = section.places[k].put(np.asarray(bead.exterior.coords))
            laid = view.cover(Polygon(ring))
            tone = tone + laid * etch.bead_step * (-1) ** n
            halo = cv2.GaussianBlur(laid, (0, 0), 0.35 * mm)
            tone = tone + etch.reheat * 2 * np.minimum(halo, 0.5) * (1 - laid)
        grey = _lay(grey, cover, tone.astype(np.float32))
        tint = tint + cover[..., None] * (etch.tint[2].astype(np.float32) - tint)
        if etch.line:
            band = _band(view, section.places[k].put(weld.fusion), float(rng.uniform(0.03, 0.08)))
            grey = grey + band * etch.line * (clouds(rng, *shape, 2 * mm, 1) > -0.8)
        for void in weld.voids:
            hole = view.cover(Polygon(section.places[k].put(void)))
            grey = _lay(grey, hole, float(rng.uniform(5, 30)))
    metal = np.clip(sum(welds) + sum(members), 0, 1).astype(np.float32)
    grey = _seams(rng, view, section, etch, grey)
    if etch.rim:
        depth = cv2.distanceTransform((metal > 0.5).astype(np.uint8), cv2.DIST_L2, 5)
        grey = grey + etch.rim * np.exp(-((depth / max(float(rng.uniform(0.05, 0.2)) * mm, 1.0)) ** 2))
    if etch.grind:
        grey = grey + etch.grind * stripes(rng, *shape, max(0.06 * mm, 1.2), etch.grind_angle, 60)
    if len(section.welds[0].beads) and rng.random() < 0.3:
        tint = tint * (1 + 0.05 * clouds(rng, *shape, 4 * mm)[..., None] * np.array([1, 0, -1], np.float32))
    return np.asarray(grey[..., None] * tint, dtype=np.float64), metal, welds


def _seams(rng: np.random.Generator, view: View, section: Section, etch: Etch, grey: Plane) -> Plane:
    """The dark lines where metal touches metal without being fused to it."""
    (x0, _), (x1, _) = section.seam
    dark = float(rng.uniform(8, 45))
    closed = section.welds[0].design.gap == 0
    if closed and x0 - x1 > 0.2 and etch.seam:
        grey = _lay(grey, _band(view, np.array([[x0 + 0.05, 0.0], [x1 + 0.05, 0.0]]), etch.seam), dark)
    if not etch.seam or rng.random() < 0.25:
        return grey
    for weld, place in zip(section.welds, section.places, strict=True):  # weld metal that only lies on a member
        d = weld.design
        for ends in ([np.zeros(2), d.toe_n], [d.along * d.gap, d.leg_b * d.along]):
            line = LineString(np.vstack(ends))
            # a bead's face may lie as near to the plate's surface as what is not fused to it
            edge = LineString(weld.fusion) if section.joint == "bead" else weld.metal.exterior
            left = line.intersection(edge.buffer(0.015))
            for part in getattr(left, "geoms", [left]):
                if part.geom_type == "LineString" and part.length > 0.3:
                    along = place.put(spaced(np.asarray(part.coords), 0.05))
                    grey = _lay(grey, _band(view, along, 0.8 * etch.seam), dark)
    return grey
