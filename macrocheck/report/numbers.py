"""How a number is written: as many digits as its uncertainty bears, in millimetres or inches.

Digits: U95 to two significant digits, the value to the same decimal place (JCGM 100:2008, 7.2.6).
"""

from dataclasses import dataclass
from decimal import ROUND_HALF_UP, ROUND_UP, Decimal
from typing import Literal

from macrocheck.results import Quantity
from macrocheck.units import MM_PER_INCH

LengthUnit = Literal["mm", "in"]

_MM_PER_INCH = Decimal(repr(MM_PER_INCH))

_FINEST = {"mm": 4, "in": 5, "mm²": 4, "in²": 6, "°": 2, "%": 2}
"""Most decimals ever shown; below them nothing in a photograph is real."""

_BARE = {"mm": 3, "in": 4, "mm²": 2, "in²": 4, "°": 1, "%": 1}
"""Decimals of a number that has no uncertainty (a setting, a limit)."""

LEAST_PERCENT = 0.001
"""Smallest relative U95 that is written as a number, percent: nothing in a photograph is as sure."""


@dataclass(frozen=True, slots=True)
class Written:
    """A quantity as text: `value` and `u95` without their unit, `unit` as printed ("" where there is none)."""

    value: str
    u95: str
    unit: str

    @property
    def full(self) -> str:
        """Return "5.02 ± 0.06 mm"."""
        spread = f" ± {self.u95}" if self.u95 else ""
        gap = "" if self.unit in {"", "°"} else " "
        return f"{self.value}{spread}{gap}{self.unit}".rstrip()


def shown_unit(unit: str, lengths: LengthUnit = "mm") -> str:
    """Return the unit as printed for a quantity's `unit` ("mm", "mm2", "deg", "1")."""
    return {"mm": lengths, "mm2": f"{lengths}²", "deg": "°", "1": "%"}.get(unit, unit)


def converted(value: float, unit: str, lengths: LengthUnit = "mm") -> Decimal:
    """Return `value`, given in `unit`, in the unit that `shown_unit` prints; shortest decimal that keeps it."""
    exact = Decimal(repr(float(value)))
    if unit == "1":
        return exact * 100
    if lengths == "in" and unit == "mm":
        return exact / _MM_PER_INCH
    if lengths == "in" and unit == "mm2":
        return exact / _MM_PER_INCH**2
    return exact


def spread_text(u95: Decimal, unit: str) -> tuple[str, int]:
    """Return U95 to two significant digits as text, and its decimal place (negative: tens, hundreds)."""
    finest = _FINEST.get(unit, 4)
    if u95 <= 0:
        return "", _BARE.get(unit, 3)
    places = 1 - u95.adjusted()
    rounded = _rounded(u95, places)
    if rounded.adjusted() > u95.adjusted():  # 0.0996 becomes 0.10, not 0.100
        places -= 1
        rounded = _rounded(rounded, places)
    if places > finest:
        # Never claim less than is there: what is finer than the last decimal shown rounds up to it.
        places = finest
        rounded = u95.quantize(Decimal(1).scaleb(-places), rounding=ROUND_UP)
    return _plain(rounded, places), places


def number_text(value: Decimal, places: int) -> str:
    """Return `value` rounded half up to `places` decimals (negative: tens, hundreds), never as minus zero."""
    text = _plain(_rounded(value, places), places)
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


def percent_u95(u_rel: float) -> str:
    """Return U95 as text, "0.35 %" or "under 0.001 %", from a relative standard uncertainty."""
    percent = 200 * u_rel
    if 0 < percent < LEAST_PERCENT:
        return f"under {LEAST_PERCENT:g} %"
    return f"{percent:{'.2g' if percent < 99.5 else '.0f'}} %"


def bare_text(value: float, unit: str, lengths: LengthUnit = "mm") -> str:
    """Return a number without uncertainty and its unit: a limit, a setting ("0.100 mm", "90.0°")."""
    shown = shown_unit(unit, lengths)
    text = number_text(converted(value, unit, lengths), _BARE.get(shown, 3))
    return f"{text}{'' if shown == '°' else ' '}{shown}"


def written(quantity: Quantity, lengths: LengthUnit = "mm") -> Written:
    """Write a quantity with the digits that its U95 bears; `value` is "" where it has none.

    Pairs are joined by " × " (two legs), spans written "0.00 to 0.42, 3.10 to 3.55"; no span at all is "none".
    """
    unit = shown_unit(quantity.unit, lengths)
    if quantity.value is None:
        return Written("", "", unit)
    spread = converted(quantity.U95, quantity.unit, lengths) if quantity.U95 is not None else Decimal(0)
    u95, places = spread_text(spread, unit)

    def one(number: float) -> str:
        return number_text(converted(number, quantity.unit, lengths), places)

    if not isinstance(quantity.value, tuple):
        return Written(one(quantity.value), u95, unit)
    if not quantity.value:
        return Written("none", "", "")
    parts = [f"{one(v[0])} to {one(v[1])}" if isinstance(v, tuple) else one(v) for v in quantity.value]
    spans = isinstance(quantity.value[0], tuple)
    return Written((", " if spans else " × ").join(parts), u95, unit)


def _rounded(value: Decimal, places: int) -> Decimal:
    return value.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_UP)


def _plain(value: Decimal, places: int) -> str:
    return f"{value:.{max(places, 0)}f}"
