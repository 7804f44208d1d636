"""Where the welds are: a coarse look at the whole photo, then close looks at each weld."""

from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, Float32Array, FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.maps import BUTTING, NONBUTTING, WELD, RegionMaps
from macrocheck.segment.network import STEP, maps_of, run

COARSE = 320
"""Long side of the coarse look, px: the network works best at the size it was trained at."""
LOOK = 320
"""Side of a close look, px, for the same reason."""
SHARES = (0.62,)
"""Share of the side that the weld takes in each close look; every second is mirrored. Their mean is used."""
BACK = (0.42,)
"""The same, where the close look shows too little of the plates."""
WIDER = (0.4, 0.5)
"""The same, for a second try where the first cannot be made sense of."""
LEAST_SCORE = 1.2
"""Score (square root of coarse px, times doubts) under which a patch is not taken for a weld."""
GRID = 448
"""Side of the maps that the close looks are laid over each other on, px."""


@dataclass(frozen=True, slots=True)
class Spot:
    """A weld in sight: `centre` (x, y) and the longer side `span` of its `box` (x0, y0, x1, y1), photo px.

    `score`: how much it looks like one, for ranking only. `likeness`: the same, whatever its size, 0-1.
    """

    centre: tuple[float, float]
    span: float
    score: float
    box: tuple[float, float, float, float]
    likeness: float = 0.0


def _cut(
    photo: Photo, corner: tuple[float, float], sides: tuple[float, float], size: tuple[int, int]
) -> tuple[ByteArray, FloatArray]:
    """Cut a box out of the photo as `size` (width, height) px; what lies outside repeats the photo's border.

    Returns the pixels and the (2, 3) affine from their pixel to the photo's.
    """
    left, top = int(np.floor(corner[0])), int(np.floor(corner[1]))
    right, bottom = int(np.ceil(corner[0] + sides[0])), int(np.ceil(corner[1] + sides[1]))
    a, b = min(max(0, left), photo.width - 1), min(max(0, top), photo.height - 1)
    c, d = min(max(a + 1, right), photo.width), min(max(b + 1, bottom), photo.height)
    part = photo.pixels[b:d, a:c]
    width, height = size
    # Shrink before padding, so that padding costs nothing on large photos.
    fx, fy = (right - left) / width, (bottom - top) / height
    w, h = max(1, round((c - a) / fx)), max(1, round((d - b) / fy))
    shrink = fx > 1
    small = cv2.resize(part, (w, h), interpolation=cv2.INTER_AREA if shrink else cv2.INTER_LINEAR)
    px, py = round((a - left) / fx), round((b - top) / fy)
    px, py = min(max(px, 0), max(width - w, 0)), min(max(py, 0), max(height - h, 0))
    small = small[: height - py, : width - px]
    out = cv2.copyMakeBorder(
        small, py, height - py - small.shape[0], px, width - px - small.shape[1], borderType=cv2.BORDER_REPLICATE
    )
    gx, gy = (c - a) / w, (d - b) / h
    to_photo = np.array([[gx, 0, a + (0.5 - px) * gx - 0.5], [0, gy, b + (0.5 - py) * gy - 0.5]])
    return np.asarray(out, np.uint8), to_photo


def coarse_maps(photo: Photo, *, long_side: int = COARSE) -> RegionMaps:
    """Read the whole photo at low resolution."""
    f = max(photo.width, photo.height) / long_side
    width = int(np.ceil(photo.width / f / STEP - 1e-9) * STEP)
    height = int(np.ceil(photo.height / f / STEP - 1e-9) * STEP)
    pixels, to_photo = _cut(photo, (0, 0), (width * f, height * f), (width, height))
    return maps_of(run(pixels), to_photo)


def _grid(spot: Spot, share: float, size: int) -> tuple[tuple[float, float], float]:
    side = max(spot.span / share, size / 8)
    return (spot.centre[0] - side / 2, spot.centre[1] - side / 2), side


def _whole(affine: FloatArray) -> FloatArray:
    return np.vstack([affine, [0, 0, 1]])


