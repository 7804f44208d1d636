"""The etched surface itself, before the camera: plates, heat-affected zone, weld metal, seams, voids."""

from dataclasses import dataclass

import cv2
import numpy as np
from shapely.geometry import Polygon
from shapely.ops import unary_union

from macrocheck.arrays import AnyArray, BoolArray, Float32Array, FloatArray
from tests.apart.grain import equiaxed, grow, speckle, streaks, tones
from tests.apart.looks import Look
from tests.apart.raster import Placing, coverage, distance_to, fusion_part, line_cover
from tests.apart.scene import Section, WeldShape
from tests.apart.shapes import largest


@dataclass(frozen=True, slots=True)
class Painted:
    """The clean grey picture, coverage of metal and weld, and mean HAZ width per weld and member, mm."""

    grey: Float32Array
    metal: Float32Array
    weld: Float32Array
    haz_mm: tuple[dict[str, float | None], ...]


def _slow(size: tuple[int, int], reach: float, rng: np.random.Generator) -> Float32Array:
    h, w = size
    nodes = rng.standard_normal((max(3, int(h / reach) + 2), max(3, int(w / reach) + 2))).astype(np.float32)
    return np.asarray(cv2.resize(nodes, (w, h), interpolation=cv2.INTER_CUBIC), dtype=np.float32)


def _step(x: AnyArray) -> Float32Array:
    t = np.clip(x, 0, 1)
    return np.asarray(t * t * (3 - 2 * t), dtype=np.float32)


def _polygon_px(place: Placing, polygon: Polygon, weld: WeldShape | None = None) -> Polygon:
    points = np.asarray(polygon.exterior.coords)
    return largest(Polygon(place.px(points) if weld is None else place.weld_px(weld, points)))


def paint(section: Section, place: Placing, look: Look, rng: np.random.Generator) -> Painted:
    """Paint one section."""
    w, h = place.width, place.height
    size, mm = (h, w), place.mm_per_px
    grey = np.full(size, look.background, dtype=np.float32)
    grey += look.background_rough * (speckle(size, 0.8, 0, 0, rng) + 0.8 * _slow(size, 90, rng))
    weld_shapes = [_polygon_px(place, s.polygon, s) for s in section.welds]
    weld = coverage(unary_union(weld_shapes), w, h)
    metal = weld.copy()
    far = cv2.distanceTransform((weld < 0.5).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE) * mm
    turn = float(np.arctan2(place.matrix[1, 0], place.matrix[0, 0]))
    middle = np.mean([np.mean(np.asarray(p.exterior.coords), axis=0) for p in weld_shapes], axis=0)
    x, y = np.meshgrid(
        np.arange(w, dtype=np.float32) - np.float32(middle[0]),
        np.arange(h, dtype=np.float32) - np.float32(middle[1]),
    )
    angle = np.arctan2(y, x)
    wide: dict[str, tuple[float, float, float, float]] = {}
    for member, polygon in (("nonbutting", section.nonbutting), ("butting", section.butting)):
        b = member == "butting"
        tone = _plate(size, look, b, turn + (np.radians(section.plan.psi_deg) if b else 0.0), rng)
        base_mm = look.haz_mm_b if b else look.haz_mm_n
        wide[member] = (base_mm, 0.22 * base_mm, float(rng.uniform(0, 6)), float(rng.uniform(0, 6)))
        tone = _haz(tone, far, _width(angle, wide[member]), look, b, rng)
        cover = coverage(_polygon_px(place, polygon), w, h)
        if look.bright_rim > 0:
            tone = tone + look.bright_rim * _rim(cover, rng)
        grey = grey * (1 - cover) + tone * cover
        metal = np.maximum(metal, cover)
    grey = _seams(grey, section, place, look, rng)
    for shape, outline in zip(section.welds, weld_shapes, strict=True):
        grey = _weld_metal(grey, shape, outline, place, look, rng)
    for shape in section.welds:
        for void in shape.voids:
            cover = coverage(_polygon_px(place, void, shape), w, h)
            grey = grey * (1 - cover) + min(look.background, rng.uniform(8, 45)) * cover
    return Painted(grey, metal, weld, tuple(_haz_truth(s, place, middle, wide, look) for s in section.welds))


