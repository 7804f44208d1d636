"""Paints a section as an etched, photographed cross section: `paint` = `scene` (metal), light, lens, file."""

from dataclasses import dataclass, replace

import numpy as np

from macrocheck.arrays import ByteArray, Float32Array
from macrocheck.render import camera, clutter
from macrocheck.render import textures as tx
from macrocheck.render.coverage import Covers, section_covers, shape_coverage
from macrocheck.render.deposit import paint_bands, paint_deposit
from macrocheck.render.looks import NEUTRAL, Ground, GroundKind, Look, Plate
from macrocheck.render.raster import View, weld_coordinates
from macrocheck.render.section import Section


@dataclass(frozen=True, slots=True)
class _Part:
    """A window of the picture: rows, columns, and the view of it."""

    rows: slice
    columns: slice
    view: View


def _window(section: Section, view: View, margin_mm: float) -> _Part | None:
    """Window round all welds with a margin, None where none is in the picture."""
    points = view.to_px(np.vstack([w.polygon for w in section.welds]))
    margin = margin_mm * view.px_per_mm + 4
    x0, y0 = np.maximum(np.floor(points.min(axis=0) - margin), 0).astype(int)
    x1 = int(min(np.ceil(points[:, 0].max() + margin) + 1, view.width))
    y1 = int(min(np.ceil(points[:, 1].max() + margin) + 1, view.height))
    if x1 - x0 < 2 or y1 - y0 < 2:
        return None
    m = view.matrix.copy()
    m[:, 2] -= [x0, y0]
    return _Part(slice(y0, y1), slice(x0, x1), View(m, x1 - int(x0), y1 - int(y0)))


def _pattern(kind: GroundKind, shape: tuple[int, int], pitch: float, rng: np.random.Generator) -> Float32Array:
    """Pattern of a background, about unit standard deviation; `pitch` in px."""
    if kind == "noise":
        return tx.grain(rng, shape, max(0.4 * pitch, 0.8))
    if kind == "paper":
        return np.asarray(0.5 * tx.grain(rng, shape, 1.2) + 0.8 * tx.grain(rng, shape, 4 * pitch))
    if kind == "resin":
        return np.asarray(tx.grain(rng, shape, 14 * pitch) + 0.3 * tx.grain(rng, shape, 2.0))
    if kind == "brushed":
        return tx.streaks(rng, shape, along_px=40 * pitch, across_px=0.6 * pitch, degrees=rng.uniform(0, 180))
    y, x = np.arange(shape[0], dtype=np.float32)[:, None], np.arange(shape[1], dtype=np.float32)[None]
    a = rng.uniform(0, np.pi)
    cos, sin = np.float32(np.cos(a) / pitch), np.float32(np.sin(a) / pitch)
    u, v = x * cos + y * sin, y * cos - x * sin
    if kind == "cloth":
        weave = np.sin(2 * np.pi * u) * np.sin(2 * np.pi * v)
        return np.asarray(weave + 0.6 * tx.grain(rng, shape, 0.6 * pitch), np.float32)
    off = np.minimum(np.abs(u / 6 - np.rint(u / 6)), np.abs(v / 6 - np.rint(v / 6)))
    return np.asarray(np.clip(1 - off * np.float32(4 * pitch), 0, 1) * 2.5, np.float32)


def _ground(ground: Ground, shape: tuple[int, int], ppm: float, rng: np.random.Generator) -> Float32Array:
    out = np.full(shape, ground.tone, np.float32)
    pitch = max(ground.pitch_mm * ppm, 2.0)
    if ground.kind != "plain":
        out += _pattern(ground.kind, shape, pitch, rng) * np.float32(ground.amplitude)
    elif ground.amplitude > 0:
        out += tx.grain(rng, shape, 20 * pitch) * np.float32(ground.amplitude)
    if ground.dust:
        specks = tx.blobs(rng, shape, ground.dust, low_px=0.5, high_px=0.08 * ppm)
        out += specks * np.float32(rng.choice([-1, 1, 1]) * rng.uniform(20, 120))
    return out


def _plate(
    plate: Plate, shape: tuple[int, int], ppm: float, degrees: float, rng: np.random.Generator
) -> tuple[Float32Array, Float32Array]:
    """Slow tone, and fine grain, of one member."""
    slow = np.full(shape, plate.tone, np.float32)
    if plate.mottle > 0:
        slow += tx.grain(rng, shape, max(2.5 * ppm, 8)) * np.float32(plate.mottle)
    if plate.bands > 0:
        slow += tx.streaks(
            rng, shape, along_px=8 * ppm, across_px=max(0.12 * ppm, 1.5), degrees=degrees
        ) * np.float32(plate.bands)
    return slow, tx.grain(rng, shape, plate.grain_mm * ppm) * np.float32(plate.grain)


def _direction(section: Section, view: View, *, butting: bool) -> float:
    """Direction of a member's length on the screen, degrees."""
    a = np.deg2rad(section.spec.psi) if butting and section.spec.joint != "lap" else 0.0
    d = view.matrix[:, :2] @ np.array([np.cos(a), np.sin(a)])
    return float(np.rad2deg(np.arctan2(d[1], d[0])))


