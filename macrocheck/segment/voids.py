"""Voids: holes in the weld metal, and how sure it is that a spot is one."""

from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, ByteArray, FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.band import Band, across, normals_of
from macrocheck.segment.chains import resample, smooth_open
from macrocheck.segment.layout import Layout
from macrocheck.segment.maps import RegionMaps
from macrocheck.segment.spots import Spot, find_spots

_SMALLEST_VOID = 8.0
"""Map px of area below which a void cannot be told from a speck."""
_NO_HOLE, _FEW = 0.2, 50
"""Probability of a void under which metal is taken to know what grains look like; as many map px at least."""
_EVEN, _STEEP = 2.2, 1.5
"""Log odds, as the network states them at its surest, at which a spot is as likely a void as not; and how fast that
changes with them. Of 20 spots of rendered sections, told by grain and hard, that it gave 0.9 or more 18 were
voids, of 17 that it gave 0.5 to 0.9 one."""
_ALIKE, _SOON = 1.85, 6.0
"""Standard deviations of the weld metal by which a spot must differ from it to be told from a dark grain as often
as not; and how fast that changes with them."""
_WEIGHTS = (-3.6, 0.5, 0.95, 1.4, 0.85, 0.85, -1.0, -2.3, -3.1)
"""Log odds that a spot found by its tone is a void, for each term of `_chance`; fitted to rendered welds' spots."""
_LEAST_CHANCE = 0.03
"""What is less likely a void than that is none."""
_ALIKE_LARGE = 0.75
"""Part of the area that the maps give a spot that it has by its tone, or the other way round, to be the same."""
_FILLED = 0.5
"""Part of what the maps take for a void that dark spots fill at least to bound it better; less are marks in it."""
_NOTABLE = 0.045
"""Part of the weld's size (root of its area) from which an unsure spot is worth a look; others but widen."""
_MINOR = 0.5
"""Part of a sure void's length under which an unsure one beside it changes little and only widens."""
_UNSURE = 0.1
"""Chance of being wrong about a spot from which it is flagged."""
_WHOLE = 0.95
"""A hole that fills less of its convex hull may be several that touch."""
_WAIST = 0.85
"""It is several where it narrows to this part of the narrower one's width."""


@dataclass(frozen=True, eq=False)
class Voids:
    """Voids in one weld: `rings` (k, 2) photo px; `unsure`: middles (x, y) of spots that may or may not be one.

    `u_length`, `u_area`: standard uncertainties of the largest one's longest dimension, px, and of the area of all,
    px^2, from the doubt whether each spot is one.
    """

    rings: tuple[FloatArray, ...] = ()
    unsure: tuple[FloatArray, ...] = ()
    u_length: float = 0.0
    u_area: float = 0.0


def find_voids(photo: Photo, maps: RegionMaps, layout: Layout, grey: ByteArray) -> Voids:
    """Find holes in the weld metal: spots that are more likely one than not, by the maps or by tone alone.

    `grey`: (h, w), the photo's grey on the map's pixels.
    """
    spots = [(spot, _chance(spot, maps)) for spot in find_spots(grey, layout)]
    rings: list[FloatArray] = []
    chances: list[float] = []
    for on_map, ring, by_maps in _by_maps(photo, maps, layout):
        chance = by_maps
        middle = on_map.mean(axis=0)
        within = [pair for pair in spots if _holds(on_map, pair[0].centre) or _holds(pair[0].ring, middle)]
        filled = sum(spot.area for spot, _ in within) / _area(on_map)
        if len(within) == 1 and _ALIKE_LARGE < filled < 1 / _ALIKE_LARGE:
            chance = within[0][1]
        elif filled >= _FILLED:
            # What its tone parts or bounds otherwise is as its tone shows it.
            continue
        inside = {id(spot) for spot, _ in within}
        spots = [pair for pair in spots if id(pair[0]) not in inside]
        rings.append(ring)
        chances.append(chance)
    for spot, chance in spots:
        if chance >= _LEAST_CHANCE:
            # Its outline runs through the middles of its outermost pixels.
            wider = spot.centre + (spot.ring - spot.centre) * (1 + 0.5 / np.sqrt(spot.area / np.pi))
            rings.append(_refine_ring(photo, maps.photo_points(wider), maps.scale))
            chances.append(chance)
    size = float(np.sqrt(layout.weld.sum())) * maps.scale
    return weigh(rings, chances, least=_NOTABLE * size)


