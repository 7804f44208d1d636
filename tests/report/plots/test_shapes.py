"""The joint frame: the same section comes out the same, however it lay in the picture."""

import numpy as np
import pytest

from macrocheck.report.plots.shapes import in_joint_frame
from tests.report.scenes import DEPTH_PX, LEG_PX, MM_PER_PX, scale_of, tee_weld


@pytest.mark.parametrize("degrees", [0.0, 37.0, 180.0, -95.0])
@pytest.mark.parametrize("mirror", [False, True])
def test_turning_and_mirroring_change_nothing(degrees: float, mirror: bool) -> None:
    weld = tee_weld(degrees=degrees, mirror=mirror)
    framed = in_joint_frame(weld, scale_of())
    assert framed is not None
    polygon, angle = framed
    assert angle == pytest.approx(90.0)
    leg, depth = LEG_PX * MM_PER_PX, DEPTH_PX * MM_PER_PX
    assert polygon.max(axis=0) == pytest.approx([leg, leg], abs=1e-6)
    assert polygon.min(axis=0) == pytest.approx([-depth, -depth], abs=1e-3)
    assert np.min(np.hypot(*(polygon - (leg, 0)).T)) < 1e-6  # the nonbutting toe lies on x


def test_a_weld_without_a_surface_has_no_frame() -> None:
    from dataclasses import replace

    assert in_joint_frame(replace(tee_weld(), surface_butting=None), scale_of()) is None
    assert in_joint_frame(replace(tee_weld(), joint="bead"), scale_of()) is None
