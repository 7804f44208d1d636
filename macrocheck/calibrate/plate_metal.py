"""Whether what lies between two faces is metal: no label, no rule; and whether there is other metal beside it.

Print is told by its strokes: letters, a bar, ticks, thin against the thickness and about as dark or light against
what they stand on as that is against its own ground. A section's metal has pits, scratches and bands, which are
fewer, smaller or fainter, where both faces are seen (beside the weld).
"""

import math

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, ByteArray, Float32Array, FloatArray
from macrocheck.calibrate.plate_fit import Plate
from macrocheck.calibrate.profile import reduced

ROWS = 80.0
"""Rows that the thickness is looked at in."""
STROKE = 0.2
"""Widest stroke, part of the thickness."""
INK = 0.45
"""Least contrast of a stroke, part of the weaker face's."""
INSET = 0.42
"""How far to either side of the middle strokes are looked for, part of the thickness: not at the faces."""
LEAST_STROKE = 0.1
"""Shortest stroke that counts, part of the thickness: pits and dust are shorter."""
LEAST_STROKES, LEAST_PART = 4, 0.03
"""Strokes, and the part of the area that they cover, from which something is printed."""
LEAST_PRINT = 25.0
"""Least contrast of a printed thing's own edges, grey levels, for its place to be kept clear of plates."""
SHORTEST = 0.7
"""Least length of a printed thing, part of its thickness, for its place to be kept clear: two faces further apart
than they are long may be those of two plates."""
SIDE = 300
"""Longest side of the picture in which other metal is looked for, px."""
TONE = 0.25
"""From the ground's tone to the plate's, from where on a pixel is as likely metal in other light."""
OTHER_METAL = 0.02
"""Part of the picture from which metal beside the plate is another member."""


def printed(pixels: ByteArray, plate: Plate) -> bool:
    """Whether strokes as of print or ticks lie between the faces, where both are seen."""
    read, u, v, step = _laid_out(pixels, plate)
    wide = max(int(STROKE * plate.thickness / step) | 1, 5)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (wide, wide))
    clear = np.asarray(((u[:, None] >= plate.clear[:, 0]) & (u[:, None] <= plate.clear[:, 1])).any(axis=1))
    where = clear[None, :] & (np.abs(v) < INSET * plate.thickness)[:, None]
    strokes, area = 0, 0
    for kind in (cv2.MORPH_TOPHAT, cv2.MORPH_BLACKHAT):
        ink = (cv2.morphologyEx(read, kind, kernel).max(axis=2) > INK * plate.step) & where
        stats = cv2.connectedComponentsWithStats(ink.astype(np.uint8))[2][1:]
        strokes += int(np.count_nonzero(stats[:, 2:4].max(axis=1) * step > LEAST_STROKE * plate.thickness))
        area += int(np.count_nonzero(ink))
    return bool(strokes >= LEAST_STROKES and area > LEAST_PART * np.count_nonzero(where))


def _laid_out(pixels: ByteArray, plate: Plate) -> tuple[Float32Array, FloatArray, FloatArray, float]:
    """The plate laid level: (len(v), len(u), 3), places along and across it, px from one to the next."""
    step = max(plate.thickness / ROWS, 1.0)
    h, w = pixels.shape[:2]
    u = np.arange(float(plate.clear.min()), float(plate.clear.max()), step)
    v = np.arange(-0.7 * plate.thickness, 0.7 * plate.thickness, step)
    x = plate.middle[0] + u * plate.along[0] + v[:, None] * plate.across[0]
    y = plate.middle[1] + u * plate.along[1] + v[:, None] * plate.across[1]
    # only the part around the plate is reduced
    rim = math.ceil(4 * step)
    x0, y0 = (int(np.clip(k.min() - rim, 0, most - 1)) for k, most in ((x, w), (y, h)))
    x1, y1 = (int(np.clip(k.max() + rim, low + 1, most)) for k, low, most in ((x, x0, w), (y, y0, h)))
    part = pixels[y0:y1, x0:x1]
    size = (max(round((x1 - x0) / step), 8), max(round((y1 - y0) / step), 8))
    small = reduced(part, size) if step > 1.3 else part
    scale = np.array([small.shape[1] / (x1 - x0), small.shape[0] / (y1 - y0)])
    x, y = (x - x0 + 0.5) * scale[0] - 0.5, (y - y0 + 0.5) * scale[1] - 0.5
    read = cv2.remap(
        small, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(read, dtype=np.float32), u, v, step


def within(a: Plate, b: Plate) -> bool:
    """Whether `a` lies on the printed thing `b`: a margin beside its ticks, the ticks themselves."""
    if (
        b.step < LEAST_PRINT
        or b.length < SHORTEST * b.thickness
        or a.thickness * a.length > 1.2 * b.thickness * b.length
    ):
        return False
    shift = a.middle - b.middle
    ends = (b.corners - b.middle) @ b.along
    room = 0.03 * b.thickness
    along, across = float(shift @ b.along), abs(float(shift @ b.across))
    return across < b.thickness / 2 + room and float(ends.min()) - room < along < float(ends.max()) + room


def other_metal(pixels: ByteArray, plate: Plate) -> bool:
    """Whether the picture shows metal of about the plate's tone that is not between its two faces, however long."""
    h, w = pixels.shape[:2]
    factor = max(max(h, w) / SIDE, 1.0)
    small = reduced(pixels, (round(w / factor), round(h / factor)))
    colour = cv2.GaussianBlur(small, (0, 0), 1.0).astype(np.float64)
    y, x = np.mgrid[: small.shape[0], : small.shape[1]]
    x, y = (
        (x + 0.5) * w / small.shape[1] - 0.5 - plate.middle[0],
        (y + 0.5) * h / small.shape[0] - 0.5 - plate.middle[1],
    )
    along, across = x * plate.along[0] + y * plate.along[1], x * plate.across[0] + y * plate.across[1]
    between = np.abs(along) < plate.length / 2
    half = plate.thickness / 2
    tone = _usual(colour, between & (np.abs(across) < 0.8 * half))
    sides = [_usual(colour, between & (s * across > 1.1 * half) & (s * across < 2.0 * half)) for s in (-1, 1)]
    known = [side for side in sides if side is not None]
    if tone is None or not known:
        return True
    ground = max(known, key=lambda side: float(np.sum((tone - side) ** 2)))
    to_metal = tone - ground
    part = (colour - ground) @ to_metal / max(float(to_metal @ to_metal), 1e-9)
    metal = (part > TONE) & (np.abs(across) > half + 2 * factor)
    return float(metal.mean()) > OTHER_METAL


def _usual(colour: FloatArray, where: BoolArray) -> FloatArray | None:
    return np.median(colour[where], axis=0) if np.count_nonzero(where) >= 8 else None
