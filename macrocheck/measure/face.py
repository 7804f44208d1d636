"""The face: legs, width, convexity, toe angles, throat, undercut."""

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.measure.curves import arc_length, distance_to_polyline
from macrocheck.measure.section import Section
from macrocheck.measure.summary import missing, quantity
from macrocheck.results import Quantity

# Stretch of face that gives a toe's tangent, as a share of the face's width and within these bounds, mm. Faces bend
# most at their toes: on drawn faces twice the stretch errs about three times as much, so the shorter one's error is
# taken as this part of the difference.
TANGENT_SHARE, TANGENT_LEAST, TANGENT_MOST = 0.06, 0.25, 0.5
BENDING = 0.35
# Standard uncertainty of a toe angle from the corner there, which blur rounds; degrees, as rendered sections show.
CORNER = 8.0
# What of an undercut's depth may be none, and how many mm at most; set on rendered sections.
GROOVE_SHARE, GROOVE_MOST = 0.3, 0.05
# From this U95 on, degrees, a toe angle says nothing: undercut, sound and overlapped toes all lie within it.
WIDEST = 75.0
# A toe this far behind the end face of a lap's upper plate lies on that plate's top, mm.
ON_TOP = 0.1
# So near the corner, in parts of the end face's height, plates are rounded and the toe may be on either surface.
AT_CORNER = 0.03


def legs(section: Section) -> tuple[FloatArray, FloatArray]:
    """Joint root to toe along the butting and the nonbutting surface, (rows,) mm each."""
    return section.in_butting(section.face[:, :1])[:, 0, 0], section.toe_nonbutting[:, 0]


def face_width(section: Section) -> FloatArray:
    """Toe to toe, (rows,) mm."""
    return np.asarray(np.hypot(*(section.toe_nonbutting - section.toe_butting).T))


def bulge(section: Section) -> tuple[FloatArray, FloatArray]:
    """Largest distance of the face outside and inside the toe-to-toe line: convexity, concavity, (rows,) mm."""
    chord = section.toe_nonbutting - section.toe_butting
    chord = chord / np.maximum(np.hypot(chord[:, 0], chord[:, 1]), 1e-9)[:, None]
    rel = section.face - section.toe_butting[:, None, :]
    # Running from the butting to the nonbutting toe the weld lies to the right, the air to the left.
    out = chord[:, None, 0] * rel[..., 1] - chord[:, None, 1] * rel[..., 0]
    return np.maximum(out.max(axis=1), 0.0), np.maximum(-out.min(axis=1), 0.0)


