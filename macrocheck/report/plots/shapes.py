"""Shapes of sections for plots: a weld's outline in millimetres in the joint's own frame, and its profiles.

Joint frame: origin at the joint root, x along the nonbutting member's surface towards its toe, y out of that member
towards the butting one; a section photographed mirrored comes out the same way round.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import FloatArray, frozen
from macrocheck.outline import SurfaceLine, WeldOutline
from macrocheck.results import Profile
from macrocheck.scale import Scale


@dataclass(frozen=True, slots=True)
class SectionShape:
    """One weld of one section: `polygon` (n, 2) mm in the joint frame, None where it has no joint root.

    `angle_deg`: dihedral angle, how the butting surface leaves the origin. `thickness_mm`: of the members (butting,
    nonbutting) where noted. `profiles`: member -> depth of fusion along its surface.
    """

    coupon: str
    section: str
    weld: int
    joint: str
    polygon: FloatArray | None
    angle_deg: float | None
    profiles: Mapping[str, Profile]
    thickness_mm: tuple[float | None, float | None] = (None, None)


def in_joint_frame(weld: WeldOutline, scale: Scale) -> tuple[FloatArray, float] | None:
    """Return a weld's outline (n, 2) mm in the joint frame and the dihedral angle in degrees.

    None for a bead, or where a member surface is missing.
    """
    root = weld.joint_root
    if root is None or weld.joint == "bead" or weld.surface_butting is None or weld.surface_nonbutting is None:
        return None
    origin = scale.to_mm(np.array([root]))[0]
    x = _direction(weld.surface_nonbutting, scale)
    other = _direction(weld.surface_butting, scale)
    y = np.array([-x[1], x[0]])
    if y @ other < 0:
        y = -y
    polygon = (scale.to_mm(weld.polygon) - origin) @ np.column_stack([x, y])
    angle = float(np.rad2deg(np.arctan2(other @ y, other @ x)))
    return frozen(polygon, columns=2), angle


def _direction(line: SurfaceLine, scale: Scale) -> FloatArray:
    ends = scale.to_mm(np.array([line.point, np.add(line.point, line.direction)]))
    step = ends[1] - ends[0]
    return np.asarray(step / np.hypot(*step))
