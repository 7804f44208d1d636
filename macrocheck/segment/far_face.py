"""The plates' other faces, seen anywhere in the picture: a plate's two faces are parallel.

They tell how a surface runs of which little is seen beside the weld.
"""

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from macrocheck.arrays import FloatArray, IntArray
from macrocheck.photo import Photo
from macrocheck.segment.chains import resample, smooth_open, stretches
from macrocheck.segment.directions import off_parallel, turned_by
from macrocheck.segment.lines import Line, fit_line, turn_between
from macrocheck.segment.map_edge import air_side, on_border
from macrocheck.segment.maps import BACKGROUND, WELD, RegionMaps
from macrocheck.segment.surface_line import line_on

_FLOOR, _WOBBLE, _STRAIGHT = 0.35, 0.35, 0.8
"""Map px that an edge and its ends, seen in coarse maps, are no surer than, and rms that it may stray by."""
_CORNER, _SHORTEST, _TRIM = 1.5, 24, 3
"""Map px that an outline may stray from the chord of a stretch without corner, least length of an edge, and what
of its ends belongs to the corners."""
_CLEAR = 3
"""Map px from the maps' border and from weld metal within which an outline is no plate's edge."""
_NEAR, _FAR = 0.1, 6.0
"""Thinnest and thickest plate that is thought of, in parts of the toe-to-toe distance."""
_OPEN = 20.0
"""Degrees that the other face may be off the surface's own stretch."""
_ASTRAY = 60.0
"""The same where the stretch is so short that it may be a groove's wall."""
_METAL, _BESIDE = 0.9, 0.3
"""Part of the places between both faces that must be metal, and part of the other face's length over which they lie
side by side at least."""
_LITTLE, _SOME = 0.25, 0.5
"""Parts of the toe-to-toe distance under which a surface's own direction is little to go by, or may be astray."""
_SUNK = 0.05
"""Part of the toe-to-toe distance by which a surface may pass behind the toe."""
_UNSURE, _ALONG, _FEW = np.deg2rad(0.5), 10.0, 6
"""A surface whose direction is less sure than this goes by its plate's other face; degrees off that within which an
outline, and map px over which, is looked for in its place."""


@dataclass(frozen=True, eq=False)
class PlateEdge:
    """A long straight edge between metal and air.

    `line`: photo px. `out`: unit vector (2,) into the air, square to it.
    """

    line: Line
    out: FloatArray


@dataclass(frozen=True, eq=False)
class FarFaces:
    """What the maps of the whole photo show of the plates' edges."""

    maps: RegionMaps
    edges: tuple[PlateEdge, ...]

    def direction(self, surface: Line, out: FloatArray, reach: float, *, short: bool) -> Line | None:
        """The other face of the plate that a surface belongs to; None where none is seen.

        `surface`: pointing away from the joint root, photo px. `out`: (2,) into the air before it. `reach`: toe to
        toe, px. `short`: so little of it is seen that it may be something else.
        """
        best: Line | None = None
        for edge in self.edges:
            line = edge.line if edge.line.direction @ surface.direction >= 0 else edge.line.turned()
            turn = turn_between(surface.direction, line.direction)
            if abs(turn) > np.deg2rad(_ASTRAY if short else _OPEN) or edge.out @ out >= 0:
                continue
            thick = -float((line.foot(surface.point[None])[0] - surface.point) @ out)
            if not _NEAR * reach < thick < _FAR * reach:
                continue
            if best is not None and line.length <= best.length:
                continue
            if self._one_plate(line, surface.point, -edge.out, reach):
                best = line
        return best

    def _one_plate(self, face: Line, at: FloatArray, inward: FloatArray, reach: float) -> bool:
        """Whether metal lies all the way from a face to a surface at `at`, side by side with it."""
        own = float(face.station(at[None])[0])
        low, high = max(face.start, own - 0.2 * reach), min(face.end, own + 1.5 * reach)
        if high - low < _BESIDE * min(face.length, reach):
            return False
        s = np.linspace(low, high, 16)
        deep = np.linspace(0.12, 0.8, 8) * abs(float(face.distance(at[None])[0]))
        points = face.point + s[:, None, None] * face.direction + deep[None, :, None] * inward
        air = self.maps.sample(self.maps.regions[BACKGROUND], points)
        return float((air < 0.5).mean()) >= _METAL


