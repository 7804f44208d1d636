"""What cannot be had is null with a reason, never a guess; bad outlines and settings get a sentence."""

from dataclasses import replace

import numpy as np
import pytest

from macrocheck.arrays import FloatArray
from macrocheck.errors import InputError
from macrocheck.measure import measure, measure_weld
from macrocheck.measure.depth import STATIONS, _stations
from macrocheck.outline import Outline, SurfaceLine, WeldOutline
from macrocheck.quantities import QUANTITIES
from macrocheck.scale import Scale
from tests.measure import weld_shapes as shapes
from tests.measure.weld_shapes import measured, value

VIEW = shapes.View()


def test_every_quantity_is_there_with_a_value_or_a_reason() -> None:
    bead = shapes.bead([(0, 0), (2, 1), (4, 0)], [(4, 0), (2, -1), (0, 0)])
    for weld, kinds in (
        (shapes.sound(), [q for q in QUANTITIES if q.fillet]),
        (bead, [q for q in QUANTITIES if q.bead]),
    ):
        found = measured(weld)
        assert set(found.quantities) == {q.key for q in kinds}
        for kind in kinds:
            quantity = found.quantities[kind.key]
            assert quantity.unit == kind.unit
            if quantity.value is None:
                assert quantity.reason
                assert quantity.u is None
            else:
                assert quantity.u is not None
                assert quantity.U95 is not None
                assert 0 <= quantity.u <= quantity.U95


def test_toe_outside_the_picture() -> None:
    found = measured(replace(shapes.sound(), complete_butting=False))
    for key in ("leg_butting", "size", "face_width", "convexity", "weld_area", "depth_of_fusion_butting"):
        quantity = found.quantities[key]
        assert quantity.value is None
        assert quantity.reason == "the toe on the butting member lies outside the picture"
    for key in ("leg_nonbutting", "depth_of_fusion_nonbutting", "root_penetration", "actual_throat"):
        assert value(found, key) > 0
    assert [f.code for f in found.flags] == ["toe_outside"]


def test_throat_is_withheld_where_its_foot_may_be_cut_off() -> None:
    weld = shapes.weld([(0, 2), (9, 0)], [(9, 0), (0, 0), (0, 2)], complete_butting=False)
    assert measured(weld).quantities["actual_throat"].value is None


def test_withheld_by_the_outline() -> None:
    weld = replace(shapes.sound(), withheld={"root_penetration": "glare hides the root"})
    quantity = measured(weld).quantities["root_penetration"]
    assert quantity.value is None
    assert quantity.reason == "glare hides the root"


def lap_with_melted_end() -> WeldOutline:
    """Upper plate 4 mm thick, its end melted back 1 mm at the top; nothing of the end face is left."""
    fusion = [(6, 0), (5, -1), (0, -1), (-0.8, 0), (-0.8, 2), (-1, 4)]
    p, d = VIEW.points(np.array([[-9, 4]]))[0], VIEW.turn(np.array([[-1, 0]]))[0]
    top = SurfaceLine((float(p[0]), float(p[1])), (float(d[0]), float(d[1])), 0.2, 1e-4, 300.0)
    return shapes.weld([(-1, 4), (2.5, 3), (6, 0)], fusion, joint="lap", surface_butting=None, surface_top=top)


def test_lap_without_an_end_face() -> None:
    found = measured(lap_with_melted_end())
    for key in (
        "leg_nonbutting",
        "size",
        "theoretical_throat",
        "root_penetration",
        "unfused_nonbutting",
        "dilution",
    ):
        quantity = found.quantities[key]
        assert quantity.value is None
        assert quantity.reason is not None
        assert "joint root" in quantity.reason
    assert value(found, "face_width") == pytest.approx(np.hypot(7, 4))
    assert value(found, "depth_of_fusion_nonbutting") == pytest.approx(1.0, abs=1e-6)
    assert value(found, "toe_angle_butting") == pytest.approx(180 + np.rad2deg(np.arctan2(1, 3.5)), abs=1.0)
    # Weld root at (-0.8, 0); the nearest face is the line from (-1, 4) to (2.5, 3).
    away = np.array([2.5, 3]) - np.array([-0.8, 0])
    along = np.array([3.5, -1]) / np.hypot(3.5, 1)
    assert value(found, "actual_throat") == pytest.approx(abs(away[0] * along[1] - away[1] * along[0]), abs=0.02)
    assert value(found, "weld_area") > 0


def test_dihedral_angle_out_of_range() -> None:
    a = np.deg2rad(45)
    toe = (5 * np.cos(a), 5 * np.sin(a))
    found = measured(shapes.weld([toe, (5, 0)], [(5, 0), (0, 0), toe], psi=45.0))
    assert found.quantities["size"].value is None
    assert value(found, "dihedral_angle") == pytest.approx(45.0)
    assert [f.code for f in found.flags] == ["dihedral_range"]


def test_face_that_crosses_itself() -> None:
    found = measured(shapes.weld([(0, 5), (4, 4), (4, 2), (2, 5), (5, 0)], [(5, 0), (0, 0), (0, 5)]))
    assert found.quantities["weld_area"].value is None
    assert [f.code for f in found.flags] == ["face_folded"]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"face": np.zeros((1, 2)), "u_face": np.zeros(1)}, "at least two"),
        ({"face": np.array([[0.0, np.nan], [1, 1]]), "u_face": np.zeros(2)}, "not a number"),
        ({"u_fusion": np.zeros(1)}, "give one for each"),
        ({"fusion": np.ones((3, 2)), "u_fusion": np.zeros(3)}, "the same"),
    ],
)
def test_outlines_that_cannot_be_measured(change: dict[str, object], says: str) -> None:
    with pytest.raises(InputError, match=says):
        measured(replace(shapes.triangle(), **change))  # type: ignore[arg-type]


