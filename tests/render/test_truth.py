"""Truth on shapes anyone can check, and against scikit-image's region properties of the drawn picture."""

from typing import Any

import numpy as np
import pytest
from skimage import measure

from macrocheck.quantities import BY_KEY
from macrocheck.render.coverage import section_covers
from macrocheck.render.photo import render_photo, sample_section
from macrocheck.render.raster import make_view
from macrocheck.render.section import DepthShape, SectionSpec, WeldSpec, build_section
from macrocheck.render.truth import section_truth, truth_outline
from tests.render.shapes import UNFUSED, flat_fillet, number


def test_flat_right_angled_fillet() -> None:
    truth = section_truth(flat_fillet())[0]
    # plane geometry: a right triangle of legs 5 and 5
    expected = {
        "leg_butting": 5.0,
        "leg_nonbutting": 5.0,
        "leg_difference": 0.0,
        "size": 5.0,
        "theoretical_throat": 5 / np.sqrt(2),
        "actual_throat": 5 / np.sqrt(2),
        "effective_throat": 5 / np.sqrt(2),
        "convexity": 0.0,
        "concavity": 0.0,
        "face_width": 5 * np.sqrt(2),
        "toe_angle_butting": 135.0,
        "toe_angle_nonbutting": 135.0,
        "depth_of_fusion_butting": 0.0,
        "root_penetration": 0.0,
        "root_shortfall": 0.0,
        "unfused_butting": 5.0,
        "unfused_nonbutting": 5.0,
        "fused_fraction_butting": 0.0,
        "unfused_land": 8.0,
        "weld_area": 12.5,
        "fill_area": 12.5,
        "melted_area_butting": 0.0,
        "dilution": 0.0,
        "dihedral_angle": 90.0,
        "root_gap": 0.0,
        "undercut_butting": 0.0,
        "overlap_nonbutting": 0.0,
        "void_area_fraction": 0.0,
    }
    for key, value in expected.items():
        assert number(truth[key]) == pytest.approx(value, abs=1e-6), key
    assert truth["size_unequal"] == pytest.approx((5.0, 5.0), abs=1e-6)
    np.testing.assert_allclose(np.asarray(truth["unfused_spans_butting"]), [[0.0, 5.0]])
    assert truth["haz_width_butting"] is None
    assert truth["bead_width"] is None


@pytest.mark.parametrize(
    ("psi", "factor"),
    # throat = leg x cos(psi / 2): the skew factors of a flat isosceles fillet, plane geometry
    [(60.0, 0.8660), (75.0, 0.7934), (90.0, 0.7071), (105.0, 0.6088), (120.0, 0.5), (135.0, 0.3827)],
)
def test_skewed_throats(psi: float, factor: float) -> None:
    truth = section_truth(flat_fillet(6.0, 6.0, psi=psi))[0]
    assert number(truth["theoretical_throat"]) == pytest.approx(6 * factor, abs=5e-4)
    assert number(truth["size"]) == pytest.approx(6.0, abs=1e-6)
    assert number(truth["weld_area"]) == pytest.approx(18 * np.sin(np.deg2rad(psi)), rel=1e-6)
    assert number(truth["toe_angle_butting"]) == pytest.approx(180 - (180 - psi) / 2, abs=1e-4)


def test_unequal_legs_and_concave_face() -> None:
    truth = section_truth(flat_fillet(4.0, 7.0))[0]
    assert truth["size_unequal"] == pytest.approx((4.0, 7.0), abs=1e-6)
    assert number(truth["size"]) == pytest.approx(4.0, abs=1e-6)
    assert number(truth["actual_throat"]) == pytest.approx(28 / np.hypot(4, 7), abs=1e-6)
    hollow = section_truth(flat_fillet(5.0, 5.0, convexity=-0.1))[0]
    # the cubic's middle lies convexity x face width inside the chord; the triangle touches it there
    sag = 0.1 * 5 * np.sqrt(2)
    assert number(hollow["concavity"]) == pytest.approx(sag, rel=1e-6)
    assert number(hollow["size"]) == pytest.approx(5 - sag * np.sqrt(2), rel=1e-4)
    assert number(hollow["actual_throat"]) == pytest.approx(5 / np.sqrt(2) - sag, rel=1e-4)
    proud = section_truth(flat_fillet(5.0, 5.0, convexity=0.1))[0]
    assert number(proud["convexity"]) == pytest.approx(sag, rel=1e-6)
    assert number(proud["effective_throat"]) == pytest.approx(5 / np.sqrt(2), abs=1e-2)


