"""Dark, round, compact spots in the weld metal by tone alone: what may be a void that the network does not know.

A spot is told from a dark grain by how far it stands out of them and by its outline, from dirt and hardness indents
by its like: those lie beside the weld too, or in a row.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, BoolArray, ByteArray, FloatArray
from macrocheck.segment.layout import Layout

_REACH = 0.16
"""Part of the weld's size (root of its area): what is wider than this is no spot."""
_LEVELS = 1.4
"""Factor between the depths at which spots are cut out."""
_CUT, _CUT_UNDER = (0.4, 0.8), (0.4, 0.9)
"""Part of a spot's depth at which its outline may be taken: under what is around it, and under the middle tone."""
_LEAST, _MOST = 8.0, 0.04
"""Map px of area that a spot has at least, and part of the weld it has at most."""
_DEEP, _OVER_SD, _OVER_GRAIN = 24.0, (2.4, 4.0), (1.1, 1.7)
"""Grey levels a spot is darker than what is around it at least; times the weld metal's own standard deviation and
times the depth that a tenth of it has, its grains', as well."""
_PLAIN_SD, _PLAIN_GRAIN = 2.0, 8.0
"""Grey levels that either is taken to be at least."""
_DARKER, _WIDE = 0.01, 25.0
"""Part of the other weld metal that is as dark as a spot at most, and map px of area, of one that is less deep."""
_FEWEST = 100
"""Map px of weld metal under which it has no tones to speak of."""
_COMPACT, _LONG = 0.88, 2.2
"""Least part of its convex hull that a spot fills, and most times it is longer than wide."""
_BORDER = 1.0
"""Map px between a spot and the weld's outline."""
_LIKE = 2.2, 0.35, 0.4
"""Most times that a spot of the same kind is larger or smaller, least part of the depth that it has, and most parts
of that depth by which it is brighter."""
_SAME = 0.8
"""Spots whose depths and tones are this much the same are told from their surroundings in one go."""
_MANY = 40
"""So many of its kind in and beside the weld that rows say nothing."""
_PITCH = 0.15
"""Part of the pitch by which indents of a row may be out of place."""
_AROUND = 0.5
"""How far beside the weld the like of its spots is looked for, as a part of its size."""


@dataclass(frozen=True, eq=False)
class Spot:
    """A dark spot: `ring` (k, 2) map px, `centre` (x, y), `area` map px, `tone` grey, `depth` under what is around.

    `over_sd`, `over_grain`: depth over the weld metal's standard deviation and over its grains' depth. `darker`:
    part of the other weld metal that is as dark. `solid`: part of its convex hull that it fills. `like`: spots of
    its kind beside the weld. `in_row`: how many, two or more, lie at one pitch along a line with it.
    """

    ring: FloatArray
    centre: FloatArray
    area: float
    depth: float
    tone: float
    over_sd: float
    over_grain: float
    darker: float
    solid: float
    like: int = 0
    in_row: int = 0


