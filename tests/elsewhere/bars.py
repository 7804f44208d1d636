"""Scale bars in the styles that programs and people draw them."""

from dataclasses import dataclass

import cv2
import numpy as np

from tests.elsewhere.textures import Plane

LENGTHS = (1, 2, 5, 10, 20)


@dataclass(frozen=True)
class Bar:
    """A bar of `length_mm` and how it is drawn."""

    length_mm: float
    style: str
    strip: str


def choose_bar(rng: np.random.Generator, width_mm: float) -> Bar | None:
    """Choose a bar for a picture this wide, or none in a third of the pictures."""
    fits = [v for v in LENGTHS if 0.1 * width_mm < v < 0.55 * width_mm]
    if rng.random() < 1 / 3 or not fits:
        return None
    length = float(rng.choice(fits))
    style = str(rng.choice(["solid", "thin", "ticks", "bracket", "checked"], p=[0.35, 0.15, 0.28, 0.14, 0.08]))
    if style == "checked":
        style = "solid"
    return Bar(length, style, str(rng.choice(["below", "above", "box", "over"], p=[0.3, 0.1, 0.3, 0.3])))


def draw_bar(rng: np.random.Generator, image: Plane, bar: Bar, mm_per_px: float, busy: Plane) -> tuple[Plane, int]:
    """Return the picture with the bar, and by how many rows it moved down (a strip put above it).

    `busy` (h, w): where welds lie; a bar over the picture stays off them.
    """
    h, w = image.shape[:2]
    length = bar.length_mm / mm_per_px
    size = max(w, 600) / 1000
    thick = max(2.0, rng.uniform(2, 9) * size) if bar.style == "solid" else max(1.5, rng.uniform(1.5, 3) * size)
    tick = rng.uniform(7, 16) * size
    font, fine = cv2.FONT_HERSHEY_SIMPLEX, rng.uniform(0.6, 1.1) * size
    text = f"{bar.length_mm:g} mm" if rng.random() < 0.85 else f"{bar.length_mm:g}mm"
    (tw, th), _ = cv2.getTextSize(text, font, fine, max(round(1.6 * size), 1))
    block = (max(length, tw) + 14 * size, th + thick + tick + 26 * size)
    moved = 0
    if bar.strip in ("below", "above"):
        tone = float(rng.choice([0, 255, 240, 30, 200]))
        rows = int(block[1] + 14 * size)
        strip = np.full((rows, w, 3), tone, np.float32)
        image = np.vstack([image, strip] if bar.strip == "below" else [strip, image])
        moved = rows if bar.strip == "above" else 0
        top = (h if bar.strip == "below" else 0) + 6 * size
        left = rng.uniform(0.02, 0.98) * max(w - block[0], 1)
        ink = 255.0 if tone < 128 else 0.0
    else:
        left, top = _free(rng, busy, block)
        under = image[int(top) : int(top + block[1]), int(left) : int(left + block[0])]
        if bar.strip == "box":
            tone = float(rng.choice([0, 255, 235, 20]))
            under[:] = tone
        else:
            tone = float(np.median(under))
            ink_low, ink_high = np.percentile(under, [5, 95])
            tone = float(ink_high if 255 - ink_high < ink_low else ink_low)
        ink = 255.0 if tone < 120 else 0.0
    colours = [(ink, ink, ink)] * 5 + [(255.0, 240.0, 0.0) if ink > 128 else (200.0, 0.0, 0.0)]
    colour = np.asarray(colours[rng.integers(len(colours))], np.float32)
    above = rng.random() < 0.6
    x0 = left + 0.5 * (block[0] - length)
    y = top + (th + 12 * size + tick / 2 if above else 6 * size + tick / 2)
    cover = _bar_cover(image.shape[:2], bar.style, (x0, y), length, thick, tick)
    image = image + cover[..., None] * (colour - image)
    label = np.zeros(image.shape[:2], np.uint8)
    at = (int(left + 0.5 * (block[0] - tw)), int(top + th + 4 * size if above else y + tick / 2 + th + 7 * size))
    cv2.putText(label, text, at, font, fine, 255, max(round(1.6 * size), 1), cv2.LINE_AA)
    image = image + (label.astype(np.float32) / 255)[..., None] * (colour - image)
    return image.astype(np.float32), moved


def _free(rng: np.random.Generator, busy: Plane, block: tuple[float, float]) -> tuple[float, float]:
    """Find a place (left, top) for a block in a corner, off what is busy if there is one."""
    h, w = busy.shape
    pad = 0.02 * w
    right, low = max(w - block[0] - pad, 0.0), max(h - block[1] - pad, 0.0)
    spots = [(right, low), (pad, low), (right, pad), (pad, pad)]
    order = rng.permutation(4)
    share = [float(busy[int(t) : int(t + block[1]), int(s) : int(s + block[0])].mean()) for s, t in spots]
    best = min(order, key=lambda k: share[k])
    return spots[int(best)]


def _bar_cover(
    shape: tuple[int, int], style: str, start: tuple[float, float], length: float, thick: float, tick: float
) -> Plane:
    """Cover of the bar; a solid one from outer end to outer end, one with ticks from middle to middle of them."""
    x0, y = start
    x1 = x0 + length
    rects = [(x0, y - thick / 2, x1, y + thick / 2)]
    if style in ("ticks", "bracket"):
        up = y - tick / 2
        low = y + tick / 2 if style == "ticks" else y + thick / 2
        rects = [(x0 - thick / 2, y - thick / 2, x1 + thick / 2, y + thick / 2)]
        rects += [(x - thick / 2, up, x + thick / 2, low) for x in (x0, x1)]
    out = np.zeros(shape, np.float32)
    for a, b, c, d in rects:
        xs = np.clip(np.minimum(np.arange(shape[1]) + 0.5, c) - np.maximum(np.arange(shape[1]) - 0.5, a), 0, 1)
        ys = np.clip(np.minimum(np.arange(shape[0]) + 0.5, d) - np.maximum(np.arange(shape[0]) - 0.5, b), 0, 1)
        out = np.maximum(out, np.outer(ys, xs).astype(np.float32))
    return out
