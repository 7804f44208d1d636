"""How much the camera blurred a bar, told by its long sides, and its ends read with that: by brightness, by colour.

Hundreds of pixels along the sides tell the blur, a few at an end. A JPEG file keeps colour by blocks of 16 px and
drops what is fine in them, so that a bar's colour seems to end where a block does; what it keeps of a block is its
mean and its slow change, so that colour is read smoothed.
"""

import math
from collections.abc import Callable

import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.calibrate.profile import erf, fit_edge, strip
from macrocheck.photo import LUMA

PAST = 6.0
"""How far past a bar's sides its profile is read, px."""
PLACES = 80
"""Places along the bar at which it is read."""
THINNEST, TRIES = 1.6, 24
"""Thinnest bar that is tried, px, and how many thicknesses and blurs are."""
SHARPEST, SOFTEST = 0.3, 4.5
"""Blurs (standard deviation) that are tried, px."""
LEAST_HEIGHT = 8.0
"""Least height of the profile that tells, grey levels."""
AS_SIDES = 0.15
"""Standard uncertainty of an end's blur as that of the sides, parts of it; an estimate."""
SMOOTHING, HALVED = 4.0, 0.8
"""Standard deviation by which colour is smoothed along the bar, px: of 0 to 6, and of windows of 1.7 and 2.2 blurs,
what left 63 ends of rendered bars least far off (0.42 px root mean square without, 0.16 with); and what keeping it
for every second pixel blurs, px."""
AS_SMOOTHED = 0.1
"""Standard uncertainty of the blur of smoothed colour, parts of it; an estimate."""
WINDOW = 1.7
"""How far to either side of its end a smoothed edge is read, in its blurs."""
STRAYS = 3.0
"""Most that an end read smoothed may be off where it is seen without, px and one blur more."""

Profile = Callable[[FloatArray], FloatArray]
"""Likeness to the bar along it, px outward of where its end was looked for."""


def side_blur(pixels: ByteArray, start: FloatArray, end: FloatArray, thick: float) -> float | None:
    """Blur (standard deviation, px) of the sides of a bar from `start` to `end`, `thick` px as seen, by brightness.

    None where it hardly stands out by its brightness. A bar thinner than its blur tells both together only.
    """
    length = math.dist(start, end)
    u = np.linspace(0.1, 0.9, PLACES) * length
    v = np.arange(-0.5 * thick - PAST, 0.5 * thick + PAST + 0.01, 0.5)
    seen = np.median(strip(pixels, start, (end - start) / length, u, v) @ np.array(LUMA), axis=1)
    seen = (seen + seen[::-1]) / 2
    v, seen = v[v >= -0.25], seen[v >= -0.25]
    thicks, blurs = np.geomspace(THINNEST, thick + 1.0, TRIES), np.geomspace(SHARPEST, SOFTEST, TRIES)
    t, s = (one.ravel()[:, None] for one in np.meshgrid(thicks, blurs))
    k = 1.0 / (math.sqrt(2.0) * s)
    shapes = 0.5 * (erf((v + t / 2) * k) - erf((v - t / 2) * k))
    off = shapes - shapes.mean(axis=1, keepdims=True)
    rest = seen - seen.mean()
    height = (off @ rest) / np.maximum(np.sum(off**2, axis=1), 1e-9)
    best = int(np.argmin(np.sum((rest - height[:, None] * off) ** 2, axis=1)))
    told = abs(float(height[best])) * float(np.ptp(shapes[best])) >= LEAST_HEIGHT
    return float(s[best, 0]) if told else None


def colour_end(profile: Profile, reach: float, at: float, blur: float) -> float | None:
    """Where a bar ends by its colour, px outward, from where it is seen to end; None where smoothing loses it.

    `reach`: how far past the end nothing but ground lies, px; `blur`: of the bar's sides or of the end as seen, px.
    """
    wide = math.hypot(blur, HALVED, SMOOTHING)
    half, more = math.ceil(WINDOW * wide), math.ceil(3.0 * SMOOTHING)
    u = np.arange(-half - more, half + more + 0.1)
    seen = profile(u[u < max(reach, 1.0)])
    seen = np.concatenate([seen, np.full(len(u) - len(seen), seen[-1])])
    kernel = np.exp(-0.5 * (np.arange(-more, more + 1) / SMOOTHING) ** 2)
    fit = fit_edge(u[more:-more], np.convolve(seen, kernel / kernel.sum(), "valid"), at, (wide, AS_SMOOTHED * wide))
    return None if fit is None or abs(fit[0] - at) > STRAYS + blur else fit[0]
