"""Cluttered pictures for the marks to lie in, and the camera's blur, noise and compression; fixed by seed."""

import hashlib

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, ByteArray
from macrocheck.photo import Photo

CLUTTER = ("section", "threads", "sawn", "ground", "text", "table", "plain", "teeth")


def photo_of(pixels: ByteArray) -> Photo:
    """Wrap pixels as a photo."""
    pixels = np.ascontiguousarray(pixels)
    return Photo(pixels=pixels, path="scene.png", sha256=hashlib.sha256(pixels.tobytes()).hexdigest())


def camera(
    image: AnyArray, *, seed: int, blur: float = 0.8, noise: float = 3.0, quality: int | None = 90
) -> ByteArray:
    """Blur (sigma, px), add noise (grey levels) and compress (JPEG quality, None for none)."""
    rng = np.random.default_rng(seed)
    out = image.astype(np.float32)
    if blur > 0:
        out = np.asarray(cv2.GaussianBlur(out, (0, 0), blur), dtype=np.float32)
    out = out + rng.normal(0, noise, out.shape).astype(np.float32)
    pixels = np.clip(np.rint(out), 0, 255).astype(np.uint8)
    if quality is not None:
        ok, data = cv2.imencode(".jpg", pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
        assert ok
        pixels = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), dtype=np.uint8)[..., ::-1]
    return np.ascontiguousarray(pixels)


def backdrop(seed: int, width: int, height: int, kind: str = "section") -> AnyArray:
    """Picture (h, w, 3) float32 without a mark: a section, plus the clutter named by `kind`."""
    rng = np.random.default_rng(seed)
    image = np.empty((height, width, 3), np.float32)
    image[:] = rng.uniform(15, 200) * rng.uniform(0.85, 1.15, 3)
    image += _speckle(rng, height, width, rng.uniform(2, 8), rng.uniform(1, 12))[..., None]
    if kind != "plain":
        _section(image, rng)
    drawers = {
        "threads": _threads,
        "sawn": _sawn,
        "ground": _ground,
        "text": _text,
        "table": _table,
        "teeth": _teeth,
    }
    if kind in drawers:
        drawers[kind](image, rng)
    if rng.random() < 0.7:
        x, y = np.meshgrid(
            np.linspace(-1, 1, width, dtype=np.float32), np.linspace(-1, 1, height, dtype=np.float32)
        )
        image *= (1 + rng.uniform(-0.25, 0.25) * x + rng.uniform(-0.25, 0.25) * y)[..., None]
    return np.clip(image, 0, 255)


def _speckle(rng: np.random.Generator, h: int, w: int, sd: float, size: float) -> AnyArray:
    small = rng.normal(0, 1, (max(int(h / size), 2) + 2, max(int(w / size), 2) + 2)).astype(np.float32)
    return np.asarray(cv2.resize(small, (w, h), interpolation=cv2.INTER_CUBIC)) * np.float32(sd)


def _fill(image: AnyArray, polygon: AnyArray, tone: AnyArray | float, rough: AnyArray | float = 0.0) -> None:
    cover = np.zeros(image.shape[:2], np.uint8)
    cv2.fillPoly(cover, [np.rint(polygon * 16).astype(np.int32)], (255,), cv2.LINE_AA, 4)
    a = cover.astype(np.float32)[..., None] / 255
    image[:] = image * (1 - a) + (np.asarray(tone) + np.asarray(rough)) * a


def _turn(points: AnyArray, angle: float, at: AnyArray) -> AnyArray:
    c, s = np.cos(angle), np.sin(angle)
    return np.asarray(np.asarray(points) @ np.array([[c, s], [-s, c]]) + at)


