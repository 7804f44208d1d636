"""Section overlay: every section of a group laid on the others in the joint frame."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.errors import InputError
from macrocheck.report.numbers import LengthUnit
from macrocheck.report.plots.shapes import SectionShape
from macrocheck.report.plots.style import (
    FADED,
    INK,
    METAL,
    PLATE,
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

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_CELLS = 260
"""Cells of the longer side of the map that counts how many sections have weld metal at a place."""
_ROOM = 0.12
"""Room around the outlines, fraction of their larger extent."""


@styled
def section_plot(groups: Sequence[tuple[str, Sequence[SectionShape]]], unit: LengthUnit = "mm") -> "Figure":
    """Return the weld outlines of every section in the joint frame, a panel a group, all at one scale.

    The darker the ground, the more of the sections have weld metal there; the thick line encloses what at least
    half of them have in common. Raises InputError where no section has a joint root.
    """
    rows = [(label, [s for s in shapes if s.polygon is not None]) for label, shapes in groups]
    rows = [(label, shapes) for label, shapes in rows if shapes]
    if not rows:
        msg = "None of these sections has a joint root to lay them on one another by; measure fillet welds."
        raise InputError(msg)
    scale = factor("mm", unit)
    every = np.vstack([s.polygon for _, shapes in rows for s in shapes if s.polygon is not None])
    low, high = every.min(axis=0), every.max(axis=0)
    room = _ROOM * float((high - low).max())
    low, high = low - 2.2 * room, high + room
    columns = 2 if len(rows) in {2, 4} else min(len(rows), 3)
    lines = -(-len(rows) // columns)
    wide = WIDTH_IN / columns - 0.35 if len(rows) > 1 else 3.6
    tall = wide * float((high[1] - low[1]) / (high[0] - low[0]))
    figure, axes = new_figure(
        WIDTH_IN if len(rows) > 1 else 4.4, 0.75 + lines * (tall + 0.45), lines, columns, sharex=True, sharey=True
    )
    for i, ax in enumerate(axes):
        if i >= len(rows):
            ax.set_axis_off()
            continue
        label, shapes = rows[i]
        _panel(ax, shapes, look(i), scale, low, high)
        sections = len({(s.coupon, s.section) for s in shapes})
        name = safe(label, 34 if columns > 1 else 60)
        ax.set_title(f"{name}\n{counted(len({s.coupon for s in shapes}), sections)}", fontsize=8)
        if i + columns >= len(rows):
            ax.set_xlabel(axis_label("Along the nonbutting member", "mm", unit))
            ax.tick_params(labelbottom=True)
        if i % columns == 0:
            ax.set_ylabel(axis_label("Out of the nonbutting member", "mm", unit))
    notes_under(
        figure,
        [
            "Ground: the darker, the more sections have weld metal there. Thin: one section each. "
            "Thick: what at least half of them share. Dashed: original surfaces of the members; the circle is the "
            "joint root."
        ],
    )
    return figure


def shared_metal(
    polygons: Sequence[FloatArray], low: FloatArray, high: FloatArray, cells: int = _CELLS
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return cell centres x (w,), y (h,) in mm and the share (h, w) of polygons (n, 2) mm that cover each cell."""
    import cv2

    step = float((high - low).max()) / cells
    w, h = (max(2, int(np.ceil(v))) for v in (high - low) / step)
    count = np.zeros((h, w))
    for polygon in polygons:
        mask = np.zeros((h, w), np.uint8)
        at = np.rint(((polygon - low) / step - 0.5) * 256).astype(np.int32)
        cv2.fillPoly(mask, [at.reshape(-1, 1, 2)], 1, shift=8)
        count += mask
    x = low[0] + (np.arange(w) + 0.5) * step
    y = low[1] + (np.arange(h) + 0.5) * step
    return x, y, count / max(len(polygons), 1)


def _panel(
    ax: "Axes", shapes: Sequence[SectionShape], style: Look, scale: float, low: FloatArray, high: FloatArray
) -> None:
    from matplotlib.colors import LinearSegmentedColormap

    polygons = [s.polygon for s in shapes if s.polygon is not None]
    _members(ax, shapes, scale, low, high)
    x, y, share = shared_metal(polygons, low, high)
    tint = LinearSegmentedColormap.from_list("metal", [(0, "#ffffff00"), (1, METAL)])
    ax.pcolormesh(
        x * scale, y * scale, share, cmap=tint, vmin=0, vmax=1, shading="nearest", rasterized=True, zorder=1.2
    )
    faint = max(0.15, min(0.8, 4.0 / len(polygons)))
    for polygon in polygons:
        ring = np.vstack([polygon, polygon[:1]]) * scale
        ax.plot(ring[:, 0], ring[:, 1], color=style.colour, linewidth=0.7, alpha=faint, zorder=2)
    if len(polygons) > 1:
        ax.contour(x * scale, y * scale, share, levels=[0.5 - 1e-9], colors=INK, linewidths=1.6, zorder=3)
    ax.set_xlim(low[0] * scale, high[0] * scale)
    ax.set_ylim(low[1] * scale, high[1] * scale)
    ax.set_aspect("equal")
    ax.grid(visible=False)
    ax.plot(0, 0, "o", markerfacecolor="white", markeredgecolor=INK, markersize=4, zorder=4)


def _members(ax: "Axes", shapes: Sequence[SectionShape], scale: float, low: FloatArray, high: FloatArray) -> None:
    """Shade where the members were, and draw their surfaces as they leave the root on average."""
    angles = np.deg2rad([s.angle_deg for s in shapes if s.angle_deg is not None])
    angle = float(np.mean(angles)) if len(angles) else 0.5 * np.pi
    far = 3.0 * float(np.abs(np.concatenate([low, high])).max())
    up = np.array([np.cos(angle), np.sin(angle)])
    back = np.array([-far, 0.0])
    plates = (
        np.array([[-far, 0.0], [far, 0.0], [far, -far], [-far, -far]]),
        np.array([[0.0, 0.0], far * up, far * up + back, back]),
    )
    for plate in plates:
        ax.fill(*(plate * scale).T, facecolor=PLATE, edgecolor="none", zorder=1)
    for end in (np.array([far, 0.0]), far * up, back):
        ax.plot(*(np.array([[0.0, 0.0], end]) * scale).T, color=FADED, linewidth=0.9, dashes=(4, 2), zorder=1.6)