def test_root_penetration_shortfall_and_gap() -> None:
    deep = section_truth(flat_fillet(root_penetration=1.5, depth=DepthShape(1.0, wobble=0.0)))[0]
    assert number(deep["root_penetration"]) == pytest.approx(1.5, abs=1e-6)
    assert number(deep["unfused_land"]) == pytest.approx(6.5, abs=1e-6)
    assert number(deep["actual_throat"]) > 5 / np.sqrt(2) + 1.0
    short = section_truth(flat_fillet(bridge=(1.0, 1.0)))[0]
    assert number(short["root_penetration"]) == 0.0
    assert 0.5 < number(short["root_shortfall"]) <= 1.0
    gap = section_truth(flat_fillet(gap=0.8))[0]
    assert number(gap["root_gap"]) == pytest.approx(0.8)


def test_unfused_spans_follow_the_shape() -> None:
    shape = DepthShape(1.5, wobble=0.0, unfused_toe=2.0, unfused_root=0.8)
    truth = section_truth(flat_fillet(6.0, 6.0, depth=shape))[0]
    spans = truth["unfused_spans_nonbutting"]
    assert isinstance(spans, tuple)
    assert len(spans) == 2
    assert spans[0] == pytest.approx((0.0, 0.8), abs=0.12)
    assert spans[1] == pytest.approx((4.0, 6.0), abs=0.12)
    unfused = number(truth["unfused_nonbutting"])
    assert number(truth["fused_fraction_nonbutting"]) == pytest.approx(1 - unfused / 6)
    assert number(truth["overlap_nonbutting"]) == 0.0  # its toe angle is over 90 degrees
    turned = section_truth(flat_fillet(6.0, 6.0, depth=shape, convexity=0.2, toe_angle_nonbutting=60.0))[0]
    assert number(turned["overlap_nonbutting"]) == pytest.approx(2.0, abs=0.12)
    assert number(turned["toe_angle_nonbutting"]) == pytest.approx(60.0, abs=0.5)


def test_undercut_depth_is_the_grooves() -> None:
    truth = section_truth(flat_fillet(undercut_butting=(0.5, 1.4)))[0]
    assert number(truth["undercut_butting"]) == pytest.approx(0.5, rel=0.01)
    assert number(truth["undercut_nonbutting"]) == 0.0


def test_lap_without_an_end_face_keeps_only_what_needs_no_root() -> None:
    weld = WeldSpec(6.0, 6.0, DepthShape(0.8), DepthShape(0.8), root_penetration=0.5, top_melt=1.5)
    truth = section_truth(build_section(SectionSpec("lap", 90.0, 6.0, 6.0, (weld,))))[0]
    for key in ("leg_butting", "leg_nonbutting", "size", "root_penetration", "unfused_nonbutting", "fill_area"):
        assert truth[key] is None, key
    for key in ("face_width", "depth_of_fusion_nonbutting", "weld_area", "toe_angle_butting", "actual_throat"):
        assert number(truth[key]) > 0, key
    partly = WeldSpec(4.0, 6.0, DepthShape(0.8), DepthShape(0.8))
    kept = section_truth(build_section(SectionSpec("lap", 90.0, 6.0, 6.0, (partly,))))[0]
    assert number(kept["leg_butting"]) == pytest.approx(4.0)


