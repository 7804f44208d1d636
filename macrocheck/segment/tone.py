"""Colours of a photo: where the maps show something, and the one tone that tells two sides of an edge apart."""

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, ByteArray, FloatArray, IntArray
from macrocheck.photo import LUMA, Photo
from macrocheck.segment.maps import BACKGROUND, WELD, RegionMaps

_PAYS, _CLEAR = 1.5, 5.0
"""A mix of the colours is used where it sets the sides apart, in standard deviations, by so many times what the
luma does, and the luma by less than so many. Files keep colour for every second pixel at best: it is softer."""
_TOLD = 0.3
"""Standard deviations by which the sides differ at least where their colours say anything."""
_ROUNDING = 2.0
"""Grey levels squared that no channel's variance is under: rounding and compression."""
_MOST = 60.0
"""Grey levels that the sides end up from the middle at most: what is beyond them is cut off at black and white."""
_ENOUGH = 12
"""Stations under which nothing is said of the sides' colours."""

_AIR, _FEWEST = 0.9, 20
"""Probability of background from which a place is air, and places needed to know its colour."""
_SURELY = 0.9
"""Probability of weld metal from which a place is weld metal."""


def places(photo: Photo, maps: RegionMaps, where: BoolArray) -> IntArray:
    """The photo's pixels (k, 2), x and y, nearest to the map pixels `where` (h, w), as far as they lie in it."""
    ys, xs = np.nonzero(where)
    at = np.rint(maps.photo_points(np.column_stack([xs, ys]).astype(np.float64)))
    return np.asarray(at[((at >= 0) & (at < (photo.width, photo.height))).all(axis=1)], np.intp)


def weld_colour(
    photo: Photo, maps: RegionMaps, about: FloatArray, reach: float, *, fewest: int
) -> FloatArray | None:
    """The weld metal's colour (3,) within `reach` map px of a photo point; None where too few px show it."""
    at = places(photo, maps, maps.regions[WELD] > _SURELY)
    at = at[np.hypot(*(at - about).T) < reach * maps.scale]
    if len(at) < fewest:
        return None
    return np.asarray(np.median(photo.pixels[at[:, 1], at[:, 0]], axis=0), np.float64)


def air_places(photo: Photo, maps: RegionMaps) -> IntArray | None:
    """Pixels (k, 2) of the photo, x and y, where the maps show air for certain; None where they show too little."""
    air = np.zeros(maps.shape, np.bool_)
    air[::4, ::4] = maps.regions[BACKGROUND][::4, ::4] > _AIR
    at = places(photo, maps, air)
    return at if len(at) >= _FEWEST else None


def air_colour(photo: Photo, maps: RegionMaps) -> tuple[FloatArray, float] | None:
    """The air's colour (3,) and how far it strays from it, levels; None where too little of it is seen."""
    at = air_places(photo, maps)
    if at is None:
        return None
    colours = photo.pixels[at[:, 1], at[:, 0]].astype(np.float64)
    middle = np.median(colours, axis=0)
    return middle, 1.4826 * float(np.median(np.hypot.reduce(colours - middle, axis=1)))


def grey_on_map(photo: Photo, maps: RegionMaps) -> ByteArray:
    """The photo's grey on the map's pixels, (h, w); its border goes on outside it."""
    h, w = maps.shape
    softened = photo.grey
    matrix = maps.to_photo
    if maps.scale > 1.3:
        # Sampled down: only the part under the crop is softened first.
        corners = maps.photo_points(np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]]))
        x0, y0 = np.maximum(np.floor(corners.min(axis=0)).astype(int), 0)
        x1, y1 = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 1, [photo.width, photo.height])
        softened = np.asarray(cv2.GaussianBlur(softened[y0:y1, x0:x1], (0, 0), 0.4 * maps.scale), np.uint8)
        matrix = matrix.copy()
        matrix[:, 2] -= [x0, y0]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    grey = cv2.warpAffine(softened, matrix, (w, h), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(grey, np.uint8)


def colours_at(photo: Photo, points: FloatArray) -> FloatArray:
    """Colours (n, k, 3) at photo points (n, k, 2), bilinear; the border goes on outside."""
    at = points.astype(np.float32)
    out = cv2.remap(photo.pixels, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out, np.float64)


def telling_tone(photo: Photo, inside: FloatArray, outside: FloatArray) -> ByteArray:
    """Return the photo in one tone, (h, w) uint8, that tells the two sides of an edge apart.

    `inside`, `outside`: (n, k, 2) and (n, l, 2) px, points on either side at n stations along the edge.

    That is its luma, or where the sides differ in colour rather than in brightness the mix of its channels that
    sets them furthest apart for what either varies by beside the edge (Fisher's linear discriminant), as noisy as
    the luma. Medians over the stations: something laid over a part of the edge does not count.
    """
    kept = _within(photo, inside) & _within(photo, outside)
    if kept.sum() < _ENOUGH:
        return photo.grey
    a, b = (_colours(photo, points[kept]) for points in (inside, outside))
    middles = [np.median(side.mean(axis=1), axis=0) for side in (a, b)]
    apart = np.median(b.mean(axis=1) - a.mean(axis=1), axis=0)
    within = 0.5 * (_scatter(a) + _scatter(b)) + _ROUNDING * np.eye(3)
    luma = np.array(LUMA)
    noise = float(np.sqrt(luma @ within @ luma))
    by_luma = abs(float(luma @ apart)) / noise
    mix = np.linalg.solve(within, apart)
    by_colour = float(np.sqrt(apart @ mix))
    if by_luma >= _CLEAR or by_colour <= max(_PAYS * by_luma, _TOLD):
        return photo.grey
    # As noisy as the luma, but no side so far from the middle that it would be cut off.
    mix *= min(noise / by_colour, _MOST / max(0.5 * by_colour**2, 1e-9))
    return _mixed(photo, mix, 0.5 * (middles[0] + middles[1]))


def _within(photo: Photo, points: FloatArray) -> BoolArray:
    """At which stations all points (n, k, 2) lie in the photo, (n,)."""
    at = np.rint(points)
    return np.asarray(((at >= 0) & (at < (photo.width, photo.height))).all(axis=(1, 2)))


def _colours(photo: Photo, points: FloatArray) -> FloatArray:
    """Colours (n, k, 3) of the pixels nearest to points (n, k, 2) in the photo."""
    at = np.rint(points).astype(np.intp)
    return np.asarray(photo.pixels[at[..., 1], at[..., 0]], np.float64)


def _scatter(colours: FloatArray) -> FloatArray:
    """Covariance (3, 3) of colours (n, k, 3) about the mean of their station."""
    off = (colours - colours.mean(axis=1, keepdims=True)).reshape(-1, 3)
    count = colours.shape[1]
    return np.asarray(off.T @ off / len(off) * (count / max(count - 1, 1)))


def _mixed(photo: Photo, mix: FloatArray, middle: FloatArray) -> ByteArray:
    """The photo's channels mixed, `middle` (3,) at mid grey."""
    weights = np.append(mix, 128.0 - float(mix @ middle))[None]
    return np.asarray(cv2.transform(photo.pixels, weights), np.uint8)