def trusted(size: int) -> Float32Array:
    """How far each pixel of a square look is trusted: the outermost see least of their surroundings."""
    ramp = np.minimum(np.arange(size) + 1.0, np.arange(size, 0, -1)) / 24
    return np.asarray(np.minimum(1, np.minimum(ramp[:, None], ramp[None])), np.float32)


def close_maps(photo: Photo, spot: Spot, shares: tuple[float, ...] = SHARES) -> RegionMaps:
    """Read close looks around one weld and lay their mean on one grid, `GRID` px square.

    Several looks that frame the weld differently, every second one mirrored, err differently; on rendered sections
    their mean is no better than one look at the right size.
    """
    corner, side = _grid(spot, shares[0], GRID)
    f = side / GRID
    to_photo = np.array([[f, 0, corner[0] + 0.5 * f - 0.5], [0, f, corner[1] + 0.5 * f - 0.5]])
    total = np.zeros((11, GRID, GRID), np.float32)
    weight = np.zeros((GRID, GRID), np.float32)
    for i, share in enumerate(shares):
        at, length = _grid(spot, share, LOOK)
        pixels, own = _cut(photo, at, (length, length), (LOOK, LOOK))
        logits = run(np.ascontiguousarray(pixels[:, ::-1]))[:, :, ::-1] if i % 2 else run(pixels)
        into = (np.linalg.inv(_whole(own)) @ _whole(to_photo))[:2]
        how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        edge = cv2.BORDER_REPLICATE if i == 0 else cv2.BORDER_CONSTANT
        w = cv2.warpAffine(trusted(LOOK), into, (GRID, GRID), flags=how, borderMode=cv2.BORDER_CONSTANT)
        w = w + (1e-4 if i == 0 else 0.0)
        for k in range(len(total)):
            layer = np.ascontiguousarray(logits[k])
            total[k] += w * cv2.warpAffine(layer, into, (GRID, GRID), flags=how, borderMode=edge)
        weight += w
    return maps_of(total / weight, to_photo)


def _smoothed(layer: Float32Array) -> Float32Array:
    return np.asarray(cv2.GaussianBlur(layer, (0, 0), 0.8), np.float32)


def spots(maps: RegionMaps, *, least_px: int = 12, in_air: float = 0.12) -> list[Spot]:
    """List what looks like weld metal in `maps`, best first.

    A patch counts for its size, for how sure it is, and for touching a member: an island in the middle of one
    member, or in the background, is no weld. `in_air`: part of its border in the air, from which
    more does not speak for it.
    """
    weld = _smoothed(maps.regions[WELD])
    count, labels, stats, _ = cv2.connectedComponentsWithStats((weld > 0.45).astype(np.uint8))
    members = (maps.regions[BUTTING] > 0.5) | (maps.regions[NONBUTTING] > 0.5)
    air = maps.regions[0] > 0.5
    kernel = np.ones((5, 5), np.uint8)
    found = []
    for i in range(1, count):
        x, y, w, h, area = (int(v) for v in stats[i])
        if area < least_px:
            continue
        patch = labels == i
        ring = (cv2.dilate(patch.astype(np.uint8), kernel) > 0) & ~patch
        around = max(1, int(ring.sum()))
        on_member, on_air = float((ring & members).sum()) / around, float((ring & air).sum()) / around
        sure = float(weld[patch].mean())
        point = float(maps.points[:, max(0, y - 6) : y + h + 6, max(0, x - 6) : x + w + 6].max())
        touching = min(1.0, on_member / 0.25) * min(1.0, on_air / in_air)
        likeness = sure * touching * (0.4 + 0.6 * point)
        score = likeness * area**0.5
        left, top, right, bottom = x - 0.5, y - 0.5, x + w - 0.5, y + h - 0.5
        corners = maps.photo_points(np.array([[left, top], [right, top], [right, bottom], [left, bottom]]))
        (x0, y0), (x1, y1) = corners.min(axis=0).tolist(), corners.max(axis=0).tolist()
        found.append(Spot(((x0 + x1) / 2, (y0 + y1) / 2), max(x1 - x0, y1 - y0), score, (x0, y0, x1, y1), likeness))
    return sorted(found, key=lambda s: -s.score)


