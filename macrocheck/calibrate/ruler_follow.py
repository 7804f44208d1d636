"""Following a rule along its profile: each tick is laid onto the mean tick, outwards until none is left."""

from collections.abc import Callable

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, FloatArray, IntArray
from macrocheck.calibrate.profile import median
from macrocheck.calibrate.tick_fit import CLOSE_PX, line_ticks

LEAST_ALIKE = 0.6
"""Least correlation of a tick with the mean tick for it to count."""
GAP_TICKS, LEAST_SHARE = 12, 0.35
"""A rule is over where, of so many ticks in a row, less than this share is there."""
_ENOUGH = 8
"""Ticks from which an end one is held against the others."""
_ODD, _ODD_PX = 6.0, 0.3
"""An end tick is odd where it is off by more than so many times what the others are, and by so many px."""


def follow(signal: FloatArray, zero: float, pitch: float) -> tuple[IntArray, FloatArray] | None:
    """Follow bright ticks from sample `zero` outwards: their numbers and their places (samples)."""
    half = max(int(0.5 * pitch), 2)
    grid = np.arange(-half, half + 1, dtype=np.float64)
    wide = 2 * round(1.5 * pitch) + 1
    ground = cv2.blur(signal[None, :].astype(np.float32), (wide, 1))[0]
    flat = signal - ground
    near = flat[max(int(zero - 5 * pitch), 0) : int(zero + 5 * pitch)]
    if len(near) < 4 * pitch:
        return None
    samples = np.arange(len(signal), dtype=np.float64)

    def read(at: FloatArray) -> FloatArray:
        return np.interp(at[:, None] + grid, samples, signal)

    first = _first_tick(near, max(int(zero - 5 * pitch), 0), zero, pitch)
    slope, origin = pitch, first
    reach = 4
    k = np.arange(-reach, reach + 1)
    places = _places(k, origin, slope, 0.0)
    mean = read(places)
    shape = np.median(mean - mean.mean(axis=1, keepdims=True), axis=0)
    close = pitch < CLOSE_PX
    sigma = max(0.12 * pitch, 0.6)
    plain = np.column_stack([np.ones_like(grid), grid])
    alike: BoolArray = np.ones(len(k), dtype=bool)
    bend, loose = 0.0, 0.25
    for turn in range(40):
        k = np.arange(-reach, reach + 1)
        places = _places(k, origin, slope, bend)
        inside = (places > half + 1) & (places < len(signal) - half - 2)
        k, places = k[inside], places[inside]
        if len(k) < 5:
            return None
        if close:
            places, likeness, height, sigma = line_ticks(signal, places, pitch, sigma)
        else:
            places, likeness, height = _registered(read, places, shape, plain, 0.3 * pitch)
        off = np.abs(places - _places(k, origin, slope, bend))
        usual = median(height[np.abs(k) <= 6])
        alike = (likeness > LEAST_ALIKE) & (off < loose * pitch) & (height > 0.2 * usual) & (height < 4 * usual)
        alike &= _unbroken(k, alike)
        if np.count_nonzero(alike) < 5:
            return None
        loose = 0.15
        pieces = read(places[alike])
        pieces = pieces - pieces.mean(axis=1, keepdims=True)
        shape = np.median(pieces / np.maximum(pieces.std(axis=1, keepdims=True), 1e-6), axis=0)
        degree = 2 if np.count_nonzero(alike) >= 12 else 1
        coefficients = robust_line(k[alike].astype(np.float64), places[alike], degree)
        bend = coefficients[0] if degree == 2 else 0.0
        slope, origin = coefficients[-2], coefficients[-1]
        if not 0.8 * pitch < slope < 1.25 * pitch:
            return None
        # stop where the outer stretch shows no more ticks
        if turn > 3 and not alike[np.abs(k) > 0.7 * reach].any():
            break
        if inside.sum() < len(inside) and not inside[[0, -1]].any():
            break
        reach = max(reach + 2, int(reach * 1.35))
    return _without_odd_ends(k[alike], places[alike])


