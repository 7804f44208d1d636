"""The plain ways that the marks are set beside: a Hough circle for a disc, the peak of a spectrum for a rule."""

import math

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.calibrate.profile import strip


def hough_diameter(grey: ByteArray, near_px: float) -> float:
    """Diameter of the best circle of OpenCV's gradient Hough transform, px.

    It is told the diameter to a quarter, which a search is not: its error is the radius's alone.
    """
    soft = cv2.medianBlur(grey, 5)
    low, high = int(0.75 * near_px / 2), int(1.25 * near_px / 2) + 1
    found = cv2.HoughCircles(
        soft, cv2.HOUGH_GRADIENT, 1.0, float(max(grey.shape)), param1=80, param2=15, minRadius=low, maxRadius=high
    )
    circles = np.asarray(found, dtype=np.float64).reshape(-1, 3) if found is not None else np.empty((0, 3))
    return 2 * float(circles[0, 2]) if len(circles) else near_px * 1.25


def spectral_pitch(grey: ByteArray, ticks_px: FloatArray) -> float:
    """Pitch of a rule from the highest peak of its profile's spectrum, px; parabola through the peak.

    It is told where the rule lies, which a search is not: the profile runs along the ticks that were found.
    """
    start, end = ticks_px[0], ticks_px[-1]
    length = math.dist(start, end)
    direction = (end - start) / length
    rough = length / max(len(ticks_px) - 1, 1)
    u = np.arange(-0.5 * rough, length + 0.5 * rough)
    profile = strip(grey, start, direction, u, np.linspace(-0.8, 0.8, 9) * rough).mean(axis=0)
    profile = (profile - np.polyval(np.polyfit(u, profile, 2), u)) * np.hanning(len(u))
    size = 16 * len(u)
    power = np.abs(np.fft.rfft(profile, size))
    low, high = int(size / (1.7 * rough)), int(size / (0.6 * rough)) + 1
    i = low + int(np.argmax(power[low:high]))
    a, b, c = np.log(power[i - 1 : i + 2])
    return float(size / (i + 0.5 * (a - c) / (a - 2 * b + c)))
