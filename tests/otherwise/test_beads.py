"""Beads on plate and corners of the fourth family: their truth against their geometry, their pictures by seed."""

import numpy as np
import pytest
import shapely
from shapely import Polygon
from skimage.draw import polygon as pixels_of

from macrocheck.measure.stage import measure_weld
from macrocheck.scale import Scale
from tests.bench.cases import load_case
from tests.bench.parts import BY_NAME
from tests.otherwise import render_otherwise
from tests.otherwise.beads import Run, draw_bead_section, draw_run
from tests.otherwise.raster import View
from tests.otherwise.section import Section, draw_section
from tests.otherwise.truth import exact_outline, exact_quantities


def _view(*, mirrored: bool = False, turn: float = 0.0) -> View:
    c, s = np.cos(turn), np.sin(turn)
    linear = np.array([[c, -s], [s, c]]) @ np.diag([-1.0 if mirrored else 1.0, -1.0])
    return View(2000, 2000, 0.02, linear / 0.02, np.array([900.0, 900.0]))


def _drawn(seed: int) -> Section:
    return draw_bead_section(np.random.default_rng([seed, 77]))


@pytest.mark.parametrize("seed", range(25))
def test_a_beads_truth_is_what_shapely_has_of_its_geometry(seed: int) -> None:
    section = _drawn(seed)
    weld = section.welds[0]
    q = measure_weld(
        exact_outline(section, _view(), 0, zones_show=False),
        Scale(0.02, 0.0, "as drawn"),
        draws=20,
        all_lengths=True,
    ).quantities
    holes = shapely.union_all([Polygon(v) for v in weld.voids]) if weld.voids else Polygon()
    solid = weld.metal.difference(holes)
    under = solid.intersection(shapely.box(-100, -100, 100, 0))
    d = weld.design
    assert q["bead_width"].value == pytest.approx(d.leg_b + d.leg_n, abs=0.01)
    assert q["reinforcement_height"].value == pytest.approx(max(weld.metal.bounds[3], 0.0), abs=0.01)
    assert q["depth_of_fusion"].value == pytest.approx(-weld.metal.bounds[1], abs=0.02)
    assert q["weld_area"].value == pytest.approx(solid.area, rel=0.01)
    assert q["melted_area"].value == pytest.approx(under.area, rel=0.015, abs=0.02)


@pytest.mark.parametrize("seed", [2, 5, 11])
def test_a_beads_area_is_that_of_its_pixels(seed: int) -> None:
    # skimage's own filling of the outline, no shapely and nothing of the package's measuring
    picture = render_otherwise(seed, "bead")
    weld = picture.welds[0]
    ring = weld.outline.polygon[:, ::-1] * 2
    low = np.floor(ring.min(axis=0)) - 1
    filled = np.zeros(np.ceil(ring.max(axis=0) - low + 2).astype(int), bool)
    filled[pixels_of(*(ring - low).T)] = True  # type: ignore[no-untyped-call]
    for void in weld.outline.voids:
        filled[pixels_of(*(void[:, ::-1] * 2 - low).T)] = False  # type: ignore[no-untyped-call]
    area = filled.sum() * (picture.mm_per_px / 2) ** 2
    assert weld.quantities["weld_area"] == pytest.approx(area, rel=0.01)


def test_an_undercut_is_on_the_side_where_it_is_seen_with_the_bead_on_top() -> None:
    section = next(
        s for s in map(_drawn, range(60)) if s.welds[0].design.undercut[0] == 0 < s.welds[0].design.undercut[1]
    )
    deep = section.welds[0].design.undercut[1]
    for turn in (0.0, 2.0, 4.0):
        for mirrored, side in ((False, "right"), (True, "left")):
            got = exact_quantities(
                exact_outline(section, _view(mirrored=mirrored, turn=turn), 0, zones_show=False), 0.02
            )
            other = "left" if side == "right" else "right"
            assert got[f"undercut_{side}"] == pytest.approx(deep, abs=0.02)
            assert got[f"undercut_{other}"] == 0.0