def _section(image: AnyArray, rng: np.random.Generator) -> None:
    """A tee with an etched weld: two plates, a weld with grain, bands of heat-affected metal."""
    h, w = image.shape[:2]
    s = 0.11 * w
    angle, at = rng.uniform(-0.5, 0.5), np.array([w * rng.uniform(0.35, 0.65), h * rng.uniform(0.4, 0.65)])
    steel = rng.uniform(90, 210)
    rough = (_speckle(rng, h, w, rng.uniform(2, 9), 2.0) + _speckle(rng, h, w, 5, 14))[..., None]
    for box in (([-3, 0], [3, 0], [3, 0.9], [-3, 0.9]), ([-1, 0], [0, 0], [0, -3], [-1, -3])):
        _fill(image, _turn(np.array(box) * s, angle, at), steel + rng.uniform(-20, 20), rough)
    t = np.linspace(0, np.pi / 2, 30)
    for grow, tone in ((1.35, steel - rng.uniform(15, 50)), (1.2, steel + rng.uniform(5, 30)), (1.0, None)):
        leg = np.column_stack([np.cos(t), -np.sin(t)]) * s * 0.9 * grow
        bump = np.vstack([leg, [[-0.35, -0.2], [-0.3, 0.3], [0.2, 0.35]] * np.array([s * grow])])
        weld = steel - rng.uniform(-60, 70) if tone is None else tone
        grain = _speckle(rng, h, w, rng.uniform(4, 14), 3.0)[..., None]
        _fill(image, _turn(bump, angle, at), weld, rough + grain)
    for _ in range(rng.integers(3, 25)):
        p = rng.uniform(0, 1, 2) * [w, h]
        a, length = rng.uniform(0, np.pi), rng.uniform(0.02, 0.5) * w
        q = p + length * np.array([np.cos(a), np.sin(a)])
        shift = rng.choice([-1, 1]) * rng.uniform(10, 60)
        line = np.zeros((h, w), np.uint8)
        stops = p + (q - p) * np.linspace(0, 1, 13)[:, None]
        depth = np.convolve(rng.uniform(0.2, 1.0, 14), [0.5, 0.5], "valid") * np.sin(np.linspace(0.15, 3.0, 13))
        wide = int(rng.integers(1, 3))
        for start, stop, deep in zip(stops[:-1], stops[1:], depth[:-1], strict=True):
            ends = [(int(e[0] * 16), int(e[1] * 16)) for e in (start, stop)]
            cv2.line(line, ends[0], ends[1], (int(255 * deep),), wide, cv2.LINE_AA, 4)
        image += (line.astype(np.float32) / 255 * shift)[..., None]


def _threads(image: AnyArray, rng: np.random.Generator) -> None:
    """A screw: its outline a regular zigzag, shading between the crests."""
    h, w = image.shape[:2]
    pitch, n = w * rng.uniform(0.006, 0.03), int(rng.integers(15, 40))
    depth, body = pitch * rng.uniform(0.5, 0.9), pitch * rng.uniform(4, 9)
    top = np.array([[i * pitch / 2, (i % 2) * depth] for i in range(2 * n)])
    low = np.array([[i * pitch / 2 + pitch / 2, body + ((i + 1) % 2) * depth] for i in range(2 * n)])[::-1]
    angle, at = rng.uniform(-np.pi, np.pi), rng.uniform(0.15, 0.6, 2) * [w, h]
    tone = rng.uniform(40, 220)
    _fill(image, _turn(np.vstack([top, low]), angle, at), tone)
    for i in range(n):
        x = i * pitch
        flank = np.array([[x, depth], [x + pitch / 2, 0], [x + pitch, body], [x + pitch / 2, body + depth]])
        _fill(image, _turn(flank, angle, at), np.clip(tone + rng.uniform(25, 40), 0, 255))


def _teeth(image: AnyArray, rng: np.random.Generator) -> None:
    """A file: evenly spaced grooves, all alike, from edge to edge."""
    h, w = image.shape[:2]
    pitch, n = w * rng.uniform(0.004, 0.02), int(rng.integers(20, 70))
    body = pitch * rng.uniform(6, 20)
    angle, at = rng.uniform(-np.pi, np.pi), rng.uniform(0.1, 0.5, 2) * [w, h]
    tone, slant = rng.uniform(60, 200), rng.uniform(-0.8, 0.8)
    _fill(image, _turn(np.array([[0, 0], [n * pitch, 0], [n * pitch, body], [0, body]]), angle, at), tone)
    for i in range(n):
        x, wide = i * pitch, pitch * rng.uniform(0.25, 0.35)
        groove = np.array([[x, 0], [x + wide, 0], [x + wide + slant * body, body], [x + slant * body, body]])
        _fill(image, _turn(groove, angle, at), max(tone - 60, 0))


