"""A rule: evenly spaced graduations of known pitch with longer ones among them, in any direction.

Evenly spaced strokes alone are no rule: a thread, a file, saw and grinding marks have them too. What makes a rule
is that every second, fifth or tenth stroke is longer, as its pitch demands (common practice, no source): that
pattern is asked for, and it tells one edge of a rule from the other.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, BoolArray, ByteArray, ComplexArray, FloatArray, IntArray
from macrocheck.calibrate.comb import Comb, combs
from macrocheck.calibrate.graduations import Pattern, best_pattern, pattern_fits, pitch_told
from macrocheck.calibrate.mark import Candidate, Mark
from macrocheck.calibrate.ruler_follow import follow, robust_line
from macrocheck.errors import NotFoundError
from macrocheck.flags import Flag
from macrocheck.photo import Photo

LEAST_TICKS = 9
"""Fewest ticks a rule is told by."""
DRIFT_PX, DRIFT_TICKS = 0.015, 30
"""Standard uncertainty of one end of a rule against the other that no residual shows, px: glare and a ground that
changes shift ticks little by little, and in a row of more ticks than so many they do so more than once; from
rendered rules."""
MOST_ALIKE = 0.85
"""Most correlation of neighbouring residuals that is reckoned with."""
TILT_SHOWS = 0.004
"""Relative change of the pitch along the rule from which the picture is said to be tilted."""


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule as measured: `pitch`, its standard uncertainty `u_pitch` (px), ticks `k` (n,) at `ticks_px` (n, 2).

    `reach`: how far each tick reaches to either side, (n, 2) pitches, NaN where it runs out of the picture.
    """

    pitch: float
    u_pitch: float
    k: IntArray
    ticks_px: FloatArray
    pattern: Pattern
    reach: FloatArray
    pitch_change: float
    u_pitch_change: float


def find(photo: Photo, mark: Mark) -> tuple[Candidate, ...]:
    """Return every rule in the picture whose long ticks suit the mark's pitch, most ticks first."""
    if mark.length_mm is None:
        return _told(photo, mark)
    rules = [r for r in rules_in(photo) if pattern_fits(r.pattern, mark.length_mm)]
    rules.sort(key=lambda r: -len(r.k))
    return tuple(_candidate(r, mark.length_mm) for r in rules)


def _told(photo: Photo, mark: Mark) -> tuple[Candidate, ...]:
    """Candidates of a rule whose pitch was not stated, told by its long ticks; raises where they do not tell it."""
    rules = sorted(rules_in(photo), key=lambda r: -len(r.k))
    told = [(r, pitch) for r in rules if (pitch := pitch_told(r.pattern, r.k, r.reach)) is not None]
    if told:
        return tuple(_candidate(r, pitch) for r, pitch in told)
    if rules:
        x, y = rules[0].ticks_px.mean(axis=0)
        what = "whether it is in 16ths, 32nds or 64ths" if rules[0].pattern.inch else "its unit"
        msg = (
            f"There is a rule at {x:.0f},{y:.0f} in {photo.path}, but its long ticks do not tell {what}; "
            f"state its pitch, such as ruler:1/32in or ruler:1mm instead of {mark.text}."
        )
        raise NotFoundError(msg)
    return ()


def rules_in(photo: Photo) -> list[Rule]:
    """Measure every rule in the picture, whatever its unit."""
    rules: list[Rule] = []
    for comb in combs(photo):
        if any(_on(comb, rule) for rule in rules):
            continue
        measured = (_measure(photo.grey, one) for one in (comb, *comb.others))
        rule = next((r for r in measured if r is not None), None)
        if rule is not None and not any(_repeats(rule, other) for other in rules):
            rules.append(rule)
    return [r for r in rules if not any(_longer_row(r, other) for other in rules)]


