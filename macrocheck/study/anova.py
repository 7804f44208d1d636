"""Gauge studies whose readings are balanced, by analysis of variance; formulas in docs/study.md."""

from dataclasses import dataclass

import numpy as np
from scipy import stats

from macrocheck.arrays import FloatArray
from macrocheck.study.gauge import AnovaRow

POOL_P = 0.25
"""A person-by-section line with a p over this is added to the repeats (MSA manual, from memory)."""


@dataclass(frozen=True, slots=True)
class Table:
    """Lines of the table and the variances of parts, people, people by part (0 where pooled) and repeats.

    `alone`: the repeats' mean square before anything was pooled with it, with `df_alone`; the same where nothing
    was. Whether to pool is decided on the readings, so an interval from the pooled line would hold too rarely.
    """

    rows: tuple[AnovaRow, ...]
    parts: float
    people: float
    both: float
    repeats: float
    df_repeats: int
    pooled: bool
    alone: float
    df_alone: int


def crossed(readings: FloatArray) -> Table:
    """Return the analysis of readings (parts, people, trials): everybody measures every part, all equally often.

    With one trial, repeats and people by part are one line.
    """
    a, b, r = readings.shape
    grand = readings.mean()
    cells, parts, people = readings.mean(axis=2), readings.mean(axis=(1, 2)), readings.mean(axis=(0, 2))
    ss_parts = b * r * float(((parts - grand) ** 2).sum())
    ss_people = a * r * float(((people - grand) ** 2).sum())
    inner = cells - parts[:, None] - people[None, :] + grand
    ss_both, ss_repeats = r * float((inner**2).sum()), float(((readings - cells[:, :, None]) ** 2).sum())
    df_parts, df_people, df_both, df_repeats = a - 1, b - 1, (a - 1) * (b - 1), a * b * (r - 1)
    p_both = None
    if r > 1:
        f_both, p_both = _f(ss_both / df_both, ss_repeats / df_repeats, df_both, df_repeats)
    pooled = r == 1 or (p_both is not None and p_both > POOL_P)
    error = (ss_both + ss_repeats) / (df_both + df_repeats) if pooled else ss_repeats / df_repeats
    df_error = df_both + df_repeats if pooled else df_repeats
    against, df_against = (error, df_error) if pooled else (ss_both / df_both, df_both)
    rows = [
        _row("parts", df_parts, ss_parts, against, df_against),
        _row("people", df_people, ss_people, against, df_against),
    ]
    if r > 1:
        rows.append(AnovaRow("people by part", df_both, ss_both, ss_both / df_both, f_both, p_both))
        rows.append(AnovaRow("repeats", df_repeats, ss_repeats, ss_repeats / df_repeats, None, None))
    if pooled:
        ss = ss_both + ss_repeats
        name = "repeats and people by part" if r > 1 else "people by part and repeats"
        rows.append(AnovaRow(name, df_error, ss, error, None, None))
    return Table(
        rows=tuple(rows),
        parts=max(0.0, (ss_parts / df_parts - against) / (b * r)),
        people=max(0.0, (ss_people / df_people - against) / (a * r)),
        both=0.0 if pooled else max(0.0, (ss_both / df_both - error) / r),
        repeats=error,
        df_repeats=df_error,
        pooled=pooled and r > 1,
        alone=ss_repeats / df_repeats if r > 1 else error,
        df_alone=df_repeats if r > 1 else df_error,
    )


def one_way(readings: FloatArray) -> Table:
    """Return the analysis of readings (parts, trials) by one person."""
    a, r = readings.shape
    means = readings.mean(axis=1)
    ss_parts = r * float(((means - means.mean()) ** 2).sum())
    ss_repeats = float(((readings - means[:, None]) ** 2).sum())
    df_parts, df_repeats = a - 1, a * (r - 1)
    error = ss_repeats / df_repeats
    rows = (
        _row("parts", df_parts, ss_parts, error, df_repeats),
        AnovaRow("repeats", df_repeats, ss_repeats, error, None, None),
    )
    return Table(
        rows, max(0.0, (ss_parts / df_parts - error) / r), 0.0, 0.0, error, df_repeats, False, error, df_repeats
    )


def _row(name: str, df: int, ss: float, against: float, df_against: int) -> AnovaRow:
    f, p = _f(ss / df, against, df, df_against)
    return AnovaRow(name, df, ss, ss / df, f, p)


def _f(square: float, against: float, df: int, df_against: int) -> tuple[float | None, float | None]:
    if against <= 0:
        return None, None
    f = square / against
    return f, float(np.asarray(stats.f.sf(f, df, df_against)))
