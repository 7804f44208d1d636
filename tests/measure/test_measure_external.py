"""Against published rules and against other libraries' geometry."""

import numpy as np
import pytest
from shapely.affinity import rotate
from shapely.geometry import LineString, Point, Polygon, box

from macrocheck.measure.areas import polygon_area, quadrant_area
from macrocheck.measure.curves import distance_to_polyline
from tests.measure import weld_shapes as shapes
from tests.measure.weld_shapes import measured, value


def test_quarter_inch_fillet_has_a_throat_of_0_177_in() -> None:
    """Published 0.177 in for a 1/4 in fillet (read at steelcalculator.app and scienceinsights.org)."""
    found = measured(shapes.triangle(6.35, 6.35))
    assert value(found, "theoretical_throat") / 25.4 == pytest.approx(0.177, abs=5e-4)
    assert value(found, "actual_throat") / 25.4 == pytest.approx(0.177, abs=5e-4)


def test_equal_legs_throat_is_size_times_cosine_45() -> None:
    """Theoretical throat = S cos 45 degrees (read at wartsila.com, encyclopedia, 'throat of a fillet weld')."""
    found = measured(shapes.triangle(8, 8))
    assert value(found, "theoretical_throat") == pytest.approx(8 * 0.7071, abs=1e-3)


# Leg factor of a skewed tee, AWS D1.1 annex table, from memory; it differs from sqrt(2) sin(psi / 2) by up to 0.01.
LEG_FACTOR = {
    60: 0.71, 65: 0.76, 70: 0.81, 75: 0.86, 80: 0.91, 85: 0.96, 90: 1.00, 95: 1.03,
    100: 1.08, 105: 1.12, 110: 1.16, 115: 1.19, 120: 1.23, 125: 1.25, 130: 1.28, 135: 1.31,
}  # fmt: skip


@pytest.mark.parametrize(("degrees", "factor"), LEG_FACTOR.items())
def test_leg_for_the_same_throat_on_a_skewed_tee(degrees: int, factor: float) -> None:
    a = np.deg2rad(degrees)
    leg = 6.0
    toe = (leg * np.cos(a), leg * np.sin(a))
    found = measured(shapes.weld([toe, (leg, 0)], [(leg, 0), (0, 0), toe], psi=degrees))
    throat = value(found, "theoretical_throat")
    assert value(found, "dihedral_angle") == pytest.approx(degrees, abs=1e-6)
    # The annex's leg is a toe's distance from the other member (throat = leg / (2 sin(psi/2))), not along its own.
    across = value(found, "size") * np.sin(a)
    assert across / (throat * np.sqrt(2)) == pytest.approx(factor, abs=0.015)
    assert throat == pytest.approx(across / (2 * np.sin(a / 2)), abs=1e-6)


def test_unequal_legs_are_those_of_the_largest_triangle() -> None:
    """Size with unequal legs: the legs of the largest right triangle inside the section (read in 'ABC's of Arc
    Welding'); a convex face over legs 5 and 8 leaves the toe-to-toe triangle."""
    face = [(0, 5), (3, 4.5), (6, 3), (8, 0)]
    found = measured(shapes.weld(face, [(8, 0), (0, 0), (0, 5)]))
    assert found.quantities["size_unequal"].value == pytest.approx((5.0, 8.0), abs=1e-6)
    assert value(found, "size") == pytest.approx(5.0, abs=1e-6)


def test_convexity_is_actual_less_effective_throat() -> None:
    """Convexity = actual - effective throat (read in Inspection Trends 7/2010, quoting AWS A3.0:2010)."""
    found = measured(shapes.sound())
    assert value(found, "actual_throat") - value(found, "effective_throat") == pytest.approx(0.5, abs=1e-3)
    assert value(found, "convexity") == pytest.approx(0.5, abs=1e-3)


