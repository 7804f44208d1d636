"""Which ticks of a rule are longer: the pattern that tells a rule from a thread, and millimetres from inches."""

from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import FloatArray, IntArray

PATTERNS: dict[str, tuple[tuple[int, ...], tuple[float, ...]]] = {
    # name: ((ticks from one longer one to the next, from the longest class down), (pitches in mm it may have))
    "fives and tens": ((10, 5), (1.0,)),
    "twos and tens": ((10, 2), (0.5,)),
    "eighths": ((16, 8, 4, 2), (25.4 / 16, 25.4 / 32, 25.4 / 64)),
}
"""Common practice, no source: a millimetre rule has longer ticks at 5 and 10 mm; a half-millimetre edge at 1 and 5
(or 10) mm; an inch edge at every halving."""

LEAST_LONGER = 0.35
"""How much longer, in pitches, the longest class of ticks must be than the shortest."""
LEAST_SURE = 100.0
"""Least ratio of explained to unexplained variance per degree of freedom: rendered rules give 145 and more, threads
and files 51 at most."""

ODD_TICKS = 12
"""One tick in so many may be of a wrong length."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """The pattern found: name in `PATTERNS`, how much better than chance (F ratio), place of a longest tick."""

    name: str
    sure: float
    phase: int


def best_pattern(k: IntArray, reach: FloatArray) -> Pattern | None:
    """Find the pattern in the reach (n, 2), pitches to either side, of ticks numbered k (n,); None without one."""
    best: Pattern | None = None
    for side in range(2):
        length = np.clip(reach[:, side], 0, 9.0)
        if float(np.ptp(length)) < LEAST_LONGER:
            continue
        for name, (steps, _) in PATTERNS.items():
            found = _fit(k, length, steps)
            if found is not None and (best is None or found[0] > best.sure):
                best = Pattern(name, *found)
    return best


def pattern_fits(pattern: Pattern, pitch_mm: float) -> bool:
    """Whether a rule of this pitch has that pattern; any will do for a pitch that is not in the table."""
    known = {p for _, pitches in PATTERNS.values() for p in pitches}
    if not any(abs(pitch_mm / p - 1) < 0.002 for p in known):
        return True
    return any(abs(pitch_mm / p - 1) < 0.002 for p in PATTERNS[pattern.name][1])


def _fit(k: IntArray, length: FloatArray, steps: tuple[int, ...]) -> tuple[float, int] | None:
    """F ratio and phase of one pattern; None where its classes do not grow or it explains too little."""
    best: tuple[float, int] | None = None
    n = len(k)
    # a glare or a cover gives some ticks a wild reach: ranks would lose the steps, so they are clipped instead
    low, high = np.percentile(length, [2, 98])
    y = np.clip(length, low, high)
    for phase in range(steps[0]):
        rank = np.zeros(n, dtype=np.intp)
        for level, step in enumerate(reversed(steps), start=1):
            rank[(k - phase) % step == 0] = level
        levels = np.unique(rank)
        if len(levels) < 2 or levels[0] != 0 or np.count_nonzero(rank > 0) < 2:
            continue
        means = np.array([float(np.median(y[rank == level])) for level in levels])
        if means[-1] - means[0] < LEAST_LONGER or np.any(np.diff(means) < -0.3):
            continue
        miss = (y - means[np.searchsorted(levels, rank)]) ** 2
        # a few ticks run into a figure, a scratch or the weld behind them
        keep = np.argsort(miss, kind="stable")[: n - n // ODD_TICKS]
        freedom = len(keep) - len(levels)
        if freedom < 3 or np.count_nonzero(rank[keep] == levels[-1]) < 2:
            continue
        left = float(np.sum(miss[keep])) + 1e-3 * len(keep)
        total = float(np.sum((y[keep] - y[keep].mean()) ** 2))
        sure = (total - left) / (len(levels) - 1) / (left / freedom)
        if sure > LEAST_SURE and (best is None or sure > best[0]):
            best = (sure, phase)
    return best
