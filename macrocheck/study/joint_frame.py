"""A weld in its joint frame, mm: joint root at (0, 0), x along the nonbutting member, y up on the butting side."""

from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.outline import SurfaceLine, WeldOutline
from macrocheck.scale import Scale


@dataclass(frozen=True, slots=True)
class JointFrame:
    """Where a weld's joint frame lies in section-plane mm (x right, y down): `origin`, unit vectors `ex` and `ey`.

    A bead's origin is half way between its toes, y points out of the member. `mirrored`: the picture is turned over
    left for right. `by_toes`: no joint root is known, the origin is the toe on the nonbutting member.
    """

    scale: Scale
    origin: FloatArray
    ex: FloatArray
    ey: FloatArray
    mirrored: bool
    by_toes: bool = False

    def to_frame(self, points_px: FloatArray) -> FloatArray:
        """Map (n, 2) px of the upright photo to (n, 2) mm of the joint frame."""
        rel = self.scale.to_mm(points_px) - self.origin
        return np.column_stack([rel @ self.ex, rel @ self.ey])

    def to_px(self, points_mm: FloatArray) -> FloatArray:
        """Map (n, 2) mm of the joint frame back to (n, 2) px."""
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
        return self.scale.to_px(self.origin + points[:, :1] * self.ex + points[:, 1:] * self.ey)


def joint_frame(weld: WeldOutline, scale: Scale) -> JointFrame:
    """Return a weld's joint frame."""
    toes = scale.to_mm(np.array([weld.toe_butting, weld.toe_nonbutting]))
    surface = weld.surface_nonbutting
    by_toes = False
    if weld.joint == "bead" or surface is None:
        ex = _along(scale, surface) if surface is not None else _unit(toes[1] - toes[0])
        ex = ex if ex[0] >= 0 else -ex  # as photographed, left to left
        origin = toes.mean(axis=0)
        if surface is not None:
            origin = _foot(scale, surface, origin, ex)
        by_toes = weld.joint != "bead"
    else:
        ex = _along(scale, surface)
        root = weld.joint_root
        by_toes = root is None
        origin = toes[1] if root is None else scale.to_mm(np.array([root]))[0]
    ey = np.array([-ex[1], ex[0]])
    up = _up(weld, scale, toes, origin)
    if float(up @ ey) < 0:
        ey = -ey
    return JointFrame(scale, origin, ex, ey, bool(ex[0] * ey[1] - ex[1] * ey[0] > 0), by_toes)


def _along(scale: Scale, line: SurfaceLine) -> FloatArray:
    a, b = scale.to_mm(np.array([line.point, np.add(line.point, line.direction)]))
    return _unit(b - a)


def _foot(scale: Scale, line: SurfaceLine, point: FloatArray, ex: FloatArray) -> FloatArray:
    on = scale.to_mm(np.array([line.point]))[0]
    return np.asarray(on + ((point - on) @ ex) * ex)


def _up(weld: WeldOutline, scale: Scale, toes: FloatArray, origin: FloatArray) -> FloatArray:
    """Return a direction on the side that is up: of the butting member, or out of a bead's member."""
    if weld.joint != "bead" and weld.surface_butting is not None:
        return _along(scale, weld.surface_butting)
    face, fusion = scale.to_mm(weld.face).mean(axis=0), scale.to_mm(weld.fusion).mean(axis=0)
    if weld.joint == "bead":
        return np.asarray(face - fusion)
    return np.asarray(toes[0] - origin)


def _unit(step: FloatArray) -> FloatArray:
    return np.asarray(step / max(float(np.hypot(*step)), 1e-12))
