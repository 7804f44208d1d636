"""Where a bar ends: a drawn end, with a tick across it or without, fitted to the picture around the end.

The model is what a camera makes of a drawn bar: a rectangle, and where there is a tick a second one across its
end, or to one side of it only, both blurred by one Gaussian, on a ground that may lean. A plain end and an end with
a tick are fitted to the same pixels; that the tick is there is told by how much better the second fits.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.calibrate.profile import erf, strip

STEPS = 12
"""Most Gauss-Newton steps of one fit."""
ODD = 0.15
"""Residual, in parts of the bar's tone, past which a pixel is likely neither bar nor ground."""
BLOCK = 5
"""Side of the blocks of residuals that show how neighbours go together, px."""
SMOOTH = 0.8
"""Smoothing (standard deviation) of the picture around an end, px."""
SHOWS_WIDTH = 6.0
"""Thickness of a bar, px, from which its ticks may be thinner or thicker than it: blur hides it on thinner ones."""
LEAST_NOISE = 1e-5
"""Least noise that the evidence for a tick is told by: a picture without any is rounded to whole grey levels."""
FWHM = 2.355
"""Width of a Gaussian at half height in standard deviations."""
SHARPEST, SOFTEST = 0.8, 4.5
"""Blur (standard deviation), with the smoothing, that a fit may take, px."""


@dataclass(frozen=True, slots=True)
class End:
    """One end as fitted, px: how far past the stated tip it lies, its standard uncertainty, blur, thickness.

    `at` is the middle of the tick where there is one, else the outer end. `tick`: the tick's full length across,
    0 without one; `wide`: its thickness; `side`: 1 or -1 where it stands on that side of the bar only, else 0.
    `height`: of the bar over its ground, in parts of its tone beside it.
    `odd`: what each pixel of the patch speaks against the fit, (len(v), len(u)). `noise`: mean square of the
    residuals, in parts of the bar's tone, times how many pixels go together in them.
    """

    at: float
    u: float
    blur: float
    thickness: float
    tick: float
    wide: float
    height: float
    odd: FloatArray
    side: int = 0
    noise: float = 1.0


