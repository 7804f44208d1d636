"""fit_weld: from the network's maps of one weld to its outline in the photo."""

from dataclasses import replace

import numpy as np

from macrocheck.arrays import FloatArray, frozen
from macrocheck.outline import Joint, SurfaceLine, WeldOutline
from macrocheck.photo import Photo
from macrocheck.segment.boundary import close_at_toes, first_path, into_member, place_boundary, with_surfaces
from macrocheck.segment.chains import without_loops
from macrocheck.segment.crevice import with_crevices
from macrocheck.segment.doubts import doubtful_shares, find_doubts, settled_u, unclear, widening, withheld
from macrocheck.segment.etched_line import on_etched_line
from macrocheck.segment.face import AirLine, trace_air
from macrocheck.segment.far_face import FarFaces
from macrocheck.segment.groove import find_groove
from macrocheck.segment.haz import find_haz
from macrocheck.segment.hinted_surfaces import held, led, said
from macrocheck.segment.hints import SAME, Hints
from macrocheck.segment.indications import find_indications
from macrocheck.segment.layout import Layout, lay_out
from macrocheck.segment.lines import Line, crossing
from macrocheck.segment.maps import TOE_BUTTING, TOE_NONBUTTING, RegionMaps
from macrocheck.segment.notch import find_notch
from macrocheck.segment.opening import find_opening
from macrocheck.segment.photo_line import FLOOR_PX
from macrocheck.segment.plausible import Ring, plausible, under_surface, without_strangers
from macrocheck.segment.pocket import without_pocket
from macrocheck.segment.settled import settled
from macrocheck.segment.steer import split_hints
from macrocheck.segment.surfaces import Surfaces, find_surfaces
from macrocheck.segment.tips import with_tips
from macrocheck.segment.toes import Toe, find_toe
from macrocheck.segment.tone import grey_on_map
from macrocheck.segment.tongue import with_tongues
from macrocheck.segment.voids import find_voids

_CORRELATION = 20.0
"""Map px along the curve over which boundary errors are alike (measured on rendered sections)."""


_TIP, _TIP_UNFRAMED, _TIP_REACH = 0.67, 0.87, 8.0
"""Map px: further standard error of the boundary at the weld root, whose sharp tip the maps round, and where the
end face that framed it is melted off (measured on 42 rendered laps); its reach."""


_WEDGE, _SHARP = 0.5, np.deg2rad(25.0)
"""Map px: the same on a boundary that leaves the faying surface behind the root at less than this angle."""


def _at_weld_root(
    fusion: FloatArray, u: FloatArray, root: FloatArray | None, nonbutting: Line, scale: float
) -> FloatArray:
    """`u` (m,) px of the boundary, widened about the weld root: the metal furthest back along the faying line."""
    near = np.abs(nonbutting.distance(fusion)) < 3.0 * scale
    if not near.any():
        return u
    station = np.where(near, nonbutting.station(fusion) * _towards(nonbutting, fusion), np.inf)
    tip = fusion[int(np.argmin(station))]
    fade = np.exp(-0.5 * (np.hypot(*(fusion - tip).T) / (_TIP_REACH * scale)) ** 2)
    widened = np.hypot(u, (_TIP_UNFRAMED if root is None else _TIP) * scale * fade)
    if root is None:
        return np.asarray(widened)
    # Between weld metal and a seam that part at a small angle the maps fill the wedge.
    tangent = np.gradient(fusion, axis=0)
    tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
    behind = nonbutting.station(fusion) * _towards(nonbutting, fusion) < float(
        nonbutting.station(root[None])[0] * _towards(nonbutting, fusion)
    )
    grazing = near & behind & (np.abs(tangent @ nonbutting.direction) > np.cos(_SHARP))
    return np.asarray(np.where(grazing, np.hypot(widened, _WEDGE * scale), widened))


def _towards(nonbutting: Line, fusion: FloatArray) -> float:
    """1.0 where the line's stations grow towards the nonbutting toe (the boundary's first point), else -1.0."""
    first, last = nonbutting.station(fusion[[0, -1]])
    return 1.0 if first >= last else -1.0


