"""The members' original surfaces: straight lines, from the maps first, then sub-pixel on the photo."""

from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import FloatArray, Point
from macrocheck.outline import Joint
from macrocheck.photo import Photo
from macrocheck.segment.chains import resample, smooth_open
from macrocheck.segment.end_face import cavity_wall, dark_stretch, seam_stretch, squared
from macrocheck.segment.far_face import FarFaces, as_far
from macrocheck.segment.hints import Hints
from macrocheck.segment.layout import Layout
from macrocheck.segment.lines import (
    Line,
    combine,
    crossing,
    straight_stretch,
    total_least_squares,
)
from macrocheck.segment.maps import RegionMaps
from macrocheck.segment.opening import bounds_opening
from macrocheck.segment.surface_line import line_on

_SEAM_PIXELS = 270
"""The seam's pixels nearest the weld: a stretch of about 90 map px of a ridge 3 px wide."""
_LITTLE, _SOME = 0.25, 0.5
"""Parts of the toe-to-toe distance under which a surface seen beyond the toe is little to go by, or may gain."""
_TELLS = 0.7
"""Part of a short surface's length that an unfused stretch under the weld needs to overrule it."""
_ONE_SURFACE, _AT_ODDS = 12.0, 25.0
"""Misfit (chi squared, 2 degrees of freedom) up to which two stretches are one surface, from which they are not."""


@dataclass(frozen=True, eq=False)
class Surfaces:
    """Lines in photo px, each pointing from the joint root to its toe; None where nothing of one is left.

    `top`: lap only, the upper plate's top surface, pointing away from the weld. `from_seam`: the butting line was
    taken from an unfused stretch under the weld. `stated`: it was taken from the user's hint.
    """

    butting: Line | None
    nonbutting: Line | None
    top: Line | None = None
    from_seam: bool = False
    stated: bool = False


def _walk(walk: FloatArray, toe: FloatArray) -> FloatArray:
    """Outline beyond a toe, smoothed and evenly spaced by a map px."""
    if len(walk) < 6:
        return np.empty((0, 2))
    return resample(smooth_open(np.vstack([toe[None], walk]), 1.5), 1.0)


def faying_line(maps: RegionMaps, layout: Layout) -> Line | None:
    """The seam between the members behind the weld as a line, photo px; None where none is seen.

    It is the nonbutting member's own surface, going on under the butting member.
    """
    away = cv2.distanceTransform(1 - layout.weld, cv2.DIST_L2, 3)
    seam = np.where(away > 4.0, maps.seam, 0.0)
    n, labels, stats, _ = cv2.connectedComponentsWithStats((seam > 0.4).astype(np.uint8), connectivity=8)
    best: Line | None = None
    toes = layout.face[[0, -1]]
    size = float(np.sqrt(layout.weld.sum()))
    for k in range(1, n):
        if max(stats[k, cv2.CC_STAT_WIDTH], stats[k, cv2.CC_STAT_HEIGHT]) < 24:
            continue
        ys, xs = np.nonzero(labels == k)
        # The part nearest the weld: far off, another weld's seam may have joined it.
        near = away[ys, xs]
        order = np.argsort(near)[:_SEAM_PIXELS]
        points = np.column_stack([xs, ys])[order].astype(np.float64)
        # A cavity may lie between the weld and the seam.
        if near.min() > 0.45 * size:
            continue
        weight = np.asarray(seam[ys[order], xs[order]], np.float64)
        centre, d = total_least_squares(points, weight)
        off = (points - centre) @ np.array([-d[1], d[0]])
        span = float(np.ptp((points - centre) @ d))
        if span < 24 or float(np.sqrt((weight * off**2).sum() / weight.sum())) > 1.8:
            continue
        # A seam behind the root leads away from both toes.
        if np.hypot(*(points[0] - toes).T).min() < 6.0:
            continue
        scale = maps.scale
        at = maps.photo_points(np.vstack([centre, centre + d]))
        direction = (at[1] - at[0]) / np.hypot(*(at[1] - at[0]))
        line = Line(
            at[0],
            direction,
            0.6 * scale,
            float(np.hypot(1.2 / (span / 2), 0.002)),
            -span / 2 * scale,
            span / 2 * scale,
        )
        if best is None or line.length > best.length:
            best = line
    return best


def _outward(line: Line, away: FloatArray) -> Line:
    """The line turned to point along `away`."""
    if line.direction @ away >= 0:
        return line
    return line.turned()


