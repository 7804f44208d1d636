"""Words in a picture."""

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from macrocheck.arrays import FloatArray
from tests.otherwise.raster import Plane


def word(text: str, height: float) -> Plane:
    """Return how much ink lies on each pixel of a word `height` px high."""
    font = ImageFont.load_default(size=max(height * 1.35, 7.0))
    x0, y0, x1, y1 = font.getbbox(text)
    picture = Image.new("L", (int(x1 - x0) + 4, int(y1 - y0) + 4))
    ImageDraw.Draw(picture).text((2 - x0, 2 - y0), text, fill=255, font=font)
    return np.asarray(picture, dtype=np.float32) / np.float32(255)


def write(image: FloatArray, text: str, at: FloatArray, height: float, angle: float, tone: float) -> FloatArray:
    """Write a word beginning at px `at` (its lower left where the angle is 0, rad), in a tone."""
    ink = word(text, height)
    c, s = np.cos(angle), np.sin(angle)
    foot = np.array([0.0, ink.shape[0] / 2])
    m = np.array([[c, -s], [s, c]])
    move = np.column_stack([m, np.asarray(at) - m @ foot]).astype(np.float32)
    over = cv2.warpAffine(ink, move, (image.shape[1], image.shape[0]), flags=cv2.INTER_LINEAR)
    return np.asarray(image + over[..., None] * (tone - image))
