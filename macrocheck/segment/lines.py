"""Straight lines through edge points: along a map's outline, then sub-pixel on the photo."""

from dataclasses import dataclass, replace

import numpy as np

from macrocheck.arrays import BoolArray, FloatArray, IntArray

Chord = tuple[FloatArray, float, float, float]
"""(unit vector from this toe to the other, side of it on which the air lies: +1 right, y down, least and largest
angle, degrees, through the air between it and the surface, which a groove's wall does not keep to)."""


@dataclass(frozen=True, eq=False)
class Line:
    """A fitted line, photo px unless said otherwise.

    `point`: middle of the stretch. `direction`: unit vector. `u_offset`, `u_angle`: standard uncertainties (px,
    rad). `start`, `end`: the stretch, as distances along `direction` from `point`. `bend`: how far its middle
    stands off the chord of its ends, px. `share`: of the stations, those whose edge agreed. `ragged`: how far the
    edge strays from the line either way, px.
    """

    point: FloatArray
    direction: FloatArray
    u_offset: float
    u_angle: float
    start: float
    end: float
    bend: float = 0.0
    share: float = 1.0
    ragged: float = 0.0

    @property
    def length(self) -> float:
        """Length of the stretch."""
        return self.end - self.start

    @property
    def normal(self) -> FloatArray:
        """Unit normal to the right of the direction (y down)."""
        return np.array([-self.direction[1], self.direction[0]])

    def turned(self) -> "Line":
        """The same line pointing the other way."""
        return replace(self, direction=-self.direction, start=-self.end, end=-self.start)

    def distance(self, points: FloatArray) -> FloatArray:
        """Signed distance of (n, 2) points, positive on the normal's side."""
        return np.asarray((points - self.point) @ self.normal)

    def station(self, points: FloatArray) -> FloatArray:
        """Distance of (n, 2) points along the line from `point`."""
        return np.asarray((points - self.point) @ self.direction)

    def foot(self, points: FloatArray) -> FloatArray:
        """Nearest points on the line, (n, 2)."""
        return np.asarray(self.point + self.station(points)[:, None] * self.direction)

    def u_at(self, station: float) -> float:
        """Standard uncertainty of the line normal to itself at a station, px."""
        return float(np.hypot(self.u_offset, self.u_angle * station))


def meeting_point(p: FloatArray, d: FloatArray, q: FloatArray, e: FloatArray, least: float) -> FloatArray | None:
    """Where lines through `p`, `q` along unit vectors `d`, `e` meet; None where their sine is under `least`."""
    cross = d[0] * e[1] - d[1] * e[0]
    if abs(cross) < least:
        return None
    rel = q - p
    return np.asarray(p + (rel[0] * e[1] - rel[1] * e[0]) / cross * d)


def crossing(a: Line, b: Line) -> FloatArray | None:
    """Where two lines meet; None if they are within about 3 degrees of parallel."""
    return meeting_point(a.point, a.direction, b.point, b.direction, 0.05)


def turn_between(a: FloatArray, b: FloatArray) -> float:
    """Angle, rad, by which direction `a` (2,) must be turned to be `b`."""
    return float(np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b))


def combine(a: Line, b: Line) -> tuple[Line, float]:
    """Weighted mean of two lines through the same surface, with `a`'s stretch, and the misfit chi^2 (2 d.o.f.)."""
    normal = a.normal
    reach = float((b.point - a.point) @ a.direction)
    offset = float((b.point - a.point) @ normal)
    along_b = b.direction if b.direction @ a.direction > 0 else -b.direction
    turn = turn_between(a.direction, along_b)
    rows = np.array([[1.0, 0.0], [0.0, 1.0], [1.0, reach], [0.0, 1.0]])
    u = np.array([a.u_offset, a.u_angle, b.u_offset, b.u_angle])
    seen = np.array([0.0, 0.0, offset, turn]) / u
    scaled = rows / u[:, None]
    covariance = np.linalg.inv(scaled.T @ scaled)
    shift, angle = covariance @ scaled.T @ seen
    misfit = float(((seen - scaled @ np.array([shift, angle])) ** 2).sum())
    direction = np.cos(angle) * a.direction + np.sin(angle) * normal
    # The point where offset and direction are told apart best: their errors are then independent.
    s0 = float(-covariance[0, 1] / covariance[1, 1])
    point = a.point + shift * normal + s0 * direction
    return (
        replace(
            a,
            point=point,
            direction=direction,
            u_offset=float(np.sqrt(max(covariance[0, 0] - covariance[0, 1] ** 2 / covariance[1, 1], 1e-4))),
            u_angle=float(np.sqrt(covariance[1, 1])),
            start=a.start - s0,
            end=a.end - s0,
        ),
        misfit,
    )