def _plate(
    size: tuple[int, int], look: Look, butting: bool, angle: float, rng: np.random.Generator
) -> Float32Array:
    tone, rough = (look.tone_b, look.plate_b) if butting else (look.tone_n, look.plate_n)
    grain = speckle(size, look.plate_fine_px * rng.uniform(0.9, 1.2), look.rolled, angle, rng)
    if look.name != "fair" and rng.random() < 0.5:  # some grains glint
        grain = np.asarray((np.exp(0.45 * grain) - 1.107) / 0.5, dtype=np.float32)
    return np.asarray(tone + rough * grain + 0.25 * rough * _slow(size, 160, rng), dtype=np.float32)


def _width(angle: Float32Array | FloatArray, wide: tuple[float, float, float, float]) -> Float32Array:
    mean, swing, one, two = wide
    return np.asarray(mean + swing * (0.7 * np.sin(angle + one) + 0.3 * np.sin(3 * angle + two)), dtype=np.float32)


def _haz(
    tone: Float32Array, far: Float32Array, wide: Float32Array, look: Look, butting: bool, rng: np.random.Generator
) -> Float32Array:
    shift, rim = (look.haz_b, look.rim_b) if butting else (look.haz_n, look.rim_n)
    if shift == 0:
        return tone
    ragged = 0.02 * speckle(far.shape, 2.5, 0, 0, rng)
    inside = _step((wide - far + ragged) / (look.haz_edge + 1e-3) + 0.5)
    depth = np.clip(far / np.maximum(wide, 1e-3), 0, 1)
    fade = rng.uniform(-0.5, 0.35)
    level = shift * (1 + fade * (1 - depth) * (1 if rng.random() < 0.7 else 0))
    smooth = np.mean(tone) + (tone - np.mean(tone)) * rng.uniform(0.5, 1.1)
    out = tone * (1 - inside) + (smooth + level) * inside
    if rim != 0:
        out = out + rim * np.exp(-(((far - wide) / (0.08 + 0.25 * look.haz_edge)) ** 2))
    if look.coarse > 0:
        grain, _ = equiaxed(far.shape, max(3.0, 5 * look.plate_fine_px), 1.0, rng)
        near = _step((0.45 * wide - far) / np.maximum(0.3 * wide, 1e-3) + 0.5)
        out = out + look.coarse * grain * near
    return np.asarray(out, dtype=np.float32)


def _haz_truth(
    weld: WeldShape,
    place: Placing,
    middle: FloatArray,
    wide: dict[str, tuple[float, float, float, float]],
    look: Look,
) -> dict[str, float | None]:
    """Mean distance fusion boundary to the band's outer edge in each member; None where no band is drawn."""
    line = fusion_part(weld)
    rel = place.weld_px(weld, line) - middle
    width = _width(np.arctan2(rel[:, 1], rel[:, 0]), wide["nonbutting"])
    wide_b = _width(np.arctan2(rel[:, 1], rel[:, 0]), wide["butting"])
    side_n = line[:, 1] < -0.03
    e_b = np.array([np.cos(weld.psi), np.sin(weld.psi)])
    inward = line @ np.array([-e_b[1], e_b[0]])
    side_b = (line[:, 1] > weld.gap + 0.03) & (inward > 0.03)
    return {
        "nonbutting": float(np.mean(width[side_n])) if look.haz_n != 0 and side_n.any() else None,
        "butting": float(np.mean(wide_b[side_b])) if look.haz_b != 0 and side_b.any() else None,
    }


def _rim(cover: Float32Array, rng: np.random.Generator) -> Float32Array:
    edge = cv2.GaussianBlur(cover, (0, 0), float(rng.uniform(1.0, 2.2)))
    return np.asarray(
        np.clip(4 * edge * (1 - edge), 0, 1) * (0.6 + 0.4 * _slow(cover.shape, 60, rng)), dtype=np.float32
    )


