"""Which part of the photograph is drawn, how large, and how its pixels map to the drawing's."""

from dataclasses import dataclass, replace

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.report.palette import Colour

MOST_PX = 2400
"""Longest side of a drawing's picture: all that a screen or an A4 print shows, and cheap to draw and store."""
LEAST_PX = 1600
"""Small pictures are enlarged to this so that the labels have room."""

_ROOM = (0.15, 0.10)
"""Room for labels beside what is drawn, fractions of its long side: left and right, above and below."""
_WORTH_CROPPING = 1.4
"""The picture is cropped to the welds where that shows them at least this much larger."""

_LEAST_ASPECT = 0.5
"""Short side of a cropped picture over what is drawn in it, where the photograph has that much."""

MARGIN: Colour = (232, 230, 223)
"""What lies outside the photograph."""


@dataclass(frozen=True, slots=True)
class Frame:
    """A part of the photograph, enlarged or reduced by `zoom`.

    `left`, `top`, `right`, `bottom`: whole photo pixels (right and bottom excluded); beyond the photograph they
    stand for margin. `width`, `height`: of the drawing, px. `cropped`: the photo shows more than this part.
    """

    left: int
    top: int
    right: int
    bottom: int
    zoom: float
    cropped: bool

    @property
    def width(self) -> int:
        """Width of the drawing, px."""
        return max(1, round((self.right - self.left) * self.zoom))

    @property
    def height(self) -> int:
        """Height of the drawing, px."""
        return max(1, round((self.bottom - self.top) * self.zoom))

    def place(self, points_px: FloatArray) -> FloatArray:
        """Map (n, 2) points of the photo to (n, 2) points of the drawing; pixel centres at integers in both."""
        points = np.asarray(points_px, dtype=np.float64).reshape(-1, 2)
        return np.asarray((points + 0.5 - (self.left, self.top)) * self.zoom - 0.5)

    def taller(self, height: int, photo_height: int) -> "Frame":
        """Return the frame grown to `height` px of drawing: by more photograph where there is any, else margin."""
        rows = int((height - self.height) / self.zoom)
        if rows <= 0:
            return self
        above, below = max(self.top, 0), max(photo_height - self.bottom, 0)
        up = min(above, max(rows // 2, rows - below))
        up += max(rows - up - below, 0) // 2
        return replace(self, top=self.top - up, bottom=self.bottom + rows - up)

    def render(self, pixels: ByteArray) -> ByteArray:
        """Return the part as (height, width, 3) uint8, with margin where there is no photograph."""
        rows, columns = pixels.shape[:2]
        x0, x1 = max(self.left, 0), min(self.right, columns)
        y0, y1 = max(self.top, 0), min(self.bottom, rows)
        out = np.empty((self.height, self.width, 3), np.uint8)
        out[:] = MARGIN
        if x0 >= x1 or y0 >= y1:
            return out
        a = round((x0 - self.left) * self.zoom), round((y0 - self.top) * self.zoom)
        b = (
            min(self.width, max(round((x1 - self.left) * self.zoom), a[0] + 1)),
            min(self.height, max(round((y1 - self.top) * self.zoom), a[1] + 1)),
        )
        how = cv2.INTER_AREA if self.zoom < 1 else cv2.INTER_CUBIC
        part = np.ascontiguousarray(pixels[y0:y1, x0:x1])
        out[a[1] : b[1], a[0] : b[0]] = cv2.resize(part, (b[0] - a[0], b[1] - a[1]), interpolation=how)
        return out


def choose_frame(width: int, height: int, drawn: FloatArray | None, *, crop: bool = True) -> Frame:
    """Return the frame for a photo of `width` x `height` px in which the points `drawn` (n, 2) must be seen.

    The whole photo, with margin added where what is drawn runs out of it; or only the part around what is drawn,
    where that shows it `_WORTH_CROPPING` times as large.
    """
    whole = np.array([0, 0, width, height], dtype=np.float64)
    box, cropped = whole, False
    if drawn is not None and len(drawn):
        need = np.concatenate([drawn.min(axis=0), drawn.max(axis=0) + 1])
        # What lies far outside the photo (an end that was stated by hand, say) shall not shrink the rest.
        far = 0.5 * max(width, height)
        need = np.clip(need, [-far, -far, -far, -far], [width + far, height + far, width + far, height + far])
        reach = float(max(need[2] - need[0], need[3] - need[1], 8.0))
        room = np.array([-_ROOM[0], -_ROOM[1], _ROOM[0], _ROOM[1]]) * reach
        tight = need + room
        # A long thin subject keeps some of the picture above and below (or beside) it.
        thin = np.maximum(_LEAST_ASPECT * reach - (need[2:] - need[:2]), 0) / 2
        around = need + 1.8 * room + np.concatenate([-thin, thin])
        around = np.concatenate([np.maximum(around[:2], 0), np.minimum(around[2:], [width, height])])
        part = _union(tight, around)
        full = _union(tight, whole)
        if crop and _WORTH_CROPPING * _long(part) <= _long(full):
            box, cropped = part, True
        else:
            box = full
    box = np.concatenate([np.floor(box[:2]), np.ceil(box[2:])])
    zoom = float(np.clip(_long(box), LEAST_PX, MOST_PX)) / _long(box)
    left, top, right, bottom = (int(v) for v in box)
    return Frame(left, top, right, bottom, zoom, cropped)


def _union(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.concatenate([np.minimum(a[:2], b[:2]), np.maximum(a[2:], b[2:])])


def _long(box: FloatArray) -> float:
    return float(max(box[2] - box[0], box[3] - box[1], 1.0))
