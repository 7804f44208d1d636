"""Textures by seed: fractal noise, grains, cells, columns that grow from a boundary, rolling bands, scratches."""

import cv2
import numpy as np
from numpy.typing import NDArray

from macrocheck.arrays import AnyArray, FloatArray

Plane = NDArray[np.float32]
"""(h, w) float32."""


def _unit(plane: AnyArray) -> Plane:
    return np.asarray((plane - plane.mean()) / max(float(plane.std()), 1e-6), dtype=np.float32)


def clouds(rng: np.random.Generator, shape: tuple[int, int], size_px: float, octaves: int = 4) -> Plane:
    """Fractal noise, zero mean and unit standard deviation, its largest features `size_px`."""
    h, w = shape
    out = np.zeros(shape, np.float32)
    for k in range(octaves):
        cell = max(size_px / 2**k, 1.0)
        grid = rng.standard_normal((int(h / cell) + 3, int(w / cell) + 3)).astype(np.float32)
        out = out + np.asarray(cv2.resize(grid, (w, h), interpolation=cv2.INTER_CUBIC), np.float32) * np.float32(
            0.6**k
        )
        if cell <= 1.0:
            break
    return _unit(out)


def streaks(
    rng: np.random.Generator, shape: tuple[int, int], angle: float, long_px: float, thick_px: float
) -> Plane:
    """Noise drawn out along `angle` (rad, y down), zero mean and unit standard deviation."""
    h, w = shape
    side = int(np.hypot(h, w)) + 2
    nx, ny = int(side / long_px) + 3, int(side / max(thick_px, 1.0)) + 3
    grid = rng.standard_normal((ny, nx)).astype(np.float32)
    big = cv2.resize(grid, (side, side), interpolation=cv2.INTER_CUBIC)
    turn = cv2.getRotationMatrix2D((side / 2, side / 2), -float(np.rad2deg(angle)), 1.0)
    turn = turn + np.array([[0, 0, (w - side) / 2], [0, 0, (h - side) / 2]])
    return _unit(cv2.warpAffine(big, turn, (w, h), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT))


def _seeds(rng: np.random.Generator, shape: tuple[int, int], size_px: float) -> tuple[NDArray[np.int32], Plane]:
    h, w = shape
    count = max(int(h * w / size_px**2), 4)
    dots = np.full(shape, 255, np.uint8)
    dots[rng.integers(0, h, count), rng.integers(0, w, count)] = 0
    far, label = cv2.distanceTransformWithLabels(dots, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    return label.astype(np.int32), far.astype(np.float32)


def grains(rng: np.random.Generator, shape: tuple[int, int], size_px: float, edge: float = 0.0) -> Plane:
    """Flat-toned crystals about `size_px` across with `edge` dark boundaries, about unit standard deviation."""
    scale = max(1.0, 4.0 / size_px)
    fine = (int(shape[0] * min(scale, 2)), int(shape[1] * min(scale, 2)))
    label, _ = _seeds(rng, fine, max(size_px * min(scale, 2), 2.0))
    tones = np.clip(rng.standard_normal(int(label.max()) + 1), -1.6, 1.6).astype(np.float32)
    out = tones[label]
    if edge > 0:
        lines = cv2.morphologyEx(label.astype(np.float32), cv2.MORPH_GRADIENT, np.ones((2, 2), np.uint8)) > 0
        out = (out - np.float32(edge) * lines).astype(np.float32)
    return np.asarray(cv2.resize(out, shape[::-1], interpolation=cv2.INTER_AREA), dtype=np.float32)


def cells(rng: np.random.Generator, shape: tuple[int, int], size_px: float) -> Plane:
    """Worley cells: dark where far from a centre, about unit standard deviation."""
    _, far = _seeds(rng, shape, size_px)
    return -_unit(np.minimum(far, 1.2 * size_px))


def columns(
    rng: np.random.Generator,
    boundary: FloatArray,
    shape: tuple[int, int],
    thick_px: float,
    long_px: float,
    *,
    dendrites: bool = False,
) -> Plane:
    """Grains `thick_px` by `long_px` that grow square off a boundary (n, 2) px; about unit standard deviation."""
    h, w = shape
    line = np.full(shape, 255, np.uint8)
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(boundary, axis=0).T))])
    even = np.arange(0, at[-1], 0.4)
    xy = np.column_stack([np.interp(even, at, boundary[:, k]) for k in (0, 1)]).round().astype(int)
    inside = (xy >= 0).all(axis=1) & (xy[:, 0] < w) & (xy[:, 1] < h)
    if not inside.any():
        return np.zeros(shape, np.float32)
    xy, even = xy[inside], even[inside]
    line[xy[:, 1], xy[:, 0]] = 0
    far, label = cv2.distanceTransformWithLabels(line, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    along = np.zeros(int(label.max()) + 1, np.float32)
    along[label[xy[:, 1], xy[:, 0]]] = even
    u = along[label]
    u = cv2.GaussianBlur(u, (0, 0), 1.0) + 0.35 * thick_px * clouds(rng, shape, 6 * thick_px, 2)
    tall = 6.0  # rows of the grain chart a grain is high; columns are drawn out by sampling it unevenly
    chart_w, chart_h = int(at[-1] / thick_px * 6) + 64, int(np.hypot(h, w) / long_px * tall) + 64
    chart_w = min(chart_w, 12000)
    chart = grains(rng, (chart_h, chart_w), 6.0, 0.4)
    out = cv2.remap(
        chart,
        np.mod(u / np.float32(thick_px) * 6, chart_w - 1).astype(np.float32),
        np.mod(far / np.float32(long_px) * np.float32(tall) + 20, chart_h - 1).astype(np.float32),
        cv2.INTER_LINEAR,
    )
    if dendrites:
        arms = np.sin(
            2 * np.pi * (far + np.abs(np.mod(u / thick_px, 1) - 0.5) * thick_px) / max(0.4 * thick_px, 2.5)
        )
        out = out + 0.6 * arms.astype(np.float32)
    return np.clip(_unit(out), -1.8, 1.8)


def scratches(
    rng: np.random.Generator, shape: tuple[int, int], count: int, angle: float | None, width_px: float = 1.0
) -> Plane:
    """Fine lines, 0 to 1, in about one direction (rad) or in any."""
    h, w = shape
    out = np.zeros(shape, np.float32)
    for _ in range(count):
        a = rng.uniform(0, np.pi) if angle is None else angle + rng.normal(0, 0.03)
        half = rng.uniform(0.1, 0.8) * max(h, w)
        c = np.array([rng.uniform(0, w), rng.uniform(0, h)])
        d = np.array([np.cos(a), np.sin(a)]) * half
        ends = [np.round((c + k * d) * 16).astype(int) for k in (-1, 1)]
        one = np.zeros(shape, np.uint8) if count <= 3 else None
        tone = float(rng.uniform(0.3, 1.0))
        target = out if one is None else one
        thick = max(round(width_px * rng.uniform(0.6, 1.6)), 1)
        if one is None:
            cv2.line(
                target,
                (int(ends[0][0] / 16), int(ends[0][1] / 16)),
                (int(ends[1][0] / 16), int(ends[1][1] / 16)),
                tone,
                thick,
            )
        else:
            cv2.line(
                one, tuple(int(v) for v in ends[0]), tuple(int(v) for v in ends[1]), 255, thick, cv2.LINE_AA, 4
            )
            out = np.maximum(out, one.astype(np.float32) / 255 * tone)
    return np.asarray(cv2.GaussianBlur(out, (0, 0), 0.7), dtype=np.float32)
