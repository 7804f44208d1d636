"""Lengths on outlines that anyone can check with a ruler."""

import numpy as np
import pytest

from macrocheck.arrays import FloatArray
from macrocheck.measure import measure_weld
from macrocheck.scale import Scale
from tests.measure import weld_shapes as shapes
from tests.measure.weld_shapes import measured, value


def test_three_four_five_triangle() -> None:
    found = measured(shapes.triangle(3, 4))
    expected = {
        "leg_butting": 3.0,
        "leg_nonbutting": 4.0,
        "leg_difference": 1.0,
        "face_width": 5.0,
        "size": 3.0,
        "actual_throat": 12 / 5,  # height over the hypotenuse
        "effective_throat": 12 / 5,
        "convexity": 0.0,
        "concavity": 0.0,
        "weld_area": 6.0,
        "fill_area": 6.0,
        "melted_area_butting": 0.0,
        "melted_area_nonbutting": 0.0,
        "dilution": 0.0,
        "toe_angle_butting": 180 - np.rad2deg(np.arctan2(4, 3)),
        "toe_angle_nonbutting": 180 - np.rad2deg(np.arctan2(3, 4)),
        "unfused_butting": 3.0,
        "unfused_nonbutting": 4.0,
        "fused_fraction_butting": 0.0,
        "depth_of_fusion_butting": 0.0,
        "root_penetration": 0.0,
        "root_shortfall": 0.0,
        "overlap_nonbutting": 0.0,
        "dihedral_angle": 90.0,
    }
    for key, number in expected.items():
        assert value(found, key) == pytest.approx(number, abs=1e-6), key
    assert found.quantities["size_unequal"].value == pytest.approx((3.0, 4.0), abs=1e-6)


def test_flat_face_at_45_degrees_turns_through_135() -> None:
    found = measured(shapes.triangle(5, 5))
    assert value(found, "toe_angle_butting") == pytest.approx(135.0, abs=1e-6)
    assert value(found, "toe_angle_nonbutting") == pytest.approx(135.0, abs=1e-6)


def arc(radius: float, centre: tuple[float, float], start: float, stop: float, n: int = 181) -> FloatArray:
    a = np.deg2rad(np.linspace(start, stop, n))
    return np.column_stack([centre[0] + radius * np.cos(a), centre[1] + radius * np.sin(a)])


def test_quarter_circle_bulging_out() -> None:
    """Face on a circle of 5 mm about the joint root: throat 5, convexity 5 - 5/sqrt 2, square to the plates."""
    found = measured(shapes.weld(arc(5, (0, 0), 90, 0), [(5, 0), (0, 0), (0, 5)]))
    assert value(found, "actual_throat") == pytest.approx(5.0, abs=2e-3)
    assert value(found, "convexity") == pytest.approx(5 - 5 / np.sqrt(2), abs=2e-3)
    assert value(found, "effective_throat") == pytest.approx(5 / np.sqrt(2), abs=2e-3)
    assert value(found, "size") == pytest.approx(5.0, abs=2e-3)
    assert value(found, "toe_angle_nonbutting") == pytest.approx(90.0, abs=1.0)
    assert value(found, "weld_area") == pytest.approx(np.pi * 25 / 4, rel=1e-3)


def test_quarter_circle_hollowed_out() -> None:
    """Face on a circle of 5 mm about (5, 5): the size triangle touches its middle, 5 sqrt 2 - 5 from the root."""
    found = measured(shapes.weld(arc(5, (5, 5), 180, 270), [(5, 0), (0, 0), (0, 5)]))
    throat = 5 * np.sqrt(2) - 5
    assert value(found, "actual_throat") == pytest.approx(throat, abs=2e-3)
    assert value(found, "theoretical_throat") == pytest.approx(throat, abs=2e-3)
    assert value(found, "size") == pytest.approx(throat * np.sqrt(2), abs=3e-3)
    assert value(found, "concavity") == pytest.approx(5 - 5 / np.sqrt(2), abs=2e-3)
    assert value(found, "toe_angle_butting") == pytest.approx(180.0, abs=1.5)


def test_largest_triangle_with_unequal_legs_touches_a_notched_face() -> None:
    """Legs 8 and 8, the face bent in to (2, 2): the chord from (0, 8) through (2, 2) ends at x = 8/3."""
    notched = shapes.weld([(0, 8), (2, 2), (8, 0)], [(8, 0), (0, 0), (0, 8)])
    # Either leg may be the long one: unsure, and stated only on demand.
    assert measured(notched).quantities["size_unequal"].value is None
    found = measure_weld(notched, Scale(1 / shapes.PX_PER_MM, 0.0, "stated"), draws=20, all_lengths=True)
    legs = found.quantities["size_unequal"].value
    assert isinstance(legs, tuple)
    assert sorted(float(v) for v in legs if not isinstance(v, tuple)) == pytest.approx([8 / 3, 8.0], abs=0.02)
    assert value(found, "size") == pytest.approx(4.0, abs=1e-6)