def test_settings_that_cannot_be_used() -> None:
    with pytest.raises(InputError, match="threshold"):
        measure_weld(shapes.triangle(), VIEW.scale, fusion_threshold_mm=0.0)
    with pytest.raises(InputError, match="draws"):
        measure_weld(shapes.triangle(), VIEW.scale, draws=3)


def test_every_weld_of_an_outline_in_its_order() -> None:
    welds = (shapes.triangle(3, 4), shapes.triangle(5, 6))
    found = measure(Outline(1400, 1400, welds), VIEW.scale, draws=20)
    assert [value(m, "leg_butting") for m in found] == pytest.approx([3.0, 5.0])


def test_rectified_picture() -> None:
    """A tilted photograph and the homography that undoes it give the same millimetres."""
    weld = shapes.sound()
    plane = np.array([[1 / 40, 0, 0], [0, 1 / 40, 0], [0, 0, 1.0]])
    tilt = np.array([[1.0, 0.05, 3], [0.02, 0.9, -2], [4e-5, 8e-5, 1.0]])

    def tilted(points: FloatArray) -> FloatArray:
        h = np.column_stack([points, np.ones(len(points))]) @ tilt.T
        return np.asarray(h[:, :2] / h[:, 2:])

    def line(line: SurfaceLine | None) -> SurfaceLine:
        assert line is not None
        p, d = np.asarray(line.point), np.asarray(line.direction)
        a, b = tilted(np.vstack([p, p + 10 * d]))
        step = (b - a) / np.hypot(*(b - a))
        return replace(line, point=(float(a[0]), float(a[1])), direction=(float(step[0]), float(step[1])))

    turned = replace(
        weld,
        face=tilted(weld.face),
        fusion=tilted(weld.fusion),
        surface_butting=line(weld.surface_butting),
        surface_nonbutting=line(weld.surface_nonbutting),
    )
    scale = Scale(1 / 40, 0.0, "stated", plane=plane @ np.linalg.inv(tilt))
    straight, rectified = measured(weld), measure_weld(turned, scale, draws=20)
    for key in ("leg_butting", "leg_nonbutting", "actual_throat", "depth_of_fusion_nonbutting", "weld_area"):
        assert value(rectified, key) == pytest.approx(value(straight, key), rel=2e-3), key


def test_without_the_nonbutting_surface_what_needs_none_is_still_measured() -> None:
    whole = measured(shapes.sound())
    found = measured(replace(shapes.sound(), surface_nonbutting=None))
    kept = {"weld_area", "face_width", "convexity", "concavity", "void_area_fraction", "largest_void"}
    for key, quantity in found.quantities.items():
        if key in kept:
            assert quantity.value == pytest.approx(whole.quantities[key].value, abs=1e-9)
            assert quantity.u is not None
            assert quantity.u > 0
        else:
            assert quantity.value is None
            assert quantity.reason is not None
            assert "surface of the nonbutting member" in quantity.reason
    assert set(found.quantities) == set(whole.quantities)
    assert found.profiles == {}


def test_a_bead_without_its_surface_keeps_its_width_and_area() -> None:
    bead = shapes.bead([(0, 0), (2, 1), (4, 0)], [(4, 0), (2, -1), (0, 0)])
    found = measured(replace(bead, surface_nonbutting=None))
    assert value(found, "bead_width") == pytest.approx(4.0, abs=1e-6)
    assert value(found, "weld_area") == pytest.approx(4.0, abs=1e-6)
    assert found.quantities["depth_of_fusion"].value is None


def test_toes_outside_the_picture_count_without_a_surface_too() -> None:
    found = measured(replace(shapes.sound(), surface_nonbutting=None, complete_nonbutting=False))
    assert found.quantities["face_width"].reason == "the toe on the nonbutting member lies outside the picture"


def test_a_leg_of_next_to_nothing_costs_no_more_than_any_other() -> None:
    """Surfaces that hardly meet: the drawn legs reach far past the found one, the stations must not."""
    leg = np.concatenate([[1e-6], np.linspace(-400.0, 400.0, 50)])
    s, step = _stations(np.zeros_like(leg), leg)
    assert len(s) < 20 * STATIONS
    assert s[-1] + step >= 400.0


def lap_filled_to(height: float) -> WeldOutline:
    """Upper plate 4 mm thick, its end face whole; a straight face from `height` up the end face to 5 mm out."""
    p, d = VIEW.points(np.array([[-9, 4]]))[0], VIEW.turn(np.array([[-1, 0]]))[0]
    top = SurfaceLine((float(p[0]), float(p[1])), (float(d[0]), float(d[1])), 0.2, 1e-4, 300.0)
    fusion = [(5, 0), (3, -1), (0, 0), (-0.5, height / 2), (0, height)]
    return shapes.weld([(0, height), (5, 0)], fusion, joint="lap", surface_top=top)


def test_at_a_laps_corner_the_toe_has_no_angle_of_its_own() -> None:
    at_corner = measured(lap_filled_to(4.0)).quantities["toe_angle_butting"]
    assert at_corner.value is None
    assert at_corner.reason is not None
    assert "corner" in at_corner.reason
    below = measured(lap_filled_to(3.0))
    assert value(below, "toe_angle_butting") == pytest.approx(180 - np.rad2deg(np.arctan2(5, 3)), abs=1.0)
