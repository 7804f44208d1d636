"""A wide opening behind the weld, told by the air seen through it: the network may take it for part of a plate."""

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.maps import RegionMaps
from macrocheck.segment.tone import air_colour, colours_at

_NARROWEST = 3.0
"""Map px: narrower openings are left to the maps and to what a groove looks like."""
_START, _WAVY = 3.0, 0.1
"""Map px about the nonbutting surface within which the opening begins, or a part of the width that is looked over
where that is more: plates' edges are not straight all the way."""
_BEYOND = 6.0
"""Map px of plate that must be seen on either side."""
_ROWS = 8
"""Stations that are looked at together."""
_AGREE = 0.6
"""Part of the rows that must show the opening; the middle half of them differ by a tenth of the width or 2 px."""
_APART, _PLAIN = 14.0, 3.0
"""Colour levels by which air and plates differ at least, and times what the air itself varies by."""
_LIKE = 0.4
"""Part of the way from the air's colour to the plates' up to which a colour is the air's."""


def see_through(
    photo: Photo, maps: RegionMaps, points: FloatArray, offsets: FloatArray
) -> tuple[float, float] | None:
    """Where an opening behind the weld begins, as an offset, and its width, px, told by the air seen through it.

    `points`: (n, k, 2) px, n stations behind the weld by k `offsets` (k,) px, evenly spaced from well inside the
    nonbutting member across the faying line, near offset 0, into the butting one. None where none is seen surely.
    """
    air = air_colour(photo, maps)
    if air is None or len(points) < _ROWS:
        return None
    colour, stray = air
    scale = maps.scale
    rows = np.array_split(colours_at(photo, points), max(1, len(points) // _ROWS))
    own = offsets < -_START * scale
    start = max(_START * scale, _WAVY * float(offsets[-1]))
    begins, widths = [], []
    for row in rows:
        middle = np.median(row, axis=0)
        off = np.hypot.reduce(middle - colour, axis=1)
        plate = float(np.median(off[own]))
        if plate < max(_APART, _PLAIN * stray):
            continue
        through = off < _LIKE * plate
        first = int(np.argmax(through & (offsets > -_START * scale)))
        if not through[first] or offsets[first] > start:
            continue
        rest = through[first:]
        if rest.all():
            continue
        last = first + int(np.argmin(rest))
        beyond = off[last : last + int(_BEYOND * scale / (offsets[1] - offsets[0]))]
        if len(beyond) < 3 or np.median(beyond[len(beyond) // 2 :]) < max(_APART, _PLAIN * stray):
            continue
        begins.append(float(offsets[first]))
        widths.append(float(offsets[last - 1] - offsets[first]))
    if len(widths) < max(2, _AGREE * len(rows)):
        return None
    width = float(np.median(widths))
    quarter, three = np.percentile(widths, [25, 75])
    if width < _NARROWEST * scale or three - quarter > max(0.1 * width, 2.0):
        return None
    return float(np.median(begins)), width
