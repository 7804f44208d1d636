"""Curves in mm: splines through a few points, even spacing, waviness."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from scipy.interpolate import CubicSpline, PchipInterpolator

from macrocheck.arrays import FloatArray


def lengths(points: FloatArray) -> FloatArray:
    """Arc length (n,) at every vertex of a polyline (n, 2)."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])


def resampled(points: FloatArray, step: float) -> FloatArray:
    """The polyline with vertices every `step` or closer, its own vertices kept."""
    parts = []
    for a, b in pairwise(points):
        count = max(int(np.ceil(np.hypot(*(b - a)) / step)), 1)
        parts.append(a + (b - a) * (np.arange(count) / count)[:, None])
    return np.vstack([*parts, points[-1:]])


def spline(knots: Sequence[Sequence[float]] | FloatArray, count: int = 240) -> FloatArray:
    """A smooth curve (count, 2) through the knots, its parameter their chord length."""
    k = np.asarray(knots, dtype=np.float64)
    t = lengths(k)
    s = np.linspace(0, t[-1], count)
    return np.asarray(CubicSpline(t, k, bc_type="natural")(s))


def noise_along(rng: np.random.Generator, at: FloatArray, wavelength: float) -> FloatArray:
    """Smooth noise of unit standard deviation at the arc lengths `at` (n,)."""
    span = float(at[-1] - at[0])
    count = max(int(span / wavelength * 2) + 3, 5)
    knots = np.linspace(at[0], at[-1], count)
    return np.asarray(PchipInterpolator(knots, rng.standard_normal(count))(at))


def waved(
    rng: np.random.Generator, points: FloatArray, amplitude: float, wavelength: float, *, closed: bool
) -> FloatArray:
    """The curve shifted along its normals by smooth noise; an open one keeps its ends."""
    if amplitude <= 0:
        return points
    at = lengths(points)
    shift = amplitude * noise_along(rng, at, wavelength)
    fade = np.clip(np.minimum(at, at[-1] - at) / (1.5 * wavelength), 0.0, 1.0)
    tangent = np.gradient(points, axis=0)
    if closed:
        tangent[0] = tangent[-1] = points[1] - points[-2]
    tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-12)[:, None]
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    return np.asarray(points + (shift * fade)[:, None] * normal)