def _longer_row(rule: Rule, other: Rule) -> bool:
    """Whether the ticks of `rule` are every so many of those of `other`: the longer ones by themselves."""
    every = rule.pitch / other.pitch
    if every < 1.5 or abs(every - round(every)) > 0.01 * every or len(rule.k) >= len(other.k):
        return False
    axis = (other.ticks_px[-1] - other.ticks_px[0]) / np.hypot(*(other.ticks_px[-1] - other.ticks_px[0]))
    shift = rule.ticks_px - other.ticks_px[0]
    along, across = shift @ axis, shift @ np.array([-axis[1], axis[0]])
    number = along / other.pitch
    beside = (number > -3) & (number < float(np.ptp(other.k)) + 3) & (np.abs(across) < 10 * other.pitch)
    off = np.abs(number - np.rint(number))
    return bool(beside.mean() > 0.7 and np.median(off[beside]) < 0.25)


def _candidate(rule: Rule, pitch_mm: float) -> Candidate:
    n = len(rule.k)
    u = rule.u_pitch / rule.pitch
    flags: tuple[Flag, ...] = ()
    change = abs(rule.pitch_change)
    if change > TILT_SHOWS and change > 4 * rule.u_pitch_change:
        text = f"The camera was tilted: the rule's ticks stand {100 * change:.1f} % wider apart at one of its ends."
        flags = (Flag("scale_tilt", text, tuple((float(x), float(y)) for x, y in rule.ticks_px[[0, -1]])),)
        u = math.hypot(u, change / math.sqrt(12))
    ends = tuple((float(x), float(y)) for x, y in rule.ticks_px[[0, -1]])
    span = math.dist(*ends)
    return Candidate(
        mm_per_px=pitch_mm / rule.pitch,
        u_found=u,
        points_px=rule.ticks_px,
        what=f"rule, {n} ticks {pitch_mm:g} mm apart, {rule.pitch:.3f} px each",
        flags=flags,
        extent_px=span,
        ends_px=ends,
    )


def _on(comb: Comb, rule: Rule) -> bool:
    """Whether a comb lies on a rule that is measured already."""
    a, b = rule.ticks_px[0], rule.ticks_px[-1]
    axis = (b - a) / np.hypot(*(b - a))
    shift = np.array(comb.at) - a
    along, across = float(shift @ axis), abs(float(axis[0] * shift[1] - axis[1] * shift[0]))
    ratio = comb.pitch / rule.pitch
    same = abs(ratio - round(ratio)) < 0.05 * ratio and round(ratio) >= 1
    inside = -3 * rule.pitch < along < math.dist(a, b) + 3 * rule.pitch
    return bool(same and inside and across < 7 * rule.pitch)


def _repeats(a: Rule, b: Rule) -> bool:
    close = abs(a.pitch / b.pitch - 1) < 0.01
    gap = np.abs(a.ticks_px.mean(axis=0) - b.ticks_px.mean(axis=0)).max()
    return bool(close and gap < 12 * b.pitch + 0.5 * math.dist(b.ticks_px[0], b.ticks_px[-1]))


