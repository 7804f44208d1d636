"""Where in a picture evenly spaced parallel strokes may stand: the first, coarse step of finding a rule.

The picture is reduced; the directions in which its gradients agree are taken from the structure tensor of small
tiles; along each such direction the picture is read in narrow bands, and windows of a band whose signal repeats
itself are kept.
"""

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, ByteArray, Float32Array, FloatArray, IntArray, Point
from macrocheck.calibrate.profile import reduced
from macrocheck.photo import Photo

SEARCH_SIDE = 2000
"""Longest side of the reduced picture, px."""
TILE = 16
"""Side of a structure-tensor tile, px of the reduced picture."""
BAND = 6
"""Height of a band, px of the reduced picture."""
COARSE = 3
"""How much further the picture is reduced for strokes far apart; a whole part of `BAND`."""
WINDOW = 256
"""Length of a window along a band, samples."""
DIRECTIONS = 8
"""Directions tried at most."""
LEAST_WEIGHT = 0.008
"""Least weight of a direction, part of the heaviest one's: a small rule among grinding marks all over."""
LEAST_REPEAT = 0.4
"""Least normalised autocorrelation at the pitch."""
MOST_WINDOWS = 300
"""Windows looked at per direction and step, those with most tiles that fit first."""
MOST_SEEDS = 10
"""Places that are measured at most."""
MOST_ALIKE = 4
"""Of alike ones so many are measured before others are."""
MOST_OTHERS, APART, TURNED = 2, 8.0, 0.03
"""Other combs of the same strokes that are kept, and how many pitches or rad they are from each other at least."""


_Layers = dict[int, ByteArray]
"""By how much the picture is reduced further -> that picture."""


@dataclass(frozen=True, slots=True)
class Comb:
    """Evenly spaced strokes: `at` a place among them, `direction_rad` along the row, `pitch` px, `score` 0-2.

    `others`: the same strokes at another place or in another direction, for where something lies over the first.
    """

    at: Point
    direction_rad: float
    pitch: float
    score: float
    others: tuple["Comb", ...] = ()


