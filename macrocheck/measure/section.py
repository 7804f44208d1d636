"""The weld section in its joint frame, in mm: once as found, and as many times as there are draws.

Joint frame: origin at the joint root, x along the nonbutting member's surface towards its toe, y out of that
member. Row 0 of every batch is the outline as found; every further row is one Monte Carlo draw (JCGM 101) of
scale, boundaries, member surfaces and gap together.
"""

from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.errors import InputError
from macrocheck.measure.curves import arc_length, boundary_noise, normals, spaced
from macrocheck.outline import Joint, SurfaceLine, WeldOutline
from macrocheck.scale import Scale

FACE_POINTS = 140
FUSION_POINTS = 280
_ON_SURFACE = 0.1
"""Px from a member's surface within which the fusion boundary lies on it; files round to hundredths."""
# A toe found by extending the face to the surface: at angles flatter than this the error no longer grows.
FLATTEST_TOE = np.sin(np.deg2rad(12.0))


@dataclass(frozen=True, slots=True)
class Section:
    """One weld in its joint frame, mm; leading axis: rows (0 as found, then the draws).

    `face` (rows, n, 2) from toe_butting to toe_nonbutting, `fusion` (rows, m, 2) back through the root.
    `psi` (rows,) dihedral angle in rad; without a joint root (`has_root` False) it is a right angle that nothing
    may rest on, and the origin is the butting toe's foot on the nonbutting surface (a bead's x axis runs from
    there to its other toe). `gap` (rows,) opening
    between the members, 0 where it is not visible. `top`: distance from the upper plate's top surface of a
    lap, as ((rows, 2) unit normal out of the plate, (rows,) offset, (rows, 2) direction away from the weld).
    `u_voids`: standard uncertainties of the largest void, mm, and the voids' area, mm2, from the doubt whether
    spots are voids. `u_face`, `u_fusion`: typical uncertainty of the face and of the fusion boundary, mm;
    `u_boundary`: the larger of the two.
    `mirrored`: the frame is left-handed in the picture.
    `has_surface`: False where the nonbutting member's surface is not known: x runs from toe to toe then, and
    nothing that starts from a surface may be measured.
    """

    joint: Joint
    has_root: bool
    face: FloatArray
    fusion: FloatArray
    psi: FloatArray
    gap: FloatArray
    top: tuple[FloatArray, FloatArray, FloatArray] | None
    voids: tuple[FloatArray, ...]
    u_voids: tuple[float, float]
    grooves: tuple[FloatArray | None, FloatArray | None]
    haz: tuple[FloatArray | None, FloatArray | None]
    seam_end: FloatArray | None
    u_face: float
    u_fusion: float
    mirrored: bool
    has_surface: bool = True

    @property
    def u_boundary(self) -> float:
        """Typical uncertainty of face and fusion boundary, mm, the larger of the two."""
        return max(self.u_face, self.u_fusion)

    @property
    def toe_butting(self) -> FloatArray:
        """Toe on the butting member (rows, 2)."""
        return self.face[:, 0]

    @property
    def toe_nonbutting(self) -> FloatArray:
        """Toe on the nonbutting member (rows, 2)."""
        return self.face[:, -1]

    @property
    def along_butting(self) -> FloatArray:
        """Unit vectors (rows, 2) along the butting surface, away from the joint root."""
        return np.column_stack([np.cos(self.psi), np.sin(self.psi)])

    def in_butting(self, points: FloatArray) -> FloatArray:
        """Turn (rows, k, 2) points into the butting member's frame: x along its surface, y out of it."""
        c, s = np.cos(self.psi)[:, None], np.sin(self.psi)[:, None]
        x, y = points[..., 0], points[..., 1]
        return np.stack([x * c + y * s, x * s - y * c], axis=-1)


