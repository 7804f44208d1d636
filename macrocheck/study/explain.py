"""Which of several settings explain what: partial R2 in one linear model of all of them. Pure."""

from collections.abc import Sequence

import numpy as np
from scipy import stats

from macrocheck.arrays import FloatArray
from macrocheck.study.fits import Case
from macrocheck.study.least_squares import Line, f_test, fit_line
from macrocheck.study.relation import Explained
from macrocheck.study.values import Interval
from macrocheck.study.words import listed, percent, unit_text

TIED = 5.0
"""A variance inflation over this says that a setting moved together with others. Common practice, no source."""


def explained_by(
    cases: Sequence[Case], settings: Sequence[tuple[str, str]], y_unit: str, confidence: float
) -> tuple[tuple[Explained, ...], float | None]:
    """Return what each setting explains of what the others leave, and R2 of all; nothing from too few coupons."""
    y = np.array([c.coupon.value for c in cases])
    columns = {name: _columns(cases, name) for name, _ in settings}
    full = fit_line(_design(columns, [n for n, _ in settings]), y)
    total = float(((y - y.mean()) ** 2).sum())
    if full.df < 1 or total <= 0:
        return (), None
    found = tuple(
        _one(name, unit, columns, [n for n, _ in settings], y, full, y_unit, confidence) for name, unit in settings
    )
    return found, 1 - full.sse / total


def _columns(cases: Sequence[Case], name: str) -> FloatArray:
    if name in cases[0].numbers:
        values = np.array([[c.numbers[name]] for c in cases])
        return np.asarray(values - values.mean())
    words = sorted({c.words[name] for c in cases})
    return np.array([[1.0 if c.words[name] == w else 0.0 for w in words[1:]] for c in cases]).reshape(
        len(cases), -1
    )


def _design(columns: dict[str, FloatArray], names: Sequence[str]) -> FloatArray:
    count = len(next(iter(columns.values())))
    return np.hstack([np.ones((count, 1)), *(columns[n] for n in names)])


def _one(
    name: str, unit: str, columns: dict[str, FloatArray], names: Sequence[str], y: FloatArray, full: Line,
    y_unit: str, confidence: float,
) -> Explained:  # fmt: skip
    others = [n for n in names if n != name]
    reduced = fit_line(_design(columns, others), y)
    alone = fit_line(_design(columns, [name]), y)
    total = float(((y - y.mean()) ** 2).sum())
    own = columns[name]
    df = full.rank - reduced.rank
    tied = _tied(name, columns, others)
    alone_r2 = 1 - alone.sse / total
    constant = own.shape[1] == 0 or float(np.ptp(own, axis=0).max()) == 0
    if df < own.shape[1] or constant:
        why = "never changes" if constant else f"always moves together with {listed(tied or others)}"
        text = f"{name} {why}: what it does cannot be told."
        return Explained(name, unit, df, None, None, alone_r2, None, None, tied, text)
    partial = (reduced.sse - full.sse) / reduced.sse if reduced.sse > 0 else 0.0
    p = f_test(full, reduced)
    slope, interval, way = None, None, ""
    if own.shape[1] == 1 and not _is_dummy(own):
        place = 1 + sum(columns[n].shape[1] for n in names[: names.index(name)])
        slope, error = float(full.beta[place]), float(full.standard_errors()[place])
        half = float(stats.t.ppf(0.5 + confidence / 2, full.df)) * error
        interval = Interval(slope - half, slope + half, confidence)
        per = f" per {unit}" if unit else ""
        way = f", {slope:+.3g} {unit_text(y_unit)}{per} with the others held"
    chance = "" if p is None else f" (p = {p:.2g})" if p >= 0.001 else " (p < 0.001)"
    text = f"{name} explains {percent(partial)} of what the others leave{chance}{way}"
    if tied:
        text += f"; it moved together with {listed(tied)}, so the two can hardly be told apart"
    return Explained(name, unit, df, partial, p, alone_r2, slope, interval, tied, text + ".")


def _is_dummy(own: FloatArray) -> bool:
    return set(np.unique(own)) <= {0.0, 1.0}


def _tied(name: str, columns: dict[str, FloatArray], others: Sequence[str]) -> tuple[str, ...]:
    own = columns[name]
    if own.shape[1] == 0 or not others:
        return ()
    if _r2(own, _design(columns, others)) <= 1 - 1 / TIED:
        return ()
    shares = [(_r2(own, _design(columns, [n])), n) for n in others]
    close = [n for r2, n in sorted(shares, reverse=True) if r2 > 0.5]
    return tuple(close or others)


def _r2(own: FloatArray, design: FloatArray) -> float:
    found = 0.0
    for column in own.T:
        total = float(((column - column.mean()) ** 2).sum())
        if total > 0:
            found = max(found, 1 - fit_line(design, column).sse / total)
    return found
