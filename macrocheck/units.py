"""Lengths and points as people write them, and lengths as people read them. Inside the package a length is a
plain float in millimetres."""

import math
import re
import unicodedata
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING, Any, Literal, NoReturn

from macrocheck.arrays import Point
from macrocheck.errors import InputError

if TYPE_CHECKING:
    from pint import UnitRegistry

LengthUnit = Literal["mm", "in"]

MM_PER_INCH = 25.4
"""Exact: international yard and pound agreement, 1959."""

LEAST_MM, MOST_MM = 1e-5, 10_000.0
"""10 nm (finer than light resolves) and 10 m (longer than any coupon): a length outside is a slip."""

_LONGEST_TEXT = 60
_MOST_EXPONENT = 30

# As people write it -> the units library's name.
_UNITS: dict[str, str] = {
    "mm": "millimeter", "millimeter": "millimeter", "millimeters": "millimeter",
    "millimetre": "millimeter", "millimetres": "millimeter",
    "cm": "centimeter", "centimeter": "centimeter", "centimetre": "centimeter",
    "m": "meter", "meter": "meter", "metre": "meter",
    "um": "micrometer", "μm": "micrometer", "micron": "micrometer", "microns": "micrometer",
    "in": "inch", "in.": "inch", "inch": "inch", "inches": "inch",
    '"': "inch", "″": "inch", "”": "inch", "''": "inch",
    "ft": "foot", "foot": "foot", "feet": "foot", "'": "foot", "′": "foot",
    "thou": "thou", "mil": "thou", "mils": "thou",
}  # fmt: skip

_GAUGE_UNITS = frozenset({"ga", "ga.", "gage", "gauge"})

GaugeKind = Literal["steel", "galvanised", "stainless"]

_GAUGE_WORDS: dict[str, GaugeKind] = {
    "": "steel", "steel": "steel",
    "galvanised": "galvanised", "galvanized": "galvanised", "galv": "galvanised",
    "stainless": "stainless", "ss": "stainless",
}  # fmt: skip

SHEET_GAUGE_IN: dict[GaugeKind, dict[int, str]] = {
    "steel": {
        7: ".1793", 8: ".1644", 9: ".1495", 10: ".1345", 11: ".1196", 12: ".1046", 13: ".0897", 14: ".0747",
        15: ".0673", 16: ".0598", 17: ".0538", 18: ".0478", 19: ".0418", 20: ".0359", 21: ".0329", 22: ".0299",
        23: ".0269", 24: ".0239", 25: ".0209", 26: ".0179", 27: ".0164", 28: ".0149", 29: ".0135", 30: ".0120",
    },
    "galvanised": {
        10: ".1382", 11: ".1233", 12: ".1084", 14: ".0785", 16: ".0635", 18: ".0516", 20: ".0396", 22: ".0336",
        24: ".0276",
    },
    "stainless": {
        10: ".1406", 11: ".1250", 12: ".1094", 14: ".0781", 16: ".0625", 18: ".0500", 20: ".0375",
    },
}  # fmt: skip
"""Sheet thickness in inches by gauge number. Steel: manufacturers' standard gauge, numbers 8-12 and the even ones
14-24 as printed at industrialequipmentspecs.com and cableorganizer.com, the others from memory (they agree with
the gauge's rule, weight per square foot over 41.82 lb per inch of thickness). Galvanised and stainless: the same
pages."""

_NUMBER = r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:e[+-]?\d+)?"
_LENGTH = re.compile(
    rf"""(?:(?P<whole>[+-]?\d+)[ -]+(?=\d+\s*/))?        # 1 3/16, 1-3/16
         (?:(?P<top>[+-]?\d+)\s*/\s*(?P<bottom>\d+) | (?P<number>{_NUMBER}))
         \s*(?P<unit>[^\d\s/.,+-][^\d/,+-]*)?$""",
    re.VERBOSE | re.IGNORECASE | re.ASCII,
)
_HOW = "write it like 4.8mm, 0.19in or 3/16in"


def parse_length(text: str, *, thickness: bool = False) -> float:
    """Return the length that `text` writes, in mm: `4.8mm`, `4,8 mm`, `0.5 cm`, `190 um`, `3/16in`, `1 3/16"`.

    With `thickness`, sheet gauges too: `14ga` (manufacturers' standard gauge for steel sheet), `14ga galvanised`,
    `14ga stainless`. Raises InputError for a bare number, an unknown unit and whatever is not a positive length
    from 10 nm to 10 m.
    """
    if len(text) > _LONGEST_TEXT:
        _refuse(text[:20] + "...", "is too long for a length", _HOW)
    plain = _plain(text)
    match = _LENGTH.match(plain)
    if match is None:
        _refuse(text, "is not a length", _HOW)
    unit = " ".join((match["unit"] or "").lower().split())
    if unit == "":
        _refuse(text, "has no unit", f"write {plain or '4.8'}mm or {plain or '4.8'}in")
    value = _value(match, text)
    word = unit.split(" ", 1)
    if word[0] in _GAUGE_UNITS:
        return _gauge_mm(value, word[1] if len(word) > 1 else "", text, thickness=thickness)
    if unit not in _UNITS:
        _refuse(text, f"has the unknown unit {unit!r}", "use mm, cm, um, in or a fraction of an inch like 3/16in")
    mm = _to_mm(value, _UNITS[unit])
    if not mm > 0:
        _refuse(text, "is not more than zero", "a length must be positive")
    if not LEAST_MM <= mm <= MOST_MM:
        _refuse(text, f"is {'more than 10 m' if mm > 1 else 'less than 10 nm'}", "check the number and its unit")
    return mm


