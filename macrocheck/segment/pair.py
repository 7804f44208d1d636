"""The two welds of one tee stand on the same plate: what one shows of its surface helps the other."""

from dataclasses import replace

import numpy as np

from macrocheck.outline import SurfaceLine, WeldOutline
from macrocheck.segment.lines import Line, combine

_BOWED = np.deg2rad(1.0)
"""Standard deviation of the angle by which welding bends a plate under a tee: common practice, no source."""
_UNSURE = np.deg2rad(0.7)
"""A surface whose direction is less sure than this takes what the other weld's says."""
_AT_ODDS = 12.0
"""Misfit (chi squared, 2 degrees of freedom) from which two surfaces are not one plate's."""


def _line(surface: SurfaceLine, *, turned: bool = False) -> Line:
    half = surface.length / 2
    d = np.asarray(surface.direction) * (-1.0 if turned else 1.0)
    return Line(np.asarray(surface.point), d, surface.u_offset, surface.u_angle, -half, half)


def share_surface(welds: tuple[WeldOutline, WeldOutline]) -> tuple[WeldOutline, WeldOutline]:
    """Return both welds of a tee; a nonbutting surface little seen at one is drawn from that at the other too.

    Where the two are at odds beyond their uncertainties and a bent plate's, both stay as they are.
    """
    out = []
    for weld, other in (welds, welds[::-1]):
        own, there = weld.surface_nonbutting, other.surface_nonbutting
        if own is None or there is None or own.u_angle < _UNSURE or there.u_angle > own.u_angle:
            out.append(weld)
            continue
        known = replace(_line(there, turned=True), u_angle=float(np.hypot(there.u_angle, _BOWED)))
        both, misfit = combine(_line(own), known)
        if misfit > _AT_ODDS:
            out.append(weld)
            continue
        surface = replace(
            own,
            point=(float(both.point[0]), float(both.point[1])),
            direction=(float(both.direction[0]), float(both.direction[1])),
            u_offset=both.u_offset,
            u_angle=both.u_angle,
        )
        out.append(replace(weld, surface_nonbutting=surface))
    return out[0], out[1]


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