def total_least_squares(points: FloatArray, weight: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
    """Centre and direction (in the points' order) of the line of least squared normal distance."""
    w = np.ones(len(points)) if weight is None else weight
    centre = (w[:, None] * points).sum(axis=0) / w.sum()
    rel = points - centre
    cov = (w[:, None] * rel).T @ rel
    _, vectors = np.linalg.eigh(cov)
    d = vectors[:, -1]
    if (points[-1] - points[0]) @ d < 0:
        d = -d
    return centre, d


def straight_stretch(
    walk: FloatArray,
    *,
    tolerance: float,
    through: FloatArray | None = None,
    within: float = 5.0,
    parallel_to: FloatArray | None = None,
    chord: Chord | None = None,
    onto: tuple[FloatArray, FloatArray] | None = None,
    shortest: float = 8.0,
) -> tuple[int, int] | None:
    """The longest straight stretch [i, j) of an outline of evenly spaced points, preferring its beginning.

    `tolerance`: rms distance from the line allowed, px, growing with length. `through`: a point the line must
    pass `within` px of. `parallel_to`: a direction it must be within 35 degrees of. `chord`: see `Chord`.
    `onto`: point and direction of a line it must continue, within 4 degrees. None where nothing fits.
    """
    n = len(walk)
    if n < shortest:
        return None
    steps = np.unique(np.concatenate([np.arange(0, min(n, 40), 4), np.arange(40, n, 8)]))
    ends = np.unique(np.concatenate([np.arange(0, n, 6)[1:], [n]]))
    i, j = np.meshgrid(steps, ends, indexing="ij")
    keep = j - i >= shortest
    i, j = i[keep], j[keep]
    if len(i) == 0:
        return None
    x, y = (walk - walk[0]).T
    sums = [np.concatenate([[0.0], np.cumsum(v)]) for v in (x, y, x * x, y * y, x * y)]
    m = (j - i).astype(float)
    sx, sy, sxx, syy, sxy = (s[j] - s[i] for s in sums)
    mx, my = sx / m, sy / m
    a, b, c = sxx / m - mx**2, syy / m - my**2, sxy / m - mx * my
    half, root = (a + b) / 2, np.sqrt(np.maximum(((a - b) / 2) ** 2 + c**2, 0.0))
    rms = np.sqrt(np.maximum(half - root, 0.0))
    angle = 0.5 * np.arctan2(2 * c, a - b)
    d = np.column_stack([np.cos(angle), np.sin(angle)])
    good = rms <= tolerance + 0.003 * m
    if through is not None:
        t = through - walk[0]
        off = np.abs((t[0] - mx) * d[:, 1] - (t[1] - my) * d[:, 0])
        good &= off <= within + 0.03 * i
    if parallel_to is not None:
        good &= np.abs(d @ parallel_to) > np.cos(np.deg2rad(35))
    if onto is not None:
        rel = onto[0] - walk[0]
        reach = np.abs((rel[0] - mx) * d[:, 0] + (rel[1] - my) * d[:, 1])
        off = np.abs((rel[0] - mx) * d[:, 1] - (rel[1] - my) * d[:, 0])
        good &= (np.abs(d @ onto[1]) > np.cos(np.deg2rad(4))) & (off < 2.5 + 0.03 * reach)
    if chord is not None:
        good &= _plausible(walk, i, j, d, chord)
    if not good.any():
        return None
    score = np.where(good, m - 0.35 * i - 8 * rms, -np.inf)
    k = int(np.argmax(score))
    return int(i[k]), int(j[k])


def _plausible(walk: FloatArray, i: IntArray, j: IntArray, d: FloatArray, chord: Chord) -> BoolArray:
    unit, side, low, high = chord
    forth = walk[j - 1] - walk[i]
    out = d * np.sign((d * forth).sum(axis=1))[:, None]
    cross = side * (unit[0] * out[:, 1] - unit[1] * out[:, 0])
    angle = np.rad2deg(np.arctan2(cross, out @ unit)) % 360
    return np.asarray((angle > low) & (angle < high))


def _block_spread(s: FloatArray, r: FloatArray, w: FloatArray) -> tuple[float, float]:
    """Standard uncertainty of a straight fit's offset and slope, from block means of its residuals.

    Blocks are long against the residuals' correlation, or the coarser division shows more and is used.
    """
    low, high = float(s[0]), float(s[-1])
    middle = float((w * s).sum() / w.sum())
    offset = slope = 0.0
    for count in (5, 8, 14):
        edges = np.linspace(low, high, count + 1)
        which = np.clip(np.searchsorted(edges, s, "right") - 1, 0, count - 1)
        weight = np.bincount(which, w, count)
        used = weight > 0.15 * weight.mean()
        if used.sum() < 4:
            continue
        mean = np.bincount(which, w * r, count)[used] / weight[used]
        centre = np.bincount(which, w * s, count)[used] / weight[used] - middle
        k = int(used.sum())
        sd = float(np.sqrt((mean**2).sum() / max(k - 2, 1)))
        offset = max(offset, sd / np.sqrt(k))
        slope = max(slope, sd / float(np.sqrt((centre**2).sum())))
    return offset, slope


def fit_offsets(s: FloatArray, v: FloatArray, weight: FloatArray) -> tuple[float, float, FloatArray, float]:
    """Robust straight fit v = a + b s: (a, b, final weights, residual sd)."""
    w = weight.copy()
    a = b = 0.0
    sd = 1.0
    for _ in range(12):
        if w.sum() <= 0:
            break
        ms, mv = (w * s).sum() / w.sum(), (w * v).sum() / w.sum()
        denominator = (w * (s - ms) ** 2).sum()
        b = float((w * (s - ms) * (v - mv)).sum() / denominator) if denominator > 0 else 0.0
        a = float(mv - b * ms)
        r = v - a - b * s
        live = weight > 0
        sd = float(max(1.4826 * np.median(np.abs(r[live])), 0.05))
        w = weight * np.clip(1 - (r / (4.0 * sd)) ** 2, 0, None) ** 2
    return a, b, w, sd


def fit_line(points: FloatArray, *, floor: float, wobble: float) -> Line:
    """Robust line through outline points (n, 2) in order, photo px.

    `floor`: least `u_offset`, px. `wobble`: least uncertainty of either end, px, against the other.
    """
    centre, d = total_least_squares(points)
    normal = np.array([-d[1], d[0]])
    s, v = (points - centre) @ d, (points - centre) @ normal
    a, b, w, _ = fit_offsets(s, v, np.ones(len(s)))
    return _finish(centre, d, s, v, w, a, b, floor=floor, angle_floor=wobble, share=float((w > 0).mean()))


_FEWEST = 12
"""Stations that a fit to the photo's edge must rest on."""


def line_of(
    base: Line, s: FloatArray, v: FloatArray, *, floor: float, angle_floor: float, share: float
) -> Line | None:
    """Robust line through the edge at offsets `v` from `base` at its stations `s`, px; None where too few agree.

    `floor`, `angle_floor`: least uncertainty, px, of the line and of either end against the other.
    """
    if len(s) < _FEWEST:
        return None
    a, b, w, _ = fit_offsets(s, v, np.ones(len(s)))
    if (w > 0).sum() < _FEWEST:
        return None
    return _finish(base.point, base.direction, s, v, w, a, b, floor=floor, angle_floor=angle_floor, share=share)


def _finish(
    centre: FloatArray,
    d: FloatArray,
    s: FloatArray,
    v: FloatArray,
    w: FloatArray,
    a: float,
    b: float,
    *,
    floor: float,
    angle_floor: float,
    share: float,
) -> Line:
    order = np.argsort(s)
    s, v, w = s[order], v[order], w[order]
    live = w > 0
    r = v - a - b * s
    middle = float((w * s).sum() / w.sum())
    low, high = float(s[live][0]), float(s[live][-1])
    length = max(high - low, 1.0)
    u_offset, u_angle = _block_spread(s[live], r[live], w[live])
    quadratic = 0.0
    if live.sum() > 12:
        t = (s[live] - middle) / (length / 2)
        basis = np.column_stack([np.ones_like(t), t, t * t]) * np.sqrt(w[live])[:, None]
        coefficients, *_ = np.linalg.lstsq(basis, r[live] * np.sqrt(w[live]), rcond=None)
        quadratic = float(coefficients[2])
    normal = np.array([-d[1], d[0]])
    direction = d + b * normal
    direction = direction / np.hypot(*direction)
    point = centre + middle * d + (a + b * middle) * normal
    bend = abs(quadratic)
    # A bent stretch says that much less about where the straight surface would have gone on.
    return Line(
        point=point,
        direction=direction,
        u_offset=float(np.hypot(np.hypot(u_offset, floor), 0.5 * bend)),
        u_angle=float(np.hypot(np.hypot(u_angle, angle_floor / (length / 2)), 4.0 * bend / length)),
        start=low - middle,
        end=high - middle,
        bend=bend,
        share=share,
    )