def find_spots(grey: ByteArray, layout: Layout) -> tuple[Spot, ...]:
    """Find dark compact spots within the weld metal; `grey` (h, w): the photo's grey on the map's pixels."""
    weld = layout.weld
    x, y, w, h = cv2.boundingRect(weld)
    box = (slice(y, y + h), slice(x, x + w))
    from_border = cv2.distanceTransform(np.pad(weld[box], 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    inside = from_border > 1.5
    area = int(inside.sum())
    if area < _FEWEST:
        return ()
    tones = np.bincount(grey[box][inside], minlength=256)
    middle = _quantile(tones, 0.5)
    apart = np.bincount(np.abs(np.arange(256) - middle), weights=tones, minlength=256)
    sd = max(1.4826 * _quantile(apart, 0.5), _PLAIN_SD)
    filled = np.where(inside, grey[box], np.uint8(middle))
    depth = _depth(filled, int(_REACH * np.sqrt(area)) | 1)
    grain = max(float(_quantile(np.bincount(depth[inside], minlength=256), 0.9)), _PLAIN_GRAIN)
    least = max(_DEEP, _OVER_SD[0] * sd, _OVER_GRAIN[0] * grain)
    # Among dark grains only what is darker than any of them stands by itself.
    under = np.asarray(cv2.subtract(np.full_like(filled, middle), filled), np.uint8)
    darkest = _quantile(np.bincount(under[inside], minlength=256), 0.9)
    parts = _parts(depth, (least, grain), _MOST * area, _CUT)
    parts += _parts(under, (_DEEP, darkest), _MOST * area, _CUT_UNDER)
    parts = _best([part for part in parts if _clear(part, from_border)])
    if not parts:
        return ()
    taken = np.zeros((h, w), np.uint8)
    for part in parts:
        cv2.fillPoly(taken, [np.rint(part.ring).astype(np.int32)], 1)
    others = np.bincount(grey[box][inside & (cv2.dilate(taken, np.ones((7, 7), np.uint8)) == 0)], minlength=256)
    corner = np.array([x, y], np.float64)
    found = []
    for part in parts:
        own = np.zeros((h, w), np.uint8)
        cv2.fillPoly(own, [np.rint(part.ring).astype(np.int32)], 1)
        of_it = own > 0
        tone = int(np.median(filled[of_it]))
        deep = float(np.median(depth[of_it]))
        spot = Spot(
            ring=part.ring + corner,
            centre=part.centre + corner,
            area=part.area,
            depth=deep,
            tone=float(tone),
            over_sd=deep / sd,
            over_grain=deep / grain,
            darker=float(others[: tone + 1].sum() / max(others.sum(), 1)),
            solid=part.solid,
        )
        strong = spot.over_sd >= _OVER_SD[1] and spot.over_grain >= _OVER_GRAIN[1]
        dark = spot.over_sd >= _OVER_SD[0] and spot.darker < _DARKER and spot.area >= _WIDE
        if deep >= _DEEP and (strong or dark):
            found.append(spot)
    return _with_like(grey, layout, tuple(found)) if found else ()


def _quantile(counts: AnyArray, share: float) -> int:
    """The value under or at which `share` of a histogram (256,) lies."""
    sums = np.cumsum(counts)
    return int(np.searchsorted(sums, share * sums[-1]))


def _clear(part: "_Part", from_border: AnyArray) -> bool:
    """Whether a part lies clear of the weld's outline; `from_border` (h, w): map px to it."""
    h, w = from_border.shape
    column, row = np.clip(np.rint(part.centre).astype(int), 0, (w - 1, h - 1))
    return float(from_border[row, column]) - 0.5 * part.length >= _BORDER


def _depth(grey: ByteArray, reach: int) -> ByteArray:
    """How much darker every pixel is than what surrounds it within `reach` px."""
    closed = cv2.morphologyEx(grey, cv2.MORPH_CLOSE, np.ones((reach, reach), np.uint8))
    return np.asarray(cv2.subtract(closed, grey), np.uint8)


@dataclass(frozen=True, eq=False)
class _Part:
    """A compact part of a depth map: outline (k, 2) px, centre, area, depth, shape, `length` of its long side."""

    ring: FloatArray
    centre: FloatArray
    area: float
    depth: float
    solid: float
    length: float
    worth: float


def _parts(depth: ByteArray, least: tuple[float, float], largest: float, cut: tuple[float, float]) -> list[_Part]:
    """Compact parts of a depth map at every level.

    `least`: depth that one has, and level from which it is looked for. `largest`: most area, px. `cut`: part of its
    depth at which one may be cut out.
    """
    top = float(depth.max(initial=0))
    level = max(cut[0] * least[0], least[1])
    seen: list[_Part] = []
    while level < cut[1] * top:
        count, labels, stats, _ = cv2.connectedComponentsWithStats((depth > level).astype(np.uint8), connectivity=4)
        width, height, area = (stats[:, k].astype(float) for k in (2, 3, 4))
        fits = (area >= _LEAST) & (area <= largest) & (area > 0.5 * width * height)
        fits &= np.maximum(width, height) < _LONG * np.minimum(width, height) + 1
        for k in np.flatnonzero(fits[1:]) + 1:
            part = _part(depth, labels, stats[k], int(k), level, (least[0], *cut))
            if part is not None:
                seen.append(part)
        if count < 2:
            break
        level *= _LEVELS
    return seen


def _best(seen: list[_Part]) -> list[_Part]:
    """Of parts that lie over one another the one with the most compact outline."""
    kept: list[_Part] = []
    for part in sorted(seen, key=lambda part: -part.worth):
        if all(np.hypot(*(part.centre - other.centre)) > 0.5 * max(part.length, other.length) for other in kept):
            kept.append(part)
    return kept


def _part(
    depth: ByteArray, labels: AnyArray, stats: AnyArray, k: int, level: float, bounds: tuple[float, float, float]
) -> _Part | None:
    x, y, w, h = (int(v) for v in stats[:4])
    mask = labels[y : y + h, x : x + w] == k
    depths = np.sort(depth[y : y + h, x : x + w][mask])
    deep = float(depths[(9 * len(depths)) // 10])
    least, low, high = bounds
    if deep < least or not low * deep <= level <= high * deep:
        return None
    framed = np.zeros((h + 2, w + 2), np.uint8)
    framed[1:-1, 1:-1] = mask
    contours, _ = cv2.findContours(framed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    contour = max(contours, key=len)
    solid = _area(contour) / _area(cv2.convexHull(contour))
    (cx, cy), sides, _ = cv2.minAreaRect(contour)
    long, short = max(sides) + 1, min(sides) + 1
    if solid < _COMPACT or long > _LONG * short:
        return None
    return _Part(
        ring=contour[:, 0, :].astype(np.float64) - 1 + (x, y),
        centre=np.array([cx + x - 1, cy + y - 1]),
        area=float(stats[4]),
        depth=deep,
        solid=solid,
        length=long,
        worth=solid - 0.3 * abs(level / deep - 0.5),
    )


def _area(contour: AnyArray) -> float:
    """Area of the pixels on and in a closed contour (Pick's theorem: contours run through pixel centres)."""
    return float(cv2.contourArea(contour) + 0.5 * cv2.arcLength(contour, closed=True) + 1)


def _with_like(grey: ByteArray, layout: Layout, spots: tuple[Spot, ...]) -> tuple[Spot, ...]:
    """The spots with what is like them: beside the weld, and in a row with them."""
    x, y, w, h = cv2.boundingRect(layout.weld)
    pad = int(_AROUND * float(np.sqrt(layout.weld.sum())))
    top, left = max(y - pad, 0), max(x - pad, 0)
    box = (slice(top, y + h + pad), slice(left, x + w + pad))
    weld = cv2.dilate(layout.weld[box], np.ones((5, 5), np.uint8))
    depth = _depth(grey[box], int(2.5 * np.sqrt(max(spot.area for spot in spots))) | 1)
    seen: tuple[float, float] | None = None
    known, beside = np.zeros((0, 3)), np.zeros(0, np.bool_)
    out = []
    for k, spot in sorted(enumerate(spots), key=lambda pair: -pair[1].depth):
        if seen is None or spot.depth < _SAME * seen[0] or abs(spot.tone - seen[1]) > (1 - _SAME) * spot.depth:
            # On a darker plate its like is as dark, not as deep.
            dark = (depth > _LIKE[1] * spot.depth) & (grey[box] < spot.tone + _LIKE[2] * spot.depth)
            seen, known = (spot.depth, spot.tone), _blobs(dark)
            column, row = np.rint(known[:, :2]).astype(int).T
            beside = weld[row, column] == 0
        alike = (known[:, 2] < _LIKE[0] * spot.area) & (known[:, 2] * _LIKE[0] > spot.area)
        like = int((alike & beside).sum())
        away = known[alike, :2] + [left, top] - spot.centre
        in_row = _row(away[np.hypot(*away.T) > 1.2 * np.sqrt(spot.area)]) if len(away) < _MANY else 0
        out.append((k, replace(spot, like=like, in_row=in_row)))
    return tuple(spot for _, spot in sorted(out, key=lambda pair: pair[0]))


def _blobs(dark: BoolArray) -> FloatArray:
    """Middle x, y and area of every compact part of what is dark, (n, 3) px."""
    _, _, stats, centres = cv2.connectedComponentsWithStats(dark.astype(np.uint8), connectivity=4)
    width, height, area = (stats[1:, k].astype(float) for k in (2, 3, 4))
    fits = (area > 0.5 * width * height) & (np.maximum(width, height) < _LONG * np.minimum(width, height) + 1)
    return np.asarray(np.column_stack([centres[1:], area])[fits])


def _row(away: FloatArray) -> int:
    """How many of the others lie in a row with a spot at one pitch; 0 where only one does.

    `away`: (n, 2) px from it to each of the others.
    """
    most = 0
    steps = np.hypot(*away.T)
    for pitch, step in zip(away, steps, strict=True):
        places = pitch * np.array([-4.0, -3.0, -2.0, -1.0, 1.0, 2.0, 3.0, 4.0])[:, None]
        off = np.hypot(*(places[:, None] - away[None]).transpose(2, 0, 1))
        most = max(most, int((off < _PITCH * step + 0.5).any(axis=1).sum()))
    return most if most > 1 else 0
