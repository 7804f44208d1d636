"""The outline of a disc to a fraction of a pixel: blurred steps across it, and the ellipse through them.

An ellipse is its centre c and a symmetric matrix S: the points c + S u for all unit vectors u. Unlike axes and an
angle that is smooth through the circle. The steps lie along the ellipse's normals: the distances are geometric.
"""

import math
from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import AnyArray, BoolArray, FloatArray
from macrocheck.calibrate.profile import erf, sample

LEAST_SEEN = 0.5
"""Part of the outline that must be seen."""
LEAST_STEP = 6.0
"""Weakest step over the outline that counts, grey levels."""
LEAST_RATIO = 0.86
"""Minor over major axis; under it the camera stood at more than 30 degrees, or it is no disc."""
LEAST_TILT_DEG = 4.0
"""A tilt under this is within what a camera held square by eye has, and a coin's own roundness."""
FINE_RAYS = 240
SETTLED_PX = 2e-4
"""A step has settled where it moves by no more, px."""
ACROSS = 5
"""Parallel profiles averaged for one step."""
U_EDGE_PX = 0.02
"""Standard uncertainty of the whole outline's radius that no fit shows (sampling, tone curve), px; as measured on
rendered pictures, `tests/calibrate/test_disc.py`."""


@dataclass(frozen=True, slots=True)
class Disc:
    """An ellipse in px: centre, S, the standard uncertainty of its mean radius and of its axis ratio.

    `seen`: part of the outline that was seen; `step`: median height of the step over it, grey levels; `blur`: its
    standard deviation, px.
    """

    centre: FloatArray
    shape: FloatArray
    u_radius: float
    u_ratio: float
    seen: float
    step: float
    blur: float = 1.0

    @property
    def radius(self) -> float:
        """Geometric mean of the semi-axes, px."""
        return math.sqrt(abs(float(np.linalg.det(self.shape))))

    @property
    def axes(self) -> tuple[float, float]:
        """Minor and major semi-axis, px."""
        low, high = np.linalg.eigvalsh(self.shape)
        return float(low), float(high)

    def outline(self, count: int = 90) -> FloatArray:
        """Points on the outline, (count, 2) px."""
        turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
        return np.asarray(self.centre + np.column_stack([np.cos(turn), np.sin(turn)]) @ self.shape)


@dataclass(frozen=True, slots=True)
class _Steps:
    offset: FloatArray
    spread: FloatArray
    height: FloatArray
    sound: BoolArray


def measure(
    grey: AnyArray, x: float, y: float, radius: float, slack: float, room_inside: float = math.inf
) -> Disc | None:
    """Measure the disc whose outline lies within `slack` px of a circle; None where there is none.

    `room_inside`: how far inside the outline it is looked at at most, px, where a ring lies within.
    """
    centre, shape = np.array([x, y]), np.eye(2) * radius
    turn = np.linspace(0, 2 * np.pi, FINE_RAYS, endpoint=False)
    unit = np.column_stack([np.cos(turn), np.sin(turn)])
    sigma: float | None = None
    outward = slack + 4.0
    inward = min(outward, room_inside)
    for room in (slack, 0.5 * slack, 0.0, 0.0, 0.0):
        steps, normal = _steps(grey, centre, shape, unit, inward, outward, sigma)
        base = np.column_stack([normal, normal * unit, normal[:, 0] * unit[:, 1] + normal[:, 1] * unit[:, 0]])
        widest = 0.35 + 0.25 * (sigma or 1.5) + 0.001 * radius
        begin = _agreed(base, steps, widest) if room > 0 else None
        fitted = _robust(base, steps, widest, begin)
        if fitted is None:
            return None
        change, weight = fitted
        centre = centre + change[:2]
        shape = shape + np.array([[change[2], change[4]], [change[4], change[3]]])
        low, high = (float(v) for v in np.linalg.eigvalsh(shape))
        if low < LEAST_RATIO * high or not 0.7 < math.sqrt(low * high) / radius < 1.4:
            return None
        sigma = float(np.clip(np.median(steps.spread[weight > 0.3]), 0.45, 8.0))
        inward, outward = min(2.0 * sigma + 1.6, room_inside), 2.6 * sigma + 2.6
    return _finished(centre, shape, sigma or 1.0, steps, base, change, weight)


