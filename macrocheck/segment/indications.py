"""Linear dark indications in or beside the weld: what may be a crack or a seam, for a person to look at."""

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, ByteArray, Float32Array, FloatArray
from macrocheck.segment.layout import Layout
from macrocheck.segment.maps import BACKGROUND, RegionMaps

_WIDEST = 7
"""Map px: what is wider is a patch or a void, no line."""
_LEAST_CONTRAST = 25.0
"""Grey levels a line must be darker than what it lies in; cracks are about as black as the background."""
_STANDS_OUT = 7.0
"""Times the typical depth of dark streaks in the same region, so that grain is no crack."""
_SHORTEST = 0.06
"""Part of the weld's size (root of its area) from which a line is worth a look."""
_MOST = 5


def find_indications(
    grey: ByteArray, maps: RegionMaps, layout: Layout, known: FloatArray
) -> tuple[FloatArray, ...]:
    """Polylines (k, 2) photo px of lines that are dark, thin, long, and not explained otherwise; longest first.

    `grey`: (h, w), the photo's grey on the map's pixels. `known`: (n, 2) photo px on outlines that are dark lines
    of their own right (fusion boundary, surfaces).
    """
    h, w = maps.shape
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_WIDEST + 2, _WIDEST + 2))
    depth = cv2.subtract(cv2.morphologyEx(grey, cv2.MORPH_CLOSE, kernel), grey).astype(np.float32)
    size = float(np.sqrt(layout.weld.sum()))
    beside = cv2.distanceTransform(1 - layout.weld, cv2.DIST_L2, 3) < 0.12 * size
    solid = cv2.erode((maps.regions[BACKGROUND] < 0.3).astype(np.uint8), np.ones((11, 11), np.uint8)) > 0
    taken = (maps.seam > 0.15) | (maps.void > 0.3)
    lines = np.zeros((h, w), np.uint8)
    at = np.round(maps.map_points(known)).astype(int)
    at = at[(at >= 0).all(axis=1) & (at[:, 0] < w) & (at[:, 1] < h)]
    lines[at[:, 1], at[:, 0]] = 1
    taken |= cv2.dilate(lines, np.ones((9, 9), np.uint8)) > 0
    taken = cv2.dilate(taken.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    free = beside & solid & ~taken
    found: list[tuple[float, FloatArray]] = []
    for region in (free & (layout.weld > 0), free & (layout.weld == 0)):
        found += _lines_in(depth, region, _SHORTEST * size)
    found.sort(key=lambda f: -f[0])
    return tuple(maps.photo_points(line) for _, line in found[:_MOST])


def _lines_in(depth: Float32Array, region: BoolArray, shortest: float) -> list[tuple[float, FloatArray]]:
    """(length, polyline) map px of dark lines in a region."""
    if region.sum() < 200:
        return []
    level = max(_LEAST_CONTRAST, _STANDS_OUT * float(np.median(depth[region])))
    on = (region & (depth > 0.6 * level)).astype(np.uint8)
    n, labels, stats, _ = cv2.connectedComponentsWithStats(on, connectivity=8)
    out = []
    for k in range(1, n):
        if max(stats[k, cv2.CC_STAT_WIDTH], stats[k, cv2.CC_STAT_HEIGHT]) < 0.7 * shortest:
            continue
        ys, xs = np.nonzero(labels == k)
        if float(np.median(depth[ys, xs])) < level:
            continue
        points = np.column_stack([xs, ys]).astype(np.float64)
        centre = points.mean(axis=0)
        _, vectors = np.linalg.eigh((points - centre).T @ (points - centre))
        s = (points - centre) @ vectors[:, 1]
        length = float(np.ptp(s)) + 1
        width = len(points) / length
        if length < shortest or length < 5 * width:
            continue
        bins = np.floor((s - s.min()) / 4.0).astype(int)
        line = np.array([points[bins == b].mean(axis=0) for b in np.unique(bins)])
        if len(line) >= 2:
            out.append((length, line))
    return out
