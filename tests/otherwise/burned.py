"""Scale bars that software draws into the finished picture, with their words; arrows and words that are none."""

from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import FloatArray
from tests.otherwise.lettering import word
from tests.otherwise.raster import Plane, cover

STYLES = ("solid", "solid", "edged", "ticks", "ticks", "bracket", "divided")
COLOURS = ((255, 255, 255), (0, 0, 0), (255, 255, 0), (230, 20, 20), (0, 220, 230), (255, 255, 255), (0, 0, 0))


@dataclass(frozen=True)
class Bar:
    """A bar: length in mm, style, colour, where its word stands, what it is set on, the word."""

    length: float
    style: str
    colour: tuple[int, int, int]
    side: str
    setting: str
    text: str


def draw_bar(rng: np.random.Generator, width_mm: float) -> Bar:
    """Draw a bar for a picture so wide."""
    nice = [n for n in (0.5, 1, 2, 3, 4, 5, 8, 10, 15, 20, 25, 30, 50) if 0.1 * width_mm < n < 0.45 * width_mm] or [
        1.0
    ]
    length = float(rng.choice(nice))
    words = [f"{length:g} mm", f"{length:g}mm", f"{length:.1f} mm"]
    if length <= 5:
        words.append(f"{1000 * length:.0f} um")
    return Bar(
        length,
        str(rng.choice(STYLES)),
        COLOURS[int(rng.integers(len(COLOURS)))],
        str(rng.choice(["above", "below", "right", "left"], p=[0.45, 0.35, 0.1, 0.1])),
        str(rng.choice(["strip", "box", "bare"], p=[0.25, 0.3, 0.45])),
        str(rng.choice(words)),
    )


def _put(image: FloatArray, over: Plane, corner: tuple[int, int], colour: FloatArray) -> None:
    x, y = corner
    part = image[y : y + over.shape[0], x : x + over.shape[1]]
    over = over[: part.shape[0], : part.shape[1], None]
    part += over * (colour - part)


def _drawing(rng: np.random.Generator, bar: Bar, px: float, height: float) -> tuple[Plane, Plane]:
    """Ink of the bar and of its edge (a dark or light line round it), in a frame 12 px larger all round."""
    whole = rng.random() < 0.5
    thick = float(np.clip(rng.uniform(0.003, 0.011) * height, 2, 14))
    if bar.style in ("solid", "edged"):
        thick = max(thick, 4.0)
    tall = float(rng.uniform(2.5, 6)) * thick if bar.style != "solid" else thick
    thick, x0 = (round(thick), 12.0) if whole else (thick, 12.0 + float(rng.uniform(0, 1)))
    length = float(round(px)) if whole else px
    h, w = int(tall) + 26, int(length + thick) + 26
    mid = 12 + tall / 2

    def box(a: float, b: float, c: float, d: float) -> FloatArray:
        return np.array([[a, c], [b, c], [b, d], [a, d]]) - 0.5

    def ink(grow: float) -> Plane:
        out = cover([box(x0 - grow, x0 + length + grow, mid - thick / 2 - grow, mid + thick / 2 + grow)], h, w)
        if bar.style in ("solid", "edged"):
            return out
        low, high = 12 - grow, 12 + tall + grow
        low = mid - thick / 2 - grow if bar.style == "bracket" else low
        marks = [0.0, length] + ([length * k / 5 for k in range(1, 5)] if bar.style == "divided" else [])
        for m in marks:
            shrink = 0.0 if m in (0.0, length) else 0.25 * (high - low)
            stroke = thick / 2 + grow
            out = np.maximum(out, cover([box(x0 + m - stroke, x0 + m + stroke, low + shrink, high - shrink)], h, w))
        return out

    return ink(0.0), ink(1.0 if bar.style != "edged" else 2.0)