def test_a_rolled_face_overhangs_the_plate_beyond_its_toes() -> None:
    face, fusion = draw_run(np.random.default_rng(3), Run(8.0, 10.0, "rolled_both", "dish"))
    assert np.allclose(face[[0, -1]], [[-4.0, 0.0], [4.0, 0.0]], atol=1e-9)
    assert face[:, 0].max() > 4.2
    assert face[:, 0].min() < -4.2
    assert np.abs(fusion[:, 0]).max() <= 4.0
    assert Polygon(np.vstack([face, fusion[1:-1]])).is_valid


def test_over_a_sunk_face_there_is_air() -> None:
    sunk = [s for s in map(_drawn, range(120)) if s.welds[0].metal.bounds[3] < 0.02]
    assert sunk
    for section in sunk:
        middle = shapely.Point(0.0, -0.03)
        assert not section.members[1].contains(middle)
        assert not section.metal(0).contains(middle)


def test_beads_are_of_all_kinds() -> None:
    sections = [_drawn(seed) for seed in range(80)]
    plates = [s.members[1] for s in sections]
    deepest = [-s.welds[0].metal.bounds[1] / s.welds[0].design.thick_n for s in sections]
    slender = [-s.welds[0].metal.bounds[1] / (2 * s.welds[0].design.leg_n) for s in sections]
    ends = [
        min(-p.bounds[0] - s.welds[0].design.leg_b, p.bounds[2] - s.welds[0].design.leg_n)
        for p, s in zip(plates, sections, strict=True)
    ]
    assert max(deepest) > 0.8
    assert min(slender) < 0.1
    assert max(slender) > 0.5
    assert min(ends) < 3.0
    assert any(s.welds[0].beads for s in sections)
    assert any(p.bounds[3] > 0.1 for p in plates)


@pytest.mark.parametrize("seed", range(20))
def test_a_corners_plate_ends_at_or_close_behind_the_other(seed: int) -> None:
    section = draw_section(np.random.default_rng([seed, 6]), corner=True)
    d = section.welds[0].design
    back = d.thick_b / float(d.along[1])
    behind = -float(section.members[1].bounds[0])
    assert section.joint == "tee"
    assert len(section.welds) == 1
    assert 0.5 * back - 0.1 < behind < back + 2.7
    seen = exact_outline(section, _view(), 0, zones_show=False)
    assert seen.seam_end is not None
    assert (900.0 - seen.seam_end[0]) * 0.02 == pytest.approx(min(back, behind), abs=0.05)
    low = section.needed()[0]
    assert low < -behind


@pytest.mark.parametrize("look", ["bead-fair", "bead", "corner-fair", "corner"])
def test_these_looks_are_the_same_for_the_same_seed(look: str) -> None:
    one, other = (load_case("otherwise", look, 4) for _ in range(2))
    assert np.array_equal(one.rgb, other.rgb)
    assert one.welds[0].truth == other.welds[0].truth
    assert one.joint == ("bead" if look.startswith("bead") else "tee")
    assert not np.array_equal(one.rgb, load_case("otherwise", look, 5).rgb)


def test_tees_and_laps_are_drawn_as_before_beads_were() -> None:
    # size, scale, mean tone and weld area as of the pictures that were measured before there were other looks
    for look, seed, shape, mm_per_px, tone, area in (
        ("fair", 3, (631, 946), 0.0117647, 137.336, 14.2114),
        ("hard", 8, (1158, 1544), 0.0299089, 86.565, 15.8501),
    ):
        picture = render_otherwise(seed, look)
        assert picture.rgb.shape[:2] == shape
        assert picture.mm_per_px == pytest.approx(mm_per_px, rel=1e-5)
        assert picture.rgb.mean() == pytest.approx(tone, abs=0.01)
        assert picture.welds[0].quantities["weld_area"] == pytest.approx(area, rel=1e-4)


def test_they_are_reported_on_seeds_of_their_own() -> None:
    for name in ("otherwise-bead", "otherwise-corner"):
        assert BY_NAME[name].first >= 5000
