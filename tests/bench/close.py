"""The network's maps of a weld framed by its truth, beside that truth: no search and no geometry in between."""

import cv2
import numpy as np

from macrocheck.arrays import ByteArray
from macrocheck.photo import Photo
from macrocheck.segment.locate import SHARES, Spot, close_maps
from macrocheck.segment.maps import RegionMaps
from tests.bench.cases import CaseWeld


def seen_closely(photo: Photo, weld: CaseWeld, shares: tuple[float, ...] = SHARES) -> tuple[RegionMaps, ByteArray]:
    """Return the maps of a close look at `weld` and, on their grid, 1 where the truth has weld metal."""
    low, high = weld.polygon_px.min(axis=0), weld.polygon_px.max(axis=0)
    x, y = ((low + high) / 2).tolist()
    box = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    maps = close_maps(photo, Spot((x, y), float((high - low).max()), 1.0, box), shares)
    truth = np.zeros(maps.shape, np.uint8)
    cv2.fillPoly(truth, [np.round(maps.map_points(weld.polygon_px) * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
    return maps, truth
