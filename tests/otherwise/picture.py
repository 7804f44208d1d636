"""One picture by seed and look, and what is true of it."""

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.outline import WeldOutline
from tests.otherwise.beads import draw_bead_section
from tests.otherwise.burned import burn_bar, burn_notes, draw_bar
from tests.otherwise.etch import browned, draw_etch, paint_metal
from tests.otherwise.grounds import GROUNDS, ground_tone, paint_ground
from tests.otherwise.laid import Laid, draw_laid, lay_disc, lay_rule
from tests.otherwise.raster import Plane, View, clouds
from tests.otherwise.section import Section, draw_section
from tests.otherwise.truth import exact_outline, exact_quantities

LOOKS = ("fair", "hard", "bead-fair", "bead", "corner-fair", "corner")
"""Tees and laps fair and hard; beads on plate and corners fair, and hard without a further word."""
LEAST_PX_PER_MM = {False: 14.0, True: 9.0}
"""By whether the look is hard."""
BROWN_GROUNDS = ("wood", "resin", "resin", "stone", "micro")


@dataclass(frozen=True)
class PictureWeld:
    """One weld: `quantities` by key, its exact `outline` in px, whether it lies whole in the picture."""

    quantities: dict[str, Any]
    outline: WeldOutline
    whole: bool


@dataclass(frozen=True)
class Picture:
    """A picture (h, w, 3) uint8, its ground, its truth. `mark`: the scale as a user would state it."""

    rgb: ByteArray
    ground: str
    joint: str
    mm_per_px: float
    mark: str
    welds: tuple[PictureWeld, ...]


def render_otherwise(seed: int, look: str) -> Picture:
    """Render picture `seed` in one of `LOOKS`; ValueError for another look. Same seed, same picture."""
    if look not in LOOKS:
        msg = f"look is one of {', '.join(LOOKS)}, not {look!r}"
        raise ValueError(msg)
    shapes, paints = (np.random.default_rng([seed, LOOKS.index(look), k, 4241]) for k in (0, 1))
    hard = not look.endswith("fair")
    bead, corner = look.startswith("bead"), look.startswith("corner")
    section = draw_bead_section(shapes) if bead else draw_section(shapes, corner=corner)
    ground = str(paints.choice(GROUNDS))
    kind = str(shapes.choice(["bar", "laid", "none"], p=[0.4, 0.35, 0.25]))
    x0, y0, x1, y1 = _whole(section)
    laid = draw_laid(shapes, max(x1 - x0, y1 - y0)) if kind == "laid" else None
    view, spot, way = _frame(shapes, section, laid, LEAST_PX_PER_MM[hard])
    etch = draw_etch(paints, "hard" if hard else "fair")
    brown = (bead or corner) and hard and paints.random() < 0.25
    if brown:
        etch, ground = browned(paints, etch), str(paints.choice(BROWN_GROUNDS))
    if corner and not section.welds[0].design.gap:  # its seam tells which of the two plates ends at the other
        etch = replace(etch, seam=max(etch.seam, 0.03))
    mm = 1 / view.mm_per_px
    metal_rgb, metal, _ = paint_metal(paints, view, section, etch)
    apart = (22.0 if hard else 50.0) + 1.3 * etch.weld_grain
    tone = ground_tone(paints, ground, etch.tones, apart)
    if brown:
        tone = etch.plates[0] + float(paints.choice([-1.0, 1.0]) * paints.uniform(14, 24))
    image = paint_ground(paints, view, section, ground, tone)
    if ground in ("wood", "cloth", "paper", "squared", "stone") and paints.random() < 0.6:
        image = _shadow(paints, image, metal, mm, strongest=0.5 if hard else 0.28)
    if laid is not None and laid.kind == "rule":
        image = lay_rule(paints, image, laid, spot, way, mm)
    elif laid is not None:
        image = lay_disc(paints, image, laid, spot, mm, 18.0 if hard else 35.0)
    image = image + metal[..., None] * (metal_rgb - image)
    image = _camera(paints, image, ground, mm, hard=hard)
    outlines = [
        exact_outline(section, view, k, zones_show=len(section.welds) == 1) for k in range(len(section.welds))
    ]
    mark = laid.text if laid is not None else f"px:{view.mm_per_px:.8f}mm"
    if paints.random() < (0.2 if hard else 0.06):
        image = burn_notes(paints, image, np.vstack([o.polygon[::50] for o in outlines]))

    if kind == "bar":
        bar = draw_bar(paints, view.width * view.mm_per_px)
        mark = f"bar:{bar.length:g}mm"
        points = np.vstack([o.polygon for o in outlines])
        keep = (*points.min(axis=0), *points.max(axis=0))
        image, _ = burn_bar(paints, image, bar, view.mm_per_px, (keep[0], keep[1], keep[2], keep[3]))
    rgb = _stored(paints, image, hard=hard)
    welds = tuple(PictureWeld(exact_quantities(o, view.mm_per_px), o, _inside(o, view)) for o in outlines)
    return Picture(rgb, ground, section.joint, view.mm_per_px, mark, welds)


