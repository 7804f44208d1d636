"""What labels must not hide, as a map: the outline above all, then dimensions, marks, weld metal, members."""

from collections.abc import Sequence

import numpy as np

from macrocheck.outline import WeldOutline
from macrocheck.report.frame import Frame
from macrocheck.report.geometry import WeldPoints
from macrocheck.report.tags import Map
from macrocheck.results import Result

_SQUARE = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])

# Costs of covering one square em.
_MARGIN, _AIR, _MEMBER, _METAL, _NEAR = 0.6, 0.8, 2.0, 7.0, 9.0
_SURFACE, _FAINT, _MARK, _DIMENSION, _UNFUSED, _FACE, _FUSION = 6.0, 8.0, 12.0, 40.0, 50.0, 60.0, 90.0


def cost_map(result: Result, points: Sequence[WeldPoints], frame: Frame, em: float) -> Map:
    """Return the map of costs for labels of text size `em`, px of the drawing."""
    costs = Map(frame.width, frame.height, em)
    costs.area(_SQUARE * (frame.width, frame.height), _MARGIN)
    costs.area(frame.place(_SQUARE * (result.outline.width, result.outline.height) - 0.5), _MEMBER)
    pairs = list(zip(result.outline.welds, points, strict=True))
    for weld, found in pairs:
        _air(costs, weld, found, frame)
    for weld, _ in pairs:
        costs.area(frame.place(weld.polygon), _METAL)
        costs.line(frame.place(np.vstack([weld.polygon, weld.polygon[:1]])), _NEAR, 3.0)
    for weld, found in pairs:
        _lines(costs, weld, found, frame)
    for mark in result.scale.marks:
        costs.line(frame.place(mark.points_px), _MARK, 1.5)
    return costs


def _air(costs: Map, weld: WeldOutline, found: WeldPoints, frame: Frame) -> None:
    """What lies before the face, and the wedge between the members there."""
    chord = np.ptp(weld.face, axis=0)
    far = 4.0 * float(np.hypot(*chord))
    out = weld.face.mean(axis=0) - weld.fusion.mean(axis=0)
    length = float(np.hypot(*out))
    if length > 0:
        shifted = weld.face + far * out / length
        costs.area(frame.place(np.vstack([weld.face, shifted[::-1]])), _AIR)
    if found.joint_root is None or weld.surface_butting is None or weld.surface_nonbutting is None:
        return
    root = found.joint_root
    a, b = (far * np.asarray(s.direction) for s in (weld.surface_butting, weld.surface_nonbutting))
    costs.area(frame.place(np.array([root, root + a, root + a + b, root + b])), _AIR)


def _lines(costs: Map, weld: WeldOutline, found: WeldPoints, frame: Frame) -> None:
    for surface in found.surfaces:
        for line in (surface.seen, *surface.hidden):
            if line is not None:
                costs.line(frame.place(line), _SURFACE)
    for edge in (weld.haz_butting, weld.haz_nonbutting, *weld.voids, *weld.indications):
        if edge is not None:
            costs.line(frame.place(edge), _FAINT)
    for dimension in found.dimensions:
        costs.line(frame.place(dimension.line), _DIMENSION)
        for helper in dimension.helpers:
            costs.line(frame.place(helper), _FAINT)
    for spans in found.unfused.values():
        for span in spans:
            costs.line(frame.place(span), _UNFUSED, 1.0)
    costs.line(frame.place(weld.face), _FACE, 0.8)
    costs.line(frame.place(weld.fusion), _FUSION, 0.9)
