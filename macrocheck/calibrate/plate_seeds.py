"""Where in the picture a plate may lie: long straight edges, and pairs of them that face each other.

Edges vote for straight lines by place and direction of their gradient, so that a face which a weld interrupts is
one line. A plate is lighter or darker than what is beside it, so the gradients of its two faces point at each
other or away from each other.
"""

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, ByteArray, Float32Array, FloatArray, IntArray
from macrocheck.calibrate.profile import reduced, steepest
from macrocheck.photo import Photo

SEARCH_SIDE = 900
"""Longest side of the reduced picture, px."""
BLURS = (1.5, 3.5)
"""Smoothing before the gradient, px of the reduced picture: fine edges, and faint ones among texture."""
MOST_EDGES = 12000
MOST_LINES = 26
"""Lines kept per smoothing."""
TURN_BINS, RHO_STEP, SPREAD = 720, 2.0, 8
"""Bins round the circle, px per bin of distance, bins to either side that one edge votes for."""
LEAST_LINE = 0.05
"""Least length of a face that is seen, part of the picture's longest side."""
ABOUT, TURNED = 30.0, math.radians(20)
"""How far from a voted line the edges that it is laid through may lie, px of the reduced picture, and how far they
may be turned, rad."""
BIN = 4.0
"""Length of a bin along a line, px of the reduced picture."""
PARALLEL_DEG = 1.5
"""Most that the two faces may be out of parallel, degrees."""
WITHIN, THIRD = 0.38, 0.6
"""How far from the middle of two faces a third one lies at most, part of their distance, and how steep it is at
least, part of the less steep of them."""
THINNEST, THICKEST = 0.02, 0.62
"""Thickness over the picture's longest side."""


@dataclass(frozen=True, slots=True)
class Face:
    """A straight edge: points p with p . normal = rho (px); brighter on the normal's side. `seen`: bins of `BIN` px
    along the line, from `first` on, in which an edge of that direction lies; `steep`: mean gradient there."""

    normal: FloatArray
    rho: float
    first: float
    seen: BoolArray
    steep: float

    @property
    def along(self) -> FloatArray:
        """Unit vector along the line."""
        return np.array([-self.normal[1], self.normal[0]])

    def ends(self) -> FloatArray:
        """Both ends of the seen range, (2, 2) px."""
        u = np.array([self.first, self.first + BIN * len(self.seen)])
        return np.asarray(u[:, None] * self.along + self.rho * self.normal)


@dataclass(frozen=True, slots=True)
class Pair:
    """Two faces (full px): `middle` a point half way, `along` unit vector, `thickness`; `low`, `high`: seen range.

    The first face lies at -thickness / 2 across, the second at +thickness / 2; across is `along` turned by 90
    degrees. `seen`: (2, n) which px stretches (of `step` px from `low`) show either face. `shared`: a third face,
    parallel to both, lies between them, such as the lower plate's beside a lap's weld.
    """

    middle: FloatArray
    along: FloatArray
    thickness: float
    low: float
    high: float
    step: float
    seen: BoolArray
    strength: float
    bright: bool
    shared: bool = False

    @property
    def across(self) -> FloatArray:
        """Unit vector from the first face to the second."""
        return np.array([-self.along[1], self.along[0]])


def pairs(photo: Photo) -> list[Pair]:
    """Return what may be plates, strongest first, in px of the whole picture."""
    factor = max(max(photo.width, photo.height) / SEARCH_SIDE, 1.0)
    size = (max(round(photo.width / factor), 8), max(round(photo.height / factor), 8))
    small = reduced(photo.pixels, size) if factor > 1 else photo.pixels
    if min(size) < 40:
        return []
    faces: list[Face] = []
    for blur in BLURS:
        for face in _faces(np.asarray(small, dtype=np.uint8), blur):
            if not any(_same(face, other) for other in faces):
                faces.append(face)
    side = float(max(size))
    found = [
        replace(p, shared=any(_between(c, a, b, p) for c in faces))
        for i, a in enumerate(faces)
        for b in faces[i + 1 :]
        if (p := _pair(a, b, side)) is not None
    ]
    found.sort(key=lambda p: -p.strength)
    scale = np.array([photo.width / size[0], photo.height / size[1]])
    mean = float(scale.mean())
    return [
        Pair(
            (p.middle + 0.5) * scale - 0.5,
            p.along,
            p.thickness * mean,
            p.low * mean,
            p.high * mean,
            p.step * mean,
            p.seen,
            p.strength,
            p.bright,
            p.shared,
        )
        for p in found
    ]


def _gradient(small: ByteArray, blur: float) -> tuple[Float32Array, Float32Array]:
    """Gradient of the channel that changes most, (h, w) each."""
    soft = (cv2.GaussianBlur(channel.astype(np.float32), (0, 0), blur) for channel in cv2.split(small))
    return steepest(
        (cv2.Scharr(c, cv2.CV_32F, 1, 0, scale=1 / 32), cv2.Scharr(c, cv2.CV_32F, 0, 1, scale=1 / 32)) for c in soft
    )


