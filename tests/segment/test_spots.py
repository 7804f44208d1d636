"""Dark spots in drawn weld metal: round ones told from grains, from dirt all about, from rows of indents."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from macrocheck.arrays import ByteArray, Float32Array
from macrocheck.photo import Photo
from macrocheck.segment.layout import Layout
from macrocheck.segment.maps import NONBUTTING, WELD
from macrocheck.segment.spots import Spot, find_spots
from macrocheck.segment.tone import grey_on_map
from macrocheck.segment.voids import Voids, find_voids
from tests.segment.fake_maps import maps_of, photo_of

SHAPE = (260, 300)
CENTRE, RADIUS = (130, 130), 75
WELD_TONE, PLATE_TONE = 90.0, 160.0


def weld_mask() -> ByteArray:
    mask = np.zeros(SHAPE, np.uint8)
    cv2.circle(mask, CENTRE, RADIUS, (1,), -1)
    return mask


def laid_out(weld: ByteArray) -> Layout:
    """A layout of which nothing but the weld's region is looked at."""
    none = np.zeros((0, 2))
    return Layout(weld, weld.astype(np.float32), none, none, none, none, True, True, 1.0, None, (130.0, 130.0))


def metal() -> Float32Array:
    return np.where(weld_mask() > 0, WELD_TONE, PLATE_TONE).astype(np.float32)


def hole(picture: Float32Array, x: float, y: float, r: float, tone: float = 25.0) -> None:
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    cover = np.clip(r - np.hypot(columns - x, rows - y) + 0.5, 0, 1).astype(np.float32)
    picture += cover * (np.float32(tone) - picture)


def diamond(picture: Float32Array, x: float, y: float, half: float, tone: float = 25.0) -> None:
    corners = np.array([x, y]) + half * np.array([[1, 0], [0, 1], [-1, 0], [0, -1]])
    cv2.fillPoly(picture, [np.round(corners * 16).astype(np.int32)], (tone,), cv2.LINE_AA, 4)


def photographed(picture: Float32Array) -> Photo:
    return photo_of(picture, noise=3.0)


def spots_in(picture: Float32Array) -> tuple[Spot, ...]:
    return find_spots(photographed(picture).grey, laid_out(weld_mask()))


def voids_in(picture: Float32Array, known: Float32Array | None = None) -> Voids:
    """Voids where the maps see none, or those of the void map `known`."""
    weld = weld_mask().astype(np.float32)
    regions = np.zeros((4, *SHAPE), np.float32)
    regions[WELD], regions[NONBUTTING] = weld, 1 - weld
    photo, maps = photographed(picture), maps_of(regions)
    maps = maps if known is None else replace(maps, void=known)
    return find_voids(photo, maps, laid_out(weld_mask()), grey_on_map(photo, maps))


def streaked(seed: int = 4) -> Float32Array:
    """Weld metal of long grains, dark and light."""
    noise = np.random.default_rng(seed).normal(0, 1, SHAPE).astype(np.float32)
    grains = cv2.GaussianBlur(noise, (0, 0), sigmaX=14, sigmaY=1.6)
    grains = grains * np.float32(12.0 / grains.std())
    return np.where(weld_mask() > 0, WELD_TONE + grains, PLATE_TONE).astype(np.float32)


@pytest.mark.parametrize("radius", [3.0, 6.0, 12.0])
def test_a_round_dark_spot_is_found_where_it_lies(radius: float) -> None:
    picture = metal()
    hole(picture, 142.0, 118.0, radius)
    (spot,) = spots_in(picture)
    assert np.hypot(*(spot.centre - [142.0, 118.0])) < 1.0
    assert abs(spot.area - np.pi * radius**2) < 0.3 * np.pi * radius**2
    assert spot.like == 0
    assert spot.in_row == 0


@pytest.mark.parametrize("seed", range(4))
def test_long_grains_are_no_spots(seed: int) -> None:
    assert spots_in(streaked(seed)) == ()


def test_a_spot_darker_than_all_grains_is_found_among_them() -> None:
    picture = streaked()
    hole(picture, 130.0, 130.0, 6.0, tone=20.0)
    (spot,) = spots_in(picture)
    assert np.hypot(*(spot.centre - [130.0, 130.0])) < 1.5
    assert spot.darker < 0.002


