"""The two welds of one tee share its plates: what one shows of a surface helps the other."""

from dataclasses import replace

import numpy as np

from macrocheck.outline import SurfaceLine, WeldOutline
from macrocheck.segment.directions import off_parallel, turned_by
from macrocheck.segment.lines import Line, combine

_BOWED = np.deg2rad(1.0)
"""Standard deviation of the angle by which welding bends a plate under a tee: common practice, no source."""
_UNSURE = np.deg2rad(0.7)
"""A surface whose direction is less sure than this takes what the other weld's says."""
_AT_ODDS = 12.0
"""Misfit (chi squared, 2 degrees of freedom) from which two surfaces are not one plate's."""
_SHORTER = 0.5
"""A face that is a mistake beside the other one must show less than this share of that one's length."""


def _line(surface: SurfaceLine, *, turned: bool = False) -> Line:
    half = surface.length / 2
    d = np.asarray(surface.direction) * (-1.0 if turned else 1.0)
    return Line(np.asarray(surface.point), d, surface.u_offset, surface.u_angle, -half, half)


def _surface(surface: SurfaceLine, line: Line) -> SurfaceLine:
    return replace(
        surface,
        point=(float(line.point[0]), float(line.point[1])),
        direction=(float(line.direction[0]), float(line.direction[1])),
        u_offset=line.u_offset,
        u_angle=line.u_angle,
    )


def share_surfaces(welds: tuple[WeldOutline, WeldOutline]) -> tuple[WeldOutline, WeldOutline]:
    """Return both welds of a tee; a surface little seen at one is drawn from what shows at the other too.

    The nonbutting surface is one; the butting member's two faces are parallel.
    """
    first, second = welds
    out = [
        replace(
            weld,
            surface_nonbutting=_same(weld.surface_nonbutting, other.surface_nonbutting),
            surface_butting=_parallel(weld.surface_butting, other.surface_butting),
        )
        for weld, other in ((first, second), (second, first))
    ]
    return out[0], out[1]


def _same(own: SurfaceLine | None, there: SurfaceLine | None) -> SurfaceLine | None:
    """One plate's surface; where both are at odds beyond their uncertainties and a bent plate's, `own` stays."""
    if own is None or there is None or own.u_angle < _UNSURE or there.u_angle > own.u_angle:
        return own
    known = replace(_line(there, turned=True), u_angle=float(np.hypot(there.u_angle, _BOWED)))
    both, misfit = combine(_line(own), known)
    return own if misfit > _AT_ODDS else _surface(own, both)


def _parallel(own: SurfaceLine | None, there: SurfaceLine | None) -> SurfaceLine | None:
    """A face of a plate whose other face is `there`, both pointing away from the same plate."""
    if own is None or there is None or there.u_angle > own.u_angle:
        return own
    line = _line(own)
    turn, prior, odd = off_parallel(line, _line(there))
    if odd and (own.length > _SHORTER * there.length or abs(turn) > np.pi / 2):
        return own
    if not odd and own.u_angle < _UNSURE:
        return own
    return _surface(own, turned_by(line, turn, prior, odd=odd))


def compare_openings(welds: tuple[WeldOutline, WeldOutline]) -> tuple[WeldOutline, WeldOutline]:
    """Return both welds of a tee; the wider of two unlike openings is as unsure as they are apart.

    The seam between them is one. A butting end cut askew opens it more at one side, but a cavity beside a weld
    looks like a wide opening too.
    """
    first, second = welds[0].gap_px, welds[1].gap_px
    if first is None or second is None:
        return welds
    apart = first[0] - second[0]
    if abs(apart) <= 3.0 * np.hypot(first[1], second[1]):
        return welds
    if apart > 0:
        return replace(welds[0], gap_px=(first[0], float(np.hypot(first[1], 0.5 * apart)))), welds[1]
    return welds[0], replace(welds[1], gap_px=(second[0], float(np.hypot(second[1], 0.5 * apart))))
