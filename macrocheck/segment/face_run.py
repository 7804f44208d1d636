"""The weld's face in the maps: the stretch of the metal's outline along weld metal, and what goes on beyond it.

Everything here is in map pixels.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, ByteArray, FloatArray, IntArray
from macrocheck.errors import NotFoundError
from macrocheck.segment.maps import BACKGROUND, ROOT, TOE_BUTTING, TOE_NONBUTTING, RegionMaps, sample

_BRIDGED = 5
"""Breaks in the face up to this many map px (a spatter ball, a scratch) do not end it."""
_SLIVER = 20
"""Breaks up to this long are bridged where weld metal lies within a few map px all the way under them."""
_AT_TOE = 12.0
"""Map px from a person's toe within which the metal's outline is the one that it lies on."""
_MARGIN = 2.0
"""Map px from the border of crop or photo inside which an outline is the border's own."""


def clear_of_border(maps: RegionMaps, photo_size: tuple[int, int], points: FloatArray) -> BoolArray:
    """Whether map points lie clear of the border of the crop and of the photo (width, height)."""
    h, w = maps.shape
    at = maps.photo_points(points)
    margin = _MARGIN * maps.scale
    return np.asarray(
        (points[:, 0] > _MARGIN)
        & (points[:, 1] > _MARGIN)
        & (points[:, 0] < w - 1 - _MARGIN)
        & (points[:, 1] < h - 1 - _MARGIN)
        & (at[:, 0] > margin)
        & (at[:, 1] > margin)
        & (at[:, 0] < photo_size[0] - 1 - margin)
        & (at[:, 1] < photo_size[1] - 1 - margin)
    )


def _runs(on: BoolArray) -> list[tuple[int, int]]:
    """Runs (start, length) of True in a closed ring."""
    n = len(on)
    if on.all():
        return [(0, n)]
    first = int(np.flatnonzero(~on)[0])
    turned = np.roll(on, -first).astype(np.int8)
    edges = np.diff(np.concatenate([[0], turned, [0]]))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    return [((int(a) + first) % n, int(b - a)) for a, b in zip(starts, ends, strict=True)]


@dataclass(frozen=True, eq=False)
class FaceRun:
    """A stretch of the metal's outline along the weld, with the outline that goes on at its start and end."""

    points: FloatArray
    before: FloatArray
    after: FloatArray
    cut_before: bool
    cut_after: bool


@dataclass(frozen=True, eq=False)
class _Ring:
    """A closed outline of metal, (n, 2) map px: `clear` (n,) of the border, `weld` (n,) along weld metal."""

    points: FloatArray
    clear: BoolArray
    weld: BoolArray


