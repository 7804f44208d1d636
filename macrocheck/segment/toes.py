"""Toes: where the weld face meets a member's original surface, to sub-pixel."""

from dataclasses import dataclass, replace

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.segment.chains import arc
from macrocheck.segment.face import AirLine
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import WELD, RegionMaps, sample

_STATED = 2.2
"""Map px: standard error of where the network's weld metal ends along the surface."""
_HEAT = 2.0
"""Map px: standard error of the toe's heat map."""


_LOST = 4.0
"""Map px: standard error of a toe whose surface is not seen (measured on 20 of rendered sections: 2 at the median,
up to 20 beside a groove or where the plate's edge is melted off)."""
_LEAST = 0.2
"""Photo px: no toe is surer than this along its surface; blur rounds the corner (measured on rendered sections)."""


_TORN = 0.4
"""What of the votes' disagreement beyond what they claim is added to their joint standard error (fitted to 529 toes
of rendered sections)."""
_BLIND = 0.21
"""Standard error of a toe's place for each px that the face is followed blindly (fitted to rendered sections)."""


_FLAT = np.deg2rad(20.0)
"""A face that comes in flatter than this ends in a rim too thin to be seen to its end."""
_THIN = ((3.0, 5.0, 8.0, 12.0), (0.6, 1.4, 1.4, 0.6))
"""Degrees between face and surface, and map px: standard error of the rim's thickness where it is last seen (fitted
to the toes of 91 rendered beads)."""


_CORNER = np.deg2rad(28.0)
"""A face that meets the surface more steeply than this has a corner there, not a rim that thins out."""


@dataclass(frozen=True, eq=False)
class Toe:
    """`point` photo px; `u` along the surface, px; `angle` between face and surface there, rad.

    `u_surface`: what of `u` is the surface's own error, px, which moves the toe with it.
    """

    point: FloatArray
    u: float
    angle: float
    agrees: bool = True
    u_surface: float = 0.0

    @property
    def u_own(self) -> float:
        """What of `u` is not the surface's own error, px."""
        return float(np.sqrt(max(self.u**2 - self.u_surface**2, min(self.u, _LEAST) ** 2)))

    def adrift(self, scale: float) -> "Toe":
        """The toe where the member's own edge is melted off: how far the weld metal goes is left open."""
        return self.widened(_LOST * scale)

    def widened(self, doubt: float) -> "Toe":
        """The toe with a further standard error along its surface, px."""
        return replace(self, u=float(np.hypot(self.u, doubt)))


def _heat(maps: RegionMaps, layer: int, near: FloatArray) -> tuple[FloatArray, float] | None:
    """Sub-pixel peak of a heat map within reach of a map point, and its height."""
    h, w = maps.shape
    x, y = (round(float(v)) for v in near)
    r = 14
    x0, x1, y0, y1 = max(x - r, 0), min(x + r + 1, w), max(y - r, 0), min(y + r + 1, h)
    part = maps.points[layer, y0:y1, x0:x1].astype(np.float64)
    if part.size == 0 or part.max() < 0.25:
        return None
    weight = np.clip(part - 0.5 * part.max(), 0, None)
    ys, xs = np.mgrid[y0:y1, x0:x1]
    centre = np.array([(weight * xs).sum(), (weight * ys).sum()]) / weight.sum()
    return maps.photo_points(centre[None])[0], float(part.max())


def _stated_end(maps: RegionMaps, line: Line, toe: FloatArray, inward: FloatArray) -> float | None:
    """Station along the surface where weld metal gives way to the member, just under the surface."""
    reach = 9.0 * maps.scale
    s = float(line.station(toe[None])[0]) + np.arange(-reach, reach, 0.5 * maps.scale)
    base = line.point + s[:, None] * line.direction
    found = []
    for depth in (1.0, 2.0):
        at = maps.map_points(base + depth * maps.scale * inward)
        weld = sample(maps.regions[WELD], at)
        metal = sample(maps.regions[2], at) + sample(maps.regions[3], at)
        share = weld / np.maximum(weld + metal, 0.05)
        # Going out from the weld: the last place where weld metal still leads.
        if share[0] < 0.5 or share[-1] > 0.5:
            continue
        i = int(np.flatnonzero(share < 0.5)[0])
        t = (share[i - 1] - 0.5) / max(share[i - 1] - share[i], 1e-6)
        found.append(float(s[i - 1] + t * (s[i] - s[i - 1])))
    return float(np.mean(found)) if found else None


def _blurred(scale: float) -> float:
    """Height over the surface, px, under which the corner of the toe is rounded by blur."""
    return 0.5 * scale + 1.2