def test_dilution_worked_example() -> None:
    """Melted base 1.5, added metal 0.6: dilution 0.714286 (read at calculatoratoz.com)."""
    bead = shapes.bead([(0, 0), (0, 0.3), (2, 0.3), (2, 0)], [(2, 0), (2, -0.75), (0, -0.75), (0, 0)])
    found = measured(bead)
    assert value(found, "melted_area") == pytest.approx(1.5, abs=1e-6)
    assert value(found, "fill_area") == pytest.approx(0.6, abs=1e-6)
    assert value(found, "dilution") == pytest.approx(0.714286, abs=1e-6)


def test_areas_agree_with_shapely() -> None:
    """shapely 2 intersections of the same outline with the two members' half planes; three dihedral angles."""
    for psi in (75.0, 90.0, 120.0):
        face, fusion = shapes.sound_curves(psi=psi, n=60)
        found = measured(shapes.weld(face, fusion, psi=psi))
        metal = Polygon(np.vstack([face, fusion[1:-1]])).buffer(0)
        below = box(-50, -50, 50, 0)
        behind = rotate(box(-50, 0, 50, 50), psi, origin=(0, 0)).intersection(box(-50, 0, 50, 50))
        assert value(found, "weld_area") == pytest.approx(metal.area, rel=1e-3)
        assert value(found, "melted_area_nonbutting") == pytest.approx(metal.intersection(below).area, abs=1e-3)
        assert value(found, "melted_area_butting") == pytest.approx(metal.intersection(behind).area, abs=1e-3)


def test_quadrant_area_agrees_with_shapely_on_stars() -> None:
    rng = np.random.default_rng(3)
    angle = np.sort(rng.uniform(0, 2 * np.pi, 40))
    for _ in range(20):
        star = rng.uniform(0.5, 3, 40)[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
        star = star + rng.uniform(-1, 1, 2)
        expected = Polygon(star).buffer(0).intersection(box(-9, 0, 0, 9)).area
        assert quadrant_area(star[None, :, 0], star[None, :, 1])[0] == pytest.approx(expected, abs=1e-9)
        assert polygon_area(star[None])[0] == pytest.approx(Polygon(star).area, abs=1e-9)


def test_area_agrees_with_region_properties_of_the_drawn_weld() -> None:
    """scikit-image regionprops counts pixels; the outline's area must agree within its boundary's pixel share."""
    view = shapes.View(px_per_mm=50.0)
    weld = shapes.sound(view=view)
    draw, regions = pytest.importorskip("skimage.draw"), pytest.importorskip("skimage.measure")
    mask = draw.polygon2mask((1400, 1400), weld.polygon[:, ::-1])
    (region,) = regions.regionprops(mask.astype(np.uint8))
    found = measured(weld, view)
    assert value(found, "weld_area") == pytest.approx(region.area / 50.0**2, rel=2e-3)


def test_distances_agree_with_shapely() -> None:
    rng = np.random.default_rng(4)
    curves = rng.uniform(-5, 5, (30, 12, 2))
    points = rng.uniform(-5, 5, (30, 2))
    distance, foot = distance_to_polyline(points, curves)
    for k in range(30):
        line = LineString(curves[k])
        assert distance[k] == pytest.approx(line.distance(Point(points[k])), abs=1e-9)
        assert line.distance(Point(foot[k])) < 1e-9


def test_void_agrees_with_an_exact_circle() -> None:
    """A pore of 1 mm diameter in a 5 x 5 weld: area pi/4 of 12.5 mm2."""
    a = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    pore = shapes.View().points(np.column_stack([1.5 + 0.5 * np.cos(a), 1.5 + 0.5 * np.sin(a)]))
    found = measured(shapes.triangle(5, 5, voids=(pore,)))
    assert value(found, "largest_void") == pytest.approx(1.0, abs=5e-3)
    assert value(found, "void_area_fraction") == pytest.approx(np.pi / 4 / 12.5, rel=5e-3)
    assert value(found, "weld_area") == pytest.approx(12.5 - np.pi / 4, abs=5e-3)
