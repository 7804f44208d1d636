"""Whether two surfaces can be those of one joint, by where they lie beside the weld's face."""

from dataclasses import dataclass, replace

import cv2
import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.outline import Joint
from macrocheck.segment.chains import arc
from macrocheck.segment.lines import Line
from macrocheck.segment.surfaces import Surfaces

_OUT = 4.0
"""Map px that a joint root may lie outside the face before its surfaces are taken to be wrong."""


_HUGS, _AIRY = 2.0, 0.5
"""Map px within the face at which a surface still runs along it; the part of it, joint root to toe, that may."""


@dataclass(frozen=True, eq=False)
class Ring:
    """The weld metal's outline as found, photo px: `face` and `fusion` (n, 2); `scale`: photo px a map px."""

    face: FloatArray
    fusion: FloatArray
    scale: float

    def before_face(self, point: FloatArray, least: float) -> bool:
        """Whether a point (x, y) lies in the air before the face, by more than `least` map px."""
        ring = np.vstack([self.face, self.fusion]).astype(np.float32)
        inside = cv2.pointPolygonTest(ring, (float(point[0]), float(point[1])), measureDist=True)
        away = [float(np.hypot(*(line - point).T).min()) for line in (self.face, self.fusion)]
        return inside < -least * self.scale and away[0] < away[1]


_PASSES = 7.0
"""Map px from a surface within which a weld face ends that ends on it, undercut and overlap included.

Of 612 toes of rendered sections, fair, told by grain and hard, eight ended farther off on the air's side, all on a
wrong surface.
"""
_INTO_GROOVE, _UNDER = 0.12, 1.0
"""Part of the face, from its end, that may lie under the surface as the wall of a groove beside the toe; and map px
under it from which it does."""


def under_surface(face: FloatArray, line: Line | None, scale: float) -> int:
    """How many points of a face (n, 2) px, from its first end on, lie under a member's surface, in a groove's wall.

    0 where its end is not under it, or where more of it is than a groove takes.
    """
    if line is None:
        return 0
    off = line.distance(face)
    off = off * np.sign(np.median(off))
    over = np.flatnonzero(off > 0)
    if not len(over) or off[0] > -_UNDER * scale:
        return 0
    along = arc(face)
    return int(over[0]) if along[over[0]] < _INTO_GROOVE * along[-1] else 0


def without_strangers(surfaces: Surfaces, face: FloatArray, joint: Joint, scale: float) -> Surfaces:
    """The surfaces without one that passes an end of the face by, and is another thing's.

    `face`: (n, 2) px, from the butting toe. A face that goes on under a surface into a groove beside its toe does
    not pass it by. A lap's face may end on the upper plate's rounded corner, a bead's on a plate that is bent.
    """

    def passed_by(line: Line | None, from_end: FloatArray) -> bool:
        if line is None or under_surface(from_end, line, scale) > 0:
            return False
        return abs(float(line.distance(from_end[:1])[0])) > _PASSES * scale

    if joint == "bead":
        return surfaces
    if passed_by(surfaces.nonbutting, face[::-1]):
        surfaces = replace(surfaces, nonbutting=None)
    if joint == "tee" and passed_by(surfaces.butting, face):
        surfaces = replace(surfaces, butting=None)
    return surfaces


def without_faces_own(
    surfaces: Surfaces, root: FloatArray, toes: tuple[FloatArray, FloatArray], ring: Ring
) -> Surfaces:
    """The surfaces without one that runs along the face, or before it, from toe to joint root: the face's own."""

    def along_face(toe: FloatArray) -> bool:
        inside = root + np.linspace(0.15, 0.85, 15)[:, None] * (toe - root)
        return bool(np.mean([ring.before_face(p, -_HUGS) for p in inside]) > _AIRY)

    if surfaces.butting is not None and along_face(toes[0]):
        return replace(surfaces, butting=None)
    if surfaces.nonbutting is not None and along_face(toes[1]):
        return replace(surfaces, nonbutting=None)
    return surfaces


def _less_seen_left_out(surfaces: Surfaces) -> Surfaces:
    """The surfaces without the one whose direction is less sure."""
    if surfaces.butting is None or surfaces.nonbutting is None:
        return surfaces
    if surfaces.butting.u_angle >= surfaces.nonbutting.u_angle:
        return replace(surfaces, butting=None)
    return replace(surfaces, nonbutting=None)


_LEAST, _MOST = np.deg2rad(35.0), np.deg2rad(160.0)
"""Surfaces that meet at less or more than this are not those of one fillet joint."""


def _meet(surfaces: Surfaces) -> bool:
    """Whether two surfaces meet at an angle that a fillet weld could fill."""
    if surfaces.butting is None or surfaces.nonbutting is None:
        return True
    between = np.arccos(np.clip(surfaces.butting.direction @ surfaces.nonbutting.direction, -1.0, 1.0))
    return bool(_LEAST < between < _MOST)


def plausible(
    surfaces: Surfaces, root: FloatArray | None, toes: tuple[FloatArray, FloatArray], ring: Ring
) -> tuple[Surfaces, FloatArray | None]:
    """The surfaces that may be what they are taken for, and the joint root they leave; `root`: where they meet."""
    if root is None:
        # Two that run alongside each other are the two sides of a gap, or of a plate.
        return _less_seen_left_out(surfaces), None
    left = without_faces_own(surfaces, root, toes, ring)
    if left is surfaces and (ring.before_face(root, _OUT) or not _meet(surfaces)):
        left = _less_seen_left_out(surfaces)
    return left, root if left is surfaces else None