def _first_tick(near: FloatArray, start: int, zero: float, pitch: float) -> float:
    """Place of the tick next to `zero`: its neighbourhood (samples from `start` on) folded on the pitch."""
    phase = (np.arange(len(near)) + start - zero) / pitch
    bins = max(int(2 * pitch), 8)
    slot = (np.mod(phase, 1.0) * bins).astype(np.intp)
    fold = np.bincount(slot, weights=near, minlength=bins) / np.maximum(np.bincount(slot, minlength=bins), 1)
    return zero + (float(np.argmax(fold)) + 0.5) / bins * pitch


def _without_odd_ends(k: IntArray, places: FloatArray) -> tuple[IntArray, FloatArray]:
    """The ticks without end ones that stand off the line of the others: a rule's own end may pass for a tick."""
    for _ in range(4):
        if len(k) < _ENOUGH:
            break
        # Both ends are held against the ticks between them: one odd end would draw the line to itself.
        line = np.polyfit(k[1:-1].astype(np.float64), places[1:-1], 2 if len(k) >= 2 * _ENOUGH else 1)
        left = np.abs(places - np.polyval(line, k))
        off = left[[0, -1]] / max(_ODD * 1.4826 * median(left[1:-1]), _ODD_PX)
        worst = int(np.argmax(off))
        if off[worst] <= 1.0:
            break
        kept = slice(1, None) if worst == 0 else slice(None, -1)
        k, places = k[kept], places[kept]
    return k, places


def _places(k: IntArray, origin: float, slope: float, bend: float) -> FloatArray:
    return np.asarray(origin + slope * k + bend * k**2, dtype=np.float64)


def _registered(
    read: Callable[[FloatArray], FloatArray], places: FloatArray, shape: FloatArray, plain: FloatArray, most: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Shift every place onto the mean tick `shape` by least squares: places, likeness (0-1), height in shapes.

    `plain`: (len(shape), 2) level and slope of the ground.
    """
    base = np.column_stack([shape, np.gradient(shape), plain])
    square = base.T @ base
    solve = np.linalg.solve(square + 1e-13 * np.trace(square) * np.eye(4), base.T).T
    level = np.linalg.solve(plain.T @ plain, plain.T).T @ plain.T  # what of a piece is level and slope
    height = likeness = np.zeros(len(places))
    for _ in range(3):
        pieces = read(places)
        c = pieces @ solve
        height = c[:, 0]
        shift = np.where(height > 1e-6, -c[:, 1] / np.where(np.abs(height) > 1e-6, height, 1.0), 0.0)
        rest = pieces - pieces @ level
        left = pieces - c @ base.T
        part = 1 - np.sum(left**2, axis=1) / np.maximum(np.sum(rest**2, axis=1), 1e-9)
        likeness = np.where(height > 0, np.sqrt(np.clip(part, 0, 1)), 0.0)
        places = places + np.clip(shift, -most, most)
    return places, likeness, height


def _unbroken(k: IntArray, alike: BoolArray) -> BoolArray:
    """Ticks that hang together with those around number 0: outwards until most of a stretch is missing."""
    keep = np.zeros(len(k), dtype=bool)
    for side in (k >= 0, k < 0):
        order = np.flatnonzero(side)
        order = order[np.argsort(np.abs(k[order]))]
        present = np.concatenate([np.ones(GAP_TICKS), alike[order].astype(np.float64)])
        share = np.convolve(present, np.ones(GAP_TICKS) / GAP_TICKS, "valid")[1:]
        thin = np.flatnonzero(share < LEAST_SHARE)
        keep[order[: thin[0]] if thin.size else order] = True
    return keep


def robust_line(x: FloatArray, y: FloatArray, degree: int) -> FloatArray:
    """Polynomial through most of the points: least squares with outliers left out, highest power first."""
    far = max(float(np.abs(x).max()), 1.0)
    # normal equations of powers within -1 to 1: NumPy's polynomial fit takes ten times as long over a few points
    base = (x / far)[:, None] ** np.arange(degree, -1, -1)
    keep = np.ones(len(x), dtype=bool)
    c = np.linalg.solve(base.T @ base, base.T @ y)
    for _ in range(4):
        residual = np.abs(y - base @ c)
        before, keep = keep, residual <= max(3.5 * 1.4826 * median(residual[keep]), 1e-3)
        if np.count_nonzero(keep) < degree + 3 or np.array_equal(keep, before):
            break
        c = np.linalg.solve(base[keep].T @ base[keep], base[keep].T @ y[keep])
    return np.asarray(c / far ** np.arange(degree, -1, -1))
