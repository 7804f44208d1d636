"""The thickness of a plate in the picture to a fraction of a pixel: blurred steps along both faces, two lines."""

import math
from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, ByteArray, FloatArray
from macrocheck.calibrate.disc_fit import fit_steps
from macrocheck.calibrate.plate_seeds import Pair

BLOCKS = 90
"""Stretches that each face is cut into."""
LEAST_STEP = 5.0
"""Weakest step over a face that counts, grey levels."""
LEAST_BLOCKS = 6
"""Fewest sound stretches that a face is told by."""
MOST_OFF = 0.12
"""Most that the thickness may come out off the one that was looked for, relative."""
INWARD = 2.2
"""How far into the plate a face is looked at, in blurs: beyond lies what a polished or etched rim changes."""
SETTLED_PX = 1e-4
"""A fit has settled where it moves no face by more."""
U_OPEN = 0.003
"""Standard uncertainty of a plate's faces being parallel before they are seen, rad; common practice, no source."""
U_EDGE_PX = 0.035
"""Standard uncertainty of a face's place that no fit shows (sampling, tone curve), px; as measured on rendered
sections, `tests/bench/marks.py`."""
BLUR_SHARE = 0.08
"""The same as a part of the blur: a rim of scale or a burr within the blur shifts the half-way point."""


@dataclass(frozen=True, slots=True)
class Plate:
    """A plate as measured, px: a point half way between its faces, along, `thickness` and its uncertainty.

    `low`, `high`: where along it both faces are seen. `corners`: (4, 2), the ends of the first face's seen part,
    then those of the second, going round. `open_rad`: angle between the faces, with `u_open`. `step`: contrast of
    the weaker face, grey levels; `bright`: lighter than what is beside it. `clear`: (n, 2), from where to where
    along it stretches show both faces, from `middle` on. `shared`: another plate's face lies between its own.
    """

    middle: FloatArray
    along: FloatArray
    thickness: float
    u_thickness: float
    low: float
    high: float
    corners: FloatArray
    open_rad: float
    u_open: float
    step: float
    bright: bool
    clear: FloatArray
    shared: bool

    @property
    def across(self) -> FloatArray:
        """Unit vector from the first face to the second."""
        return np.array([-self.along[1], self.along[0]])

    @property
    def length(self) -> float:
        """How far both faces are seen, px."""
        return self.high - self.low

    @property
    def strength(self) -> float:
        """How plainly it stands in the picture."""
        return self.step * self.length


def measure(pixels: ByteArray, pair: Pair) -> Plate | None:
    """Measure a pair of edges; None where they are no two straight parallel faces."""
    span = pair.high - pair.low
    n = int(np.clip(span / 6.0, LEAST_BLOCKS, BLOCKS))
    edges = np.linspace(pair.low, pair.high, n + 1)
    u = (edges[:-1] + edges[1:]) / 2
    # offset of either face outwards from half the thickness, the common slope, how far the faces open per px along
    state = np.zeros(4)
    half = pair.thickness / 2
    reach = min(1.2 * pair.step, 0.3 * pair.thickness) + 4.0
    inward = reach
    sigma: float | None = None
    weight = np.ones((2, n))
    offset = np.zeros((2, n))
    height = np.zeros((2, n))
    for turn in range(4):
        t = np.linspace(-inward, reach, int(np.clip(2 * (inward + reach), 16, 48)) + 1)
        sides, inside = _profiles(pixels, pair, edges, state, half, t)
        spreads = np.zeros((2, n))
        for k in (0, 1):
            values = _projected(sides[k], weight[k] > 0.3, t)
            if values is None:
                return None
            flat, level = values
            offset[k], spreads[k], height[k], noise = fit_steps(t, flat, sigma)
            height[k] *= level
            bad = (
                ~inside[k]
                | (offset[k] > 0.95 * reach)
                | (offset[k] < -0.95 * inward)
                | (np.abs(height[k]) < LEAST_STEP)
            )
            bad |= noise * level > 0.5 * np.abs(height[k])
            offset[k] = np.where(bad, np.nan, offset[k])
        fitted = _robust(u, offset, height, widest=(2.0 if turn == 0 else 0.8) + 0.5 * (sigma or 1.5))
        if fitted is None:
            return None
        change, weight = fitted
        # `u` is the same point of the plate only to first order in the slope, which stays small
        state = state + change
        opened = change[3] * u / 2
        offset = offset - np.vstack([change[0] - change[2] * u + opened, change[1] + change[2] * u + opened])
        sound = weight > 0.3
        sigma = float(np.clip(np.median(spreads[sound]), 0.45, 8.0))
        reach, inward = min(3.0 * sigma + 2.5, reach), min(INWARD * sigma + 1.0, inward)
        if abs((state[0] + state[1]) / pair.thickness) > MOST_OFF:
            return None
    return _finished(pair, u, float(edges[1] - edges[0]), state, half, weight, offset, height, sigma or 1.0)


