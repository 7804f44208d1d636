"""Points of dimensions on sections where anyone can say where they are."""

from dataclasses import replace

import numpy as np
import pytest

from macrocheck.arrays import FloatArray
from macrocheck.outline import SurfaceLine
from macrocheck.report.geometry import WeldPoints, nearest_on, weld_points
from macrocheck.scale import Scale
from tests.report.scenes import DEPTH_PX, LEG_PX, numbers, scale_of, spans, tee_weld, turned


def length(line: FloatArray) -> float:
    return float(np.hypot(*(line[1] - line[0])))


def by_key(points: WeldPoints) -> dict[str, FloatArray]:
    return {d.key: d.line for d in points.dimensions}


@pytest.mark.parametrize(("degrees", "mirror"), [(0, False), (33, False), (-120, True), (180, True)])
def test_dimensions_of_a_right_angled_fillet(degrees: float, mirror: bool) -> None:
    root = (500.0, 600.0)
    weld = tee_weld(root, degrees, mirror=mirror)
    found = weld_points(weld, numbers(), scale_of())
    lines = by_key(found)
    assert length(lines["leg_butting"]) == pytest.approx(LEG_PX)
    assert length(lines["leg_nonbutting"]) == pytest.approx(LEG_PX)
    # Throat of an equal-leg right-angled fillet: leg x cos 45 deg (KOBELCO, The ABC's of Arc Welding).
    assert length(lines["actual_throat"]) == pytest.approx(LEG_PX * np.sqrt(0.5))
    middle = turned(np.array([[LEG_PX / 2, LEG_PX / 2]]), root, degrees, mirror=mirror)[0]
    np.testing.assert_allclose(lines["actual_throat"][1], middle, atol=1e-6)
    deepest = turned(np.array([[-DEPTH_PX, LEG_PX / 2], [LEG_PX / 2, -DEPTH_PX]]), root, degrees, mirror=mirror)
    np.testing.assert_allclose(lines["depth_of_fusion_butting"][1], deepest[0], atol=1e-6)
    np.testing.assert_allclose(lines["depth_of_fusion_nonbutting"][1], deepest[1], atol=1e-6)
    assert found.joint_root is not None
    np.testing.assert_allclose(found.joint_root, root, atol=1e-6)
    assert "root_penetration" not in lines


def test_depth_from_the_outline_where_there_is_no_profile() -> None:
    measured = replace(numbers(), profiles={})
    lines = by_key(weld_points(tee_weld(), measured, scale_of()))
    np.testing.assert_allclose(lines["depth_of_fusion_nonbutting"], [[600, 600], [600, 640]], atol=1e-6)


def test_root_penetration_runs_along_the_faying_surface() -> None:
    weld = tee_weld()
    # weld metal reaches 60 px (1.5 mm) past the joint root, between the members
    fusion = np.vstack([weld.fusion[:40], [[440.0, 600.0]], weld.fusion[41:]])
    found = weld_points(replace(weld, fusion=fusion), numbers(root_penetration=(1.5, 0.1)), scale_of())
    np.testing.assert_allclose(by_key(found)["root_penetration"], [[500, 600], [440, 600]], atol=1e-6)
    np.testing.assert_allclose(by_key(found)["actual_throat"][0], [440, 600], atol=1e-6)


def test_unfused_spans_lie_on_the_surfaces() -> None:
    found = weld_points(tee_weld(), spans(numbers(), butting=((0.0, 1.0), (4.0, 4.5))), scale_of())
    first, second = found.unfused["butting"]
    np.testing.assert_allclose(first, [[500, 600], [500, 560]], atol=1e-6)
    np.testing.assert_allclose(second, [[500, 440], [500, 420]], atol=1e-6)
    assert "nonbutting" not in found.unfused


