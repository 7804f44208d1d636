"""Painting a scene after a recipe: tones, textures, zones and lines laid over one another, (h, w, 3) float."""

from collections.abc import Callable

import cv2
import numpy as np
import shapely
from shapely import Polygon

from macrocheck.arrays import FloatArray
from tests.elsewhere import around, decoys
from tests.elsewhere.ground import lay_ground
from tests.elsewhere.recipe import Recipe, Texture
from tests.elsewhere.scene import Scene
from tests.elsewhere.textures import Plane, cells, clouds, columns, grains, streaks


def _laid(rng: np.random.Generator, scene: Scene, textures: tuple[Texture, ...], along: float) -> Plane:
    """The sum of what textures do not need a weld's shape."""
    out = np.zeros(scene.shape, np.float32)
    for kind, amplitude, size in textures:
        px = max(size * scene.px, 1.5)
        if kind == "clouds":
            out += np.float32(amplitude) * clouds(rng, scene.shape, px)
        elif kind == "grains":
            out += np.float32(amplitude) * grains(rng, scene.shape, px)
        elif kind == "rolled":
            out += np.float32(amplitude) * streaks(rng, scene.shape, along, 30 * px, px)
    return out


def _weld_texture(rng: np.random.Generator, scene: Scene, r: Recipe, k: int) -> Plane:
    out = _laid(rng, scene, tuple(t for t in r.weld_textures if t[0] in ("clouds", "grains")), 0.0)
    weld, frame = scene.section.fillets[k], scene.section.frames[k]
    for kind, amplitude, size in r.weld_textures:
        px = max(size * scene.px, 2.0)
        if kind in ("columns", "dendrites"):
            layer = np.zeros(scene.shape, np.float32)
            for n, bead in enumerate(weld.beads):
                if n == 0:
                    boundary, cover = scene.fusion(k), scene.metal[k]
                else:
                    ring = frame.place(np.asarray(bead.exterior.coords))
                    boundary = scene.view.to_px(ring)
                    cover = scene.view.mask(_placed(bead, frame.place))
                fresh = columns(
                    rng, boundary, scene.shape, px, px * rng.uniform(5, 12), dendrites=kind == "dendrites"
                )
                layer = layer * (1 - cover) + fresh * cover
            out += np.float32(amplitude) * layer
        elif kind == "coarse":
            out += np.float32(amplitude) * grains(rng, scene.shape, 2.2 * px, 0.8)
        elif kind == "cells":
            out += np.float32(amplitude) * cells(rng, scene.shape, 1.5 * px)
        elif kind == "fine":
            out += np.float32(amplitude * 0.6) * grains(rng, scene.shape, 0.6 * px)
    return out


def _placed(shape: Polygon, place: Callable[[FloatArray], FloatArray]) -> Polygon:
    moved: Polygon = shapely.transform(shape, place)
    return moved


def _beads(rng: np.random.Generator, scene: Scene, r: Recipe, k: int) -> Plane:
    """Tone steps, lines and reheated bands between the passes of a weld."""
    out = np.zeros(scene.shape, np.float32)
    weld, frame = scene.section.fillets[k], scene.section.frames[k]
    for bead in weld.beads[1:]:
        cover = scene.view.mask(_placed(bead, frame.place))
        near = cv2.distanceTransform((cover < 0.5).astype(np.uint8), cv2.DIST_L2, 5)
        band = np.exp(-near / np.float32(rng.uniform(0.2, 0.6) * scene.px)).astype(np.float32)
        out = (
            out * (1 - cover)
            + cover * np.float32(rng.normal(0, r.bead_tone))
            + (1 - cover) * band * np.float32(r.reheat)
        )
        edge = scene.view.stroke(frame.place(np.asarray(bead.exterior.coords)), max(0.05 * scene.px, 1.2))
        out += edge * np.float32(r.bead_line)
    return out


def _zone_shade(rng: np.random.Generator, scene: Scene, r: Recipe) -> Plane:
    """How far (0 to 1) the zone's tone stands at every place."""
    t, cover = scene.zone_depth, scene.zone
    if r.zone == "fading":
        return np.asarray(cover * (1 - 0.75 * t))
    if r.zone == "outer":
        return np.asarray(cover * (0.45 + 0.55 * np.clip((t - 0.6) / 0.25, 0, 1)))
    if r.zone == "inner":
        return cover * np.where(t < rng.uniform(0.3, 0.6), 1.0, 0.5).astype(np.float32)
    if r.zone == "bands":
        return np.asarray(cover * (0.7 + 0.3 * np.sign(np.sin(t * np.pi * rng.integers(2, 5)))))
    if r.zone == "mottled":
        return cover * (1 + 0.25 * clouds(rng, scene.shape, 0.4 * scene.px))
    return cover


def _tinted(plane: Plane, tint: tuple[float, float, float]) -> Plane:
    return np.asarray(plane[..., None] * np.asarray(tint, np.float32), dtype=np.float32)


