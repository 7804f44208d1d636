"""The camera and the bench: light, glare, scratches, stains, tint, focus, noise, compression."""

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, Float32Array
from tests.apart.looks import Look


def _blob(size: tuple[int, int], at: tuple[float, float], reach: tuple[float, float], turn: float) -> Float32Array:
    h, w = size
    x, y = np.meshgrid(np.arange(w, dtype=np.float32) - at[0], np.arange(h, dtype=np.float32) - at[1])
    c, s = np.cos(turn), np.sin(turn)
    u, v = (c * x + s * y) / reach[0], (c * y - s * x) / reach[1]
    return np.asarray(np.exp(-0.5 * (u * u + v * v)), dtype=np.float32)


def _slow(size: tuple[int, int], nodes: int, rng: np.random.Generator) -> Float32Array:
    field = rng.standard_normal((nodes, nodes)).astype(np.float32)
    return np.asarray(cv2.resize(field, size[::-1], interpolation=cv2.INTER_CUBIC), dtype=np.float32)


def fade_contrast(grey: Float32Array, metal: Float32Array, look: Look, rng: np.random.Generator) -> Float32Array:
    """Weaken the etch in patches: there everything on the metal closes up to the local mean."""
    if look.patchy <= 0:
        return grey
    weak = np.clip(0.5 + 0.7 * _slow(grey.shape, 5, rng), 0, 1) * look.patchy * metal
    mean = cv2.GaussianBlur(grey, (0, 0), 25)
    inner = cv2.erode((metal > 0.9).astype(np.uint8), np.ones((51, 51), np.uint8)).astype(np.float32)
    weak = weak * cv2.GaussianBlur(inner, (0, 0), 9)
    return np.asarray(grey + weak * (mean - grey), dtype=np.float32)


def mark_surface(grey: Float32Array, metal: Float32Array, look: Look, rng: np.random.Generator) -> Float32Array:
    """Scratches, stains and glare on the ground face."""
    h, w = grey.shape
    out = grey
    if look.scratches > 0:
        layer = np.zeros((h, w), dtype=np.float32)
        main = rng.uniform(0, np.pi)
        for _ in range(look.scratches):
            turn = main + rng.normal(0, 0.15) if rng.random() < 0.7 else rng.uniform(0, np.pi)
            middle = rng.uniform((0, 0), (w, h))
            half = rng.uniform(0.05, 0.6) * w * np.array([np.cos(turn), np.sin(turn)])
            a, b = (np.rint((middle + sign * half) * 16).astype(int) for sign in (-1, 1))
            tone = float(rng.uniform(8, 40) * (1 if rng.random() < 0.6 else -1))
            cv2.line(layer, (int(a[0]), int(a[1])), (int(b[0]), int(b[1])), tone, 1, cv2.LINE_AA, 4)
        out = out + cv2.GaussianBlur(layer, (0, 0), 0.6) * metal
    for _ in range(look.stains):
        blob = _blob(
            (h, w),
            (rng.uniform(0, w), rng.uniform(0, h)),
            (rng.uniform(0.03, 0.15) * w, rng.uniform(0.03, 0.15) * w),
            0.5,
        )
        blob = np.clip(blob * 1.6 + 0.25 * _slow((h, w), 30, rng) * blob, 0, 1)
        out = out + rng.uniform(-30, 25) * blob * metal
    if look.glare > 0:
        reach = (rng.uniform(0.08, 0.3) * w, rng.uniform(0.03, 0.12) * w)
        out = out + look.glare * _blob((h, w), (rng.uniform(0, w), rng.uniform(0, h)), reach, rng.uniform(0, 3)) * (
            0.3 + 0.7 * metal
        )
    return np.asarray(out, dtype=np.float32)


def light_and_lens(grey: Float32Array, look: Look, rng: np.random.Generator) -> Float32Array:
    """Uneven light, vignetting, blur (uneven where focus fails), sharpening."""
    h, w = grey.shape
    x, y = np.meshgrid(np.linspace(-1, 1, w, dtype=np.float32), np.linspace(-1, 1, h, dtype=np.float32))
    turn = rng.uniform(0, 2 * np.pi)
    shade = 1 + look.light * (x * np.cos(turn) + y * np.sin(turn)) - look.vignette * 0.5 * (x * x + y * y)
    out = cv2.GaussianBlur(grey * shade.astype(np.float32), (0, 0), look.blur_px)
    if look.focus_px > 0:
        soft = cv2.GaussianBlur(out, (0, 0), look.focus_px)
        turn = rng.uniform(0, 2 * np.pi)
        share = np.clip(0.3 + 0.7 * (x * np.cos(turn) + y * np.sin(turn)), 0, 1).astype(np.float32)
        out = out * (1 - share) + soft * share
    if look.sharpen > 0:
        out = out + look.sharpen * (out - cv2.GaussianBlur(out, (0, 0), 1.6))
    return np.asarray(out, dtype=np.float32)


def colour(grey: Float32Array, metal: Float32Array, look: Look, rng: np.random.Generator) -> Float32Array:
    """Return (h, w, 3) float, red first: gamma, colour cast, heat tint; the luma stays about the grey."""
    level = np.clip(grey, 0, 255) / np.float32(255)
    level = 255 * level ** np.float32(look.gamma)
    cast = np.asarray(look.tint, dtype=np.float32)
    cast = cast - float(cast @ np.array([0.299, 0.587, 0.114]))
    out = level[..., None] + cast * (0.35 + 0.65 * level[..., None] / 255)
    if look.heat_tint > 0:
        h, w = grey.shape
        phase = 2.2 * _slow((h, w), 4, rng) + 3 * rng.random()
        hue = np.stack([np.cos(phase), np.cos(phase - 2.1), np.cos(phase + 2.1)], axis=-1)
        out = out + look.heat_tint * 28 * hue * metal[..., None]
    return np.asarray(out, dtype=np.float32)


def sensor(rgb: Float32Array, look: Look, rng: np.random.Generator) -> ByteArray:
    """Noise (mostly common to the channels), 8 bits, JPEG."""
    h, w = rgb.shape[:2]
    common = rng.standard_normal((h, w, 1), dtype=np.float32)
    own = rng.standard_normal((h, w, 3), dtype=np.float32)
    noisy = rgb + look.noise * (0.9 * common + 0.35 * own)
    bytes_ = np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
    return np.asarray(bytes_)


def compress(rgb: ByteArray, quality: int) -> ByteArray:
    """Return the picture after a round trip through JPEG."""
    done, data = cv2.imencode(".jpg", np.ascontiguousarray(rgb[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        msg = "the JPEG encoder failed"
        raise RuntimeError(msg)
    back = cv2.imdecode(data, cv2.IMREAD_COLOR)
    return np.ascontiguousarray(np.asarray(back, dtype=np.uint8)[..., ::-1])