def throat(section: Section, weld_root: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Shortest distance (rows,) mm from the weld root to the face, and the face point there (rows, 2)."""
    return distance_to_polyline(weld_root, section.face)


def _fit_tangent(points: FloatArray, weight: FloatArray) -> FloatArray:
    """Unit tangents (rows, 2) at the first of (rows, k, 2) points, pointing into the stretch.

    A parabola by weighted least squares over the stretch's own chord, so that a curved face does not pull the
    tangent; once reweighted (Huber) against a stray bump.
    """
    origin = points[:, :1]
    chord = points[:, -1] - points[:, 0]
    length = np.maximum(np.hypot(chord[:, 0], chord[:, 1]), 1e-9)
    axis = chord / length[:, None]
    rel = points - origin
    along = (rel * axis[:, None, :]).sum(-1) / length[:, None]
    across = (axis[:, None, 0] * rel[..., 1] - axis[:, None, 1] * rel[..., 0]) / length[:, None]
    design = np.stack([np.ones_like(along), along, along**2], axis=-1)
    weights = np.broadcast_to(weight, along.shape)
    coefficients = np.zeros((len(points), 3))
    for _ in range(2):
        weighted = design * weights[..., None]
        normal = np.einsum("rki,rkj->rij", weighted, design) + 1e-12 * np.eye(3)
        right = np.einsum("rki,rk->ri", weighted, across)
        coefficients = np.linalg.solve(normal, right[..., None])[..., 0]
        residual = np.abs(across - np.einsum("rki,ri->rk", design, coefficients))
        spread = 1.4826 * np.median(residual, axis=1, keepdims=True) + 1e-9
        weights = weight * np.minimum(1.0, 2.0 * spread / np.maximum(residual, 1e-12))
    slope = coefficients[:, 1]
    normal_axis = np.column_stack([-axis[:, 1], axis[:, 0]])
    tangent = axis + slope[:, None] * normal_axis
    return np.asarray(tangent / np.hypot(tangent[:, 0], tangent[:, 1])[:, None])


def _toe_tangent(face: FloatArray, *, at_start: bool, stretch: float = 1.0) -> FloatArray:
    face = face if at_start else face[:, ::-1]
    along = arc_length(face[0])
    width = float(np.hypot(*(face[0, -1] - face[0, 0])))
    reach = stretch * float(np.clip(TANGENT_SHARE * width, TANGENT_LEAST, TANGENT_MOST))
    count = max(int((along <= reach).sum()), min(5, len(along)))
    share = along[:count] / max(float(along[count - 1]), 1e-9) * 0.999
    # Even over uneven spacing, and fading out with distance from the toe.
    weight = np.gradient(along[:count]) * (1.0 - share**3) ** 3
    return _fit_tangent(face[:, :count], weight)


def _turned(along: FloatArray, tangent: FloatArray, *, clockwise: bool) -> FloatArray:
    """Angle in degrees, 0 to 360, from `along` to `tangent`, both (rows, 2)."""
    cross = along[:, 0] * tangent[:, 1] - along[:, 1] * tangent[:, 0]
    angle = np.rad2deg(np.arctan2(-cross if clockwise else cross, (along * tangent).sum(-1)))
    return np.asarray(np.where(angle < -45.0, angle + 360.0, angle))


def toe_bending(section: Section, *, at_start: bool) -> float:
    """Standard uncertainty in degrees of a toe angle from the face's bending and the blurred corner at the toe."""
    short, long = (_toe_tangent(section.face[:1], at_start=at_start, stretch=k) for k in (1.0, 2.0))
    return float(np.hypot(CORNER, BENDING * abs(float(_turned(short, long, clockwise=False)[0]))))


def toe_quantity(angle: FloatArray, section: Section, *, at_start: bool) -> Quantity:
    """A toe angle with its uncertainty; none where that is so wide that the angle says nothing."""
    found = quantity(angle, "deg", more=toe_bending(section, at_start=at_start))
    if found.U95 is not None and found.U95 > WIDEST:
        return missing("deg", "the face is too unclear at this toe to tell its angle")
    return found


def toe_angle_nonbutting(section: Section) -> FloatArray:
    """Angle (rows,) in degrees from the nonbutting surface beyond its toe, through the air, to the face."""
    along = np.zeros((len(section.face), 2))
    along[:, 0] = 1.0
    return _turned(along, _toe_tangent(section.face, at_start=False), clockwise=False)


def toe_angle_butting(section: Section) -> FloatArray:
    """As `toe_angle_nonbutting`, at the butting toe.

    Where a lap's weld has melted over the edge, the surface beyond the toe is the upper plate's top.
    """
    along = section.along_butting
    if section.joint == "bead":
        along = np.zeros((len(section.face), 2))
        along[:, 0] = -1.0
    elif section.top is not None:
        behind = -section.in_butting(section.face[:, :1])[0, 0, 1]
        if not section.has_root or behind > ON_TOP:
            along = section.top[2]
    return _turned(along, _toe_tangent(section.face, at_start=True), clockwise=True)


def toe_at_corner(section: Section) -> bool:
    """Whether a lap's butting toe lies at the corner of the upper plate, as far as the outline can tell.

    There the surface beyond the toe may be the end face or the plate's top, square to each other.
    """
    if section.top is None or not section.has_root:
        return False
    along, out = section.in_butting(section.face[:, :1])[0, 0]
    normal, offset, _ = section.top
    under = float(offset[0] - section.face[0, 0] @ normal[0])
    room = ON_TOP + 2.0 * section.u_boundary + AT_CORNER * float(along + under)
    return bool(along > 0 and -out < room and under < room)


def groove_doubt(depth: float) -> float:
    """Further u, mm, of an undercut's depth, mm: a shadow or a burr's foot looks like one."""
    return min(GROOVE_SHARE * depth, GROOVE_MOST)


def undercut(section: Section, member: int) -> FloatArray | None:
    """Depth (rows,) mm of the groove under the original surface beyond a toe; 0 = butting, 1 = nonbutting."""
    groove = section.grooves[member]
    if groove is None or (member == 0 and toe_at_corner(section)):
        return None
    if member == 0 and section.joint != "bead":
        if section.top is not None and section.in_butting(section.face[:, :1])[0, 0, 1] < -ON_TOP:
            normal, offset, _ = section.top
            height = (groove * normal[:, None, :]).sum(-1) - offset[:, None]
        elif section.has_root:
            height = section.in_butting(groove)[..., 1]
        else:
            return None
    else:
        height = groove[..., 1]
    return np.asarray(np.maximum(-height.min(axis=1), 0.0))
