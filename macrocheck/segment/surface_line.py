"""A surface's line from a stretch of metal's outline in the maps, laid on the photo's own edge."""

from dataclasses import replace

import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.lines import Line, fit_line
from macrocheck.segment.map_edge import air_side, on_border
from macrocheck.segment.maps import RegionMaps
from macrocheck.segment.photo_line import refine_line
from macrocheck.segment.ragged import settle
from macrocheck.segment.tone import telling_tone

_MAP_FLOOR = 0.35
"""Map px: a line seen in the maps alone is no surer than this."""
_CUT_FACE = 0.2
"""Px by which a short end face's ends may be off each other: cuts are wavy, corners rounded (as measured)."""
_ONWARD = 3.0
"""A surface is followed past the crop for at most this many times its stretch in the crop."""
_BESIDE = (2.0, 3.0, 4.0, 5.0, 6.0)
"""Map px to either side of a surface at which the colours of metal and air are taken."""


def _tone_across(photo: Photo, line: Line, air_side: float, scale: float) -> ByteArray:
    """The photo in the tone that tells metal from air along a surface."""
    stations = np.linspace(line.start, line.end, max(24, int(line.length / scale)))
    base = line.point + stations[:, None] * line.direction
    out = air_side * scale * np.multiply.outer(np.array(_BESIDE), line.normal)
    return telling_tone(photo, base[:, None] - out, base[:, None] + out)


def line_on(
    photo: Photo,
    maps: RegionMaps,
    walk: FloatArray,
    stretch: tuple[int, int],
    *,
    follow: bool,
    skip: float = 2.0,
    short: bool = False,
) -> Line:
    """The line along the stretch [i, j) of an outline (n, 2), map px; photo px.

    `follow`: past the crop too. `skip`: map px beyond the toe that belong to the corner. `short`: an end face,
    whose direction its few px do not tell.
    """
    i, j = stretch
    points = on_border(maps, walk)[i:j]
    # The first few map px beyond a toe belong to the corner, not to the surface.
    cut = int(min(max(skip - i, 0), 0.25 * len(points)))
    rough = fit_line(
        maps.photo_points(points[cut:]), floor=_MAP_FLOOR * maps.scale, wobble=(0.6 if short else 0.25) * maps.scale
    )
    onward = _ONWARD * rough.length if follow and j >= len(walk) - 5 else 0.0
    side = air_side(maps, rough)
    tone = _tone_across(photo, rough, side, maps.scale)
    fine = refine_line(tone, rough, scale=maps.scale, onward=onward, air_side=side)
    if fine is not None:
        fine = settle(tone, fine, side)
    if fine is not None and short:
        fine = replace(fine, u_angle=float(np.hypot(fine.u_angle, _CUT_FACE / (fine.length / 2))))
    if fine is None:
        return rough
    # Where photo and maps tell different lines apart from their own doubts, neither is to be trusted alone.
    gap = abs(float(fine.distance(rough.point[None])[0]))
    doubt = max(0.0, gap - 2.0 * rough.u_offset - 1.0 * maps.scale)
    if doubt > 0:
        return replace(fine, u_offset=float(np.hypot(fine.u_offset, doubt)))
    return fine