def _inside(outline: WeldOutline, view: View) -> bool:
    low, high = outline.polygon.min(axis=0), outline.polygon.max(axis=0)
    return bool((low > 2).all() and high[0] < view.width - 3 and high[1] < view.height - 3)


def _whole(section: Section) -> tuple[float, float, float, float]:
    b = np.array([m.bounds for m in section.members if not m.is_empty])
    return float(b[:, 0].min()), float(b[:, 1].min()), float(b[:, 2].max()), float(b[:, 3].max())


def _frame(
    rng: np.random.Generator, section: Section, laid: Laid | None, least: float
) -> tuple[View, FloatArray, FloatArray]:
    """Frame the section, with room for what is laid beside it; also where that lies (px) and which way it runs."""
    kind = rng.random()
    turn = (
        rng.normal(0, 5)
        if kind < 0.6
        else rng.normal(0, 5) + 90 * rng.integers(1, 4)
        if kind < 0.82
        else rng.uniform(0, 360)
    )
    c, s = np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))
    linear = np.array([[c, -s], [s, c]]) @ np.diag([rng.choice([-1.0, 1.0]), -1.0])

    def bounds(box: tuple[float, float, float, float]) -> tuple[FloatArray, FloatArray]:
        x0, y0, x1, y1 = box
        corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) @ linear.T
        return corners.min(axis=0), corners.max(axis=0)

    close = laid is None and rng.random() < 0.55
    low, high = bounds(section.needed() if close else _whole(section))
    if not close and laid is None and rng.random() < 0.5:
        more = float(rng.uniform(0.1, 0.5)) * (high - low)
        low, high = low - more * rng.uniform(0, 1, 2), high + more * rng.uniform(0, 1, 2)
    spot, way = np.zeros(2), np.array([1.0, 0.0])
    if laid is not None:
        side = int(rng.integers(4))
        tilt = float(rng.normal(0, 0.06))
        away = 1.0 + float(rng.uniform(0.5, 5))
        long = laid.size[0] / 2 * (rng.uniform(0.4, 0.95) if laid.kind == "rule" else 1.0)
        deep = laid.size[1] * (rng.uniform(0.75, 1.1) if laid.kind == "rule" else 1.08)
        deep = max(deep, 7.2) if laid.kind == "rule" else deep
        middle = (low + high) / 2
        away += abs(tilt) * laid.size[0] / 2
        out = np.array([[0, -1], [1, 0], [0, 1], [-1, 0]])[side].astype(float)
        along = np.array([-out[1], out[0]])
        edge = (
            middle
            + out * ((high - low) / 2 @ np.abs(out) + away)
            + along * rng.uniform(-0.2, 0.2) * ((high - low) @ np.abs(along))
        )
        if laid.kind == "rule":
            # `lay_rule` has its body to the right of the way it runs (y down): away from the section
            way = np.array([out[1], -out[0]])
            way = np.array(
                [way[0] * np.cos(tilt) - way[1] * np.sin(tilt), way[0] * np.sin(tilt) + way[1] * np.cos(tilt)]
            )
            spot, far = edge, edge + out * deep
        else:
            spot, far = edge + out * deep / 2, edge + out * deep * 1.06
        ends = np.vstack([far - along * long, far + along * long])
        low, high = np.minimum(low, ends.min(axis=0)), np.maximum(high, ends.max(axis=0))
    margin = float(rng.uniform(0.02, 0.12)) * float((high - low).max())
    low, high = low - margin, high + margin
    span = high - low
    wanted = float(rng.choice([1.0, 4 / 3, 3 / 2, 16 / 9, 3 / 4]))
    wide = np.array([max(span[0], span[1] * wanted), max(span[1], span[0] / wanted)])
    if laid is not None:
        wide = span
    extra = (wide - span) * rng.uniform(0, 1, 2)
    width = float(np.exp(rng.uniform(np.log(700), np.log(2600))))
    width = float(np.clip(width, least * wide[0], 85 * wide[0]))
    width = min(width, 2900.0)
    mm_per_px = float(wide[0]) / width
    offset = -(low - extra) / mm_per_px
    view = View(round(width), round(float(wide[1]) / mm_per_px), mm_per_px, linear / mm_per_px, offset)
    return view, spot / mm_per_px + offset, way