def _profiles(
    pixels: ByteArray, pair: Pair, edges: FloatArray, state: FloatArray, half: float, t: FloatArray
) -> tuple[list[FloatArray], BoolArray]:
    """Mean colour across both faces, each (blocks, len(t), 3), t outwards; and which blocks lie in the picture."""
    h, w = pixels.shape[:2]
    n = len(edges) - 1
    per = int(np.clip(math.ceil((edges[1] - edges[0]) / 1.3), 3, 12))
    u = (edges[0] + (np.arange(n * per) + 0.5) / per * (edges[1] - edges[0]))[:, None]
    found, inside = [], np.zeros((2, n), dtype=bool)
    for k, sign in enumerate((-1.0, 1.0)):
        v = sign * (half + state[k] + state[3] * u / 2 + t[None, :]) + state[2] * u
        x = pair.middle[0] + u * pair.along[0] + v * pair.across[0]
        y = pair.middle[1] + u * pair.along[1] + v * pair.across[1]
        read = cv2.remap(
            pixels, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        found.append(np.asarray(read.reshape(n, per, len(t), 3).mean(axis=1), dtype=np.float64))
        ok = (x > 0) & (y > 0) & (x < w - 1) & (y < h - 1)
        inside[k] = ok.reshape(n, -1).all(axis=1)
    return found, inside


def _projected(rgb: FloatArray, good: BoolArray, t: FloatArray) -> tuple[FloatArray, float] | None:
    """Profiles along the colour that tells plate from ground, (blocks, len(t)), about 1 to 0; the step's size."""
    use = rgb[good] if np.count_nonzero(good) >= 4 else rgb
    outer, inner = t > 0.5 * t[-1], t < 0.5 * t[0]
    ground, steps = use[:, outer].mean(axis=1), use[:, inner].mean(axis=1) - use[:, outer].mean(axis=1)
    # air is beside part of a face only, weld metal or another plate beside the rest: the step most blocks agree on,
    # the larger the rather
    size_of = np.sqrt((steps**2).sum(axis=1))
    apart = np.sqrt(((steps[:, None] - steps[None]) ** 2).sum(axis=2))
    alike = apart < 0.35 * size_of[:, None] + 2.0
    chosen = alike[int(np.argmax(alike.sum(axis=1) * size_of))]
    step, ground = np.median(steps[chosen], axis=0), np.median(ground[chosen], axis=0)
    size = float(step @ step)
    if size < 3 * LEAST_STEP**2 / 4:
        return None
    return np.asarray((rgb - ground) @ (step / size)), math.sqrt(size / 3)


def _robust(
    u: FloatArray, offset: FloatArray, height: FloatArray, widest: float
) -> tuple[FloatArray, FloatArray] | None:
    """Two lines through most of the steps: (change of first, second, slope, opening), weights (2, n)."""
    use = np.isfinite(offset)
    for k in (0, 1):
        if np.count_nonzero(use[k]) < LEAST_BLOCKS:
            return None
        # beside weld metal or another plate a face may step the other way than beside air
        use[k] &= height[k] < 0
        if np.count_nonzero(use[k]) < LEAST_BLOCKS:
            return None
        # a lap's seam goes on where its face ends, and steps less than the face does; so does a tee's root
        size = -height[k]
        usual = float(np.percentile(size[use[k]], 80))
        use[k] &= (size > 0.55 * usual) & (size < 2.0 * usual)
        if np.count_nonzero(use[k]) < LEAST_BLOCKS:
            return None
    y = np.where(use, offset, 0.0)
    zero, one = np.zeros_like(u), np.ones_like(u)
    base = np.vstack([np.column_stack([one, zero, -u, u / 2]), np.column_stack([zero, one, u, u / 2])])
    flat, free = y.ravel(), use.ravel()
    change = np.array([_mode(offset[k][use[k]], widest) for k in (0, 1)] + [0.0, 0.0])
    weight = free.astype(np.float64)
    square = np.einsum("ij,ik->ijk", base, base).reshape(len(base), -1)
    for _ in range(14):
        miss = np.abs(flat - base @ change)
        near = free & (miss < 2 * widest)
        if min(np.count_nonzero(near[: len(u)]), np.count_nonzero(near[len(u) :])) < LEAST_BLOCKS:
            return None
        spread = 1.4826 * float(np.median(miss[near])) + 0.02
        limit = min(4.0 * spread, 2 * widest)
        weight = np.where(free & (miss < limit), (1 - np.minimum(miss / limit, 1) ** 2) ** 2, 0.0)
        # a face without any weight keeps its place
        normals = (weight @ square).reshape(4, 4) + 1e-6 * np.eye(4)
        # plates are parallel unless their faces say otherwise
        normals[3, 3] += (max(spread, 0.05) / U_OPEN) ** 2
        before, change = change, np.linalg.solve(normals, (weight * flat) @ base)
        if np.abs(base @ (change - before)).max() < SETTLED_PX:
            break
    sound = weight.reshape(2, -1)
    if (np.count_nonzero(sound > 0.3, axis=1) < LEAST_BLOCKS).any():
        return None
    return change, sound


def _mode(values: FloatArray, width: float) -> float:
    """Where most of the values lie together."""
    near = np.abs(values[:, None] - values[None, :]) < width
    best = int(np.argmax(near.sum(axis=1)))
    return float(np.median(values[near[best]]))


def _finished(
    pair: Pair,
    u: FloatArray,
    block: float,
    state: FloatArray,
    half: float,
    weight: FloatArray,
    offset: FloatArray,
    height: FloatArray,
    sigma: float,
) -> Plate | None:
    sound = weight > 0.3
    both = _stretch(sound[0]) & _stretch(sound[1])
    if np.count_nonzero(both) < 3:
        return None
    low, high = float(u[both].min()) - block / 2, float(u[both].max()) + block / 2
    centre_u = (low + high) / 2
    thickness = 2 * half + state[0] + state[1] + state[3] * centre_u
    seen = block * float(np.count_nonzero(both))
    if thickness <= 0 or seen < 0.25 * thickness:
        return None
    residual = np.where(sound, offset, 0.0)
    lines, noises = [], []
    for k in (0, 1):
        w = np.where(sound[k], weight[k], 0.0)
        r = residual[k]
        centre = float((w * u).sum() / w.sum())
        noise = float((w * r**2).sum() / max(w.sum() - 2.0, 1.0)) + 1e-4
        pairs = sound[k] & np.roll(sound[k], 1)
        pairs[0] = False
        alike = float(np.mean((r * np.roll(r, 1))[pairs]) / noise) if pairs.any() else 0.0
        alike = min(max(alike, 0.0), 0.85)
        noise *= (1 + alike) / (1 - alike)
        square = float((w * (u - centre) ** 2).sum())
        slope = float((w * (u - centre) * r).sum()) / max(square, 1e-9)
        lines.append((centre, slope, noise / w.sum(), noise / max(square, 1e-9)))
        noises.append(noise)
    # outwards offset grows with u on both faces where they open
    opening = state[3] + lines[0][1] + lines[1][1]
    u_opening = math.sqrt(lines[0][3] + lines[1][3])
    # a common slope ties the faces' places together where they are seen at different u
    shift = lines[1][0] - lines[0][0]
    u_slope = 1 / math.sqrt(1 / lines[0][3] + 1 / lines[1][3])
    change = abs(opening) * (high - low)
    tied = shift * u_slope
    far = sum((centre_u - c) ** 2 * min(q, U_OPEN**2) for c, _, _, q in lines)
    spread = math.sqrt(lines[0][2] + lines[1][2] + min(tied**2, far))
    edge = math.sqrt(2) * math.hypot(U_EDGE_PX, BLUR_SHARE * sigma)
    # not parallel: a caliper may have stood anywhere along it
    left = change / math.sqrt(12) if change > 2 * u_opening * (high - low) else 0.0
    turned = pair.along + state[2] * pair.across
    turned = turned / np.hypot(*turned)
    cos = 1 / math.sqrt(1 + state[2] ** 2)
    middle = pair.middle + pair.across * (state[1] - state[0]) / 2
    across = np.array([-turned[1], turned[0]])
    thickness *= cos
    at = middle + (pair.along + state[2] * pair.across) * centre_u
    ends = []
    for k, sign in ((0, -1.0), (1, 1.0)):
        on = u[_stretch(sound[k])]
        reach = np.array([float(on.min()) - block / 2, float(on.max()) + block / 2]) - centre_u
        line = at + reach[:, None] * turned + sign * thickness / 2 * across
        ends.append(line if k == 0 else line[::-1])
    steps = [float(np.median(np.abs(height[k][sound[k]]))) for k in (0, 1)]
    return Plate(
        middle=at,
        along=turned,
        thickness=thickness,
        u_thickness=math.sqrt(spread**2 + edge**2 + left**2),
        low=-(high - low) / 2,
        high=(high - low) / 2,
        corners=np.vstack(ends),
        open_rad=opening,
        u_open=u_opening,
        step=min(steps),
        bright=pair.bright,
        clear=u[both, None] - centre_u + block / 2 * np.array([-1.0, 1.0]),
        shared=pair.shared,
    )


def _stretch(sound: BoolArray) -> BoolArray:
    """Where most of the blocks around are sound."""
    if len(sound) < 7:
        return sound
    return np.asarray(sound & (np.convolve(sound, np.ones(5), "same") >= 3))
