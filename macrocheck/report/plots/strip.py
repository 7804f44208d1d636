"""Strip plot: every coupon of every group, with limits, the group's mean and what the next coupons will reach."""

from typing import TYPE_CHECKING

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.errors import InputError
from macrocheck.report.numbers import LengthUnit, bare_text
from macrocheck.report.plots.style import (
    FADED,
    INK,
    WIDTH_IN,
    Look,
    axis_label,
    counted,
    factor,
    limit_upright,
    look,
    new_figure,
    notes_under,
    safe,
    styled,
    wrapped,
)
from macrocheck.study.comparison import Comparison, Summary

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_ROW_IN, _EDGE_IN = 0.62, 1.1
_CROWD, _WIDER_IN = 20, 0.008
"""More coupons than this in a group: its row grows by so much a coupon, and the lines of uncertainty grow faint."""
_SPREAD = 0.24
"""Half the height that a group's coupons are spread over, in rows."""
_MEAN_AT = -0.36
"""Where a group's mean stands, in rows above its middle."""


@styled
def strip_plot(comparison: Comparison, quantity: str, unit: LengthUnit = "mm") -> "Figure":
    """Return a strip plot of one quantity: a row a group.

    A coupon is its group's marker at the mean of its sections, with a thin line of +-2 u from the measuring; its
    sections are small dots. Over them stand the group's mean with its confidence interval and the one-sided
    tolerance bound. Raises InputError where no group has a value of it.
    """
    rows = [(g.label, s) for g in comparison.groups if (s := g.summary(quantity)) is not None and s.coupons]
    if not rows:
        msg = f"No coupon of this comparison has a value of {quantity}; choose another with --of."
        raise InputError(msg)
    scale = factor(rows[0][1].unit, unit)
    crowd = max(s.n_coupons for _, s in rows)
    row = _ROW_IN + _WIDER_IN * min(max(crowd - _CROWD, 0), 60)
    figure, (ax,) = new_figure(WIDTH_IN, _EDGE_IN + row * len(rows))
    for i, (_, summary) in enumerate(rows):
        _row(ax, i, summary, look(i), scale)
    labels = [f"{wrapped(safe(label, 60), 24)}\n{counted(s.n_coupons, s.n_sections)}" for label, s in rows]
    ax.set_yticks(range(len(rows)), labels)
    ax.set_ylim(len(rows) - 0.42, -0.62)
    ax.tick_params(axis="y", length=0)
    ax.grid(visible=False, axis="y")
    ax.margins(x=0.06)
    ax.set_xlabel(axis_label(rows[0][1].name, rows[0][1].unit, unit))
    for value, text in _limits([s for _, s in rows], unit):
        limit_upright(ax, value * scale, text)
    notes_under(figure, [_key(comparison, [s for _, s in rows])])
    return figure


def spread_out(values: FloatArray, half: float) -> FloatArray:
    """Return offsets within +-`half` for points at `values` (n,), so that near ones do not hide each other.

    In order of value the offsets follow the golden section, which keeps any run of neighbours apart.
    """
    n = len(values)
    if n <= 1:
        return np.zeros(n)
    offsets = np.empty(n)
    offsets[np.argsort(values, kind="stable")] = half * (
        2 * np.modf(0.5 + 0.6180339887498949 * np.arange(n))[0] - 1
    )
    return offsets


def _row(ax: "Axes", i: int, summary: Summary, style: Look, scale: float) -> None:
    values = np.array([c.value for c in summary.coupons]) * scale
    places = i + 0.06 + spread_out(values, _SPREAD)
    known = [
        (v, 2 * c.u * scale, y) for c, v, y in zip(summary.coupons, values, places, strict=True) if c.u is not None
    ]
    if known:
        at, reach, level = np.array(known).T
        crowded = len(values) > _CROWD
        ax.hlines(
            level,
            at - reach,
            at + reach,
            color=style.colour,
            linewidth=0.5 if crowded else 0.7,
            alpha=0.35 if crowded else 1.0,
            zorder=2,
        )
    dots = [
        (s.value * scale, y)
        for c, y in zip(summary.coupons, places, strict=True)
        if c.section_count > 1
        for s in c.sections
    ]
    if dots:
        ax.plot(*np.array(dots).T, ".", color=style.colour, markersize=2.6, zorder=2.5)
    ax.plot(
        values,
        places,
        style.marker,
        color=style.colour,
        markeredgecolor="white",
        markeredgewidth=0.6,
        markersize=6 if len(values) <= _CROWD else 4,
        linestyle="none",
        zorder=3,
    )
    top = i + _MEAN_AT
    if summary.interval is not None and summary.interval.low is not None and summary.interval.high is not None:
        ends = np.array([summary.interval.low, summary.interval.high]) * scale
        ax.plot(ends, (top, top), color=INK, linewidth=2.2, solid_capstyle="butt", zorder=3)
    if summary.mean is not None and summary.n_coupons > 1:
        ax.plot(summary.mean * scale, top, "|", color=INK, markersize=9, markeredgewidth=1.6, zorder=3.5)
    if summary.tolerance is not None and summary.tolerance.bound is not None and _bounded(summary):
        _bound(ax, summary.tolerance.bound * scale, top, upward=summary.tolerance.side == "at least")


def _bounded(summary: Summary) -> bool:
    """Tell whether a group has a bound that says something."""
    bound = summary.tolerance
    return bound is not None and bound.bound is not None and not summary.says_nothing(bound)


def _bound(ax: "Axes", x: float, y: float, *, upward: bool) -> None:
    """Draw a one-sided bound: a post and an arrow to the side where the coupons are."""
    ax.plot((x, x), (y - 0.1, y + 0.1), color=FADED, linewidth=1.4, zorder=3)
    ax.annotate(
        "",
        (x, y),
        xytext=(14 if upward else -14, 0),
        textcoords="offset points",
        arrowprops={"arrowstyle": "<-", "color": FADED, "linewidth": 1.0, "shrinkA": 0, "shrinkB": 0},
    )


def _limits(summaries: list[Summary], unit: LengthUnit) -> list[tuple[float, str]]:
    """Return every limit once, with its text."""
    kind = summaries[0].unit
    low = sorted({s.at_least for s in summaries if s.at_least is not None})
    high = sorted({s.at_most for s in summaries if s.at_most is not None})
    return [(v, f"limit: at least {bare_text(v, kind, unit)}") for v in low] + [
        (v, f"limit: at most {bare_text(v, kind, unit)}") for v in high
    ]


def _key(comparison: Comparison, summaries: list[Summary]) -> str:
    parts = ["Marker: a coupon, mean of its sections (dots), line ±2 u of the measuring."]
    if any(s.mean is not None and s.n_coupons > 1 for s in summaries):
        parts.append(f"Black: mean with its {comparison.confidence:.0%} interval.")
    sides = {s.tolerance.side for s in summaries if s.tolerance is not None and _bounded(s)}
    if sides:
        way = " and ".join(sorted(sides))
        parts.append(
            f"Grey post with arrow: with {comparison.confidence:.0%} confidence, {comparison.share:.0%} of such "
            f"coupons are {way} this (normal theory)."
        )
    if any(s.tolerance is not None and s.says_nothing(s.tolerance) for s in summaries):
        parts.append("No post: no tolerance bound over 0 can be named." if sides else "No tolerance bound over 0.")
    return " ".join(parts)