def test_what_reaches_out_of_the_weld_is_no_spot_in_it() -> None:
    picture = metal()
    hole(picture, CENTRE[0] + RADIUS, CENTRE[1], 6.0)
    assert spots_in(picture) == ()


def test_indents_in_a_row_are_told_though_plate_and_weld_differ_in_tone() -> None:
    picture = metal()
    for k in range(7):
        diamond(picture, 70.0 + 30.0 * k, 110.0, 4.0)
    found = spots_in(picture)
    assert len(found) >= 4
    assert min(spot.in_row for spot in found) >= 4


def test_two_pores_make_no_row() -> None:
    picture = metal()
    hole(picture, 100.0, 110.0, 4.0)
    hole(picture, 150.0, 150.0, 4.0)
    assert [spot.in_row for spot in spots_in(picture)] == [0, 0]


def test_dirt_lies_beside_the_weld_too() -> None:
    picture = metal()
    rng = np.random.default_rng(8)
    for x, y in rng.uniform(10, 250, (60, 2)):
        hole(picture, float(x), float(y), 3.0)
    assert np.median([spot.like for spot in spots_in(picture)]) >= 8


@pytest.mark.parametrize("radius", [5.0, 9.0])
def test_a_void_that_the_maps_do_not_know_is_measured_by_its_tone(radius: float) -> None:
    picture = metal()
    hole(picture, 142.3, 118.6, radius)
    found = voids_in(picture)
    assert len(found.rings) == 1
    assert found.unsure == ()
    # Worked by hand: the area of a circle.
    area = cv2.contourArea(found.rings[0].astype(np.float32))
    assert abs(area - np.pi * radius**2) < 0.08 * np.pi * radius**2
    assert found.u_length < 0.5 * radius


def test_a_row_of_indents_is_not_taken_for_voids() -> None:
    picture = metal()
    for k in range(7):
        diamond(picture, 70.0 + 30.0 * k, 110.0, 3.0)
    assert voids_in(picture).rings == ()


def test_a_spot_as_dark_as_some_grains_is_no_sure_void_and_no_sure_nothing() -> None:
    picture = streaked()
    hole(picture, 130.0, 130.0, 6.0, tone=48.0)
    found = voids_in(picture)
    assert len(found.unsure) == 1
    assert found.u_length > 3.0


def test_a_speck_too_small_to_matter_widens_and_is_not_pointed_at() -> None:
    picture = metal()
    hole(picture, 130.0, 130.0, 1.6, tone=40.0)
    found = voids_in(picture)
    assert found.unsure == ()
    assert found.u_length > 1.0


def test_two_voids_that_the_maps_run_together_are_two() -> None:
    picture, known = metal(), np.zeros(SHAPE, np.float32)
    for x in (122.0, 142.0):
        hole(picture, x, 120.0, 8.0)
    cv2.ellipse(known, (132, 120), (19, 9), 0, 0, 360, (0.97,), -1)
    found = voids_in(picture, known)
    assert sorted(round(float(ring[:, 0].mean())) for ring in found.rings) == [122, 142]


def test_a_void_of_which_the_maps_know_a_part_is_as_its_tone_shows_it() -> None:
    picture, known = metal(), np.zeros(SHAPE, np.float32)
    hole(picture, 130.0, 120.0, 10.0)
    cv2.ellipse(known, (130, 115), (8, 4), 0, 0, 360, (0.97,), -1)
    (ring,) = voids_in(picture, known).rings
    assert cv2.contourArea(ring.astype(np.float32)) == pytest.approx(np.pi * 10.0**2, rel=0.08)


def test_a_dark_mark_in_a_void_that_the_maps_know_does_not_replace_it() -> None:
    picture, known = metal(), np.zeros(SHAPE, np.float32)
    hole(picture, 130.0, 120.0, 14.0, tone=62.0)
    hole(picture, 133.0, 118.0, 4.0, tone=20.0)
    cv2.circle(known, (130, 120), 14, (0.99,), -1)
    (ring,) = voids_in(picture, known).rings
    assert cv2.contourArea(ring.astype(np.float32)) == pytest.approx(np.pi * 14.0**2, rel=0.1)
