"""A narrow groove beside a toe, looked for on the photo: the maps close over what is a few of their pixels wide."""

import numpy as np

from macrocheck.arrays import BoolArray, FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import BUTTING, NONBUTTING, RegionMaps, sample
from macrocheck.segment.tone import telling_tone

_REACH, _DEEPEST = 0.3, 0.3
"""How far beyond the toe, and how far under the surface, a groove is looked for, in legs."""
_NEAR = 0.12
"""A groove beside a toe begins within this part of a leg of it."""
_CLEAR = 5.0
"""Air and metal differ by at least so many standard deviations of either, or tone tells nothing."""
_JAGGED = 1.6
"""A groove's bottom goes down and up once; one that strays this many times as far is noise."""
_LIKE, _TONES = 0.25, 8.0
"""A hollow is as the air where no channel differs from it by more than this part of what metal does, or so many
levels."""
_SHALLOW = 1.5
"""Map px under the surface from which there is a groove at all."""


def _stretch(reach: FloatArray, scale: float, latest: int) -> tuple[int, int] | None:
    """First and last station of the groove in depths a px apart; None where none begins by `latest`."""
    deep = np.flatnonzero(reach > _SHALLOW * scale + 1.0)
    if not len(deep) or deep[0] > latest:
        return None
    # The first stretch only, and it has to come back up: else it is the plate's end.
    gaps = np.flatnonzero(np.diff(deep) > 2.0 * scale)
    first, last = int(deep[0]), int(deep[gaps[0]] if len(gaps) else deep[-1])
    after = reach[last + 1 : last + 1 + int(4.0 * scale)]
    within = reach[first : last + 1]
    strays = float(np.abs(np.diff(within, prepend=0.0, append=0.0)).sum())
    back = len(after) >= 3.0 * scale and bool((after <= _SHALLOW * scale + 1.0).all())
    return (first, last) if back and strays <= _JAGGED * 2.0 * float(within.max()) else None


def _as_air(photo: Photo, points: FloatArray, hollow: BoolArray, over: BoolArray, under: BoolArray) -> bool:
    """Whether a hollow has the air's own colour: a heat-affected zone beside the toe may lie half way to it.

    `points`: (n, k, 2) px. `hollow`: (n, k). `over`, `under`: (k,) of air and of metal.
    """
    if hollow.sum() < 4:
        return False
    tones = []
    for where in (hollow, np.broadcast_to(over, hollow.shape), np.broadcast_to(under, hollow.shape)):
        at = np.rint(points[where]).astype(int)
        tones.append(np.median(photo.pixels[at[:, 1], at[:, 0]].reshape(len(at), -1), axis=0).astype(float))
    inside, air, metal = tones
    return bool(np.abs(inside - air).max() < max(_LIKE * float(np.abs(air - metal).max()), _TONES))


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
    tone = telling_tone(photo, points[:stop, depth > 3.0 * scale], points[:stop, depth < -3.0 * scale])
    grey = sample(tone, points[:stop].reshape(-1, 2).astype(np.float32)).reshape(stop, len(depth))
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
    stretch = _stretch(reach, scale, int(_NEAR * leg + 2.0 * scale - along[0]))
    if stretch is None:
        return None
    first, last = stretch
    within = reach[first : last + 1]
    hollow = np.zeros(grey.shape, np.bool_)
    hollow[first : last + 1] = (depth > 0) & (depth < within[:, None] - 0.3 * scale)
    if not _as_air(photo, points[:stop], hollow, depth < -3.0 * scale, depth > 3.0 * scale):
        return None
    bottom = foot[first : last + 1] + reach[first : last + 1, None] * inward
    return np.vstack([toe, foot[max(first - 1, 0)], bottom, foot[last + 1]])
