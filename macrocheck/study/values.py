"""Values that every study shares: what was measured on which coupon, intervals, and what is lacking.

All of them are immutable; `plain` turns any of them into plain dicts, lists, strings, numbers and None.
"""

import math
from dataclasses import dataclass, fields, is_dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from macrocheck.results import VerdictWord

CONFIDENCE = 0.95
"""Confidence of every interval and bound, unless the user says otherwise."""

Lengths = Literal["mm", "in"]
"""Unit of the measured lengths (and areas) of a study; settings stay in the record's units."""

Side = Literal["at least", "at most"]
"""Which way a one-sided bound faces: a weld must reach it, or must not pass it."""


@dataclass(frozen=True, slots=True)
class Interval:
    """From `low` to `high`, None where that side is open or cannot be had."""

    low: float | None
    high: float | None
    confidence: float = CONFIDENCE

    def holds(self, value: float) -> bool:
        """Tell whether a value lies in it."""
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)


@dataclass(frozen=True, slots=True)
class SectionValue:
    """One quantity of one weld in one section, as it stands on the record.

    `u`, `U95`: its standard and expanded uncertainty, in the quantity's unit. `word`: the worst verdict of the
    limits on this quantity, None where there is none. `at_least`, `at_most`: those limits, in the quantity's unit,
    the tightest of each. `revision`: number of its revision on the record.
    """

    section: str
    weld: int
    value: float
    u: float | None = None
    U95: float | None = None
    word: "VerdictWord | None" = None
    at_least: float | None = None
    at_most: float | None = None
    revision: int | None = None


@dataclass(frozen=True, slots=True)
class CouponValue:
    """One quantity of one coupon: the mean of its sections (of a section, the mean of its welds).

    `u`: standard uncertainty of that mean from the measuring alone (sections independent); None where a section's
    is not known. `word`: the worst of its sections' verdicts on this quantity. `date`: when it was welded, as
    noted. `value` is the unit of every statistic: nothing counts two sections of one coupon as independent.
    """

    coupon: str
    value: float
    u: float | None
    sections: tuple[SectionValue, ...]
    word: "VerdictWord | None" = None
    date: str | None = None

    @property
    def section_count(self) -> int:
        """How many sections, not welds, it rests on."""
        return len({s.section for s in self.sections})


@dataclass(frozen=True, slots=True)
class Need:
    """What there is too little of: `have` coupons, `need` at the least, and a sentence that says for what."""

    what: str
    have: int
    need: int
    text: str

    @property
    def more(self) -> int:
        """How many more coupons are needed."""
        return max(self.need - self.have, 0)


def plain(value: object) -> object:
    """Return a value as plain dicts, lists, strings, numbers and None; a number that is none becomes None."""
    if is_dataclass(value) and not isinstance(value, type):
        made: dict[str, object] = {f.name: plain(getattr(value, f.name)) for f in fields(value)}
        if isinstance(value, Need):
            made["more"] = value.more
        return made
    if isinstance(value, tuple | list):
        return [plain(v) for v in value]
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, bool) or value is None or isinstance(value, str | int):
        return value
    number = float(value) if isinstance(value, float) else math.nan
    return number if math.isfinite(number) else None