def paint(rng: np.random.Generator, scene: Scene, r: Recipe) -> Plane:
    """Return the picture before the camera, (h, w, 3) float32, grey levels."""
    image = lay_ground(rng, scene, r)
    if "mount" in r.beside:
        around.mount(rng, scene, image)
    if "piece" in r.beside:
        around.loose_piece(rng, scene, r, image)
    if "spatter" in r.beside:
        around.spatter(rng, scene, r, image)
    if "clamp" in r.beside:
        around.clamp(rng, scene, image)
    shade = _zone_shade(rng, scene, r) if r.zone != "none" else np.zeros(scene.shape, np.float32)
    light = 1 + np.float32(r.shading) * clouds(rng, scene.shape, 0.9 * max(scene.shape), 1) * 0.5
    for k, cover in enumerate(scene.members):
        along = (
            scene.section.fillets[0].plan.along if k == 0 and scene.section.joint != "lap" else np.array([1.0, 0])
        )
        way = scene.view.turn(along)
        tone = r.plates[k] + _laid(rng, scene, r.plate_textures, float(np.arctan2(way[1], way[0])))
        tone += shade * np.float32(r.zone_tones[k])
        if r.segregation:
            tone += decoys.segregation(rng, scene, k, float(np.arctan2(way[1], way[0])))
        if r.reflection > 0:
            tone += np.float32(r.reflection) * streaks(
                rng, scene.shape, rng.uniform(0, 3.1), 400, 40 * rng.uniform(0.5, 3)
            )
        layer = _tinted(tone, r.tint) * (1 + shade[..., None] * (np.asarray(r.zone_tint, np.float32) - 1))
        image += cover[..., None] * (layer - image)
    _seams(scene, r, image)
    for k, cover in enumerate(scene.metal):
        tone = r.weld + _weld_texture(rng, scene, r, k) + _beads(rng, scene, r, k)
        if r.core:
            tone += decoys.weld_core(rng, scene, k, r.core)
        if r.bands:
            tone += decoys.bands(rng, scene, k, r.bands)
        if r.fade:
            brought = decoys.partial_etch(rng, scene, r.fade)
            tone += (1 - brought) * np.float32(0.5 * sum(r.plates) - r.weld)
        layer = _tinted(tone, r.tint) * np.asarray(r.weld_tint, np.float32)
        image += cover[..., None] * (layer - image)
    _fusion_lines(rng, scene, r, image)
    _contacts(scene, r, image)
    _pockets(scene, image)
    ground = np.full(3, max(min(r.ground_tone * 0.5, 40.0), 4.0), np.float32)
    image += scene.voids[..., None] * (ground - image)
    if "skin" in r.on_metal:
        decoys.skin_layer(rng, scene, r, image)
    if "indents" in r.on_metal:
        decoys.indents(rng, scene, image)
    if "stamp" in r.on_metal:
        decoys.stamp(rng, scene, image)
    if "crack" in r.on_metal:
        decoys.crack(rng, scene, image, int(rng.integers(len(scene.metal))))
    if r.rim:
        inner = cv2.distanceTransform((scene.solid > 0.5).astype(np.uint8), cv2.DIST_L2, 5)
        rim = np.exp(-inner / np.float32(max(r.rim_mm * scene.px, 1.0))) * scene.solid
        image += (rim * np.float32(r.rim))[..., None]
    light = 1 + (light - 1) * (0.3 + 0.7 * scene.solid)
    return np.asarray(image * light[..., None], dtype=np.float32)


def _seams(scene: Scene, r: Recipe, image: Plane) -> None:
    """The line where the members touch behind the root."""
    if scene.section.seam is None or scene.section.fillets[0].plan.gap > 0.05:
        return
    seam = scene.view.stroke(np.asarray(scene.section.seam), max(r.seam_mm * scene.px, 1.5))
    image += (seam * 0.85)[..., None] * (np.float32(min(25.0, 0.4 * min(r.plates))) - image)


def _pockets(scene: Scene, image: Plane) -> None:
    """Hollows that metal closes all round, as at an unfilled root, are dark whatever lies behind the part."""
    metals = [scene.section.metal(k) for k in range(len(scene.metal))]
    whole = shapely.union_all([*scene.section.members, *metals]).buffer(0.03)
    rings = [Polygon(i) for p in getattr(whole, "geoms", [whole]) for i in p.interiors if Polygon(i).area < 4]
    if rings:
        cover = scene.view.mask(shapely.union_all(rings).buffer(0.03)) * (1 - scene.solid)
        image += cover[..., None] * (np.float32(8.0) - image)


def _contacts(scene: Scene, r: Recipe, image: Plane) -> None:
    """The line where weld metal only lies on a surface."""
    for k in range(len(scene.metal)):
        bare = scene.bare_contact(k)
        if bare.length < 0.15:
            continue
        wide = max(0.6 * r.seam_mm * scene.px, 1.5) * scene.view.mm_per_px / 2
        line = scene.view.mask(bare.buffer(wide, cap_style="flat"))
        image += (line * 0.8)[..., None] * (np.float32(0.3 * min(r.plates)) - image)


def _fusion_lines(rng: np.random.Generator, scene: Scene, r: Recipe, image: Plane) -> None:
    if not r.line:
        return
    wide = max(r.line_mm * scene.px, 1.6) * scene.view.mm_per_px / 2
    for k in range(len(scene.metal)):
        line = scene.view.mask(scene.fused_line(k).buffer(wide, cap_style="flat"))
        if r.line_patches > 0:
            spots = clouds(rng, scene.shape, 1.5 * scene.px, 2)
            line = line * np.clip((spots - np.float32(np.quantile(spots, r.line_patches))) * 4, 0, 1)
        beside = 0.5 * (sum(r.plates) + sum(r.zone_tones))
        if (r.weld - beside) * r.line > 0 and abs(r.weld - beside) > 10:
            line = line * scene.metal[k]  # of the weld's own tone: outside it would only make the weld larger
        image += (line * np.float32(r.line))[..., None]