def combs(photo: Photo) -> list[Comb]:
    """Return places where strokes repeat evenly, best first, in px of the whole picture."""
    factor = max(max(photo.width, photo.height) / SEARCH_SIDE, 1.0)
    size = (max(round(photo.width / factor), 2), max(round(photo.height / factor), 2))
    if min(size) < 3 * TILE:
        return []
    grey = photo.grey if factor == 1 else reduced(photo.grey, size)
    angle, weight = _tiles(np.asarray(grey, dtype=np.float32))
    coarse = reduced(grey, (max(grey.shape[1] // COARSE, 2), max(grey.shape[0] // COARSE, 2)))
    layers: _Layers = {1: np.asarray(grey), COARSE: np.asarray(coarse)}
    found: list[Comb] = []
    for direction in _directions(angle, weight):
        found.extend(_along(layers, direction, angle, weight))
    found.sort(key=lambda c: -c.score)
    kept: list[list[Comb]] = []
    for c in found:
        group = next((g for g in kept if _same(c, g[0])), None)
        if group is None:
            kept.append([c])
        elif len(group) <= MOST_OTHERS and all(_elsewhere(c, other) for other in group):
            group.append(c)

    chosen: list[list[Comb]] = []
    crowd: list[list[Comb]] = []
    for group in kept:
        alike = sum(_alike(group[0], other[0]) for other in chosen)
        (chosen if alike < MOST_ALIKE else crowd).append(group)

    def whole(c: Comb) -> Comb:
        c = _turned(c, angle, weight)
        at = ((c.at[0] + 0.5) * factor - 0.5, (c.at[1] + 0.5) * factor - 0.5)
        return Comb(at, c.direction_rad, c.pitch * factor, c.score)

    return [
        replace(whole(first), others=tuple(whole(c) for c in others))
        for first, *others in (chosen + crowd)[:MOST_SEEDS]
    ]


def _alike(a: Comb, b: Comb) -> bool:
    """Whether two combs are about as wide and point about the same way: a thread's or a file's fill the picture."""
    return abs(math.log(a.pitch / b.pitch)) < 0.06 and abs(math.sin(a.direction_rad - b.direction_rad)) < 0.2


def _elsewhere(a: Comb, b: Comb) -> bool:
    """Whether two combs of the same strokes are far or turned enough for one to do where the other fails."""
    return math.dist(a.at, b.at) > APART * b.pitch or abs(math.sin(a.direction_rad - b.direction_rad)) > TURNED


def _turned(comb: Comb, angle: FloatArray, weight: FloatArray) -> Comb:
    """Turn a comb onto the direction of the tiles around it; the pitch is that across the strokes."""
    i, j = (comb.at[1] + 0.5) / TILE - 0.5, (comb.at[0] + 0.5) / TILE - 0.5
    c, s = math.cos(comb.direction_rad), math.sin(comb.direction_rad)
    reach = max(4 * comb.pitch / TILE, 3.0)
    rows, columns = (slice(max(int(k - 1.1 * reach), 0), max(int(k + 1.1 * reach) + 2, 0)) for k in (i, j))
    angle, weight = angle[rows, columns], weight[rows, columns]
    y, x = np.mgrid[: angle.shape[0], : angle.shape[1]] + np.array([[[rows.start]], [[columns.start]]])
    along, across = (x - j) * c + (y - i) * s, (y - i) * c - (x - j) * s
    off = np.mod(angle - comb.direction_rad + np.pi / 2, np.pi) - np.pi / 2
    near = (np.abs(along) < reach) & (np.abs(across) < 0.4 * reach) & (np.abs(off) < np.deg2rad(10))
    total = float(weight[near].sum())
    if total <= 0:
        return comb
    shift = float((off[near] * weight[near]).sum()) / total
    return Comb(comb.at, comb.direction_rad + shift, comb.pitch * math.cos(shift), comb.score)


def _same(a: Comb, b: Comb) -> bool:
    if abs(math.sin(a.direction_rad - b.direction_rad)) > 0.1:
        return False
    dx, dy = a.at[0] - b.at[0], a.at[1] - b.at[1]
    across = abs(-math.sin(b.direction_rad) * dx + math.cos(b.direction_rad) * dy)
    ratio = a.pitch / b.pitch
    near = across < 3.5 * max(b.pitch, BAND) + 0.05 * abs(dx) + 0.05 * abs(dy)
    return near and abs(math.log(ratio)) < 0.06


def _tiles(image: Float32Array) -> tuple[FloatArray, FloatArray]:
    """Gradient direction (rad, 0 to pi) and weight of every tile; the weight is high where all strokes agree."""
    h, w = image.shape[0] // TILE * TILE, image.shape[1] // TILE * TILE
    smooth = cv2.GaussianBlur(image, (0, 0), 0.7)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0)[:h, :w]
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1)[:h, :w]
    small = (w // TILE, h // TILE)

    def mean(values: AnyArray) -> FloatArray:
        return np.asarray(cv2.resize(values, small, interpolation=cv2.INTER_AREA), dtype=np.float64)

    xx, yy, xy = mean(gx * gx), mean(gy * gy), mean(gx * gy)
    energy = xx + yy + 1e-6
    coherence = np.hypot(xx - yy, 2 * xy) / energy
    one_sided = np.hypot(mean(gx), mean(gy)) ** 2 / energy
    angle = np.mod(0.5 * np.arctan2(2 * xy, xx - yy), np.pi)
    ceiling = 4 * float(np.median(energy)) + 400.0
    weight = coherence**2 * np.clip(1 - 4 * one_sided, 0.05, 1) * np.sqrt(np.minimum(energy, ceiling))
    return angle, weight


def _directions(angle: FloatArray, weight: FloatArray) -> list[float]:
    """Directions that most of the weight agrees on, rad."""
    bins = 180
    count = np.bincount(
        (angle / np.pi * bins).astype(np.intp).ravel() % bins, weights=weight.ravel(), minlength=bins
    )
    kernel = np.exp(-0.5 * (np.arange(-4, 5) / 1.5) ** 2)
    wide = np.convolve(np.concatenate([count[-4:], count, count[:4]]), kernel, "valid")
    wide = wide - 0.8 * float(np.median(wide))
    found: list[float] = []
    least = LEAST_WEIGHT * float(wide.max())
    for _ in range(DIRECTIONS):
        top = int(np.argmax(wide))
        if wide[top] <= max(least, 0):
            break
        centre = (top + 0.5) / bins * np.pi
        off = np.mod(angle - centre + np.pi / 2, np.pi) - np.pi / 2
        near = np.abs(off) < np.deg2rad(2.5)
        shift = float(np.sum(off[near] * weight[near] ** 2) / max(np.sum(weight[near] ** 2), 1e-9))
        found.append(centre + shift)
        wide[np.mod(np.arange(top - 4, top + 5), bins)] = 0
    return found


def _along(layers: _Layers, direction: float, angle: FloatArray, weight: FloatArray) -> list[Comb]:
    """Windows along one direction whose signal repeats, in px of the reduced picture."""
    h, w = layers[1].shape
    c, s = math.cos(direction), math.sin(direction)
    width = int(abs(w * c) + abs(h * s)) + 2
    rows = int(abs(w * s) + abs(h * c)) // BAND + 1
    # turned (u, v) -> picture: the turned picture's middle is the picture's middle
    turn = np.array([[c, -s, 0.0], [s, c, 0.0]])
    middle = np.array([(width - 1) / 2, (rows * BAND - 1) / 2])
    turn[:, 2] = np.array([(w - 1) / 2, (h - 1) / 2]) - turn[:, :2] @ middle
    # tiles that point this way, in the turned frame
    off = np.mod(angle - direction + np.pi / 2, np.pi) - np.pi / 2
    fits = np.where(np.abs(off) < np.deg2rad(5), weight, 0.0).astype(np.float32)
    # one turned tile is TILE turned px: (u, v) tile middle -> picture px -> tile
    coarse = turn.copy()
    coarse[:, 2] = (turn[:, :2] @ np.full(2, (TILE - 1) / 2) + turn[:, 2] - (TILE - 1) / 2) / TILE
    size = (width // TILE + 1, rows * BAND // TILE + 1)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    fits_turned = np.asarray(cv2.warpAffine(fits, coarse, size, flags=flags), dtype=np.float32)
    found: list[Comb] = []
    for step in layers:
        if width // step >= WINDOW // 2:
            row, start = _likely(fits_turned, step, width // step, rows)
            if row.size:
                found.extend(_windows(layers[step], step, row, start, turn, direction))
    return found


def _likely(fits: Float32Array, step: int, width: int, rows: int) -> tuple[IntArray, IntArray]:
    """Bands and first samples of the windows with most tiles that fit, most first."""
    starts = np.arange(0, max(width - WINDOW, 0) + 1, WINDOW // 2)
    total = cv2.integral(fits)
    u0, u1 = (np.minimum((k * step / TILE).astype(np.intp), fits.shape[1]) for k in (starts, starts + WINDOW))
    v0 = np.minimum((np.arange(rows) * BAND / TILE).astype(np.intp), fits.shape[0] - 1)[:, None]
    inside = (total[v0 + 1, u1] - total[v0, u1] - total[v0 + 1, u0] + total[v0, u0]).T.ravel()
    order = np.argsort(-inside, kind="stable")[:MOST_WINDOWS]
    order = order[inside[order] > 0]
    return order % rows, starts[order // rows]


def _windows(
    layer: ByteArray, step: int, row: IntArray, start: IntArray, turn: FloatArray, direction: float
) -> list[Comb]:
    """Read the windows (n,) in a picture reduced by `step`, and return those that repeat."""
    # (n, rows of a band, samples): the windows' own pixels only, not a whole picture turned
    # a picture's px is a sum of what the place along a window gives and what its row gives
    u = (start[:, None] + np.arange(WINDOW + 1))[:, None, :] * step + (step - 1) / 2
    v = (row[:, None] * BAND + (np.arange(BAND // step) + 0.5) * step - 0.5)[:, :, None]
    x, y = (
        np.add(
            ((turn[i, 0] * u + 0.5) / step - 0.5).astype(np.float32),
            ((turn[i, 1] * v + turn[i, 2]) / step).astype(np.float32),
        ).reshape(-1, WINDOW + 1)
        for i in range(2)
    )
    read = cv2.remap(layer, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    signal = read.reshape(len(row), -1, WINDOW + 1).mean(axis=1, dtype=np.float32)
    part = np.diff(signal, axis=1)
    spread = np.median(np.abs(part), axis=1, keepdims=True) + 0.3
    part = np.clip(part, -8 * spread, 8 * spread)
    part -= part.mean(axis=1, keepdims=True)
    # the strokes may fill a part of the window only: their place is where its contrast is
    power = part**2
    middle = power @ np.arange(WINDOW) / np.maximum(power.sum(axis=1), 1e-6)
    repeat = np.fft.irfft(np.abs(np.fft.rfft(part, 2 * WINDOW, axis=1)) ** 2, axis=1)[:, : WINDOW // 2]
    repeat = repeat / np.maximum(repeat[:, :1], 1e-6) * (WINDOW / (WINDOW - np.arange(WINDOW // 2)))
    found = []
    first = _first_peak(repeat)
    for i in np.flatnonzero(first):
        lag, score = _period(repeat[i], int(first[i]))
        if score > 0 and (step == 1 or lag > 14):
            at = np.array([(start[i] + middle[i] + 1.0) * step - 0.5, (row[i] + 0.5) * BAND - 0.5])
            x_at, y_at = turn[:, :2] @ at + turn[:, 2]
            found.append(Comb((float(x_at), float(y_at)), direction, lag * step, score))
    return found


def _first_peak(repeat: FloatArray) -> IntArray:
    """First of about the highest peaks of each autocorrelation (n, samples); 0 where it has none."""
    inner = repeat[:, 3 : repeat.shape[1] // 2 - 1]
    before, after = repeat[:, 2 : inner.shape[1] + 2], repeat[:, 4 : inner.shape[1] + 4]
    top = np.where((inner > before) & (inner >= after) & (inner > LEAST_REPEAT), inner, 0.0)
    highest = top.max(axis=1, keepdims=True)
    return np.where(highest[:, 0] > 0, np.argmax(top > 0.72 * highest, axis=1) + 3, 0)


def _period(r: FloatArray, first: int) -> tuple[float, float]:
    """Pitch (samples) and score of one autocorrelation with its first peak; (0, 0) where it does not repeat."""
    lag = _top(r, first)
    score = float(r[first])
    for times in (2, 3, 4):
        if lag * times > len(r) - 4:
            break
        near = round(lag * times)
        reach = 1 if times == 2 else 2
        if near + reach >= len(r):
            break
        best = near - reach + int(np.argmax(r[near - reach : near + reach + 1]))
        if r[best] < 0.5 * LEAST_REPEAT:
            return 0.0, 0.0
        if best < len(r) - 1 and r[best] >= max(r[best - 1], r[best + 1]):
            lag = _top(r, best) / times
    return lag, score


def _top(r: FloatArray, i: int) -> float:
    """Peak of a parabola through r[i-1], r[i], r[i+1]."""
    bend = r[i - 1] - 2 * r[i] + r[i + 1]
    return i + (0.5 * float(r[i - 1] - r[i + 1]) / float(bend) if bend < 0 else 0.0)