class _Strip:
    """The picture along a comb, read in parts: u px along the row, v across it in steps of `v_step` px."""

    def __init__(self, grey: ByteArray, comb: Comb, reach: float = math.inf) -> None:
        h, w = grey.shape
        self.grey = grey
        self.axis = np.array([math.cos(comb.direction_rad), math.sin(comb.direction_rad)])
        self.across = np.array([-self.axis[1], self.axis[0]])
        at = np.array(comb.at)
        corners = np.array([[0, 0], [w - 1, 0], [0, h - 1], [w - 1, h - 1]]) - at
        along = corners @ self.axis
        self.u0 = math.floor(max(float(along.min()), -reach))
        nu = math.ceil(min(float(along.max()), reach)) - self.u0 + 1
        self.v_step = max(1.0, comb.pitch / 10)
        half = max(round(10 * comb.pitch / self.v_step), 12)
        self.v = np.arange(-half, half + 1) * self.v_step
        self.u: FloatArray = np.arange(nu, dtype=np.float64) + self.u0
        self.at = at

    def read(self, v: slice = slice(None), u: slice = slice(None)) -> ByteArray:
        """Grey levels (rows, samples) of a part."""
        rows, samples = self.v[v], self.u[u]
        start = self.at + samples[0] * self.axis + rows[0] * self.across
        turn = np.column_stack([self.axis, self.across * self.v_step, start])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        size = (len(samples), len(rows))
        read = cv2.warpAffine(self.grey, turn, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(read, dtype=np.uint8)

    def seen(self, u: FloatArray, v: float | FloatArray, size: tuple[int, int]) -> BoolArray:
        """Whether places (u, v) lie in the picture of `size` (h, w), a px from its edge."""
        p = self.to_picture(u, np.broadcast_to(v, u.shape))
        return np.asarray((p > 1).all(axis=1) & (p[:, 0] < size[1] - 2) & (p[:, 1] < size[0] - 2))

    def to_picture(self, u: FloatArray, v: FloatArray) -> FloatArray:
        """Map (n,) u and (n,) v in px to (n, 2) px of the picture."""
        return np.asarray(self.at + u[:, None] * self.axis + v[:, None] * self.across)


def _measure(grey: ByteArray, comb: Comb) -> Rule | None:
    """Follow a comb tick by tick; None where it is no rule."""
    pitch = comb.pitch
    band = None
    for _ in range(3):
        strip = _Strip(grey, comb, reach=6 * pitch)
        near = np.flatnonzero(np.abs(strip.u) <= 5 * pitch)
        if len(near) < 4 * pitch:
            return None
        along = slice(int(near[0]), int(near[-1]) + 1)
        waves = _wave(strip.read()[:, along], strip.u[along], pitch)
        band = _band(waves, pitch, strip.v_step)
        if band is None:
            return None
        lean = _lean(waves[band[0] : band[1] + 1], pitch, strip.v_step)
        if abs(lean) < 0.002:
            break
        comb = Comb(comb.at, comb.direction_rad - lean, pitch, comb.score)
    if band is None:
        return None
    strip = _Strip(grey, comb)
    low, high = band
    trim = max((high - low) // 6, 0)
    signal = strip.read(slice(low + trim, high + 1 - trim)).mean(axis=0, dtype=np.float64)
    size = (grey.shape[0], grey.shape[1])
    for sign in _signs(signal, -strip.u0, pitch):
        rule = _rule(strip, size, band, signal, pitch, sign)
        if rule is not None:
            return rule
    return None


def _rule(
    strip: _Strip, size: tuple[int, int], band: tuple[int, int], signal: FloatArray, pitch: float, sign: float
) -> Rule | None:
    """Measure the rule whose ticks are bright (`sign` 1) or dark (-1) in `signal`; None where there is none."""
    ticks = follow(sign * signal, -strip.u0, pitch)
    if ticks is None:
        return None
    k, at = ticks
    v_mid = float(strip.v[(band[0] + band[1]) // 2])
    keep = strip.seen(at + strip.u0, v_mid, size)
    k, at = k[keep], at[keep]
    if len(k) < LEAST_TICKS:
        return None
    reach = _reach(strip, at, pitch, sign, band)
    # a third of the way up lie the shortest ticks, however many longer ones there are
    whole = (reach > 0.5 * np.percentile(reach, 30, axis=0)).all(axis=1)
    fit = _fit(k[whole], at[whole]) if np.count_nonzero(whole) >= LEAST_TICKS else None
    if fit is None:
        return None
    pitch, u_pitch, change, u_change, good = fit
    k, at, reach = k[whole][good], at[whole][good], reach[whole][good]
    coarse = _common_step(k)
    if coarse > 1:
        # the row of the longer ticks alone was followed at the pitch of all of them
        same = (k - k[0]) % coarse == 0
        k, at, reach = (k[same] - k[0]) // coarse, at[same], reach[same]
        pitch, u_pitch = pitch * coarse, u_pitch * coarse
    reach = _known(reach, _leaves(strip, at, reach, band, size))
    pattern = best_pattern(k, reach / pitch)
    if pattern is None:
        return None
    ticks_px = strip.to_picture(at + strip.u0, np.full(len(at), v_mid))
    return Rule(pitch, u_pitch, k, ticks_px, pattern, reach / pitch, change, u_change)


def _leaves(
    strip: _Strip, at: FloatArray, reach: FloatArray, band: tuple[int, int], size: tuple[int, int]
) -> BoolArray:
    """Whether each tick, as it reaches to either side, ends where the picture of `size` (h, w) does, (n, 2)."""
    middle = float(strip.v[(band[0] + band[1]) // 2])
    ends = [middle + sign * (reach[:, i] + 2 * strip.v_step) for i, sign in enumerate((-1.0, 1.0))]
    return np.column_stack([~strip.seen(at + strip.u0, v, size) for v in ends])


def _known(reach: FloatArray, leaves: BoolArray) -> FloatArray:
    """The reach (n, 2), NaN for ticks that leave the picture before they are as long as the longest others."""
    known = reach.copy()
    for side in range(2):
        cut = leaves[:, side]
        if cut.any():
            longest = float(np.percentile(reach[~cut, side], 98)) if not cut.all() else math.inf
            known[cut & (reach[:, side] < longest), side] = np.nan
    return known


def _common_step(k: IntArray) -> int:
    """Largest of 10, 5, 2 that nearly all steps from tick to tick are multiples of, else 1."""
    steps = np.diff(np.sort(k)).astype(np.intp)
    return next((n for n in (10, 5, 2) if float(np.mean(steps % n == 0)) > 0.85), 1)


def _signs(signal: FloatArray, zero: float, pitch: float) -> tuple[float, float]:
    """1 for bright ticks, -1 for dark ones, the likelier first: ticks are narrower than the gaps between them."""
    near = signal[max(int(zero - 5 * pitch), 0) : max(int(zero + 5 * pitch), 0)]
    if len(near) < 3:
        return -1.0, 1.0
    wide = 2 * round(1.5 * pitch) + 1
    flat = near - cv2.blur(near[None, :].astype(np.float32), (wide, 1))[0]
    return (1.0, -1.0) if float(np.sum(flat**3)) > 0 else (-1.0, 1.0)


def _band(waves: ComplexArray, pitch: float, step: float) -> tuple[int, int] | None:
    """First and last row, `step` px apart, in which the strokes near the seed stand at the pitch."""
    n = max(3, round(0.4 * pitch / step)) | 1
    wave = np.convolve(np.abs(waves), np.ones(n) / n, "same")
    middle = len(wave) // 2
    reach = max(round(2.5 * pitch / step), 4)
    top = middle - reach + int(np.argmax(wave[middle - reach : middle + reach + 1]))
    strong = wave > 0.5 * wave[top]
    low = high = top
    while low > 0 and strong[low - 1]:
        low -= 1
    while high < len(wave) - 1 and strong[high + 1]:
        high += 1
    return (low, high) if (high - low) * step > 0.8 * pitch else None


def _wave(rows: AnyArray, u: FloatArray, pitch: float) -> ComplexArray:
    """Amplitude and phase (n,) with which rows (n, len(u)) repeat at the pitch."""
    turn = 2 * np.pi * u / pitch
    window = np.hanning(len(u))
    base = np.column_stack([window * np.cos(turn), -window * np.sin(turn)])
    base -= base.mean(axis=0)  # a row's mean counts for nothing, so it need not be taken off every row
    real, imaginary = (rows.astype(np.float32) @ base.astype(np.float32)).T.astype(np.float64)
    return np.asarray(real + 1j * imaginary)


def _lean(waves: ComplexArray, pitch: float, step: float) -> float:
    """How far the strokes lean from across the row, rad: shift of their phase from row to row, `step` px."""
    turn = np.sum(waves[1:] * np.conj(waves[:-1]))
    # the phase falls by 2 pi for every pitch that a stroke moves along the row
    return math.atan(-float(np.angle(turn)) / (2 * math.pi) * pitch / step)


def _fit(k: IntArray, at: FloatArray) -> tuple[float, float, float, float, BoolArray] | None:
    """Pitch, its u, relative change of the pitch along the rule, its u, and which ticks hold."""
    x = k.astype(np.float64)
    curve = robust_line(x, at, 2)
    residual = at - np.polyval(curve, x)
    spread = 1.4826 * float(np.median(np.abs(residual)))
    good = np.abs(residual) <= max(4 * spread, 0.02)
    n = int(np.count_nonzero(good))
    if n < LEAST_TICKS:
        return None
    x, y = x[good], at[good]
    centre = float(x.mean())
    line = np.polyfit(x - centre, y, 1)
    left = y - np.polyval(line, x - centre)
    noise = float(np.std(left)) * math.sqrt(n / (n - 2)) * _drift(left)
    drift = DRIFT_PX * math.sqrt(min(1.0, DRIFT_TICKS / n)) / float(x[-1] - x[0])
    u_pitch = math.hypot(noise / math.sqrt(float(np.sum((x - centre) ** 2))), drift)
    curve, cov = np.polyfit(x - centre, y, 2, cov="unscaled")
    noise_2 = float(np.std(y - np.polyval(curve, x - centre))) * math.sqrt(n / max(n - 3, 1))
    if noise_2 > 0.08 * abs(float(line[0])):
        return None
    span = float(x[-1] - x[0])
    change = 2 * float(curve[0]) * span / float(line[0])
    u_change = 2 * noise_2 * math.sqrt(float(cov[0, 0])) * span / float(line[0])
    return float(line[0]), u_pitch, change, u_change, good


def _drift(left: FloatArray) -> float:
    """How much more a slope is in doubt where residuals (n,) go with their neighbours than where each is its own.

    sqrt((1 + r) / (1 - r)) for a first-order autoregressive process of correlation r, 1 where r may be chance.
    """
    n = len(left)
    power = float(np.sum(left**2))
    r = float(np.sum(left[1:] * left[:-1])) / power if power > 0 else 0.0
    if r < 2 / math.sqrt(n):
        return 1.0
    r = min(r + (1 + 4 * r) / n, MOST_ALIKE)  # a fitted line takes some of it away (Kendall's correction)
    return math.sqrt((1 + r) / (1 - r))


def _reach(strip: _Strip, at: FloatArray, pitch: float, sign: float, band: tuple[int, int]) -> FloatArray:
    """How far each tick reaches beyond the middle of the band: (n, 2) px towards smaller and larger v."""
    columns = np.rint(at).astype(np.intp)
    thin = max(round(0.08 * pitch), 0)
    gap = max(round(0.42 * pitch), thin + 1)
    last = len(strip.u) - 1
    near = np.arange(-thin, thin + 1)
    start = max(int(columns.min()) - max(thin, gap), 0)
    rows = strip.read(u=slice(start, min(int(columns.max()) + max(thin, gap), last) + 1))
    columns, last = columns - start, rows.shape[1] - 1
    on = rows[:, np.clip(columns[:, None] + near, 0, last)].mean(axis=2, dtype=np.float32)
    either = [rows[:, np.clip(columns + side, 0, last)].astype(np.float32) for side in (-gap, gap)]
    beside = (either[0] + either[1]) / 2
    stands = sign * (on - beside)
    n = max(3, round(0.3 * pitch / strip.v_step)) | 1
    stands = cv2.blur(np.ascontiguousarray(stands), (1, n))
    middle = (band[0] + band[1]) // 2
    level = 0.45 * np.median(stands[band[0] : band[1] + 1], axis=0)
    off = stands < np.maximum(level, 1.0)
    up = np.argmax(off[middle::-1], axis=0)
    down = np.argmax(off[middle:], axis=0)
    up = np.where(off[middle::-1].any(axis=0), up, middle)
    down = np.where(off[middle:].any(axis=0), down, len(strip.v) - 1 - middle)
    return np.asarray(np.column_stack([up, down]) * strip.v_step, dtype=np.float64)