_SHARE, _STEEPER, _MOST, _FLOOR = 0.57, 0.4, 1.2, 0.165
"""What of a stretch of the boundary's own doubt stands: the more, the more map px of it there are, and how much at
most; and map px of standard error that even the clearest stretch keeps.

Fitted to how far the boundaries of 460 rendered welds, fair and hard, lie off the true ones.
"""


def _tempered(u: FloatArray, scale: float) -> FloatArray:
    share = np.minimum(_SHARE + _STEEPER * u / scale, _MOST)
    return np.asarray(np.hypot(share * u, _FLOOR * scale))


_SEEN, _STEADY, _SOFT, _CRISP = 1.1, 0.042, 0.032, 2.5
"""Standard error of a surface's offset: what of its fit's own stands, photo px that the clearest one keeps, and px
for each px that the photo's edges are wider than `_CRISP`."""
_SOFTEST = 10.0
"""Px over that from which wider ones say no more."""
_SHORT_PX, _SHORTEST = 100.0, 2.0
"""Shorter than so many px, a surface is up to so many times as unsure: it is more often something else."""
_TURN, _TURN_MORE, _TURN_MOST, _SURE_TURN, _BY_ENDS = 0.78, 0.6, 2.5, np.deg2rad(0.05), 0.4
"""Standard error of its direction: what of its fit's own stands where that is `_SURE_TURN` at most, how much more
for each factor ten and at most, and of what unsure ends allow."""


def _as_surface(line: Line | None, blur: float) -> SurfaceLine | None:
    """A surface as unsure as such surfaces turned out to be; `blur`: width of the photo's edges, px.

    Fitted to 422 surfaces of rendered sections, fair, told by grain and hard: a fit that says much, however short,
    errs by less than it says, one that says little (a groove wall, a rounded edge, mill scale) by more.
    """
    if line is None:
        return None
    length = max(line.length, 1.0)
    # The fit's own, without the floor that lines are compared with: blur takes its place.
    offset = float(np.sqrt(max(line.u_offset**2 - FLOOR_PX**2, 0.0)))
    turn = float(np.sqrt(max(line.u_angle**2 - (FLOOR_PX / (length / 2)) ** 2, 0.0)))
    short = float(np.clip(np.sqrt(_SHORT_PX / length), 1.0, _SHORTEST))
    soft = _SOFT * float(np.clip(blur - _CRISP, 0.0, _SOFTEST))
    u_offset = short * float(np.sqrt((_SEEN * offset) ** 2 + _STEADY**2 + soft**2))
    decades = max(float(np.log10(max(turn, 1e-9) / _SURE_TURN)), 0.0)
    u_turn = turn * min(_TURN + _TURN_MORE * decades, _TURN_MOST)
    return SurfaceLine(
        (float(line.point[0]), float(line.point[1])),
        (float(line.direction[0]), float(line.direction[1])),
        u_offset,
        float(np.hypot(u_turn, _BY_ENDS * u_offset / (length / 2))),
        line.length,
    )


_OUTLINED = 2
"""Further points of the outline from which a person who gave the joint root and both toes has told weld metal,
members and air apart; a stretch that stays doubtful is flagged by itself."""
_FRAMED = 0.99
"""Most that the picture's doubt counts where the joint root and both toes were given."""


def _pins(hints: Hints | None, rough: tuple[FloatArray, FloatArray]) -> list[FloatArray | None]:
    """Hinted toes given to the nearer of the two rough toes."""
    out: list[FloatArray | None] = [None, None]
    if hints is None:
        return out
    for point in hints.toes[:2]:
        p = np.asarray(point, np.float64)
        order = np.argsort([float(np.hypot(*(p - r))) for r in rough])
        k = int(order[0]) if out[int(order[0])] is None else int(order[1])
        out[k] = p
    return out


def _toe_line(surfaces: Surfaces, rough: FloatArray, joint: Joint) -> Line | None:
    """The line the butting toe lies on: in a lap the top surface where the end face is melted over."""
    if joint == "bead" and surfaces.nonbutting is not None:
        return surfaces.nonbutting.turned()
    lines = [line for line in (surfaces.butting, surfaces.top) if line is not None]
    return min(lines, key=lambda line: abs(float(line.distance(rough[None])[0])), default=None)


