"""The weld's region where a person's hints contradict the network's: led along what is seen from hint to hint.

All in map px; what lies within a few of the network's own lines is left to the finer search.
"""

from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, ByteArray, Float32Array, FloatArray, Point
from macrocheck.segment.chains import distance_map
from macrocheck.segment.hints import Hints
from macrocheck.segment.layout import Layout
from macrocheck.segment.maps import BACKGROUND, WELD, RegionMaps
from macrocheck.segment.steer import split_hints

_CONTRADICTED = (6.0, 10.0)
"""Map px from face and fusion boundary from which a hint says that the region is wrong, not just its border."""
_ASIDE = 0.25
"""How much a step costs where no border is seen, as 1 / this; where one is surely seen it costs 1 / (1 + this)."""
_KEPT_OFF, _NEAR_TOE, _DEAR = 4.0, 8.0, 8.0
"""Map px from the face, and more than so many from its ends, within which a step costs so many times as much."""
_AT, _SEEN, _REACH = 4, 0.3, 40.0
"""Map px within which a person's point has a border seen if there is one, how clearly at least; and map px around
one that has none within which what is seen is believed less."""
_COARSE = 2
"""Ways are sought on every second map px."""
_CHANGED = 5
"""Map px around what changed within which the maps are those of the new region."""


def settled(maps: RegionMaps, layout: Layout, hints: Hints | None) -> tuple[RegionMaps, Layout]:
    """Maps and layout with the weld's region led through the `through` hints that contradict it.

    Unchanged where none does, and where a toe lies outside the picture.
    """
    if (
        hints is None
        or not (hints.through or hints.toes)
        or not layout.complete_butting & layout.complete_nonbutting
    ):
        return maps, layout
    of_fusion, of_face = split_hints(hints, maps, maps.photo_points(layout.face), maps.photo_points(layout.fusion))
    through = [_inside(maps, () if part is None else part.through) for part in (of_face, of_fusion)]
    face, fusion = layout.face, layout.fusion
    ends = _ends(face, _inside(maps, hints.toes[:2]))
    astray = [
        float(np.hypot(*(end - own))) > _CONTRADICTED[0] for end, own in zip(ends, face[[0, -1]], strict=True)
    ]
    air = maps.regions[BACKGROUND]
    if any(astray) or _off(through[0], face) > _CONTRADICTED[0]:
        face = _led(1.0 / (_ASIDE + _believed(_slope(air), through[0])), ends, through[0])
    if any(astray) or _off(through[1], fusion) > _CONTRADICTED[1]:
        seen = _believed(np.maximum(_slope(layout.p_weld), maps.fusion_line), through[1])
        cost = np.where((air > 0.7) | _along(face, air.shape), _DEAR, 1.0) / (_ASIDE + seen)
        fusion = _led(cost, ends[::-1], through[1])
    if face is layout.face and fusion is layout.fusion:
        return maps, layout
    region = np.zeros_like(layout.weld)
    cv2.fillPoly(region, [np.rint(np.vstack([face, fusion])).astype(np.int32)], (1,))
    if not region.any():
        return maps, layout
    changed = cv2.dilate((layout.weld != region).astype(np.uint8), np.ones((2 * _CHANGED + 1,) * 2, np.uint8)) > 0
    p = np.where(changed, _ramp(region), layout.p_weld).astype(np.float32)
    regions = maps.regions.copy()
    # What was weld metal and is not: the air before the face, else a member.
    nearer = distance_map(face, region.shape) < distance_map(fusion, region.shape)
    rest = regions + np.float32(1e-3)
    rest[BACKGROUND][nearer] += np.float32(1.0)
    rest[WELD] = 0.0
    rest *= (1.0 - p) / rest.sum(axis=0)
    rest[WELD] = p
    regions[:, changed] = rest[:, changed]
    return replace(maps, regions=regions), replace(layout, weld=region, p_weld=p, face=face, fusion=fusion)


def _inside(maps: RegionMaps, points: tuple[Point, ...]) -> FloatArray:
    """Photo points as map px (k, 2), in the maps."""
    h, w = maps.shape
    at = maps.map_points(np.asarray(points, np.float64).reshape(-1, 2))
    return np.asarray(np.clip(at, 0, [w - 1, h - 1]))


def _ends(face: FloatArray, toes: FloatArray) -> FloatArray:
    """The ends (2, 2) of a face, at the toes (up to 2, 2) that a person gave."""
    ends = face[[0, -1]]
    far = np.hypot(*(ends[:, None] - toes[None]).transpose(2, 0, 1))
    if len(toes) == 2:
        return toes if far[0, 0] + far[1, 1] <= far[0, 1] + far[1, 0] else toes[::-1]
    if len(toes) == 1:
        ends[int(np.argmin(far[:, 0]))] = toes[0]
    return ends


