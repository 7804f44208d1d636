"""Outline: the geometry of one section as found in the photograph, which a person may correct.

All coordinates are pixels of the upright photo: x right, y down, pixel centres at integers. Terms as in
docs/definitions.md: the *butting* member's end meets the *nonbutting* member.
"""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from macrocheck.arrays import FloatArray, Point
from macrocheck.flags import Flag

Joint = Literal["tee", "lap", "bead"]


@dataclass(frozen=True, slots=True)
class SurfaceLine:
    """The straight line of a member's original surface on the weld side.

    * `point`: a point on the line, px, in the middle of the stretch it was fitted to.
    * `direction`: unit vector along the surface, pointing from the joint root towards (and past) the toe.
    * `u_offset`: standard uncertainty of the line normal to itself at `point`, px.
    * `u_angle`: standard uncertainty of its direction, rad.
    * `length`: visible stretch it was fitted to, px (0 where it was stated by hand).
    """

    point: Point
    direction: Point
    u_offset: float
    u_angle: float
    length: float = 0.0

    def signed_distance(self, points_px: FloatArray) -> FloatArray:
        """Distance of (n, 2) points from the line, px; positive to the right of `direction` (y is down)."""
        d = np.asarray(self.direction)
        rel = np.asarray(points_px, dtype=np.float64).reshape(-1, 2) - np.asarray(self.point)
        return np.asarray(d[0] * rel[:, 1] - d[1] * rel[:, 0])


@dataclass(frozen=True, slots=True)
class WeldOutline:
    """One weld: member surfaces, face, fusion boundary and what lies in it.

    For joint `bead` there is one surface only, `surface_nonbutting` (direction: any along the surface), and the
    two toes are stored as toe_butting (start of `face`) and toe_nonbutting (end of `face`).

    * `face`: (n, 2) from toe_butting to toe_nonbutting along the exposed weld face.
    * `fusion`: (m, 2) from toe_nonbutting through the root to toe_butting along the fusion boundary. Where weld
      metal only lies on a member surface (unfused) it runs along that surface. `face` + `fusion` enclose the
      weld metal.
    * `u_face` (n,), `u_fusion` (m,): standard uncertainty of each vertex normal to the curve, px.
    * `correlation_px`: length along the curve over which boundary errors are alike, px.
    * `complete_butting`, `complete_nonbutting`: False where that toe lies outside the picture (the curve then
      ends at the picture's edge and whatever needs the toe is withheld).
    * `voids`: polygons (k, 2) of holes in the weld metal. `u_voids`: standard uncertainties from the doubt whether
      spots in it are voids: of the longest dimension of the largest, px, and of their area, px^2.
    * `haz_butting`/`haz_nonbutting`: (k, 2) outer edge of
      the heat-affected zone in that member, or None where it cannot be told apart.
    * `seam_end`: for the unfused land: the far end of the visible faying surface behind the root (x, y) px, i.e.
      where the butting member's end is over on the other side, or where the weld on the other side begins;
      None where not in the picture. `u_seam_end`: its standard uncertainty along the faying surface, px.
    * `gap_px`: (value, u) opening between the members at the joint, px: 0 where they are seen touching, None where
      it is not visible.
    * `indications`: polylines (k, 2) of linear dark indications.
    * `surface_top`: lap only: upper plate's top surface (direction from the end face inwards, away from the weld).
    * `groove_butting`, `groove_nonbutting`: (k, 2) exposed outline of that member just beyond the toe, from the toe
      outwards, for undercut; None where it is not seen. For a bead: at the start and at the end of `face`.
    """

    joint: Joint
    surface_butting: SurfaceLine | None
    surface_nonbutting: SurfaceLine | None
    face: FloatArray
    fusion: FloatArray
    u_face: FloatArray
    u_fusion: FloatArray
    correlation_px: float
    complete_butting: bool = True
    complete_nonbutting: bool = True
    voids: tuple[FloatArray, ...] = ()
    u_voids: tuple[float, float] = (0.0, 0.0)
    haz_butting: FloatArray | None = None
    haz_nonbutting: FloatArray | None = None
    u_haz: float = 0.0
    seam_end: Point | None = None
    u_seam_end: float = 0.0
    gap_px: tuple[float, float] | None = None
    indications: tuple[FloatArray, ...] = ()
    surface_top: SurfaceLine | None = None
    groove_butting: FloatArray | None = None
    groove_nonbutting: FloatArray | None = None
    flags: tuple[Flag, ...] = ()
    withheld: dict[str, str] = field(default_factory=dict)
    """Quantity key -> reason, for numbers that the outline's doubts rule out."""

    @property
    def toe_butting(self) -> Point:
        """Toe on the butting member, px (first point of the face)."""
        return float(self.face[0, 0]), float(self.face[0, 1])

    @property
    def toe_nonbutting(self) -> Point:
        """Toe on the nonbutting member, px (last point of the face)."""
        return float(self.face[-1, 0]), float(self.face[-1, 1])

    @property
    def joint_root(self) -> Point | None:
        """Intersection of the two member surfaces, px; None where one is missing or they are parallel."""
        if self.surface_butting is None or self.surface_nonbutting is None:
            return None
        p, d = np.asarray(self.surface_butting.point), np.asarray(self.surface_butting.direction)
        q, e = np.asarray(self.surface_nonbutting.point), np.asarray(self.surface_nonbutting.direction)
        cross = d[0] * e[1] - d[1] * e[0]
        if abs(cross) < 1e-6:
            return None
        t = ((q[0] - p[0]) * e[1] - (q[1] - p[1]) * e[0]) / cross
        return float(p[0] + t * d[0]), float(p[1] + t * d[1])

    @property
    def polygon(self) -> FloatArray:
        """Closed outline of the weld metal, (n + m - 2, 2) px, first point not repeated."""
        return np.vstack([self.face, self.fusion[1:-1]])


@dataclass(frozen=True, slots=True)
class Outline:
    """Everything found in one photograph: the welds in it, and what holds for all of them.

    `width`, `height`: of the upright photo, px. `made_by`: "found", "found with hints", "corrected by hand" or
    "drawn by hand".
    """

    width: int
    height: int
    welds: tuple[WeldOutline, ...]
    made_by: str = "found"
    flags: tuple[Flag, ...] = ()

    @property
    def by_a_person(self) -> bool:
        """Whether a person gave hints to it, corrected or drew it, or took it as right."""
        return self.made_by != "found"
