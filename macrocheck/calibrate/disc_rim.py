"""A disc's mean profile in brightness and colour: ground, face and the rim that a blur melts into both.

One step fitted to ground, rim and face, blurred into each other, lies between the two. The mean profile of all
around tells them apart, in brightness and in the two differences of colour at once: places and rim are the same in
each. Fits are by Levenberg and Marquardt with the heights eliminated (Golub and Pereyra 1973, Kaufman 1975; from
memory), several beginnings side by side.
"""

import math
from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.calibrate.profile import erf

SPACING = 0.5
"""Distance of samples along a profile, px."""
LEAST_BLUR, MOST_BLUR, MOST_CHROMA = 0.4, 8.0, 4.0
"""Blur of an outline, and what colour may have more (files keep it for every second pixel, coarsely), px."""
PLAIN = 0.5
"""Mean square misfit of the mean profile, summed over brightness and colour, under which one step is enough, grey
levels squared: what pixels, sharpening and compression leave."""
BETTER = 0.3
"""Misfit with a rim over that without one for it to be a rim; on rendered pictures 0.001 to 0.28 with a rim that
melts into the outline, 0.38 and more without one, but for slopes of the ground."""
OWN_STEP = 0.4
"""Least step from ground to rim against the larger of those to the face and from rim to face: a slope of the ground
beside the outline is weaker."""


@dataclass(frozen=True, slots=True)
class Melted:
    """A blurred outline: its place, its blur and its rim.

    `at`: the place outside the one it was looked for at; `chroma`: the blur that colour has more; `gap`: how far
    inside it the rim ends (0 for no rim), all px.

    `height`: the outer and the inner step, (2, 3) grey levels; `miss`: mean square that is left, summed over the
    channels; `u_at`: what that leaves open of the place, px.
    """

    at: float
    blur: float
    chroma: float
    gap: float
    height: FloatArray
    miss: float
    u_at: float

    @property
    def blurs(self) -> FloatArray:
        """Blur of each channel, (3,) px."""
        colour = math.hypot(self.blur, self.chroma)
        return np.array([self.blur, colour, colour])


def melted(t: FloatArray, mean: FloatArray, blur: float) -> Melted:
    """Fit the mean profile `mean` (3, t) at `t` px outside an outline of about `blur` px, with its rim if any."""
    blur = max(blur, 0.6)
    far = 2.5 * max(blur, 1.0)
    low = np.array([-far, math.log(LEAST_BLUR), math.log(0.05), 0.0])
    widest = min(MOST_BLUR, float(t[-1] - t[0]) / 3)
    high = np.array([far, math.log(widest), math.log(MOST_CHROMA), math.log(max(-float(t[0]), 1.1))])
    begin = np.array([[0.0, math.log(part * blur), -0.5] for part in (0.4, 1.0)])
    alone = _settled(t, mean, begin, low[:3], high[:3])
    if alone.miss < PLAIN:
        return alone
    parts = [(at, wide, gap) for at in (0.0, 0.8) for wide in (0.35, 0.8) for gap in (1.7, 3.0)]
    begin = np.array([[at * blur, math.log(wide * blur), -0.5, math.log(gap * blur)] for at, wide, gap in parts])
    rim = _settled(t, mean, begin, low, high)
    outer, inner = rim.height
    face = max(float(np.linalg.norm(outer + inner)), float(np.linalg.norm(inner)))
    told = rim.miss < BETTER * alone.miss and float(np.linalg.norm(outer)) > OWN_STEP * face
    return rim if told else alone


