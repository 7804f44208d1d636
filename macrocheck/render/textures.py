"""Textures of metal and backgrounds, as (h, w) float32 fields of zero mean and about unit standard deviation."""

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, BoolArray, Float32Array

Shape = tuple[int, int]


def white(rng: np.random.Generator, shape: Shape) -> Float32Array:
    """Independent normal noise; large fields repeat a tile turned at random, which no eye or network can tell."""
    tile = 700
    if shape[0] * shape[1] <= 4 * tile * tile:
        return rng.standard_normal(shape, dtype=np.float32)
    base = rng.standard_normal((2 * tile, 2 * tile), dtype=np.float32)
    out = np.empty(shape, np.float32)
    for y in range(0, shape[0], tile):
        for x in range(0, shape[1], tile):
            part = out[y : y + tile, x : x + tile]
            dy, dx = rng.integers(0, tile, 2)
            block = base[dy : dy + part.shape[0], dx : dx + part.shape[1]]
            part[:] = block[:: 1 if rng.random() < 0.5 else -1] * (1 if rng.random() < 0.5 else -1)
    return out


def grain(rng: np.random.Generator, shape: Shape, size_px: float) -> Float32Array:
    """Isotropic grain of about `size_px`."""
    if size_px < 0.7:
        return white(rng, shape)
    if size_px > 3:
        step = size_px / 2.5
        small = (int(shape[0] / step) + 4, int(shape[1] / step) + 4)
        coarse: AnyArray = cv2.GaussianBlur(rng.standard_normal(small, dtype=np.float32), (0, 0), 0.8)
        coarse = coarse / max(float(coarse.std()), 1e-6)
        size = (max(int(small[1] * step), shape[1]), max(int(small[0] * step), shape[0]))
        return np.asarray(cv2.resize(coarse, size, interpolation=cv2.INTER_LINEAR)[: shape[0], : shape[1]])
    sigma = size_px / 2.5
    soft = cv2.GaussianBlur(white(rng, shape), (0, 0), sigma)
    return np.asarray(soft / max(float(soft[::7, ::7].std()), 1e-6))


def streaks(
    rng: np.random.Generator, shape: Shape, *, along_px: float, across_px: float, degrees: float
) -> Float32Array:
    """Grain drawn out along a direction (clockwise on the screen): grinding marks, rolling bands."""
    h, w = shape
    table = _table(rng, 512, 512)
    a = np.deg2rad(degrees)
    y, x = np.arange(h, dtype=np.float32)[:, None], np.arange(w, dtype=np.float32)[None]
    u = (x * np.float32(np.cos(a)) + y * np.float32(np.sin(a))) / np.float32(along_px)
    v = (y * np.float32(np.cos(a)) - x * np.float32(np.sin(a))) / np.float32(across_px)
    return lookup(table, u + np.float32(rng.uniform(0, 400)), v + np.float32(rng.uniform(0, 400)))


def _table(rng: np.random.Generator, h: int, w: int) -> Float32Array:
    noise = rng.standard_normal((h, w), dtype=np.float32)
    return np.asarray(1.35 * cv2.GaussianBlur(noise, (0, 0), 0.45, borderType=cv2.BORDER_DEFAULT))