def _seams(
    grey: Float32Array, section: Section, place: Placing, look: Look, rng: np.random.Generator
) -> Float32Array:
    if look.seam == 0 or section.plan.gap > 0:
        return grey
    back = (
        -60.0
        if section.plan.joint == "lap"
        else -section.plan.t_b / float(np.sin(np.radians(section.plan.psi_deg)))
    )
    line = np.column_stack([np.linspace(back, 0, 400), np.zeros(400)])
    wide = look.seam_mm / place.mm_per_px
    cover = line_cover(place.px(line), wide, place.width, place.height)
    cover = cover * np.clip(0.75 + 0.35 * _slow(grey.shape, 40, rng), 0, 1)
    dark = min(look.background, 30.0) if look.background < 150 else 45.0
    return np.asarray(grey + look.seam * cover * (dark - grey), dtype=np.float32)


def _weld_metal(
    grey: Float32Array, weld: WeldShape, outline: Polygon, place: Placing, look: Look, rng: np.random.Generator
) -> Float32Array:
    x0, y0, x1, y1 = outline.bounds
    x0, y0 = max(0, int(x0) - 6), max(0, int(y0) - 6)
    x1, y1 = min(place.width, int(x1) + 7), min(place.height, int(y1) + 7)
    if x1 - x0 < 8 or y1 - y0 < 8:
        return grey
    size = (y1 - y0, x1 - x0)
    shift = np.array([x0, y0])
    points = np.asarray(outline.exterior.coords) - shift
    cover = coverage(Polygon(points).buffer(0), size[1], size[0])
    fusion = place.weld_px(weld, fusion_part(weld)) - shift
    face = place.weld_px(weld, weld.face) - shift
    lean = np.mean(face, axis=0) - np.mean(points, axis=0)
    lean = lean / max(float(np.hypot(*lean)), 1e-6)
    tone = look.tone_w + 0.15 * look.plate_n * _slow(size, 120, rng)
    regions = _passes(size, fusion, face, look.passes, rng)
    metal = np.zeros(size, dtype=np.float32)
    for k, (mask, line) in enumerate(regions):
        part = _cast(size, (cover > 0) & mask, line, (float(lean[0]), float(lean[1])), place.mm_per_px, look, rng)
        metal = np.where(mask, part, metal)
        if k > 0:  # the metal below a later pass is reheated: a crescent under its fusion line
            away = distance_to(line, size[1], size[0])
            band = look.haz_mm_n * rng.uniform(0.5, 1.0) / place.mm_per_px
            before = np.zeros(size, dtype=bool)
            for other, _ in regions[:k]:
                before |= other
            crescent = _step((band - away) / (0.2 * band) + 0.5) * (before & ~mask)
            metal = metal * (1 - 0.65 * crescent) + look.crescent * crescent
            metal = metal + 0.5 * look.fusion_line * np.exp(-((away / 1.2) ** 2))
    tone = tone + metal
    old = grey[y0:y1, x0:x1]
    new = old * (1 - cover) + tone * cover
    if look.fusion_line != 0:
        wide = max(1.0, look.fusion_mm / place.mm_per_px)
        new = new + look.fusion_line * line_cover(fusion, wide, size[1], size[0]) * (
            0.7 + 0.3 * _slow(size, 60, rng)
        )
    new = _cold_seams(new, weld, place, shift, look, rng)
    out = grey.copy()
    out[y0:y1, x0:x1] = new
    return out


def _cold_seams(
    grey: Float32Array, weld: WeldShape, place: Placing, shift: FloatArray, look: Look, rng: np.random.Generator
) -> Float32Array:
    """Dark seams under unfused weld metal, where the look shows seams at all."""
    e_b = np.array([np.cos(weld.psi), np.sin(weld.psi)])
    spans = [(np.array([1.0, 0.0]), s, weld.plan.leg_n) for s in weld.plan.cold_n]
    spans += [(e_b, s, weld.plan.leg_b) for s in weld.plan.cold_b]
    for along, (a, b), leg in spans:
        if rng.random() < 0.35 or look.seam == 0:
            continue
        line = np.linspace(max(a, 0.0), min(b, leg), 60)[:, None] * along
        cover = line_cover(
            place.weld_px(weld, line) - shift, look.seam_mm / place.mm_per_px, grey.shape[1], grey.shape[0]
        )
        grey = grey + look.seam * cover * (min(look.background, 40.0) - grey)
    return grey


