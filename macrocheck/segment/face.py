"""The weld face: where weld metal ends against the air, to sub-pixel on the photo."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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
_FLOOR_PX, _NOISE, _BLUR, _SHARP, _SCATTER, _UNSEEN = 0.05, 1.04, 0.024, 2.0, 0.97, 4.0
"""Standard error of the face: photo px that no edge is surer than; shares of what noise makes of it, of the edge's
width over `_SHARP` px, of the readings' scatter along it, and of the maps' spread where the photo shows no edge.

Fitted to how far the faces of 420 rendered welds, fair, told by grain and hard, lie off the true ones.
"""
_WINDOW, _WINDOWS, _ROUNDS = 0.6, (1.6, 3.0), 2
"""The middle of an edge is that of so many widths of it to either side, photo px from and to, found in rounds."""
_CORNER = 0.25
"""Of the distance from the face's end: no wider window is looked into there."""


_SHOWN = 0.8
"""How surely the photo shows the edge where its width is that of the photo's blur."""


@dataclass(frozen=True, eq=False)
class AirLine:
    """An outline against the air, photo px: `points` (n, 2), `u` (n,), `seen` (n,) the photo showed the edge.

    `width` (n,): how wide the photo shows the edge, px from tone to tone.
    """

    points: FloatArray
    u: FloatArray
    seen: FloatArray
    width: FloatArray

    @property
    def blur(self) -> float:
        """Typical width of the edge where the photo shows it, px."""
        shown = self.width[self.seen > _SHOWN]
        return float(np.median(shown if len(shown) else self.width))

    def taken(self, which: slice | NDArray[np.intp] | BoolArray) -> "AirLine":
        """Return the points `which` alone, in that order."""
        return AirLine(self.points[which], self.u[which], self.seen[which], self.width[which])

    def begun(self, points: FloatArray, u: float, width: float) -> "AirLine":
        """The line with `points` (k, 2) px before it that the photo shows, all as unsure and as wide."""
        many = len(points)
        return AirLine(
            np.vstack([points, self.points]),
            np.concatenate([np.full(many, u), self.u]),
            np.concatenate([np.ones(many), self.seen]),
            np.concatenate([np.full(many, width), self.width]),
        )


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
    own = np.exp(stated) * (np.abs(band.offsets[None] - offset[:, None]) < 2.5 * scale)
    peak = strength[np.arange(len(base)), path]
    width = along((np.abs(fall) / np.maximum(peak, 0.1 * typical))[:, None], 5.0)[:, 0]
    # Beside a toe the plate's own edge is near.
    from_end = np.minimum(np.arange(len(base)), np.arange(len(base))[::-1]) * spacing
    widest = np.clip(_CORNER * from_end, *_WINDOWS)
    by_photo = _middle(strength, band.offsets, offset, np.clip(_WINDOW * width, _WINDOWS[0], widest))
    by_maps = (own * band.offsets).sum(axis=1) / own.sum(axis=1)
    spread = np.sqrt((own * (band.offsets - by_maps[:, None]) ** 2).sum(axis=1) / own.sum(axis=1))
    seen = np.clip((peak - 0.2 * typical) / (0.3 * typical), 0, 1) * shows
    seen = along(seen[:, None], 1.5)[:, 0]
    placed = np.where(pinned, offset, seen * by_photo + (1 - seen) * by_maps)
    smooth = along(placed[:, None], 1.2)[:, 0]
    noise = _noise(grey, inner)
    localised = 1.9 * noise / np.maximum(np.abs(fall), 4.0)
    doubts = (
        _FLOOR_PX,
        _NOISE * seen * localised,
        _BLUR * np.maximum(width - _SHARP, 0.0),
        _SCATTER * _scatter(placed),
        _UNSEEN * (1 - seen) * spread,
    )
    u = np.sqrt(sum(d**2 for d in doubts))
    return AirLine(band.at(smooth), along(u[:, None], 3.0)[:, 0], seen, width)


def _middle(strength: FloatArray, offsets: FloatArray, start: FloatArray, half: FloatArray) -> FloatArray:
    """Middle of each row's edge, from `start` on, over `half` to either side: (rows,) px."""
    middle = start
    for _ in range(_ROUNDS):
        weight = strength**2 * (np.abs(offsets[None] - middle[:, None]) < half[:, None])
        total = weight.sum(axis=1)
        middle = np.where(total > 1e-6, (weight * offsets).sum(axis=1) / np.maximum(total, 1e-6), middle)
    return middle


def _scatter(placed: FloatArray) -> FloatArray:
    """Root mean square of the readings' departures from their own smooth run, (rows,) px."""
    away = placed - along(placed[:, None], 6.0)[:, 0]
    return np.asarray(np.sqrt(along((away**2)[:, None], 15.0)[:, 0]))


def _noise(grey: FloatArray, inner: BoolArray) -> float:
    """Typical grey noise in the metal just inside, grey levels."""
    metal = grey[:, inner]
    if metal.shape[1] < 3:
        return 5.0
    return float(np.median(metal.std(axis=1))) + 0.5