def test_bead() -> None:
    weld = WeldSpec(4.0, 4.0, UNFUSED, DepthShape(2.0, wobble=0.0), convexity=0.2, ripple=0.0)
    truth = section_truth(build_section(SectionSpec("bead", 180.0, 10.0, 10.0, (weld,))))[0]
    assert number(truth["bead_width"]) == pytest.approx(8.0)
    assert number(truth["depth_of_fusion"]) == pytest.approx(2.0, rel=0.02)
    total = number(truth["fill_area"]) + number(truth["melted_area"])
    assert number(truth["weld_area"]) == pytest.approx(total)
    assert truth["leg_butting"] is None


@pytest.mark.parametrize("seed", range(6))
def test_areas_against_region_properties(seed: int) -> None:
    # source: skimage.measure.regionprops (area, area_filled, centroid) of the drawn weld
    section = sample_section(np.random.default_rng(seed), joints=("tee", "lap"), wild=1.0)
    view = make_view(px_per_mm=30, width=1200, height=1200, centre_mm=(2.0, 2.0), rotation_deg=20)
    section = build_section(
        SectionSpec(
            **{f: getattr(section.spec, f) for f in section.spec.__slots__ if f != "welds"},
            welds=section.spec.welds[:1],
        )
    )
    covers = section_covers(section, view)
    tools: Any = measure
    region = max(tools.regionprops(tools.label(covers.weld > 0.5)), key=lambda r: r.area)
    truth, outline = section_truth(section)[0], truth_outline(section, view)
    assert region.area / 30**2 == pytest.approx(number(truth["weld_area"]), rel=0.004)
    drawn = float(covers.weld.sum()) / 30**2
    assert drawn == pytest.approx(number(truth["weld_area"]), rel=1e-4)
    assert np.asarray(outline.polygon).min() > 0
    share = number(truth["void_area_fraction"])
    assert 1 - region.area / region.area_filled == pytest.approx(share, abs=0.002)


def test_every_quantity_is_there() -> None:
    for seed in range(4):
        section = sample_section(np.random.default_rng(seed), joints=("tee", "lap", "corner", "bead"))
        for truth in section_truth(section):
            assert set(truth) == set(BY_KEY)


def test_outline_lies_where_the_geometry_is() -> None:
    section = flat_fillet(5.0, 5.0, haz_butting=1.0, haz_nonbutting=1.0)
    view = make_view(px_per_mm=40, width=900, height=700, centre_mm=(2, 2), rotation_deg=31, mirror=True)
    outline = truth_outline(section, view)
    root = view.to_px(np.array([[0.0, 0.0]]))[0]
    assert outline.joint_root == pytest.approx(tuple(root), abs=1e-6)
    assert outline.surface_butting is not None
    toe = np.array([outline.toe_butting])
    assert abs(outline.surface_butting.signed_distance(toe)[0]) < 1e-6
    along = (toe[0] - root) @ np.asarray(outline.surface_butting.direction)
    assert along == pytest.approx(200.0)
    assert outline.haz_nonbutting is not None
    assert outline.seam_end == pytest.approx(tuple(view.to_px(np.array([[-8.0, 0.0]]))[0]))


def test_left_and_right_of_a_bead_are_those_of_the_picture() -> None:
    beads = (sample_section(np.random.default_rng(k), joints=("bead",), wild=1.0) for k in range(200))
    spec = next(b.spec for b in beads if b.welds[0].spec.undercut_nonbutting)
    plain, mirrored = (
        render_photo(0, "fair", spec=spec, size=(240, 180), mirror=m).welds[0].quantities for m in (False, True)
    )
    assert plain["undercut_left"] == mirrored["undercut_right"] == 0.0
    assert number(plain["undercut_right"]) > 0
    for key, other in (("undercut_right", "undercut_left"), ("toe_angle_right", "toe_angle_left")):
        assert plain[key] == mirrored[other]
        assert plain[other] == mirrored[key]
    assert plain["bead_width"] == mirrored["bead_width"]
