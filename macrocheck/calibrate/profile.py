"""Sub-pixel positions of edges and thin lines in one-dimensional profiles of a picture."""

import math
from collections.abc import Iterable

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, Float32Array, FloatArray

LUMA_CHROMA = np.array([[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]])
"""Brightness and the two differences of colour of a JPEG file, from red, green and blue (ITU-T T.871)."""


def sample(image: AnyArray, x: FloatArray, y: FloatArray) -> FloatArray:
    """Read `image` (h, w) or (h, w, c) at (x, y) px, bilinear and exact in position; the border is held outside."""
    h, w = image.shape[:2]
    x = np.clip(x, 0.0, w - 1.0)
    y = np.clip(y, 0.0, h - 1.0)
    x0 = np.minimum(x.astype(np.intp), w - 2) if w > 1 else np.zeros(x.shape, dtype=np.intp)
    y0 = np.minimum(y.astype(np.intp), h - 2) if h > 1 else np.zeros(y.shape, dtype=np.intp)
    fx, fy = x - x0, y - y0
    if image.ndim == 3:
        fx, fy = fx[..., None], fy[..., None]
    x1, y1 = np.minimum(x0 + 1, w - 1), np.minimum(y0 + 1, h - 1)
    top = image[y0, x0] * (1 - fx) + image[y0, x1] * fx
    low = image[y1, x0] * (1 - fx) + image[y1, x1] * fx
    return np.asarray(top * (1 - fy) + low * fy, dtype=np.float64)


def strip(image: AnyArray, origin: FloatArray, direction: FloatArray, u: FloatArray, v: FloatArray) -> FloatArray:
    """Read `image` on the grid `origin` + u direction + v (direction turned 90 degrees); shape (len(v), len(u))."""
    x = origin[0] + u[None, :] * direction[0] - v[:, None] * direction[1]
    y = origin[1] + u[None, :] * direction[1] + v[:, None] * direction[0]
    return sample(image, x, y)


def crossing(values: FloatArray, positions: FloatArray, level: float) -> float | None:
    """First position where `values` falls through `level`, linear between samples; None where it does not."""
    below = np.flatnonzero((values[:-1] >= level) & (values[1:] < level))
    if below.size == 0:
        return None
    i = int(below[0])
    part = (values[i] - level) / (values[i] - values[i + 1])
    return float(positions[i] + part * (positions[i + 1] - positions[i]))