def _exposed(
    photo: Photo, maps: RegionMaps, layout: Layout, nonbutting: Line | None
) -> tuple[Line | None, Line | None]:
    """End face and top surface of a lap's upper plate as far as they lie bare beyond the toe."""
    walk = _walk(layout.beyond_butting, layout.face[0])
    face_line = top = None
    if not len(walk) or nonbutting is None:
        return None, None
    # Map px and photo px may be turned against each other.
    along_n = maps.to_map[:, :2] @ nonbutting.direction
    along_n = along_n / np.hypot(*along_n)
    tangent = np.gradient(smooth_open(walk, 3.0), axis=0)
    tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
    flat = np.abs(tangent @ along_n) > np.cos(np.deg2rad(40))
    # The end face goes on until the outline has turned along the plate for good.
    steady = np.flatnonzero(np.convolve(flat.astype(float), np.ones(9), "valid") > 8)
    start = int(steady[0]) if len(steady) else len(walk)
    exposed = walk[: max(start - 1, 0)]
    if start >= 9 and (found := straight_stretch(exposed, tolerance=0.55, shortest=6.0)):
        face_line = line_on(photo, maps, exposed, found, follow=False, skip=1.5, short=True)
        # What stands flatter on the lower plate than this is a burr or a rounded corner, no cut edge.
        if abs(face_line.direction @ nonbutting.direction) > np.cos(np.deg2rad(50)):
            face_line = None
    rest = walk[start:]
    if len(rest) >= 10 and (found := straight_stretch(rest, tolerance=0.55, parallel_to=along_n, shortest=10.0)):
        top = line_on(photo, maps, rest, found, follow=True, skip=0.0)
    return face_line, top


def _stated(points: tuple[Point, ...], across: FloatArray) -> Line:
    """The end face through the points that a person gave, one (square to the plate, along `across`) or more."""
    edge = np.asarray(points, np.float64)
    direction = across
    if len(edge) > 1:
        _, direction = total_least_squares(edge)
    length = max(float(np.ptp(edge @ direction)), 1.0)
    u_angle = np.deg2rad(3.0) if len(edge) < 2 else min(np.deg2rad(3.0), 1.5 / length)
    return Line(edge.mean(axis=0), direction, 1.5, float(u_angle), 0.0, 0.0)


def _lap(
    photo: Photo,
    maps: RegionMaps,
    layout: Layout,
    fusion: FloatArray,
    nonbutting: Line | None,
    hints: Hints | None,
) -> Surfaces:
    face_line, top = _exposed(photo, maps, layout, nonbutting)
    if nonbutting is None:
        return Surfaces(face_line, None, top)
    from_seam = stated = False
    up = maps.photo_points(layout.face[:1])[0]
    away = (1.0 if nonbutting.distance(up[None])[0] > 0 else -1.0) * nonbutting.normal
    plate = nonbutting if top is None else top
    seam_line = seam_stretch(maps, fusion, nonbutting)
    if seam_line is not None and (face_line is None or face_line.length < 0.5 * seam_line.length):
        face_line, from_seam = seam_line, True
    given = () if hints is None else hints.edge or hints.root
    if face_line is None and given:
        face_line, stated = _stated(given, plate.normal), True
    elif face_line is None:
        face_line = cavity_wall(photo, maps, fusion, nonbutting, away, plate)
        if face_line is None:
            face_line = dark_stretch(photo, maps, fusion, nonbutting, plate)
            from_seam = face_line is not None
    if face_line is not None:
        face_line = _outward(face_line, away)
        if not stated:
            face_line = squared(face_line, plate, float(np.hypot(*(layout.face[-1] - layout.face[0]))) * maps.scale)
        root = crossing(face_line, nonbutting)
        if root is not None:
            nonbutting = _outward(nonbutting, maps.photo_points(layout.face[-1:])[0] - root)
    return Surfaces(face_line, nonbutting, top, from_seam, stated)


