"""The crevice under weld metal that overhangs a member: the face is followed into it, on the photo, to its tip.

The maps and a smooth path close a narrow wedge of air; where it is narrower than the photo's blur no one sees it,
so its last stretch is drawn out straight.
"""

from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.band import Band, across, along, best_path, normals_of
from macrocheck.segment.face import AirLine
from macrocheck.segment.foot import read_foot
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import sample
from macrocheck.segment.toes import Toe
from macrocheck.segment.tone import telling_tone

_PART = 0.35
"""Part of the face from the toe on in which an overhang is looked for."""
_OVERHANG, _OVERHANG_PX = 1.0, 1.5
"""Map px and px that the face stands out over its own foot at least."""
_HIGH = 3.0
"""Map px over the surface at which it stands out furthest, at least: less is a rounded corner."""
_LEANS, _DEEPEST = 0.2, 3.5
"""Part of that height that it stands out over its foot at least, as a steep face does not; and how far in under it
the crevice goes at most, in what it stands out: past that it is a grain's edge. Estimates: of 13 overhanging toes
measured again with them one is no longer followed."""
_TOP = 0.8
"""Part of that height up to which the face is read again: there the path is trusted."""
_STEP = 0.5
"""Px from row to row and from station to station."""
_INWARDS = 2.2
"""Heights of the overhang over which the face is looked for in under it."""
_DOWN = np.deg2rad(35.0)
"""The underside faces the air outwards and so much down: the plate's own edge, which faces up, is none."""
_NARROW, _NARROW_PX = 0.7, 1.0
"""Widths of the photo's edges, and px, that a crevice is high where its two sides are told apart."""
_LAST, _LAST_PX, _LEAST_PX, _CURLS = 3.0, 5.0, 3.0, 0.4
"""Map px and px of height over which its last course is taken, px at least, and of the overhang's at most."""
_FAINT = 0.3
"""Part of the face's usual contrast under which its side is not seen."""
_READ = 0.7
"""Part of the rows of the last course in which it has to be seen."""
_ROUGH, _SHALLOW, _DEEP = 0.4, 1.8, 0.3
"""Standard error of the toe: widths of the photo's edges at least, and the more of them the more widths go into the
height of the overhang; where no crevice could be followed, in heights of the overhang (measured on 41 overhanging
toes of rendered sections)."""
_BACK = 1.0
"""Map px that the foot may come out further than before: more and it is something else."""


@dataclass(frozen=True, eq=False)
class _Overhang:
    """Face of one side, from its toe: `s` px along the surface outwards and `h` px over it, of each point.

    `tip`: index of the point furthest out. `line`: the surface; `out`: its unit normal to the air.
    """

    s: FloatArray
    h: FloatArray
    tip: int
    line: Line
    out: FloatArray

    def at(self, s: FloatArray, h: FloatArray) -> FloatArray:
        """Photo px (n, 2) of places along and over the surface."""
        return np.asarray(self.line.point + s[:, None] * self.line.direction + h[:, None] * self.out)


@dataclass(frozen=True, eq=False)
class Crevice:
    """What an overhang makes of its toe: the tip of the crevice, or None where none is seen.

    `doubt`: further standard error along its surface, px, of a toe found without the tip.
    """

    tip: Toe | None
    doubt: float

    def toe(self, otherwise: Toe) -> Toe:
        """The toe at the tip of the crevice; `otherwise` the one that was found without it, as unsure as that."""
        return otherwise.widened(self.doubt) if self.tip is None else self.tip


def with_crevices(
    photo: Photo,
    air: AirLine,
    lines: tuple[Line | None, Line | None],
    inward: tuple[FloatArray | None, FloatArray | None],
    scale: float,
) -> tuple[AirLine, tuple[Crevice | None, Crevice | None]]:
    """Return the face followed into the crevices at its two toes, and these; None where nothing overhangs.

    `air`: from the butting toe to the nonbutting one. `lines`: the surface at each toe, pointing outwards, and
    `inward` its unit normal into the member; None where the toe stays as it is. `scale`: photo px in a map px.
    """
    found: list[Crevice | None] = [None, None]
    for k, (line, into) in enumerate(zip(lines, inward, strict=True)):
        if line is None or into is None:
            continue
        forwards = air if k == 0 else air.taken(slice(None, None, -1))
        hang = _overhang(forwards, line, -into, scale)
        followed = None if hang is None else _followed(photo, forwards, hang, scale)
        high = 0.0 if hang is None else float(hang.h[hang.tip])
        if followed is None:
            # The traced face closes the wedge: rows along the surface may show it.
            read = read_foot(photo, forwards, line, -into, scale)
            if read is not None:
                followed, high = _by_rows(photo, read[0], line, -into, scale), max(high, read[1])
        if high > 0.0:
            found[k] = Crevice(None, _DEEP * high)
        if followed is not None:
            forwards, tip = followed
            air = forwards if k == 0 else forwards.taken(slice(None, None, -1))
            found[k] = Crevice(tip, 0.0)
    return air, (found[0], found[1])


def _overhang(air: AirLine, line: Line, out: FloatArray, scale: float) -> _Overhang | None:
    near = max(int(_PART * len(air.points)), 2)
    points = air.points[:near]
    s, h = line.station(points), (points - line.point) @ out
    tip = int(np.argmax(s))
    stands = float(s[tip] - s[: tip + 1].min()) if tip else 0.0
    if stands < max(_OVERHANG * scale, _OVERHANG_PX, _LEANS * h[tip]) or h[tip] < _HIGH * scale:
        return None
    return _Overhang(s, h, tip, line, out)


