"""Weld metal and heat-affected bands, drawn in the weld's own coordinates."""

import cv2
import numpy as np

from macrocheck.arrays import Float32Array, FloatArray
from macrocheck.render import textures as tx
from macrocheck.render.looks import Band, Deposit
from macrocheck.render.raster import View, WeldCoordinates, pass_map
from macrocheck.render.section import Section, WeldGeometry, smooth_noise

Where = tuple[slice, slice]

WAVES = 5  # swings of a band's width along one fusion boundary
SWING = 0.12  # relative standard deviation of those swings


def band_width(section: Section, number: int, part: FloatArray, *, butting: bool) -> FloatArray:
    """Width of the heat-affected band, mm, at `part` (0..1 of the fusion boundary from the nonbutting toe).

    The truth and the picture both take it from here.
    """
    spec = section.welds[number].spec
    mean = spec.haz_butting if butting else spec.haz_nonbutting
    rng = np.random.default_rng([section.spec.seed, number, 5 if butting else 6])
    wave = smooth_noise(rng, 201, WAVES)
    return np.asarray(mean * np.clip(1 + SWING * np.interp(part, np.linspace(0, 1, 201), wave), 0.6, 1.4))


def _width_table(section: Section, view: View, factor: float, *, butting: bool) -> Float32Array:
    """Band width in px for every whole `along` of weld_coordinates."""
    out, offset = [np.ones(1000, np.float32)], 1000.0
    for number, weld in enumerate(section.welds):
        line = view.to_px(weld.fusion)
        length = float(np.hypot(*np.diff(line, axis=0).T).sum())
        part = (np.arange(offset, offset + length + 5000) - offset) / max(length, 1e-6)
        width = band_width(section, number, np.clip(part, 0, 1), butting=butting) * view.px_per_mm * factor
        out.append(width.astype(np.float32))
        offset += length + 5000
    return np.concatenate([*out, np.ones(4000, np.float32)])


def paint_bands(
    slow: Float32Array,
    fine: Float32Array,
    where: Where,
    coordinates: WeldCoordinates,
    section: Section,
    band: Band,
    view: View,
    *,
    butting: bool,
    rng: np.random.Generator,
) -> None:
    """Change a member's tone and grain inside its heat-affected bands, in place."""
    table = _width_table(section, view, band.width_factor, butting=butting)
    index = np.minimum(coordinates.along.astype(np.int32), len(table) - 1)
    width = table[index]
    d = coordinates.distance
    inside = np.clip((width - d) / np.float32(max(band.soft_mm * view.px_per_mm, 1.0)) + 0.5, 0, 1)
    r = d / np.maximum(width, 1)
    if band.kind == "outer":
        shape = inside * (0.25 + 0.75 * np.clip(r, 0, 1) ** 1.5)
    elif band.kind == "inner":
        shape = inside * np.clip(1.15 - 0.8 * r, 0, 1.15)
    elif band.kind == "two-tone":
        split = float(rng.uniform(0.3, 0.7))
        shape = inside * (1 - 1.5 * np.clip((split - r) / 0.12 + 0.5, 0, 1))
    else:
        shape = inside
    change = shape * np.float32(band.change)
    if band.rim:
        wide = np.float32(max(0.06 * view.px_per_mm, 1.2))
        change += np.exp(-(((d - width) / wide) ** 2)) * np.float32(band.rim)
    slow[where] += change
    if band.grain != 1:
        fine[where] *= 1 + inside * np.float32(band.grain - 1)


def _grown(section: Section, view: View, coordinates: WeldCoordinates) -> WeldCoordinates:
    """Coordinates for grain: with several passes, columns also start at the lines between them."""
    lines = pass_map(section, view)
    if not lines.any():
        return coordinates
    distance = cv2.distanceTransform((~lines).astype(np.uint8), cv2.DIST_L2, 5)
    nearer = distance < coordinates.distance
    y = np.arange(view.height, dtype=np.float32)[:, None]
    x = np.arange(view.width, dtype=np.float32)[None]
    # beside a pass line the arc length is told well enough by the position across the line's mean normal
    gy, gx = np.gradient(cv2.GaussianBlur(np.minimum(distance, 400), (0, 0), 3))
    own = 30000 + x * np.float32(np.mean(np.abs(gy))) + y * np.float32(np.mean(np.abs(gx)))
    return WeldCoordinates(
        np.where(nearer, distance, coordinates.distance).astype(np.float32),
        np.where(nearer, own, coordinates.along).astype(np.float32),
    )


