"""The third family: its truth against its plans, its pictures against its truth."""

import cv2
import numpy as np
import pytest

from macrocheck.arrays import FloatArray
from macrocheck.measure.stage import measure_weld
from macrocheck.scale import Scale
from tests.elsewhere import render_elsewhere
from tests.elsewhere.fillet import Plan, draw_fillet
from tests.elsewhere.joint import Frame, Section, draw_section
from tests.elsewhere.truth import true_outline, true_quantities
from tests.elsewhere.view import View, frame_view


def _upright(mm_per_px: float) -> View:
    matrix = np.diag([1.0, -1.0]) / mm_per_px
    return View(1200, 1200, mm_per_px, matrix, np.array([600.0, 600.0]))


def test_a_flat_right_angled_fillet_measures_as_drawn() -> None:
    plan = Plan(90.0, 6.0, 8.0, 0.0, 10.0, 10.0, lap=False, melt="rim", depth=1.0, wave=0.0)
    weld = draw_fillet(np.random.default_rng(3), plan)
    section = Section("tee", (weld,), (Frame(),), (weld.metal, weld.metal), None, end_lost=False)
    q = true_quantities(true_outline(section, _upright(0.02), 0, (None, None)), 0.02)
    assert q["leg_butting"] == pytest.approx(6.0, abs=0.005)
    assert q["leg_nonbutting"] == pytest.approx(8.0, abs=0.005)
    assert q["dihedral_angle"] == pytest.approx(90.0, abs=0.01)
    assert q["face_width"] == pytest.approx(10.0, abs=0.005)
    # The rim melts 0.7 to 1.1 mm of the members, as deep in the one as in the other.
    assert 0.65 < q["depth_of_fusion_butting"] < 1.15
    assert q["depth_of_fusion_butting"] == pytest.approx(q["depth_of_fusion_nonbutting"], abs=0.02)
    assert q["weld_area"] == pytest.approx(weld.metal.area, abs=0.02)
    assert q["root_gap"] == 0.0


def test_a_cold_toe_is_unfused_in_the_truth() -> None:
    plan = Plan(90.0, 6.0, 6.0, 0.0, 10.0, 10.0, lap=False, melt="rim", cold="nonbutting", depth=1.0, wave=0.0)
    weld = draw_fillet(np.random.default_rng(5), plan)
    section = Section("tee", (weld,), (Frame(),), (weld.metal, weld.metal), None, end_lost=False)
    q = true_quantities(true_outline(section, _upright(0.02), 0, (None, None)), 0.02)
    assert q["unfused_nonbutting"] > 1.0
    assert q["unfused_butting"] < 0.3
    (start, end) = q["unfused_spans_nonbutting"][-1]
    assert end == pytest.approx(6.0, abs=0.03)
    assert start < 5.0


@pytest.mark.parametrize("seed", range(25))
def test_turned_and_mirrored_sections_keep_their_legs(seed: int) -> None:
    rng = np.random.default_rng(seed)
    section = draw_section(rng)
    view = frame_view(rng, section.metal(0).bounds, 0.3)
    for k, weld in enumerate(section.fillets):
        outline = true_outline(section, view, k, (None, None))
        measured = measure_weld(outline, Scale(view.mm_per_px, 0.0, "as drawn"), draws=20, all_lengths=True)
        if section.end_lost:
            assert measured.quantities["leg_butting"].value is None
            continue
        assert measured.quantities["leg_nonbutting"].value == pytest.approx(weld.plan.leg_nonbutting, abs=0.01)
        assert measured.quantities["dihedral_angle"].value == pytest.approx(weld.plan.psi, abs=0.02)
        if weld.plan.over == 0:
            assert measured.quantities["leg_butting"].value == pytest.approx(weld.plan.leg_butting, abs=0.01)


def test_the_same_seed_gives_the_same_picture() -> None:
    one, other = (render_elsewhere(3, "fair") for _ in range(2))
    assert np.array_equal(one.rgb, other.rgb)
    assert one.welds[0].quantities == other.welds[0].quantities
    assert not np.array_equal(one.rgb.shape, render_elsewhere(4, "fair").rgb.shape)


@pytest.mark.parametrize("seed", range(6))
def test_the_face_is_where_metal_meets_what_lies_round_it(seed: int) -> None:
    """Across the face the fair picture changes by more than it does just inside it."""
    picture = render_elsewhere(seed, "fair")
    grey = cv2.GaussianBlur(picture.rgb.astype(np.float32).mean(axis=2), (0, 0), 1.0)
    outline = picture.welds[0].outline
    face = outline.face[20:-20:10]
    tangent = np.gradient(outline.face, axis=0)[20:-20:10]
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) / np.hypot(*tangent.T)[:, None]
    inward = np.sign(((outline.polygon.mean(axis=0) - face.mean(axis=0)) * normal.mean(axis=0)).sum())

    def seen(step: float) -> FloatArray:
        at = (face + inward * step * normal).round().astype(int)
        at = np.clip(at, 0, np.array(grey.shape[::-1]) - 1)
        return np.asarray(grey[at[:, 1], at[:, 0]], dtype=np.float64)

    across, within = (abs(float(np.median(seen(a) - seen(b)))) for a, b in ((4, -4), (12, 4)))
    assert across > 20
    assert across > within


def test_another_look_is_refused() -> None:
    with pytest.raises(ValueError, match="fair, hard"):
        render_elsewhere(0, "bright")


@pytest.mark.parametrize("seed", range(30))
def test_the_outline_holds_no_crack_between_laid_and_molten_metal(seed: int) -> None:
    """Opening and closing the weld metal by a hundredth of a mm leaves its area as it is."""
    for weld in draw_section(np.random.default_rng([seed, 1, 0, 7919])).fillets:
        closed = weld.metal.buffer(0.005).buffer(-0.005)
        assert closed.area - weld.metal.area < 0.004
        assert weld.metal.length < 1.02 * closed.length + 0.05