def _by_rows(
    photo: Photo, read: AirLine | None, line: Line, out: FloatArray, scale: float
) -> tuple[AirLine, Toe] | None:
    hang = None if read is None else _overhang(read, line, out, scale)
    return None if read is None or hang is None else _followed(photo, read, hang, scale)


def _followed(photo: Photo, air: AirLine, hang: _Overhang, scale: float) -> tuple[AirLine, Toe] | None:
    """The face, which begins at the toe, followed into the crevice, and its tip; None where none is seen."""
    tones = _beside(photo, air, hang, scale)
    if tones is None:
        return None
    top = _TOP * float(hang.h[hang.tip])
    heights = np.arange(0.0, top, _STEP)
    outermost = float(hang.s[hang.tip]) + 2.0 * scale
    stations = np.arange(outermost - _INWARDS * float(hang.h[hang.tip]) - 4.0 * scale, outermost, _STEP)
    strength = _undersides(tones, hang, heights, stations)
    # Down from where the path is trusted.
    start = float(np.interp(top, hang.h[: hang.tip + 1], hang.s[: hang.tip + 1]))
    cost = -5.0 * np.clip(strength[::-1], 0.0, 1.0)
    cost[0] += ((stations - start) / (0.7 * scale)) ** 2
    path = best_path(cost, stiffness=0.05, reach=4)[::-1]
    shown = strength[np.arange(len(heights)), path] > _FAINT
    s = along(stations[path][:, None], 1.5)[:, 0]
    low = max(_NARROW * air.blur, _NARROW_PX)
    # Near its tip only: the underside of a bulge turns under all the way.
    reach = float(np.clip(_CURLS * (hang.h[hang.tip] - low), _LEAST_PX, max(_LAST * scale, _LAST_PX)))
    near = (heights > low) & (heights < low + reach)
    if near.sum() < 5 or shown[near].mean() < _READ:
        return None
    lean, foot = (float(v) for v in np.polyfit(heights[near & shown], s[near & shown], 1))
    stands = float(hang.s[hang.tip] - hang.s[0])
    if lean <= 0 or not hang.s[0] - _DEEPEST * stands < foot < hang.s[0] + _BACK * scale:
        return None
    angle = float(np.arctan2(1.0, lean))
    doubt = air.blur * max(_ROUGH, _SHALLOW * air.blur / float(hang.h[hang.tip]))
    by_surface = hang.line.u_at(foot) / np.sin(angle)
    tip = Toe(
        hang.line.point + foot * hang.line.direction,
        float(np.hypot(doubt, by_surface)),
        angle,
        u_surface=float(by_surface),
    )
    return _joined(air, hang, (s, heights), (foot, lean), low), tip


def _undersides(
    tones: tuple[ByteArray, float, float], hang: _Overhang, heights: FloatArray, stations: FloatArray
) -> FloatArray:
    """How clearly metal gives way to air outwards and down at each height and station, 1 as at the face above."""
    tone, step, sign = tones
    ss, hh = np.meshgrid(stations, heights)
    grey = sample(tone, hang.at(ss.ravel(), hh.ravel())).reshape(ss.shape)
    grey = across(along(grey, 1.0), 1.5)
    to_air = sign * (np.cos(_DOWN) * np.gradient(grey, axis=1) - np.sin(_DOWN) * np.gradient(grey, axis=0))
    return np.asarray(np.clip(to_air, 0.0, None) / (_STEP * step))


def _beside(photo: Photo, air: AirLine, hang: _Overhang, scale: float) -> tuple[ByteArray, float, float] | None:
    """The tone that tells metal from air about the overhang, its slope there, levels a px, and the slope's sign."""
    first = int(np.argmax(hang.h >= 0.5 * hang.h[hang.tip]))
    stretch = air.points[first : hang.tip + max(hang.tip - first, 8)]
    if len(stretch) < 5:
        return None
    normal = normals_of(stretch, 2.0)
    if (normal @ hang.line.direction).mean() < 0:
        normal = -normal
    offsets = np.arange(1.5, 4.1, 0.5) * scale + 1.0
    outside = stretch[:, None] + offsets[None, :, None] * normal[:, None]
    inside = stretch[:, None] - offsets[None, :, None] * normal[:, None]
    tone = telling_tone(photo, inside, outside)
    band = Band(stretch, normal, np.arange(-3.0 * scale - 1.5, 3.0 * scale + 1.6, _STEP))
    slope = np.median(np.gradient(across(along(band.grey(tone), 1.0), 1.5), axis=1), axis=0) / _STEP
    steepest = float(slope[int(np.argmax(np.abs(slope)))])
    return (tone, abs(steepest), float(np.sign(steepest))) if abs(steepest) > 0.5 else None


def _joined(
    air: AirLine,
    hang: _Overhang,
    traced: tuple[FloatArray, FloatArray],
    last: tuple[float, float],
    low: float,
) -> AirLine:
    """The face with what was traced in the crevice, and under `low` px the straight last stretch, set in."""
    s, h = traced
    seen = h > low
    top = float(h[seen].max()) if seen.any() else low
    foot, lean = last
    under = np.arange(0.0, low, _STEP)
    s_all = np.concatenate([foot + lean * under, s[seen]])
    h_all = np.concatenate([under, h[seen]])
    order = np.argsort(h_all, kind="stable")
    new = hang.at(s_all[order], h_all[order])
    above = np.flatnonzero(hang.h[: hang.tip + 1] <= top)
    cut = int(above[-1]) + 1 if len(above) else 0
    about = slice(cut, max(hang.tip + 1, cut + 1))
    return air.taken(slice(cut, None)).begun(new, float(air.u[about].mean()), float(air.width[about].mean()))
