"""Variance components of unbalanced readings by restricted maximum likelihood; formulas in docs/study.md.

All factors but one (the people) lie within blocks (coupons), so the covariance is a block each and one correction
of the people's rank; nothing as large as all readings squared is ever formed.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from macrocheck.arrays import FloatArray

Levels = NDArray[np.intp]

_LEAST = 1e-4
"""Least standard deviation of the repeats over that of all readings: under it the likelihood has no bottom."""
_NONE = 1e-4
"""A standard deviation under this, over that of all readings, is taken for 0: the search stops short of it."""
_MOST = 20.0
_STEP = 1e-3


@dataclass(frozen=True, slots=True)
class Components:
    """Variances: of the nested factors in their order, the crossed one (0 where none), the repeats.

    `df_repeats`: degrees of freedom of a chi-square with the repeats' relative variance (Satterthwaite), from the
    observed information; 0 where it cannot be had.
    """

    nested: tuple[float, ...]
    crossed: float
    repeats: float
    df_repeats: float


def components(y: FloatArray, blocks: Levels, nested: Sequence[Levels], crossed: Levels | None) -> Components:
    """Return the variance components of readings y (n,); every other argument is (n,) level numbers from 0.

    One common mean; all factors and the repeats independent and normal; no variance under 0. `nested`: factors none
    of whose levels is in two blocks (a factor may be the blocks themselves). `crossed`: the people.
    """
    spread = float(y.std(ddof=1))
    if spread == 0:
        return Components((0.0,) * len(nested), 0.0, 0.0, 0.0)
    model = _Model((y - y.mean()) / spread, blocks, nested, crossed)
    bounds = [(0.0, _MOST)] * (model.count - 1) + [(_LEAST, _MOST)]
    starts = np.full((2, model.count), 0.6)
    starts[1, -1] = 0.15
    found = [optimize.minimize(model.deviance, s, jac=True, method="L-BFGS-B", bounds=bounds) for s in starts]
    best = min(found, key=lambda f: float(f.fun))
    sds = np.where(best.x > _NONE, best.x, 0.0)
    df = model.df_repeats(sds)
    variances = [float(v) for v in (sds * spread) ** 2]
    people = variances[-2] if crossed is not None else 0.0
    return Components(tuple(variances[: len(nested)]), people, variances[-1], df)


class _Model:
    def __init__(self, y: FloatArray, blocks: Levels, nested: Sequence[Levels], crossed: Levels | None) -> None:
        size = np.bincount(blocks)
        c, m = len(size), int(size.max())
        order = np.argsort(blocks, kind="stable")
        starts = np.concatenate([[0], np.cumsum(size)[:-1]])
        at = (blocks[order], np.arange(len(y)) - starts[blocks[order]])

        self.y = np.zeros((c, m))
        self.y[at] = y[order]
        self.one = np.zeros((c, m))
        self.one[at] = 1.0
        both = self.one[:, :, None] * self.one[:, None, :]
        self.same = []
        for factor in nested:
            label = np.full((c, m), -1)
            label[at] = factor[order]
            self.same.append((label[:, :, None] == label[:, None, :]) * both)
        self.eye = np.eye(m) * self.one[:, :, None]
        self.pad = np.eye(m) * (1.0 - self.one)[:, :, None]
        self.people = None
        if crossed is not None:
            self.people = np.zeros((c, m, int(crossed.max()) + 1))
            self.people[(*at, crossed[order])] = 1.0
        self.count = len(nested) + (crossed is not None) + 1

    def deviance(self, sds: FloatArray) -> tuple[float, FloatArray]:
        """Return minus twice the restricted log likelihood (but for a constant) and its gradient by the sds."""
        value, slope = self._by_variance(sds**2)
        return value, 2 * sds * slope

    def _by_variance(self, v: FloatArray) -> tuple[float, FloatArray]:
        b = v[-1] * self.eye + self.pad
        for variance, same in zip(v, self.same, strict=False):
            b = b + variance * same
        inverse = np.linalg.inv(b)
        logs = float(np.linalg.slogdet(b)[1].sum())
        inside = inverse * self.one[:, :, None] * self.one[:, None, :]
        by, b1 = np.einsum("cij,cj->ci", inside, self.y), np.einsum("cij,cj->ci", inside, self.one)
        core = gram = bu = None
        if self.people is not None:
            bu = inside @ self.people
            gram = np.einsum("cip,ciq->pq", self.people, bu)
            middle = np.eye(len(gram)) + v[-2] * gram
            core = v[-2] * np.linalg.inv(middle)
            logs += float(np.linalg.slogdet(middle)[1])
            back = bu @ core
            by = by - back @ np.einsum("cip,ci->p", self.people, by)
            b1 = b1 - back @ np.einsum("cip,ci->p", self.people, b1)
            inside = inside - back @ bu.transpose(0, 2, 1)
        total = float((b1 * self.one).sum())
        py = by - b1 * (float((by * self.one).sum()) / total)
        diagonal = inside - b1[:, :, None] * b1[:, None, :] / total
        slope = [float((diagonal * s).sum() - np.einsum("ci,cij,cj->", py, s, py)) for s in self.same]
        if self.people is not None and gram is not None and core is not None:
            u1, uy = (np.einsum("cip,ci->p", self.people, e) for e in (b1, py))
            slope.append(float(np.trace(gram - gram @ core @ gram) - u1 @ u1 / total - uy @ uy))
        slope.append(float(np.einsum("cii->", diagonal) - (py**2).sum()))
        return logs + float(np.log(total)) + float((self.y * py).sum()), np.array(slope)

    def df_repeats(self, sds: FloatArray) -> float:
        """Return the repeats' degrees of freedom from the curvature of the likelihood in the variances over 0."""
        v = sds**2
        inner = np.flatnonzero(v > 0)
        if not len(inner) or inner[-1] != len(v) - 1:
            return 0.0
        curved = np.zeros((len(inner), len(inner)))
        for row, i in enumerate(inner):
            step = np.zeros(len(v))
            step[i] = _STEP * v[i]
            up, down = self._by_variance(v + step)[1], self._by_variance(v - step)[1]
            curved[row] = (up - down)[inner] / (2 * step[i])
        information = (curved + curved.T) / 4
        try:
            variance = float(np.linalg.inv(information)[-1, -1])
        except np.linalg.LinAlgError:
            return 0.0
        return 2 * float(v[-1]) ** 2 / variance if variance > 0 else 0.0
