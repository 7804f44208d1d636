"""Numbers, settings and dates as a report writes them."""

from datetime import datetime
from decimal import Decimal

from macrocheck.paths import shown
from macrocheck.record.settings import Setting
from macrocheck.report.numbers import LengthUnit, converted, number_text, shown_unit, spread_text
from macrocheck.study.values import Interval
from macrocheck.units import MM_PER_INCH

_LB_KG = 0.45359237
"""Exact: international yard and pound agreement, 1959."""

_IN_INCHES: dict[str, tuple[float, str]] = {
    "mm": (1 / MM_PER_INCH, "in"),
    "mm2": (1 / MM_PER_INCH**2, "in²"),
    "mm/min": (1 / MM_PER_INCH, "in/min"),
    "m/min": (1000 / MM_PER_INCH, "in/min"),
    "kJ/mm": (MM_PER_INCH, "kJ/in"),
    "kg/h": (1 / _LB_KG, "lb/h"),
    "L/min": (60 / 28.316846592, "ft³/h"),  # cubic foot = 28.316846592 L exactly (12 inches of 25.4 mm)
}
"""Unit of a setting on the record -> factor and unit where lengths are in inches."""

_PRINTED = {"mm2": "mm²", "deg": "°", "g/cm3": "g/cm³"}

GRADE_WORDS = {
    "accept": "accept",
    "undecided": "undecided",
    "reject": "reject",
    "none": "no limits",
    "failed": "not measured",
}


def setting_number(s: Setting, lengths: LengthUnit) -> tuple[str, str, str]:
    """Return a setting's number, its +-2 u ("" where nothing says it) and its unit, all as printed."""
    if s.value is None:
        return "", "", ""
    factor, unit = (1.0, _PRINTED.get(s.unit, s.unit))
    if lengths == "in" and s.unit in _IN_INCHES:
        factor, unit = _IN_INCHES[s.unit]
    if s.unit == "1":
        factor, unit = (100.0, "%") if s.name.endswith("efficiency") else (1.0, "")
    value = s.value * factor
    if s.u is None:
        return f"{value:.4g}", "", unit
    spread, places = spread_text(Decimal(repr(2 * s.u * factor)), "")
    return number_text(Decimal(repr(value)), places), spread, unit


def setting_text(s: Setting, lengths: LengthUnit) -> str:
    """Return a setting: as it was written, and as a number where that says more."""
    number, spread, unit = setting_number(s, lengths)
    text = shown(s.text)
    if not number:
        return text
    full = f"{number}{f' ± {spread}' if spread else ''}{'' if unit in {'', '°'} else ' '}{unit}"
    if s.origin == "derived":
        return full
    if s.origin == "assumed":
        return f"{full} (assumed: {text})" if _bare(text) != _bare(number) else f"{full} (assumed)"
    plain = {_bare(full), _bare(number), _bare(f"{number}{unit}")}
    if s.value is not None:
        plain.add(_bare(f"{s.value:g}"))
    return full if _bare(text) in plain and (not spread) else f"{text} (= {full})"


def setting_title(name: str) -> str:
    """Return "Wire feed speed" for wire_feed_speed; a heading of the user's own as it stands."""
    plain = shown(name).replace("_", " ")
    return plain[:1].upper() + plain[1:]


def _bare(text: str) -> str:
    return "".join(text.split()).lower()


def moment(at: str) -> str:
    """Return an ISO 8601 moment as "2026-03-14 09:26 UTC"."""
    try:
        return f"{datetime.fromisoformat(at):%Y-%m-%d %H:%M} UTC"
    except ValueError:
        return shown(at)


def with_spread(value: float | None, spread: float | None, unit: str, lengths: LengthUnit) -> str:
    """Return a number without its unit, digits as its `spread` (both in `unit`) bears; "–" for None."""
    if value is None:
        return "–"
    printed = shown_unit(unit, lengths)
    width = converted(spread, unit, lengths) if spread else Decimal(0)
    places = spread_text(abs(width), printed)[1]
    return number_text(converted(value, unit, lengths), places)


def interval_text(interval: Interval | None, unit: str, lengths: LengthUnit) -> str:
    """Return "0.41 to 0.63" without the unit, "–" where there is none.

    With as many decimals as keep an end beyond 0 from being printed as 0: what leaves out 0 is to be seen to.
    """
    if interval is None or interval.low is None or interval.high is None:
        return "–"
    half = 0.5 * (interval.high - interval.low)
    ends = [with_spread(v, half, unit, lengths) for v in (interval.low, interval.high)]
    for finer in (0.1, 0.01, 0.001):
        if interval.holds(0.0) or all(end.strip("0.") for end in ends):
            break
        ends = [with_spread(v, half * finer, unit, lengths) for v in (interval.low, interval.high)]
    return " to ".join(ends)


def percent(share: float | None) -> str:
    """Return a share in whole per cent, with tenths near the ends; "–" for None."""
    if share is None:
        return "–"
    value = 100 * share
    return f"{value:.1f} %" if 0 < value < 1 or 99 < value < 100 else f"{value:.0f} %"


def plural(count: int, one: str, many: str = "") -> str:
    """Return "1 coupon", "2 coupons"."""
    return f"{count} {one if count == 1 else many or one + 's'}"