def reduced(image: AnyArray, size: tuple[int, int]) -> AnyArray:
    """Reduce a picture to (width, height) by means over its pixels; by halves first, which is far quicker."""
    h, w = image.shape[:2]
    # not where one whole factor does it all: every step rounds
    while (w % size[0] or h % size[1]) and min(w / size[0], h / size[1]) >= 2 and not (w | h) & 1:
        w, h = w // 2, h // 2
        image = cv2.resize(image, (w, h), interpolation=cv2.INTER_AREA)
    whole = int(min(w / size[0], h / size[1]))
    if whole > 1 and (w / whole, h / whole) != size:
        image = cv2.resize(image, (w // whole, h // whole), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA)) if (w, h) != size else image


def steepest(slopes: Iterable[tuple[AnyArray, AnyArray]]) -> tuple[Float32Array, Float32Array]:
    """Slopes (x, y), (h, w) float32 each, of the channel that changes most at each pixel; `slopes`: one pair each.

    A channel at a time: strided channels take three times as long.
    """
    pairs = iter(slopes)
    x, y = next(pairs)
    most = x * x + y * y
    for x_c, y_c in pairs:
        size = x_c * x_c + y_c * y_c
        more = (size > most).view(np.uint8)
        for kept, new in ((x, x_c), (y, y_c), (most, size)):
            cv2.copyTo(new, more, kept)
    return x, y


def median(values: FloatArray) -> float:
    """Median of a few values; NumPy's takes ten times as long over them."""
    return middle(np.sort(values))


def middle(rising: FloatArray) -> float:
    """Median of values in rising order."""
    return float(rising[(len(rising) - 1) // 2] + rising[len(rising) // 2]) / 2


_PER_UNIT, _FARTHEST = 1000, 6.0
_ERF = np.array([math.erf(k / _PER_UNIT) for k in range(int(_FARTHEST * _PER_UNIT) + 2)])
_ERF_STEP = np.diff(_ERF, append=1.0)


def erf(z: FloatArray) -> FloatArray:
    """Error function within 1.3e-7, from a table; SciPy's costs 0.2 s to import."""
    at = np.minimum(np.abs(z), _FARTHEST) * _PER_UNIT
    low = at.astype(np.intp)
    return np.asarray(np.copysign(_ERF[low] + (at - low) * _ERF_STEP[low], z))


def _edge_model(u: FloatArray, at: float, sigma: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Falling blurred step from 1 to 0 at `at`, its derivative by `at` and by `sigma`."""
    z = (u - at) / sigma
    bell = np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
    return 0.5 - 0.5 * erf(z / math.sqrt(2)), bell / sigma, bell * z / sigma


def _line_model(u: FloatArray, at: float, sigma: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Bell of height 1 at `at`, its derivative by `at` and by `sigma`."""
    z = (u - at) / sigma
    bell = np.exp(-0.5 * z * z)
    return bell, bell * z / sigma, bell * z * z / sigma


def _fit(
    u: FloatArray,
    values: FloatArray,
    at: float,
    sigma: float,
    *,
    line: bool,
    step: bool = False,
    known: tuple[float, float] | None = None,
) -> tuple[float, float, float, float] | None:
    """Gauss-Newton on (position, width, amplitude, ground); returns (position, u, width, amplitude).

    `known`: the width as told elsewhere, and its standard uncertainty.
    """
    model = _line_model if line else _edge_model
    spacing = float(u[1] - u[0])
    widest = float(u[-1] - u[0]) / 3
    cov = np.zeros((4, 4))
    amplitude = 0.0
    residual = values
    for _ in range(12):
        shape, d_at, d_sigma = model(u, at, sigma)
        base = np.column_stack([shape, np.ones_like(u)])
        if step:
            base = np.column_stack([base, _edge_model(u, at, sigma)[0]])
        height = np.linalg.lstsq(base, values, rcond=None)[0]
        amplitude = float(height[0])
        jacobian = np.column_stack([amplitude * d_at, amplitude * d_sigma, base])
        residual = values - base @ height
        normal, rhs = jacobian.T @ jacobian, jacobian.T @ residual
        if known is not None:
            pull = float(residual @ residual) / max(len(u) - 4, 1) / known[1] ** 2
            normal[1, 1] += pull
            rhs[1] += pull * (known[0] - sigma)
        try:
            cov = np.linalg.inv(normal + 1e-12 * np.eye(len(normal)))
        except np.linalg.LinAlgError:
            return None
        delta = cov @ rhs
        at += float(np.clip(delta[0], -1.5, 1.5))
        sigma = float(np.clip(sigma + np.clip(delta[1], -0.5, 0.5), 0.35 * spacing, widest))
        if not u[0] < at < u[-1]:
            return None
        if abs(delta[0]) < 1e-4 and abs(delta[1]) < 1e-3:
            break
    noise = float(np.sum(residual**2)) / max(len(u) - cov.shape[0], 1)
    return at, math.sqrt(max(noise * cov[0, 0], 0.0)), sigma, float(amplitude)


def fit_edge(
    u: FloatArray, values: FloatArray, at: float, blur: tuple[float, float] | None = None
) -> tuple[float, float, float, float] | None:
    """Fit a falling blurred step to `values` at positions `u` (px), starting from `at`.

    `blur`: as told elsewhere, and its standard uncertainty, px. Returns (position, its standard uncertainty, blur,
    height) in px and grey levels, None where no fit holds.
    """
    return _fit(u, values, at, 1.0 if blur is None else blur[0], line=False, known=blur)


def fit_line(
    u: FloatArray, values: FloatArray, at: float, width: float, *, step: bool = False
) -> tuple[float, float, float, float] | None:
    """Fit a bright thin line to `values` at positions `u` (px); returned as by `fit_edge`.

    With `step` the ground may differ on the two sides of the line.
    """
    return _fit(u, values, at, max(width, 0.7), line=True, step=step)
