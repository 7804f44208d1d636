"""RegionMaps: what the network says about the surroundings of one weld, and where its pixels lie in the photo."""

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, Float32Array, FloatArray

BACKGROUND, WELD, BUTTING, NONBUTTING = 0, 1, 2, 3
ROOT, TOE_BUTTING, TOE_NONBUTTING = 0, 1, 2


@dataclass(frozen=True, eq=False)
class RegionMaps:
    """The network's maps of one crop, (h, w) map pixels.

    `regions`: (4, h, w) float32, probabilities that sum to 1: background, weld metal, butting, nonbutting member.
    `haz`, `fusion_line`, `seam`, `void`: (h, w) float32 probabilities of: heat-affected zone; a ridge about 3 px
    wide on the fusion boundary; a ridge along unfused interfaces; a void (labelled weld metal in `regions`).
    `points`: (3, h, w) float32 heat maps of joint root, butting toe, nonbutting toe.
    `to_photo`: (2, 3), map pixel (x, y, 1) to upright-photo pixel.
    """

    regions: Float32Array
    haz: Float32Array
    fusion_line: Float32Array
    seam: Float32Array
    void: Float32Array
    points: Float32Array
    to_photo: FloatArray

    @property
    def shape(self) -> tuple[int, int]:
        """(height, width), map px."""
        return int(self.regions.shape[1]), int(self.regions.shape[2])

    @cached_property
    def scale(self) -> float:
        """Photo pixels per map pixel."""
        return float(np.sqrt(abs(np.linalg.det(self.to_photo[:, :2]))))

    @cached_property
    def to_map(self) -> FloatArray:
        """(2, 3), upright-photo pixel to map pixel."""
        inverse = np.linalg.inv(self.to_photo[:, :2])
        return np.column_stack([inverse, -inverse @ self.to_photo[:, 2]])

    def photo_points(self, points_map: FloatArray) -> FloatArray:
        """Map (n, 2) map pixels to photo pixels."""
        return np.asarray(points_map @ self.to_photo[:, :2].T + self.to_photo[:, 2])

    def map_points(self, points_px: FloatArray) -> FloatArray:
        """Map (n, 2) photo pixels to map pixels."""
        return np.asarray(points_px @ self.to_map[:, :2].T + self.to_map[:, 2])

    def sample(self, layer: Float32Array, points_px: FloatArray) -> FloatArray:
        """Values of `layer` (h, w) at photo points (..., 2), bilinear; the map's border goes on outside it."""
        at = self.map_points(points_px.reshape(-1, 2)).astype(np.float32)
        return sample(layer, at).reshape(points_px.shape[:-1])


def sample(image: AnyArray, at: FloatArray | Float32Array) -> FloatArray:
    """Bilinear values of a 2-D float32 or uint8 `image` at (n, 2) points (x, y) px; its border goes on outside."""
    # OpenCV's remap takes at most 32767 rows; a square-ish sheet of points keeps clear of that.
    n = len(at)
    if n == 0:
        return np.empty(0)
    wide = 512
    rows = -(-n // wide)
    sheet = np.zeros((rows * wide, 2), np.float32)
    sheet[:n] = at
    out = cv2.remap(
        image,
        sheet[:, 0].reshape(rows, wide),
        sheet[:, 1].reshape(rows, wide),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(out, np.float64).ravel()[:n]
