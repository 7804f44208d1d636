"""Where a rule's ticks stand, each fitted by a blurred line on ground of its own that may slope.

The samples are read where they are: a tick a pixel wide, drawn anew between samples, would be pulled towards them.
"""

import numpy as np

from macrocheck.arrays import AnyArray, FloatArray

REACH = 0.62
"""How far to either side of a tick its ground is read, in pitches: not as far as the next tick."""
ROUNDS = 8


def fitted(signal: FloatArray, places: FloatArray, pitch: float) -> FloatArray:
    """Places (n,) of bright ticks near `places` (samples) in `signal`; NaN where none stands.

    All ticks are alike in width, which is fitted with them; height and ground are each tick's own.
    """
    half = max(REACH * pitch, 2.6)
    count = 2 * int(half) + 1
    sigma = max(0.12 * pitch, 0.6)
    at = places.astype(np.float64).copy()
    n = len(at)
    for turn in range(ROUNDS):
        first = np.clip(np.rint(at).astype(np.intp) - int(half), 0, len(signal) - count)
        u = first[:, None] + np.arange(count)
        y = signal[u]
        x = u - at[:, None]
        w = np.clip(half + 0.5 - np.abs(x), 0, 1)
        z = x / sigma
        bell = np.exp(-0.5 * z * z)
        plain = np.stack([bell, np.ones_like(x), x / half], axis=2)
        c = _solve(plain, y, w)
        a = c[:, 0]
        by_at = a[:, None] * bell * z / sigma
        by_sigma = by_at * z
        left = y - np.einsum("ijk,ik->ij", plain, c)
        full = np.concatenate([plain, by_at[..., None], by_sigma[..., None]], axis=2)
        ok = a > 0
        if not ok.any():
            return np.full(n, np.nan)
        d = _solve(full, left, w)
        shift, wider = d[:, 3], d[:, 4]
        if turn < ROUNDS - 3:
            sigma = float(np.clip(sigma + np.clip(np.median(wider[ok]), -0.3 * sigma, 0.3 * sigma), 0.4, 0.35 * pitch))
        one = _solve(full[..., :4], left, w)[:, 3]
        at = at + np.where(ok, np.clip(one, -0.1 * pitch, 0.1 * pitch), 0.0)
    gone = (a <= 0) | (np.abs(at - places) > 0.3 * pitch)
    return np.where(gone, np.nan, at)


def _solve(base: AnyArray, y: AnyArray, w: AnyArray) -> FloatArray:
    """Weighted least squares for every row of `base` (n, samples, parameters)."""
    weighted = base * w[..., None]
    left = np.einsum("ijk,ijl->ikl", weighted, base)
    left = left + 1e-9 * np.trace(left, axis1=1, axis2=2)[:, None, None] * np.eye(base.shape[2])
    right = np.einsum("ijk,ij->ik", weighted, y)
    return np.asarray(np.linalg.solve(left, right[..., None])[..., 0])
