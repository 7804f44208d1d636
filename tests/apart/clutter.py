"""Things in the picture that are not the weld: scale bar, ruler, label, loose piece, mount, hardness indents."""

import cv2
import numpy as np
from shapely.geometry import Polygon
from shapely.ops import unary_union

from macrocheck.arrays import Float32Array, FloatArray
from tests.apart.grain import speckle
from tests.apart.looks import Look
from tests.apart.raster import Placing, coverage
from tests.apart.scene import Section


def _room(busy: Float32Array, width: int, height: int, rng: np.random.Generator) -> tuple[int, int] | None:
    """Find a free rectangle (left, top), trying the border of the picture first."""
    h, w = busy.shape
    if width + 16 > w or height + 16 > h:
        return None
    total = cv2.integral((busy > 0.02).astype(np.uint8))
    spots = [(8, 8), (w - width - 8, 8), (8, h - height - 8), (w - width - 8, h - height - 8)]
    rng.shuffle(spots)
    spots += [(int(a), int(b)) for a, b in rng.uniform((8, 8), (w - width - 8, h - height - 8), (60, 2))]
    for x, y in spots:
        a, b = max(0, x - 4), max(0, y - 4)
        c, d = min(w, x + width + 4), min(h, y + height + 4)
        if total[d, c] - total[b, c] - total[d, a] + total[b, a] == 0:
            return int(x), int(y)
    return None


def behind(
    grey: Float32Array, metal: Float32Array, look: Look, rng: np.random.Generator
) -> tuple[Float32Array, Float32Array]:
    """Mount, loose piece, ruler: painted only where there is no metal. Returns the picture and what is now busy."""
    h, w = grey.shape
    busy = metal.copy()
    free = 1 - metal
    if look.mount:
        middle, radius = rng.uniform((0.3 * w, 0.3 * h), (0.7 * w, 0.7 * h)), rng.uniform(0.55, 0.8) * max(w, h)
        x, y = np.meshgrid(np.arange(w) - middle[0], np.arange(h) - middle[1])
        inside = np.clip((radius - np.hypot(x, y)) / 2, 0, 1).astype(np.float32)
        resin = rng.uniform(25, 130) + 5 * speckle((h, w), 3.0, 0.5, 0.3, rng)
        grey = grey + free * inside * (resin - grey)
    if look.second_piece:
        corner = np.array([rng.choice([0, w]), rng.choice([0, h])], dtype=np.float64)
        turn, side = rng.uniform(0, 3), rng.uniform(0.15, 0.4, 2) * min(w, h)
        c, s = np.cos(turn), np.sin(turn)
        box = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * side @ np.array([[c, s], [-s, c]]) + corner
        big = np.zeros((h, w), dtype=np.uint8)
        cv2.fillPoly(big, [np.rint(box).astype(np.int32)], 255, cv2.LINE_AA)
        near = cv2.dilate(metal, np.ones((25, 25), np.uint8))
        piece = big.astype(np.float32) / 255 * (near < 0.02)
        tone = rng.uniform(70, 210) + rng.uniform(4, 12) * speckle((h, w), 0.9, 0.4, turn, rng)
        grey = grey + piece * (tone - grey)
        busy = np.maximum(busy, piece)
    return np.asarray(grey, dtype=np.float32), busy


def ruler(
    grey: Float32Array, busy: Float32Array, place: Placing, rng: np.random.Generator
) -> tuple[Float32Array, Float32Array]:
    """A strip of millimetre graduations along one side of the picture, under the metal."""
    h, w = grey.shape
    high = int(min(0.14 * h, 3.5 / place.mm_per_px))
    strip = np.zeros((h, w), dtype=np.float32)
    below = rng.random() < 0.5
    y0 = h - high if below else 0
    strip[y0 : y0 + high] = 1
    paper = 225 if rng.random() < 0.6 else 40
    marks = np.full((h, w), float(paper), dtype=np.float32)
    pitch = 1.0 / place.mm_per_px
    start = rng.uniform(0, pitch)
    ink = 30.0 if paper > 128 else 220.0
    for k in range(int(w / pitch) + 1):
        x = start + k * pitch
        long = 0.75 if k % 10 == 0 else (0.55 if k % 5 == 0 else 0.38)
        a, b = (y0, y0 + int(long * high)) if below else (y0 + high - int(long * high), y0 + high)
        cv2.line(
            marks, (int(x * 16), a * 16), (int(x * 16), b * 16), ink, max(1, int(0.12 * pitch)), cv2.LINE_AA, 4
        )
    strip = strip * (busy < 0.02)
    return np.asarray(grey + strip * (marks - grey), dtype=np.float32), np.maximum(busy, strip)


