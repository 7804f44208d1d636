"""From a value and its draws to a quantity with u and U95."""

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.results import Quantity

# The outline as found carries one dose of boundary noise and every draw a second one. Where noise only ever
# pushes a quantity one way (a largest depth, a convexity of a flat face), one dose shifts it by b and two by
# sqrt(2) b: the shift seen in the draws, times this, is the shift the value itself may hold.
HIDDEN_SHIFT = 1.0 / (np.sqrt(2.0) - 1.0)
# Bounds of the coverage factor U95 / u read off the draws: 2 is JCGM 100's usual factor (1.96 for a normal
# distribution), the upper one keeps a few far draws from ruling.
LEAST_FACTOR, MOST_FACTOR = 2.0, 2.6
# A length that may be this many mm off, and this share of itself, either way is no measurement: welds are specified
# and gauged in steps of 1 mm or 1/16 in. Common practice, no source.
VAGUE_MM, VAGUE_SHARE = 1.0, 0.25


def spread(rows: FloatArray, *, floor: float = 0.0) -> tuple[float, float] | None:
    """Return (u, U95) of `rows` (1 + draws,): the value as found, then the draws; None where they fail.

    u: root sum of squares of the draws' standard deviation and of the value's possible shift. U95: u times the
    draws' own coverage factor, the 95th percentile of their distance from the value over its root mean square.
    """
    drawn = rows[1:][np.isfinite(rows[1:])]
    if not np.isfinite(rows[0]) or len(drawn) < max(2, len(rows) // 2):
        return None
    away = drawn - rows[0]
    sd = float(away.std())
    # A shift within the draws' own sampling error is no shift.
    shift = max(abs(float(away.mean())) - sd / np.sqrt(len(away)), 0.0)
    u = float(np.hypot(sd, HIDDEN_SHIFT * shift))
    rms = float(np.sqrt((away**2).mean()))
    factor = LEAST_FACTOR
    if rms > 1e-12:
        factor = float(np.clip(np.quantile(np.abs(away), 0.95) / rms, LEAST_FACTOR, MOST_FACTOR))
    if u < floor:
        return floor, LEAST_FACTOR * floor
    return u, factor * u


def noise_floor(value: float, u_boundary: float) -> float:
    """Least u of a largest distance that boundary noise alone could be: all of it up to 3 u_boundary, fading to 5.

    A flat face still shows some convexity, a cold weld some depth: there the value itself is the error.
    """
    return max(u_boundary, value * float(np.clip(2.5 - 0.5 * value / max(u_boundary, 1e-12), 0.0, 1.0)))


def quantity(
    rows: FloatArray, unit: str, *, floor: float = 0.0, signed: FloatArray | None = None, more: float = 0.0
) -> Quantity:
    """Return the quantity whose value is rows[0].

    `floor`: least u. `signed`: rows to take the uncertainty from instead. `more`: a further, independent u.
    """
    found = spread(rows if signed is None else signed, floor=floor)
    if found is None:
        return missing(unit, "the geometry of the outline does not give it")
    u = float(np.hypot(found[0], more))
    return Quantity(float(rows[0]), u, float(np.hypot(found[1], LEAST_FACTOR * more)), unit)


def missing(unit: str, reason: str) -> Quantity:
    """Return a quantity that could not be had."""
    return Quantity(None, None, None, unit, reason)


def vague(found: Quantity) -> str | None:
    """Return the reason why a length says too little to be stated, None where it says enough."""
    if found.value is None or found.U95 is None or found.unit != "mm":
        return None
    of = np.atleast_1d(np.abs(np.asarray(found.value, np.float64)))
    if of.ndim > 1 or not of.size:  # spans: they follow from their total
        return None
    most = max(VAGUE_MM, VAGUE_SHARE * float(of.min()))
    if most >= found.U95:
        return None
    about = " and ".join(f"{v:.1f}" for v in of)
    return f"too unsure, {about} ± {found.U95:.1f} mm; give a hint or correct the outline"
