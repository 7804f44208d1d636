"""Surfaces as a person's joint root and toes settle them."""

from dataclasses import replace

import numpy as np

from macrocheck.arrays import FloatArray, Point
from macrocheck.outline import Joint
from macrocheck.segment.hints import Hints
from macrocheck.segment.lines import Line, combine
from macrocheck.segment.surfaces import Surfaces

_CLICK = 0.8
"""Map px: standard error of a person's click."""
_CONTRADICTED = 9.0
"""Chi^2 from which a hinted point says that a surface was fitted to something else."""


def _through(line: Line, at: FloatArray, scale: float) -> Line:
    """A surface led past a hinted point (x, y) px of it, no farther off than a click may be.

    One whose own doubt does not allow that is less sure than it says; one that is far from allowing it was fitted
    to something else, and goes through the point with what is left of its direction.
    """
    click = _CLICK * scale
    hinted = Line(at, line.direction, click, 10.0, 0.0, 0.0)  # it says nothing of the direction
    away, middle = abs(float(line.distance(at[None])[0])), abs(float(line.station(at[None])[0]))
    moved, misfit = combine(line, hinted)
    if misfit < _CONTRADICTED:
        # So many times as unsure, the line comes within `click` of the point.
        less = float(np.sqrt(click * max(away - click, 0.0))) / max(line.u_at(middle), 1e-9)
        if less > 1.0:
            moved, _ = combine(replace(line, u_offset=less * line.u_offset, u_angle=less * line.u_angle), hinted)
        return moved
    turned = float(np.hypot(line.u_angle, np.arctan2(away, max(middle, line.length, 1.0))))
    return replace(hinted, u_angle=turned, end=line.length)


def pass_root(surfaces: Surfaces, root: Point, scale: float) -> Surfaces:
    """Surfaces moved to meet at a hinted joint root (x, y) px, as `_through` leads them."""
    at = np.asarray(root, np.float64)
    butting, nonbutting = (
        None if line is None else _through(line, at, scale) for line in (surfaces.butting, surfaces.nonbutting)
    )
    return replace(surfaces, butting=butting, nonbutting=nonbutting)


def pass_edge(surfaces: Surfaces, edge: tuple[Point, ...], scale: float) -> Surfaces:
    """Surfaces of a lap with the upper plate's end face led past points (x, y) px of it that a person gave."""
    butting = surfaces.butting
    if surfaces.stated or butting is None:
        return surfaces
    for point in edge:
        butting = _through(butting, np.asarray(point, np.float64), scale)
    return replace(surfaces, butting=butting)


def pass_toes(
    surfaces: Surfaces, toes: tuple[FloatArray | None, FloatArray | None], scale: float, joint: Joint
) -> Surfaces:
    """Surfaces moved to pass hinted toes (butting, nonbutting), (x, y) px: a toe lies on its member's surface.

    A lap's butting toe may lie on the upper plate's top, and settles nothing.
    """
    butting, nonbutting = surfaces.butting, surfaces.nonbutting
    if joint == "tee" and butting is not None and toes[0] is not None:
        butting = _through(butting, toes[0], scale)
    for toe in toes if joint == "bead" else toes[1:]:
        if nonbutting is not None and toe is not None:
            nonbutting = _through(nonbutting, toe, scale)
    return replace(surfaces, butting=butting, nonbutting=nonbutting)


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
        u = _CLICK * scale
        seen = 0.0 if line is None else line.length
        return Line((at + toe) / 2, d, u / np.sqrt(2), np.sqrt(2) * u / reach, reach / 2, reach / 2 + seen)

    butting = surfaces.butting
    if joint != "lap" or _towards(butting, at, toes[0]):
        butting = drawn(butting, toes[0])
    return replace(surfaces, butting=butting, nonbutting=drawn(surfaces.nonbutting, toes[1]))


def led(surfaces: Surfaces, hints: Hints | None, scale: float, joint: Joint) -> Surfaces:
    """The surfaces led past a person's points of a lap's end face, and to the joint root."""
    if hints is None:
        return surfaces
    if joint == "lap":
        surfaces = pass_edge(surfaces, hints.edge, scale)
    return pass_root(surfaces, hints.root[0], scale) if hints.root else surfaces


def held(
    surfaces: Surfaces, hints: Hints | None, pins: list[FloatArray | None], scale: float, joint: Joint
) -> Surfaces:
    """The surfaces drawn from a person's joint root to the toes, or past the toes where that was not given."""
    toes = pins[0], pins[1]
    if hints is not None and hints.root and joint != "bead":
        return through_hints(surfaces, hints.root[0], toes, scale, joint)
    return pass_toes(surfaces, toes, scale, joint)


def said(hints: Hints | None, pins: list[FloatArray | None], joint: Joint) -> tuple[bool, bool]:
    """Whether a person has said where the butting and the nonbutting member's surface lies, by two points of it."""
    if hints is None or joint == "bead":
        return False, False
    root = bool(hints.root)
    on_butting = bool(hints.edge) if joint == "lap" else pins[0] is not None
    return (root and on_butting) or len(hints.edge) > 1, root and pins[1] is not None