def face_run(
    maps: RegionMaps, weld: ByteArray, photo_size: tuple[int, int], toes: tuple[FloatArray, ...] = ()
) -> FaceRun:
    """Find the weld's face; `photo_size`: (width, height) px.

    It ends at `toes`, up to two (x, y) map px that a person gave, where the metal's outline has them.

    Raises:
        NotFoundError: where the weld metal has no face towards the air.
    """
    metal = (maps.regions[BACKGROUND] < 0.5).astype(np.uint8) | weld
    contours, _ = cv2.findContours(metal, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    near = cv2.dilate(weld, np.ones((3, 3), np.uint8))
    to_weld = cv2.distanceTransform(1 - weld, cv2.DIST_L2, 3)
    blurred = [cv2.GaussianBlur(p, (0, 0), 3) for p in maps.points]
    best: tuple[float, _Ring, int, int] | None = None
    for contour in contours:
        ring = contour[:, 0, :].astype(np.float64)
        n = len(ring)
        if n < 12:
            continue
        clear = clear_of_border(maps, photo_size, ring)
        whole = near[contour[:, 0, 1], contour[:, 0, 0]] > 0
        touching = whole & clear
        if not touching.any():
            continue
        missed = sum(float(np.hypot(*(ring - toe).T).min()) > _AT_TOE for toe in toes)
        bridged = touching.copy()
        for start, length in _runs(~touching):
            index = (start + np.arange(length)) % n
            thin = length <= _SLIVER and float(sample(to_weld, ring[index]).max()) < 6.0
            if (length <= _BRIDGED or thin) and clear[index].all():
                bridged[index] = True
        for start, length in _runs(bridged):
            ends = ring[[start, (start + length - 1) % n]]
            heat = sum(float(sample(b, ends).max()) for b in blurred[TOE_BUTTING : TOE_NONBUTTING + 1])
            index = (start + np.arange(length)) % n
            root = float(sample(blurred[ROOT], ring[index]).max(initial=0.0))
            score = length * (1 + heat) * (1 - 0.3 * min(root, 1.0)) * 0.1**missed
            if best is None or score > best[0]:
                best = (score, _Ring(ring, clear, bridged), start, length)
    if best is None:
        msg = "the weld metal found here has no face towards the air; draw its outline by hand"
        raise NotFoundError(msg)
    _, found, start, length = best
    moved = _to_toes(found, start, length, toes)
    if moved != (start, length):
        found = replace(found, weld=_only(found.weld, *moved))
    return _run_of(found, *moved)


def _only(on: BoolArray, start: int, length: int) -> BoolArray:
    """A ring without the runs of True that go on beyond a stretch."""
    n = len(on)
    out = on.copy()
    for first, step in ((start, -1), (start + length - 1, 1)):
        beyond = (first + step * np.arange(1, n - length)) % n
        off = np.flatnonzero(~on[beyond])
        out[beyond[: int(off[0]) if len(off) else len(beyond)]] = False
    return out


def _to_toes(ring: _Ring, start: int, length: int, toes: tuple[FloatArray, ...]) -> tuple[int, int]:
    """The stretch (start, length) of a ring with its ends moved to a person's toes, (x, y) map px each."""
    n = len(ring.points)
    ends = [start, (start + length - 1) % n]
    at = [int(np.argmin(np.hypot(*(ring.points - toe).T))) for toe in toes]
    at = [i for i, toe in zip(at, toes, strict=True) if np.hypot(*(ring.points[i] - toe)) < _AT_TOE]
    if not at:
        return start, length

    def away(i: int, k: int) -> float:
        return float(np.hypot(*(ring.points[i] - ring.points[ends[k]])))

    if len(at) == 1:
        k = 0 if away(at[0], 0) <= away(at[0], 1) else 1
        ends[k] = at[0]
    elif away(at[0], 0) + away(at[1], 1) <= away(at[0], 1) + away(at[1], 0):
        ends = at
    else:
        ends = at[::-1]
    # Of both ways from toe to toe the face is the one that shows more of the weld, and less of anything else.
    forth, back = ((first + np.arange((last - first) % n + 1)) % n for first, last in (ends, ends[::-1]))

    def speaks(index: IntArray) -> float:
        kept = ring.weld[index] & ring.clear[index]
        return float(kept.sum() - (~kept).sum())

    index = forth if len(at) == 1 or speaks(forth) >= speaks(back) else back
    return (int(index[0]), len(index)) if 4 <= len(index) < n - 4 else (start, length)


def _run_of(ring: _Ring, start: int, length: int) -> FaceRun:
    points, clear, bridged = ring.points, ring.clear, ring.weld
    n = len(points)

    def walk(first: int, step: int) -> FloatArray:
        index = (first + step * np.arange(1, n - length)) % n
        stop = np.flatnonzero(~clear[index])
        again = np.flatnonzero(bridged[index])
        again = again[again > 12]
        end = min(int(stop[0]) if len(stop) else len(index), int(again[0]) if len(again) else len(index))
        return points[index[:end]]

    index = (start + np.arange(length)) % n
    last = int(index[-1])
    before, after = walk(start, -1), walk(last, 1)
    return FaceRun(
        points[index],
        before,
        after,
        len(before) < 2 and not bool(clear[(start - 1) % n]),
        len(after) < 2 and not bool(clear[(last + 1) % n]),
    )