def indents(grey: Float32Array, section: Section, place: Placing, rng: np.random.Generator) -> Float32Array:
    """A row of square hardness indents across the weld, a little below the surface."""
    weld = section.welds[0]
    s = np.arange(-0.6 * weld.plan.leg_n, 2.0 * weld.plan.leg_n, rng.uniform(0.4, 0.9))
    row = np.column_stack([s, np.full_like(s, -rng.uniform(0.5, 1.5))])
    out = grey
    half = rng.uniform(0.05, 0.13) / place.mm_per_px
    for x, y in place.weld_px(weld, row):
        if not (half < x < place.width - half and half < y < place.height - half):
            continue
        corner = np.array([[half, 0], [0, half], [-half, 0], [0, -half]]) + np.array([x, y])
        mask = np.zeros(grey.shape, dtype=np.uint8)
        cv2.fillPoly(mask, [np.rint(corner * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        out = np.where(mask > 0, out * (1 - mask / 255.0) + 25.0 * (mask / 255.0), out)
    return np.asarray(out, dtype=np.float32)


def _ink(rgb: Float32Array, x: int, y: int, wide: int, high: int) -> float:
    """Grey of lettering that stands out from what lies under it."""
    under = rgb[max(0, y) : y + high, max(0, x) : x + wide]
    return 245.0 if under.size == 0 or float(under.mean()) < 125 else 10.0


def label(rgb: Float32Array, busy: Float32Array, rng: np.random.Generator) -> tuple[Float32Array, Float32Array]:
    """Burned-in text; returns the picture and what is now busy."""
    words = ["No. 14", "A-3", "etched 30 s", "sample 07", "x10", "B2 left"]
    text = words[int(rng.integers(len(words)))]
    size = rng.uniform(0.5, 1.3)
    (wide, high), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, size, 2)
    x, y = _room(busy, wide, high + 6, rng) or (8, 8)
    mask = np.zeros(rgb.shape[:2], dtype=np.uint8)
    cv2.putText(mask, text, (x, y + high), cv2.FONT_HERSHEY_SIMPLEX, size, (255,), 2, cv2.LINE_AA)
    share = mask[..., None].astype(np.float32) / np.float32(255)
    taken = busy.copy()
    taken[y : y + high + 6, x : x + wide] = 1
    ink = _ink(rgb, x, y, wide, high)
    return np.asarray(rgb * (1 - share) + ink * share, dtype=np.float32), taken


def scale_bar(
    rgb: Float32Array, busy: Float32Array, place: Placing, rng: np.random.Generator
) -> tuple[Float32Array, str | None]:
    """Draw a bar of known length in a free place; returns the picture and the mark's text, or None.

    A solid bar is as long as its ends are apart, one with end ticks as long as their middles are apart.
    """
    h, w = busy.shape
    for length in sorted((1, 2, 5, 10), key=lambda v: abs(v / place.mm_per_px - 0.28 * w)):
        long, thick = length / place.mm_per_px, max(4.0, 0.008 * w)
        ticks = rng.random() < 0.3
        over = 2.2 * thick if ticks else 0.0
        tick = 0.25 * thick if ticks else 0.0
        if long < 60:
            continue
        need = (int(long + 2 * tick) + 3, int(thick + 2 * over) + 2)
        spot = _room(busy, *need, rng)
        if spot is None:
            continue
        x, y = spot[0] + 1 + tick + rng.random(), spot[1] + 1 + over + rng.random()
        parts: list[FloatArray] = [_box(x, y, x + long, y + thick)]
        if ticks:
            parts += [_box(at - tick, y - over, at + tick, y + thick + over) for at in (x, x + long)]
        cover = coverage(unary_union([Polygon(p) for p in parts]), w, h)[..., None]
        ink = _ink(rgb, *spot, *need)
        return np.asarray(rgb * (1 - cover) + ink * cover, dtype=np.float32), f"bar:{length}mm"
    return rgb, None


def _box(x0: float, y0: float, x1: float, y1: float) -> FloatArray:
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