def _check(weld: WeldOutline) -> None:
    for name, curve, u in (("face", weld.face, weld.u_face), ("fusion boundary", weld.fusion, weld.u_fusion)):
        if np.ndim(curve) != 2 or np.shape(curve)[1:] != (2,) or len(curve) < 2:
            msg = f"the weld's {name} needs at least two (x, y) points; draw it again"
            raise InputError(msg)
        if not (np.isfinite(curve).all() and np.isfinite(u).all() and np.all(np.asarray(u) >= 0)):
            msg = f"the weld's {name} holds a point or an uncertainty that is not a number; draw it again"
            raise InputError(msg)
        if len(u) != len(curve):
            msg = f"the weld's {name} has {len(curve)} points but {len(u)} uncertainties; give one for each"
            raise InputError(msg)
        if arc_length(np.asarray(curve, dtype=np.float64))[-1] < 1e-6:
            msg = f"all points of the weld's {name} are the same; draw it again"
            raise InputError(msg)


@dataclass(frozen=True, slots=True)
class _Lines:
    """Draws of one surface line, px: points and unit directions (rows, 2)."""

    point: FloatArray
    direction: FloatArray

    def offset(self, points: FloatArray) -> FloatArray:
        """Signed distance (rows,) of one point a row, (rows, 2)."""
        rel = points - self.point
        return np.asarray(self.direction[:, 0] * rel[:, 1] - self.direction[:, 1] * rel[:, 0])


def _draw_line(rng: np.random.Generator, line: SurfaceLine, rows: int) -> _Lines:
    offset, turn = rng.standard_normal((2, rows)) * np.array([[line.u_offset], [line.u_angle]])
    offset[0] = turn[0] = 0.0
    d = np.asarray(line.direction, dtype=np.float64)
    d = d / np.hypot(*d)
    normal = np.array([-d[1], d[0]])
    direction = np.cos(turn)[:, None] * d + np.sin(turn)[:, None] * normal
    return _Lines(np.asarray(line.point) + offset[:, None] * normal, direction)


def _slide_toe(face: FloatArray, draws: FloatArray, line: _Lines | None, *, at_start: bool) -> FloatArray:
    """Slide the drawn faces' ends along themselves until they meet the drawn surface again.

    A toe is where the face meets the surface, so at a flat toe a small error of either moves it far. A toe
    that was found off the line (undercut) keeps its distance from it.
    """
    if line is None:
        return draws
    tangent = _end_tangent(face, at_start=at_start)
    offset = line.offset(draws[:, 0 if at_start else -1])
    slope = line.direction[:, 0] * tangent[1] - line.direction[:, 1] * tangent[0]
    slope = np.where(slope < 0, -1.0, 1.0) * np.maximum(np.abs(slope), FLATTEST_TOE)
    return _slid(face, draws, (offset[0] - offset) / slope, at_start=at_start)


def _end_tangent(face: FloatArray, *, at_start: bool) -> FloatArray:
    """Unit vector (2,) in which a face leads out at its toe."""
    along = arc_length(face)
    away = along if at_start else along[-1] - along
    near = np.flatnonzero((away > 0) & (away <= max(0.08 * along[-1], np.sort(away)[1] * 1.01)))
    tangent = face[0 if at_start else -1] - face[near].mean(axis=0)
    return np.asarray(tangent / np.hypot(*tangent))


def _slid(face: FloatArray, draws: FloatArray, slide: FloatArray, *, at_start: bool) -> FloatArray:
    """The drawn faces with their toe `slide` (rows,) px further out along themselves."""
    along = arc_length(face)
    away = along if at_start else along[-1] - along
    forward = np.gradient(face, axis=0)
    forward /= np.maximum(np.hypot(forward[:, 0], forward[:, 1]), 1e-12)[:, None]
    forward = -forward if at_start else forward
    forward[0 if at_start else -1] = _end_tangent(face, at_start=at_start)
    weight = np.clip(1.0 - away / (0.3 * along[-1]), 0.0, 1.0) ** 2
    return np.asarray(draws + slide[:, None, None] * weight[:, None] * forward)


def _errors(rng: np.random.Generator, u: float, rows: int) -> FloatArray:
    """Errors (rows,) of something known to `u`; the outline as found has none."""
    errors = u * rng.standard_normal(rows)
    errors[0] = 0.0
    return errors