def _off(points: FloatArray, line: FloatArray) -> float:
    """How far the farthest of the points (k, 2) lies off a line (n, 2); 0 without points."""
    return max((float(np.hypot(*(line - p).T).min()) for p in points), default=0.0)


def _slope(p: Float32Array) -> FloatArray:
    """How clearly a border of a probability is seen, 0-1."""
    soft = cv2.GaussianBlur(p, (0, 0), 1.0)
    slope = np.hypot(cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)) / 8.0
    return np.clip(4.0 * slope.astype(np.float64), 0.0, 1.0)


def _believed(seen: FloatArray, points: FloatArray) -> FloatArray:
    """Borders seen (h, w), 0-1, the less believed the nearer a person's points at which there is none of them."""
    near = cv2.dilate(seen.astype(np.float32), np.ones((2 * _AT + 1, 2 * _AT + 1), np.uint8))
    free = np.ones(seen.shape, np.uint8)
    for x, y in np.rint(points).astype(int):
        free[y, x] = 0 if near[y, x] < _SEEN else free[y, x]
    if free.all():
        return seen
    away = cv2.distanceTransform(free, cv2.DIST_L2, 3).astype(np.float64)
    return np.asarray(seen * np.clip(away / _REACH, 0.0, 1.0))


def _along(face: FloatArray, shape: tuple[int, ...]) -> BoolArray:
    """Where the map lies along the face, but for its ends."""
    ends = np.minimum(np.hypot(*(face - face[0]).T), np.hypot(*(face - face[-1]).T))
    middle = face[ends > _NEAR_TOE]
    return distance_map(middle, shape) < _KEPT_OFF if len(middle) > 1 else np.zeros(shape, np.bool_)


def _ramp(region: ByteArray) -> FloatArray:
    depth = cv2.distanceTransform(region, cv2.DIST_L2, 3) - cv2.distanceTransform(1 - region, cv2.DIST_L2, 3)
    return 1.0 / (1.0 + np.exp(np.clip(-depth.astype(np.float64), -30.0, 30.0)))


def _led(cost: FloatArray, ends: FloatArray, through: FloatArray) -> FloatArray:
    """The cheapest way (n, 2) from one end (2, 2) to the other through points (k, 2), in the best order."""
    from skimage.graph import MCP_Geometric  # heavy, and seldom needed

    h, w = cost.shape[0] // _COARSE * _COARSE, cost.shape[1] // _COARSE * _COARSE
    coarse = cost[:h, :w].reshape(h // _COARSE, _COARSE, w // _COARSE, _COARSE).min(axis=(1, 3))
    stops = np.vstack([ends[:1], through, ends[1:]])
    cells = [
        (min(int(y) // _COARSE, coarse.shape[0] - 1), min(int(x) // _COARSE, coarse.shape[1] - 1))
        for x, y in np.clip(np.rint(stops), 0, None)
    ]
    found = [MCP_Geometric(coarse) for _ in cells[:-1]]
    far = np.array(
        [
            mcp.find_costs([cell], cells)[0][tuple(np.transpose(cells))]
            for mcp, cell in zip(found, cells, strict=False)
        ]
    )
    order = in_order(np.vstack([far, np.append(far[:, -1], 0.0)]))
    ways = [stops[:1]]
    for i, j in pairwise(order):
        steps = np.asarray(found[i].traceback(cells[j]), np.float64)[1:-1, ::-1]
        ways += [_COARSE * steps + 0.5 * (_COARSE - 1), stops[j : j + 1]]
    return np.vstack(ways)


def in_order(far: FloatArray) -> list[int]:
    """The order in which the shortest way from the first stop to the last passes all; `far` (k, k) between them."""
    last = len(far) - 1
    way = [0, last]
    for k in range(1, last):
        added = [far[a, k] + far[k, b] - far[a, b] for a, b in pairwise(way)]
        way.insert(1 + int(np.argmin(added)), k)

    def length(order: list[int]) -> float:
        return float(sum(far[a, b] for a, b in pairwise(order)))

    best, shorter = length(way), True
    while shorter:
        shorter = False
        for i in range(1, last):
            for j in range(i + 1, last + 1):
                # A stretch turned round, or its first stop set behind it.
                for other in (
                    [*way[:i], *way[i:j][::-1], *way[j:]],
                    [*way[:i], *way[i + 1 : j], way[i], *way[j:]],
                ):
                    if length(other) < best - 1e-9:
                        way, best, shorter = other, length(other), True
    return way
