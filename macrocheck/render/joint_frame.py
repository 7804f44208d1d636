"""A weld seen from its own joint root: the curves every quantity is defined on.

All in mm in the weld's own joint frame (root at the origin, x along the nonbutting surface) unless said otherwise.
"""

from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.render.deposit import band_width
from macrocheck.render.section import Section, WeldGeometry

UNMELTED_EDGE_MM = 0.5  # shortest stretch of a lap's end face that shows where it was
_STATION_MM = 0.004
_FLAT_MM = 1e-3


@dataclass(frozen=True, slots=True)
class OwnFrame:
    """One weld in its own joint frame (mm): root at the origin, x along the nonbutting surface.

    `face` (n, 2) butting to nonbutting toe, `fusion` (m, 2) back, `along_butting`: unit vector of the butting
    surface away from the root, `inward`: unit normal of it into the butting member.
    """

    face: FloatArray
    fusion: FloatArray
    split: int
    along_butting: FloatArray
    inward: FloatArray
    psi: float

    @property
    def polygon(self) -> FloatArray:
        """Closed outline of the weld metal."""
        return np.vstack([self.face, self.fusion[1:-1]])


def own_frame(weld: WeldGeometry) -> OwnFrame:
    """Map a weld back into its own joint frame."""
    turn = np.linalg.inv(weld.frame[:, :2])
    face = (weld.face - weld.frame[:, 2]) @ turn.T
    fusion = (weld.fusion - weld.frame[:, 2]) @ turn.T
    a = np.deg2rad(weld.psi)
    return OwnFrame(
        face,
        fusion,
        weld.split,
        np.array([np.cos(a), np.sin(a)]),
        np.array([-np.sin(a), np.cos(a)]),
        weld.psi,
    )


def _edge_length(section: Section) -> float:
    return section.spec.thickness_butting / float(np.sin(np.deg2rad(section.spec.psi)))


def end_face_lost(section: Section) -> bool:
    """Whether no stretch of a lap's end face of 0.5 mm or more is left unmelted."""
    if section.spec.joint != "lap":
        return False
    own, edge = own_frame(section.welds[0]), _edge_length(section)
    toe = float(own.face[0] @ own.along_butting)
    beyond = edge - toe if section.welds[0].spec.top_melt == 0 else 0.0
    s, d = depth_along(own, butting=True, leg=min(toe, edge), gap=section.spec.gap)
    flat = [b - a for a, b in spans_below(s, d, _FLAT_MM)]
    return max([beyond, *flat]) < UNMELTED_EDGE_MM


def depth_along(own: OwnFrame, *, butting: bool, leg: float, gap: float = 0.0) -> tuple[FloatArray, FloatArray]:
    """Depth of fusion d(s) from the joint root to `leg`: stations s and depths, mm.

    Over a root `gap` there is no butting member yet; there d(s) is how far weld metal reaches into the gap.
    """
    stations = np.linspace(0, leg, max(int(np.ceil(leg / _STATION_MM)), 8) + 1)
    if not butting:
        part = own.fusion[: own.split + 1][::-1]
        return stations, _deepest(part[:, 0], -part[:, 1], stations)
    corner = own.along_butting * (gap / own.along_butting[1])
    member = _below(own, corner, own.fusion[own.split + 1 if gap > 0 else _root_vertex(own) :], stations)
    if gap <= 0:
        return stations, member
    opening = _below(own, np.zeros(2), own.fusion[_root_vertex(own) :], stations)
    return stations, np.where(stations < np.hypot(*corner), opening, member)


def _below(own: OwnFrame, corner: FloatArray, part: FloatArray, stations: FloatArray) -> FloatArray:
    """Depth under the butting surface of a boundary `part` that starts on the line through `corner` along x."""
    if len(part) and (part[0] - corner) @ own.inward > 0:
        # on an obtuse side the member's underside bounds it between its corner and the weld root
        part = np.vstack([corner, part])
    return _deepest(part @ own.along_butting, part @ own.inward, stations)


def _deepest(s: FloatArray, d: FloatArray, stations: FloatArray) -> FloatArray:
    """Depth of a polyline (s, d) at the stations, at least 0: how far weld metal reaches down from the surface.

    Where it doubles back, so that the member itself lies between the surface and what is melted deeper, weld metal
    only lies on the surface there and the depth is 0; where melted metal overhangs, its first end counts.
    """
    nearest = np.full(len(stations), np.inf)
    crossings = np.zeros(len(stations), dtype=np.intp)
    for i in range(len(s) - 1):
        low, high = sorted((s[i], s[i + 1]))
        if high - low < 1e-12:
            continue
        # Half open, so that a vertex on a station counts once.
        j, k = np.searchsorted(stations, low, "left"), np.searchsorted(stations, high, "left")
        if k <= j:
            continue
        t = (stations[j:k] - s[i]) / (s[i + 1] - s[i])
        at = d[i] + t * (d[i + 1] - d[i])
        under = at > 1e-9
        crossings[j:k] += under
        nearest[j:k] = np.where(under, np.minimum(nearest[j:k], at), nearest[j:k])
    return np.where(crossings % 2 == 1, nearest, 0.0)


