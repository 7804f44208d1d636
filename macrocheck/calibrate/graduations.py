"""Which ticks of a rule are longer: the pattern that tells a rule from a thread, and millimetres from inches."""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from macrocheck.arrays import FloatArray, IntArray
from macrocheck.calibrate.profile import middle

PATTERNS: dict[str, tuple[tuple[int, ...], tuple[float, ...]]] = {
    # name: ((ticks from one longer one to the next, from the longest class down), (pitches in mm it may have))
    "fives and tens": ((10, 5), (1.0,)),
    "twos and tens": ((10, 2), (0.5,)),
    "halves of an inch down to 16ths": ((16, 8, 4, 2), (25.4 / 16, 25.4 / 32, 25.4 / 64)),
    "halves of an inch down to 32nds": ((32, 16, 8, 4, 2), (25.4 / 32, 25.4 / 64)),
    "halves of an inch down to 64ths": ((64, 32, 16, 8, 4, 2), (25.4 / 64,)),
}
"""Common practice, no source: a millimetre rule has longer ticks at 5 and 10 mm; a half-millimetre edge at 1 and 5
(or 10) mm; an inch edge at every halving."""

LEAST_LONGER = 0.35
"""How much longer, in pitches, the longest class of ticks must be than the shortest."""
LEAST_SURE = 100.0
"""Least ratio of explained to unexplained variance per degree of freedom: rendered rules give 145 and more, threads
and files 51 at most."""

CLEARLY = 1.8
"""How much surer the pattern of one unit must be than that of another to tell the unit by it."""
ODD_TICKS = 12
"""One tick in so many may be of a wrong length, where there are twice as many."""
LEAST_FREEDOM = 8
"""Fewest ticks more than there are lengths of tick, where three to a length less one are more: 10 mm have 11."""
FEW_TICKS, FEW_SURE = 15, 400.0
"""From so many ticks on one may be of a wrong length if the pattern of the others is so much surer than chance:
rows of letters have 12 strokes."""
MOST_PHASES = 6
"""Places of the longest tick that are looked at closely."""
STEP = 0.2
"""How much longer, in pitches, each class of ticks must be than the next shorter, but two that may be as short."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """The pattern found: name in `PATTERNS`, how much better than chance (F ratio), place of a longest tick,
    on which side the ticks grow, how much better than chance the best pattern of another unit is; `others`: names
    of patterns that are nearly as sure."""

    name: str
    sure: float
    phase: int
    side: int = 0
    rival: float = 0.0
    others: tuple[str, ...] = ()

    @property
    def inch(self) -> bool:
        """Whether it is an inch edge's."""
        return 16 in PATTERNS[self.name][0]


def best_pattern(k: IntArray, reach: FloatArray) -> Pattern | None:
    """Find the pattern in the reach (n, 2), pitches to either side, of ticks numbered k (n,); None without one.

    A reach that is not known, since the tick runs out of the picture, is NaN.
    """
    found: list[Pattern] = []
    for side in range(2):
        seen = np.isfinite(reach[:, side])
        length = np.clip(reach[seen, side], 0, 9.0)
        if len(length) < LEAST_FREEDOM or float(np.ptp(length)) < LEAST_LONGER:
            continue
        # a glare or a cover gives some ticks a wild reach: ranks would lose the steps, so they are clipped instead
        low, high = np.percentile(length, [2, 98])
        y = np.clip(length, low, high)
        for name, (steps, _) in PATTERNS.items():
            fitted = _fit(k[seen], y, steps)
            if fitted is not None:
                found.append(Pattern(name, *fitted, side))
    if not found:
        return None
    best = max(found, key=lambda p: p.sure)
    unlike = [p.sure for p in found if p.name != best.name and not (p.inch and best.inch)]
    others = {p.name for p in found if CLEARLY * p.sure > best.sure}
    return replace(best, rival=max(unlike, default=0.0), others=tuple(sorted(others - {best.name})))


def pattern_fits(pattern: Pattern, pitch_mm: float) -> bool:
    """Whether a rule of this pitch has that pattern or one nearly as sure; a pitch not in the table, any."""
    known = {p for _, pitches in PATTERNS.values() for p in pitches}
    if not any(abs(pitch_mm / p - 1) < 0.002 for p in known):
        return True
    names = (pattern.name, *pattern.others)
    return any(abs(pitch_mm / p - 1) < 0.002 for name in names for p in PATTERNS[name][1])