def _finished(
    centre: FloatArray,
    shape: FloatArray,
    sigma: float,
    steps: _Steps,
    base: FloatArray,
    change: FloatArray,
    weight: FloatArray,
) -> Disc | None:
    on = weight > 0.3
    seen, height = float(on.mean()), float(np.median(np.abs(steps.height[on])))
    if seen < LEAST_SEEN or height < LEAST_STEP:
        return None
    residual = steps.offset - base @ change
    noise = float(np.sum(weight * residual**2) / max(weight.sum() - 5, 1.0))
    pairs = on & np.roll(on, 1)
    alike = float(np.mean((residual * np.roll(residual, 1))[pairs]) / max(noise, 1e-9)) if pairs.any() else 0.0
    alike = min(max(alike, 0.0), 0.9)
    information = base.T @ (base * weight[:, None])
    try:
        cov = np.linalg.inv(information) * noise * (1 + alike) / (1 - alike)
    except np.linalg.LinAlgError:
        return None
    ratio = np.array([0, 0, 1.0, -1.0, 0.0])
    radius = math.sqrt(float(np.linalg.det(shape)))
    # a part of the outline lets the axes lean on what lies beside it; as measured on rendered pictures
    u_ratio = math.sqrt(max(float(ratio @ cov @ ratio), 4 * float(cov[4, 4]))) / (radius * seen**2)
    low, high = (float(v) for v in np.linalg.eigvalsh(shape))
    mean = np.array([0, 0, 0.5, 0.5, 0.0])
    if 1 - low / high < max(3 * u_ratio, 1 - math.cos(math.radians(LEAST_TILT_DEG))):
        # held square: a circle through the same steps stands firmer where a part is hidden
        turn = np.linspace(0, 2 * np.pi, len(on), endpoint=False)
        unit = np.column_stack([np.cos(turn), np.sin(turn)])
        normals = unit @ np.linalg.inv(shape)
        normals /= np.hypot(normals[:, 0], normals[:, 1])[:, None]
        points = centre + unit @ shape + residual[:, None] * normals
        centre, radius, u_mean, residual = _circle(points, centre, radius, weight)
        shape = np.eye(2) * radius
        u_mean *= math.sqrt((1 + alike) / (1 - alike))
    else:
        u_mean = math.sqrt(float(mean @ cov @ mean))
    # a blurred disc's half-way line lies inside its outline by sigma^2 / 2 r (second order of the blur)
    inside = sigma**2 / (2 * radius)
    shape = shape * (1 + inside / radius)
    u_radius = math.sqrt(u_mean**2 + U_EDGE_PX**2 + (0.3 * inside) ** 2)
    return Disc(centre, shape, u_radius, u_ratio, seen, height, sigma)


def _circle(
    points: FloatArray, centre: FloatArray, radius: float, weight: FloatArray
) -> tuple[FloatArray, float, float, FloatArray]:
    """Fit a circle to weighted points by geometric distance; returns centre, radius, its u and the distances."""
    root = np.sqrt(weight)
    base = np.empty((len(points), 3))
    for _ in range(6):
        away = points - centre
        far = np.hypot(away[:, 0], away[:, 1])
        base = np.column_stack([away / far[:, None], np.ones(len(far))]) * root[:, None]
        change = np.linalg.lstsq(base, (far - radius) * root, rcond=None)[0]
        centre, radius = centre + change[:2], radius + float(change[2])
    far = np.hypot(*(points - centre).T) - radius
    noise = float(np.sum(weight * far**2) / max(float(weight.sum()) - 3, 1.0))
    cov = np.linalg.inv(base.T @ base) * noise
    return centre, radius, math.sqrt(float(cov[2, 2])), np.asarray(far)


def _agreed(base: FloatArray, steps: _Steps, widest: float) -> FloatArray | None:
    """Return the change of the ellipse that most steps agree on, of those laid through five steps each."""
    rows = np.flatnonzero(steps.sound)
    if len(rows) < 40:
        return None
    rng = np.random.default_rng(1)
    pick = rows[rng.integers(0, len(rows), (500, 5))]
    some = base[pick]
    firm = np.abs(np.linalg.det(some)) > 0.02
    if not firm.any():
        return None
    change = np.linalg.solve(some[firm], steps.offset[pick[firm]][..., None])[..., 0]
    miss = np.abs(change @ base[rows].T - steps.offset[rows])
    pull = np.sqrt(np.abs(steps.height[rows]))  # a grain of the ground makes a weak step
    return np.asarray(change[int(np.argmax((np.clip(1 - miss / widest, 0, 1) * pull).sum(axis=1)))])


def _robust(
    base: FloatArray, steps: _Steps, widest: float, begin: FloatArray | None
) -> tuple[FloatArray, FloatArray] | None:
    """Least squares with Tukey's weights, steps further off than twice `widest` left out."""
    use = steps.sound & np.isfinite(steps.offset)
    if np.count_nonzero(use) < 0.3 * len(use):
        return None
    offset = np.where(use, steps.offset, 0.0)
    change: FloatArray = np.zeros(base.shape[1])
    if begin is not None:
        change = begin
    else:
        change[2] = change[3] = float(np.median(offset[use]))
    weight = use.astype(np.float64)
    for _ in range(12):
        miss = np.abs(offset - base @ change)
        scale = 1.4826 * float(np.median(miss[use])) + 0.03
        reach = min(4.0 * scale, 2.0 * widest)
        weight = np.where(use & (miss < reach), (1 - np.minimum(miss / reach, 1) ** 2) ** 2, 0.0)
        if np.count_nonzero(weight > 0.3) < 0.25 * len(offset):
            return None
        root = np.sqrt(weight)
        change = np.asarray(np.linalg.lstsq(base * root[:, None], offset * root, rcond=None)[0])
    return change, weight


