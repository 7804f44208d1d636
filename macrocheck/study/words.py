"""Numbers and lists as a study says them."""

import math
from collections.abc import Sequence

from macrocheck.study.values import Interval

_UNITS = {"mm2": "mm²", "in2": "in²", "deg": "°", "1": "%", "g/cm3": "g/cm³"}


_MOST_FINE = 4
_LARGE = 1e6
_PLACES = {"mm": 2, "mm2": 1, "in": 3, "in2": 4, "deg": 1, "1": 1}


def unit_text(unit: str) -> str:
    """Return a unit as printed; a ratio is printed in per cent."""
    return _UNITS.get(unit, unit)


def number(value: float | None, unit: str = "", *, signed: bool = False, fine: int = 0) -> str:
    """Return a number without its unit: hundredths of a mm, tenths of a degree or per cent; else four digits.

    `fine`: so many decimals more; one for standard deviations.
    """
    if value is None:
        return "-"
    if unit == "1":
        value *= 100
    if not math.isfinite(value):
        return "-"
    if abs(value) >= _LARGE:
        return f"{value:{'+' if signed else ''}.3g}"
    places = _PLACES.get(unit)
    if places is None:
        size = math.floor(math.log10(abs(value))) if value else 0
        places = min(max(3 - size, 0), 6)
    else:
        places += fine
    text = f"{value:{'+' if signed else ''}.{places}f}"
    return text.lstrip("+-") if not text.strip("+-0.") else text


def span(interval: Interval | None, unit: str, *, signed: bool = False) -> str:
    """Return "0.41 to 0.63" without the unit, "-" where there is none.

    With as many decimals as keep an end beyond 0 from being printed as 0: what leaves out 0 is to be seen to.
    """
    if interval is None or interval.low is None or interval.high is None:
        return "-"
    ends = (interval.low, interval.high)
    fine = 0
    while not interval.holds(0.0) and fine < _MOST_FINE and any(_none(number(v, unit, fine=fine)) for v in ends):
        fine += 1
    return " to ".join(number(v, unit, signed=signed, fine=fine) for v in ends)


def _none(text: str) -> bool:
    return not text.strip("+-0.")


def amount(value: float | None, unit: str, *, signed: bool = False, fine: int = 0) -> str:
    """Return a number with its unit."""
    shown = unit_text(unit)
    return f"{number(value, unit, signed=signed, fine=fine)}{'' if shown in {'', '°'} else ' '}{shown}"


def percent(share: float) -> str:
    """Return a share in whole per cent, with tenths only near the ends where they matter."""
    value = 100 * share
    return f"{value:.1f} %" if 0 < value < 1 or 99 < value < 100 else f"{value:.0f} %"


def counted(count: int, one: str, many: str | None = None) -> str:
    """Return "1 coupon", "2 coupons"."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def listed(items: Sequence[str], most: int = 6) -> str:
    """Return "a, b and c", cut after `most`."""
    if len(items) > most:
        return f"{', '.join(items[:most])} and {len(items) - most} more"
    return " and ".join([", ".join(items[:-1]), items[-1]] if len(items) > 1 else items)