def _edges(small: ByteArray, blur: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Places (n, 2), unit gradients (n, 2) and steepness (n,) of the pixels steepest along their own gradient."""
    gx, gy = _gradient(small, blur)
    steep = np.sqrt(gx * gx + gy * gy)
    middle = steep[1:-1, 1:-1]
    width = steep.shape[1]
    y, x = np.nonzero(middle > 0.6 / blur)
    at = (y + 1) * width + x + 1
    # its two neighbours along the gradient, in a row or a column
    step = np.where(np.abs(gx.take(at)) > np.abs(gy.take(at)), 1, width)
    size = steep.take(at)
    y, x = np.divmod(at[(size >= steep.take(at - step)) & (size > steep.take(at + step))], width)
    if len(x) > MOST_EDGES:
        keep = np.argpartition(-steep[y, x], MOST_EDGES)[:MOST_EDGES]
        y, x = y[keep], x[keep]
    size = steep[y, x].astype(np.float64)
    unit = np.column_stack([gx[y, x], gy[y, x]]) / np.maximum(size, 1e-9)[:, None]
    # along its gradient an edge lies between pixels: the parabola through three steepnesses
    sideways = np.where(np.abs(unit[:, 0]) > np.abs(unit[:, 1]), 1, 0)
    before, after = steep[y - (1 - sideways), x - sideways], steep[y + (1 - sideways), x + sideways]
    bend = before - 2 * size + after
    shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, -1), 0.0)
    places = np.column_stack([x + shift * sideways, y + shift * (1 - sideways)]).astype(np.float64)
    return places, unit.astype(np.float64), size


def _faces(small: ByteArray, blur: float) -> list[Face]:
    places, unit, steep = _edges(small, blur)
    if len(places) < 30:
        return []
    order = np.argsort(np.arctan2(unit[:, 1], unit[:, 0]), kind="stable")
    places, unit, steep = places[order], unit[order], steep[order]
    h, w = small.shape[:2]
    centre = np.array([(w - 1) / 2, (h - 1) / 2])
    away = places - centre
    reach = math.hypot(w, h) / 2 + 2 * RHO_STEP
    rows = int(2 * reach / RHO_STEP) + 2
    turn = np.arctan2(unit[:, 1], unit[:, 0])
    bin_ = np.rint(turn / (2 * np.pi) * TURN_BINS).astype(np.intp)
    pull = np.sqrt(np.minimum(steep, 4 * float(np.median(steep))))
    shift = np.arange(-SPREAD, SPREAD + 1)[:, None]
    t = (bin_ + shift) % TURN_BINS
    circle = np.arange(TURN_BINS) * (2 * np.pi / TURN_BINS)
    rho = away[:, 0] * np.cos(circle)[t] + away[:, 1] * np.sin(circle)[t]
    index = np.rint((rho + reach) / RHO_STEP).astype(np.intp) * TURN_BINS + t
    share = pull * np.exp(-0.5 * (shift / 4) ** 2)
    votes = np.bincount(index.ravel(), weights=share.ravel(), minlength=rows * TURN_BINS)
    table = cv2.GaussianBlur(votes.reshape(rows, TURN_BINS), (3, 3), 0.8, borderType=cv2.BORDER_REPLICATE)
    highest = table.max(axis=1)
    found: list[Face] = []
    side = max(h, w)
    for _ in range(2 * MOST_LINES):
        row = int(np.argmax(highest))
        column = int(np.argmax(table[row]))
        if table[row, column] <= 0 or len(found) >= MOST_LINES:
            break
        columns = np.arange(column - 7, column + 8) % TURN_BINS
        table[max(row - 3, 0) : row + 4, columns] = 0.0
        highest[max(row - 3, 0) : row + 4] = table[max(row - 3, 0) : row + 4].max(axis=1)
        angle = column * (2 * np.pi / TURN_BINS)
        near = _about(turn, angle)
        face = _settled(places[near], unit[near], steep[near], angle, row * RHO_STEP - reach, centre)
        if face is None or np.count_nonzero(face.seen) * BIN < LEAST_LINE * side:
            continue
        if not any(_same(face, other) for other in found):
            found.append(face)
    return found


def _about(turn: FloatArray, angle: float) -> slice | IntArray:
    """Which of the directions `turn`, rising, -pi to pi, are within `TURNED` of an angle."""
    angle = math.remainder(angle, 2 * math.pi)
    low, high = angle - TURNED, angle + TURNED
    if low < -math.pi or high > math.pi:
        return np.flatnonzero(
            (turn > math.remainder(low, 2 * math.pi)) | (turn < math.remainder(high, 2 * math.pi))
        )
    return slice(int(np.searchsorted(turn, low)), int(np.searchsorted(turn, high)))


def _settled(
    places: FloatArray, unit: FloatArray, steep: FloatArray, angle: float, rho: float, centre: FloatArray
) -> Face | None:
    """Lay the line through the edges near it."""
    normal = np.array([math.cos(angle), math.sin(angle)])
    rho += float(centre @ normal)
    # the line turns and shifts little from here: most edges are far from it or point elsewhere
    about = (np.abs(places @ normal - rho) < ABOUT) & (unit @ normal > math.cos(TURNED))
    places, unit, steep = places[about], unit[about], steep[about]
    near: BoolArray = np.zeros(len(places), dtype=bool)
    for width in (3.5, 2.5, 1.8):
        off = places @ normal - rho
        near = (np.abs(off) < width) & (unit @ normal > math.cos(math.radians(14)))
        if np.count_nonzero(near) < 12:
            return None
        along = np.array([-normal[1], normal[0]])
        u = places[near] @ along
        centred = u - u.mean()
        slope = float(centred @ off[near]) / max(float(centred @ centred), 1e-9)
        shift = float(off[near].mean())
        middle = float(u.mean()) * along + (rho + shift) * normal
        normal = normal - slope * along
        normal /= np.hypot(*normal)
        rho = float(middle @ normal)
    along = np.array([-normal[1], normal[0]])
    u = places[near] @ along
    first = float(u.min())
    bins = ((u - first) / BIN).astype(np.intp)
    count = np.bincount(bins)
    # an edge that runs along the line marks most pixels of a bin; texture marks one now and then
    full = count >= 0.4 * BIN
    run = np.flatnonzero(np.convolve(full, np.ones(7), "same") >= 4)
    if not run.size:
        return None
    seen = np.zeros(run[-1] - run[0] + 1, dtype=bool)
    seen[run - run[0]] = True
    return Face(normal, rho, first + BIN * float(run[0]), seen, float(np.mean(steep[near])))


def _same(a: Face, b: Face) -> bool:
    if float(a.normal @ b.normal) < math.cos(math.radians(2)):
        return False
    middle = (b.first + BIN * len(b.seen) / 2) * b.along + b.rho * b.normal
    end = (b.first + BIN * len(b.seen)) * b.along + b.rho * b.normal
    return max(abs(float(p @ a.normal) - a.rho) for p in (middle, end)) < 4.0


def _between(c: Face, a: Face, b: Face, pair: Pair) -> bool:
    """Whether `c` is another plate's face between `a` and `b`: about as steep, and as long as one must be."""
    if abs(float(c.normal @ a.normal)) < math.cos(math.radians(PARALLEL_DEG)):
        return False
    across = (c.ends() - pair.middle) @ pair.across
    if np.abs(across).max() > WITHIN * pair.thickness or c.steep < THIRD * min(a.steep, b.steep):
        return False
    return bool(np.count_nonzero(c.seen) * BIN > 0.3 * pair.thickness)


def _pair(a: Face, b: Face, side: float) -> Pair | None:
    """Two faces as a plate; None where they do not face each other."""
    if float(a.normal @ b.normal) > -math.cos(math.radians(PARALLEL_DEG)):
        return None
    # across points from a to b
    normal = a.normal - b.normal
    normal = normal / np.hypot(*normal)
    along = np.array([-normal[1], normal[0]])
    ends_a, ends_b = a.ends(), b.ends()
    where_a, where_b = (float((e @ normal).mean()) for e in (ends_a, ends_b))
    range_a, range_b = np.sort(ends_a @ along), np.sort(ends_b @ along)
    low, high = float(min(range_a[0], range_b[0])), float(max(range_a[1], range_b[1]))
    n = math.ceil((high - low) / BIN) + 1
    seen = np.zeros((2, n), dtype=bool)
    i = round((range_a[0] - low) / BIN)
    seen[0, i : i + len(a.seen)] = a.seen[: n - i]
    i = round((range_b[0] - low) / BIN)
    seen[1, i : i + len(b.seen)] = b.seen[::-1][: n - i]
    thickness = where_b - where_a
    bright = thickness > 0
    if not bright:
        # the gradients point away from each other: darker than what is beside it
        thickness = -thickness
        normal, along = -normal, -along
        low, high = -high, -low
        seen = seen[:, ::-1]
        where_a = -where_a
    if not THINNEST * side < thickness < THICKEST * side:
        return None
    both = int(np.count_nonzero(seen[0] & seen[1]))
    shorter = int(min(np.count_nonzero(seen[0]), np.count_nonzero(seen[1])))
    if both * BIN < max(0.3 * thickness, 12.0) or shorter * BIN < max(0.4 * thickness, 20.0):
        return None
    middle = (low + BIN * n / 2) * along + (where_a + thickness / 2) * normal
    half = BIN * n / 2
    strength = math.sqrt(a.steep * b.steep) * math.sqrt(both * shorter) * BIN
    return Pair(middle, along, thickness, -half, half, BIN, seen, strength, bright)
