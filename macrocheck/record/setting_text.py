"""Settings as people write them: numbers with units, ranges from a meter, several readings of length over time."""

import math
import re
from collections.abc import Sequence
from typing import NoReturn

from macrocheck.errors import InputError
from macrocheck.record.settings import Setting, SettingKind
from macrocheck.units import MM_PER_INCH, parse_length

_INCH_M = MM_PER_INCH / 1000.0

UNITS: dict[str, dict[str, float]] = {
    "speed": {  # to m/min
        "m/min": 1.0, "m/s": 60.0, "m/h": 1 / 60, "cm/min": 0.01, "cm/s": 0.6, "mm/min": 0.001, "mm/s": 0.06,
        "in/min": _INCH_M, "ipm": _INCH_M, "in/s": 60 * _INCH_M, "ips": 60 * _INCH_M, "ft/min": 12 * _INCH_M,
    },
    "volts": {"v": 1.0, "volt": 1.0, "volts": 1.0, "vdc": 1.0},
    "amps": {"a": 1.0, "amp": 1.0, "amps": 1.0, "ampere": 1.0, "amperes": 1.0},
    # cubic foot = 28.316846592 L exactly (12 inches of 25.4 mm)
    "flow": {"l/min": 1.0, "lpm": 1.0, "l/h": 1 / 60, "cfh": 28.316846592 / 60, "scfh": 28.316846592 / 60,
             "ft3/h": 28.316846592 / 60, "cfm": 28.316846592},
    "ratio": {"%": 0.01, "percent": 0.01, "": 1.0},
    # pound = 453.59237 g exactly
    "density": {"g/cm3": 1.0, "g/cc": 1.0, "kg/dm3": 1.0, "kg/m3": 0.001,
                "lb/in3": 453.59237 / (MM_PER_INCH / 10) ** 3},
    "angle": {"deg": 1.0, "°": 1.0, "degree": 1.0, "degrees": 1.0},
    "count": {"": 1.0},
}  # fmt: skip
"""Unit as written (lower case, cubes as 3) -> factor to the unit of the measure (speed: m/min)."""

