"""An open pocket at the joint root, between the members and the weld, that the network takes for weld metal.

It is told by the air that is seen in it: where weld metal and air differ in colour, and the fusion boundary runs
round a spot of the air's colour, the boundary is the spot's side towards the weld.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, ByteArray, Float32Array, FloatArray, IntArray
from macrocheck.photo import Photo
from macrocheck.segment.chains import distance_map, resample, smooth_open
from macrocheck.segment.hints import Hints
from macrocheck.segment.maps import RegionMaps
from macrocheck.segment.tone import air_colour, weld_colour

_REACH = 0.3
"""Legs about the joint root within which a pocket is looked for."""
_NEAR, _ENOUGH = 40.0, 60
"""Map px about the joint root in which the weld metal's colour is taken, and pixels of it needed."""
_APART, _PLAIN = 20.0, 5.0
"""Colour levels by which air and weld metal differ at least, and times what the air itself varies by."""
_AIRY, _CLEARLY = 0.5, 0.2
"""Part of the way from the air's colour to the weld metal's up to which a colour is the air's, and in a pocket's
middle."""
_THICK, _AREA = 1.5, 16.0
"""Map px that a pocket's middle lies from its edge at least; square map px that it takes up."""
_ALONG, _CLOSE = 0.35, 2.0
"""Part of a pocket's edge that lies along the fusion boundary at least (a pore by it only touches it); map px."""
_OFF_FACE = 5.0
"""Map px that it keeps clear of the face."""
_U = 0.4
"""Map px: standard uncertainty of its side towards the weld."""


@dataclass(frozen=True, eq=False)
class _Window:
    """A part of the photo about the joint root, px from `low`: `away` (h, w) how far a colour is from the air's
    towards the weld metal's, `inside` (h, w) the weld, and distances (h, w) from its face and fusion boundary."""

    low: IntArray
    away: Float32Array
    inside: BoolArray
    from_face: Float32Array
    from_fusion: Float32Array


