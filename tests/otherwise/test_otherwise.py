"""The fourth family: its truth against its designs, its pictures against its truth."""

import cv2
import numpy as np
import pytest
from shapely import Polygon

from macrocheck.measure.stage import measure_weld
from macrocheck.scale import Scale
from tests.otherwise import render_otherwise
from tests.otherwise.raster import View, cover
from tests.otherwise.section import draw_section
from tests.otherwise.truth import exact_outline
from tests.otherwise.welds import Design, draw_weld


def _upright(mm_per_px: float) -> View:
    return View(2000, 2000, mm_per_px, np.diag([1.0, -1.0]) / mm_per_px, np.array([900.0, 900.0]))


def test_cover_is_the_area_that_is_covered() -> None:
    angle = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    ring = np.array([30.3, 27.8]) + 14.6 * np.column_stack([np.cos(angle), np.sin(angle)])
    got = cover([ring], 60, 64)
    assert got.sum() == pytest.approx(np.pi * 14.6**2, rel=2e-3)
    assert got[28, 30] == 1.0
    assert got[5, 5] == 0.0
    xs = np.arange(64)
    assert (got.sum(axis=0) * xs).sum() / got.sum() == pytest.approx(30.3, abs=0.02)


def test_a_flat_fillet_has_the_face_and_legs_it_was_designed_with() -> None:
    design = Design(90.0, 5.0, 7.0, 0.0, 10.0, 10.0, face="flat", melt="dish", depth=1.0)
    weld = draw_weld(np.random.default_rng(4), design)
    chord = np.hypot(5.0, 7.0)
    length = np.hypot(*np.diff(weld.face, axis=0).T).sum()
    assert length == pytest.approx(chord, abs=0.02)
    assert np.allclose(weld.face[0], [0, 5], atol=1e-6)
    assert np.allclose(weld.face[-1], [7, 0], atol=1e-6)
    assert weld.metal.area > 17.0
    assert weld.metal.bounds[1] < -0.4


@pytest.mark.parametrize("seed", range(25))
def test_the_truth_has_the_legs_and_angle_of_the_design(seed: int) -> None:
    section, view = draw_section(np.random.default_rng([seed, 5])), _upright(0.02)
    for k, weld in enumerate(section.welds):
        q = measure_weld(
            exact_outline(section, view, k, zones_show=False),
            Scale(0.02, 0.0, "as drawn"),
            draws=20,
            all_lengths=True,
        ).quantities
        if section.end_lost:
            assert q["leg_butting"].value is None
            continue
        d = weld.design
        assert q["leg_nonbutting"].value == pytest.approx(d.leg_n, abs=0.01)
        assert q["dihedral_angle"].value == pytest.approx(d.psi, abs=0.02)
        solid = weld.metal.area - sum(Polygon(v).area for v in weld.voids)
        assert q["weld_area"].value == pytest.approx(solid, rel=0.01)
        if d.over == 0:
            assert q["leg_butting"].value == pytest.approx(d.leg_b, abs=0.01)


def test_the_same_seed_gives_the_same_picture() -> None:
    one, other = (render_otherwise(9, "fair") for _ in range(2))
    assert np.array_equal(one.rgb, other.rgb)
    assert one.welds[0].quantities == other.welds[0].quantities


@pytest.mark.parametrize("seed", [3, 9, 13])
def test_weld_metal_has_another_tone_than_what_lies_beside_its_fusion_boundary(seed: int) -> None:
    picture = render_otherwise(seed, "fair")
    grey = picture.rgb.astype(np.float32).mean(axis=2)
    inside = np.zeros(grey.shape, np.uint8)
    cv2.fillPoly(inside, [np.round(picture.welds[0].outline.polygon).astype(np.int32)], 1)
    line = np.zeros_like(inside)
    fusion = np.round(picture.welds[0].outline.fusion[60:-60]).astype(np.int32)
    cv2.polylines(line, [fusion], isClosed=False, color=1, thickness=13)
    core = cv2.dilate(inside, np.ones((5, 5), np.uint8)), cv2.erode(inside, np.ones((5, 5), np.uint8))
    within, without = grey[(line > 0) & (core[1] > 0)], grey[(line > 0) & (core[0] == 0)]
    assert abs(float(np.median(within) - np.median(without))) > 12


def test_another_look_is_refused() -> None:
    with pytest.raises(ValueError, match="fair, hard, bead-fair"):
        render_otherwise(0, "grain")
