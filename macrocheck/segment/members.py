"""Which member is which: what the regions, the toes' heat maps and the seam behind the weld say. All in map px."""

from collections.abc import Iterator

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.maps import BACKGROUND, BUTTING, NONBUTTING, TOE_BUTTING, TOE_NONBUTTING, RegionMaps, sample

_RIM = 48
"""Map px along the maps' own border where which member is which is said without seeing what lies beyond it."""
_RING, _NEAR_TOE = (3.0, 26.0), 0.5
"""Map px from the weld, and part of the toe-to-toe distance from a toe: there the metal beside it is asked."""


def _inner(maps: RegionMaps, at: FloatArray) -> FloatArray:
    """Those of the points (k, 2) that lie clear of the maps' rim; all where too few do."""
    h, w = maps.shape
    clear = (at > _RIM).all(axis=1) & (at[:, 0] < w - 1 - _RIM) & (at[:, 1] < h - 1 - _RIM)
    return at[clear] if clear.sum() >= 8 else at


def beside(weld: ByteArray, face: FloatArray, toe: FloatArray) -> FloatArray:
    """Points (k, 2) around the weld and nearer to this toe than to the other: most lie in the toe's own member."""
    away = cv2.distanceTransform(1 - weld, cv2.DIST_L2, 3)[::2, ::2]
    ys, xs = np.nonzero((away > _RING[0]) & (away < _RING[1]))
    at = 2.0 * np.column_stack([xs, ys])
    from_toe = np.hypot(*(at - toe).T)
    other = face[0] if np.hypot(*(face[0] - toe)) > np.hypot(*(face[-1] - toe)) else face[-1]
    near = (from_toe < _NEAR_TOE * np.hypot(*(face[0] - face[-1]))) & (from_toe < np.hypot(*(at - other).T))
    return np.asarray(at[near], np.float64)


def leaning(maps: RegionMaps, walk: FloatArray, toe: FloatArray, ring: FloatArray) -> float:
    """Butting (+1) or nonbutting (-1), from the regions beyond a toe and beside the weld, and the toe's heat map.

    `walk`: map px of the outline from the toe on. `ring`: points as `beside` gives them.
    """
    p_b = cv2.GaussianBlur(maps.regions[BUTTING], (0, 0), 2.5)
    p_n = cv2.GaussianBlur(maps.regions[NONBUTTING], (0, 0), 2.5)
    at = _inner(maps, walk[4:60]) if len(walk) > 8 else np.vstack([walk, toe[None]])
    b, n = float(sample(p_b, at).sum()), float(sample(p_n, at).sum())
    if len(ring) > 20:
        share = 60.0 / len(ring)
        b += share * float(sample(p_b, _inner(maps, ring)).sum())
        n += share * float(sample(p_n, _inner(maps, ring)).sum())
    heat = [
        float(sample(cv2.GaussianBlur(maps.points[k], (0, 0), 3), toe[None])[0])
        for k in (TOE_BUTTING, TOE_NONBUTTING)
    ]
    weight = min(len(at), 30) * 0.4
    return float((b - n + 2 * (heat[0] - heat[1])) / (b + n + 2 * sum(heat) + 0.02 * weight + 1e-6))


def _stem_ends(maps: RegionMaps, behind: FloatArray, normal: FloatArray, face: FloatArray) -> float:
    """1 where the metal on the face's side of a surface's continuation ends while that on the other side goes on.

    That is the far side of a tee's butting member standing on the nonbutting one.
    """
    side = np.sign((face.mean(axis=0) - behind[0]) @ normal)
    air = [sample(maps.regions[BACKGROUND], behind + k * 8.0 * side * normal) for k in (1.0, -1.0)]
    if len(air[0]) < 30:
        return 0.0
    # A cavity at the root ends in metal again; the space beyond a plate does not.
    out = np.flatnonzero(np.convolve(air[0] > 0.6, np.ones(26), "valid") > 25)
    if not len(out) or (air[0][int(out[0]) :] > 0.5).mean() < 0.9:
        return 0.0
    other = air[1][int(out[0]) : int(out[0]) + 8]
    return float(np.clip(1 - 2 * other.mean(), 0, 1)) * 0.8


_CLEAR = 13
"""Map px: twice the distance that a seam behind the weld keeps from it, and one."""


