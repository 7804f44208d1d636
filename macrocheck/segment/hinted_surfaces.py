"""Surfaces as a person's joint root and toes settle them."""

from dataclasses import replace

import numpy as np

from macrocheck.arrays import FloatArray, Point
from macrocheck.outline import Joint
from macrocheck.segment.lines import Line, combine
from macrocheck.segment.surfaces import Surfaces

_CONTRADICTED = 9.0
"""Chi^2 from which a hinted joint root says that a surface was fitted to something else."""


def pass_root(surfaces: Surfaces, root: Point, scale: float) -> Surfaces:
    """Surfaces moved to meet at a hinted joint root (x, y) px, as far as their own doubt allows.

    One whose doubt does not allow it was fitted to something else: it goes through the root with what is left of
    its direction.
    """
    at = np.asarray(root, np.float64)

    def through(line: Line | None) -> Line | None:
        if line is None:
            return None
        # A person's click is good to about a map px; it says nothing of the direction.
        hinted = Line(at, line.direction, 0.8 * scale, 10.0, 0.0, 0.0)
        moved, misfit = combine(line, hinted)
        if misfit < _CONTRADICTED:
            return moved
        away, middle = abs(float(line.distance(at[None])[0])), abs(float(line.station(at[None])[0]))
        turned = float(np.hypot(line.u_angle, np.arctan2(away, max(middle, line.length, 1.0))))
        return replace(hinted, u_angle=turned, end=line.length)

    return replace(surfaces, butting=through(surfaces.butting), nonbutting=through(surfaces.nonbutting))


_SAME_WAY = np.deg2rad(8.0)
"""A toe that lies no further than this, or twice the doubt, from an end face's direction is taken to lie on it."""


def _towards(line: Line | None, root: FloatArray, toe: FloatArray | None) -> bool:
    """Whether a toe (x, y) lies where a surface leads from the joint root."""
    if line is None or toe is None:
        return False
    off = np.arccos(np.clip((toe - root) @ line.direction / max(float(np.hypot(*(toe - root))), 1e-9), -1.0, 1.0))
    return bool(off < max(_SAME_WAY, 2.0 * line.u_angle))


def through_hints(
    surfaces: Surfaces, root: Point, toes: tuple[FloatArray | None, FloatArray | None], scale: float, joint: Joint
) -> Surfaces:
    """Surfaces drawn through a hinted joint root and hinted toes (butting, nonbutting), (x, y) px.

    A lap's butting toe may lie on the upper plate's top: it settles nothing unless the end face leads there.
    """
    at = np.asarray(root, np.float64)

    def drawn(line: Line | None, toe: FloatArray | None) -> Line | None:
        reach = 0.0 if toe is None else float(np.hypot(*(toe - at)))
        if toe is None or reach < 4.0 * scale:
            return line
        d = (toe - at) / reach
        # Both clicks are good to about a map px.
        u = 0.8 * scale
        seen = 0.0 if line is None else line.length
        return Line((at + toe) / 2, d, u / np.sqrt(2), np.sqrt(2) * u / reach, reach / 2, reach / 2 + seen)

    butting = surfaces.butting
    if joint != "lap" or _towards(butting, at, toes[0]):
        butting = drawn(butting, toes[0])
    return replace(surfaces, butting=butting, nonbutting=drawn(surfaces.nonbutting, toes[1]))
