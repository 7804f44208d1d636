"""Cast and wrought grain, grown rather than looked up.

Columnar grain: a cellular automaton in which crystals start on the fusion line and compete; at every step a cell
joins the neighbour behind it whose easy growth direction (cubic crystals: every 90 degrees) lies best along the
heat flow, so favoured crystals widen and the others die out. Dendrites: line integral convolution along the
winners' own directions. Coarse cast grain: Voronoi cells of random nuclei.
"""

import itertools
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.spatial import cKDTree

from macrocheck.arrays import AnyArray, BoolArray, Float32Array, IntArray


@dataclass(frozen=True, slots=True)
class Crystals:
    """Labels (h, w), 0 outside; `easy` the easy growth angle of each label, rad; `gx`, `gy` the heat flow, unit."""

    labels: IntArray
    easy: Float32Array
    gx: Float32Array
    gy: Float32Array


def heat_flow(phi: Float32Array, lean: tuple[float, float], soft: float) -> tuple[Float32Array, Float32Array]:
    """Return the unit growth direction (gx, gy): away from the fusion line, leaning towards the face."""
    smooth = cv2.GaussianBlur(phi, (0, 0), soft)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3) / 8 + lean[0]
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3) / 8 + lean[1]
    size = np.maximum(np.hypot(gx, gy), 1e-4)
    return np.asarray(gx / size, dtype=np.float32), np.asarray(gy / size, dtype=np.float32)


def grow(
    inside: BoolArray,
    phi: Float32Array,
    lean: tuple[float, float],
    pitch: float,
    fresh: float,
    rng: np.random.Generator,
) -> Crystals:
    """Grow crystals inward from where `phi` (distance from the fusion line, px) is small.

    `pitch`: spacing of the first crystals, px; `fresh`: chance a cell starts a crystal of its own.
    """
    h, w = phi.shape
    gx, gy = heat_flow(phi, lean, max(2.0, 0.05 * float(phi.max())))
    labels = np.zeros((h, w), dtype=np.intp)
    band = 1.25
    level = (phi / band).astype(np.int32)
    level[~inside] = -1
    ys, xs = np.nonzero(level >= 0)
    if len(ys) == 0:
        return Crystals(labels, np.zeros(1, np.float32), gx, gy)
    order = np.argsort(level[ys, xs], kind="stable")
    ys, xs = ys[order], xs[order]
    cuts = np.concatenate([[0], np.flatnonzero(np.diff(level[ys, xs])) + 1, [len(ys)]])
    first = slice(cuts[0], cuts[1])
    count = max(3, int((cuts[1] - cuts[0]) / (pitch * band)))
    pick = rng.choice(cuts[1] - cuts[0], size=min(count, cuts[1] - cuts[0]), replace=False)
    seeds = np.column_stack([xs[first][pick], ys[first][pick]])
    labels[ys[first], xs[first]] = 1 + cKDTree(seeds).query(np.column_stack([xs[first], ys[first]]))[1]
    capacity = len(pick) + 2 + int(len(ys) * (fresh + 0.02)) + 64
    easy = rng.uniform(0, np.pi / 2, capacity).astype(np.float32)
    used = len(pick)
    turns = np.radians(np.array([0.0, -22.0, 22.0, -50.0, 50.0]))
    for a, b in itertools.pairwise(cuts[1:]):
        y, x = ys[a:b], xs[a:b]
        ux, uy = gx[y, x], gy[y, x]
        flow = np.arctan2(uy, ux)
        best = np.full(b - a, -9.0)
        chosen = np.zeros(b - a, dtype=np.intp)
        jitter = rng.uniform(-0.6, 0.6, (len(turns), 2, b - a))
        for k, turn in enumerate(turns):
            c, s = np.cos(turn), np.sin(turn)
            sx = np.clip(np.rint(x - 2.1 * band * (c * ux - s * uy) + jitter[k, 0]).astype(int), 0, w - 1)
            sy = np.clip(np.rint(y - 2.1 * band * (s * ux + c * uy) + jitter[k, 1]).astype(int), 0, h - 1)
            source = labels[sy, sx]
            score = 0.5 * np.cos(4 * (easy[source] - flow)) + np.cos(turn) + 0.8 * jitter[k, 0] * jitter[k, 1]
            score = np.where(source > 0, score, -9.0)
            better = score > best
            best[better], chosen[better] = score[better], source[better]
        lone = np.flatnonzero((best < -8) | (rng.random(b - a) < fresh))
        if len(lone) > 0 and used + len(lone) < capacity - 1:
            chosen[lone] = used + 1 + np.arange(len(lone))
            used += len(lone)
        labels[y, x] = chosen
    return Crystals(labels, easy, gx, gy)


