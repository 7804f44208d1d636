"""The second family's truth on shapes anyone can check by hand, and that it draws the same picture twice."""

from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import Polygon

from tests.apart import render_apart
from tests.apart.clutter import scale_bar
from tests.apart.looks import LOOKS
from tests.apart.plans import draw_section
from tests.apart.raster import Placing, coverage, place
from tests.apart.scene import SectionPlan, WeldPlan, build, groove_width
from tests.apart.truth import Truth, truth_of

FLAT = WeldPlan(leg_b=5.0, leg_n=5.0)


def truths(weld: WeldPlan, *, joint: str = "tee", psi: float = 90.0, t_b: float = 8.0) -> dict[str, Truth]:
    plan = SectionPlan(joint, psi, t_b, 10.0, 0.0, (weld,), reach_right=20, reach_left=25, reach_up=20)
    section = build(plan, np.random.default_rng(0))
    return truth_of(section.welds[0], other_reach=0.0)


def close(truth: dict[str, Truth], expected: dict[str, float], tolerance: float = 2e-3) -> None:
    for key, value in expected.items():
        assert truth[key] == pytest.approx(value, abs=tolerance), key


def test_flat_fillet_of_leg_five() -> None:
    # size and throat of an equal-leg flat fillet: size times cos 45 degrees, common practice
    close(
        truths(FLAT),
        {
            "leg_butting": 5, "leg_nonbutting": 5, "leg_difference": 0, "size": 5, "theoretical_throat": 3.5355,
            "actual_throat": 3.5355, "effective_throat": 3.5355, "convexity": 0, "concavity": 0,
            "face_width": 7.0711, "toe_angle_butting": 135, "toe_angle_nonbutting": 135, "root_penetration": 0,
            "root_shortfall": 0, "weld_area": 12.5, "fill_area": 12.5, "melted_area_butting": 0, "dilution": 0,
            "unfused_butting": 5, "unfused_nonbutting": 5, "fused_fraction_butting": 0, "unfused_land": 8,
            "dihedral_angle": 90,
        },
    )  # fmt: skip


@pytest.mark.parametrize(("psi", "throat", "toe"), [(60, 4.3301, 120.0), (120, 2.5, 150.0)])
def test_skewed_flat_fillet(psi: float, throat: float, toe: float) -> None:
    # isosceles triangle: height = leg * cos(psi / 2), base angle = (180 - psi) / 2
    close(truths(FLAT, psi=psi), {"theoretical_throat": throat, "actual_throat": throat, "toe_angle_butting": toe})


def test_unequal_legs() -> None:
    truth = truths(WeldPlan(leg_b=4.0, leg_n=6.0))
    close(truth, {"size": 4.0, "leg_difference": 2.0, "face_width": 7.2111, "weld_area": 12.0})
    assert truth["size_unequal"] == pytest.approx((4.0, 6.0), abs=5e-3)


def test_concave_face_limits_the_size() -> None:
    truth = truths(replace(FLAT, bulge=-0.5))
    # the isosceles triangle's base touches the face at its lowest point, 0.5 mm under the toe-to-toe line
    close(truth, {"concavity": 0.5, "convexity": 0, "actual_throat": 3.0355})
    close(truth, {"theoretical_throat": 3.0355, "size": 4.2929})


def test_convex_face() -> None:
    truth = truths(replace(FLAT, bulge=0.5))
    close(truth, {"convexity": 0.5, "concavity": 0, "size": 5, "actual_throat": 4.0355, "effective_throat": 3.5355})
    # parabola of height h on chord c meets it at atan(4 h / c)
    close(truth, {"toe_angle_nonbutting": 135 - np.degrees(np.arctan(4 * 0.5 / 7.0711))}, 0.6)


def test_depth_of_fusion_and_melted_area() -> None:
    truth = truths(replace(FLAT, depth_n=1.0, round_n=1.0))
    # a half sine of height 1 on a base of 5 has the area 2 / pi * 5
    close(truth, {"depth_of_fusion_nonbutting": 1.0, "melted_area_nonbutting": 2 / np.pi * 5}, 5e-3)
    close(truth, {"melted_area_butting": 0})
    # sin(pi s / 5) under 0.1 at both ends
    close(truth, {"unfused_nonbutting": 2 * 5 / np.pi * np.arcsin(0.1)}, 6e-3)


def test_root_penetration_moves_the_weld_root() -> None:
    truth = truths(replace(FLAT, penetration=1.5, depth_n=1.0, depth_b=0.8))
    reach = truth["root_penetration"]
    assert isinstance(reach, float)
    assert reach == pytest.approx(1.5, abs=0.1)
    # distance of (-reach, 0) from the line x + y = 5
    close(truth, {"actual_throat": (5 + reach) / np.sqrt(2), "unfused_land": 8 - reach, "root_shortfall": 0}, 3e-3)


