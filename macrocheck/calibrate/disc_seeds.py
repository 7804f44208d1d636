"""Where in the picture a disc may lie: the edges vote for circles, then a circle is laid through the best edges."""

import math
from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, ByteArray, Float32Array, FloatArray
from macrocheck.calibrate import profile
from macrocheck.calibrate.profile import sample

VOTE_SIDE = 400
"""Longest side of the reduced picture that the edges vote in, px."""
LOOK_SIDE = 1200
"""Longest side of the picture that a seed's outline is first looked for in, px."""
LEAST_DIAMETER, MOST_DIAMETER = 0.055, 0.85
"""Diameter over the picture's longest side; smaller rings are letters, pores and drill marks."""
MOST_EDGES = 9000
MOST_SEEDS = 14
RAYS = 180
PEAKS = 4
"""Edges kept per ray."""

LEAST_SLOPE = 2.0
"""Least slope of an outline taken over all rays, grey levels per px: compression makes rings that are fainter."""
STEEPER, PART = 2.0, 0.15
"""How much steeper than its surroundings an outline is, taken over all rays, and against an edge within it."""


@dataclass(frozen=True, slots=True)
class Circle:
    """A circle: centre (x, y) and radius, px."""

    x: float
    y: float
    radius: float


def reduced(picture: ByteArray, side: int) -> tuple[ByteArray, FloatArray]:
    """Shrink a picture to at most `side` px; returns it and the full px per its px, (x, y)."""
    h, w = picture.shape[:2]
    factor = max(max(h, w) / side, 1.0)
    size = (max(round(w / factor), 8), max(round(h / factor), 8))
    small = profile.reduced(picture, size) if factor > 1 else picture
    return np.asarray(small, dtype=np.uint8), np.array([w / size[0], h / size[1]])


def votes(small: ByteArray) -> list[Circle]:
    """Return the circles that most edges of the reduced picture (h, w, 3) agree on, best first, px of that picture.

    An edge is one of the colour that changes most there: a brass disc on steel may be as light as its ground.
    """
    soft = cv2.split(cv2.GaussianBlur(small, (0, 0), 1.2))
    gx, gy = profile.steepest((cv2.Sobel(c, cv2.CV_32F, 1, 0), cv2.Sobel(c, cv2.CV_32F, 0, 1)) for c in soft)
    steep = np.hypot(gx, gy)
    y, x = np.nonzero(_ridge(steep, gx, gy))
    if len(x) < 20:
        return []
    if len(x) > MOST_EDGES:
        keep = np.argpartition(-steep[y, x], MOST_EDGES)[:MOST_EDGES]
        y, x = y[keep], x[keep]
    nx, ny = gx[y, x] / steep[y, x], gy[y, x] / steep[y, x]
    h, w = small.shape[:2]
    side = max(h, w)
    low, high = LEAST_DIAMETER * side / 2 * 0.95, MOST_DIAMETER * side / 2
    radii = np.exp(np.linspace(math.log(low), math.log(high), 34))
    stack = np.empty((len(radii), h, w), dtype=np.float32)
    x_from, y_from = np.concatenate([x, x]), np.concatenate([y, y])
    x_to, y_to = np.concatenate([-nx, nx]), np.concatenate([-ny, ny])
    for layer, radius in zip(stack, radii, strict=True):
        cx = x_from + np.rint(radius * x_to).astype(np.intp)
        cy = y_from + np.rint(radius * y_to).astype(np.intp)
        inside = (cx >= 0) & (cx < w) & (cy >= 0) & (cy < h)
        count = np.bincount((cy * w + cx)[inside], minlength=h * w).reshape(h, w).astype(np.float32)
        spread = max(0.05 * radius, 1.0)
        smooth = cv2.GaussianBlur(count, (0, 0), spread)
        np.multiply(smooth, 2 * math.pi * spread**2 / (2 * math.pi * radius + 20.0), out=layer)
    return _tops(stack, radii)


def _ridge(steep: Float32Array, gx: Float32Array, gy: Float32Array) -> AnyArray:
    """Mark the pixels that are steepest along their own gradient."""
    top = np.zeros(steep.shape, dtype=bool)
    middle = steep[1:-1, 1:-1]
    flat = np.abs(gx[1:-1, 1:-1]) > np.abs(gy[1:-1, 1:-1])
    along_x = (middle >= steep[1:-1, :-2]) & (middle > steep[1:-1, 2:])
    along_y = (middle >= steep[:-2, 1:-1]) & (middle > steep[2:, 1:-1])
    top[1:-1, 1:-1] = np.where(flat, along_x, along_y) & (middle > 12.0)
    return top


def _tops(stack: Float32Array, radii: FloatArray) -> list[Circle]:
    found: list[Circle] = []
    h, w = stack.shape[1:]
    highest = stack.max(axis=(1, 2))
    for _ in range(MOST_SEEDS):
        k = int(np.argmax(highest))
        if highest[k] < 0.2:
            break
        y, x = divmod(int(np.argmax(stack[k])), w)
        radius = float(radii[k])
        found.append(Circle(float(x), float(y), radius))
        near = max(int(0.2 * radius), 2)
        rows = slice(max(y - near, 0), min(y + near + 1, h))
        columns = slice(max(x - near, 0), min(x + near + 1, w))
        levels = slice(max(k - 1, 0), k + 2)
        stack[levels, rows, columns] = 0.0
        highest[levels] = stack[levels].max(axis=(1, 2))
    return found


