"""Both end ticks of a bar at once: one pen drew them and their line, and one camera blurred both.

Fitted one at a time, a tick under blur may be taken for thicker or thinner than its line, which moves it along the
bar. The pen's width, the ticks' length and the blur are those of both ends; what is drawn hides its ground, which
may bend both ways around each end.
"""

import math
from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.calibrate.bar_ends import SHARPEST, SHOWS_WIDTH, SOFTEST, End, Patch, shapes, together, weights

STEPS = 15
"""Most Gauss-Newton steps of the fit."""
PEN, ANY_PEN = (0.04, 0.03), 0.5
"""Standard uncertainty of a tick's thickness as that of its line, px and parts of it, up to `SHOWS_WIDTH`: one pen
draws both; and in parts where the bar is thicker, whose ticks may be drawn with another. Estimates."""
FARTHEST, OFF_LINE = 4.0, 2.0
"""How far from where it was fitted alone a tick may move, along the bar and across it, px."""
LEAST_SIDE = 6
"""Fewest rows and columns of a patch that tell anything."""
AT, MID, THICK, BLUR, TALL, WIDE = 0, 2, 4, 5, 6, 7
"""Places of the parameters: both middles along the bar and both across it, then what the ends have in common."""
COUNT, GROUND = 8, 7
"""Number of parameters, and of the rows that each patch's tones are made of."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Middles of both ticks, px past where each end was looked for, their standard uncertainties, the blur, px."""

    at: tuple[float, float]
    u: tuple[float, float]
    blur: float


@dataclass(frozen=True, slots=True)
class _Side:
    """One end's patch in the fit of both: `columns` of the joint matrix, ground rows (GROUND, pixels)."""

    patch: Patch
    side: int
    columns: slice
    ground: FloatArray

    def drawn(self, k: int, p: FloatArray) -> FloatArray:
        """Bars of height 1 for rows of parameters (n, COUNT), (n, pixels)."""
        own = p[:, [AT + k, MID + k, THICK, BLUR, TALL, WIDE]]
        return shapes(self.patch, own, tick=True, side=self.side).reshape(len(p), -1)


@dataclass(frozen=True, slots=True)
class _State:
    """Where the fit stands: its cost, parameters, normal equations, residuals and their weights, steps of tone."""

    cost: float
    p: FloatArray
    normal: FloatArray
    rhs: FloatArray
    residual: FloatArray
    weight: FloatArray
    steps: tuple[float, float]


def fit_pair(patches: tuple[Patch, Patch], ends: tuple[End, End]) -> Pair | None:
    """Fit both ticks to each end's patch, starting from the ends as fitted alone; None where that does not hold."""
    near = [patch.around(end) for patch, end in zip(patches, ends, strict=True)]
    if min(min(patch.signal.shape) for patch in near) < LEAST_SIDE:
        return None
    first = near[0].signal.size
    columns = slice(0, first), slice(first, None)
    sides = [_Side(n, e.side, c, _ground(n)) for n, e, c in zip(near, ends, columns, strict=True)]
    best = _settled(sides, ends)
    if best is None or not all(0.3 < step < 25.0 for step in best.steps):
        return None
    cov = np.linalg.inv(best.normal + 1e-9 * np.eye(len(best.normal)))
    u = []
    for k, side in enumerate(sides):
        left, weight = best.residual[side.columns], best.weight[side.columns]
        own = float(np.sum(weight * left**2) / np.sum(weight))
        own *= together((left * weight).reshape(side.patch.signal.shape))
        u.append(math.sqrt(max(own * float(cov[AT + k, AT + k]), 0.0)))
    return Pair((float(best.p[AT]), float(best.p[AT + 1])), (u[0], u[1]), float(best.p[BLUR]))


def _ground(patch: Patch) -> FloatArray:
    """Room for a bar's shape, and a ground that bends both ways, (GROUND, pixels)."""
    level = patch.rows()
    return np.vstack([level, level[2] ** 2, level[3] ** 2, level[2] * level[3]])