@dataclass(frozen=True, slots=True)
class Patch:
    """The picture around one end: `signal` (len(v), len(u)), 1 on the bar and 0 beside it; u points outward."""

    signal: FloatArray
    u: FloatArray
    v: FloatArray
    thickness: float

    @classmethod
    def cut(
        cls,
        pixels: ByteArray,
        tip: FloatArray,
        outward: FloatArray,
        thickness: float,
        lean: FloatArray,
        ground: FloatArray,
        inward: float,
        reach: float = math.inf,
        side: int = 0,
        aside: tuple[float, float] = (-math.inf, math.inf),
    ) -> "Patch":
        """Read the patch; `inward`: how far back along the bar it may reach, px, `reach`: how far past its end.

        `side`: 1 or -1 where a tick is looked for on that side of the bar only (sign of v): it is as long as half
        of one that stands on both sides, or longer, and must be seen to end. `aside`: least and greatest v that the
        bar's ground reaches.
        """
        step = max(1.0, thickness / 6.0)
        out = 7.0 + (2.0 if thickness > SHOWS_WIDTH else 1.5) * thickness
        wide = 8.0 + 3.5 * thickness
        # every pixel along the bar: a drawn edge may be sharp
        u = np.arange(-min(out, inward), min(out, reach) + 0.01)
        v = np.arange(-(wide // step), wide // step + 0.01) * step
        if side:
            v = side * np.arange(-((6.0 + thickness) // step), (8.0 + 7.0 * thickness) // step + 0.01) * step
            v = np.sort(v)
        v = v[(v >= aside[0]) & (v <= aside[1])]
        signal = (strip(pixels, tip, outward, u, v) - ground) @ lean
        # an edge sharp to the pixel looks different wherever it lies between two samples, unless it is smoothed
        smooth = cv2.GaussianBlur(signal, (0, 0), sigmaX=SMOOTH, sigmaY=SMOOTH / step)
        return cls(np.asarray(smooth, dtype=np.float64), u, v, thickness)

    def around(self, end: "End") -> "Patch":
        """The part as large as an end found in it asks for, so that what lies further off weighs nothing."""
        near = 3.0 * end.blur + 2.0
        along = np.abs(self.u - end.at) <= near + end.thickness / 2
        # a one-sided tick reaches from the bar's far side
        across = (
            np.abs(self.v - end.side * (end.tick - end.thickness) / 2) <= near + max(end.tick, end.thickness) / 2
        )
        return Patch(self.signal[np.ix_(across, along)], self.u[along], self.v[across], self.thickness)

    def rows(self) -> FloatArray:
        """Room for a bar's shape, and level, lean along and lean across of its ground, (4, pixels)."""
        uu, vv = np.meshgrid(self.u / np.abs(self.u).max(), self.v / np.abs(self.v).max())
        return np.stack([np.zeros(uu.size), np.ones(uu.size), uu.ravel(), vv.ravel()])


def _slab(x: FloatArray, low: FloatArray, high: FloatArray, blur: FloatArray) -> FloatArray:
    """Part of blurred slabs between `low` and `high` (n,), (n, len(x))."""
    k = 1.0 / (math.sqrt(2.0) * blur[:, None])
    return np.asarray(0.5 * (erf((x - low[:, None]) * k) - erf((x - high[:, None]) * k)))


def shapes(patch: Patch, p: FloatArray, *, tick: bool, side: int) -> FloatArray:
    """Bars of height 1, (n, len(v), len(u)), for rows (at, middle, thickness, blur[, tick's length, thickness])."""
    at, middle, thick, blur = p[:, :4].T
    far = np.full(len(p), -1e4)
    across = _slab(patch.v, middle - thick / 2, middle + thick / 2, blur)
    if not tick:
        return np.asarray(across[:, :, None] * _slab(patch.u, far, at, blur)[:, None, :])
    tall, wide = p[:, 4], p[:, 5]
    bar = across[:, :, None] * _slab(patch.u, far, at + wide / 2, blur)[:, None, :]
    centre = middle + side * (tall - thick) / 2
    whole = _slab(patch.v, centre - tall / 2, centre + tall / 2, blur)
    end = _slab(patch.u, at - wide / 2, at + wide / 2, blur)
    return np.asarray(bar + (whole - across)[:, :, None] * end[:, None, :])


@dataclass(frozen=True, slots=True)
class _Fit:
    """Where one fit stands: parameters, their normal equations with the linear ones behind, height, residuals."""

    cost: float
    p: FloatArray
    normal: FloatArray
    rhs: FloatArray
    height: float
    residual: FloatArray


def _bounds(patch: Patch, sharpest: float, *, tick: bool) -> tuple[FloatArray, FloatArray]:
    t = patch.thickness
    low = [-7.0 - 0.5 * t, -0.5 * t - 2, 0.6, sharpest]
    high = [7.0 + 0.5 * t, 0.5 * t + 2, 1.3 * t + 1.0, SOFTEST]
    if tick:
        high[0] += 0.5 * t if t > SHOWS_WIDTH else 0.0  # a bar is followed up to a tick that is thicker than it
        low += [0.8 * t, 0.6]
        high += [2 * float(np.abs(patch.v).max()), 2.0 * t + 3.0]
    return np.array(low), np.array(high)


def weights(residual: FloatArray) -> FloatArray:
    """Little weight for what is neither bar nor ground: letters, the edge of a strip, a scratch."""
    return np.asarray(1.0 / (1.0 + (residual / ODD) ** 2) ** 2)


def _fit(patch: Patch, start: FloatArray, *, tick: bool, side: int = 0, sharpest: float = SHARPEST) -> _Fit:
    """Least squares from `start`; a blur of 1 px at least finds its way where a sharper edge stops short."""
    low, high = _bounds(patch, sharpest, tick=tick)
    p = np.clip(start, low, high)
    values = patch.signal.ravel()
    # rows: the bar's shape, then its ground; in the second, above them, how the bar changes with each parameter
    base = patch.rows()
    jacobian = np.empty((len(start) + 4, values.size))
    jacobian[len(start) :] = base
    # a blurred hairline tells thickness times height only: a weak pull to what its sides and the blur of its
    # end say keeps both apart,
    # and a tick is about as thick as its bar
    pull = np.zeros(len(p))
    pull[2] = 0.15 if patch.thickness < 6 else 0.0
    if tick:
        pull[5] = 0.1
    # a bar and how it changes with each parameter are drawn together: one call draws all
    nudge = np.vstack([np.zeros(len(p)), 1e-3 * np.eye(len(p))])
    drawn = shapes(patch, p + nudge, tick=tick, side=side)
    shape = drawn[0]
    weight = weights(values - shape.ravel() / max(float(shape.max()), 0.2))
    best: _Fit | None = None
    damp = 1e-3
    for _ in range(STEPS):
        base[0] = jacobian[len(p)] = shape.ravel()
        heavy = base * weight
        height = np.linalg.solve(heavy @ base.T + 1e-9 * np.eye(4), heavy @ values)
        residual = values - height @ base
        weight = weights(residual)
        target = np.array([0, 0, as_drawn(patch.thickness, float(p[3])), 0, 0, p[2]])[: len(p)]
        cost = float(np.sum(residual**2 * np.sqrt(weight)) + np.sum((pull * (p - target)) ** 2))
        if best is not None and cost >= best.cost:
            damp *= 10
            if damp > 10:
                break
            p = best.p
        else:
            jacobian[: len(p)] = (drawn[1:] - shape).reshape(len(p), -1)
            jacobian[: len(p)] *= float(height[0]) / 1e-3
            heavy = jacobian * weight
            normal = heavy @ jacobian.T
            normal[: len(p), : len(p)] += np.diag(pull**2)
            rhs = heavy @ residual
            rhs[: len(p)] += pull**2 * (target - p)
            settled = best is not None and best.cost - cost < 1e-3 * best.cost
            best = _Fit(cost, p, normal, rhs, float(height[0]), residual.reshape(patch.signal.shape))
            if settled:
                break
            damp /= 5
        n = len(best.p)
        stiff = best.normal + damp * np.diag(np.diag(best.normal)) + 1e-9 * np.eye(len(best.rhs))
        p = np.clip(best.p + np.clip(np.linalg.solve(stiff, best.rhs)[:n], -2.0, 2.0), low, high)
        drawn = shapes(patch, p + nudge, tick=tick, side=side)
        shape = drawn[0]
    if best is None:
        msg = "a fit takes a step at least"
        raise ValueError(msg)
    return best


def as_drawn(seen: float, blur: float) -> float:
    """Thickness as drawn of a stroke `seen` so wide at half height under `blur` and the fit's own smoothing."""
    camera = max(blur**2 - SMOOTH**2, 0.0)
    return math.sqrt(max(seen**2 - FWHM**2 * camera, (seen / 4) ** 2))


def together(residual: FloatArray) -> float:
    """How many pixels go together in the residuals: 1 where each is on its own (variance of means of blocks)."""
    rows, columns = (k // BLOCK * BLOCK for k in residual.shape)
    cut = residual[:rows, :columns]
    means = cut.reshape(rows // BLOCK, BLOCK, columns // BLOCK, BLOCK).mean(axis=(1, 3))
    each = float(np.var(cut))
    return float(np.clip(BLOCK**2 * np.var(means) / each, 1.0, BLOCK**2)) if each > 0 else 1.0


def plain_end(patch: Patch, at: float) -> End:
    """Fit an end without a tick, starting from `at`."""
    return _best(patch, [np.array([at, 0.0, patch.thickness, 1.3])], tick=False)


def ticked_end(patch: Patch, plain: End, side: int = 0, like: End | None = None) -> End:
    """Fit an end with a tick across it, starting from the same end as fitted without.

    `side`: 1 or -1 where the tick is to stand on that side of the bar only; `like`: the bar's other end, where the
    fit is to start from a tick like its.
    """
    t = patch.thickness
    # beside a thick bar the rows lie further apart than the flank of a thin one is wide
    wide = max(4.0, 1.2 * float(patch.v[1] - patch.v[0]))
    flank = (np.abs(patch.v) > 0.5 * t + 0.5) & (np.abs(patch.v) < 0.5 * t + wide)
    if side:
        flank &= np.sign(patch.v) == side
    beside = np.convolve(patch.signal[flank].mean(axis=0), (0.25, 0.5, 0.25), "same")
    near = np.abs(patch.u) < 5.0 + 0.5 * t
    top = float(patch.u[near][int(np.argmax(beside[near]))])
    if like is not None:
        shape = [0.0, like.thickness, like.blur, like.tick, like.wide]
        return _best(patch, [np.array([at, *shape]) for at in (top, plain.at - t / 2)], tick=True, side=side)
    starts = [np.array([at, 0.0, t, 1.0, 3.0 * t + 2.0, t]) for at in (top, plain.at - t / 2)]
    stands = near & (beside > 0.5 * float(beside[near].max()))
    wide = float(np.count_nonzero(stands))
    if (
        t > SHOWS_WIDTH and wide and not 0.7 * t - 1.0 < wide < 1.4 * t + 1.0
    ):  # a tick thinner or thicker than its bar
        starts.append(np.array([float(np.mean(patch.u[stands])), 0.0, t, 1.0, 3.0 * t + 2.0, wide]))
    return _best(patch, starts, tick=True, side=side)


def closer_end(patch: Patch, end: End) -> End:
    """Fit an end with a tick once more in a smaller patch; `end` where that does not hold there."""
    if min(patch.signal.shape) < 2 * BLOCK:
        return end
    start = np.array([end.at, 0.0, end.thickness, end.blur, end.tick, end.wide])
    again = _best(patch, [start], tick=True, side=end.side)
    return again if abs(again.at - end.at) < end.blur and again.tick > again.thickness else end


def _best(patch: Patch, starts: list[FloatArray], *, tick: bool, side: int = 0) -> End:
    soft = min((_fit(patch, start, tick=tick, side=side, sharpest=1.2) for start in starts), key=lambda f: f.cost)
    best = _fit(patch, soft.p, tick=tick, side=side)
    weight = weights(best.residual)
    left = float(np.sum(weight * best.residual**2) / np.sum(weight))
    cov = np.linalg.inv(best.normal + 1e-9 * np.eye(len(best.normal)))
    noise = left * together(best.residual * weight)
    u = math.sqrt(max(noise * float(cov[0, 0]), 0.0))
    p = best.p
    tall, wide = (float(p[4]), float(p[5])) if tick else (0.0, 0.0)
    return End(float(p[0]), u, float(p[3]), float(p[2]), tall, wide, best.height, _odd(best.residual), side, noise)


def _odd(residual: FloatArray) -> FloatArray:
    """Square of a residual, with a ceiling, in parts of `ODD`."""
    part = (residual / ODD) ** 2
    return np.asarray(part / (1.0 + part))


def tick_shows(patch: Patch, plain: End, ticked: End) -> float:
    """How much of what speaks against a plain end, where the tick would be, the tick makes good: 1 all of it."""
    middle = ticked.side * (ticked.tick - ticked.thickness) / 2
    across = np.abs(patch.v - middle) < ticked.tick / 2 + 1.0
    across &= np.abs(patch.v) > 0.35 * patch.thickness
    along = np.abs(patch.u - ticked.at) < 0.5 * ticked.thickness + 2.0 * ticked.blur + 1.0
    if np.count_nonzero(across) < 2 or np.count_nonzero(along) < 2:
        return 0.0
    before, after = (float(end.odd[np.ix_(across, along)].mean()) for end in (plain, ticked))
    return (before - after) / max(before, 0.02)


def evidence(plain: End, ticked: End) -> float:
    """By how much the fit with a tick is nearer to the picture than the one without, in parts of the noise.

    Twice the logarithm of how much likelier the tick makes the picture, were its noise a normal one: neighbours
    that compression ties together count as one.
    """
    return float(np.sum(plain.odd - ticked.odd)) * ODD**2 / max(ticked.noise, LEAST_NOISE)
