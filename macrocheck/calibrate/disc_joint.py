"""A disc with a rim fitted to all of its rays at once: place, blur and rim together, each ray on its own ground.

Along a ray the picture is face, rim and ground, blurred into each other. The ground is each ray's own; face and rim
have one tone that may change evenly across the disc. What is left of a first fit says which places along a ray, and
which of them together, tell little: a pattern on the face, clutter beside the outline, a colour that the file
keeps coarsely. The second is weighed by it (generalised least squares). The places are found by Levenberg and
Marquardt's method; what the picture depends on linearly is eliminated (Golub and Pereyra 1973; from memory).
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from macrocheck.arrays import BoolArray, FloatArray
from macrocheck.calibrate.disc_rim import LEAST_BLUR, MOST_BLUR, MOST_CHROMA, Melted, steps_at

STEPS = 12
"""Most steps of one fit."""
SETTLED = 1e-5
"""A fit that gains no more than this part of what is left has settled."""
RIDGE, FLOOR = 0.3, 0.2
"""What is added to the variance of every place along a ray, in parts of the median one and grey levels squared:
some hundred rays tell it roughly."""
ODD_RAY = 2.0
"""What is left of a ray, against the median one, from which it counts less than half: it is covered."""
WAVES = 3
"""Level and two slopes of a tone across the disc."""


@dataclass(frozen=True, slots=True)
class Joint:
    """What fits best: `change` of the outline's parameters (g,), their covariance, blur, `chroma` and `gap`, px.

    `gap` and `chroma` are those of `Melted`.
    """

    change: FloatArray
    cov: FloatArray
    blur: float
    chroma: float
    gap: float


@dataclass(frozen=True, slots=True)
class _State:
    """One place of a fit: what is left (n, 3, t), normal equations, each ray's pull on the parameters (n, k)."""

    cost: float
    p: FloatArray
    left: FloatArray
    square: FloatArray
    pull: FloatArray


@dataclass(frozen=True, slots=True)
class _Rays:
    """`values` (n, 3, t) at `t`, whitened by `white` (3, t, t); `base` (n, g): how a ray moves with the outline."""

    t: FloatArray
    values: FloatArray
    base: FloatArray
    weight: FloatArray
    white: FloatArray

    def told(self, shapes: FloatArray) -> FloatArray:
        """Profiles (n, 3, t) as they count."""
        return np.asarray(np.swapaxes(np.swapaxes(shapes, 0, 1) @ np.swapaxes(self.white, 1, 2), 0, 1))


def joint(
    t: FloatArray, values: FloatArray, use: BoolArray, base: FloatArray, begin: Melted, alike: int
) -> Joint | None:
    """Fit rays (n, 3, t) at `t` px outside an outline; None where that does not hold.

    `use`: which rays count; `base` (n, g): how far outward each ray's outline moves with the g parameters;
    `begin`: the mean profile's blur and rim; `alike`: rays over which what is left may be alike.
    """
    even = np.broadcast_to(np.eye(len(t)), (3, len(t), len(t)))
    rays = _Rays(t, values, base, use.astype(np.float64), even)
    p = np.concatenate([np.zeros(base.shape[1]), np.log([begin.blur, begin.chroma, begin.gap])])
    try:
        first = _settled(rays, p, begin)
        far = np.sqrt((first.left**2).mean(axis=(1, 2)))
        weight = np.where(use, 1 / (1 + (far / (ODD_RAY * np.median(far[use]))) ** 4), 0.0)
        rays = replace(rays, weight=weight, white=_whitener(first.left, weight))
        last = _settled(rays, first.p, begin)
        inverse = np.linalg.inv(last.square + 1e-9 * np.diag(np.diag(last.square)))
    except np.linalg.LinAlgError:
        return None
    g = base.shape[1]
    blur, chroma, gap = (float(v) for v in np.exp(last.p[g:]))
    return Joint(last.p[:g], (inverse @ alike_rays(last.pull, alike) @ inverse)[:g, :g], blur, chroma, gap)


def alike_rays(pull: FloatArray, alike: int) -> FloatArray:
    """Covariance of the sum of the rays' pulls (n, k) on a fit (Newey and West 1987; from memory).

    They are alike from ray to ray, over `alike` of them: blur and compression reach over several. A ray's pull: its
    weighted residual times its slopes.
    """
    total = pull.T @ pull
    for far in range(1, alike):
        with_next = pull.T @ np.roll(pull, far, axis=0) * (1 - far / alike)
        total = total + with_next + with_next.T
    return np.asarray(total)


def _whitener(left: FloatArray, weight: FloatArray) -> FloatArray:
    """Inverse roots (3, t, t) of the covariance of what is left along the rays."""
    by_channel = np.swapaxes(left, 0, 1)
    cov = np.swapaxes(by_channel * weight[:, None], 1, 2) @ by_channel / weight.sum()
    usual = np.median(np.diagonal(cov, axis1=1, axis2=2), axis=1)
    cov = cov + (RIDGE * usual + FLOOR)[:, None, None] * np.eye(cov.shape[1])
    return np.asarray(np.linalg.inv(np.linalg.cholesky(cov)))


