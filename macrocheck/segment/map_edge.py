"""Edges between metal and air in the maps: on which side the air lies, and where they run to a part of a map px."""

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.segment.chains import smooth_open
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import BACKGROUND, RegionMaps, sample


def air_side(maps: RegionMaps, line: Line) -> float:
    """+1 where the air lies on the side of a line's normal (photo px), -1 where it lies on the other."""
    stations = np.linspace(line.start, line.end, 24)
    base = line.point + stations[:, None] * line.direction
    air = maps.regions[BACKGROUND]
    reach = 3.0 * maps.scale
    plus = sample(air, maps.map_points(base + reach * line.normal)).sum()
    minus = sample(air, maps.map_points(base - reach * line.normal)).sum()
    return 1.0 if plus >= minus else -1.0


def on_border(maps: RegionMaps, walk: FloatArray) -> FloatArray:
    """Move outline points along the gradient of P(background) to where it is one half; map px."""
    air = maps.regions[BACKGROUND]
    tangent = np.gradient(smooth_open(walk, 3.0), axis=0)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    normal /= np.maximum(np.hypot(normal[:, 0], normal[:, 1]), 1e-9)[:, None]
    offsets = np.arange(-3.0, 3.01, 0.5)
    at = walk[:, None, :] + offsets[None, :, None] * normal[:, None, :]
    p = sample(air, at.reshape(-1, 2)).reshape(at.shape[:2])
    rising = p[:, -1] > p[:, 0]
    q = np.where(rising[:, None], p, p[:, ::-1])
    # For a ramp from 0 to 1 the crossing of one half is where its complement's integral ends.
    ends = np.clip(q[:, -1:] - q[:, :1], 0.2, None)
    unit = np.clip((q - q[:, :1]) / ends, 0, 1)
    shift = offsets[-1] - (unit.sum(axis=1) - 0.5) * 0.5
    shift = np.where(rising, shift, -shift)
    return np.asarray(walk + np.clip(shift, -2, 2)[:, None] * normal)