def _shadow(
    rng: np.random.Generator, image: FloatArray, metal: Plane, mm: float, *, strongest: float
) -> FloatArray:
    """The section's soft shadow on what it lies on; `strongest`: part of the light that it takes at most."""
    off = rng.uniform(-1.5, 1.5, 2) * mm
    m = np.array([[1, 0, off[0]], [0, 1, off[1]]], np.float32)
    dark = cv2.warpAffine(metal, m, (metal.shape[1], metal.shape[0]))
    return np.asarray(
        image * (1 - rng.uniform(0.4, 1.0) * strongest * cv2.GaussianBlur(dark, (0, 0), 0.6 * mm)[..., None])
    )


def _camera(rng: np.random.Generator, image: FloatArray, ground: str, mm: float, *, hard: bool) -> FloatArray:
    """Light and lens: uneven light, a vignette, blur."""
    h, w = image.shape[:2]
    ys, xs = np.mgrid[0:h, 0:w]
    u, v = xs / w - 0.5, ys / h - 0.5
    a, slope = rng.uniform(0, 6.28), rng.uniform(0, 0.3)
    light = 1 + slope * (np.cos(a) * u + np.sin(a) * v)
    if ground == "scan":
        light = np.ones((h, w))
    if ground == "micro" or rng.random() < 0.2:
        light = light * (1 - rng.uniform(0.3, 0.9) * (u**2 + v**2))
    if rng.random() < 0.25 and ground != "scan":
        light = light * (1 + 0.05 * clouds(rng, h, w, 0.5 * w, 1))
    image = image * light[..., None]
    if ground == "micro" and rng.random() < 0.4:  # the field of view's edge
        r = np.hypot(xs - w / 2, ys - h / 2) / (0.5 * np.hypot(w, h))
        image = image * np.clip((0.985 - r) / 0.02, 0, 1)[..., None]
    if (ground in ("micro", "scan") and rng.random() < 0.6) or rng.random() < 0.15:
        image = np.repeat(image.mean(axis=2, keepdims=True), 3, axis=2)
    sigma = float(rng.uniform(0.4, 1.3) if not hard else rng.uniform(0.6, 2.2))
    sigma = min(sigma, 0.05 * mm + 0.35)
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma))


def _stored(rng: np.random.Generator, image: FloatArray, *, hard: bool) -> ByteArray:
    """Noise, eight bits and, mostly, JPEG."""
    strength = float(rng.uniform(0.5, 3) if not hard else rng.uniform(1, 6))
    grain = rng.normal(0, strength, image.shape[:2])[..., None] + rng.normal(0, 0.5 * strength, image.shape)
    grain = np.asarray(cv2.GaussianBlur(grain, (0, 0), 0.5) * 1.3, np.float64)
    got = np.clip(np.round(image + grain), 0, 255).astype(np.uint8)
    if rng.random() < 0.8:
        ok, data = cv2.imencode(".jpg", got[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(70, 97))])
        if ok:
            read = cv2.imdecode(data, cv2.IMREAD_COLOR)
            if read is not None:
                got = np.ascontiguousarray(read[..., ::-1])
    return got
