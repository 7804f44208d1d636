"""The photo as a pyramid of tiles, so that a browser pans and zooms a large one without lag."""

import threading
from collections import OrderedDict

import cv2
import numpy as np

from macrocheck.arrays import ByteArray
from macrocheck.errors import InputError
from macrocheck.photo import Photo
from macrocheck.review.protocol_state import Level

TILE_PX = 512
_THUMB_PX = 256
_QUALITY = 92
"""JPEG quality of tiles: no blocks to be seen when zoomed in to the pixel."""
_MOST_KEPT = 256


def levels_of(width: int, height: int) -> list[Level]:
    """Return the levels of a photo's pyramid, coarsest first; each pixel of a level is 2 x 2 of the next."""
    sizes = [(width, height)]
    while max(sizes[-1]) > TILE_PX:
        w, h = sizes[-1]
        sizes.append(((w + 1) // 2, (h + 1) // 2))
    return [
        {"width": w, "height": h, "columns": -(-w // TILE_PX), "rows": -(-h // TILE_PX)} for w, h in reversed(sizes)
    ]


class Tiles:
    """Tiles of one photo as JPEG bytes; safe to ask from several threads."""

    def __init__(self, photo: Photo) -> None:
        """Nothing is worked out before it is asked for."""
        self._photo = photo
        self.levels = levels_of(photo.width, photo.height)
        self._pixels: list[ByteArray] = []
        self._kept: OrderedDict[tuple[int, int, int], bytes] = OrderedDict()
        self._lock = threading.Lock()

    def tile(self, z: int, x: int, y: int) -> bytes:
        """Return one tile; InputError where there is none of that number."""
        if not 0 <= z < len(self.levels):
            _refuse()
        level = self.levels[z]
        if not (0 <= x < level["columns"] and 0 <= y < level["rows"]):
            _refuse()
        with self._lock:
            known = self._kept.get((z, x, y))
            if known is not None:
                self._kept.move_to_end((z, x, y))
                return known
            pixels = self._level(z)
        made = _jpeg(pixels[y * TILE_PX : (y + 1) * TILE_PX, x * TILE_PX : (x + 1) * TILE_PX])
        with self._lock:
            self._kept[z, x, y] = made
            while len(self._kept) > _MOST_KEPT:
                self._kept.popitem(last=False)
        return made

    def thumb(self) -> bytes:
        """Return a small picture of the whole photo."""
        with self._lock:
            pixels = self._level(0)
        factor = min(1.0, _THUMB_PX / max(pixels.shape[:2]))
        size = (max(1, round(pixels.shape[1] * factor)), max(1, round(pixels.shape[0] * factor)))
        return _jpeg(np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8))

    def _level(self, z: int) -> ByteArray:
        """Return the pixels of a level; worked out from the finest down."""
        if not self._pixels:
            self._pixels = [self._photo.pixels]
        steps = len(self.levels) - 1 - z
        while len(self._pixels) <= steps:
            self._pixels.append(_halved(self._pixels[-1]))
        return self._pixels[steps]


def _halved(pixels: ByteArray) -> ByteArray:
    height, width = pixels.shape[:2]
    # Padded to even sides: each pixel must be exactly two of the finer level, or tiles would drift apart.
    if height % 2 or width % 2:
        pixels = np.asarray(
            cv2.copyMakeBorder(pixels, 0, height % 2, 0, width % 2, borderType=cv2.BORDER_REPLICATE), np.uint8
        )
    half = (pixels.shape[1] // 2, pixels.shape[0] // 2)
    return np.asarray(cv2.resize(pixels, half, interpolation=cv2.INTER_AREA), np.uint8)


def _jpeg(pixels: ByteArray) -> bytes:
    good, data = cv2.imencode(
        ".jpg",
        cv2.cvtColor(np.ascontiguousarray(pixels), cv2.COLOR_RGB2BGR),
        [
            cv2.IMWRITE_JPEG_QUALITY,
            _QUALITY,
            cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
            cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
        ],
    )
    if not good:
        _refuse()
    return bytes(data)


def _refuse() -> None:
    msg = "There is no such piece of the picture."
    raise InputError(msg)
