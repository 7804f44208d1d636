"""Shapes of sections for plots: a weld's outline in millimetres in the joint's own frame, and its profiles.

Joint frame: origin at the joint root, x along the nonbutting member's surface towards its toe, y out of that member
towards the butting one; a section photographed mirrored comes out the same way round.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import FloatArray, frozen
from macrocheck.outline import WeldOutline
from macrocheck.results import Profile
from macrocheck.scale import Scale
from macrocheck.study.joint_frame import joint_frame


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
    butting = weld.surface_butting
    if weld.joint == "bead" or weld.joint_root is None or butting is None:
        return None
    frame = joint_frame(weld, scale)
    ends = frame.to_frame(np.array([butting.point, np.add(butting.point, butting.direction)]))
    x, y = ends[1] - ends[0]
    return frozen(frame.to_frame(weld.polygon), columns=2), float(np.rad2deg(np.arctan2(y, x)))
