"""Pictures as files' bytes."""

import cv2
import numpy as np

from macrocheck.arrays import ByteArray
from macrocheck.errors import OutputError


def encode_png(rgb: ByteArray) -> bytes:
    """Return (h, w, 3) uint8 sRGB as PNG bytes: fast compression, a photograph hardly gets smaller with more."""
    return _encoded(".png", rgb, [cv2.IMWRITE_PNG_COMPRESSION, 1])


def encode_jpeg(rgb: ByteArray, quality: int = 90) -> bytes:
    """Return (h, w, 3) uint8 sRGB as JPEG bytes of `quality` 1 to 100, colour at full resolution for thin lines."""
    full = cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444
    return _encoded(".jpg", rgb, [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, full])


def _encoded(kind: str, rgb: ByteArray, settings: list[int]) -> bytes:
    done, data = cv2.imencode(kind, cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), settings)
    if not done:
        msg = f"The picture of {rgb.shape[1]} x {rgb.shape[0]} px could not be encoded; try a smaller one."
        raise OutputError(msg)
    return bytes(np.asarray(data))