def _carried(fusion: FloatArray, lines: tuple[_Lines | None, ...]) -> FloatArray:
    """How far each drawn surface takes with it what lies on it, (rows or 1, m, 2) px.

    An unfused stretch of the boundary (m, 2) is the surface: where that errs, it errs with it.
    """
    moved = fusion[None]
    for line in lines:
        if line is None:
            continue
        normal = np.column_stack([-line.direction[:, 1], line.direction[:, 0]])
        on = np.abs((fusion - line.point[0]) @ normal[0]) < _ON_SURFACE
        off = ((moved - line.point[:, None]) * normal[:, None]).sum(-1)
        # The outline as found stays as it is, to the last hundredth of a px.
        moved = moved - np.where(on, off - off[0], 0.0)[..., None] * normal[:, None]
    return np.asarray(moved - fusion)


def _draw_curves(
    rng: np.random.Generator,
    weld: WeldOutline,
    toe_lines: tuple[_Lines | None, _Lines | None],
    surfaces: tuple[_Lines | None, _Lines | None],
    rows: int,
) -> tuple[FloatArray, FloatArray]:
    """Draw faces and fusion boundaries, px, sharing their toes.

    `toe_lines`: what the toes (butting, nonbutting) are slid to; `surfaces`: what carries metal that lies on it.

    Where the member's own surface is not known, its toe errs along the face too, also on a lap's top surface.
    """
    face, u_face = spaced(np.asarray(weld.face, dtype=np.float64), np.asarray(weld.u_face), FACE_POINTS)
    fusion, u_fusion = spaced(np.asarray(weld.fusion, dtype=np.float64), np.asarray(weld.u_fusion), FUSION_POINTS)
    reach = weld.correlation_px
    noise = boundary_noise(rng, face, u_face, reach, rows)
    faces = face + noise[..., None] * normals(face)
    if weld.complete_butting and weld.surface_butting is None and weld.joint != "bead":
        faces = _slid(face, faces, _errors(rng, float(u_face[0]), rows), at_start=True)
    if weld.complete_nonbutting and weld.surface_nonbutting is None:
        faces = _slid(face, faces, _errors(rng, float(u_face[-1]), rows), at_start=False)
    if weld.complete_butting:
        faces = _slide_toe(face, faces, toe_lines[0], at_start=True)
    if weld.complete_nonbutting:
        faces = _slide_toe(face, faces, toe_lines[1], at_start=False)
    noise = boundary_noise(rng, fusion, u_fusion, reach, rows)
    along = arc_length(fusion)
    fade = along[-1] / len(fusion)  # beyond its very end the boundary errs on its own, not with the toe
    start, end = np.exp(-((along / fade) ** 2)), np.exp(-(((along[-1] - along) / fade) ** 2))
    own = noise[..., None] * normals(fusion) + _carried(fusion, surfaces)
    fusions = fusion + own * ((1.0 - start) * (1.0 - end))[:, None]
    fusions += start[:, None] * (faces[:, -1] - face[-1])[:, None, :]
    fusions += end[:, None] * (faces[:, 0] - face[0])[:, None, :]
    # The toes are shared whatever small gap the outline had there.
    fusions[:, 0], fusions[:, -1] = faces[:, -1], faces[:, 0]
    return faces, fusions


def _draw_extra(
    rng: np.random.Generator, curve: FloatArray | None, u: float, reach: float, rows: int, count: int = 48
) -> FloatArray | None:
    if curve is None or len(curve) < 2:
        return None
    points, spread = spaced(np.asarray(curve, dtype=np.float64), np.full(len(curve), u), count)
    return points + boundary_noise(rng, points, spread, reach, rows)[..., None] * normals(points)


def _batch_mm(scale: Scale, points: FloatArray, factor: FloatArray) -> FloatArray:
    flat = scale.to_mm(points.reshape(-1, 2)).reshape(points.shape)
    return np.asarray(flat * factor.reshape(-1, *([1] * (points.ndim - 1))))