def far_faces(maps: RegionMaps) -> FarFaces:
    """The long straight edges between metal and air in maps of the whole photo."""
    metal = (maps.regions[BACKGROUND] < 0.5).astype(np.uint8)
    size = (2 * _CLEAR + 1, 2 * _CLEAR + 1)
    blocked = cv2.dilate((maps.regions[WELD] > 0.5).astype(np.uint8), np.ones(size, np.uint8)) > 0
    blocked[:_CLEAR] = blocked[-_CLEAR:] = blocked[:, :_CLEAR] = blocked[:, -_CLEAR:] = True
    contours, _ = cv2.findContours(metal, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    edges = []
    for contour in contours:
        ring = contour[:, 0]
        free = ~blocked[ring[:, 1], ring[:, 0]]
        first = int(np.argmin(free))
        ring, free = np.roll(ring, -first, axis=0), np.roll(free, -first)
        for i, j in stretches(free, _SHORTEST):
            for k, m in pairwise(_corners(ring[i:j])):
                if m - k >= _SHORTEST and (edge := _edge(maps, ring[i + k + _TRIM : i + m - _TRIM])) is not None:
                    edges.append(edge)
    return FarFaces(maps, tuple(edges))


def _corners(chain: IntArray) -> list[int]:
    """Indices of the ends and corners of an outline (n, 2), map px."""
    kept = cv2.approxPolyDP(chain.astype(np.int32)[:, None], _CORNER, closed=False)[:, 0]
    out = [0]
    for vertex in kept[1:]:
        after = np.flatnonzero((chain[out[-1] + 1 :] == vertex).all(axis=1))
        out += [out[-1] + 1 + int(after[0])] if len(after) else []
    return out


def _edge(maps: RegionMaps, chain: IntArray) -> PlateEdge | None:
    """The straight edge along an outline (n, 2), map px; None where it is not straight."""
    points = on_border(maps, resample(smooth_open(chain.astype(np.float64), 1.5), 1.0))
    scale = maps.scale
    line = fit_line(maps.photo_points(points), floor=_FLOOR * scale, wobble=_WOBBLE * scale)
    stray = line.distance(maps.photo_points(points))
    if float(np.sqrt((stray**2).mean())) > _STRAIGHT * scale or line.bend > scale:
        return None
    return PlateEdge(line, air_side(maps, line) * line.normal)


def as_far(
    photo: Photo, maps: RegionMaps, line: Line, walk: FloatArray, far: FarFaces, reach: float
) -> Line | None:
    """A surface little of which is seen, parallel to its plate's other face; as it is where that is not seen.

    None where what was taken for it runs astray and nothing beside it does not. `walk`: the outline it was found
    on, `reach`: toe to toe, map px.
    """
    size = reach * maps.scale
    if line.u_angle < _UNSURE and line.length > _LITTLE * size:
        return line
    out = air_side(maps, line) * line.normal
    face = far.direction(line, out, size, short=line.length < _SOME * size)
    if face is None:
        return line

    def turned(own: Line) -> tuple[Line, float, bool]:
        turn, prior, odd = off_parallel(own, face)
        return turned_by(own, turn, prior, odd=False), abs(turn), odd

    told, turn, odd = turned(line)
    if turn > np.deg2rad(_ALONG) and line.length < _SOME * size:
        before = face.normal if face.normal @ out > 0 else -face.normal
        found = _outermost(walk, maps.to_map[:, :2] @ face.direction, maps.to_map[:, :2] @ before, _SUNK * reach)
        again = None if found is None else turned(line_on(photo, maps, walk, found, follow=True, short=True))
        if again is not None and not again[2]:
            return again[0]
        return None if odd or turn > np.deg2rad(_OPEN) else told
    return line if odd else told


def _outermost(walk: FloatArray, along: FloatArray, out: FloatArray, sunk: float) -> tuple[int, int] | None:
    """The stretch [i, j) of an outline from a toe on along a direction that lies furthest out; or None.

    A groove's bottom lies further in: more than `sunk` map px behind the toe. `along`, `out`: (2,), map px.
    """
    tangent = np.gradient(smooth_open(walk, 2.0), axis=0)
    tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
    on = tangent @ along > np.cos(np.deg2rad(_ALONG)) * np.hypot(*along)
    rise = (walk - walk[0]) @ out / np.hypot(*out)
    runs = [r for r in stretches(on, _FEW) if rise[r[0] : r[1]].mean() > -sunk]
    return max(runs, key=lambda r: float(rise[r[0] : r[1]].mean()), default=None)