def lookup(table: Float32Array, u: AnyArray, v: AnyArray) -> Float32Array:
    """Look a table up at fractional (column u, row v), repeating it."""
    u, v = np.broadcast_arrays(np.asarray(u, np.float32), np.asarray(v, np.float32))
    height, width = table.shape
    edge = np.pad(table, ((0, 1), (0, 1)), mode="wrap")
    u = u - width * np.floor(u * np.float32(1 / width))
    v = v - height * np.floor(v * np.float32(1 / height))
    return np.asarray(cv2.remap(edge, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32)


def columnar(
    rng: np.random.Generator,
    distance: Float32Array,
    along: Float32Array,
    *,
    pitch_px: float,
    aspect: float,
    lean: float,
    widening: float = 0.75,
) -> Float32Array:
    """Columns that grow from a boundary, drawn in its distance and arc length.

    `widening`: share of double-width columns far from the boundary.
    """
    shape = (distance.shape[0], distance.shape[1])
    wobble = grain(rng, shape, 7 * pitch_px) * np.float32(0.7 * pitch_px)
    ripple = grain(rng, shape, 2.2 * pitch_px) * np.float32(0.22 * pitch_px)
    arc = along + np.float32(lean) * distance + wobble + ripple
    reach = distance + grain(rng, shape, 3 * pitch_px) * np.float32(pitch_px)
    narrow = lookup(_table(rng, 256, 1024), arc / pitch_px, reach / (aspect * pitch_px) + 17.3)
    wide = lookup(_table(rng, 256, 1024), arc / (2.1 * pitch_px) + 9.1, reach / (1.6 * aspect * pitch_px) + 3.7)
    share = np.clip(distance / np.float32(12 * pitch_px), 0.15, max(widening, 0.15))
    out = narrow * (1 - share) + wide * share
    # columns have edges: steepen the tone between neighbours
    return np.asarray(np.tanh(1.6 * out) * np.float32(1.25))


def cast_grain(rng: np.random.Generator, shape: Shape, size_px: float) -> Float32Array:
    """Coarse cast grain: cells of one tone each with ragged edges."""
    h, w = shape
    seeds = np.ones(shape, np.uint8)
    count = max(int(h * w / max(size_px, 1.5) ** 2), 4)
    seeds[rng.integers(0, h, count), rng.integers(0, w, count)] = 0
    _, labels = cv2.distanceTransformWithLabels(seeds, cv2.DIST_L2, 3, labelType=cv2.DIST_LABEL_PIXEL)
    tones = rng.standard_normal(int(labels.max()) + 1).astype(np.float32)
    cells = tones[labels]
    y = np.arange(h, dtype=np.float32)[:, None] + grain(rng, shape, size_px / 2) * np.float32(size_px / 5)
    x = np.arange(w, dtype=np.float32)[None] + grain(rng, shape, size_px / 2) * np.float32(size_px / 5)
    return np.asarray(cv2.remap(cells, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT), dtype=np.float32)


def scratch_lines(
    rng: np.random.Generator, shape: Shape, count: int, *, degrees: float, spread: float
) -> Float32Array:
    """Single scratches, positive and negative, (h, w)."""
    out = np.zeros(shape, np.float32)
    h, w = shape
    for _ in range(count):
        a = np.deg2rad(degrees + rng.normal(0, spread))
        length = min(h, w) * rng.uniform(0.05, 0.7)
        x, y = rng.uniform(0, w), rng.uniform(0, h)
        d = np.array([np.cos(a), np.sin(a)]) * length / 2
        p, q = (np.array([x, y]) - d) * 16, (np.array([x, y]) + d) * 16
        tone = float(rng.choice([-1.0, 1.0]) * rng.uniform(0.3, 1.3))
        cv2.line(
            out,
            [int(v) for v in p],
            [int(v) for v in q],
            tone,
            1 if rng.random() < 0.8 else 2,
            cv2.LINE_8,
            4,
        )
    return np.asarray(cv2.GaussianBlur(out, (0, 0), 0.6))


def blobs(rng: np.random.Generator, shape: Shape, count: int, *, low_px: float, high_px: float) -> Float32Array:
    """Soft-edged round specks, 0..1, (h, w): dust, pits."""
    out = np.zeros(shape, np.uint8)
    for _ in range(count):
        r = float(np.exp(rng.uniform(np.log(max(low_px, 0.3)), np.log(max(high_px, low_px, 0.4)))))
        centre = [int(rng.uniform(0, shape[1]) * 16), int(rng.uniform(0, shape[0]) * 16)]
        level = int(rng.uniform(90, 255))
        axes = [int(r * 16 * rng.uniform(0.6, 1.4)), int(r * 16)]
        cv2.ellipse(out, centre, axes, rng.uniform(0, 180), 0, 360, (level,), -1, cv2.LINE_AA, 4)
    return np.asarray(out / np.float32(255), dtype=np.float32)


def near(mask: BoolArray, reach_px: float) -> Float32Array:
    """1 at `mask`, falling evenly to 0 at `reach_px` from it."""
    d = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 3)
    return np.asarray(np.clip(1 - d / np.float32(max(reach_px, 1.0)), 0, 1), dtype=np.float32)
