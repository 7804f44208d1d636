"""What lies about in a workshop photograph: loose metal, writing, arrows, jaws, rows of hardness indents."""

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, Float32Array
from macrocheck.render import textures as tx
from macrocheck.render.looks import Look
from macrocheck.render.raster import View

_WORDS = ("T6-03", "L8-11", "A2", "etch 2", "PASS 1", "0.9 Ar", "T6-17", "B", "No 4", "coupon", "x10")


def litter(ground: Float32Array, look: Look, view: View, rng: np.random.Generator) -> None:
    """Draw loose pieces, a jaw and writing into the background, in place."""
    h, w = ground.shape
    for _ in range(look.clutter.pieces):
        _piece(ground, look, view, rng)
    if look.clutter.jaw:
        edge = int(rng.integers(4))
        depth = int(rng.uniform(0.05, 0.18) * min(h, w))
        part = (
            ground[:depth],
            ground[-depth:],
            ground[:, :depth],
            ground[:, -depth:],
        )[edge]
        tone = rng.uniform(40, 190)
        ribs = tx.streaks(rng, (part.shape[0], part.shape[1]), along_px=200, across_px=9, degrees=90 * (edge // 2))
        part[:] = tone + 14 * ribs
    for _ in range(look.clutter.words):
        text = str(rng.choice(_WORDS))
        size = rng.uniform(0.025, 0.08) * h / 22
        ink = float(rng.choice([15.0, 235.0, look.ground.tone + rng.choice([-50, 60])]))
        at = (int(rng.uniform(0, 0.85) * w), int(rng.uniform(0.08, 0.98) * h))
        font = int(rng.choice([cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_SCRIPT_SIMPLEX, cv2.FONT_HERSHEY_DUPLEX]))
        mask = np.zeros((h, w), np.uint8)
        cv2.putText(mask, text, at, font, size, (255,), max(int(size * 2.2), 1), cv2.LINE_AA)
        _stain(ground, mask, ink)


def _stain(picture: Float32Array, mask: ByteArray, ink: float) -> None:
    """Blend `ink` into (h, w) `picture` where `mask` (0-255) says, in place."""
    picture += (ink - picture) * (mask.astype(np.float32) / 255)


def _piece(ground: Float32Array, look: Look, view: View, rng: np.random.Generator) -> None:
    """A loose offcut, coin or washer with the tone and grain of a plate."""
    h, w = ground.shape
    size = rng.uniform(0.08, 0.35) * w
    centre = rng.uniform(0, 1, 2) * [w, h]
    if rng.random() < 0.5:
        n = int(rng.integers(4, 7))
        a = np.sort(rng.uniform(0, 2 * np.pi, n))
        outline = centre + size * rng.uniform(0.4, 1.0, (n, 1)) * np.column_stack([np.cos(a), np.sin(a)])
    else:
        tilt = rng.uniform(0, np.pi)
        turn = np.array([[np.cos(tilt), np.sin(tilt)], [-np.sin(tilt), np.cos(tilt)]])
        box = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [size, size * rng.uniform(0.1, 0.6)]
        outline = centre + box @ turn
    mask = np.zeros((h, w), np.uint8)
    cv2.fillPoly(mask, [np.round(outline * 16).astype(np.int32)], (255,), cv2.LINE_AA, 4)
    cover = mask.astype(np.float32) / 255
    plate = look.nonbutting
    tone = plate.tone + rng.normal(0, 20)
    texture = tx.grain(rng, (h, w), plate.grain_mm * view.px_per_mm) * np.float32(plate.grain)
    ground[:] = ground * (1 - cover) + (tone + texture) * cover


def indents(metal: Float32Array, rows: int, ppm: float, rng: np.random.Generator) -> None:
    """Rows of hardness indents (dark diamonds), in place."""
    h, w = metal.shape
    mask = np.zeros((h, w), np.uint8)
    for _ in range(rows):
        start, a = rng.uniform(0.1, 0.9, 2) * [w, h], rng.uniform(0, 2 * np.pi)
        pitch, half = rng.uniform(0.4, 1.0) * ppm, max(rng.uniform(0.05, 0.16) * ppm, 1.0)
        for k in range(int(rng.integers(4, 14))):
            c = start + k * pitch * np.array([np.cos(a), np.sin(a)])
            diamond = c + half * np.array([[1, 0], [0, 1], [-1, 0], [0, -1]])
            cv2.fillPoly(mask, [np.round(diamond * 16).astype(np.int32)], (255,), cv2.LINE_AA, 4)
    metal -= mask.astype(np.float32) * np.float32(rng.uniform(40, 110) / 255)


def arrows(picture: Float32Array, count: int, rng: np.random.Generator) -> None:
    """Burned-in arrows, in place, on (h, w, 3)."""
    h, w = picture.shape[:2]
    for _ in range(count):
        p, q = rng.uniform(0.05, 0.95, 2) * [w, h], rng.uniform(0.05, 0.95, 2) * [w, h]
        q = p + (q - p) * min(1.0, 0.15 * w / max(float(np.hypot(*(q - p))), 1))
        colour = rng.choice([[255.0, 255.0, 255.0], [255.0, 40.0, 40.0], [20.0, 20.0, 20.0]])
        mask = np.zeros((h, w), np.uint8)
        cv2.arrowedLine(mask, [int(v) for v in p], [int(v) for v in q], (255,), 2, cv2.LINE_AA, 0, 0.25)
        for channel in range(3):
            _stain(picture[..., channel], mask, float(colour[channel]))