def _behind(
    maps: RegionMaps, weld: ByteArray, face: FloatArray, walk: FloatArray
) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Where the surface beyond a toe would go on behind the weld: points (k, 2) a map px apart, and unit normal.

    `walk`: map px from the toe on.
    """
    if len(walk) < 14:
        return
    h, w = maps.shape
    # An unfused stretch under the weld lies along the butting member too: what counts is clear of the weld.
    around = cv2.dilate(weld, np.ones((_CLEAR, _CLEAR), np.uint8))
    toe = face[-1] if np.hypot(*(face[-1] - walk[0])) < np.hypot(*(face[0] - walk[0])) else face[0]
    # Without knowing where an undercut ends, the surface is taken from several stretches of the outline.
    for first in (2, 12, 24, 40):
        part = walk[first : first + 70]
        if len(part) < 12:
            return
        centre = part.mean(axis=0)
        _, _, vt = np.linalg.svd(part - centre)
        d = vt[0] if (part[0] - part[-1]) @ vt[0] > 0 else -vt[0]
        normal = np.array([-d[1], d[0]])
        if np.abs((part - centre) @ normal).max() > 1.8 or abs((toe - centre) @ normal) > 6.0:
            continue
        s = np.arange(float((toe - centre) @ d), 2.0 * max(h, w))
        at = centre + s[:, None] * d
        at = at[(at > 3).all(axis=1) & (at[:, 0] < w - 4) & (at[:, 1] < h - 4)]
        if len(at) < 12:
            continue
        inside = sample(np.asarray(around, np.uint8), at) > 0.5
        last = int(np.flatnonzero(inside)[-1]) if inside.any() else 0
        if len(at[last + 3 :]) >= 8:
            yield at[last + 3 :], normal


_ACROSS, _TURNS = 14.0, np.deg2rad([-4.0, -2.0, 0.0, 2.0, 4.0])
"""Map px to either side that a seam is compared with, and turns of its line that are tried."""


def seen_behind(photo: Photo, maps: RegionMaps, weld: ByteArray, face: FloatArray, walk: FloatArray) -> float:
    """How far the photo itself shows an edge or a line where a surface would go on behind the weld, 0-1.

    Members of unlike tone, or a seam too fine for the maps. `walk`: map px from the toe on.
    """
    offsets = np.arange(-_ACROSS, _ACROSS + 0.1, 0.5)
    middle, away = np.abs(offsets) <= 4.0, np.abs(offsets) > 5.5
    best = 0.0
    for beyond, normal in _behind(maps, weld, face, walk):
        behind = beyond[4:60]
        if len(behind) < 24:
            continue
        d = np.array([normal[1], -normal[0]])
        s = (behind - behind[0]) @ d
        for turn in _TURNS:
            line = behind[0] + s[:, None] * (np.cos(turn) * d + np.sin(turn) * normal)
            points = maps.photo_points((line[:, None] + offsets[None, :, None] * normal).reshape(-1, 2))
            grey = sample(photo.grey, points.astype(np.float32)).reshape(len(line), len(offsets))
            half = len(line) // 2
            slope = np.stack([np.gradient(_soft(part.mean(axis=0))) for part in (grey[:half], grey[half:])])
            noise = 1.4826 * np.median(np.abs(slope[:, away]), axis=1, keepdims=True) + 0.05
            # The same edge in both halves, or it is a scratch, a grain, the end of a zone.
            both = (
                np.minimum(slope[0] / noise[0], slope[1] / noise[1]),
                np.maximum(slope[0] / noise[0], slope[1] / noise[1]),
            )
            strength = max(float(both[0][middle].max()), float(-both[1][middle].min()))
            best = max(best, float(np.clip((strength - 3.0) / 9.0, 0, 1)))
    return best


_LONG = 84
"""Map px behind the weld over which a seam must go on: large cavities at the root take up half as much."""


def _soft(profile: FloatArray) -> FloatArray:
    return np.convolve(np.pad(profile, 2, mode="edge"), [0.1, 0.2, 0.4, 0.2, 0.1], "valid")


def continues_behind(
    maps: RegionMaps, weld: ByteArray, face: FloatArray, walk: FloatArray, *, opening: bool
) -> float:
    """How surely the surface beyond a toe goes on behind the weld as a seam (or an opening) between members, 0-1.

    That is what the nonbutting member's surface does, and the butting member's never. `walk`: map px from the toe
    on; `opening`: a strip of background behind the weld counts as well as a seam.
    """
    best = 0.0
    for beyond, normal in _behind(maps, weld, face, walk):
        behind = beyond[:_LONG]
        probes = behind[:, None, :] + np.arange(-3.0, 3.1)[None, :, None] * normal
        seen = sample(maps.seam, probes.reshape(-1, 2)).reshape(probes.shape[:2]).max(axis=1)
        if opening:
            best = max(best, _stem_ends(maps, beyond, normal, face))
            air = sample(maps.regions[BACKGROUND], probes.reshape(-1, 2)).reshape(probes.shape[:2])
            sides = behind[:, None, :] + np.array([-1.0, 1.0])[None, :, None] * 9.0 * normal
            solid = (
                sample(maps.regions[BACKGROUND], sides.reshape(-1, 2)).reshape(sides.shape[:2]).min(axis=1) < 0.5
            )
            seen = np.maximum(seen, air.max(axis=1) * solid)
        # A cavity at the root, or an unfused span next to it, is short; the faying surface goes on.
        half = len(seen) // 2
        best = max(best, float(min(seen[:half].mean(), seen[half:].mean())))
    return best