def _crescents(
    out: Float32Array, section: Section, view: View, count: int, change: float, rng: np.random.Generator
) -> None:
    """Reheated crescents: arcs of another tone where a later pass reheated the weld metal, in place."""
    y = np.arange(view.height, dtype=np.float32)[:, None]
    x = np.arange(view.width, dtype=np.float32)[None]
    for _ in range(count):
        weld: WeldGeometry = section.welds[int(rng.integers(len(section.welds)))]
        at = weld.face[int(rng.uniform(0.1, 0.9) * len(weld.face))]
        size = float(np.hypot(*(weld.face[-1] - weld.face[0])))
        centre = view.to_px((at + rng.normal(0, 0.08 * size, 2))[None])[0]
        radius = rng.uniform(0.25, 0.6) * size * view.px_per_mm
        width = rng.uniform(0.05, 0.16) * size * view.px_per_mm
        r = np.hypot(x - np.float32(centre[0]), (y - np.float32(centre[1])) * np.float32(rng.uniform(0.8, 1.25)))
        inside = np.clip((r - radius) / 2 + 0.5, 0, 1) * np.clip((radius + width - r) / 3 + 0.5, 0, 1)
        fade = 1 - 0.6 * np.clip((r - radius) / width, 0, 1)
        out += inside * fade * np.float32(change * rng.uniform(0.6, 1.2) * rng.choice([1.0, 1.0, -1.0]))


def paint_deposit(
    section: Section, view: View, coordinates: WeldCoordinates, look: Deposit, rng: np.random.Generator
) -> Float32Array:
    """Tone of the weld metal at every pixel of the view (also outside it), (h, w) grey levels."""
    shape, ppm = (view.height, view.width), view.px_per_mm
    out = np.full(shape, look.tone, np.float32)
    pitch = max(look.pitch_mm * ppm, 2.0)
    if look.kind == "columnar":
        c = _grown(section, view, coordinates)
        out += tx.columnar(
            rng,
            c.distance,
            c.along,
            pitch_px=pitch,
            aspect=look.aspect,
            lean=look.lean,
            widening=look.widening,
        ) * np.float32(look.amplitude)
        if look.centre:
            out += _centre_line(coordinates, pitch) * np.float32(look.centre)
    elif look.kind == "coarse":
        out += tx.cast_grain(rng, shape, pitch) * np.float32(look.amplitude)
    elif look.kind == "layers":
        wave = coordinates.distance / np.float32(2.5 * pitch) + tx.grain(rng, shape, 10 * pitch) * np.float32(0.25)
        out += np.sin(2 * np.pi * wave) * np.float32(look.amplitude)
    if look.fine > 0:
        out += tx.grain(rng, shape, max(0.05 * ppm, 0.8)) * np.float32(look.fine)
    if look.mottle > 0:
        out += tx.grain(rng, shape, max(1.0 * ppm, 8)) * np.float32(look.mottle)
    if look.crescents[0]:
        _crescents(out, section, view, look.crescents[0], look.crescents[1], rng)
    if look.pass_line or look.pass_band:
        lines = pass_map(section, view)
        if lines.any():
            d = cv2.distanceTransform((~lines).astype(np.uint8), cv2.DIST_L2, 5)
            out += np.exp(-((d / np.float32(max(0.04 * ppm, 1.0))) ** 2)) * np.float32(look.pass_line)
            reach = np.float32(max(look.pass_band_mm * ppm, 2.0))
            out += np.clip((reach - d) / 3 + 0.5, 0, 1) * np.float32(look.pass_band)
    return out


def _centre_line(coordinates: WeldCoordinates, pitch: float) -> Float32Array:
    """Where columns from opposite sides meet: the ridge of the distance, (h, w) 0..1."""
    soft = cv2.GaussianBlur(coordinates.distance, (0, 0), 1.2)
    gx, gy = cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=1 / 8)
    ridge = np.clip((0.85 - np.hypot(gx, gy)) / 0.5, 0, 1) * (coordinates.distance > 2 * pitch)
    return np.asarray(cv2.GaussianBlur(ridge.astype(np.float32), (0, 0), max(0.5 * pitch, 1.0)))