def without_pocket(
    photo: Photo,
    maps: RegionMaps,
    curves: tuple[FloatArray, FloatArray],
    u: FloatArray,
    root: FloatArray | None,
    hints: Hints | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return fusion boundary (m, 2) px and its u (m,) px, past the pocket at the joint root if there is one.

    `curves`: face and fusion boundary (n, 2), (m, 2) px; `root`: where the surfaces meet. Unchanged where a person
    has placed points on the boundary.
    """
    fusion = curves[1]
    window = None if root is None or (hints is not None and hints.through) else _window(photo, maps, curves, root)
    spot = None if window is None else _spot(window, maps.scale)
    if window is None or spot is None:
        return fusion, u
    side = _side(window, spot, maps.scale)
    i, j = _round(fusion - window.low, spot, maps.scale)
    if len(side) < 4 or i < 1 or j > len(fusion) - 2:
        return fusion, u
    side = side + window.low
    if np.hypot(*(side[0] - fusion[i])) > np.hypot(*(side[-1] - fusion[i])):
        side = side[::-1]
    passed = np.vstack([fusion[:i], side, fusion[j + 1 :]])
    return passed, np.concatenate([u[:i], np.full(len(side), _U * maps.scale), u[j + 1 :]])


def _window(
    photo: Photo, maps: RegionMaps, curves: tuple[FloatArray, FloatArray], root: FloatArray
) -> _Window | None:
    """What lies about the joint root; None where the colours of air and weld metal do not tell them apart."""
    face, fusion = curves
    scale = maps.scale
    air = air_colour(photo, maps)
    weld = weld_colour(photo, maps, root, _NEAR, fewest=_ENOUGH)
    if air is None or weld is None:
        return None
    apart = float(np.hypot.reduce(weld - air[0]))
    reach = max(_REACH * 0.7 * float(np.hypot(*(face[0] - face[-1]))), 12.0 * scale)
    low = np.maximum(np.floor(root - reach), 0).astype(np.intp)
    high = np.minimum(np.ceil(root + reach) + 1, (photo.width, photo.height)).astype(np.intp)
    if apart < max(_APART, _PLAIN * air[1]) or ((high - low) < 8).any():
        return None
    part = photo.pixels[low[1] : high[1], low[0] : high[0]].astype(np.float32)
    off = cv2.GaussianBlur(part, (0, 0), 1.0) - air[0].astype(np.float32)
    inside = np.zeros(part.shape[:2], np.uint8)
    cv2.fillPoly(inside, [np.rint(np.vstack([face, fusion]) - low).astype(np.int32)], (1,))
    from_face, from_fusion = (distance_map(line - low, part.shape[:2]) for line in curves)
    return _Window(low, np.linalg.norm(off, axis=2) / apart, inside > 0, from_face, from_fusion)


def _spot(window: _Window, scale: float) -> ByteArray | None:
    """The largest spot of the air's colour that is a pocket along the fusion boundary."""
    airy = ((window.away < _AIRY) & window.inside).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(airy, connectivity=4)
    for k in sorted(range(1, count), key=lambda k: -int(stats[k, cv2.CC_STAT_AREA])):
        if stats[k, cv2.CC_STAT_AREA] < _AREA * scale**2:
            return None
        spot = np.asarray(labels == k, np.uint8)
        deep = cv2.distanceTransform(spot, cv2.DIST_L2, 3)
        edge = (spot > 0) & (deep < 1.5)
        if (
            float(deep.max()) >= _THICK * scale
            and float(np.median(window.away[deep >= 0.7 * deep.max()])) < _CLEARLY
            and float((window.from_fusion[edge] < _CLOSE * scale + 1.0).mean()) >= _ALONG
            and float(window.from_face[spot > 0].min()) > _OFF_FACE * scale
        ):
            return spot
    return None


def _round(fusion: FloatArray, spot: ByteArray, scale: float) -> tuple[int, int]:
    """First and last point of the fusion boundary (m, 2), px of the window, that lies along the spot."""
    h, w = spot.shape
    at = np.rint(fusion).astype(int)
    within = np.flatnonzero(((at >= 0) & (at < (w, h))).all(axis=1))
    away = cv2.distanceTransform(1 - spot, cv2.DIST_L2, 3)[at[within, 1], at[within, 0]]
    along = within[away < 1.5 * scale + 1.0]
    return (int(along[0]), int(along[-1])) if len(along) else (0, 0)


def _side(window: _Window, spot: ByteArray, scale: float) -> FloatArray:
    """The spot's side towards the weld, (k, 2) px in the window, to sub-pixel; without points where it has none."""
    from skimage import measure  # heavy, and seldom needed

    around = cv2.dilate(spot, np.ones((7, 7), np.uint8)) > 0
    # Beyond the old boundary all counts as open, so that the contour leaves the weld there.
    field = np.where(around, np.where(window.inside, window.away, 0.0), 1.0)
    contours: list[FloatArray] = measure.find_contours(field, _AIRY)  # type: ignore[no-untyped-call]
    ring = max(contours, key=len)[:, ::-1]
    at = np.clip(np.rint(ring), 0, np.array(spot.shape)[::-1] - 1).astype(int)
    free = (window.from_fusion[at[:, 1], at[:, 0]] > 1.0 * scale) & window.inside[at[:, 1], at[:, 0]]
    # The longest run of such points, round the ring.
    first = int(np.argmin(free))
    ring, free = np.roll(ring, -first, axis=0), np.roll(free, -first)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], free.astype(int), [0]])))
    if free.all() or len(edges) < 2:
        return np.empty((0, 2))
    i, j = max(zip(edges[::2], edges[1::2], strict=True), key=lambda run: int(run[1] - run[0]))
    if j - i < 4:
        return np.empty((0, 2))
    side = smooth_open(resample(ring[i:j], 1.0), 1.5 * scale)
    cut = int(_CLOSE * scale)  # where it meets the old boundary it bends into it
    return side[cut : len(side) - cut]