_TIME_S = {"s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0, "min": 60.0, "minutes": 60.0}
_KEPT_IN = {"m/min": 1.0, "mm/min": 1000.0}

_NUMBER = r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?"
_UNIT = r"[^\d\s.,+-]\S*(?: \S+)*?"
_SINGLE = re.compile(rf"(?P<low>{_NUMBER})\s*(?P<unit>{_UNIT})?$")
_RANGE = re.compile(
    rf"(?P<low>{_NUMBER})\s*(?P<first>{_UNIT})?\s*(?:-|–|—|\.\.+|…|\bto\b)\s*(?P<high>{_NUMBER})\s*(?P<unit>{_UNIT})?$"
)
_LONGEST = 2000
_MOST = {"volts": 200.0, "amps": 3000.0, "speed": 200.0, "flow": 500.0, "ratio": 1.5, "density": 25.0,
         "angle": 360.0, "count": 1000.0}  # fmt: skip
"""A number beyond is a slip (speed in m/min)."""


def read_setting(kind: SettingKind, written: str, unit: str | None = None) -> Setting:
    """Return the setting that `written` says; `unit` is what a number without one is in (a column's heading).

    A range gives its middle with u = half width / sqrt(3) (rectangular, JCGM 100:2008, 4.3.7); several readings,
    parted by ";", their mean with u = s / sqrt(n) (4.2.3), least and most kept. A speed may be written as length
    over time. Raises InputError, one sentence, where it cannot be read.
    """
    text = " ".join(written.split())
    if len(text) > _LONGEST:
        _refuse(kind, text[:30] + "...", f"is longer than {_LONGEST} characters; shorten it")
    if kind.measure == "text":
        number = _plain_number(text) if unit else None
        return Setting(kind.name, text, number, unit=unit if number is not None and unit else "")
    parts = [part.strip() for part in text.split(";") if part.strip()]
    if not parts:
        _refuse(kind, text, "says nothing; leave it empty or write a number")
    spans = [_span(kind, part, unit if unit is not None else kind.usual) for part in parts]
    value, low, high, u = _summed_up(spans)
    return Setting(kind.name, text, value, low, high, u, kind.unit)


def _summed_up(
    spans: Sequence[tuple[float, float]],
) -> tuple[float, float | None, float | None, float | None]:
    low, high = min(a for a, _ in spans), max(b for _, b in spans)
    middles = [(a + b) / 2 for a, b in spans]
    value = math.fsum(middles) / len(middles)
    if low == high and len(spans) == 1:
        return value, None, None, None
    within = math.sqrt(math.fsum(((b - a) / 2) ** 2 / 3 for a, b in spans)) / len(spans)
    if len(spans) == 1:
        return value, low, high, within
    spread = math.sqrt(math.fsum((m - value) ** 2 for m in middles) / (len(middles) - 1) / len(middles))
    return value, low, high, math.hypot(spread, within)


def _span(kind: SettingKind, text: str, unit: str | None) -> tuple[float, float]:
    if kind.measure in {"length", "thickness"}:
        return _length_span(kind, text, unit)
    if kind.measure == "speed":
        over = re.fullmatch(rf"(?P<length>.+?)\s*(?:/|in|over)\s*(?P<time>{_NUMBER})\s*(?P<unit>[a-z]+)\.?", text)
        if over is not None:
            v = _length_over_time(kind, text, over) * _KEPT_IN[kind.unit]
            return v, v
    span = _RANGE.match(text)
    match = span or _SINGLE.match(text)
    if match is None:
        _refuse(kind, text, f"is not a number; write it like {_example(kind)}")
    first = unit_name(span["first"]) if span else None
    said = unit_name(match["unit"]) or first or unit_name(unit)
    table = UNITS[kind.measure]
    if said is None or said not in table or (first is not None and first not in table):
        known = ", ".join(u for u in table if u)
        what = f"has the unknown unit '{said}'" if said else "has no unit"
        _refuse(kind, text, f"{what}; use {known}" if known else f"{what}; write a plain number")
    low = _number(kind, match["low"]) * table[first or said]
    high = _number(kind, span["high"]) * table[said] if span else low
    return _checked(kind, text, low, high)


def _checked(kind: SettingKind, text: str, low: float, high: float) -> tuple[float, float]:
    if high < low:
        _refuse(kind, text, "ends before it begins; write the smaller number first")
    least = 0.0 if kind.measure != "angle" else -360.0
    if low < least or (low <= 0 and kind.measure != "angle"):
        _refuse(kind, text, "is not more than zero")
    if high > _MOST[kind.measure]:
        hint = "; write a percentage with %" if kind.measure == "ratio" else "; check the number and its unit"
        _refuse(kind, text, f"is more than can be meant{hint}")
    if kind.measure == "count" and not (low.is_integer() and high.is_integer()):
        _refuse(kind, text, "is not a whole number")
    scale = _KEPT_IN[kind.unit] if kind.measure == "speed" else 1.0
    return low * scale, high * scale


def _length_span(kind: SettingKind, text: str, unit: str | None) -> tuple[float, float]:
    thickness = kind.measure == "thickness"
    try:
        mm = _length(text, unit, thickness=thickness)
    except InputError as error:
        ends = re.fullmatch(r"(.+?)\s*(?:-|–|—|\.\.+|…|\bto\b)\s*(.+)", text)
        if ends is None:
            msg = f"{kind.name}: {error}"
            raise InputError(msg) from None
        try:
            high = _length(ends[2], unit, thickness=thickness)
            tail = re.search(r"[^\d\s.,/-]+$", ends[2])
            low = _length(ends[1], tail[0] if tail else unit, thickness=thickness)
        except InputError:
            msg = f"{kind.name}: {error}"
            raise InputError(msg) from None
        if high < low:
            _refuse(kind, text, "ends before it begins; write the smaller number first")
        return low, high
    return mm, mm


def _length(text: str, unit: str | None, *, thickness: bool = False) -> float:
    bare = re.fullmatch(rf"(?:\d+[ -]+)?(?:\d+\s*/\s*\d+)|{_NUMBER}", text.strip())
    return parse_length(f"{text}{unit}" if bare and unit else text, thickness=thickness)


def _length_over_time(kind: SettingKind, text: str, over: "re.Match[str]") -> float:
    """Return m/min."""
    if over["unit"] not in _TIME_S:
        _refuse(kind, text, f"has the unknown time '{over['unit']}'; write seconds, as in 94 in / 15 s")
    seconds = _number(kind, over["time"]) * _TIME_S[over["unit"]]
    if seconds <= 0:
        _refuse(kind, text, "takes no time; write it like 94 in / 15 s")
    try:
        mm = parse_length(over["length"])
    except InputError as error:
        msg = f"{kind.name}: {error}"
        raise InputError(msg) from None
    speed = mm / 1000.0 / (seconds / 60.0)
    if speed > _MOST["speed"]:
        _refuse(kind, text, "is more than can be meant; check the numbers and their units")
    return speed


def unit_name(text: str | None) -> str | None:
    """Return a unit as it stands in UNITS: lower case, no blanks, short words; not yet looked up there."""
    if text is None:
        return None
    plain = text.strip().lower().replace("³", "3").replace("^", "").rstrip(".")
    plain = re.sub(r"\s+", "", plain)
    for long, short in (("inches", "in"), ("inch", "in"), ("minute", "min"), ("seconds", "s"), ("second", "s"),
                        ("sec", "s"), ("litres", "l"), ("liters", "l"), ('"', "in"), ("per", "/")):  # fmt: skip
        if plain not in {"percent", "seconds"}:
            plain = plain.replace(long, short)
    return plain.replace("in.", "in")


def _number(kind: SettingKind, text: str) -> float:
    if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", text):
        plain = text.replace(",", "")
        _refuse(kind, text, f"may mean two things; write {text.replace(',', '.')} or {plain}")
    value = float(text.replace(",", "."))
    if not math.isfinite(value):
        _refuse(kind, text, "is not a number that can be used")
    return value


def _plain_number(text: str) -> float | None:
    if re.fullmatch(_NUMBER, text) is None or re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", text):
        return None
    value = float(text.replace(",", "."))
    return value if math.isfinite(value) else None


def _example(kind: SettingKind) -> str:
    return {
        "speed": "7.6 m/min, 300 in/min or 94 in / 15 s",
        "volts": "22.5 V or 22-23 V",
        "amps": "180 A or 170-190 A",
        "flow": "15 L/min or 35 cfh",
        "ratio": "80 %",
        "density": "7.85 g/cm3",
        "angle": "45 deg",
    }.get(kind.measure, "1")


def _refuse(kind: SettingKind, text: str, what: str) -> NoReturn:
    msg = f"{kind.name}: {text!r} {what}."
    raise InputError(msg)