def test_shortfall_of_the_root() -> None:
    truth = truths(replace(FLAT, shortfall=0.6, depth_n=0.8, depth_b=0.8))
    close(truth, {"root_shortfall": 0.6, "root_penetration": 0.0, "actual_throat": 3.5355 - 0.6}, 4e-3)


def test_cold_toe_is_one_span_to_the_toe() -> None:
    truth = truths(replace(FLAT, depth_n=1.0, depth_b=1.0, cold_n=((3.0, 6.0),)))
    spans = truth["unfused_spans_nonbutting"]
    assert isinstance(spans, tuple)
    last = spans[-1]
    assert isinstance(last, tuple)
    assert last[1] == pytest.approx(5.0, abs=0.01)
    assert last[0] == pytest.approx(3.0, abs=0.1)
    assert truth["overlap_nonbutting"] == 0.0


def test_rolled_lip_is_overlap() -> None:
    truth = truths(replace(FLAT, depth_n=1.0, depth_b=1.0, over_n=0.7, cold_n=((4.3, 6.0),)))
    assert truth["overlap_nonbutting"] == pytest.approx(0.7, abs=0.06)
    angle = truth["toe_angle_nonbutting"]
    assert isinstance(angle, float)
    assert angle < 90


def test_voids_are_holes() -> None:
    truth = truths(replace(FLAT, voids=((1.5, 1.5, 0.4, 1.0),)))
    hole = np.pi * 0.16
    close(truth, {"largest_void": 0.8, "weld_area": 12.5 - hole, "void_area_fraction": hole / (12.5 - hole)}, 4e-3)


def test_melted_end_leaves_only_what_needs_no_edge() -> None:
    weld = WeldPlan(leg_b=6.0, leg_n=6.0, melted_back=1.0, penetration=2.0, depth_n=1.5, bulge=0.8)
    truth = truths(weld, joint="lap", t_b=6.0)
    assert truth["leg_nonbutting"] is None
    assert truth["unfused_butting"] is None
    close(truth, {"face_width": float(np.hypot(7, 6)), "depth_of_fusion_nonbutting": 1.5}, 0.02)


@pytest.mark.parametrize("look", LOOKS)
def test_same_seed_same_picture(look: str) -> None:
    first, second = (render_apart(3, look, px_per_mm=18.0, size=(420, 320)) for _ in range(2))
    assert np.array_equal(first.rgb, second.rgb)
    assert first.welds[0].truth == second.welds[0].truth
    assert not np.array_equal(first.rgb, render_apart(4, look, px_per_mm=18.0, size=(420, 320)).rgb)
    assert first.rgb.shape == (320, 420, 3)
    assert first.mm_per_px == pytest.approx(1 / 18)


def test_mask_has_the_area_of_the_outline() -> None:
    picture = render_apart(1, "fair", px_per_mm=30.0)
    for k, weld in enumerate(picture.welds):
        if weld.whole:
            assert np.sum(picture.mask() == k + 1) == pytest.approx(Polygon(weld.polygon_px).area, rel=4e-3)


def test_coverage_keeps_the_edge_in_place() -> None:
    square = coverage(Polygon([(10.3, 5.2), (30.9, 5.2), (30.9, 22.7), (10.3, 22.7)]), 50, 40)
    assert square.sum() == pytest.approx(20.6 * 17.5, rel=3e-3)
    x = np.arange(50)
    assert (square.sum(axis=0) @ x) / square.sum() == pytest.approx(20.6, abs=0.02)


def test_bar_is_as_long_as_it_says() -> None:
    section = build(SectionPlan("tee", 90.0, 8.0, 8.0, 0.0, (FLAT,), 20.0, 20.0, 20.0), np.random.default_rng(0))
    spot: Placing = place(section, "fair", 30.0, (700, 500), np.random.default_rng(1))
    canvas, busy = np.zeros((500, 700, 3), np.float32), np.zeros((500, 700), np.float32)
    drawn, mark = scale_bar(canvas, busy, spot, np.random.default_rng(5))
    assert mark is not None
    length = float(mark.removeprefix("bar:").removesuffix("mm"))
    row = drawn[..., 0].max(axis=0) / drawn.max()
    assert row.sum() == pytest.approx(30.0 * length, abs=0.4)


@pytest.mark.parametrize("look", LOOKS)
def test_the_end_of_a_lap_holds_its_toe(look: str) -> None:
    laps = 0
    for seed in range(300):
        plan = draw_section(look, np.random.default_rng([seed, 2, LOOKS.index(look)]))
        if plan.joint == "lap" and plan.welds[0].melted_back is None:
            laps += 1
            weld, face = plan.welds[0], (plan.t_b + plan.gap) / np.sin(np.radians(plan.psi_deg))
            assert face > weld.leg_b + (groove_width(weld.groove_b) if weld.groove_b else 0.0) - 1e-9, seed
    assert laps > 50


def test_unknown_look_is_refused() -> None:
    with pytest.raises(ValueError, match="look is one of"):
        render_apart(0, "pretty")
