"""A toe that no surface fixes errs along the face as far as across it."""

from dataclasses import replace

import numpy as np
import pytest

from macrocheck.measure.section import build
from macrocheck.outline import SurfaceLine, WeldOutline
from macrocheck.scale import Scale

SCALE = Scale(0.1, 1e-9, "px")


def straight_fillet(u_toe: float) -> WeldOutline:
    """Legs of 100 px on the axes, y down: face from (0, -100) to (100, 0), fused 20 px deep."""
    face = np.linspace([0.0, -100.0], [100.0, 0.0], 60)
    fusion = np.array([[100.0, 0.0], [60.0, 20.0], [-20.0, 20.0], [-20.0, -60.0], [0.0, -100.0]])
    u_face = np.full(60, 1e-6)
    u_face[0] = u_toe
    return WeldOutline(
        joint="tee",
        surface_butting=SurfaceLine((0.0, -150.0), (0.0, -1.0), 1e-6, 1e-9, 100.0),
        surface_nonbutting=SurfaceLine((150.0, 0.0), (1.0, 0.0), 1e-6, 1e-9, 100.0),
        face=face,
        fusion=fusion,
        u_face=u_face,
        u_fusion=np.full(5, 1e-6),
        correlation_px=1.0,
    )


def face_widths(weld: WeldOutline) -> np.ndarray:
    section = build(weld, SCALE, draws=4000, seed=1)
    return np.asarray(np.hypot(*(section.toe_butting - section.toe_nonbutting).T))


def test_a_lost_toe_errs_along_the_face_as_far_as_across_it() -> None:
    lost = replace(straight_fillet(3.0), surface_butting=None)
    widths = face_widths(lost)
    # 3 px of 0.1 mm along the face, whose length they change one to one.
    assert widths[0] == pytest.approx(np.sqrt(2) * 10.0)
    assert widths[1:].std() == pytest.approx(0.3, rel=0.05)
    assert widths[1:].mean() == pytest.approx(widths[0], abs=0.03)


def test_a_toe_on_its_surface_errs_as_face_and_surface_do() -> None:
    # Across the face by 3 px: the toe slides along the face, which meets the surface at 45 degrees, by as much.
    widths = face_widths(straight_fillet(3.0))
    assert widths[1:].std() == pytest.approx(0.3, rel=0.15)
    sure = face_widths(straight_fillet(1e-6))
    assert sure[1:].std() < 1e-5
