"""Penetration profiles: depth of fusion along both legs, every section of a group laid over the others."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.errors import InputError
from macrocheck.report.numbers import LengthUnit, bare_text
from macrocheck.report.plots.shapes import SectionShape
from macrocheck.report.plots.style import (
    FADED,
    WIDTH_IN,
    Look,
    axis_label,
    counted,
    factor,
    look,
    new_figure,
    notes_under,
    safe,
    styled,
)
from macrocheck.results import Profile

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_SIDES = (("butting", "Butting member"), ("nonbutting", "Nonbutting member"))
_GRID = 201


@styled
def profile_plot(
    groups: Sequence[tuple[str, Sequence[SectionShape]]],
    unit: LengthUnit = "mm",
    *,
    threshold_mm: float | None = None,
) -> "Figure":
    """Return depth of fusion along both legs: a row a group, the joint root in the middle, depth downwards.

    Thin lines are single sections, the thick line their median at every distance from the root. `threshold_mm`:
    under this depth the surface counts as unfused. Raises InputError where no section has a profile.
    """
    rows = [(label, [s for s in shapes if _sides(s)]) for label, shapes in groups]
    rows = [(label, shapes) for label, shapes in rows if shapes]
    if not rows:
        msg = "None of these sections has a profile of fusion; it takes fillet welds with a surface in the picture."
        raise InputError(msg)
    scale = factor("mm", unit)
    figure, axes = new_figure(
        WIDTH_IN, 0.85 + 1.75 * len(rows), len(rows), 2, sharey=True, sharex="col", gridspec_kw={"wspace": 0.0}
    )
    deepest = 0.0
    for i, (label, shapes) in enumerate(rows):
        for k, (member, _) in enumerate(_SIDES):
            ax = axes[2 * i + k]
            deepest = max(
                deepest, _draw(ax, [s.profiles[member] for s in shapes if member in s.profiles], look(i), scale)
            )
            if threshold_mm is not None:
                ax.axhline(threshold_mm * scale, color=FADED, linewidth=0.8, dashes=(2, 2), zorder=1.5)
        coupons = len({s.coupon for s in shapes})
        axes[2 * i].set_title(
            f"{safe(label, 60)}   {counted(coupons, len({(s.coupon, s.section) for s in shapes}))}"
        )
        axes[2 * i].set_ylabel(axis_label("Depth of fusion", "mm", unit))
    axes[0].set_ylim(max(deepest, 1e-3) * 1.1, -0.06 * max(deepest, 1e-3))
    for k, (_, name) in enumerate(_SIDES):
        axes[2 * len(rows) - 2 + k].set_xlabel(axis_label(f"{name}: from the joint root", "mm", unit))
    for ax in axes[0::2]:
        ax.spines["right"].set(visible=True, color=FADED, linewidth=1.2)
    for ax in axes[1::2]:
        ax.spines["left"].set_visible(False)
        ax.tick_params(axis="y", length=0)
    reach = scale * max(float(p.s_mm[-1]) for _, shapes in rows for s in shapes for p in s.profiles.values())
    axes[0].set_xlim(reach * 1.03, 0)
    axes[1].set_xlim(0, reach * 1.03)
    lines = ["Thin: one section each. Thick: median of the sections, nothing fused beyond a toe."]
    if threshold_mm is not None:
        lines[0] += f" Dotted: {bare_text(threshold_mm, 'mm', unit)}, less counts as unfused."
    notes_under(figure, lines)
    return figure


def median_profile(profiles: Sequence[Profile]) -> tuple[FloatArray, FloatArray]:
    """Return distances (m,) and the median depth (m,) of profiles, mm; no fusion beyond a section's toe."""
    s = np.linspace(0.0, max(float(p.s_mm[-1]) for p in profiles), _GRID)
    depth = np.array([np.interp(s, p.s_mm, p.d_mm, right=0.0) for p in profiles])
    median = np.asarray(np.median(depth, axis=0))
    fused = np.flatnonzero(median > 0)
    end = int(fused[-1]) + 2 if len(fused) else len(s)
    return s[:end], median[:end]


def _sides(shape: SectionShape) -> bool:
    return any(len(shape.profiles[m].s_mm) > 1 for m, _ in _SIDES if m in shape.profiles)


def _draw(ax: "Axes", profiles: Sequence[Profile], style: Look, scale: float) -> float:
    """Draw one side and return the greatest depth drawn."""
    profiles = [p for p in profiles if len(p.s_mm) > 1]
    if not profiles:
        return 0.0
    faint = max(0.12, min(0.6, 3.0 / len(profiles)))
    for p in profiles:
        ax.plot(p.s_mm * scale, p.d_mm * scale, color=style.colour, linewidth=0.8, alpha=faint, zorder=2)
    s, median = median_profile(profiles)
    ax.plot(s * scale, median * scale, color=style.colour, linewidth=2.0, linestyle=style.dashes, zorder=3)
    return max(float(np.nanmax(p.d_mm)) for p in profiles) * scale