def _meeting(air: AirLine, line: Line, scale: float, *, at_start: bool) -> tuple[FloatArray, float] | None:
    """Where the face, extended by its own slope, meets the surface: (point, angle between the two)."""
    points = air.points if at_start else air.points[::-1]
    away = arc(points)
    height = np.abs(line.distance(points))
    # The corner itself is rounded by blur: use the face from a little above the surface on.
    low = _blurred(scale)
    start = np.flatnonzero(height > low)
    if not len(start):
        return None
    i = int(start[0])
    length = max(8.0 * scale, 0.05 * away[-1])
    part = points[(away >= away[i]) & (away <= away[i] + length)]
    if len(part) < 5 or away[i] > 0.35 * away[-1]:
        return None
    s, v = line.station(part), line.distance(part)
    # The face bends: a parabola through the stretch, followed down to the surface, if it bends gently.
    t = np.hypot(s - s[0], v - v[0])
    ks, kv = np.polyfit(t, s, 2), np.polyfit(t, v, 2)
    slope = np.array([ks[1], kv[1]])
    steep = abs(slope[1]) / max(float(np.hypot(*slope)), 1e-9)
    roots = np.roots(kv)
    real = roots[np.abs(roots.imag) < 1e-6].real
    furthest = -min(3.0 * low / max(steep, 0.05), 0.2 * away[-1])
    real = real[(real < 0.3 * length) & (real > furthest)]
    if len(real):
        at = float(real[np.argmin(np.abs(real))])
    elif abs(kv[1]) > 1e-3:
        at = float(np.clip(-kv[2] / kv[1], furthest, 0.3 * length))
    else:
        return None
    station = float(np.polyval(ks, at))
    return line.point + station * line.direction, float(np.arcsin(np.clip(steep, 0, 1)))


def _disagreement(at: FloatArray, weight: FloatArray) -> float:
    """How far the network's votes lie from the face's, the first, beyond what they claim to be unsure by, px."""
    others = float((weight[1:] * at[1:]).sum() / weight[1:].sum())
    return max(abs(others - float(at[0])) - float(1 / np.sqrt(weight[1:].sum())), 0.0)


def find_toe(
    maps: RegionMaps,
    air: AirLine,
    line: Line | None,
    *,
    layer: int,
    inward: FloatArray | None,
    at_start: bool,
    pin: FloatArray | None = None,
) -> Toe:
    """Join what the face's slope, the regions and the heat map say of a toe.

    `air`: the face. `line`: the member's surface, `inward` its unit normal into the member; None where it is
    missing. `pin`: a hint within reach.
    """
    scale = maps.scale
    rough = air.points[0] if at_start else air.points[-1]
    if pin is not None:
        return Toe(pin, 0.8 * scale, np.deg2rad(45))
    if line is None or inward is None:
        return Toe(rough, _LOST * scale, np.deg2rad(45))
    votes: list[tuple[float, float]] = []
    apart = by_surface = 0.0
    angle = np.deg2rad(45)
    met = _meeting(air, line, scale, at_start=at_start)
    near = float(line.station(rough[None])[0])
    if met is not None:
        point, angle = met
        station = float(line.station(point[None])[0])
        u_line = line.u_at(station)
        u_face = float((air.u[:20] if at_start else air.u[-20:]).mean())
        # The last stretch is extrapolated, the longer the flatter the face comes in.
        blind = _blurred(scale) / max(np.tan(angle), 0.05)
        u = np.hypot(np.hypot(u_line, u_face) / max(np.sin(angle), 0.05), _BLIND * (blind + 0.2 * scale))
        far = abs(station - near) - (10 * scale + 2.0 * blind)
        if far > 0 and angle > _CORNER:
            # What lies flush with the surface beyond a distinct corner is the member, whatever the network says.
            rough, near, far = point, station, 0.25 * far
        if far < 12 * scale:
            # Far from where the network's weld metal ends, either may be wrong.
            votes.append((station, float(np.hypot(u, max(far, 0.0)))))
            by_surface = u_line / max(np.sin(angle), 0.05) / votes[0][1] ** 2
            apart = max(far, 0.0)
    by_face = bool(votes)
    stated = _stated_end(maps, line, rough, inward)
    if stated is not None:
        # A thin rim of weld metal is lost to the network before it ends.
        votes.append((stated, float(np.hypot(_STATED, 1.0 / max(np.tan(angle), 0.1)) * scale)))
    heat = _heat(maps, layer, maps.map_points(rough[None])[0])
    if heat is not None:
        votes.append((float(line.station(heat[0][None])[0]), _HEAT * scale / max(heat[1], 0.3)))
    if not votes:
        votes.append((near, 2.5 * scale))
    at, u = np.array(votes).T
    weight = 1 / u**2
    station = float((weight * at).sum() / weight.sum())
    chi = float((weight * (at - station) ** 2).sum() / max(len(at) - 1, 1))
    spread = float(1 / np.sqrt(weight.sum()))
    if by_face and len(at) > 1 and u[0] < u[-1]:
        spread = float(np.hypot(spread, _TORN * _disagreement(at, weight)))
    else:
        # Votes that disagree more than they claim leave the toe as unsure as they are apart.
        spread *= float(np.sqrt(max(1.0, chi)))
    lost = 0.5 * apart
    if angle < _FLAT:
        # Weld metal thinner than a map px or two is lost to network and eye alike before it ends.
        thin = float(np.interp(np.rad2deg(angle), *_THIN)) * scale
        lost = max(lost, thin / np.tan(max(angle, np.deg2rad(1.5))))
        apart = max(apart, 2.0 * lost)
    base = line.point + station * line.direction
    u = float(np.hypot(np.hypot(spread, _LEAST), lost))
    return Toe(base, u, float(angle), chi < 9.0 and apart < 10.0 * scale, by_surface / float(weight.sum()))