@dataclass(frozen=True, slots=True)
class _Frame:
    """Where each row's joint frame lies in section-plane mm."""

    origin: FloatArray
    ex: FloatArray
    ey: FloatArray

    def place(self, points: FloatArray) -> FloatArray:
        """Turn (rows, k, 2) section-plane points into the joint frame."""
        rel = points - self.origin[:, None, :]
        return np.stack([(rel * self.ex[:, None, :]).sum(-1), (rel * self.ey[:, None, :]).sum(-1)], axis=-1)

    def turn(self, vectors: FloatArray) -> FloatArray:
        """Turn (rows, 2) directions into the joint frame."""
        return np.stack([(vectors * self.ex).sum(-1), (vectors * self.ey).sum(-1)], axis=-1)


def _line_mm(scale: Scale, line: _Lines, factor: FloatArray) -> tuple[FloatArray, FloatArray]:
    reach = 50.0
    start, end = (_batch_mm(scale, line.point + k * line.direction, factor) for k in (-reach, reach))
    step = end - start
    return (start + end) / 2, step / np.hypot(step[:, 0], step[:, 1])[:, None]


def _toe_to_toe(weld: WeldOutline) -> SurfaceLine:
    """Line through both toes, which stands in for a surface that is not known."""
    start, end = np.asarray(weld.toe_butting), np.asarray(weld.toe_nonbutting)
    length = float(np.hypot(*(end - start)))
    if length < 1e-6:
        msg = "the weld's face begins and ends on one spot; draw it from toe to toe"
        raise InputError(msg)
    x, y = (end - start) / length
    return SurfaceLine(weld.toe_nonbutting, (float(x), float(y)), 0.0, 0.0)


def build(weld: WeldOutline, scale: Scale, *, draws: int, seed: int) -> Section:
    """Put `weld` in its joint frame, as found and `draws` times perturbed.

    Raises:
        InputError: for an outline that holds nothing to measure.
    """
    _check(weld)
    lost = weld.surface_nonbutting is None
    # The toe-to-toe line gives a frame; no toe is slid to it, and nothing that needs a surface rests on it.
    surface = weld.surface_nonbutting or _toe_to_toe(weld)
    rows = draws + 1
    rng = np.random.default_rng(seed)
    factor = 1.0 + scale.u_rel * rng.standard_normal(rows)
    factor[0] = 1.0
    factor = np.maximum(factor, 0.05)
    nonbutting = _draw_line(rng, surface, rows)
    butting = top = None
    if weld.surface_butting is not None and weld.joint != "bead" and weld.joint_root is not None:
        butting = _draw_line(rng, weld.surface_butting, rows)
    if weld.surface_top is not None:
        top = _draw_line(rng, weld.surface_top, rows)
    toe_line = nonbutting if weld.joint == "bead" else butting
    if top is not None:
        toe = np.asarray([weld.toe_butting])
        if toe_line is None or abs(top.offset(toe)[0]) < abs(toe_line.offset(toe)[0]):
            toe_line = top
    own = None if lost else nonbutting
    # Where a lap's end face stood is told from what little of it is not melted: no sign that metal lies on it.
    lain_on = (None if weld.joint == "lap" else butting, own)
    faces, fusions = _draw_curves(rng, weld, (toe_line, own), lain_on, rows)
    face_mm, fusion_mm = _batch_mm(scale, faces, factor), _batch_mm(scale, fusions, factor)
    frame, psi = _frame(weld, _line_mm(scale, nonbutting, factor), face_mm, fusion_mm, butting, scale, factor)

    def place(curve: FloatArray | None, u: float, count: int = 48) -> FloatArray | None:
        drawn = _draw_extra(rng, curve, u, weld.correlation_px, rows, count)
        return None if drawn is None else frame.place(_batch_mm(scale, drawn, factor))

    u_face, u_fusion = float(np.median(weld.u_face)), float(np.median(weld.u_fusion))
    local = scale.mm_per_px_at(weld.joint_root or weld.toe_nonbutting)
    voids = [place(np.vstack([v, v[:1]]), u_fusion) for v in weld.voids if len(v) >= 3]
    return Section(
        joint=weld.joint,
        has_root=butting is not None,
        face=frame.place(face_mm),
        fusion=frame.place(fusion_mm),
        psi=psi,
        gap=_draw_gap(rng, weld, local * factor),
        top=None if top is None else _place_top(scale, top, factor, frame),
        voids=tuple(v[:, :-1] for v in voids if v is not None),
        u_voids=(weld.u_voids[0] * local, weld.u_voids[1] * local**2),
        grooves=(
            place(weld.groove_butting, u_face),
            place(weld.groove_nonbutting, u_face),
        ),
        haz=(place(weld.haz_butting, weld.u_haz, 120), place(weld.haz_nonbutting, weld.u_haz, 120)),
        seam_end=_draw_seam_end(rng, weld, scale, factor, frame),
        u_face=u_face * local,
        u_fusion=u_fusion * local,
        mirrored=bool(frame.ex[0, 0] * frame.ey[0, 1] - frame.ex[0, 1] * frame.ey[0, 0] > 0),
        has_surface=weld.surface_nonbutting is not None,
    )


