"""Sharp tips of the weld metal, which a smooth path cuts off: the flanks run on as far as the photo shows them."""

from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import BoolArray, ByteArray, FloatArray, IntArray
from macrocheck.photo import Photo
from macrocheck.segment.chains import resample
from macrocheck.segment.hints import Hints
from macrocheck.segment.lines import meeting_point, total_least_squares
from macrocheck.segment.maps import sample
from macrocheck.segment.tone import telling_tone

_SIZES = ((5, 3, 12), (8, 6, 18))
"""Map px on either side of a point over which the path's turn there is told, and map px from the tip between which
a flank is taken to be straight: for tips that are seen clearly, and for those that the path rounds more."""
_TURN, _WIDEST = np.deg2rad(50.0), np.deg2rad(100.0)
"""The path turns by this at a tip at least; the flanks of one meet at no more than this."""
_NARROWEST = np.sin(np.deg2rad(15.0))
"""Sine of the angle that they meet at, at least."""
_STRAIGHT = 0.7
"""Map px that no point of a flank may stand off its line by."""
_CUT = 1.5, 10.0
"""Map px from the path to where its flanks meet: less is nothing to mend, more is no tip that was cut."""
_AROUND = 3.0
"""Map px around what was cut off that are compared."""
_PROFILE = 6.0
"""Map px to either side of a flank over which its tones are read."""
_BETTER, _LIKE, _GRAIN = 0.6, 0.2, 1.5
"""Beyond the grain at the flanks the tip must leave at most this part of the squares that the path leaves; in all
no more than the square of this part of the step in tone at the flanks and so many times the grain's."""
_PLAIN = 0.15
"""Part of the grain's squares that it must explain at least."""
_STEPS = np.linspace(0.0, 1.0, 11)
"""Parts of the way back from where the flanks meet to the path, at which the tip is tried to end."""
_DOUBT = 0.2
"""Standard uncertainty of the tip, as a part of what was added to the path."""


@dataclass(frozen=True, eq=False)
class _Flank:
    """A straight side of a tip, photo px: a point on it, unit directions to the tip and out of the metal, and the
    stretch of the path that it was fitted to, (k, 2)."""

    point: FloatArray
    along: FloatArray
    out: FloatArray
    seen: FloatArray

    def outside(self, points: FloatArray) -> FloatArray:
        """Distance of points (n, 2) from the flank, px, positive out of the metal."""
        return np.asarray((points - self.point) @ self.out)


@dataclass(frozen=True, eq=False)
class _Tip:
    """Where two flanks meet, how far that is from the path, photo px, and the unit direction into the member."""

    flanks: tuple[_Flank, _Flank]
    apex: FloatArray
    cut: float
    forward: FloatArray


def with_tips(
    photo: Photo, face: FloatArray, fusion: FloatArray, u: FloatArray, scale: float, hints: Hints | None = None
) -> tuple[FloatArray, FloatArray]:
    """Return `fusion` (m, 2) px and its `u` (m,) with the tips drawn out that the path cut off.

    `face`, `fusion`: as in `WeldOutline`. `scale`: photo px in a map px. A tip is drawn out where straight flanks
    meet beyond the path and the photo's tones there are those beside the flanks: metal up to the tip, member
    beyond it. Points near a hint stay.
    """
    even = resample(fusion, scale)
    outline = np.vstack([face, fusion])
    ahead = np.roll(outline, -1, axis=0)
    clockwise = float(np.sign((outline[:, 0] * ahead[:, 1] - ahead[:, 0] * outline[:, 1]).sum()))
    placed = np.array([] if hints is None else [*hints.through, *hints.root, *hints.toes]).reshape(-1, 2)
    for lag, near, far in _SIZES:
        for at in _turns(even, clockwise, lag, far):
            stretches = even[at - far : at - near + 1], even[at + near : at + far + 1]
            tip = _tip(even, int(at), stretches, clockwise, scale)
            if tip is None or (np.hypot(*(placed - tip.apex).T) < far * scale).any():
                continue
            end = _end(photo, tip, scale)
            if end is not None:
                fusion, u = _drawn_out(fusion, u, tip, end, scale)
                placed = np.vstack([placed, tip.apex])
    return fusion, u


def _turns(even: FloatArray, clockwise: float, lag: int, clear: int) -> IntArray:
    """Indices of the sharpest turns around metal, more than `clear` points from the ends."""
    if len(even) < 2 * (clear + lag):
        return np.empty(0, np.intp)
    before, after = even[lag:-lag] - even[: -2 * lag], even[2 * lag :] - even[lag:-lag]
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    turn = clockwise * np.arctan2(cross, (before * after).sum(axis=1))
    window = np.lib.stride_tricks.sliding_window_view(np.pad(turn, lag, constant_values=-np.pi), 2 * lag + 1)
    at = np.flatnonzero((turn > _TURN) & (turn >= window.max(axis=1))) + lag
    return np.asarray(at[(at > clear) & (at < len(even) - clear - 1)])


