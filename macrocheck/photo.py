"""Photo: the upright pixels of one photograph, its stated density and its digest."""

from dataclasses import dataclass
from functools import cached_property

from macrocheck.arrays import ByteArray

LUMA = (0.299, 0.587, 0.114)
"""Brightness of red, green, blue (ITU-R BT.601)."""


@dataclass(frozen=True, eq=False)
class Photo:
    """One photograph, turned upright (EXIF orientation applied).

    `pixels`: (height, width, 3) uint8, sRGB, red first. `path`: as the user gave it. `sha256`: hex digest of
    the file's bytes. `density_px_per_mm`: from the file's own dpi entry where it has a believable one.
    `notes`: sentences on what was decided while reading (first of several pictures, transparency, bit depth).
    """

    pixels: ByteArray
    path: str
    sha256: str
    density_px_per_mm: float | None = None
    notes: tuple[str, ...] = ()

    @property
    def width(self) -> int:
        """Width in px."""
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        """Height in px."""
        return int(self.pixels.shape[0])

    @cached_property
    def grey(self) -> ByteArray:
        """Luma (ITU-R BT.601 weights, as OpenCV's), (height, width) uint8."""
        import cv2
        import numpy as np

        return np.asarray(cv2.cvtColor(self.pixels, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