def _settled(rays: _Rays, p: FloatArray, begin: Melted) -> _State:
    """Where a fit that begins at `p` ends."""
    g = rays.base.shape[1]
    room = np.full(g, 6.0 * begin.blur)
    widest = max(-float(rays.t[0]), 1.1)
    low = np.concatenate([-room, np.log([LEAST_BLUR, 0.05, 1.0])])
    high = np.concatenate([room, np.log([MOST_BLUR, MOST_CHROMA, widest])])
    best = _state(rays, np.clip(p, low, high))
    damp = 1e-3
    for _ in range(STEPS):
        held = best.square + damp * np.diag(np.diag(best.square)) + 1e-9 * np.eye(len(best.square))
        step = np.linalg.solve(held, best.pull.sum(axis=0))[: len(p)]
        tried = _state(rays, np.clip(best.p + np.clip(step, -1.0, 1.0), low, high))
        if tried.cost < best.cost:
            gain = 1 - tried.cost / best.cost
            best = tried
            damp /= 5
            if gain < SETTLED:
                break
        else:
            damp *= 8
            if damp > 10:
                break
    return best


def _state(rays: _Rays, p: FloatArray) -> _State:
    """The fit at `p`: the outline's parameters, logarithms of blur, of what colour has more, of the rim's width."""
    n, g, m = len(rays.values), rays.base.shape[1], 2 * WAVES
    k = g + 3
    at = rays.base @ p[:g]
    own, more, gap = (float(v) for v in np.exp(p[g:]))
    colour = math.hypot(own, more)
    blur = np.array([own, colour, colour])
    widths = np.broadcast_to(blur, (n, 3))
    outer, outer_at, outer_blur = steps_at(rays.t, at, widths)
    inner, inner_at, inner_blur = steps_at(rays.t, at - gap, widths)
    around = rays.told(outer)
    around /= np.sqrt((around * around).sum(axis=2, keepdims=True))

    def off(shapes: FloatArray) -> FloatArray:
        """What no ground of a ray's own explains."""
        told = rays.told(shapes)
        return np.asarray(told - around * (around * told).sum(axis=2, keepdims=True))

    turn = np.linspace(0, 2 * np.pi, n, endpoint=False)
    wave = np.column_stack([np.ones(n), np.cos(turn), np.sin(turn)])
    on_face, on_rim = 1 - inner, inner - outer
    parts = np.stack([off(on_face), off(on_rim)], axis=3)
    own_tones = (parts[..., None] * wave[:, None, None, None, :]).reshape(n, 3, -1, m)
    left = off(rays.values)
    heavy = own_tones * rays.weight[:, None, None, None]
    tones = np.empty((3, m))
    blocks = np.empty((3, m, m))
    for c in range(3):
        blocks[c] = np.tensordot(heavy[:, c], own_tones[:, c], axes=([0, 1], [0, 1]))
        right = np.tensordot(heavy[:, c], left[:, c], axes=([0, 1], [0, 1]))
        tones[c] = np.linalg.solve(blocks[c] + 1e-9 * np.trace(blocks[c]) * np.eye(m), right)
        left[:, c] -= own_tones[:, c] @ tones[c]
    face, rim = np.einsum("cpj,nj->pnc", tones.reshape(3, 2, WAVES), wave)[..., None]
    rest = rays.values - face * on_face - rim * on_rim
    ground = (outer * rest).sum(axis=2, keepdims=True) / np.maximum((outer**2).sum(axis=2, keepdims=True), 1e-9)
    step, ring = ground - rim, rim - face
    by_blur = (step * outer_blur + ring * inner_blur) * ((1 / blur) ** 2)[:, None]
    slopes = np.empty((n, 3, len(rays.t), k))
    slopes[..., :g] = off(step * outer_at + ring * inner_at)[..., None] * rays.base[:, None, None, :]
    slopes[..., g] = off(by_blur * own**2)
    slopes[..., g + 1] = off(by_blur * more**2)
    slopes[:, 0, :, g + 1] = 0.0
    slopes[..., g + 2] = off(-ring * inner_at * gap)
    square = np.zeros((k + 3 * m, k + 3 * m))
    pull = np.empty((n, k + 3 * m))
    pull[:, :k] = np.einsum("nctk,nct->nk", slopes, left, optimize=True)
    for c in range(3):
        own_rows = slice(k + m * c, k + m * (c + 1))
        light = slopes[:, c] * rays.weight[:, None, None]
        square[:k, :k] += np.tensordot(light, slopes[:, c], axes=([0, 1], [0, 1]))
        square[:k, own_rows] = np.tensordot(light, own_tones[:, c], axes=([0, 1], [0, 1]))
        square[own_rows, :k] = square[:k, own_rows].T
        square[own_rows, own_rows] = blocks[c]
        pull[:, own_rows] = np.einsum("ntm,nt->nm", own_tones[:, c], left[:, c], optimize=True)
    cost = float(rays.weight @ (left**2).sum(axis=(1, 2)))
    return _State(cost, p, left, square, pull * rays.weight[:, None])
