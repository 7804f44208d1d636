"""Ordinary least squares with what intervals and left-out errors need; formulas in docs/study.md."""

from dataclasses import dataclass

import numpy as np
from scipy import stats

from macrocheck.arrays import FloatArray


@dataclass(frozen=True, slots=True)
class Line:
    """A fit of y (n,) on columns (n, k): `beta` (k,), `inverse` (X'X)^-1, `leverage` (n,), `residual` (n,)."""

    beta: FloatArray
    inverse: FloatArray
    leverage: FloatArray
    residual: FloatArray
    rank: int

    @property
    def df(self) -> int:
        """Degrees of freedom left for the scatter."""
        return len(self.residual) - self.rank

    @property
    def sse(self) -> float:
        """Sum of squared residuals."""
        return float(self.residual @ self.residual)

    @property
    def sd(self) -> float:
        """Standard deviation about the line; 0 where no degree of freedom is left."""
        return float(np.sqrt(self.sse / self.df)) if self.df > 0 else 0.0

    def standard_errors(self) -> FloatArray:
        """Return the standard error of every coefficient."""
        return np.asarray(self.sd * np.sqrt(np.maximum(np.diag(self.inverse), 0.0)))

    def left_out(self) -> FloatArray:
        """Return the error of each y when it is predicted from all others."""
        return np.asarray(self.residual / np.maximum(1.0 - self.leverage, 1e-12))

    def at(self, columns: FloatArray, confidence: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return fitted values at rows (m, k), half widths of the confidence and of the prediction interval."""
        rows = np.atleast_2d(columns)
        h = np.einsum("ij,jk,ik->i", rows, self.inverse, rows)
        t = float(stats.t.ppf(0.5 + confidence / 2, self.df))
        return (
            rows @ self.beta,
            t * self.sd * np.sqrt(np.maximum(h, 0)),
            t * self.sd * np.sqrt(1 + np.maximum(h, 0)),
        )


def fit_line(columns: FloatArray, y: FloatArray) -> Line:
    """Fit y (n,) on columns (n, k); where columns depend on one another, the shortest solution."""
    size = np.linalg.norm(columns, axis=0)
    size[size == 0] = 1.0
    scaled = columns / size  # settings of 0.9 mm and of 400 mm/min side by side
    u, s, vt = np.linalg.svd(scaled, full_matrices=False)
    keep = s > 1e-10 * s[0]
    u, s, vt = u[:, keep], s[keep], vt[keep]
    beta = (vt.T @ ((u.T @ y) / s)) / size
    inverse = (vt.T / s**2) @ vt / np.outer(size, size)
    return Line(beta, inverse, (u**2).sum(axis=1), y - columns @ beta, int(keep.sum()))


def f_test(full: Line, reduced: Line) -> float | None:
    """Return the p of the columns that `full` has over `reduced`; None where it cannot be had."""
    more = full.rank - reduced.rank
    if more <= 0 or full.df <= 0:
        return None
    if full.sse <= 0:
        return 0.0 if reduced.sse > 0 else None
    f = (reduced.sse - full.sse) / more / (full.sse / full.df)
    return float(stats.f.sf(max(f, 0.0), more, full.df))