def _passes(
    size: tuple[int, int], fusion: FloatArray, face: FloatArray, count: int, rng: np.random.Generator
) -> list[tuple[BoolArray, FloatArray]]:
    """Split the weld into passes by circles about points near the face: (mask, its fusion line) first to last."""
    whole = np.ones(size, dtype=bool)
    out: list[tuple[BoolArray, FloatArray]] = [(whole, fusion)]
    x, y = np.meshgrid(np.arange(size[1]), np.arange(size[0]))
    span = float(np.hypot(*(face[0] - face[-1])))
    for k in range(1, count):
        at = face[int(len(face) * rng.uniform(0.12, 0.4) if k % 2 else len(face) * rng.uniform(0.6, 0.88))]
        radius = span * rng.uniform(0.25, 0.42)
        squash = rng.uniform(0.75, 1.3)
        mask = ((x - at[0]) / radius) ** 2 + ((y - at[1]) / (radius * squash)) ** 2 < 1
        t = np.linspace(0, 2 * np.pi, 300)
        circle = np.column_stack([at[0] + radius * np.cos(t), at[1] + radius * squash * np.sin(t)])
        inside = [(m & ~mask, line) for m, line in out]
        out = [*inside, (mask, np.vstack([circle, [[np.nan, np.nan]], fusion]))]
    return [(m, line[~np.isnan(line[:, 0])] if k == 0 else line[:300]) for k, (m, line) in enumerate(out)]


def _cast(
    size: tuple[int, int],
    inside: BoolArray,
    line: FloatArray,
    lean: tuple[float, float],
    mm: float,
    look: Look,
    rng: np.random.Generator,
) -> Float32Array:
    """Cast structure of one pass, mean about 0."""
    out = np.zeros(size, dtype=np.float32)
    pitch = max(2.2, look.grain_mm / mm)
    if look.columnar > 0 or look.dendrite > 0:
        shrink = max(1.0, pitch / 3.2, float(np.sqrt(size[0] * size[1] / 160_000)))
        sh, sw = max(6, int(size[0] / shrink)), max(6, int(size[1] / shrink))
        small = cv2.resize(inside.astype(np.uint8), (sw, sh), interpolation=cv2.INTER_NEAREST) > 0
        phi = distance_to(line * np.array([sw / size[1], sh / size[0]]), sw, sh)
        pull = rng.uniform(0.05, 0.45)
        crystals = grow(small, phi, (lean[0] * pull, lean[1] * pull), pitch / shrink, rng.uniform(0.001, 0.02), rng)
        if look.columnar > 0:
            out += look.columnar * tones(crystals, size, rng)
        if look.dendrite > 0:
            lines = streaks(crystals, size, rng.uniform(5, 14) * pitch, look.own_way, max(0.55, 0.22 * pitch), rng)
            if (
                look.name != "fair" and rng.random() < 0.6
            ):  # needles: the dendrite arms themselves, a pixel or two wide
                needles = streaks(crystals, size, rng.uniform(8, 22), look.own_way, rng.uniform(0.55, 0.8), rng)
                share = rng.uniform(0.4, 0.9)
                lines = np.asarray(share * needles + np.sqrt(1 - share**2) * lines, dtype=np.float32)
            flecks = np.minimum(np.exp(0.55 * lines), 3.2) - 1.15
            out += look.dendrite * (flecks if rng.random() < 0.7 else -flecks)
    if look.cast > 0:
        grain, edge = equiaxed(size, pitch * rng.uniform(1.4, 2.6), rng.uniform(1, 1.8), rng)
        out += look.cast * grain - 0.8 * look.cast * edge
    out += rng.uniform(0.4, 1.0) * look.plate_n * speckle(size, look.plate_fine_px, 0, 0, rng)
    return out