_TRACE, _TRACES, _MARGIN = 0.1, 20, 3
"""Probability of weld metal that leaves a trace, map px of such that are more than noise, and px about a spot's box
that are its own. Of 19 rendered tees those with one weld left 12 px at most, missed second ones 70 and more."""


def traces_elsewhere(maps: RegionMaps, spot: Spot) -> bool:
    """Whether the maps show traces of weld metal outside a spot's box, too faint to be a spot."""
    weld = _smoothed(maps.regions[WELD]).copy()
    x0, y0, x1, y1 = spot.box
    (left, top), (right, bottom) = np.rint(maps.map_points(np.array([[x0, y0], [x1, y1]]))).astype(int).tolist()
    weld[max(0, top - _MARGIN) : bottom + _MARGIN + 1, max(0, left - _MARGIN) : right + _MARGIN + 1] = 0.0
    return int((weld > _TRACE).sum()) >= _TRACES


def overlap(a: Spot, b: Spot) -> float:
    """Shared area of the boxes over the smaller box's area."""
    w = min(a.box[2], b.box[2]) - max(a.box[0], b.box[0])
    h = min(a.box[3], b.box[3]) - max(a.box[1], b.box[1])
    if w <= 0 or h <= 0:
        return 0.0
    areas = [(s.box[2] - s.box[0]) * (s.box[3] - s.box[1]) for s in (a, b)]
    return float(w * h / max(min(areas), 1e-9))


def look_closer(photo: Photo, spot: Spot, shares: tuple[float, ...] = SHARES) -> tuple[RegionMaps, Spot]:
    """Read the weld at `spot` closely; where it turns out badly framed, frame it anew and read again."""
    maps = close_maps(photo, spot, shares)
    for _ in range(2):
        near = [s for s in spots(maps, least_px=150) if overlap(s, spot) > 0.05]
        if not near:
            break
        better = near[0]
        off = max(abs(better.centre[0] - spot.centre[0]), abs(better.centre[1] - spot.centre[1]))
        ratio = better.span / spot.span
        if off < 0.12 * maps.scale * GRID and 0.75 < ratio < 1.3:
            break
        # A close look that sees something of quite another size has lost the weld.
        if not 0.4 < ratio < 2.2:
            break
        spot = better
        maps = close_maps(photo, spot, shares)
    return maps, spot


_SHOWN = 0.06
"""Part of a look's side from its border within which it shows too little of what lies around."""


def shows(maps: RegionMaps, points: FloatArray) -> bool:
    """Whether a look shows points (k, 2) px of the photo, and what lies around them."""
    h, w = maps.shape
    at = maps.map_points(points)
    margin = _SHOWN * max(h, w)
    return bool(((at > margin) & (at < [w - 1 - margin, h - 1 - margin])).all())


_REACH = 10.0
"""Map px about a point of the outline within which a look must have the border of weld metal."""


def denied(maps: RegionMaps, points: FloatArray) -> float:
    """Part of an outline's points (k, 2), photo px, at which a look shows no border of weld metal; 0 of none."""
    if not len(points):
        return 0.0
    r = int(_REACH)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r + 1, 2 * r + 1))
    weld = np.ascontiguousarray(maps.regions[WELD])
    least = maps.sample(np.asarray(cv2.erode(weld, disc), np.float32), points)
    most = maps.sample(np.asarray(cv2.dilate(weld, disc), np.float32), points)
    return float(((least > 0.5) | (most < 0.5)).mean())


def around(points: FloatArray, *, score: float, box: tuple[float, float, float, float] | None = None) -> Spot:
    """A spot that takes in points (k, 2) px a person gave, and a box found there."""
    corners = points if box is None else np.vstack([points, [box[:2], box[2:]]])
    (x0, y0), (x1, y1) = corners.min(axis=0).tolist(), corners.max(axis=0).tolist()
    return Spot(((x0 + x1) / 2, (y0 + y1) / 2), max(x1 - x0, y1 - y0, 1.0), score, (x0, y0, x1, y1))
