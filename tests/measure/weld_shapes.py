"""Hand-made weld outlines with lengths anyone can check, drawn in the joint frame in mm.

Joint frame: origin at the joint root, x along the nonbutting surface, y out of it.
"""

from dataclasses import dataclass, replace

import numpy as np

from macrocheck.arrays import FloatArray, Point
from macrocheck.measure import measure_weld
from macrocheck.outline import SurfaceLine, WeldOutline
from macrocheck.results import Measurements
from macrocheck.scale import Scale

PX_PER_MM = 40.0


@dataclass(frozen=True)
class View:
    """Joint frame (mm, y up) to photo (px, y down): turned by `angle` degrees, perhaps mirrored."""

    px_per_mm: float = PX_PER_MM
    angle: float = 0.0
    mirrored: bool = False
    origin: Point = (700.0, 900.0)

    @property
    def scale(self) -> Scale:
        return Scale(1.0 / self.px_per_mm, 0.0, "stated")

    def turn(self, vectors: FloatArray) -> FloatArray:
        v = np.asarray(vectors, dtype=np.float64).reshape(-1, 2) * [-1.0 if self.mirrored else 1.0, 1.0]
        a = np.deg2rad(self.angle)
        x, y = v[:, 0] * np.cos(a) - v[:, 1] * np.sin(a), v[:, 0] * np.sin(a) + v[:, 1] * np.cos(a)
        return np.column_stack([x, -y])

    def points(self, points: FloatArray) -> FloatArray:
        return np.asarray(self.turn(points) * self.px_per_mm + np.asarray(self.origin))


def measured(weld: WeldOutline, view: View | None = None) -> Measurements:
    """Measure with few draws, where only values matter."""
    return measure_weld(weld, (view or View()).scale, draws=20)


def value(found: Measurements, key: str) -> float:
    """A quantity that must be there."""
    quantity = found.quantities[key]
    assert isinstance(quantity.value, float), quantity.reason
    return quantity.value


def weld(
    face: object,
    fusion: object,
    *,
    view: View | None = None,
    psi: float = 90.0,
    u: float = 0.8,
    u_line: float = 0.2,
    correlation: float = 10.0,
    **more: object,
) -> WeldOutline:
    """A tee (or what `more` says) with these curves in mm; `u`, `u_line`, `correlation` in px."""
    view = view or View()
    a = np.deg2rad(psi)
    out_n, out_b = np.array([1.0, 0.0]), np.array([np.cos(a), np.sin(a)])

    def line(direction: FloatArray, point: FloatArray) -> SurfaceLine:
        p, d = view.points(point)[0], view.turn(direction)[0]
        return SurfaceLine((float(p[0]), float(p[1])), (float(d[0]), float(d[1])), u_line, 2e-4, 300.0)

    face_px, fusion_px = view.points(np.asarray(face, float)), view.points(np.asarray(fusion, float))
    made = WeldOutline(
        joint="tee",
        surface_butting=line(out_b, 12.0 * out_b),
        surface_nonbutting=line(out_n, 12.0 * out_n),
        face=face_px,
        fusion=fusion_px,
        u_face=np.full(len(face_px), u),
        u_fusion=np.full(len(fusion_px), u),
        correlation_px=correlation,
    )
    return replace(made, **more)  # type: ignore[arg-type]


def triangle(butting: float = 3.0, nonbutting: float = 4.0, **more: object) -> WeldOutline:
    """A flat-faced weld that lies on both members without any fusion."""
    return weld([(0, butting), (nonbutting, 0)], [(nonbutting, 0), (0, 0), (0, butting)], **more)  # type: ignore[arg-type]


def sound(*, pen: float = 0.6, bulge: float = 0.5, psi: float = 90.0, n: int = 400, **more: object) -> WeldOutline:
    """A weld fused all along both legs (6 and 7 mm), smooth everywhere."""
    face, fusion = sound_curves(pen=pen, bulge=bulge, psi=psi, n=n)
    return weld(face, fusion, psi=psi, **more)  # type: ignore[arg-type]


def sound_curves(
    *, pen: float = 0.6, bulge: float = 0.5, psi: float = 90.0, n: int = 400
) -> tuple[FloatArray, FloatArray]:
    """Face and fusion boundary, mm, of `sound`; `bulge` sagitta of the parabolic face (negative: concave)."""
    a = np.deg2rad(psi)
    e_b = np.array([np.cos(a), np.sin(a)])
    n_b = np.array([np.sin(a), -np.cos(a)])
    toe_b, toe_n = 6.0 * e_b, np.array([7.0, 0.0])
    t = np.linspace(0, 1, n)[:, None]
    chord = toe_n - toe_b
    out = np.array([-chord[1], chord[0]]) / np.hypot(*chord)
    face = toe_b + t * chord + 4 * bulge * t * (1 - t) * out
    # Nonbutting: from the toe a bowl 1.4 mm deep to the tip behind the root; butting: from there to its toe.
    x = np.linspace(7.0, -pen, n)
    v = (x + pen) / (7.0 + pen)
    low = np.column_stack([x, -1.4 * (4 * v * (1 - v)) ** 0.7])
    s = np.linspace(0, 6.0, n)
    w = s / 6.0
    d = pen * np.sin(a) * (1 - w) ** 1.5 + 0.9 * (4 * w * (1 - w)) ** 0.8
    high = s[:, None] * e_b - d[:, None] * n_b
    # The tip on the faying line: depth pen sin(psi) of the butting member starts at (-pen sin^2, ...).
    if psi != 90.0:
        high = s[:, None] * e_b - (d / np.sin(a))[:, None] * np.array([1.0, 0.0])
    return face, np.vstack([low, high[1:]])


def bead(face: object, fusion: object, *, view: View | None = None, **more: object) -> WeldOutline:
    """A bead on plate: surface y = 0, the plate under it."""
    return weld(face, fusion, view=view, joint="bead", surface_butting=None, **more)  # type: ignore[arg-type]