def _frame(
    weld: WeldOutline,
    surface: tuple[FloatArray, FloatArray],
    face: FloatArray,
    fusion: FloatArray,
    butting: _Lines | None,
    scale: Scale,
    factor: FloatArray,
) -> tuple[_Frame, FloatArray]:
    """Return the joint frame of every row and the dihedral angle (rows,) in rad."""
    point, ex = surface
    if weld.joint == "bead" and ((face[0, -1] - face[0, 0]) * ex[0]).sum() < 0:
        ex = -ex
    ey = np.column_stack([-ex[:, 1], ex[:, 0]])
    if butting is None:
        out = float(((face[0].mean(axis=0) - fusion[0].mean(axis=0)) * ey[0]).sum())
        ey = ey * (-1.0 if out < 0 else 1.0)
        return _Frame(point + ((face[:, 0] - point) * ex).sum(-1)[:, None] * ex, ex, ey), np.full(
            len(ex), np.pi / 2
        )
    other, along = _line_mm(scale, butting, factor)
    ey = ey * (-1.0 if (along[0] * ey[0]).sum() < 0 else 1.0)
    rel = other - point
    up, forward = (along * ey).sum(-1), (along * ex).sum(-1)
    foot = (rel * ex).sum(-1) - (rel * ey).sum(-1) * forward / np.where(np.abs(up) < 1e-6, 1e-6, up)
    return _Frame(point + foot[:, None] * ex, ex, ey), np.arctan2(up, forward)


def _draw_gap(rng: np.random.Generator, weld: WeldOutline, mm_per_px: FloatArray) -> FloatArray:
    if weld.gap_px is None:
        return np.zeros(len(mm_per_px))
    spread = _errors(rng, weld.gap_px[1], len(mm_per_px))
    return np.maximum((weld.gap_px[0] + spread) * mm_per_px, 0.0)


def _draw_seam_end(
    rng: np.random.Generator, weld: WeldOutline, scale: Scale, factor: FloatArray, frame: _Frame
) -> FloatArray | None:
    if weld.seam_end is None:
        return None
    jitter = rng.standard_normal((len(factor), 1, 2)) * (weld.u_seam_end or float(np.median(weld.u_fusion)))
    jitter[0] = 0.0
    return frame.place(_batch_mm(scale, np.asarray(weld.seam_end) + jitter, factor))[:, 0]


def _place_top(
    scale: Scale, top: _Lines, factor: FloatArray, frame: _Frame
) -> tuple[FloatArray, FloatArray, FloatArray]:
    point, direction = _line_mm(scale, top, factor)
    along = frame.turn(direction)
    at = frame.place(point[:, None, :])[:, 0]
    out = np.column_stack([-along[:, 1], along[:, 0]])
    out *= np.where(out[:, 1] < 0, -1.0, 1.0)[:, None]
    return out, (at * out).sum(-1), along
