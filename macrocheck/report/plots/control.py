"""Control chart of single coupons by date: individuals above, moving range below.

Limits: mean +- 3 MR / d2 for the individuals, MR (1 + 3 d3 / d2) for the moving range of two, with MR the mean
moving range (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, from memory). For two normal values
d2 = 2 / sqrt(pi) and d3 = sqrt(2 - 4 / pi) exactly, so 3 / d2 = 2.6587 and 1 + 3 d3 / d2 = 3.2665.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from macrocheck.arrays import FloatArray, IntArray
from macrocheck.errors import InputError
from macrocheck.report.numbers import LengthUnit, bare_text
from macrocheck.report.plots.style import (
    FADED,
    HALO,
    INK,
    LIMIT,
    LOOKS,
    WIDTH_IN,
    axis_label,
    counted,
    factor,
    limit_across,
    new_figure,
    notes_under,
    safe,
    styled,
)
from macrocheck.study.values import CouponValue

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

D2 = 2 / math.sqrt(math.pi)
"""Mean range of two values of a normal distribution, in standard deviations."""
D3 = math.sqrt(2 - 4 / math.pi)
"""Standard deviation of that range."""

FEW = 20
"""With fewer values than this the limits are only rough; common practice, no source."""

_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?!\d)")
_DOTTED = re.compile(r"(\d{1,2})\.\s*(\d{1,2})\.\s*(\d{4})(?!\d)")


@dataclass(frozen=True, slots=True)
class ControlLimits:
    """Centre and limits of both charts, in the unit of the values; `ranges` (n - 1,) are the moving ranges."""

    mean: float
    low: float
    high: float
    ranges: tuple[float, ...]
    mean_range: float
    high_range: float


def control_limits(values: Sequence[float]) -> ControlLimits:
    """Return the limits of at least two values in order of time; InputError where there are fewer."""
    if len(values) < 2:
        msg = f"A control chart needs at least 2 dated coupons; there {'is 1' if values else 'are none'}."
        raise InputError(msg)
    ranges = np.abs(np.diff(np.asarray(values, dtype=np.float64)))
    mean, mean_range = float(np.mean(values)), float(ranges.mean())
    reach = 3 * mean_range / D2
    high = mean_range * (1 + 3 * D3 / D2)
    return ControlLimits(mean, mean - reach, mean + reach, tuple(map(float, ranges)), mean_range, high)


def parse_date(text: str | None) -> date | None:
    """Return the day that a note says, year first (2026-03-14) or with dots (14.3.2026); None for any other."""
    if not text:
        return None
    found = _ISO.match(text.strip())
    parts = found.groups() if found else None
    if parts is None:
        found = _DOTTED.match(text.strip())
        parts = found.groups()[::-1] if found else None
    try:
        return None if parts is None else date(*(int(p) for p in parts))
    except ValueError:
        return None


def in_order(coupons: Sequence[CouponValue]) -> tuple[list[tuple[date, CouponValue]], list[str]]:
    """Return the coupons with their dates, oldest first (a day's in the order given), and those without a date."""
    dated = [(day, c) for c in coupons if (day := parse_date(c.date)) is not None]
    return sorted(dated, key=lambda pair: pair[0]), [c.coupon for c in coupons if parse_date(c.date) is None]


@styled
def control_chart(
    coupons: Sequence[CouponValue],
    name: str,
    quantity_unit: str,
    unit: LengthUnit = "mm",
    *,
    at_least: float | None = None,
    at_most: float | None = None,
) -> "Figure":
    """Return the control chart of one quantity, `quantity_unit` as in the list of quantities ("mm", "mm2", "1").

    One point a coupon, in order of the date noted. `at_least`, `at_most`: limits of the grading, drawn beside the
    control limits, which they are not. Raises InputError where fewer than two coupons have a date.
    """
    dated, undated = in_order(coupons)
    limits = control_limits([c.value for _, c in dated])
    scale = factor(quantity_unit, unit)
    figure, (top, bottom) = new_figure(WIDTH_IN, 4.2, 2, 1, sharex=True, gridspec_kw={"height_ratios": (2.0, 1.0)})
    place = np.arange(len(dated))
    values = np.array([c.value for _, c in dated]) * scale
    _chart(top, place, values, (limits.low * scale, limits.mean * scale, limits.high * scale))
    ranges = np.array(limits.ranges) * scale
    _chart(bottom, place[1:], ranges, (None, limits.mean_range * scale, limits.high_range * scale))
    _name_outside(top, values, (limits.low * scale, limits.high * scale), [c.coupon for _, c in dated])
    for bound, word, above in ((at_least, "at least", False), (at_most, "at most", True)):
        if bound is not None:
            limit_across(top, bound * scale, f"limit: {word} {bare_text(bound, quantity_unit, unit)}", above=above)
    top.set_title(f"{name} by date   {counted(len(dated))}")
    top.set_ylabel(axis_label(name, quantity_unit, unit))
    bottom.set_ylabel(axis_label("Moving range", quantity_unit, unit))
    bottom.set_ylim(bottom=0)
    _dates(bottom, [day for day, _ in dated])
    notes_under(figure, _notes(limits, len(dated), undated, quantity_unit, unit))
    return figure


def _name_outside(ax: "Axes", values: FloatArray, limits: tuple[float, float], names: Sequence[str]) -> None:
    """Write the names of coupons outside the limits, a second one close by further out."""
    last, step = -9, 0
    for i in np.flatnonzero((values < limits[0]) | (values > limits[1])):
        step = (step + 1) % 3 if i - last < 3 else 0
        last = int(i)
        away = 6 + 9 * step
        up = values[i] > limits[1]
        ax.annotate(
            safe(names[last], 20),
            (i, values[i]),
            xytext=(0, away if up else -away),
            textcoords="offset points",
            ha="center",
            va="bottom" if up else "top",
            fontsize=6.5,
            bbox=HALO,
            zorder=5,
        )


def _chart(ax: "Axes", x: IntArray, y: FloatArray, limits: tuple[float | None, float, float]) -> None:
    low, middle, high = limits
    blue = LOOKS[0].colour
    ax.axhline(middle, color=INK, linewidth=0.9, zorder=1.5)
    for edge in (low, high):
        if edge is not None:
            ax.axhline(edge, color=FADED, linewidth=1.1, dashes=(5, 2.5), zorder=1.5)
    ax.plot(x, y, "-", color=blue, linewidth=0.9, zorder=2)
    ax.plot(x, y, "o", color=blue, markersize=4.5, markeredgecolor="white", markeredgewidth=0.5, zorder=3)
    out = (y > high) | (y < low if low is not None else np.zeros(len(y), bool))
    ax.plot(x[out], y[out], "s", color=LIMIT, markersize=7, markeredgecolor="white", linestyle="none", zorder=4)
    ax.margins(x=0.03, y=0.12)


def _dates(ax: "Axes", days: Sequence[date]) -> None:
    """Label the first coupon of a day with the day, as many as there is room for."""
    first = [i for i, day in enumerate(days) if i == 0 or day != days[i - 1]]
    step = -(-len(first) // 12)
    chosen = first[::step]
    ax.set_xticks(chosen, [days[i].isoformat() for i in chosen], rotation=30, ha="right")
    ax.set_xlabel("Date of welding, coupons in order")


def _notes(limits: ControlLimits, n: int, undated: Sequence[str], kind: str, unit: LengthUnit) -> list[str]:
    low, high, top = (bare_text(v, kind, unit) for v in (limits.low, limits.high, limits.high_range))
    lines = [
        f"Solid: mean {bare_text(limits.mean, kind, unit)}, "
        f"mean moving range {bare_text(limits.mean_range, kind, unit)}. "
        f"Dashed: control limits {low} and {high}, moving range {top}: mean ±3 MR/d2 and MR (1 + 3 d3/d2), "
        "NIST/SEMATECH e-Handbook 6.3.2.2. Squares lie outside."
    ]
    if n < FEW:
        lines.append(f"Fewer than {FEW} coupons: the control limits are rough.")
    if undated:
        names = ", ".join(safe(name, 20) for name in undated[:6]) + (" ..." if len(undated) > 6 else "")
        lines.append(f"Left out, no date that can be read: {names}.")
    return lines
