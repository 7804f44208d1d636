"""Polylines, one or many at a time: arc length, even spacing, normals, correlated boundary noise.

A curve is (n, 2); a batch of draws of one curve is (rows, n, 2), row 0 being the curve as found.
"""

import numpy as np

from macrocheck.arrays import FloatArray


def arc_length(curve: FloatArray) -> FloatArray:
    """Return the distance along an (n, 2) curve from its first point, (n,), in the curve's own unit."""
    steps = np.hypot(np.diff(curve[:, 0]), np.diff(curve[:, 1]))
    return np.concatenate([[0.0], np.cumsum(steps)])


def spaced(curve: FloatArray, u: FloatArray, count: int) -> tuple[FloatArray, FloatArray]:
    """Return about `count` points along an (n, 2) curve and its (n,) uncertainties there.

    Long segments are divided and the given vertices kept, so corners stay sharp; only a curve with more
    than `count` vertices is replaced by evenly spaced points on it. Repeated points are dropped.
    """
    keep = np.concatenate([[True], np.hypot(*np.diff(curve, axis=0).T) > 1e-9])
    curve, u = curve[keep], u[keep]
    along = arc_length(curve)
    if len(curve) > count:
        stations = np.linspace(0.0, along[-1], count)
    else:
        parts = np.ceil(np.diff(along) / (along[-1] / count)).astype(int)
        steps = np.repeat(np.diff(along) / parts, parts)
        stations = np.concatenate([[0.0], np.cumsum(steps)])
    points = np.column_stack([np.interp(stations, along, curve[:, k]) for k in (0, 1)])
    return points, np.interp(stations, along, u)


def normals(curve: FloatArray) -> FloatArray:
    """Return unit normals (n, 2) of an (n, 2) curve, a quarter turn from its direction of travel."""
    tangent = np.gradient(curve, axis=0)
    tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-12)[:, None]
    return np.column_stack([-tangent[:, 1], tangent[:, 0]])


COMMON, LONG = 0.5, 0.4
"""Part of a boundary error's variance that is alike over a long stretch, and that stretch as part of the curve.

Set so that the areas of rendered sections err as they say; with short-range errors alone they err twice as much.
"""


def boundary_noise(
    rng: np.random.Generator, curve: FloatArray, u: FloatArray, correlation: float, rows: int
) -> FloatArray:
    """Return draws (rows, n) of the boundary error of an (n, 2) curve, in its unit; row 0 is zero.

    The sum of two Gaussian processes, of standard deviation `u` (n,) together, whose correlation over a distance
    x along the curve is exp(-(x / reach)^2): the larger part with `correlation` as its reach, the `COMMON` part
    of the variance with a `LONG` part of the curve. No shorter reach than the spacing of the points can be shown.
    """
    along = arc_length(curve)
    spacing = along[-1] / max(len(curve) - 1, 1)
    short = max(correlation, spacing, along[-1] / 600, 1e-9)
    noise = np.zeros((rows, len(curve)))
    for reach, share in ((short, 1 - COMMON), (max(short, LONG * along[-1]), COMMON)):
        nodes = np.arange(-2.0, along[-1] / (0.5 * reach) + 3.0) * 0.5 * reach
        basis = np.exp(-2.0 * ((along[None, :] - nodes[:, None]) / reach) ** 2)
        basis /= np.sqrt((basis**2).sum(axis=0))
        noise += np.sqrt(share) * (rng.standard_normal((rows, len(nodes))) @ basis)
    noise *= u
    noise[0] = 0.0
    return np.asarray(noise)


def closed(face: FloatArray, fusion: FloatArray) -> FloatArray:
    """Return the closed weld outlines (rows, n + m - 2, 2), first point not repeated."""
    return np.concatenate([face, fusion[:, 1:-1]], axis=1)


def distance_to_polyline(
    points: FloatArray, curves: FloatArray, *, closed_curve: bool = False
) -> tuple[FloatArray, FloatArray]:
    """Return, for each row, the distance (rows,) of one point to its polyline, and the nearest point (rows, 2).

    `points` (rows, 2), `curves` (rows, n, 2).
    """
    start = curves if closed_curve else curves[:, :-1]
    end = np.roll(curves, -1, axis=1) if closed_curve else curves[:, 1:]
    step = end - start
    rel = points[:, None, :] - start
    t = (rel * step).sum(-1) / np.maximum((step**2).sum(-1), 1e-18)
    foot = start + np.clip(t, 0.0, 1.0)[..., None] * step
    gaps = np.hypot(*(points[:, None, :] - foot).transpose(2, 0, 1))
    best = gaps.argmin(axis=1)
    rows = np.arange(len(points))
    return gaps[rows, best], foot[rows, best]


def crosses_itself(curve: FloatArray) -> bool:
    """Return whether an open (n, 2) polyline crosses itself."""
    a, b = curve[:-1], curve[1:]

    def side(p: FloatArray, q: FloatArray, r: FloatArray) -> FloatArray:
        return np.asarray(
            (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1]) - (q[..., 1] - p[..., 1]) * (r[..., 0] - p[..., 0])
        )

    p, q = a[:, None], b[:, None]
    r, s = a[None], b[None]
    hit = (side(p, q, r) * side(p, q, s) < 0) & (side(r, s, p) * side(r, s, q) < 0)
    return bool(hit.any())