def _strokes(image: AnyArray, rng: np.random.Generator, n: int, gap: float, even: float, length: float) -> None:
    h, w = image.shape[:2]
    angle, at = rng.uniform(-np.pi, np.pi), rng.uniform(0.1, 0.5, 2) * [w, h]
    x = 0.0
    shift = rng.choice([-1, 1]) * rng.uniform(25, 70)
    for _ in range(n):
        x += gap * max(1 + even * rng.normal(), 0.2)
        wide = gap * rng.uniform(0.15, 0.45)
        y0, y1 = rng.uniform(0, 0.25) * length, rng.uniform(0.75, 1.0) * length
        box = _turn(np.array([[x, y0], [x + wide, y0], [x + wide, y1], [x, y1]]), angle, at)
        cover = np.zeros((h, w), np.uint8)
        cv2.fillPoly(cover, [np.rint(box * 16).astype(np.int32)], (255,), cv2.LINE_AA, 4)
        image += (cover.astype(np.float32) / 255 * shift * rng.uniform(0.5, 1))[..., None]


def _sawn(image: AnyArray, rng: np.random.Generator) -> None:
    """Marks of a hacksaw: parallel, about evenly spaced, not equal."""
    w = image.shape[1]
    _strokes(image, rng, int(rng.integers(20, 60)), w * rng.uniform(0.004, 0.015), 0.25, w * rng.uniform(0.05, 0.3))


def _ground(image: AnyArray, rng: np.random.Generator) -> None:
    """Marks of a grinding belt: many fine parallel lines."""
    h, w = image.shape[:2]
    fine = rng.normal(0, 1, (h, 1)).astype(np.float32)
    big = cv2.resize(fine, (int(1.5 * np.hypot(h, w)), h), interpolation=cv2.INTER_LINEAR)
    turn = cv2.getRotationMatrix2D((big.shape[1] / 2, h / 2), rng.uniform(0, 180), 1.6)
    turn[:, 2] += [(w - big.shape[1]) / 2, 0]
    image += (cv2.warpAffine(big, turn, (w, h), borderMode=cv2.BORDER_REFLECT) * rng.uniform(4, 14))[..., None]


def _text(image: AnyArray, rng: np.random.Generator) -> None:
    h, w = image.shape[:2]
    for _ in range(int(rng.integers(2, 6))):
        words = rng.choice(
            ["COUPON 14", "IIIIIIIIIIII", "T-JOINT B2", "etch 5 %", "5 mm", "||||||||", "=====", "llll1111"]
        )
        size = w * rng.uniform(0.0006, 0.002)
        at = (int(rng.uniform(0, 0.7) * w), int(rng.uniform(0.1, 0.95) * h))
        tone = rng.choice([10.0, 245.0])
        cover = np.zeros((h, w), np.uint8)
        cv2.putText(
            cover, str(words), at, cv2.FONT_HERSHEY_SIMPLEX, size, (255,), max(int(size * 2), 1), cv2.LINE_AA
        )
        a = cover.astype(np.float32)[..., None] / 255
        image[:] = image * (1 - a) + tone * a


def _table(image: AnyArray, rng: np.random.Generator) -> None:
    """Edges of a table, a sheet of paper and loose strips of plate."""
    h, w = image.shape[:2]
    for _ in range(int(rng.integers(1, 4))):
        a, at = rng.uniform(-np.pi, np.pi), rng.uniform(-0.1, 1.1, 2) * [w, h]
        size = np.array([w * rng.uniform(0.3, 1.5), h * rng.uniform(0.05, 0.6)])
        box = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * size
        _fill(image, _turn(box, a, at), rng.uniform(20, 240), _speckle(rng, h, w, 3, 3)[..., None])
