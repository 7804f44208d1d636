"""A narrow groove beside a toe, looked for on the photo: the maps close over what is a few of their pixels wide."""

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import BUTTING, NONBUTTING, RegionMaps, sample

_REACH, _DEEPEST = 0.3, 0.3
"""How far beyond the toe, and how far under the surface, a groove is looked for, in legs."""
_NEAR = 0.12
"""A groove beside a toe begins within this part of a leg of it."""
_CLEAR = 5.0
"""Air and metal differ by at least so many standard deviations of either, or tone tells nothing."""
_SHALLOW = 1.5
"""Map px under the surface from which there is a groove at all."""


def find_notch(photo: Photo, maps: RegionMaps, toe: FloatArray, line: Line, leg: float) -> FloatArray | None:
    """Outline (k, 2) photo px of a groove open to the air beside `toe`, from the toe outwards; None without one.

    `line` points from the joint root past the toe; `leg`: px, sets how far is looked.
    """
    scale = maps.scale
    start = line.foot(toe[None])[0]
    along = np.arange(1.0, max(_REACH * leg, 12.0 * scale))
    foot = start + along[:, None] * line.direction
    member = maps.regions[BUTTING] + maps.regions[NONBUTTING]
    sides = [float(maps.sample(member, foot + k * 6.0 * scale * line.normal).mean()) for k in (1.0, -1.0)]
    if max(sides) < 0.6 or min(sides) > 0.4:
        return None
    inward = line.normal if sides[0] > sides[1] else -line.normal
    depth = np.arange(-8.0 * scale, max(_DEEPEST * leg, 8.0 * scale), 1.0)
    points = foot[:, None] + depth[None, :, None] * inward
    height, width = photo.grey.shape
    inside = (points >= 1).all(axis=2) & (points[..., 0] < width - 2) & (points[..., 1] < height - 2)
    on = inside.all(axis=1)
    stop = len(on) if on.all() else int(np.argmin(on))
    if stop < 8.0 * scale:
        return None
    grey = sample(photo.grey, points[:stop].reshape(-1, 2).astype(np.float32)).reshape(stop, len(depth))
    over, under = grey[:, depth < -3.0 * scale], grey[:, depth > 3.0 * scale]
    air, metal = float(np.median(over)), float(np.median(under))
    noise = 1.4826 * max(float(np.median(np.abs(over - air))), float(np.median(np.abs(under - metal))), 0.7)
    if abs(air - metal) < _CLEAR * noise:
        return None
    # How far air reaches down without a break, station by station.
    is_air = (grey - (air + metal) / 2) * np.sign(air - metal) > 0
    below = is_air[:, depth > -0.5 * scale]
    reach = np.where(below.all(axis=1), below.shape[1], np.argmin(below, axis=1)).astype(np.float64) - 0.5 * scale
    three = np.stack([np.roll(reach, k) for k in (-1, 0, 1)])
    reach = np.clip(np.median(three, axis=0), 0.0, None)
    deep = np.flatnonzero(reach > _SHALLOW * scale + 1.0)
    if not len(deep) or along[deep[0]] > _NEAR * leg + 2.0 * scale:
        return None
    # The first stretch only, and it has to come back up: else it is the plate's end.
    gaps = np.flatnonzero(np.diff(deep) > 2.0 * scale)
    last = int(deep[gaps[0]] if len(gaps) else deep[-1])
    after = reach[last + 1 : last + 1 + int(4.0 * scale)]
    if len(after) < 3.0 * scale or (after > _SHALLOW * scale + 1.0).any():
        return None
    first = int(deep[0])
    bottom = foot[first : last + 1] + reach[first : last + 1, None] * inward
    return np.vstack([toe, foot[max(first - 1, 0)], bottom, foot[last + 1]])