def _out_of_grooves(air: AirLine, surfaces: Surfaces, joint: Joint, scale: float) -> AirLine:
    """The face without what of it is the wall of a groove beside a toe: weld metal ends at the surface."""
    first = under_surface(air.points, surfaces.butting if joint == "tee" else None, scale)
    last = under_surface(air.points[::-1], None if joint == "bead" else surfaces.nonbutting, scale)
    kept = slice(first, len(air.points) - last)
    return air.taken(kept)


_LOOP = 0.15
"""Part of the face that a loop in it may take up to be a slip of the tracing, which is cut off."""


def _finish_face(air: AirLine, toe_b: Toe, toe_n: Toe, scale: float) -> tuple[FloatArray, FloatArray]:
    """The face with the toes as its ends."""
    points, u = air.points, air.u
    close = 1.5 * scale + 1.0
    away_b, away_n = np.hypot(*(points - toe_b.point).T), np.hypot(*(points - toe_n.point).T)
    n = len(points)
    third = max(n // 3, 1)
    head = np.flatnonzero(away_b[:third] < close)
    nearest_b = int(np.argmin(away_b[:third]))
    first = max(int(head[-1]) + 1 if len(head) else 0, nearest_b)
    tail = np.flatnonzero(away_n[n - third :] < close)
    nearest_n = n - third + int(np.argmin(away_n[n - third :]))
    last = min(n - third + int(tail[0]) if len(tail) else n, nearest_n + 1)
    if last - first < 2:
        first, last = 0, n
    points = np.vstack([toe_b.point, points[first:last], toe_n.point])
    u = np.concatenate([[u[0]], u[first:last], [u[-1]]])
    # A toe's doubt lies along the surface; seen across the face it is that times the sine of the angle between.
    # What of it is the surface's own error comes in with the surface.
    for toe, reach in ((toe_b, np.arange(len(u))), (toe_n, np.arange(len(u))[::-1])):
        fade = np.exp(-0.5 * (reach / 6.0) ** 2)
        u = np.maximum(u, fade * toe.u_own * max(np.sin(toe.angle), 0.2))
    length = float(np.hypot(*np.diff(points, axis=0).T).sum())
    rows = without_loops(np.column_stack([points, u]), _LOOP * length)
    return rows[:, :2], rows[:, 2]


def _deeper(groove: FloatArray | None, notch: FloatArray | None, line: Line | None) -> FloatArray | None:
    """The deeper of two grooves found beside a toe."""
    if groove is None or notch is None or line is None:
        return groove if notch is None else notch
    depths = [float(np.abs(line.distance(g[1:])).max()) for g in (groove, notch)]
    return groove if depths[0] >= depths[1] else notch


def _find_toes(
    maps: RegionMaps,
    layout: Layout,
    air: AirLine,
    lines: tuple[Line | None, Line | None],
    pins: list[FloatArray | None],
) -> tuple[Toe, Toe]:
    """The toes on the butting and the nonbutting member."""
    toes = []
    for line, layer, pin, whole in (
        (lines[0], TOE_BUTTING, pins[0], layout.complete_butting),
        (lines[1], TOE_NONBUTTING, pins[1], layout.complete_nonbutting),
    ):
        into = None if line is None else into_member(line, layout, maps)
        on = line if whole else None
        toes.append(find_toe(maps, air, on, layer=layer, inward=into, at_start=layer == TOE_BUTTING, pin=pin))
    return toes[0], toes[1]


def _face_and_toes(
    photo: Photo,
    maps: RegionMaps,
    layout: Layout,
    air: AirLine,
    lines: tuple[Line | None, Line | None],
    pins: list[FloatArray | None],
    joint: Joint,
) -> tuple[AirLine, tuple[Toe, Toe]]:
    """Face and toes, with crevices and cold metal beyond toes that are in the picture and nobody placed."""
    free = (layout.complete_butting and pins[0] is None, layout.complete_nonbutting and pins[1] is None)
    used = tuple(line if there else None for line, there in zip(lines, free, strict=True))
    inward = tuple(None if line is None else into_member(line, layout, maps) for line in used)
    on = (None if joint == "lap" else used[0], used[1])
    air, crevices = with_crevices(photo, air, on, (inward[0], inward[1]), maps.scale)
    found = _find_toes(maps, layout, air, lines, pins)
    first, last = (toe if c is None else c.toe(toe) for c, toe in zip(crevices, found, strict=True))
    leg = 0.7 * float(np.hypot(*(first.point - last.point)))
    return with_tongues(photo, maps, air, (first, last), (used[0], used[1]), (inward[0], inward[1]), leg)


def _doubted(
    curves: tuple[FloatArray, FloatArray],
    u: tuple[FloatArray, FloatArray],
    shares: tuple[float, float],
    hints: tuple[Hints | None, Hints | None],
    scale: float,
) -> tuple[FloatArray, FloatArray]:
    """`u` of face and fusion boundary, px, with what the network's own doubt about them adds.

    `hints`: those for the face, and those for the boundary and the toes.
    """
    size_px = float(np.hypot(*np.ptp(np.vstack(curves), axis=0)))
    of_fusion, of_face = widening(shares, size_px)
    toes = () if hints[1] is None else hints[1].toes
    through = [() if part is None else part.through for part in hints]
    placed = [np.asarray([*toes, *part], np.float64).reshape(-1, 2) for part in through]
    return (
        settled_u(curves[0], u[0], of_face, placed[0], scale),
        settled_u(curves[1], u[1], of_fusion, placed[1], scale),
    )


def _left(doubt: float, hints: Hints | None, of_face: Hints | None) -> float:
    """What a person's points leave of the doubt about the regions; `of_face`: those for the face."""
    if hints is None or not hints.frames:
        return doubt
    outlined = len(hints.through) + (0 if of_face is None else len(of_face.through))
    # Where a person has said where the joint lies, what is seen is given, however unsure.
    return 0.0 if outlined >= _OUTLINED else min(doubt, _FRAMED)


def fit_weld(
    photo: Photo,
    maps: RegionMaps,
    *,
    joint: Joint,
    mm_per_px: float | None,
    hints: Hints | None = None,
    far: FarFaces | None = None,
) -> WeldOutline:
    """Turn the maps of one weld into its outline, photo px, with the uncertainty of every part of it.

    `mm_per_px`: where known, only used for what is judged in mm. `far`: what the whole photo shows of the plates'
    other faces. Errors and doubts become flags.

    Raises:
        NotFoundError: where the maps show no weld metal, or none with a face.
    """
    size = (photo.width, photo.height)
    hints = None if hints is None else hints.tidied(SAME * maps.scale)
    layout: Layout = lay_out(maps, joint=joint, photo_size=size, photo=photo, hints=hints)
    maps, layout = settled(maps, layout, hints)
    scale = maps.scale
    hints, of_face = split_hints(hints, maps, maps.photo_points(layout.face), maps.photo_points(layout.fusion))
    first = first_path(maps, layout, hints)
    surfaces = find_surfaces(photo, maps, layout, joint=joint, fusion=first, hints=hints, far=far)
    surfaces = led(surfaces, hints, scale, joint)
    air = trace_air(photo, maps, layout.face, of_face)
    boundary = on_etched_line(
        photo, place_boundary(photo, maps, layout, first, hints), edge_width=air.blur, scale=scale
    )
    rough = (air.points[0], air.points[-1])
    pins = _pins(hints, rough)
    surfaces = held(surfaces, hints, pins, scale, joint)
    if hints is None or not hints.frames:
        surfaces = without_strangers(surfaces, air.points, joint, scale)
        air = _out_of_grooves(air, surfaces, joint, scale)
        rough = (air.points[0], air.points[-1])
    lines = (_toe_line(surfaces, rough[0], joint), surfaces.nonbutting)
    air, (toe_b, toe_n) = _face_and_toes(photo, maps, layout, air, lines, pins, joint)
    if joint == "lap" and surfaces.butting is None and pins[0] is None:
        toe_b = toe_b.adrift(scale)
    root = None
    if surfaces.butting is not None and surfaces.nonbutting is not None:
        root = crossing(surfaces.butting, surfaces.nonbutting)
    if joint != "bead" and not (hints is not None and hints.root):
        ring = Ring(air.points, first, scale)
        surfaces, root = plausible(surfaces, root, (toe_b.point, toe_n.point), ring)
    boundary = with_surfaces(maps, layout, boundary, surfaces, root, (toe_b.point, toe_n.point))
    face, u_face = _finish_face(air, toe_b, toe_n, scale)
    fusion, u_fusion = close_at_toes(
        replace(boundary, u=_tempered(boundary.u, scale)),
        (toe_b.point, toe_n.point),
        scale,
        (float(u_face[0]), float(u_face[-1])),
    )
    fusion, u_fusion = with_tips(photo, face, fusion, u_fusion, scale, hints)
    fusion, u_fusion = without_pocket(photo, maps, (face, fusion), u_fusion, root, hints)
    doubt = _left(unclear(maps, layout, size), hints, of_face)
    shares = doubtful_shares(maps, layout)
    u_face, u_fusion = _doubted((face, fusion), (u_face, u_fusion), shares, (of_face, hints), scale)
    if surfaces.nonbutting is not None and joint != "bead":
        u_fusion = _at_weld_root(fusion, u_fusion, root, surfaces.nonbutting, scale)
    grey = grey_on_map(photo, maps)
    voids = find_voids(photo, maps, layout, grey)
    inward = None if surfaces.nonbutting is None else into_member(surfaces.nonbutting, layout, maps)
    haz = find_haz(photo, maps, layout, fusion, surfaces.nonbutting, inward)
    chord = float(np.hypot(*(toe_b.point - toe_n.point)))
    gap = None
    if joint != "bead" and surfaces.nonbutting is not None and inward is not None:
        gap = find_opening(photo, maps, surfaces.nonbutting, inward, fusion, chord)
    indications = find_indications(grey, maps, layout, np.vstack([fusion, face]))
    grooves = [
        _deeper(
            find_groove(photo, maps, walk, toe.point, line, 0.7 * chord),
            None if line is None else find_notch(photo, maps, toe.point, line, 0.7 * chord),
            line,
        )
        for walk, toe, line in (
            (layout.beyond_butting, toe_b, lines[0]),
            (layout.beyond_nonbutting, toe_n, lines[1]),
        )
    ]
    flags = find_doubts(
        maps,
        layout,
        surfaces,
        boundary,
        (toe_b, toe_n),
        joint=joint,
        root=root,
        voids=voids,
        doubt=doubt,
        indications=indications,
        mm_per_px=mm_per_px,
        settled=said(hints, pins, joint),
    )
    return WeldOutline(
        joint=joint,
        surface_butting=_as_surface(surfaces.butting, air.blur),
        surface_nonbutting=_as_surface(surfaces.nonbutting, air.blur),
        face=frozen(face, columns=2),
        fusion=frozen(fusion, columns=2),
        u_face=frozen(u_face),
        u_fusion=frozen(u_fusion),
        correlation_px=_CORRELATION * scale,
        complete_butting=layout.complete_butting,
        complete_nonbutting=layout.complete_nonbutting,
        voids=tuple(frozen(v) for v in voids.rings),
        u_voids=(voids.u_length, voids.u_area),
        haz_butting=None if haz.butting is None else frozen(haz.butting),
        haz_nonbutting=None if haz.nonbutting is None else frozen(haz.nonbutting),
        u_haz=haz.u,
        gap_px=gap,
        indications=tuple(frozen(i) for i in indications),
        surface_top=_as_surface(surfaces.top, air.blur),
        groove_butting=None if grooves[0] is None else frozen(grooves[0]),
        groove_nonbutting=None if grooves[1] is None else frozen(grooves[1]),
        flags=flags,
        withheld=withheld(layout, joint=joint, doubt=doubt, face=shares[1]),
    )
