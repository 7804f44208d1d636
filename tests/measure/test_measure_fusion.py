"""Depth of fusion, unfused spans, bead on plate, on stepped outlines."""

import numpy as np
import pytest

from macrocheck.measure import measure_weld
from tests.measure import weld_shapes as shapes
from tests.measure.weld_shapes import measured, value

# Nonbutting: 1.2 mm deep from s = 2 to 5, else unfused. Butting: 0.7 mm deep from s = 0 to 3, unfused above.
STEPS = [(7, 0), (5, 0), (5, -1.2), (2, -1.2), (2, 0), (0, 0), (-0.7, 0), (-0.7, 3), (0, 3), (0, 6)]


def test_stepped_boundary() -> None:
    found = measured(shapes.weld([(0, 6), (7, 0)], STEPS))
    assert value(found, "depth_of_fusion_nonbutting") == pytest.approx(1.2, abs=1e-6)
    assert value(found, "depth_of_fusion_butting") == pytest.approx(0.7, abs=1e-6)
    assert value(found, "unfused_nonbutting") == pytest.approx(4.0, abs=0.03)
    assert value(found, "unfused_butting") == pytest.approx(3.0, abs=0.03)
    assert value(found, "fused_fraction_nonbutting") == pytest.approx(3 / 7, abs=0.005)
    spans = found.quantities["unfused_spans_nonbutting"].value
    assert np.allclose(np.array(spans), [[0, 2], [5, 7]], atol=0.03)
    assert np.allclose(np.array(found.quantities["unfused_spans_butting"].value), [[3, 6]], atol=0.03)
    assert value(found, "root_penetration") == pytest.approx(0.7, abs=0.01)
    assert value(found, "melted_area_nonbutting") == pytest.approx(3.6, abs=1e-6)
    assert value(found, "melted_area_butting") == pytest.approx(2.1, abs=1e-6)


def test_spans_add_up_to_the_unfused_length() -> None:
    found = measured(shapes.weld([(0, 6), (7, 0)], STEPS))
    for member in ("butting", "nonbutting"):
        spans = np.array(found.quantities[f"unfused_spans_{member}"].value)
        assert np.diff(spans).sum() == pytest.approx(value(found, f"unfused_{member}"), abs=0.02)


def test_profile_is_the_depth_at_stations() -> None:
    found = measured(shapes.weld([(0, 6), (7, 0)], STEPS))
    profile = found.profiles["nonbutting"]
    assert 60 <= len(profile.s_mm) <= 100
    assert np.all(np.diff(profile.s_mm) > 0)
    deep = (profile.s_mm > 2.1) & (profile.s_mm < 4.9)
    assert profile.d_mm[deep] == pytest.approx(1.2)
    shallow = (profile.s_mm < 1.9) | (profile.s_mm > 5.1)
    assert np.abs(profile.d_mm[shallow]).max() < 1e-9
    assert profile.u_mm[deep].mean() == pytest.approx(0.8 / 40, rel=0.5)


def test_a_few_micrometres_are_not_fusion() -> None:
    """The boundary along an unfused face wanders 0.02 mm about the surface, both ways."""
    x = np.linspace(7, 0, 200)
    low = np.column_stack([x, 0.02 * np.sin(11 * x)])
    found = measured(shapes.weld([(0, 6), (7, 0)], [*low.tolist(), (0, 6)]))
    assert value(found, "unfused_nonbutting") == pytest.approx(7.0, abs=1e-6)
    assert value(found, "fused_fraction_nonbutting") == pytest.approx(0.0, abs=1e-6)


def test_threshold_is_the_users() -> None:
    ramp = [(6, 0), (0, -0.6), (-0.1, 0), (0, 0.3), (0, 6)]
    view = shapes.View()
    for threshold in (0.05, 0.1, 0.3):
        found = measure_weld(
            shapes.weld([(0, 6), (6, 0)], ramp), view.scale, fusion_threshold_mm=threshold, draws=20
        )
        assert value(found, "unfused_nonbutting") == pytest.approx(10 * threshold, abs=0.02)
        assert found.settings["fusion_threshold_mm"] == threshold


def test_metal_under_a_skin_of_plate_is_not_fused_to_the_surface() -> None:
    """A tongue that runs back under the plate's surface leaves that surface unfused."""
    tongue = [(6, 0), (3, 0), (3, -0.5), (5, -0.5), (5, -1.5), (0, -1.5), (-0.3, 0), (0, 2), (0, 6)]
    found = measured(shapes.weld([(0, 6), (6, 0)], tongue))
    assert value(found, "depth_of_fusion_nonbutting") == pytest.approx(1.5, abs=1e-6)
    assert value(found, "unfused_nonbutting") == pytest.approx(3.0, abs=0.03)


def test_depth_in_the_butting_member_stops_at_the_faying_surface() -> None:
    """Dihedral angle 120 degrees: the inward normal at s leaves the member after s tan 60."""
    psi = 120.0
    a = np.deg2rad(psi)
    e, inward = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
    low = np.array([[6, 0], [5, -3], [-3, -3], [-3, 0]])
    high = np.array([6 * e + 3 * inward, 6 * e])
    found = measured(shapes.weld([6 * e, (6, 0)], np.vstack([low, high]), psi=psi))
    profile = found.profiles["butting"]
    near = profile.s_mm < 1.5
    assert profile.d_mm[near] == pytest.approx(profile.s_mm[near] * np.tan(np.deg2rad(60)), abs=0.02)
    assert value(found, "depth_of_fusion_butting") == pytest.approx(3.0, abs=0.02)


def test_bead_on_plate() -> None:
    a = np.deg2rad(np.linspace(180, 0, 121))
    face = np.column_stack([4 * np.cos(a), 2 * np.sin(a)])
    fusion = np.column_stack([4 * np.cos(-a[::-1]), 3 * np.sin(-a[::-1])])
    found = measured(shapes.bead(face, fusion))
    assert value(found, "bead_width") == pytest.approx(8.0, abs=1e-6)
    assert value(found, "reinforcement_height") == pytest.approx(2.0, abs=1e-3)
    assert value(found, "depth_of_fusion") == pytest.approx(3.0, abs=1e-3)
    assert value(found, "fill_area") == pytest.approx(np.pi * 4, rel=1e-3)
    assert value(found, "melted_area") == pytest.approx(np.pi * 6, rel=1e-3)
    assert value(found, "dilution") == pytest.approx(0.6, abs=1e-3)
    assert set(found.profiles) == {"surface"}


def test_left_and_right_of_a_bead_are_seen_with_the_bead_on_top() -> None:
    """Steep on the left, flat on the right; the picture turned, the face drawn from either end."""
    face, fusion = [(0, 0), (1, 2), (8, 0)], [(8, 0), (4, -1), (0, 0)]
    for angle in (0.0, 90.0, 200.0):
        view = shapes.View(angle=angle)
        for outline in (
            shapes.bead(face, fusion, view=view),
            shapes.bead(face[::-1], fusion[::-1], view=view),
        ):
            found = measured(outline, view)
            assert value(found, "toe_angle_left") == pytest.approx(180 - np.rad2deg(np.arctan(2)), abs=1.0)
            assert value(found, "toe_angle_right") == pytest.approx(180 - np.rad2deg(np.arctan(2 / 7)), abs=1.0)