def burn_bar(
    rng: np.random.Generator, image: FloatArray, bar: Bar, mm_per_px: float, keep: tuple[float, float, float, float]
) -> tuple[FloatArray, int]:
    """Return the picture with the bar, and the rows set under it. `keep`: x0, y0, x1, y1 px not to cover."""
    h, w = image.shape[:2]
    ink, edge = _drawing(rng, bar, bar.length / mm_per_px, h)
    size = float(np.clip(0.03 * h, 11, 60))
    letters = word(bar.text, size)
    gap = int(max(0.35 * size, 3))
    beside = bar.side in ("left", "right")
    bh, bw = (
        (max(ink.shape[0], letters.shape[0]), ink.shape[1] + gap + letters.shape[1])
        if beside
        else (ink.shape[0] + gap + letters.shape[0], max(ink.shape[1], letters.shape[1]))
    )
    pad = int(0.4 * size)
    colour = np.array(bar.colour, dtype=np.float64)
    other = np.zeros(3) if colour.mean() > 110 else np.full(3, 255.0)
    rows = 0
    if bar.setting == "strip":
        rows = bh + 2 * pad
        strip = np.ones((rows, w, 3)) * other
        image = np.vstack([image, strip])
        x, y = int(rng.integers(pad, max(w - bw - pad, pad + 1))), h + pad
        if rng.random() < 0.6:
            note = word(str(rng.choice(["Mag 8x", "Nital 3 %", "section A", "2024-05-11", "S355 J2"])), size)
            free = 8 if x > w / 2 else w - note.shape[1] - 8
            if free > x + bw + 8 or free + note.shape[1] < x - 8:
                _put(image, note, (free, y), colour)
    else:
        image = image.copy()
        spots = []
        for cx in (pad, w - bw - pad, (w - bw) // 2):
            for cy in (pad, h - bh - pad):
                apart = cx + bw < keep[0] or cx > keep[2] or cy + bh < keep[1] or cy > keep[3]
                spots.append((apart, rng.random(), cx, cy))
        _, _, x, y = max(spots)
        ground = image[y : y + bh, x : x + bw].mean(axis=2)
        if bar.setting == "box":
            image[max(y - pad // 2, 0) : y + bh + pad // 2, max(x - pad // 2, 0) : x + bw + pad // 2] = other
        elif abs(colour.mean() - np.median(ground)) < 70 or ground.std() > 25:
            colour = np.full(3, 255.0 if np.median(ground) < 128 else 0.0)
            other = 255 - colour
    ix, iy, lx, ly = x, y, x, y
    if beside:
        ix, lx = (x + letters.shape[1] + gap, x) if bar.side == "left" else (x, x + ink.shape[1] + gap)
        iy, ly = y + (bh - ink.shape[0]) // 2, y + (bh - letters.shape[0]) // 2
    else:
        ix, lx = x + (bw - ink.shape[1]) // 2, x + (bw - letters.shape[1]) // 2
        iy, ly = (y + letters.shape[0] + gap, y) if bar.side == "above" else (y, y + ink.shape[0] + gap)
    edged = bar.setting == "bare" and (bar.style == "edged" or rng.random() < 0.3)
    if edged:
        _put(image, edge, (ix, iy), other)
        _put(image, np.asarray(cv2.dilate(letters, np.ones((3, 3), np.uint8))), (lx, ly), other)
    _put(image, ink, (ix, iy), colour)
    _put(image, letters, (lx, ly), colour)
    return image, rows


def burn_notes(rng: np.random.Generator, image: FloatArray, spots: FloatArray) -> FloatArray:
    """Words with an arrow to some of `spots` (n, 2) px, as reports have them: decoys."""
    out = np.ascontiguousarray(image, dtype=np.float64)
    h, w = out.shape[:2]
    tone = 255.0 if out.mean() < 120 else 0.0
    for text in rng.choice(["weld", "HAZ", "A", "toe", "base metal", "1", "root"], int(rng.integers(1, 4))):
        to = spots[int(rng.integers(len(spots)))]
        frm = to + rng.uniform(0.15, 0.3) * h * np.array([np.cos(a := rng.uniform(0, 6.28)), np.sin(a)])
        frm = np.clip(frm, [0.06 * w, 0.06 * h], [0.9 * w, 0.94 * h])
        ends = [tuple(int(v) for v in p) for p in (frm, to)]
        cv2.arrowedLine(out, ends[0], ends[1], (tone,) * 3, max(h // 500, 1), cv2.LINE_AA, tipLength=0.12)
        letters = word(str(text), 0.03 * h)
        _put(
            out,
            letters,
            (max(int(frm[0] - letters.shape[1] / 2), 0), max(int(frm[1] - 0.045 * h), 0)),
            np.full(3, tone),
        )
    return np.asarray(out, dtype=np.float64)