def streaks(
    crystals: Crystals, size: tuple[int, int], length: float, own: float, fine: float, rng: np.random.Generator
) -> Float32Array:
    """Line integral convolution of noise along the crystals' directions, (h, w) of unit standard deviation.

    `length`: px; `own`: 0 along the heat flow, 1 along each crystal's own easy direction; `fine`: noise size, px.
    """
    h, w = size
    gx = cv2.resize(crystals.gx, (w, h), interpolation=cv2.INTER_LINEAR)
    gy = cv2.resize(crystals.gy, (w, h), interpolation=cv2.INTER_LINEAR)
    label = cv2.resize(crystals.labels.astype(np.float32), (w, h), interpolation=cv2.INTER_NEAREST).astype(np.intp)
    flow = np.arctan2(gy, gx)
    off = crystals.easy[label] - flow
    off = (off + np.pi / 4) % (np.pi / 2) - np.pi / 4
    angle = (flow + own * off).astype(np.float32)
    ux, uy = np.cos(angle), np.sin(angle)
    noise = cv2.GaussianBlur(rng.standard_normal((h, w), dtype=np.float32), (0, 0), fine)
    x, y = np.meshgrid(np.arange(w, dtype=np.float32), np.arange(h, dtype=np.float32))
    taps = int(np.clip(np.ceil(length / (3.0 * fine)), 4, 14))
    length = min(length, 2 * taps * 1.7 * fine)
    out = np.array(noise, dtype=np.float32)
    step = length / (2 * taps)
    for k in range(1, taps + 1):
        weight = 1 - 0.6 * k / taps
        for sign in (-1, 1):
            moved = cv2.remap(noise, x + sign * k * step * ux, y + sign * k * step * uy, cv2.INTER_LINEAR)
            out = np.asarray(out + weight * moved, dtype=np.float32)
    broken = cv2.GaussianBlur(rng.standard_normal((h, w), dtype=np.float32), (0, 0), 1.2 * fine)
    return _unit(_unit(out) * np.exp(0.2 * _unit(broken)) + 0.25 * _unit(broken))


def tones(crystals: Crystals, size: tuple[int, int], rng: np.random.Generator) -> Float32Array:
    """Return one random tone per crystal, (h, w) of unit spread, its borders a little ragged."""
    h, w = size
    tone = rng.standard_normal(len(crystals.easy) + 1).astype(np.float32)
    # crystals of like orientation etch alike
    tone[: len(crystals.easy)] = 0.6 * tone[:-1] + 0.8 * np.cos(4 * crystals.easy + rng.uniform(0, 6))
    lh, lw = crystals.labels.shape
    wobble = cv2.GaussianBlur(rng.standard_normal((h, w, 2), dtype=np.float32), (0, 0), 1.6) * 2.0
    x, y = np.meshgrid(np.arange(w, dtype=np.float32), np.arange(h, dtype=np.float32))
    picture = tone[crystals.labels]
    out = cv2.remap(picture, (x + wobble[..., 0]) * (lw / w), (y + wobble[..., 1]) * (lh / h), cv2.INTER_LINEAR)
    return np.asarray(out, dtype=np.float32)


def equiaxed(
    size: tuple[int, int], pitch: float, stretch: float, rng: np.random.Generator
) -> tuple[Float32Array, Float32Array]:
    """Voronoi grain about `pitch` px across: (tone of unit spread, closeness to a grain border 0..1)."""
    h, w = size
    shrink = max(1.0, pitch / 5.0, float(np.sqrt(h * w / 220_000)))
    pitch = max(pitch, 2.0 * shrink)
    sh, sw = max(4, int(h / shrink)), max(4, int(w / shrink))
    count = max(4, int(h * w / pitch**2))
    turn = rng.uniform(0, np.pi)
    turned = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ np.diag([1.0, stretch])
    nuclei = rng.uniform((0, 0), (sw, sh), (count, 2)) @ turned
    x, y = np.meshgrid(np.arange(sw), np.arange(sh))
    at = np.column_stack([x.ravel(), y.ravel()]) + rng.normal(0, 0.3, (sh * sw, 2))
    found = cKDTree(nuclei).query(at @ turned, k=2, workers=1)
    far, which = np.asarray(found[0]), np.asarray(found[1])
    tone = rng.standard_normal(count)[which[:, 0]].reshape(sh, sw).astype(np.float32)
    edge = np.exp(-(((far[:, 1] - far[:, 0]) / 0.9) ** 2)).reshape(sh, sw).astype(np.float32)
    up = (cv2.resize(tone, (w, h), interpolation=cv2.INTER_LINEAR), cv2.resize(edge, (w, h)))
    return np.asarray(up[0], dtype=np.float32), np.asarray(up[1], dtype=np.float32)


def speckle(
    size: tuple[int, int], fine: float, rolled: float, angle: float, rng: np.random.Generator
) -> Float32Array:
    """Fine wrought grain, (h, w) of unit standard deviation; `rolled` mixes in bands along `angle` (rad)."""
    h, w = size
    out = _unit(cv2.GaussianBlur(rng.standard_normal((h, w), dtype=np.float32), (0, 0), fine))
    out = out + 0.5 * _unit(cv2.GaussianBlur(rng.standard_normal((h, w), dtype=np.float32), (0, 0), 2.2 * fine))
    if rolled > 0:
        side = int(np.hypot(h, w)) + 4
        bands = cv2.GaussianBlur(
            rng.standard_normal((side // 2, side // 2), dtype=np.float32), (0, 0), 9, sigmaY=0.7
        )
        middle = (side / 4, side / 4)
        turn = cv2.getRotationMatrix2D(middle, -float(np.degrees(angle)), 2.0)
        turn[:, 2] = turn[:, 2] + np.array([w / 2 - middle[0], h / 2 - middle[1]])
        out = out + rolled * _unit(cv2.warpAffine(bands, turn, (w, h), borderMode=cv2.BORDER_REFLECT))
    return _unit(out)


def _unit(field: AnyArray) -> Float32Array:
    spread = float(np.std(field))
    return np.asarray((field - float(np.mean(field))) / max(spread, 1e-6), dtype=np.float32)