def _root_vertex(own: OwnFrame) -> int:
    """Index in `fusion` of the vertex furthest along the faying surface, where the butting member's part begins."""
    part = own.fusion[: own.split + 1]
    on_line = np.flatnonzero(np.abs(part[:, 1]) < 1e-9)
    behind = on_line[part[on_line, 0] <= 1e-9] if len(on_line) else on_line
    return int(behind[np.argmin(part[behind, 0])]) if len(behind) else own.split


def spans_below(s: FloatArray, d: FloatArray, threshold: float) -> list[tuple[float, float]]:
    """Intervals of s where d, linear between stations, is under the threshold."""
    below = d < threshold
    edges = np.flatnonzero(np.diff(below.astype(int)))
    cuts = [float(s[i] + (threshold - d[i]) / (d[i + 1] - d[i]) * (s[i + 1] - s[i])) for i in edges]
    if below[0]:
        cuts.insert(0, float(s[0]))
    if below[-1]:
        cuts.append(float(s[-1]))
    return [(a, b) for a, b in zip(cuts[::2], cuts[1::2], strict=True) if b - a > 1e-9]


def distance_to_line(point: FloatArray, line: FloatArray) -> float:
    """Distance of a point (2,) from a polyline (n, 2)."""
    a, d = line[:-1], np.diff(line, axis=0)
    t = np.clip(((point - a) * d).sum(axis=1) / np.maximum((d * d).sum(axis=1), 1e-18), 0, 1)
    return float(np.hypot(*(a + t[:, None] * d - point).T).min())


def weld_root(own: OwnFrame, gap: float = 0.0) -> tuple[FloatArray, float, float]:
    """Weld root, root penetration and root shortfall; in a root `gap` the furthest of the weld metal counts."""
    from shapely import make_valid
    from shapely.geometry import Point, Polygon, box
    from shapely.ops import nearest_points

    metal = make_valid(Polygon(own.polygon))
    origin = Point(0, 0)
    distance = float(metal.distance(origin))
    if distance > 1e-6:
        near = nearest_points(metal, origin)[0]
        return np.array([near.x, near.y]), 0.0, distance
    behind = box(-1e3, 0, 1e-6, gap).intersection(metal.buffer(1e-7))
    reach = 0.0
    for part in getattr(behind, "geoms", [behind]):
        if not part.is_empty and (gap > 0 or part.distance(origin) < 1e-5):
            reach = max(reach, -float(part.bounds[0]))
    reach = 0.0 if reach < 1e-6 else reach
    return np.array([-reach, 0.0]), reach, 0.0


def butting_beyond_toe(section: Section, number: int) -> FloatArray:
    """Unit vector of the butting member's surface beyond its toe: a lap's top where its edge is melted away."""
    if section.spec.joint == "lap" and (section.welds[number].spec.top_melt > 0 or end_face_lost(section)):
        return np.array([-1.0, 0.0])
    return own_frame(section.welds[number]).along_butting


def haz_edge(section: Section, number: int, *, butting: bool) -> FloatArray | None:
    """Outer edge of the heat-affected band in a member, (k, 2) section mm; None without one."""
    weld = section.welds[number]
    if (weld.spec.haz_butting if butting else weld.spec.haz_nonbutting) <= 0:
        return None
    line = weld.fusion
    length = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    part = length / length[-1]
    even = np.linspace(0, length[-1], 400)
    smooth = np.column_stack([np.interp(even, length, line[:, 0]), np.interp(even, length, line[:, 1])])
    tangent = np.gradient(smooth, axis=0)
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    normal /= np.maximum(np.hypot(*normal.T), 1e-12)[:, None]
    if np.linalg.det(weld.frame[:, :2]) > 0:
        normal = -normal
    at_split = part[weld.split] * 399
    own = slice(int(np.ceil(at_split)), None) if butting else slice(0, int(at_split) + 1)
    width = band_width(section, number, even / length[-1], butting=butting)
    edge = smooth + normal * width[:, None]
    from shapely import contains_xy, distance, make_valid, points
    from shapely.geometry import LineString, Polygon

    # an offset curve crosses itself in hollows; what lies nearer than its width to the boundary is not the edge
    fusion = LineString(line)
    keep = distance(points(edge), fusion) > 0.97 * width
    chosen = np.zeros(len(edge), bool)
    chosen[own] = True
    member = section.butting if butting else section.nonbutting
    if member is not None:
        metal = make_valid(Polygon(member)).buffer(0.02)
        keep &= np.asarray(contains_xy(metal, edge[:, 0], edge[:, 1]))
    out = edge[keep & chosen]
    return out if len(out) > 1 else None
