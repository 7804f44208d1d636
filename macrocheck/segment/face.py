"""The weld face: where weld metal ends against the air, to sub-pixel on the photo."""

from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import BoolArray, FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.band import Band, across, along, best_path, normals_of
from macrocheck.segment.chains import resample, smooth_open
from macrocheck.segment.hints import Hints
from macrocheck.segment.maps import BACKGROUND, RegionMaps
from macrocheck.segment.steer import bend_to_hints, hint_cost
from macrocheck.segment.tone import telling_tone

_HALF = 4.0
"""Half width of the band around the maps' border, map px."""
_FLOOR_PX, _OWN = 0.11, 1.7
"""Photo px that no edge is surer than, and what of a stretch's own doubt is added to them.

Fitted to how far the faces of 254 rendered welds, fair and hard, lie off the true ones.
"""


@dataclass(frozen=True, eq=False)
class AirLine:
    """An outline against the air, photo px: `points` (n, 2), `u` (n,), `seen` (n,) the photo showed the edge."""

    points: FloatArray
    u: FloatArray
    seen: FloatArray


def trace_air(photo: Photo, maps: RegionMaps, outline: FloatArray, hints: Hints | None = None) -> AirLine:
    """Refine an outline of metal against air; `outline`: (n, 2) map px from `layout`; `hints`: it passes there."""
    scale = maps.scale
    base = maps.photo_points(resample(smooth_open(outline, 2.0), 1.0))
    spacing = max(1.0, 0.5 * scale)
    base = smooth_open(resample(bend_to_hints(base, hints, scale), spacing), 2.0)
    normal = normals_of(base, 4.0)
    air = maps.regions[BACKGROUND]
    reach = 3.0 * scale
    if maps.sample(air, base + reach * normal).sum() < maps.sample(air, base - reach * normal).sum():
        normal = -normal
    half = _HALF * scale + 1.5
    step = 0.5
    band = Band(base, normal, np.arange(-half, half + step / 2, step))
    # What the maps say: P(air) rises along the offsets.
    rise = np.clip(np.gradient(maps.sample(air, band.points()), axis=1), 0, None)
    rise = along(across(rise, 0.7 * scale / step), 1.0) + 1e-4
    stated = np.log(rise / rise.sum(axis=1, keepdims=True) + 1e-5)
    inner = (band.offsets < -1.5 * scale - 1) & (band.offsets > -4 * scale - 2)
    outer = (band.offsets > 1.5 * scale + 1) & (band.offsets < 4 * scale + 2)
    at = band.points()
    grey = band.grey(telling_tone(photo, at[:, inner], at[:, outer]))
    slope = np.gradient(across(along(grey, 1.2), 1.0 / step), axis=1) / step
    fall = along((grey[:, outer].mean(axis=1) - grey[:, inner].mean(axis=1))[:, None], 25.0)[:, 0]
    sign = np.where(fall >= 0, 1.0, -1.0)
    edge = sign[:, None] * slope
    strength = np.clip(edge, 0, None)
    typical = float(np.percentile(strength.max(axis=1), 60)) + 1e-6
    shows = min(1.0, typical / 3.0)
    gain = 5.0 * shows * np.clip(strength / typical, 0, 1)
    extra, pinned = hint_cost(band, hints, scale, -(stated + gain))
    path = best_path(extra - (stated + gain), stiffness=0.25)
    offset = band.offsets[path]
    near = np.abs(band.offsets[None] - offset[:, None]) < 1.6
    weight = strength**2 * near
    own = np.exp(stated) * (np.abs(band.offsets[None] - offset[:, None]) < 2.5 * scale)
    total = weight.sum(axis=1)
    by_photo = np.where(total > 1e-6, (weight * band.offsets).sum(axis=1) / np.maximum(total, 1e-6), offset)
    by_maps = (own * band.offsets).sum(axis=1) / own.sum(axis=1)
    spread = np.sqrt((own * (band.offsets - by_maps[:, None]) ** 2).sum(axis=1) / own.sum(axis=1))
    peak = strength[np.arange(len(base)), path]
    seen = np.clip((peak - 0.2 * typical) / (0.3 * typical), 0, 1) * shows
    seen = along(seen[:, None], 1.5)[:, 0]
    placed = np.where(pinned, offset, seen * by_photo + (1 - seen) * by_maps)
    smooth = along(placed[:, None], 1.2)[:, 0]
    noise = _noise(grey, inner)
    localised = 1.9 * noise / np.maximum(np.abs(fall), 4.0)
    u = _FLOOR_PX + _OWN * np.hypot(seen * localised, (1 - seen) * spread)
    return AirLine(band.at(smooth), along(u[:, None], 3.0)[:, 0], seen)


def _noise(grey: FloatArray, inner: BoolArray) -> float:
    """Typical grey noise in the metal just inside, grey levels."""
    metal = grey[:, inner]
    if metal.shape[1] < 3:
        return 5.0
    return float(np.median(metal.std(axis=1))) + 0.5
