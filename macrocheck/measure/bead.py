"""All quantities of a bead on plate."""

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.measure import areas, depth, face
from macrocheck.measure.fillet import Found, profile, voids
from macrocheck.measure.section import Section
from macrocheck.measure.summary import noise_floor, quantity
from macrocheck.results import Profile, Quantity


def measure_bead(section: Section) -> tuple[Found, dict[str, Profile]]:
    """Measure every quantity of a bead; left and right are as seen with the bead on top of the plate."""
    found: Found = {}
    found["bead_width"] = face.face_width(section)
    height = np.maximum(section.face[..., 1].max(axis=1), 0.0)
    found["reinforcement_height"] = _largest(height, section.u_face)
    along = depth.along_nonbutting(section)
    found["depth_of_fusion"] = _largest(along.deepest(), section.u_boundary)
    parts = areas.find_areas(section)
    found["weld_area"] = parts.weld
    found["melted_area"] = parts.melted_nonbutting
    found["fill_area"] = parts.weld - parts.melted_nonbutting
    found["dilution"] = parts.melted_nonbutting / np.maximum(parts.weld, 1e-9)
    voids(section, found, parts)
    angles = (
        face.toe_quantity(face.toe_angle_butting(section), section, at_start=True),
        face.toe_quantity(face.toe_angle_nonbutting(section), section, at_start=False),
    )
    left, right = sides(section)
    found["toe_angle_left"], found["toe_angle_right"] = angles[left], angles[right]
    for side, k in (("left", left), ("right", right)):
        groove = face.undercut(section, k)
        found[f"undercut_{side}"] = (
            _largest(groove, section.u_face, more=face.groove_doubt(float(groove[0])))
            if groove is not None
            else "the plate's outline beyond the toe is not in the outline"
        )
    return found, {"surface": profile(along, float(along.leg[0]))}


def _largest(rows: FloatArray, u: float, *, more: float = 0.0) -> Quantity:
    return quantity(rows, "mm", floor=noise_floor(float(rows[0]), u), more=more)


def sides(section: Section) -> tuple[int, int]:
    """Which toe (0 start, 1 end of the face) is left and which right, seen with the bead on top."""
    return (1, 0) if section.mirrored else (0, 1)


def outside(side: str) -> dict[str, str]:
    """Return the reasons for what is lost when the toe on one side lies outside the picture."""
    reason = f"the {side} toe lies outside the picture"
    keys = ("bead_width", "reinforcement_height", "depth_of_fusion", "melted_area", "weld_area", "fill_area")
    more = ("dilution", "void_area_fraction", "largest_void", f"toe_angle_{side}", f"undercut_{side}")
    return dict.fromkeys((*keys, *more), reason)