def _steps(
    grey: AnyArray,
    centre: FloatArray,
    shape: FloatArray,
    unit: FloatArray,
    inward: float,
    outward: float,
    sigma: float | None,
) -> tuple[_Steps, FloatArray]:
    """Place the step along every normal of an ellipse; returns them and the normals."""
    normal = unit @ np.linalg.inv(shape)
    normal /= np.hypot(normal[:, 0], normal[:, 1])[:, None]
    foot = centre + unit @ shape
    gap = float(np.hypot(*(foot[1] - foot[0])))
    t = np.linspace(-inward, outward, int(min(max(2 * (inward + outward), 12), 48)) + 1)
    side = (np.arange(ACROSS) - (ACROSS - 1) / 2) * min(gap / ACROSS, 1.5)
    along = np.column_stack([-normal[:, 1], normal[:, 0]])
    # a chord beside the foot lies inside the outline by side^2 / 2 r
    sag = side**2 / (2 * math.sqrt(abs(float(np.linalg.det(shape)))))
    x = (
        foot[:, 0, None, None]
        + (t[None, :, None] - sag) * normal[:, 0, None, None]
        + side * along[:, 0, None, None]
    )
    y = (
        foot[:, 1, None, None]
        + (t[None, :, None] - sag) * normal[:, 1, None, None]
        + side * along[:, 1, None, None]
    )
    values = sample(grey, x, y).mean(axis=2)
    h, w = grey.shape[:2]
    inside = (foot >= outward).all(axis=1) & (foot[:, 0] < w - outward) & (foot[:, 1] < h - outward)
    offset, spread, height, noise = fit_steps(t, values, sigma)
    sound = inside & (np.abs(height) > np.maximum(0.7 * LEAST_STEP, 1.5 * noise))
    sound &= (offset > -inward) & (offset < outward)
    return _Steps(offset, spread, height, sound), normal


def fit_steps(
    t: FloatArray, values: FloatArray, sigma: float | None
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Fit a blurred step to each row of `values`; returns position, blur, height (out less in), noise."""
    rows = len(values)
    smooth = (np.roll(values, 1, axis=1) + 2 * values + np.roll(values, -1, axis=1)) / 4
    slope = np.abs(np.gradient(smooth, axis=1))
    slope[:, :2] = slope[:, -2:] = 0.0
    if sigma is not None:  # near the outline that is known already
        slope = slope * np.exp(-0.5 * (t / (0.6 * (t[-1] - t[0]))) ** 2)
    at = t[np.argmax(slope, axis=1)].astype(np.float64)
    spread = np.full(rows, sigma if sigma is not None else 1.2)
    height = np.zeros(rows)
    residual = values - values.mean(axis=1, keepdims=True)
    above = residual.copy()
    left = np.arange(rows)  # what has not settled yet
    for _ in range(7):
        z = (t[None, :] - at[left, None]) / spread[left, None]
        bell = np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
        step = 0.5 + 0.5 * erf(z / math.sqrt(2))
        # ground and height first, then all four together; the ground is what a row's means leave
        ds = step - step.mean(axis=1, keepdims=True)
        high = (ds * above[left]).sum(axis=1) / np.maximum((ds * ds).sum(axis=1), 1e-9)
        miss = above[left] - high[:, None] * ds
        j_at = bell * (-high / spread[left])[:, None]
        j_spread = j_at * z
        base = (j_at - j_at.mean(axis=1, keepdims=True), j_spread - j_spread.mean(axis=1, keepdims=True), ds)
        square = np.empty((len(left), 3, 3))
        for i in range(3):
            for j in range(i, 3):
                square[:, i, j] = square[:, j, i] = np.einsum("ij,ij->i", base[i], base[j])
        right = np.stack([np.einsum("ij,ij->i", one, miss) for one in base], axis=1)
        delta = np.linalg.solve(square + 1e-6 * np.eye(3), right[..., None])[..., 0]
        height[left], residual[left] = high, miss
        at[left] = np.clip(at[left] + np.clip(delta[:, 0], -1.0, 1.0), t[0], t[-1])
        spread[left] = np.clip(spread[left] + np.clip(delta[:, 1], -0.4, 0.4), 0.4, (t[-1] - t[0]) / 3)
        left = left[(np.abs(delta[:, 0]) > SETTLED_PX) | (np.abs(delta[:, 1]) > 10 * SETTLED_PX)]
        if not left.size:
            break
    noise = np.sqrt((residual**2).sum(axis=1) / max(len(t) - 4, 1))
    return at, spread, height, noise
