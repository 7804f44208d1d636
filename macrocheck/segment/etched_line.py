"""A fusion boundary that the etch drew as a line: laid on the line's middle instead of along one of its flanks.

Across such a boundary the photo shows two tones with a dark or light line between them. The steepest edge there is
a flank of the line, half the line's width beside the boundary, and which of the two a path follows is chance.
"""

from dataclasses import replace
from functools import lru_cache
from math import erf

import numpy as np

from macrocheck.arrays import BoolArray, FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.band import Band, normals_of
from macrocheck.segment.boundary import Boundary
from macrocheck.segment.chains import arc, resample
from macrocheck.segment.photo_line import peaks

_EDGE = 3.3
"""Typical width of the photo's edges against air, from tone to tone along the steepest slope, over the standard
deviation of its blur: the square root of 2 pi where they are straight, more where they are ragged."""
_BLUR = (0.75, 3.0)
"""Px: least and most standard deviation of blur that profiles are scaled by."""
_HALF, _STEP = 9.0, 0.5
"""Half width and step of a profile, in standard deviations of the blur."""
_SOFTER = (0.6, 0.75, 0.95, 1.2, 1.5, 1.9)
_WIDTHS = (1.0, 1.5, 2.0, 2.75, 3.5, 4.5, 6.0)
_PLACES = np.arange(-3.5, 3.51, 0.25)
"""Blurs, widths of a line and places of its middle that are tried, in the same unit."""
_WINDOW, _SHARE = 48.0, 0.08
"""Stretch that a profile is the mean of: in standard deviations of the blur, and as a part of the boundary; the
longer one."""
_TRIM = 0.15
"""Part of the samples left out at either end at each offset: scratches, specks, patches of grain."""
_CLEAR, _LEFT = 3.0, 0.12
"""Grey levels by which a line lies beyond both tones beside it, at least; and what of the square error that a plain
edge leaves the line leaves, at most."""
_ONE_SIDED = 2.0
"""How many times as far it lies beyond them as anything does on the other side: sharpening shifts both."""
_AGREED = 0.75
"""Standard deviations of the blur by which a stretch may lie off what its neighbours say."""
_FEWEST, _MOST, _SURE, _SURE_PX = 3, 0.75, 0.2, 0.25
"""How many neighbouring windows must see a line to go by it; and where more than this share of them does, how sure
its middle is, map px and photo px: there it is surer than the network (measured on 160 rendered sections, fair and
hard)."""
_TURNS = 2
"""Laid on the line, a boundary gives a sharper profile: it is looked at again."""


_AT = np.linspace(-6.0, 6.0, 1201)
_RISEN = np.array([0.5 * (1.0 + erf(v / np.sqrt(2.0))) for v in _AT])


def _risen(x: FloatArray) -> FloatArray:
    """A step from 0 to 1 under a blur of standard deviation 1, to 1e-5; SciPy's takes longer to import."""
    return np.asarray(np.interp(x, _AT, _RISEN))


def _orthonormal(bases: FloatArray) -> FloatArray:
    """The bases (n, k, j) with unit vectors square to one another, by Gram matrices: faster than many small QRs."""
    turn = np.linalg.inv(np.linalg.cholesky(bases.transpose(0, 2, 1) @ bases))
    return np.asarray(bases @ turn.transpose(0, 2, 1))