def _settled(sides: list[_Side], ends: tuple[End, End]) -> _State | None:
    """Gauss-Newton from the ends as fitted alone."""
    thick, tall, blur = (float(np.mean([getattr(end, k) for end in ends])) for k in ("thickness", "tick", "blur"))
    p = np.array([ends[0].at, ends[1].at, 0.0, 0.0, thick, blur, tall, thick])
    away = np.array([FARTHEST, FARTHEST, OFF_LINE, OFF_LINE])
    low = np.concatenate([p[:THICK] - away, [0.6, SHARPEST, 1.1 * thick, 0.6]])
    high = np.concatenate([p[:THICK] + away, [2 * thick + 2, SOFTEST, 3 * tall, 2 * thick + 3]])
    p = np.clip(p, low, high)
    noise = float(np.mean([end.noise for end in ends]))
    best: _State | None = None
    damp = 1e-3
    for _ in range(STEPS):
        state = _at(sides, p, noise, best)
        if best is not None and state.cost >= best.cost:
            damp *= 10
            if damp > 1e3:
                break
        else:
            settled = best is not None and best.cost - state.cost < 1e-4 * best.cost
            best = state
            if settled:
                break
            damp /= 5
        n = len(best.rhs)
        stiff = best.normal + damp * np.diag(np.diag(best.normal)) + 1e-9 * np.eye(n)
        p = np.clip(best.p + np.clip(np.linalg.solve(stiff, best.rhs)[:COUNT], -2.0, 2.0), low, high)
    return best


def _at(sides: list[_Side], p: FloatArray, noise: float, last: _State | None) -> _State:
    """The fit at one set of parameters; each patch's tones follow from them."""
    nudge = np.vstack([np.zeros(COUNT), 1e-3 * np.eye(COUNT)])
    jacobian = np.zeros((COUNT + 2 * GROUND, sum(side.patch.signal.size for side in sides)))
    residual, weight = np.empty(jacobian.shape[1]), np.empty(jacobian.shape[1])
    steps = []
    for k, side in enumerate(sides):
        drawn = side.drawn(k, p + nudge)
        values = side.patch.signal.ravel()
        # what is drawn hides the ground under it
        base = np.vstack([drawn[:1], side.ground[1:] * (1.0 - drawn[0])])
        heavy = np.ones(len(values)) if last is None else last.weight[side.columns]
        for _ in range(2):
            normal = (base * heavy) @ base.T + 1e-9 * np.eye(GROUND)
            tones = np.linalg.solve(normal, (base * heavy) @ values)
            left = values - tones @ base
            heavy = weights(left)
        step = tones[0] - tones[1:] @ side.ground[1:]
        steps.append(float(np.median(step)))
        jacobian[:COUNT, side.columns] = (drawn[1:] - drawn[0]) * (step / 1e-3)
        jacobian[COUNT + GROUND * k : COUNT + GROUND * (k + 1), side.columns] = base
        residual[side.columns], weight[side.columns] = left, heavy
    pull = noise / _pen(float(p[THICK])) ** 2
    off = float(p[WIDE] - p[THICK])
    normal = (jacobian * weight) @ jacobian.T
    rhs = (jacobian * weight) @ residual
    row = np.zeros(len(rhs))
    row[WIDE], row[THICK] = 1.0, -1.0
    cost = float(np.sum(residual**2 * np.sqrt(weight))) + pull * off**2
    return _State(
        cost, p, normal + pull * np.outer(row, row), rhs - pull * off * row, residual, weight, (steps[0], steps[1])
    )


def _pen(thick: float) -> float:
    """Standard uncertainty of a tick's thickness as that of its line, px."""
    return PEN[0] + PEN[1] * thick if thick < SHOWS_WIDTH else ANY_PEN * thick
