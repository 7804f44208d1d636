"""Scale: millimetres per pixel, how it was had, and how sure it is."""

from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import FloatArray, Point
from macrocheck.flags import Flag


@dataclass(frozen=True, slots=True)
class FoundMark:
    """A reference mark as it was found: what `macrocheck` draws so a person sees a wrong find at once.

    `text` is the mark as the user wrote it; `points_px` the ticks, ends or outline, shape (n, 2), (x, y) px;
    `mm_per_px` and `u_rel` what this mark alone says.
    """

    kind: str
    text: str
    points_px: FloatArray
    mm_per_px: float
    u_rel: float


@dataclass(frozen=True, slots=True)
class Tilt:
    """Angle between picture and section as the marks tell it: `deg`, its standard uncertainty, and from what."""

    deg: float
    u_deg: float
    told_by: str


@dataclass(frozen=True, slots=True)
class Lens:
    """Radial distortion: a px p belongs at `centre` + (p - `centre`) (1 + `k` r^2), r in `radius_px`."""

    centre: Point
    radius_px: float
    k: float

    def straightened(self, points_px: FloatArray) -> FloatArray:
        """Map (n, 2) points as photographed to where a lens without distortion would show them, px."""
        off = np.asarray(points_px, dtype=np.float64).reshape(-1, 2) - self.centre
        r2 = (off**2).sum(axis=1, keepdims=True) / self.radius_px**2
        return np.asarray(self.centre + off * (1 + self.k * r2))

    def distorted(self, points_px: FloatArray) -> FloatArray:
        """Map (n, 2) points back to where they are photographed, px (fixed-point iteration)."""
        off = np.asarray(points_px, dtype=np.float64).reshape(-1, 2) - self.centre
        seen = off.copy()
        for _ in range(20):
            seen = off / (1 + self.k * (seen**2).sum(axis=1, keepdims=True) / self.radius_px**2)
        return np.asarray(self.centre + seen)


@dataclass(frozen=True, slots=True)
class Scale:
    """How pixels of the upright photo become millimetres in the section plane.

    `mm_per_px`: millimetres per pixel (at the middle of the picture where `plane` is set).
    `u_rel`: relative standard uncertainty of every length that the scale gives (JCGM 100, dimensionless).
    `method`: one sentence-like phrase ("bar 10 mm, 412.3 px long").
    `plane`: None, or a 3x3 homography from (x, y, 1) px to section-plane millimetres (x right, y down).
    `tilt`: the camera's tilt where the marks tell it. `lens`: distortion that is taken out before `plane`.
    `mark_offset_mm`, `camera_distance_mm`: how high the marks were stated to lie over the section, and the lens.
    """

    mm_per_px: float
    u_rel: float
    method: str
    flags: tuple[Flag, ...] = ()
    marks: tuple[FoundMark, ...] = ()
    plane: FloatArray | None = None
    tilt: Tilt | None = None
    lens: Lens | None = None
    mark_offset_mm: float | None = None
    camera_distance_mm: float | None = None

    def __post_init__(self) -> None:
        if not (np.isfinite(self.mm_per_px) and self.mm_per_px > 0):
            msg = f"mm_per_px must be a positive number, not {self.mm_per_px!r}"
            raise ValueError(msg)
        if not (np.isfinite(self.u_rel) and self.u_rel >= 0):
            msg = f"u_rel must be zero or more, not {self.u_rel!r}"
            raise ValueError(msg)

    def to_mm(self, points_px: FloatArray) -> FloatArray:
        """Map (n, 2) points in px to (n, 2) points in mm of the section plane (x right, y down)."""
        points = np.asarray(points_px, dtype=np.float64).reshape(-1, 2)
        if self.lens is not None:
            points = self.lens.straightened(points)
        if self.plane is None:
            return points * self.mm_per_px
        h = np.column_stack([points, np.ones(len(points))]) @ self.plane.T
        return np.asarray(h[:, :2] / h[:, 2:3])

    def to_px(self, points_mm: FloatArray) -> FloatArray:
        """Map (n, 2) points in mm of the section plane back to (n, 2) points in px."""
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
        if self.plane is None:
            straight = points / self.mm_per_px
        else:
            h = np.column_stack([points, np.ones(len(points))]) @ np.linalg.inv(self.plane).T
            straight = np.asarray(h[:, :2] / h[:, 2:3])
        return straight if self.lens is None else self.lens.distorted(straight)

    def mm_per_px_at(self, point_px: Point) -> float:
        """Return the local mean scale (square root of the local area ratio) at a point, in mm per px."""
        if self.plane is None and self.lens is None:
            return self.mm_per_px
        x, y = point_px
        step = np.array([[x, y], [x + 1, y], [x, y + 1]])
        o, a, b = self.to_mm(step)
        area = abs((a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0]))
        return float(np.sqrt(area))

    def to_json(self) -> dict[str, object]:
        """Return the scale as it stands in the result document."""
        return {
            "mm_per_px": self.mm_per_px,
            "u_rel": self.u_rel,
            "method": self.method,
            "flags": [f.to_json() for f in self.flags],
            "marks": [mark.text for mark in self.marks],
            "mark_offset_mm": self.mark_offset_mm,
            "camera_distance_mm": self.camera_distance_mm,
        }
