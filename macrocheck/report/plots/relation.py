"""Relation plot: every coupon, the fitted line, where it may run and where one more coupon is to be expected."""

import math
from typing import TYPE_CHECKING

import numpy as np

from macrocheck.errors import InputError
from macrocheck.report.numbers import LengthUnit
from macrocheck.report.plots.style import (
    INK,
    LOOKS,
    WIDTH_IN,
    axis_label,
    counted,
    factor,
    new_figure,
    notes_under,
    safe,
    styled,
)
from macrocheck.study.relation import Fit, Form, Relation

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_NAMES = {"straight": "straight line", "power": "power law", "arc": "current, voltage and speed"}


@styled
def relation_plot(relation: Relation, form: Form | None = None, unit: LengthUnit = "mm") -> "Figure":
    """Return the plot of one fitted form: the best over the setting asked for, unless `form` names one.

    The line and its bands end where the data end; a better form that is not drawn is named. Raises InputError where
    that form was not fitted.
    """
    fit = _chosen(relation, form)
    scale = factor(relation.y_unit, unit)
    figure, (ax,) = new_figure(WIDTH_IN, 3.6)
    blue = LOOKS[0]
    if fit.band is not None:
        _bands(ax, fit, scale, relation.confidence)
    up = [(p.x, p.y * scale, 2 * p.coupon.u * scale) for p in fit.points if p.coupon.u is not None]
    if up:
        x, y, reach = np.array(up).T
        ax.vlines(x, y - reach, y + reach, color=blue.colour, linewidth=0.8)
    along = [(p.x, p.y * scale, 2 * p.u_x) for p in fit.points if p.u_x is not None]
    if along:
        x, y, reach = np.array(along).T
        ax.hlines(y, x - reach, x + reach, color=blue.colour, linewidth=0.8)
    ax.plot(
        [p.x for p in fit.points],
        [p.y * scale for p in fit.points],
        blue.marker,
        color=blue.colour,
        markeredgecolor="white",
        markeredgewidth=0.6,
        markersize=5.5,
        linestyle="none",
        zorder=4,
        label=f"coupons ±2 u, {counted(fit.n_coupons)}",
    )
    ax.set_xlabel(axis_label(safe(fit.x_name.replace("_", " ").capitalize(), 60), fit.x_unit))
    ax.set_ylabel(axis_label(relation.y_name, relation.y_unit, unit))
    ax.legend(loc="best", frameon=True, framealpha=0.85, edgecolor="none")
    ax.set_title(f"{relation.y_name}: {_NAMES[fit.form]}, R² {fit.r2:.2f}")
    length = relation.y_unit == "mm" and unit == "in"
    notes = [safe(fit.formula, 160) + (" (in the units of the record)" if length else "")]
    if relation.best is not None and relation.best != fit.form:
        notes.append(f"Left-out coupons are told better by: {_NAMES[relation.best]}.")
    notes_under(figure, notes)
    return figure


def _chosen(relation: Relation, form: Form | None) -> Fit:
    """Return the fit to draw: the form wanted, else the best of those over the setting that was asked for."""
    asked = {name for name, _ in relation.x}
    over = [f for f in relation.fits if f.x_name in asked] or list(relation.fits)
    fits = [f for f in relation.fits if f.form == form] if form is not None else sorted(over, key=_error)
    if not fits:
        why = "; ".join(f"{name}: {reason}" for name, reason in relation.refused)
        msg = f"There is no {form or 'fitted'} relation to draw" + (f" ({why})." if why else ".")
        raise InputError(msg)
    return fits[0]


def _error(fit: Fit) -> float:
    return math.inf if fit.left_out_rms is None else fit.left_out_rms


def _bands(ax: "Axes", fit: Fit, scale: float, confidence: float) -> None:
    band = fit.band
    if band is None:
        return
    x = np.array(band.x)
    low, high = np.array(band.prediction_low) * scale, np.array(band.prediction_high) * scale
    blue = LOOKS[0].colour
    for edge in (low, high):
        ax.plot(x, edge, color=blue, linewidth=0.8, dashes=(4, 2), zorder=2)
    ax.fill_between(
        x, low, high, color=blue, alpha=0.07, linewidth=0, zorder=1, label=f"one more coupon, {confidence:.0%}"
    )
    low, high = np.array(band.confidence_low) * scale, np.array(band.confidence_high) * scale
    ax.fill_between(
        x, low, high, color=blue, alpha=0.22, linewidth=0, zorder=1.5, label=f"the line itself, {confidence:.0%}"
    )
    ax.plot(x, np.array(band.y) * scale, color=INK, linewidth=1.6, zorder=3, label="fitted line")
