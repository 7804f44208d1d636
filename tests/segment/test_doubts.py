"""What the network's own doubt widens and withholds: the boundary and the face apart."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from macrocheck.quantities import QUANTITIES
from macrocheck.segment.doubts import doubtful_shares, settled_u, unanswered, widening, withheld
from macrocheck.segment.layout import Layout
from macrocheck.segment.maps import BACKGROUND, BUTTING, NONBUTTING, WELD, RegionMaps
from tests.segment.fake_maps import maps_of

SIZE = 240
TOES = np.array([(60.0, 60.0), (180.0, 180.0)])
"""Map px (x, y): the face runs straight between them, air over it, a right-angled weld under it."""


def layout() -> Layout:
    weld = np.zeros((SIZE, SIZE), np.uint8)
    cv2.fillPoly(weld, [np.array([(60, 60), (60, 180), (180, 180)], np.int32)], 1)
    face = np.linspace(TOES[0], TOES[1], 170)
    fusion = np.vstack([np.linspace(TOES[1], (60.0, 180.0), 120), np.linspace((60.0, 180.0), TOES[0], 120)])
    none = np.empty((0, 2))
    return Layout(weld, weld.astype(np.float32), face, fusion, none, none, True, True, 1.0, None, (100.0, 140.0))


def maps(*, of_weld: float = 1.0, of_air: float = 1.0) -> RegionMaps:
    """Maps as sure of the weld's inner half, and of the air by the face, as said."""
    where = layout().weld > 0
    x, y = np.meshgrid(np.arange(SIZE), np.arange(SIZE))
    air = (x > y) & (x > 60) & (y < 180)
    regions = np.zeros((4, SIZE, SIZE), np.float32)
    regions[WELD][where], regions[BACKGROUND][air] = 1, 1
    deep = where & (x + 40 < y)
    regions[WELD][deep], regions[BUTTING][deep] = of_weld, 1 - of_weld
    strip = air & (x < y + 20)
    regions[BACKGROUND][strip], regions[NONBUTTING][strip] = of_air, 1 - of_air
    rest = ~where & ~air
    regions[BUTTING][rest] = 1
    return maps_of(regions)


def test_sure_maps_widen_nothing() -> None:
    shares = doubtful_shares(maps(), layout())
    assert shares == (0.0, 0.0)
    assert widening(shares, 400.0) == (0.0, 0.0)


def test_doubt_about_the_weld_metal_leaves_its_face_alone() -> None:
    sure = doubtful_shares(maps(of_weld=0.95), layout())
    unsure = doubtful_shares(maps(of_weld=0.7), layout())
    # 3200 map px of the weld's inner half, less 3 along their 160 on the border, each wrong 0.3 of the times, over
    # 410 of outline (a fifth more in pixels) and 85 of width.
    assert unsure[0] == pytest.approx((3200 - 3 * 160) * 0.3 / (1.2 * 410 * 85), rel=0.15)
    assert unsure[1] == sure[1] == 0.0
    assert widening(unsure, 400.0)[0] > widening(sure, 400.0)[0] > 0


def test_doubt_about_the_air_is_the_face_s() -> None:
    fusion, face = doubtful_shares(maps(of_air=0.7), layout())
    assert fusion == 0.0
    # A strip 14 px wide along the face, wrong by 0.3 of the times, over 85 px of width.
    assert face == pytest.approx(14 * 0.3 / 85, rel=0.25)
    assert widening((fusion, face), 400.0)[1] > 5.0


def test_an_unclear_boundary_withholds_what_rests_on_it() -> None:
    reasons = withheld(layout(), joint="tee", doubt=1.0, face=0.0)
    for key in ("depth_of_fusion_butting", "root_penetration", "actual_throat", "unfused_nonbutting", "weld_area"):
        assert "too unclear" in reasons[key]
    for key in ("leg_butting", "size", "size_unequal", "theoretical_throat", "face_width", "dihedral_angle"):
        assert key not in reasons


def test_an_unclear_face_withholds_all() -> None:
    assert set(withheld(layout(), joint="tee", doubt=1.0, face=0.05)) == {q.key for q in QUANTITIES}


def test_clear_pictures_withhold_nothing() -> None:
    assert withheld(layout(), joint="tee", doubt=0.5, face=0.05) == {}


def test_what_belongs_to_one_member_is_withheld_where_the_members_cannot_be_told_apart() -> None:
    reasons = withheld(replace(layout(), member_margin=0.0), joint="tee", doubt=0.0, face=0.0)
    for key in ("leg_butting", "size_unequal", "root_penetration", "actual_throat"):
        assert "butting one could not be told" in reasons[key]
    for key in ("size", "leg_difference", "theoretical_throat", "weld_area", "dihedral_angle"):
        assert key not in reasons


def test_a_point_that_a_person_set_is_not_in_doubt() -> None:
    points = np.column_stack([np.arange(0.0, 401.0), np.zeros(401)])
    u = np.full(401, 3.0)
    left = settled_u(points, u, 10.0, np.array([(200.0, 0.0)]), 2.0)
    # a click's own uncertainty, 0.7 map px of 2 px
    assert left[200] == pytest.approx(0.7 * 2.0)
    assert (np.diff(left[200:]) >= 0).all()
    assert (np.diff(left[:201]) <= 0).all()
    # 40 map px away what the network doubts counts in full again
    assert left[[0, 100, 300, 400]] == pytest.approx(np.hypot(3.0, 10.0))
    assert settled_u(points, u, 10.0, np.empty((0, 2)), 2.0) == pytest.approx(np.full(401, np.hypot(3.0, 10.0)))


def test_a_click_answers_the_doubtful_stretch_that_it_lies_on() -> None:
    doubtful = np.zeros(400, np.bool_)
    doubtful[50:110], doubtful[115:130], doubtful[200:390] = True, True, True
    pinned = np.zeros(400, np.bool_)
    pinned[[80, 300]] = True
    left = np.flatnonzero(unanswered(doubtful, pinned))
    # a long stretch stays doubtful beyond 40 map px, a stretch beside it altogether
    assert left.tolist() == [*range(115, 130), *range(200, 260), *range(341, 390)]
