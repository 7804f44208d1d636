"""Simulated outlines: a true outline whose boundary, member surfaces and scale err by known amounts."""

from dataclasses import replace
from functools import cache

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.outline import SurfaceLine, WeldOutline
from macrocheck.scale import Scale


def _steps(curve: FloatArray) -> FloatArray:
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(curve, axis=0).T))])


def dense(curve: FloatArray, spacing: float) -> FloatArray:
    along = _steps(curve)
    extra = np.arange(0.0, along[-1], spacing)
    at = np.unique(np.concatenate([along, extra]))
    return np.column_stack([np.interp(at, along, curve[:, k]) for k in (0, 1)])


@cache
def _factor(along: tuple[float, ...], correlation: float) -> FloatArray:
    """Square root of the covariance matrix `along` a curve: half short-range, half over two fifths of it."""
    x = np.array(along)
    apart = x[:, None] - x[None]
    covariance = 0.5 * np.exp(-((apart / correlation) ** 2)) + 0.5 * np.exp(-((apart / (0.4 * x[-1])) ** 2))
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def wander(rng: np.random.Generator, curve: FloatArray, sd: float, correlation: float) -> FloatArray:
    """The curve displaced along its normals by a Gaussian process drawn from its whole covariance matrix."""
    factor = _factor(tuple(_steps(curve).tolist()), correlation)
    error = factor @ rng.standard_normal(len(curve)) * sd
    tangent = np.gradient(curve, axis=0)
    tangent /= np.hypot(*tangent.T)[:, None]
    return np.asarray(curve + error[:, None] * np.column_stack([-tangent[:, 1], tangent[:, 0]]))


def _line(rng: np.random.Generator, line: SurfaceLine) -> SurfaceLine:
    d = np.asarray(line.direction)
    shift, turn = rng.standard_normal(2) * [line.u_offset, line.u_angle]
    point = np.asarray(line.point) + shift * np.array([-d[1], d[0]])
    c, s = np.cos(turn), np.sin(turn)
    return replace(
        line,
        point=(float(point[0]), float(point[1])),
        direction=(float(c * d[0] - s * d[1]), float(s * d[0] + c * d[1])),
    )


def _meet(face: FloatArray, line: SurfaceLine) -> FloatArray:
    """The face (towards its last point) cut off at the line, or carried on to it."""
    h = line.signed_distance(face)
    inner = np.sign(h[len(h) // 2])
    beyond = np.flatnonzero(h * inner <= 0)
    beyond = beyond[beyond > len(h) // 2]
    k = int(beyond[0]) if len(beyond) else len(h) - 1
    back = max(k - 12, 0)
    a, b = (face[k - 1], face[k]) if len(beyond) else (face[back], face[k])
    ha, hb = (h[k - 1], h[k]) if len(beyond) else (h[back], h[k])
    toe = a + (b - a) * ha / (ha - hb)
    return np.vstack([face[:k] if len(beyond) else face, toe])


def seen(rng: np.random.Generator, true: WeldOutline, scale: Scale) -> tuple[WeldOutline, Scale]:
    """What a reader with just the stated uncertainties would have found."""
    u_face, u_fusion = float(true.u_face[0]), float(true.u_fusion[0])
    assert true.surface_butting is not None
    assert true.surface_nonbutting is not None
    butting, nonbutting = _line(rng, true.surface_butting), _line(rng, true.surface_nonbutting)
    face = wander(rng, dense(true.face, 3.0), u_face, true.correlation_px)
    face = _meet(face, nonbutting)
    face = _meet(face[::-1], butting)[::-1]
    fusion = wander(rng, dense(true.fusion, 3.0), u_fusion, true.correlation_px)
    fusion = np.vstack([face[-1], fusion[1:-1], face[0]])
    found = replace(
        true,
        surface_butting=butting,
        surface_nonbutting=nonbutting,
        face=face,
        fusion=fusion,
        u_face=np.full(len(face), u_face),
        u_fusion=np.full(len(fusion), u_fusion),
    )
    return found, replace(scale, mm_per_px=scale.mm_per_px * (1.0 + scale.u_rel * rng.standard_normal()))