@lru_cache(maxsize=1)
def _bank() -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Profiles that a line gives and ones that a plain edge gives, as orthonormal bases (n, k, 5) and (m, k, 4).

    On either side the tone may change steadily, as in a heat-affected zone.

    Between them the (n, 3) place, blur and width of each line; last the k offsets. All in standard deviations of
    the blur.
    """
    x = np.arange(-_HALF, _HALF + _STEP / 2, _STEP)
    lines, plain, told = [], [], []
    for blur in _SOFTER:
        for at in _PLACES:
            sides = [np.maximum(x - at, 0.0), np.maximum(at - x, 0.0)]
            base = [np.ones_like(x), _risen((x - at) / blur), *sides]
            plain.append(np.column_stack(base))
            for width in _WIDTHS:
                line = _risen((x - at + width / 2) / blur) - _risen((x - at - width / 2) / blur)
                lines.append(np.column_stack([*base, line]))
                told.append((at, blur, width))
    return _orthonormal(np.stack(lines)), np.asarray(told), _orthonormal(np.stack(plain)), x


def _unexplained(bases: FloatArray, profiles: FloatArray) -> FloatArray:
    """Square error (m, n) that each of n bases (n, k, j) leaves of each of m profiles (m, k)."""
    n, k, j = bases.shape
    parts = (profiles @ bases.transpose(1, 2, 0).reshape(k, j * n)).reshape(-1, j, n)
    return np.asarray((profiles**2).sum(axis=1)[:, None] - np.einsum("mjn,mjn->mn", parts, parts))


def line_middles(profiles: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Where the middle of a line lies on each profile (m, k), and whether one is seen; (m,) each.

    Offsets as in the bank, in standard deviations of the blur.
    """
    lines, told, plain, x = _bank()
    centred = profiles - profiles.mean(axis=1, keepdims=True)
    left = _unexplained(lines, centred)
    best = left.argmin(axis=1)
    rows = np.arange(len(profiles))
    # Bases come by blur, place, width: the least error at each place tells where between two places the middle is.
    at_place = left.reshape(len(left), len(_SOFTER), len(_PLACES), len(_WIDTHS)).min(axis=(1, 3))
    middle = peaks(-at_place, _PLACES)[0]
    line = told[best]
    after, before = _past(profiles, line, x), _past(profiles[:, ::-1], line * [-1.0, 1.0, 1.0], x)
    lower, upper = np.minimum(before, after), np.maximum(before, after)
    about = np.where(np.abs(x[None] - middle[:, None]) < 3.0, profiles, np.nan)
    below, above = lower - np.nanmin(about, axis=1), np.nanmax(about, axis=1) - upper
    most, least = np.maximum(below, above), np.minimum(below, above)
    explained = left[rows, best] < _LEFT * _unexplained(plain, centred).min(axis=1)
    inside = np.abs(told[best, 0]) < _PLACES[-1] - 1e-9
    return middle, explained & inside & (most > _CLEAR) & (most > _ONE_SIDED * least)


def _past(profiles: FloatArray, lines: FloatArray, x: FloatArray) -> FloatArray:
    """The tone (m,) just past each line (place, blur, width), towards growing offsets."""
    index = np.searchsorted(x, lines[:, 0] + lines[:, 2] / 2 + 2.0 * lines[:, 1])
    near = np.clip(index, 0, len(x) - 3)[:, None] + np.arange(3)
    return np.asarray(np.take_along_axis(profiles, near, axis=1).mean(axis=1))


def _profiles(grey: FloatArray, window: int) -> tuple[FloatArray, FloatArray]:
    """Trimmed means (m, k) over half-overlapping windows of stations of (n, k) values, and their middles (m,)."""
    starts = np.arange(0, max(len(grey) - window, 0) + 1, max(window // 2, 1))
    cut = int(_TRIM * window)
    means = [np.sort(grey[s : s + window], axis=0)[cut : window - cut].mean(axis=0) for s in starts]
    return np.asarray(means), np.asarray(starts + 0.5 * (window - 1), np.float64)


def _agreeing(middle: FloatArray, seen: BoolArray) -> FloatArray:
    """What share of the windows up to two from each one (m,) sees a line, where it sees one that lies as theirs do.

    0 where it does not, or where fewer than three see one.
    """
    share = np.zeros(len(seen))
    for i in np.flatnonzero(seen):
        near = slice(max(i - 2, 0), i + 3)
        theirs = middle[near][seen[near]]
        if len(theirs) >= _FEWEST and abs(middle[i] - np.median(theirs)) < _AGREED:
            share[i] = seen[near].mean()
    return share


def on_etched_line(photo: Photo, boundary: Boundary, *, edge_width: float, scale: float) -> Boundary:
    """Return the boundary laid on the middle of the line that the photo shows along it, where it shows one.

    `edge_width`: how wide the photo shows a sharp edge, px. `scale`: photo px per map px. What a hint fixed stays.
    """
    blur = float(np.clip(edge_width / _EDGE, *_BLUR))
    x = _bank()[3] * blur
    points, u = boundary.points, boundary.u
    for _ in range(_TURNS):
        base = resample(points, 1.0)
        window = int(max(_WINDOW * blur, _SHARE * len(base)))
        if len(base) < 2 * window:
            break
        normal = normals_of(base, 4.0 * scale)
        means, at = _profiles(Band(base, normal, x).grey(photo.grey), window)
        middle, seen = line_middles(means)
        share = _agreeing(middle, seen)
        if not share.any():
            break
        place = arc(points)
        place *= (len(base) - 1) / place[-1]
        shift = np.interp(place, at, np.where(share > 0, middle * blur, 0.0))
        sure = np.interp(place, at, (share > _MOST).astype(np.float64)) > 0.5
        u = np.where(sure, np.minimum(boundary.u, max(_SURE * scale, _SURE_PX)), boundary.u)
        way = np.column_stack([np.interp(place, np.arange(len(base)), normal[:, j]) for j in (0, 1)])
        points = points + np.where(boundary.pinned, 0.0, shift)[:, None] * way
    return replace(boundary, points=points, u=u)
