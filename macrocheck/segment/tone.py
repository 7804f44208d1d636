"""The one tone of a photo that tells two sides of an edge apart: luma, or a mix of colours where that says more."""

import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.photo import Photo

_PAYS, _CLEAR = 1.5, 5.0
"""A mix of the colours is used where it sets the sides apart, in standard deviations, by so many times what the
luma does, and the luma by less than so many. Files keep colour for every second pixel at best: it is softer."""
_TOLD = 0.3
"""Standard deviations by which the sides differ at least where their colours say anything."""
_ROUNDING = 2.0
"""Grey levels squared that no channel's variance is under: rounding and compression."""
_MOST = 60.0
"""Grey levels that the sides end up from the middle at most: what is beyond them is cut off at black and white."""
_ENOUGH = 40
"""Points on either side under which nothing is said of their colours."""


def telling_tone(photo: Photo, inside: FloatArray, outside: FloatArray) -> ByteArray:
    """Return the photo in one tone, (h, w) uint8, that tells `inside` from `outside`; both (n, 2) px.

    That is its luma, or where the sides differ in colour rather than in brightness the mix of its channels that
    sets them furthest apart for what either side varies by (Fisher's linear discriminant), as noisy as the luma.
    """
    a, b = (_colours(photo, points) for points in (inside, outside))
    if len(a) < _ENOUGH or len(b) < _ENOUGH:
        return photo.grey
    apart = b.mean(axis=0) - a.mean(axis=0)
    within = 0.5 * (np.cov(a, rowvar=False) + np.cov(b, rowvar=False)) + _ROUNDING * np.eye(3)
    luma = np.array([0.299, 0.587, 0.114])
    noise = float(np.sqrt(luma @ within @ luma))
    by_luma = abs(float(luma @ apart)) / noise
    mix = np.linalg.solve(within, apart)
    by_colour = float(np.sqrt(apart @ mix))
    if by_luma >= _CLEAR or by_colour <= max(_PAYS * by_luma, _TOLD):
        return photo.grey
    # As noisy as the luma, but no side so far from the middle that it would be cut off.
    mix *= min(noise / by_colour, _MOST / max(0.5 * by_colour**2, 1e-9))
    return _mixed(photo, mix, 0.5 * (a.mean(axis=0) + b.mean(axis=0)))


def _colours(photo: Photo, points: FloatArray) -> FloatArray:
    """Colours (m, 3) of the pixels nearest to those of the points that lie in the photo."""
    at = np.rint(points).astype(np.intp)
    kept = (at >= 0).all(axis=1) & (at[:, 0] < photo.width) & (at[:, 1] < photo.height)
    return np.asarray(photo.pixels[at[kept, 1], at[kept, 0]], np.float64)


def _mixed(photo: Photo, mix: FloatArray, middle: FloatArray) -> ByteArray:
    """The photo's channels mixed, `middle` (3,) at mid grey."""
    import cv2

    weights = np.append(mix, 128.0 - float(mix @ middle))[None]
    return np.asarray(cv2.transform(photo.pixels, weights), np.uint8)