def pitch_told(pattern: Pattern, k: IntArray, reach: FloatArray) -> float | None:
    """Pitch in mm that a rule's long ticks tell, (n,) numbers and (n, 2) reach in pitches; None where they do not.

    Fives and tens are taken for millimetres, twos and tens for half millimetres. An inch edge is halved all the
    way: its whole inches are the longest ticks, every 16th, 32nd or 64th. Where too few of every 16th are seen to
    say that those of one kind are alike, the pitch stays open.
    """
    if pattern.sure < CLEARLY * pattern.rival:
        return None
    if not pattern.inch:
        return PATTERNS[pattern.name][1][0]
    seen = np.isfinite(reach[:, pattern.side])
    k, length = k[seen], np.clip(reach[seen, pattern.side], 0, 9.0)
    longest = (k - pattern.phase) % 16 == 0
    numbers, tall = (k[longest] - pattern.phase) // 16, length[longest]

    def alike(values: FloatArray, least: int) -> bool:
        return len(values) >= least and float(np.ptp(values)) < LEAST_LONGER

    if alike(tall, 3):
        return 25.4 / 16
    for r in range(2):
        every_other, others = tall[numbers % 2 == r], tall[numbers % 2 != r]
        if alike(every_other, 2) and len(others) and every_other.min() - others.max() > LEAST_LONGER:
            return 25.4 / 32
    for r in range(4):
        top, others = tall[numbers % 4 == r], tall[numbers % 4 != r]
        if len(top) and len(others) >= 3 and top.min() - others.max() > LEAST_LONGER:
            return 25.4 / 64
    return None


@cache
def _ranks(steps: tuple[int, ...]) -> IntArray:
    """Which length of tick each is, 0 the shortest: (place of a longest tick, place) within the widest step."""
    n = steps[0]
    off = np.arange(n)[None, :] - np.arange(n)[:, None]
    rank = np.zeros((n, n), dtype=np.intp)
    for level, step in enumerate(reversed(steps), start=1):
        rank[off % step == 0] = level
    return rank


def _likely(place: IntArray, y: FloatArray, steps: tuple[int, ...]) -> list[int]:
    """The phases whose classes' means explain most, best first."""
    n = steps[0]
    count, total = np.bincount(place, minlength=n), np.bincount(place, weights=y, minlength=n)
    rank = _ranks(steps)
    said = np.zeros(n)
    for level in range(len(steps) + 1):
        here = rank == level
        said += (here @ total) ** 2 / np.maximum(here @ count, 1)
    return [int(i) for i in np.argsort(-said, kind="stable")[:MOST_PHASES]]


def _cut_short(lengths: FloatArray, shortest: float) -> bool:
    """Whether of two ticks that should be alike glare or a cover cuts one short, but longer than the shortest.

    `lengths`: in rising order, pitches.
    """
    return len(lengths) == 2 and lengths[1] - lengths[0] > LEAST_LONGER and lengths[0] > shortest + LEAST_LONGER


def _fit(k: IntArray, y: FloatArray, steps: tuple[int, ...]) -> tuple[float, int] | None:
    """F ratio and phase of one pattern; None where its classes do not grow or it explains too little."""
    best: tuple[float, int] | None = None
    n = len(k)
    place = k % steps[0]
    rising = np.argsort(y, kind="stable")
    y_rising = y[rising]
    for phase in _likely(place, y, steps):
        rank = _ranks(steps)[phase, place]
        levels = np.flatnonzero(np.bincount(rank))
        if len(levels) < 2 or levels[0] != 0 or np.count_nonzero(rank > 0) < 2:
            continue
        rank_rising = rank[rising]
        in_class = [y_rising[rank_rising == level] for level in levels]
        means = np.array([middle(one) for one in in_class])
        cut = [_cut_short(one, means[0]) for one in in_class[1:]] if FEW_TICKS <= n < 2 * ODD_TICKS else []
        if cut.count(True) == 1:
            which = 1 + cut.index(True)
            means[which] = in_class[which][-1]
        if means[-1] - means[0] < LEAST_LONGER or np.any(np.diff(means) < -0.3):
            continue
        # a thread followed at half its pitch has every second stroke longer, and none longer still
        steps_up = len(means) - 1 if steps[1:] == (2,) else max(2 if 2 in steps else 1, len(means) - 3)
        if np.count_nonzero(np.diff(means) > STEP) < steps_up:
            continue
        longer = levels[means - means[0] > LEAST_LONGER]
        miss = (y - means[np.searchsorted(levels, rank)]) ** 2
        # a few ticks run into a figure, a scratch or the weld behind them
        order = np.argsort(miss, kind="stable")
        enough = min(3 * len(levels) - 1, LEAST_FREEDOM)
        few = n < 2 * ODD_TICKS
        for odd in ((0, 1) if n >= FEW_TICKS else (0,)) if few else (n // ODD_TICKS,):
            keep = order[: n - odd]
            freedom = len(keep) - len(levels)
            # one long stroke makes no pattern: a letter may run into something
            if freedom < enough or np.count_nonzero(np.isin(rank[keep], longer)) < 2:
                continue
            left = float(np.sum(miss[keep])) + 1e-3 * len(keep)
            total = float(np.sum((y[keep] - y[keep].mean()) ** 2))
            sure = (total - left) / (len(levels) - 1) / (left / freedom)
            if sure > (FEW_SURE if few and odd else LEAST_SURE):
                if best is None or sure > best[0]:
                    best = (sure, phase)
                break
    return best