def test_what_cannot_be_had_is_left_out() -> None:
    measured = numbers(leg_butting=None, actual_throat=None)
    lines = by_key(weld_points(tee_weld(), measured, scale_of()))
    assert set(lines) == {"leg_nonbutting", "depth_of_fusion_butting", "depth_of_fusion_nonbutting"}
    cut = replace(tee_weld(), complete_nonbutting=False)
    found = weld_points(cut, numbers(), scale_of())
    assert found.toe_nonbutting is None
    assert "leg_nonbutting" not in by_key(found)
    melted = replace(tee_weld(), surface_butting=None)
    found = weld_points(melted, numbers(leg_butting=None, leg_nonbutting=None), scale_of())
    assert found.joint_root is None
    assert [s.member for s in found.surfaces] == ["nonbutting"]
    neither = replace(melted, surface_nonbutting=None)
    assert weld_points(neither, numbers(), scale_of()).dimensions == ()


def test_a_surface_stated_by_hand_is_dashed_all_along() -> None:
    line = SurfaceLine((600.0, 600.0), (1.0, 0.0), 0.0, 0.0, 0.0)
    (surface,) = weld_points(replace(tee_weld(), surface_butting=None, surface_nonbutting=line), numbers(),
                             scale_of()).surfaces  # fmt: skip
    assert surface.seen is None
    assert len(surface.hidden) == 1


def test_right_angles_are_right_in_the_section_plane() -> None:
    """In a photo squeezed to half its width the throat foot is still where the plane says."""
    weld = tee_weld()
    squeeze = np.array([0.5, 1.0])

    def narrow(line: SurfaceLine | None) -> SurfaceLine | None:
        if line is None:
            return None
        way = np.array(line.direction) * squeeze
        way = way / np.hypot(*way)
        return replace(line, point=(line.point[0] * 0.5, line.point[1]), direction=(float(way[0]), float(way[1])))

    thin = replace(weld, face=weld.face * squeeze, fusion=weld.fusion * squeeze,
                   surface_butting=narrow(weld.surface_butting),
                   surface_nonbutting=narrow(weld.surface_nonbutting))  # fmt: skip
    plane = np.diag([0.05, 0.025, 1.0])
    scale = Scale(0.035, 0.002, "rectified", plane=plane)
    straight, squeezed = (by_key(weld_points(w, numbers(), s)) for w, s in ((weld, scale_of()), (thin, scale)))
    for key, line in straight.items():
        np.testing.assert_allclose(squeezed[key], line * squeeze, atol=1e-6, err_msg=key)


def test_nearest_on_a_polyline() -> None:
    curve = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0]])
    np.testing.assert_allclose(nearest_on(curve, np.array([4.0, 3.0])), [4, 0])
    np.testing.assert_allclose(nearest_on(curve, np.array([20.0, 20.0])), [10, 10])
    np.testing.assert_allclose(nearest_on(np.array([[1.0, 1.0], [1.0, 1.0]]), np.array([5.0, 5.0])), [1, 1])


def test_bead_dimensions() -> None:
    s = np.linspace(0, 200, 41)
    bump = np.sin(np.pi * s / 200)
    weld = replace(
        tee_weld(), joint="bead", surface_butting=None,
        surface_nonbutting=SurfaceLine((500.0, 600.0), (1.0, 0.0), 0.2, 0.001, 80.0),
        face=np.column_stack([400 + s, 600 - 30 * bump]),
        fusion=np.column_stack([400 + s, 600 + 50 * bump])[::-1],
    )  # fmt: skip
    measured = replace(
        numbers(bead_width=(5.0, 0.05), reinforcement_height=(0.75, 0.04), depth_of_fusion=(1.25, 0.06)),
        profiles={},
    )
    lines = by_key(weld_points(weld, measured, scale_of()))
    assert length(lines["bead_width"]) == pytest.approx(200)
    np.testing.assert_allclose(lines["reinforcement_height"], [[500, 600], [500, 570]], atol=1e-6)
    np.testing.assert_allclose(lines["depth_of_fusion"], [[500, 600], [500, 650]], atol=1e-6)