def find_surfaces(
    photo: Photo,
    maps: RegionMaps,
    layout: Layout,
    *,
    joint: Joint,
    fusion: FloatArray,
    hints: Hints | None = None,
    far: FarFaces | None = None,
) -> Surfaces:
    """Fit the member surfaces; `fusion`: a first fusion boundary in photo px, about a map px a step.

    `far`: the plates' other faces, which tell how a surface runs of which little is seen.
    """
    reach = float(np.hypot(*(layout.face[-1] - layout.face[0])))
    within = max(4.0, 0.03 * reach)

    angles = (140.0, 205.0) if joint == "bead" else (80.0, 171.0)
    middle = layout.face[len(layout.face) // 2]
    ys, xs = np.nonzero(layout.weld)
    inward = np.array([xs.mean(), ys.mean()]) - middle

    def one(walk: FloatArray, toe: FloatArray, along: Line | None = None) -> Line | None:
        onto = along
        points = _walk(walk, toe)
        if not len(points):
            return None
        across = (layout.face[-1] if np.array_equal(toe, layout.face[0]) else layout.face[0]) - toe
        unit = across / max(float(np.hypot(*across)), 1e-9)
        side = -1.0 if unit[0] * inward[1] - unit[1] * inward[0] > 0 else 1.0
        found = None
        if onto is not None:
            ends = maps.map_points(np.vstack([onto.point, onto.point + 100 * onto.direction]))
            d = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
            found = straight_stretch(points, tolerance=0.55, chord=(unit, side, *angles), onto=(ends[0], d))
        if found is None:
            onto = None
            found = straight_stretch(
                points, tolerance=0.55, through=toe, within=within, chord=(unit, side, *angles)
            )
        if found is None:
            return None
        line = line_on(photo, maps, points, found, follow=True)
        if far is not None and joint != "bead":
            straight = as_far(photo, maps, line, points, far, reach)
            if straight is None:
                return None
            line = straight
        if along is None:
            return line
        both, misfit = combine(line, along)
        if onto is not None and misfit < _ONE_SURFACE:
            return both
        # Short of its leg and at odds with the seam behind the root, it is a groove's wall, a plate's corner or
        # something laid over it, unless the seam is an opening that the surface runs along.
        short = line.length < 0.5 * reach * maps.scale
        return None if short and misfit > _AT_ODDS and not bounds_opening(photo, line, along) else line

    if joint == "bead":
        left = one(layout.beyond_butting, layout.face[0])
        right = one(layout.beyond_nonbutting, layout.face[-1])
        return Surfaces(None, _through_both(left, right))
    seam = faying_line(maps, layout)
    nonbutting = one(layout.beyond_nonbutting, layout.face[-1], seam)
    if nonbutting is None and seam is not None:
        # Nothing of the surface is left beyond the toe, but it shows behind the root.
        nonbutting = _outward(seam, maps.photo_points(layout.face[-1:])[0] - seam.point)
    if joint == "lap":
        return _lap(photo, maps, layout, fusion, nonbutting, hints)
    butting = one(layout.beyond_butting, layout.face[0])
    if nonbutting is not None and (butting is None or butting.length < _SOME * reach * maps.scale):
        # Under the weld an unfused stretch may show more of the surface than is left beyond the toe.
        under = seam_stretch(maps, fusion, nonbutting)
        if under is not None:
            toe = maps.photo_points(layout.face[:1])[0]
            away = (1.0 if nonbutting.distance(toe[None])[0] > 0 else -1.0) * nonbutting.normal
            return _butting(butting, _outward(under, away), nonbutting, reach * maps.scale)
    return Surfaces(butting, nonbutting)


def _butting(beyond: Line | None, under: Line, nonbutting: Line, reach: float) -> Surfaces:
    """The butting surface from what is left of it beyond the toe and an unfused stretch under the weld.

    `reach`: px from toe to toe.
    """
    if beyond is None or (beyond.length < _LITTLE * reach and under.length > 1.5 * beyond.length):
        return Surfaces(under, nonbutting, from_seam=True)
    both, misfit = combine(beyond, under)
    if misfit < _ONE_SURFACE:
        return Surfaces(both, nonbutting)
    # A short one at odds with the stretch under the weld is a groove's wall or a rounded edge.
    odd = misfit > _AT_ODDS and beyond.length < _LITTLE * reach and under.length > _TELLS * beyond.length
    return Surfaces(under, nonbutting, from_seam=True) if odd else Surfaces(beyond, nonbutting)


def _through_both(left: Line | None, right: Line | None) -> Line | None:
    """One line under a bead from the plate's surface on both sides of it, pointing from left to right."""
    if left is None or right is None:
        only = left or right
        return None if only is None else (_outward(only, -only.direction) if only is left else only)
    ends = np.array(
        [
            left.point + left.end * left.direction,
            left.point + left.start * left.direction,
            right.point + right.start * right.direction,
            right.point + right.end * right.direction,
        ]
    )
    weight = np.array([1.0, 1.0, 1.0, 1.0])
    centre, direction = total_least_squares(ends, weight)
    span = (ends - centre) @ direction
    normal = np.array([-direction[1], direction[0]])
    residual = (ends - centre) @ normal
    # Left and right each carry their own offset; what they disagree by beyond that shows as a misfit.
    u_left, u_right = left.u_offset, right.u_offset
    base = max(float(span[2:].mean() - span[:2].mean()), 1.0)
    misfit = float(np.sqrt((residual**2).mean()))
    return Line(
        centre,
        direction,
        float(np.hypot(0.5 * np.hypot(u_left, u_right), 0.5 * misfit)),
        float(np.hypot(np.hypot(u_left, u_right), misfit) / base),
        float(span.min()),
        float(span.max()),
        bend=misfit,
        share=min(left.share, right.share),
    )