def _flank(seen: FloatArray, clockwise: float, *, leads_on: bool, scale: float) -> _Flank | None:
    """The flank through a stretch of the path; `leads_on`: the path runs along it to the tip, not from it."""
    point, direction = total_least_squares(seen)
    out = clockwise * np.array([direction[1], -direction[0]])
    if np.abs((seen - point) @ out).max() > _STRAIGHT * scale:
        return None
    return _Flank(point, direction if leads_on else -direction, out, seen)


def _tip(
    even: FloatArray, at: int, stretches: tuple[FloatArray, FloatArray], clockwise: float, scale: float
) -> _Tip | None:
    """The tip at a turn of the path, or None where the stretches beside it are not straight or meet elsewhere."""
    first = _flank(stretches[0], clockwise, leads_on=True, scale=scale)
    second = _flank(stretches[1], clockwise, leads_on=False, scale=scale)
    if first is None or second is None or first.along @ second.along < np.cos(_WIDEST):
        return None
    apex = meeting_point(first.point, first.along, second.point, second.along, _NARROWEST)
    if apex is None:
        return None
    cut = float(np.hypot(*(even - apex).T).min())
    forward = first.along + second.along
    forward /= np.hypot(*forward)
    if not _CUT[0] * scale < cut < _CUT[1] * scale or (apex - even[at]) @ forward <= 0:
        return None
    return _Tip((first, second), apex, cut, forward)


def _end(photo: Photo, tip: _Tip, scale: float) -> float | None:
    """How far back from where its flanks meet the tip ends, photo px, or None where the photo shows no tip."""
    depths = np.arange(1.5, 4.6) * scale
    sides = [
        np.vstack([f.seen[:, None] + sign * depths[None, :, None] * f.out for f in tip.flanks])
        for sign in (-1.0, 1.0)
    ]
    tone = telling_tone(photo, sides[0], sides[1])
    offsets = np.arange(-_PROFILE, _PROFILE + 0.1, 0.25) * scale
    bands = [_along_flank(tone, f, offsets) for f in tip.flanks]
    profiles = [np.asarray(np.median(band, axis=0)) for band in bands]
    grain = float(np.mean([((b - p) ** 2).mean() for b, p in zip(bands, profiles, strict=True)]))
    step = float(np.mean([abs(np.median(p[-12:]) - np.median(p[:12])) for p in profiles]))
    # The window: what was cut off and some map px about it.
    middle = tip.apex - 0.5 * tip.cut * tip.forward
    reach = tip.cut + _AROUND * scale
    grid = np.arange(-reach, reach + 0.1, max(1.0, 0.5 * scale))
    points = np.stack(np.meshgrid(grid, grid), axis=-1).reshape(-1, 2)
    points = middle + points[np.hypot(*points.T) < reach]
    inside: BoolArray = ((points >= 0) & (points < (photo.width, photo.height))).all(axis=1)
    if not len(points) or not inside.all():
        return None
    seen = sample(tone, points)
    beyond = [f.outside(points) for f in tip.flanks]
    nearer = beyond[0] >= beyond[1]
    left = np.empty(len(_STEPS))
    for k, back in enumerate(_STEPS * tip.cut):
        front = (points - (tip.apex - back * tip.forward)) @ tip.forward
        off = np.maximum(np.maximum(beyond[0], beyond[1]), front)
        like = np.where(nearer, np.interp(off, offsets, profiles[0]), np.interp(off, offsets, profiles[1]))
        left[k] = float(np.mean((seen - like) ** 2))
    best = int(np.argmin(left))
    gained = left[-1] - left[best]
    beyond_grain = max(left[-1] - grain, gained)
    if gained < max(_PLAIN * grain, (1 - _BETTER) * beyond_grain):
        return None
    if left[best] > (_LIKE * step) ** 2 + _GRAIN * grain:
        return None
    return float(_STEPS[best] * tip.cut)


def _along_flank(tone: ByteArray, flank: _Flank, offsets: FloatArray) -> FloatArray:
    """The tone (24, k) at each offset from a flank, px, out of the metal, along what is seen of it."""
    along = (flank.seen - flank.point) @ flank.along
    feet = flank.point + np.linspace(along.min(), along.max(), 24)[:, None] * flank.along
    points = feet[:, None] + offsets[None, :, None] * flank.out
    return sample(tone, points.reshape(-1, 2)).reshape(len(feet), -1)


def _drawn_out(
    fusion: FloatArray, u: FloatArray, tip: _Tip, back: float, scale: float
) -> tuple[FloatArray, FloatArray]:
    """The path with the tip in, `back` px short of where its flanks meet."""
    ends = [f.seen[-1 if k == 0 else 0] for k, f in enumerate(tip.flanks)]
    first, last = (int(np.argmin(np.hypot(*(fusion - end).T))) for end in ends)
    cosine = [float(f.along @ tip.forward) for f in tip.flanks]
    corners = [tip.apex - back / c * f.along for f, c in zip(tip.flanks, cosine, strict=True)]
    new = np.array([tip.apex] if back < 0.5 * scale else corners)
    doubt = float(np.hypot(u[first : last + 1].mean(), _DOUBT * (tip.cut - back)))
    return (
        np.vstack([fusion[: first + 1], new, fusion[last:]]),
        np.concatenate([u[: first + 1], np.full(len(new), doubt), u[last:]]),
    )