def test_root_gap_and_unfused_land() -> None:
    weld = shapes.weld(
        [(0, 6), (6, 0)],
        [(6, 0), (-0.5, 0), (-0.5, 0.4), (0, 0.4), (0, 6)],
        gap_px=(0.4 * shapes.PX_PER_MM, 0.5),
        seam_end=tuple(shapes.View().points(np.array([[-9.5, 0.2]]))[0].tolist()),
    )
    found = measured(weld)
    assert value(found, "root_gap") == pytest.approx(0.4)
    assert value(found, "root_penetration") == pytest.approx(0.5, abs=0.02)
    assert value(found, "unfused_land") == pytest.approx(9.0, abs=0.02)
    assert value(found, "melted_area_butting") == pytest.approx(0.0, abs=1e-6)
    assert value(found, "fill_area") == pytest.approx(18.2, abs=1e-3)


def test_throat_is_measured_from_the_weld_root() -> None:
    """Weld metal 1 mm past the joint root: the throat to the flat face is 1 mm / sqrt 2 longer."""
    found = measured(shapes.weld([(0, 5), (5, 0)], [(5, 0), (3, -1), (0, -1), (-1, 0), (-1, 2), (0, 5)]))
    assert value(found, "root_penetration") == pytest.approx(1.0, abs=0.02)
    assert value(found, "actual_throat") == pytest.approx(6 / np.sqrt(2), abs=0.02)
    assert value(found, "theoretical_throat") == pytest.approx(5 / np.sqrt(2), abs=1e-6)


def test_weld_metal_that_falls_short_of_the_root() -> None:
    """The boundary cuts the corner from (2, 0) to (0, 2): sqrt 2 mm short, and the throat shrinks by as much."""
    found = measured(shapes.weld([(0, 5), (5, 0)], [(5, 0), (2, 0), (0, 2), (0, 5)]))
    assert value(found, "root_shortfall") == pytest.approx(np.sqrt(2), abs=1e-3)
    assert value(found, "root_penetration") == 0.0
    assert value(found, "actual_throat") == pytest.approx(3 / np.sqrt(2), abs=2e-3)
    assert value(found, "size") == pytest.approx(5.0, abs=1e-6)


def test_overlap_needs_a_face_that_turns_under() -> None:
    """The last 1.5 mm lie unfused on the plate, and only in the second weld the face hangs over its toe."""
    fusion = [(6, 0), (4.5, 0), (4.4, -1), (0.1, -1), (-0.2, 0), (-0.5, 2), (0, 6)]
    flat = measured(shapes.weld([(0, 6), (6, 0)], fusion))
    hanging = measured(shapes.weld([(0, 6), (4, 4.5), (6.3, 2), (6.5, 1), (6, 0)], fusion))
    assert value(flat, "overlap_nonbutting") == 0.0
    assert value(hanging, "toe_angle_nonbutting") < 80
    assert value(hanging, "overlap_nonbutting") == pytest.approx(1.5, abs=0.05)


def test_undercut_is_the_depth_of_the_groove() -> None:
    view = shapes.View()
    groove = view.points(np.array([[4, 0], [4.3, -0.4], [4.8, 0], [6, 0]]))
    flat = view.points(np.array([[0, 3], [0, 5]]))
    found = measured(shapes.triangle(3, 4, groove_nonbutting=groove, groove_butting=flat))
    assert value(found, "undercut_nonbutting") == pytest.approx(0.4, abs=0.01)
    assert value(found, "undercut_butting") == pytest.approx(0.0, abs=1e-9)
    assert (found.quantities["undercut_butting"].u or 0) > 0
    unseen = measured(shapes.triangle(3, 4)).quantities["undercut_butting"]
    assert unseen.value is None
    assert unseen.reason


def test_heat_affected_zone_of_even_width() -> None:
    """The boundary 1 mm under the plate from x = 0 to 5, the zone's edge 2.5 mm under it: 1.5 mm wide."""
    fusion = [(5, 0), (5, -1), (0, -1), (-1, 0), (-1, 2), (0, 5)]
    edge = shapes.View().points(np.array([[4.9, -2.5], [0.1, -2.5]]))
    found = measured(shapes.weld([(0, 5), (5, 0)], fusion, haz_nonbutting=edge, u_haz=1.0))
    assert value(found, "haz_width_nonbutting") == pytest.approx(1.5, abs=0.01)
    assert found.quantities["haz_width_butting"].value is None