def _by_maps(photo: Photo, maps: RegionMaps, layout: Layout) -> list[tuple[FloatArray, FloatArray, float]]:
    """Spots that the maps take for voids: ring in map px, ring in photo px, and the chance that it is one."""
    inside = cv2.erode(layout.weld, np.ones((3, 3), np.uint8))
    p = maps.void * inside
    if float(p.max(initial=0.0)) < 0.5:
        return []
    finer = 4
    big = cv2.resize(p, None, fx=finer, fy=finer, interpolation=cv2.INTER_LINEAR)
    contours, _ = cv2.findContours((big > 0.5).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    out = []
    for contour in (part for whole in contours for part in _apart(whole, _SMALLEST_VOID * finer**2)):
        if cv2.contourArea(contour) < _SMALLEST_VOID * finer**2:
            continue
        ring = (contour[:, 0, :].astype(np.float64) - (finer - 1) / 2) / finer
        refined = _refine_ring(photo, maps.photo_points(ring), maps.scale)
        x, y, w, h = cv2.boundingRect(contour)
        stated = float(np.clip(big[y : y + h, x : x + w].max(), 0.5, 1 - 1e-6))
        stands_out = _standing_out(photo, refined, maps, layout)
        chance = _logistic(_STEEP * (np.log(stated / (1 - stated)) - _EVEN)) * _logistic(
            _SOON * (stands_out - _ALIKE)
        )
        out.append((ring, refined, chance))
    return out


def _holds(ring: FloatArray, point: FloatArray) -> bool:
    return cv2.pointPolygonTest(ring.astype(np.float32), (float(point[0]), float(point[1])), False) >= 0


def _area(ring: FloatArray) -> float:
    return float(cv2.contourArea(ring.astype(np.float32)))


def _chance(spot: Spot, maps: RegionMaps) -> float:
    """How likely a spot that was found by its tone is a void."""
    x, y, w, h = cv2.boundingRect(np.rint(spot.ring).astype(np.int32))
    stated = max(float(maps.void[y : y + h, x : x + w].max(initial=0.0)), 0.003)
    terms = (
        1.0,
        min(spot.over_sd, 12.0) / 5,
        min(spot.over_grain, 6.0) / 2.5,
        np.log(min(spot.area, 100.0) / 25),
        np.log10(stated) + 1.5,
        (spot.solid - 0.97) * 20,
        min(spot.like, 8) / 8,
        float(np.clip(spot.in_row - 1, 0, 3)),
        np.log10(spot.darker + 1e-3) + 2,
    )
    return _logistic(float(np.dot(_WEIGHTS, terms)))


def _logistic(x: float) -> float:
    return float(1 / (1 + np.exp(-x)))


def weigh(rings: list[FloatArray], chances: list[float], *, least: float = 0.0) -> Voids:
    """Take what is more likely a void than not; work out what being wrong about any spot would do.

    `rings`: spots, (k, 2) px; `chances`: of each, that it is a void. `least`: px of length under which a spot is
    too small to be pointed at.
    """
    lengths = [
        float(np.hypot(*(r[:, None] - r[None]).T).max()) for r in (ring[:: len(ring) // 48 + 1] for ring in rings)
    ]
    areas = [_area(ring) for ring in rings]
    taken = [chance >= 0.5 for chance in chances]
    wrong = [min(chance, 1 - chance) for chance in chances]
    stated = max((length for length, is_one in zip(lengths, taken, strict=True) if is_one), default=0.0)
    sure = max(
        (length for length, chance in zip(lengths, chances, strict=True) if chance > 1 - _UNSURE), default=0.0
    )
    least = max(least, _MINOR * sure)
    # The largest is the longest spot that is a void, none of the longer ones being one.
    square, none_longer = 0.0, 1.0
    for k in np.argsort(lengths)[::-1]:
        square += none_longer * chances[k] * (lengths[k] - stated) ** 2
        none_longer *= 1 - chances[k]
    square += none_longer * stated**2
    return Voids(
        rings=tuple(ring for ring, is_one in zip(rings, taken, strict=True) if is_one),
        unsure=tuple(
            ring.mean(axis=0)
            for ring, q, length in zip(rings, wrong, lengths, strict=True)
            if q > _UNSURE and length >= least
        ),
        u_length=float(np.sqrt(square)),
        u_area=float(np.sqrt(sum(q * area**2 for q, area in zip(wrong, areas, strict=True)))),
    )


def _standing_out(photo: Photo, ring: FloatArray, maps: RegionMaps, layout: Layout) -> float:
    """By how many times what the weld metal's own grains differ by a spot differs from it."""
    ys, xs = np.nonzero(layout.weld & (maps.void < _NO_HOLE))
    if len(xs) < _FEW:
        return float("inf")
    every = max(1, len(xs) // 2000)
    around = photo.grey[_pixels(photo, maps.photo_points(np.column_stack([xs, ys])[::every].astype(np.float64)))]
    low = np.floor(ring.min(axis=0)).astype(int) - 1
    mask = np.zeros(tuple(np.ceil(np.ptp(ring, axis=0)).astype(int)[::-1] + 4), np.uint8)
    cv2.fillPoly(mask, [np.round((ring - low) * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
    y, x = np.nonzero(mask)
    within = photo.grey[_pixels(photo, np.column_stack([x, y]) + low)]
    middle = float(np.median(around))
    sd = 1.4826 * float(np.median(np.abs(around - middle)))
    return abs(float(np.median(within)) - middle) / max(sd, 1.0)


def _pixels(photo: Photo, points: FloatArray) -> tuple[AnyArray, AnyArray]:
    """Rows and columns of the photo pixels nearest to (k, 2) points."""
    height, width = photo.grey.shape
    at = np.round(points).astype(np.intp)
    return np.clip(at[:, 1], 0, height - 1), np.clip(at[:, 0], 0, width - 1)


def _apart(contour: AnyArray, least: float) -> list[AnyArray]:
    """Split the outline (k, 1, 2) of holes that touch into theirs; each of `least` px or more."""
    hull = cv2.contourArea(cv2.convexHull(contour))
    if cv2.contourArea(contour) >= _WHOLE * hull or hull < 2 * least:
        return [contour]
    x, y, w, h = cv2.boundingRect(contour)
    mask = np.zeros((h + 2, w + 2), np.uint8)
    cv2.fillPoly(mask, [contour - np.array([[[x - 1, y - 1]]], np.int32)], 1)
    depth = cv2.GaussianBlur(cv2.distanceTransform(mask, cv2.DIST_L2, cv2.DIST_MASK_PRECISE), (0, 0), 1.0)
    # Cores that a waist parts: go down from the deepest and keep what is wide before it meets another.
    markers = np.zeros(mask.shape, np.int32)
    count = 0
    for level in np.linspace(0.95, 0.2, 16) * float(depth.max()):
        _, parts = cv2.connectedComponents((depth > level).astype(np.uint8))
        for k in range(1, int(parts.max()) + 1):
            inside = parts == k
            peak = float(depth[inside].max())
            if not (markers[inside] > 0).any() and level <= _WAIST * peak:
                count += 1
                markers[inside] = count
    if count < 2:
        return [contour]
    away = [cv2.distanceTransform((markers != k).astype(np.uint8), cv2.DIST_L2, 5) for k in range(1, count + 1)]
    nearest = np.argmin(np.stack(away), axis=0) + 1
    out = []
    for k in range(1, count + 1):
        found, _ = cv2.findContours(
            ((nearest == k) & (mask > 0)).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
        )
        out += [c + np.array([[[x - 1, y - 1]]], np.int32) for c in found if cv2.contourArea(c) >= least]
    return out if len(out) > 1 else [contour]


def _refine_ring(photo: Photo, ring: FloatArray, scale: float) -> FloatArray:
    closed = resample(np.vstack([ring, ring[:1]]), max(1.0, 0.5 * scale))[:-1]
    n = len(closed)
    if n < 8:
        return closed
    wrapped = np.vstack([closed[-6:], closed, closed[:6]])
    normal = normals_of(smooth_open(wrapped, 2.0), 1.0)[6:-6]
    centre = closed.mean(axis=0)
    if ((closed - centre) * normal).sum() < 0:
        normal = -normal
    size = float(np.sqrt(((closed - centre) ** 2).sum(axis=1)).mean())
    half = min(2.0 * scale + 1.0, 0.7 * size)
    band = Band(closed, normal, np.arange(-half, half + 0.25, 0.5))
    grey = band.grey(photo.grey)
    slope = np.gradient(across(grey, 1.5), axis=1)
    sign = 1.0 if slope.mean() >= 0 else -1.0
    edge = np.clip(sign * slope, 0, None) * np.exp(-0.5 * (band.offsets / (1.2 * scale)) ** 2)
    strength = edge.max(axis=1)
    if float(np.median(strength)) < 1.0:
        return closed
    weight = edge**2
    offset = (weight * band.offsets).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-6)
    return band.at(np.clip(offset, -half, half))