def settle(
    look: AnyArray, seed: Circle, rng: np.random.Generator, reach: tuple[float, float] = (0.78, 1.26)
) -> tuple[Circle, float] | None:
    """Lay the circle near `seed` that most rays' edges lie on; returns it and the part of the rays that do.

    `look` and the circle are in px of the picture that is looked at; `reach`: radii looked at, in the seed's.
    """
    turn = np.linspace(0, 2 * np.pi, RAYS, endpoint=False)
    cos, sin = np.cos(turn), np.sin(turn)
    step = max(seed.radius / 120, 0.6)
    rho = np.arange(reach[0] * seed.radius, reach[1] * seed.radius, step)
    x, y = seed.x + cos[:, None] * rho, seed.y + sin[:, None] * rho
    values = sample(look, x, y)
    inside = (x >= 0) & (y >= 0) & (x <= look.shape[1] - 1) & (y <= look.shape[0] - 1)
    slope = np.abs(np.gradient(cv2.GaussianBlur(values, (0, 0), 1.2, borderType=cv2.BORDER_REPLICATE), axis=1))
    slope[~inside] = 0.0
    peak = np.zeros_like(slope)
    body = slope[:, 1:-1]
    peak[:, 1:-1] = np.where((body >= slope[:, :-2]) & (body > slope[:, 2:]), body, 0.0)
    best = np.argsort(-peak, axis=1)[:, :PEAKS]
    strength = np.take_along_axis(peak, best, axis=1)
    radius = np.where(strength > 0.8 * step, rho[best], np.inf)
    rays, ranks = np.nonzero(np.isfinite(radius))
    if len(rays) < 40:
        return None
    chance = strength[rays, ranks] / strength[rays, ranks].sum()
    pick = rng.choice(len(rays), size=(300, 3), p=chance)
    at = turn[rays[pick]]
    base = np.stack([np.ones_like(at), np.cos(at), np.sin(at)], axis=2)
    sound = np.abs(np.linalg.det(base)) > 0.5
    if not sound.any():
        return None
    waves = np.linalg.solve(base[sound], radius[rays[pick[sound]], ranks[pick[sound]]][..., None])[..., 0]
    all_base = np.stack([np.ones_like(turn), cos, sin])
    within = 0.012 * seed.radius + 0.8
    miss = np.abs((waves @ all_base)[:, :, None] - radius[None]).min(axis=2)
    score = np.clip(1 - miss / within, 0, 1).sum(axis=1)
    wave = waves[int(np.argmax(score))]
    for _ in range(4):  # all the rays that agree, three waves only: an ellipse's own waves stay small
        off = np.abs((wave @ all_base)[:, None] - radius)
        near = off.min(axis=1) < 1.5 * within
        if np.count_nonzero(near) < 30:
            return None
        chosen = np.take_along_axis(radius, off.argmin(axis=1)[:, None], axis=1)[:, 0]
        wave = np.linalg.lstsq(all_base.T[near], chosen[near], rcond=None)[0]
    return Circle(seed.x + float(wave[1]), seed.y + float(wave[2]), float(wave[0])), float(near.mean())


def stands_out(look: AnyArray, circle: Circle, inner: float, reach: float) -> bool:
    """Whether the slope on a circle is usually steep: against its surroundings and against the edge within it.

    `inner`: radius of that edge, px; surroundings: out to `reach` radii.
    """
    turn = np.linspace(0, 2 * np.pi, RAYS, endpoint=False)
    step = max(circle.radius / 120, 0.6)
    beyond = min(0.05 * circle.radius, 4.0)
    rho = np.arange(inner - beyond, reach * circle.radius, step)
    values = sample(look, circle.x + np.cos(turn)[:, None] * rho, circle.y + np.sin(turn)[:, None] * rho)
    soft = cv2.GaussianBlur(values, (0, 0), 1.2, borderType=cv2.BORDER_REPLICATE)
    usual = np.median(np.abs(np.gradient(soft, axis=1)), axis=0)
    edge = int(np.argmax(np.where(np.abs(rho - inner) <= 0.5 * beyond, usual, 0.0)))
    around = float(np.median(usual[rho > circle.radius + beyond]))
    for i in np.flatnonzero(np.abs(rho - circle.radius) <= 0.5 * beyond):
        # the flank of the inner edge only falls outwards, and compression rings on faintly beside a strong edge
        peak = i > edge + 1 and usual[i] >= usual[max(i - 2, 0) : i + 3].max()
        least = max(1.15 * usual[edge:i].min(), STEEPER * around, PART * usual[edge], LEAST_SLOPE)
        if peak and usual[i] > least:
            return True
    return False