def _finish(
    metal: Float32Array, covers: Covers, section: Section, view: View, look: Look, rng: np.random.Generator
) -> None:
    """Rims, seams, scratches, grinding marks, stains and pits on the metal, in place."""
    f, ppm = look.finish, view.px_per_mm
    shape = (view.height, view.width)
    if f.rim:
        metal += tx.near(covers.background > 0.5, f.rim_mm * ppm) * np.float32(f.rim)
    if f.scale:
        # mill scale: a ragged dark skin on the plates' own surfaces, not on the weld face
        skin = tx.near(covers.background > 0.5, f.scale_mm * ppm * 2) + 0.25 * tx.grain(rng, shape, 0.15 * ppm)
        metal += np.clip((skin - 0.5) * 6, 0, 1) * (covers.butting + covers.nonbutting) * np.float32(f.scale)
    if f.grinding > 0:
        metal += tx.streaks(
            rng, shape, along_px=25 * ppm, across_px=max(0.05 * ppm, 1.2), degrees=f.grinding_deg
        ) * np.float32(f.grinding)
    if f.scratches:
        metal += tx.scratch_lines(rng, shape, f.scratches, degrees=f.grinding_deg, spread=14) * np.float32(
            f.scratch
        )
    if f.stains > 0:
        cloud = tx.grain(rng, shape, 3 * ppm)
        metal += np.clip(cloud - 0.6, 0, 1.5) * np.float32(f.stains * rng.choice([-1, 1]))
    if f.pits:
        metal -= tx.blobs(rng, shape, f.pits, low_px=0.5, high_px=max(0.05 * ppm, 0.8)) * np.float32(60)
    if f.indents:
        clutter.indents(metal, f.indents, ppm, rng)
    if f.seam and section.seams:
        from shapely import union_all
        from shapely.geometry import LineString

        lines = union_all([LineString(s).buffer(f.seam_mm / 2, cap_style="flat") for s in section.seams])
        metal += shape_coverage(lines, view) * np.float32(f.seam)


def scene(section: Section, view: View, look: Look, seed: int) -> Float32Array:
    """Return the evenly lit scene, (h, w, 3) float32 on 0-255, without lens, sensor or file."""
    rng = np.random.default_rng([seed, 11])
    shape, ppm = (view.height, view.width), view.px_per_mm
    covers = section_covers(section, view)
    ground = _ground(look.ground, shape, ppm, rng)
    if look.finish.shadow:
        ground += tx.near(covers.background < 0.5, 0.4 * ppm) ** 2 * np.float32(look.finish.shadow)
    clutter.litter(ground, look, view, rng)
    background = covers.background
    grey = ground * background
    weld_metal = np.zeros(shape, np.float32)
    widest = max(
        max(w.spec.haz_butting, w.spec.haz_nonbutting)
        * max(b.width_factor if b else 0 for b in (look.band_butting, look.band_nonbutting))
        for w in section.welds
    )
    part = _window(section, view, 1.6 * widest + 0.4)
    coordinates = weld_coordinates(section, part.view) if part else None
    metal = np.zeros(shape, np.float32)
    for butting, plate, band, cover in (
        (False, look.nonbutting, look.band_nonbutting, covers.nonbutting),
        (True, look.butting, look.band_butting, covers.butting),
    ):
        if butting and section.butting is None:
            continue
        slow, fine = _plate(plate, shape, ppm, _direction(section, view, butting=butting), rng)
        if band is not None and part is not None and coordinates is not None:
            where = (part.rows, part.columns)
            paint_bands(slow, fine, where, coordinates, section, band, part.view, butting=butting, rng=rng)
        metal += (slow + fine) * cover
    if part is not None and coordinates is not None:
        where = (part.rows, part.columns)
        cover = covers.weld[where]
        weld_metal[where] = paint_deposit(section, part.view, coordinates, look.deposit, rng) * cover
        weld_metal[where] += covers.void[where] * np.float32(max(look.deposit.tone - 75, 12))
    extra = np.zeros(shape, np.float32)
    _finish(extra, covers, section, view, look, rng)
    grey += metal + weld_metal + extra * (1 - background)
    if look.deposit.fusion_line:
        line = _fusion_line(section, look.deposit.fusion_line_mm, view)
        grey += line * np.float32(look.deposit.fusion_line)
    out = np.repeat(np.clip(grey, 0, 290)[..., None], 3, axis=2)
    _tint(out, covers, look)
    return out


def _fusion_line(section: Section, width_mm: float, view: View) -> Float32Array:
    """Coverage of the fusion boundary drawn as a line, where there is fusion."""
    from shapely import union_all
    from shapely.geometry import LineString

    lines = union_all([LineString(w.fusion).buffer(width_mm / 2, cap_style="flat") for w in section.welds])
    if section.seams:
        lines = lines.difference(union_all([LineString(s).buffer(width_mm) for s in section.seams]))
    return shape_coverage(lines, view)


def _tint(picture: Float32Array, covers: Covers, look: Look) -> None:
    regions = (
        (covers.background, look.ground.tint),
        (covers.butting, look.butting.tint),
        (covers.nonbutting, look.nonbutting.tint),
        (covers.weld, look.deposit.tint),
    )
    for channel in range(3):
        gain = None
        for cover, tint in regions:
            if tint != NEUTRAL and tint[channel] != 1:
                change = cover * np.float32(tint[channel] - 1)
                gain = change if gain is None else gain + change
        if gain is not None:
            picture[..., channel] *= 1 + gain


def paint(section: Section, view: View, look: Look, seed: int) -> ByteArray:
    """Return the photograph of a section, (h, w, 3) uint8 RGB; the same inputs give the same picture."""
    rng = np.random.default_rng([seed, 12])
    lit = camera.light(scene(section, view, look, seed), look.camera, rng)
    return camera.store(camera.expose(lit, look.camera, rng), look.camera)


def bare(look: Look) -> Look:
    """Return a look without blur, noise, light or compression, for checks of where edges lie."""
    return replace(look, camera=replace(type(look.camera)(), blur_px=0.0, noise=0.0, jpeg=101))
