"""The weld's region led through a person's points where they contradict the network's."""

from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, FloatArray, Point
from macrocheck.segment.hints import Hints
from macrocheck.segment.layout import Layout
from macrocheck.segment.maps import BACKGROUND, BUTTING, NONBUTTING, WELD, RegionMaps
from macrocheck.segment.settled import in_order, settled
from tests.segment.fake_maps import maps_of

SIZE = 240
BUTTING_TOE, CORNER, NONBUTTING_TOE = (60.0, 60.0), (60.0, 180.0), (180.0, 180.0)
"""Map px (x, y) of a right-angled weld: the face runs straight between the toes, the air over it."""
LOST = 110
"""What of the weld lies left of this x the network takes for the butting member."""


def _filled(*corners: Point) -> BoolArray:
    mask = np.zeros((SIZE, SIZE), np.uint8)
    cv2.fillPoly(mask, [np.array(corners, np.int32)], (1,))
    return mask > 0


def _maps(weld: BoolArray, air: BoolArray, *, scale: float = 1.0) -> RegionMaps:
    regions = np.zeros((4, SIZE, SIZE), np.float32)
    regions[WELD], regions[BACKGROUND] = weld, air & ~weld
    y, _ = np.mgrid[:SIZE, :SIZE]
    regions[BUTTING] = ~weld & ~air & (y <= 180)
    regions[NONBUTTING] = ~weld & ~air & (y > 180)
    return maps_of(np.stack([cv2.GaussianBlur(r, (0, 0), 1.0) for r in regions]), scale=scale)


def _line(*corners: Point) -> FloatArray:
    parts = [np.linspace(a, b, 80) for a, b in pairwise(corners)]
    return np.vstack(parts)


def _layout(maps: RegionMaps, weld: BoolArray, face: FloatArray, fusion: FloatArray) -> Layout:
    none = np.empty((0, 2))
    p = maps.regions[WELD]
    return Layout(weld.astype(np.uint8), p, face, fusion, none, none, True, True, 1.0, None, (100.0, 150.0))


TRUE_AIR = _filled((60, 0), (60, 60), (180, 180), (239, 180), (239, 0))
TRUE_WELD = _filled((60, 60), (60, 180), (180, 180))


def _half_lost(scale: float = 1.0) -> tuple[RegionMaps, Layout]:
    weld = TRUE_WELD & (np.mgrid[:SIZE, :SIZE][1] >= LOST)
    maps = _maps(weld, TRUE_AIR, scale=scale)
    fusion = _line(NONBUTTING_TOE, (LOST, 180.0), (LOST, 110.0))
    return maps, _layout(maps, weld, _line((LOST, 110.0), NONBUTTING_TOE), fusion)


def _cover(layout: Layout) -> float:
    """Intersection over union with the true weld."""
    got = layout.weld > 0
    return float((got & TRUE_WELD).sum() / (got | TRUE_WELD).sum())


def test_lost_weld_metal_comes_back_with_points_and_toe() -> None:
    maps, layout = _half_lost(scale=2.0)
    assert _cover(layout) < 0.7
    placed = Hints(
        toes=((2 * BUTTING_TOE[0], 2 * BUTTING_TOE[1]),),
        through=tuple((2 * x, 2 * y) for x, y in ((60.0, 100.0), (60.0, 150.0), CORNER, (90.0, 180.0))),
    )
    after, led = settled(maps, layout, placed)
    assert _cover(led) > 0.95
    assert np.allclose(led.face[0], BUTTING_TOE)
    assert np.allclose(led.fusion[[0, -1]], [NONBUTTING_TOE, BUTTING_TOE])
    for x, y in placed.through:
        assert np.hypot(*(led.fusion - [x / 2, y / 2]).T).min() < 1e-9
    # maps and layout say the same, and every pixel's parts make one
    assert ((led.weld > 0) != (led.p_weld > 0.5)).mean() < 0.005
    assert after.regions[WELD][150, 80] > 0.99 > 0.01 > maps.regions[WELD][150, 80]
    assert np.allclose(after.regions.sum(axis=0), 1.0, atol=1e-3)


def test_points_at_the_regions_own_border_change_nothing() -> None:
    maps, layout = _half_lost()
    for hints in (None, Hints(), Hints(through=((LOST + 6.0, 140.0),)), Hints(toes=((LOST, 108.0),))):
        after, led = settled(maps, layout, hints)
        assert after is maps
        assert led is layout


def test_a_weld_cut_by_the_picture_is_left_alone() -> None:
    maps, layout = _half_lost()
    cut = replace(layout, complete_butting=False)
    assert settled(maps, cut, Hints(through=((60.0, 150.0),)))[1] is cut


def test_the_face_is_led_where_the_network_sees_air_in_the_weld() -> None:
    hole = _filled((95, 95), (95, 140), (140, 140))
    weld = TRUE_WELD & ~hole
    maps = _maps(weld, TRUE_AIR | hole)
    face = _line(BUTTING_TOE, (95.0, 95.0), (95.0, 140.0), (140.0, 140.0), NONBUTTING_TOE)
    layout = _layout(maps, weld, face, _line(NONBUTTING_TOE, CORNER, BUTTING_TOE))
    after, led = settled(maps, layout, Hints(through=((106.0, 106.0), (117.0, 117.0), (129.0, 129.0))))
    assert _cover(led) > 0.97
    assert np.array_equal(led.fusion, layout.fusion)
    # Off the true face, a straight line at 45 degrees, by no more than a few px all along.
    assert np.abs(led.face[:, 0] - led.face[:, 1]).max() / np.sqrt(2) < 4.0
    assert after.regions[BACKGROUND][125, 110] < 0.05


def test_stops_come_in_the_order_of_the_shortest_way() -> None:
    at = np.array([0.0, 5.0, 2.0, 9.0, 7.0, 10.0])
    far = np.abs(at[:, None] - at[None])
    assert in_order(far) == [0, 2, 1, 4, 3, 5]
    assert in_order(far[[0, -1]][:, [0, -1]]) == [0, 1]
    # by what the ways cost, not by how far apart the stops are
    far[0, 1] = far[1, 0] = far[1, 2] = far[2, 1] = far[2, 4] = far[4, 2] = 0.1
    assert in_order(far) == [0, 1, 2, 4, 3, 5]
