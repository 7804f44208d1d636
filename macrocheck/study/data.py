"""What a study reads off a record: coupons with their settings, and what was measured on their sections."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from macrocheck.errors import InputError
from macrocheck.quantities import BY_KEY
from macrocheck.results import VerdictWord
from macrocheck.study.values import CouponValue, Lengths, SectionValue, Side
from macrocheck.units import MM_PER_INCH

BALANCE: dict[str, tuple[str, str]] = {
    "fill_area_ratio": ("Fill area, measured over expected", "1"),
    "implied_travel_speed": ("Implied travel speed", "mm/min"),
}
"""Quantities of the metal balance: key -> name, unit."""

SEVERITY: tuple[VerdictWord, ...] = ("accept", "undecided", "reject")

_LESS_IS_BETTER = (
    "leg_difference", "convexity", "concavity", "root_shortfall", "unfused_", "undercut", "overlap", "root_gap",
    "void_area_fraction", "largest_void", "haz_width", "reinforcement_height",
)  # fmt: skip
"""Beginnings of the quantities of which more is worse; of all others less is. Common practice, no source. A limit
says it better where there is one."""


@dataclass(frozen=True, slots=True)
class NotedSetting:
    """A setting as it stands on the record: text, and where it is a number its value and `u` in `unit`."""

    text: str
    value: float | None
    u: float | None
    unit: str


@dataclass(frozen=True, slots=True)
class Measure:
    """One quantity of one weld: its value (None where it has none), uncertainty, worst verdict and limits."""

    value: float | None
    u: float | None
    U95: float | None
    word: VerdictWord | None = None
    at_least: float | None = None
    at_most: float | None = None


@dataclass(frozen=True, slots=True)
class Section:
    """A section as it stands: its grade, the limits' name, why it was not measured, and quantity by (weld, key)."""

    section: str
    grade: VerdictWord | None
    limits: str | None
    failure: str | None
    photo: str | None
    revision: int
    measures: Mapping[tuple[int, str], Measure] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Coupon:
    """A coupon as it stands: settings by name, sections in the order they were recorded."""

    coupon: str
    run: str | None
    settings: Mapping[str, NotedSetting]
    sections: tuple[Section, ...]

    @property
    def date(self) -> str | None:
        """When it was welded, as noted."""
        noted = self.settings.get("date")
        return None if noted is None else noted.text


def name_and_unit(quantity: str, lengths: Lengths = "mm") -> tuple[str, str]:
    """Return a quantity's name and its unit where lengths are in `lengths` ("in2" for areas).

    Raises InputError where it is a list, or nothing that is measured.
    """
    if quantity in BALANCE:
        return BALANCE[quantity]
    kind = BY_KEY.get(quantity)
    if kind is None:
        msg = f"'{quantity}' is not a quantity that is measured."
        raise InputError(msg)
    if kind.is_list:
        msg = f"{quantity} is a list of numbers; name a quantity that is one number."
        raise InputError(msg)
    return kind.name, kind.unit.replace("mm", lengths)


def in_lengths(coupons: Sequence[Coupon], lengths: Lengths) -> tuple[Coupon, ...]:
    """Return the coupons with measured lengths and areas in `lengths` instead of mm."""
    if lengths == "mm":
        return tuple(coupons)
    return tuple(replace(c, sections=tuple(_converted(s) for s in c.sections)) for c in coupons)


def per_mm(quantity: str, lengths: Lengths) -> float:
    """Return what a value in mm (or mm2) is multiplied by to be in `lengths`; 1 for all other quantities."""
    unit = BY_KEY[quantity].unit if quantity in BY_KEY and lengths == "in" else ""
    return {"mm": 1 / MM_PER_INCH, "mm2": 1 / MM_PER_INCH**2}.get(unit, 1.0)


def _converted(section: Section) -> Section:
    made = {}
    for (weld, key), m in section.measures.items():
        factor = per_mm(key, "in")
        value, u, u95, low, high = (
            None if v is None else v * factor for v in (m.value, m.u, m.U95, m.at_least, m.at_most)
        )
        made[weld, key] = Measure(value, u, u95, m.word, low, high)
    return replace(section, measures=made)


def worse_side(quantity: str) -> Side:
    """Return which bound matters: "at least" where less of the quantity is worse."""
    return "at most" if quantity.startswith(_LESS_IS_BETTER) else "at least"


def worst_word(words: "tuple[VerdictWord | None, ...]") -> VerdictWord | None:
    """Return the worst of some verdicts; None where there are none."""
    said = [w for w in words if w is not None]
    return max(said, key=SEVERITY.index) if said else None


def grade_of(coupon: Coupon) -> VerdictWord | None:
    """Return a coupon's grade, the worst of its sections'; a section that failed beside them is undecided."""
    grades = [s.grade for s in coupon.sections if s.failure is None]
    if any(g is not None for g in grades):
        grades += ["undecided" for s in coupon.sections if s.failure is not None]
    return worst_word(tuple(grades))


def coupon_value(coupon: Coupon, quantity: str) -> tuple[CouponValue | None, int]:
    """Return a coupon's value of a quantity, and how many of its sections have none.

    The value is the mean of its sections, a section's that of its welds, so that a coupon sawn more often or welded
    on both sides weighs no more than another.
    """
    kept: list[SectionValue] = []
    means: list[float] = []
    squares: list[float | None] = []
    missing = 0
    for section in coupon.sections:
        found = [
            (weld, m)
            for (weld, key), m in sorted(section.measures.items())
            if key == quantity and m.value is not None
        ]
        if not found:
            missing += 1
            continue
        values = [
            SectionValue(
                section.section, weld, m.value, m.u, m.U95, m.word, m.at_least, m.at_most, section.revision
            )
            for weld, m in found
            if m.value is not None
        ]
        kept += values
        means.append(sum(v.value for v in values) / len(values))
        us = [v.u for v in values if v.u is not None]
        squares.append(sum(u**2 for u in us) / len(values) ** 2 if len(us) == len(values) else None)
    if not means:
        return None, missing
    known = [q for q in squares if q is not None]
    u = (sum(known) ** 0.5 / len(means)) if len(known) == len(means) else None
    word = worst_word(tuple(v.word for v in kept))
    return CouponValue(coupon.coupon, sum(means) / len(means), u, tuple(kept), word, coupon.date), missing


def section_means(coupon: CouponValue) -> list[float]:
    """Return the mean of each section's welds."""
    by_section: dict[str, list[float]] = {}
    for s in coupon.sections:
        by_section.setdefault(s.section, []).append(s.value)
    return [sum(v) / len(v) for v in by_section.values()]
