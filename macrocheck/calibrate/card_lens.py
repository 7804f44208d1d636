"""The lens's radial distortion from the card's corners, where they allow: straight rows of corners bend outwards.

One coefficient about the middle of the picture (division of the distortion polynomial after its first term), fitted
together with the homography by least squares. It is taken out only where the corners show it far beyond doubt:
elsewhere it would add more than it takes.
"""

import math

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.scale import Lens

LEAST_CORNERS = 20
"""Fewest corners that tell distortion from perspective."""
SURE = 6.0
"""How many standard uncertainties the coefficient must be off zero."""
LEAST_EFFECT = 3e-4
"""Least change of a length in the picture's corners that is worth taking out, relative."""
WIDEST = 0.35
"""Largest distortion in the picture's corners of a lens one photographs sections with, relative."""


def fit_lens(
    corners_px: FloatArray, corners_mm: FloatArray, to_px: FloatArray, size: tuple[int, int]
) -> tuple[Lens, FloatArray, float] | None:
    """Fit distortion and homography; (lens, homography mm -> straightened px, u of a corner) or None where unsure.

    `corners_px`, `corners_mm`: (n, 2); `to_px`: homography that fits without distortion; `size`: width, height.
    """
    n = len(corners_px)
    if n < LEAST_CORNERS:
        return None
    centre = (np.array(size, dtype=np.float64) - 1) / 2
    radius = float(np.hypot(*size)) / 2
    off = (corners_px - centre) / radius
    r2 = (off**2).sum(axis=1)
    origin, spread = corners_mm.mean(axis=0), float(np.ptp(corners_mm))
    places = (corners_mm - origin) / spread
    ease = np.array([[spread, 0, origin[0]], [0, spread, origin[1]], [0, 0, 1]])
    unpix = np.array([[1 / radius, 0, -centre[0] / radius], [0, 1 / radius, -centre[1] / radius], [0, 0, 1]])
    h = unpix @ to_px @ ease
    h = h / h[2, 2]
    k, k_u, noise = 0.0, math.inf, math.inf
    for _ in range(12):
        ones = np.column_stack([places, np.ones(n)])
        den = ones @ h[2]
        seen = (ones @ h[:2].T) / den[:, None]
        residual = (off * (1 + k * r2[:, None]) - seen).ravel()
        jacobian = np.zeros((2 * n, 9))
        for axis in (0, 1):
            rows = slice(axis, 2 * n, 2)
            jacobian[rows, 3 * axis : 3 * axis + 3] = ones / den[:, None]
            jacobian[rows, 6:8] = -ones[:, :2] * (seen[:, axis] / den)[:, None]
            jacobian[rows, 8] = -off[:, axis] * r2
        step, _, rank, _ = np.linalg.lstsq(jacobian, residual, rcond=None)
        if rank < 9:
            return None
        h = h + np.append(step[:8], 0.0).reshape(3, 3)
        k += float(step[8])
        if np.abs(step).max() < 1e-10:
            break
    noise = float((residual**2).sum()) / (2 * n - 9)
    k_u = math.sqrt(noise * float(np.linalg.inv(jacobian.T @ jacobian)[8, 8]))
    # u of 0.02 px at least, so that a picture without noise does not make every coefficient sure
    k_u = max(k_u, 0.02 / radius * math.sqrt(float(np.linalg.inv(jacobian.T @ jacobian)[8, 8])))
    if not (abs(k) > SURE * k_u and LEAST_EFFECT < abs(k) < WIDEST):
        return None
    lens = Lens((float(centre[0]), float(centre[1])), radius, k)
    straight = np.linalg.inv(unpix) @ h @ np.linalg.inv(ease)
    return lens, np.asarray(straight / straight[2, 2]), radius * math.sqrt(noise)
