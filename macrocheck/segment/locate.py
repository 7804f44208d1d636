"""Where the welds are: a coarse look at the whole photo, then a close crop around each weld."""

from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, Float32Array, FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.maps import BUTTING, NONBUTTING, WELD, RegionMaps
from macrocheck.segment.network import STEP, read_maps

COARSE = 384
"""Long side of the coarse look, px."""
FINE = 448
"""Side of a close crop, px."""
SHARE = 0.5
"""Share of a close crop's side that the weld takes; the network was trained on 0.2 to 0.95."""


@dataclass(frozen=True, slots=True)
class Spot:
    """A weld in sight: `centre` (x, y) and the longer side `span` of its box, photo px; `score` 0..1."""

    centre: tuple[float, float]
    span: float
    score: float
    box: tuple[float, float, float, float]


def crop(
    photo: Photo, x0: float, y0: float, side_x: float, side_y: float, width: int, height: int
) -> tuple[ByteArray, FloatArray]:
    """Cut (x0, y0, side_x, side_y) photo px out as width x height px; what lies outside repeats the border."""
    left, top = int(np.floor(x0)), int(np.floor(y0))
    right, bottom = int(np.ceil(x0 + side_x)), int(np.ceil(y0 + side_y))
    a, b = max(0, left), max(0, top)
    part = photo.pixels[b : max(b + 1, bottom), a : max(a + 1, right)]
    pad = (max(0, b - top), max(0, bottom - photo.height), max(0, a - left), max(0, right - photo.width))
    if any(pad):
        part = cv2.copyMakeBorder(part, *pad, borderType=cv2.BORDER_REPLICATE)
    shrink = part.shape[1] > width
    out = cv2.resize(part, (width, height), interpolation=cv2.INTER_AREA if shrink else cv2.INTER_LINEAR)
    fx, fy = part.shape[1] / width, part.shape[0] / height
    # Pixel centres at integers: map pixel 0 covers photo pixels left .. left + f.
    to_photo = np.array([[fx, 0, left + 0.5 * fx - 0.5], [0, fy, top + 0.5 * fy - 0.5]])
    return np.asarray(out, np.uint8), to_photo


def coarse_maps(photo: Photo) -> RegionMaps:
    """Read the whole photo at low resolution."""
    long_side = max(photo.width, photo.height)
    f = long_side / COARSE
    width = int(np.ceil(photo.width / f / STEP) * STEP)
    height = int(np.ceil(photo.height / f / STEP) * STEP)
    pixels, to_photo = crop(photo, 0, 0, width * f, height * f, width, height)
    return read_maps(pixels, to_photo)


def fine_maps(photo: Photo, spot: Spot, *, flips: bool = False) -> RegionMaps:
    """Read a close crop around one weld."""
    side = max(spot.span / SHARE, 64.0)
    x0, y0 = spot.centre[0] - side / 2, spot.centre[1] - side / 2
    pixels, to_photo = crop(photo, x0, y0, side, side, FINE, FINE)
    return read_maps(pixels, to_photo, flips=flips)


def _smoothed(layer: Float32Array) -> Float32Array:
    return np.asarray(cv2.GaussianBlur(layer, (0, 0), 0.8), np.float32)


def spots(maps: RegionMaps, *, least_px: int = 12) -> list[Spot]:
    """List what looks like weld metal in `maps`, best first.

    A patch counts for its size, for how sure it is, and for touching a member: an island in the middle of one
    member, or in the background, is no weld.
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
        score = sure * min(1.0, on_member / 0.25) * min(1.0, 0.3 + on_air / 0.15) * (0.5 + 0.5 * point) * area**0.5
        corners = maps.photo_points(np.array([[x - 0.5, y - 0.5], [x + w - 0.5, y + h - 0.5]]))
        (x0, y0), (x1, y1) = corners
        found.append(Spot(((x0 + x1) / 2, (y0 + y1) / 2), max(x1 - x0, y1 - y0), score, (x0, y0, x1, y1)))
    return sorted(found, key=lambda s: -s.score)


def look_closer(photo: Photo, spot: Spot, *, flips: bool = False) -> tuple[RegionMaps, Spot]:
    """Read the crop around `spot`; where the weld turns out badly framed, frame it anew and read again."""
    maps = fine_maps(photo, spot)
    for _ in range(2):
        near = [s for s in spots(maps, least_px=150) if _overlap(s, spot) > 0.05]
        if not near:
            return maps, spot
        better = near[0]
        off = max(abs(better.centre[0] - spot.centre[0]), abs(better.centre[1] - spot.centre[1])) / (
            maps.scale * FINE
        )
        ratio = better.span / spot.span
        if off < 0.12 and 0.65 < ratio < 1.4:
            spot = better if off < 0.02 else spot
            break
        spot = better
        maps = fine_maps(photo, spot, flips=flips)
    return maps, spot


def _overlap(a: Spot, b: Spot) -> float:
    """Shared area over the smaller box's area."""
    w = min(a.box[2], b.box[2]) - max(a.box[0], b.box[0])
    h = min(a.box[3], b.box[3]) - max(a.box[1], b.box[1])
    if w <= 0 or h <= 0:
        return 0.0
    areas = [(s.box[2] - s.box[0]) * (s.box[3] - s.box[1]) for s in (a, b)]
    return float(w * h / min(areas))