def format_length(mm: float, unit: LengthUnit = "mm", u: float | None = None) -> str:
    """Write a length in mm as text in `unit`, no more digits than its standard uncertainty `u` (mm) carries.

    Two significant digits of `u` (JCGM 100, 7.2.6), at most 4 decimals in mm and 5 in inches; without `u`, 2 and 3.
    """
    factor = 1.0 if unit == "mm" else 1.0 / MM_PER_INCH
    decimals, most = (2, 4) if unit == "mm" else (3, 5)
    if u is not None and math.isfinite(u) and u > 0:
        decimals = min(max(1 - math.floor(math.log10(u * factor)), 0), most)
    written = f"{mm * factor:.{decimals}f}"
    if float(written) == 0:
        written = written.removeprefix("-")
    return f"{written} {unit}"


def parse_pixel_point(text: str) -> Point:
    """Return (x, y) px from `812,344` or `812.5,344.25`, which may lie outside the picture; raises InputError."""
    number = r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+))\s*"
    match = re.fullmatch(f"{number},{number}", text, re.ASCII) if len(text) <= _LONGEST_TEXT else None
    if match is None:
        _refuse(text[:_LONGEST_TEXT], "is not a point", "write x,y in pixels with decimal points, like 812,344.5")
    return float(match[1]), float(match[2])


def _refuse(text: str, fault: str, remedy: str) -> NoReturn:
    msg = f"{text!r} {fault}; {remedy}."
    raise InputError(msg)


def _plain(text: str) -> str:
    """Spell out typographic fractions, minus signs and the micro sign."""
    # A space first, or 1 1/2 written with a fraction character would become 11/2.
    spaced = "".join(f" {c}" if unicodedata.category(c) == "No" else c for c in text)
    # "″" would be taken apart into two primes; both spellings mean inches.
    return unicodedata.normalize("NFKC", spaced.replace("″", '"')).replace("⁄", "/").replace("−", "-").strip()


def _value(match: re.Match[str], text: str) -> Fraction:
    if match["number"] is not None:
        number = match["number"]
        if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", number):
            unit = match["unit"] or "mm"
            readings = (number.replace(",", replacement) + unit for replacement in (".", ""))
            _refuse(text, "may mean two things", f"write {' or '.join(readings)}")
        exponent = re.search(r"e([+-]?\d+)$", number, re.IGNORECASE)
        if exponent is not None and abs(int(exponent[1])) > _MOST_EXPONENT:
            _refuse(text, "is no sensible length", _HOW)
        return Fraction(number.replace(",", "."))
    if int(match["bottom"]) == 0:
        _refuse(text, "divides by zero", _HOW)
    part = Fraction(int(match["top"]), int(match["bottom"]))
    if match["whole"] is None:
        return part
    whole = int(match["whole"])
    return whole - part if match["whole"].startswith("-") else whole + part


def _gauge_mm(value: Fraction, kind_word: str, text: str, *, thickness: bool) -> float:
    if not thickness:
        _refuse(text, "is a sheet thickness, not a length", _HOW)
    kind = _GAUGE_WORDS.get(kind_word)
    if kind is None:
        _refuse(text, f"names the unknown sheet {kind_word!r}", "use ga, ga galvanised or ga stainless")
    table = SHEET_GAUGE_IN[kind]
    if value.denominator != 1 or int(value) not in table:
        numbers = ", ".join(str(n) for n in table)
        _refuse(text, f"is no {kind} sheet gauge known here ({numbers})", "write the thickness in mm or in")
    return _to_mm(Fraction(table[int(value)]), "inch")


def _to_mm(value: Fraction, unit: str) -> float:
    if unit == "millimeter":
        return float(value)  # the identity; spares the quarter second that the units library takes to start
    if unit == "inch":
        return float(value * Fraction(127, 5))  # 25.4 exactly, without that start either
    return float(_registry().Quantity(value, unit).to("millimeter").magnitude)


@cache
def _registry() -> "UnitRegistry[Any]":
    from pint import UnitRegistry

    # Fractions keep 3/16 in and 25.4 exact until the last step.
    return UnitRegistry(non_int_type=Fraction)