def steps_at(t: FloatArray, at: FloatArray, blur: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Steps (k, 3, t) at `at` (k,) blurred by `blur` (k, 3), and their derivatives by `at` and by log `blur`."""
    z = (t - at[:, None, None]) / blur[:, :, None]
    bell = np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
    return 0.5 + 0.5 * erf(z / math.sqrt(2)), -bell / blur[:, :, None], -bell * z


def heights(base: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least squares of `values` (k, 3, t, n) on `base` (k, 3, t, m): heights (k, 3, m, n), and what is left."""
    turned = np.swapaxes(base, 2, 3)
    high = np.linalg.solve(turned @ base + 1e-7 * np.eye(base.shape[3]), turned @ values)
    return np.asarray(high), np.asarray(values - base @ high)


def _model(t: FloatArray, p: FloatArray, mean: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """What is left (k, 3, t), its slopes by the parameters (k, 3, t, n) and the heights (k, 3, 2 or 3).

    `p` (k, n): place, logarithms of the blur, of what colour has more and, with a rim, of its width.
    """
    rim = p.shape[1] == 4
    at, own, more = p[:, 0], np.exp(p[:, 1]), np.exp(p[:, 2])
    colour = np.hypot(own, more)
    blur = np.stack([own, colour, colour], axis=1)
    places = [at, at - np.exp(p[:, 3])] if rim else [at]
    parts = [steps_at(t, place, blur) for place in places]
    base = np.stack([np.ones_like(parts[0][0]), *(step for step, _, _ in parts)], axis=3)
    high, left = heights(base, np.broadcast_to(mean, parts[0][0].shape)[..., None])
    size = high[..., 0]
    moved = [size[:, :, i + 1, None] * part[1] for i, part in enumerate(parts)]
    spread = np.asarray(sum(size[:, :, i + 1, None] * part[2] for i, part in enumerate(parts)))
    by_more = (more[:, None] / blur) ** 2 * np.array([0.0, 1.0, 1.0])
    by = [np.asarray(sum(moved)), spread * ((own[:, None] / blur) ** 2)[..., None], spread * by_more[..., None]]
    if rim:
        by.append(-moved[1] * np.exp(p[:, 3])[:, None, None])
    return left[..., 0], heights(base, np.stack(by, axis=3))[1], size


def _settled(t: FloatArray, mean: FloatArray, begin: FloatArray, low: FloatArray, high: FloatArray) -> Melted:
    """The best of the fits that begin at `begin` (k, n)."""
    p = np.clip(begin, low, high)
    left, slopes, size = _model(t, p, mean)
    cost = (left**2).sum(axis=(1, 2))
    damp = np.full(len(p), 1e-2)
    for _ in range(25):
        square = np.einsum("kcti,kctj->kij", slopes, slopes)
        right = np.einsum("kcti,kct->ki", slopes, left)
        held = (damp[:, None] * np.einsum("kii->ki", square) + 1e-9)[:, :, None] * np.eye(p.shape[1])
        change = np.linalg.solve(square + held, right[..., None])[..., 0]
        tried = np.clip(p + np.clip(change, -1.0, 1.0), low, high)
        new = _model(t, tried, mean)
        tried_cost = (new[0] ** 2).sum(axis=(1, 2))
        better = tried_cost < cost
        gain = np.where(better, 1 - tried_cost / np.maximum(cost, 1e-12), 0.0)
        p = np.where(better[:, None], tried, p)
        left = np.where(better[:, None, None], new[0], left)
        slopes = np.where(better[:, None, None, None], new[1], slopes)
        size = np.where(better[:, None, None], new[2], size)
        cost = np.where(better, tried_cost, cost)
        damp = np.where(better, damp / 4, damp * 6)
        if (gain < 1e-5).all() and (better | (damp > 1e3)).all():
            break
    k = int(np.argmin(cost))
    square = np.einsum("cti,ctj->ij", slopes[k], slopes[k])
    cov = np.linalg.inv(square + 1e-9 * np.eye(len(square))) * cost[k] / (3 * len(t))
    step = np.zeros((2, 3))
    step[: size.shape[2] - 1] = size[k, :, 1:].T
    blur, chroma = (float(v) for v in np.exp(p[k, 1:3]))
    gap = float(np.exp(p[k, 3])) if p.shape[1] == 4 else 0.0
    return Melted(float(p[k, 0]), blur, chroma, gap, step, float(cost[k]) / len(t), math.sqrt(float(cov[0, 0])))
