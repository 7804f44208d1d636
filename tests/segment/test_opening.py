"""The opening between the members, on plates drawn with a known one."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from macrocheck.photo import Photo
from macrocheck.segment.maps import RegionMaps
from macrocheck.segment.opening import find_opening
from tests.segment.two_plates import AIR, maps_of_parts, nonbutting_line, painted, tee_parts

FUSION = np.column_stack([np.linspace(860, 600, 80), 402.3 + 20 * np.sin(np.linspace(0, np.pi, 80))])
INWARD = np.array([0.0, 1.0])


def opening(gap: float, *, seam: float = 0.0, step: int = 2, chord: float = 260.0) -> tuple[float, float] | None:
    parts = tee_parts(gap=gap, right=900.0)
    photo = painted(*parts, noise=4.0, seam=seam)
    return find_opening(photo, maps_of_parts(*parts, step=step), nonbutting_line(), INWARD, FUSION, chord)


@pytest.mark.parametrize("gap", [6.7, 12.4, 37.0, 71.25])
def test_an_opening_is_measured_to_its_uncertainty(gap: float) -> None:
    found = opening(gap)
    assert found is not None
    value, u = found
    assert abs(value - gap) < 2 * u
    assert u < max(1.0, 0.16 * gap)


@pytest.mark.parametrize("seam", [0.0, 2.0])
def test_members_that_touch_have_no_opening(seam: float) -> None:
    found = opening(0.0, seam=seam)
    assert found is not None
    assert found[0] == 0.0
    assert 0.5 < found[1] < 3.0


def test_nothing_is_said_where_air_and_plates_look_alike() -> None:
    nonbutting, butting = tee_parts(gap=0.0, right=900.0)
    photo = painted(nonbutting, butting, noise=4.0)
    light = replace(photo, pixels=np.maximum(photo.pixels, 140))
    maps = maps_of_parts(nonbutting, butting, step=2)
    assert find_opening(light, maps, nonbutting_line(), INWARD, FUSION, 260.0) is None


def test_an_opening_wider_than_any_root_gap_is_none() -> None:
    assert opening(71.25, chord=100.0) is None


def test_a_weld_at_the_edge_of_the_picture_shows_no_opening() -> None:
    parts = tee_parts(gap=12.0, right=900.0)
    far = FUSION - [590.0, 0.0]
    found = find_opening(
        painted(*parts, noise=4.0), maps_of_parts(*parts, step=2), nonbutting_line(), INWARD, far, 260.0
    )
    assert found is None


@pytest.mark.parametrize("gap", [12.4, 37.0])
def test_an_opening_that_the_maps_take_for_plate_is_seen_by_its_colour(gap: float) -> None:
    nonbutting, butting = tee_parts(gap=gap, right=900.0)
    photo = painted(nonbutting, butting, noise=4.0)
    blind = maps_of_parts(*tee_parts(gap=0.0, right=900.0), step=2)
    found = find_opening(photo, blind, nonbutting_line(), INWARD, FUSION, 260.0)
    assert found is not None
    assert abs(found[0] - gap) < 2 * found[1]
    assert found[1] < 1.0


def test_a_band_of_another_tone_than_the_air_is_no_opening() -> None:
    nonbutting, butting = tee_parts(gap=37.0, right=900.0)
    photo = painted(nonbutting, butting, noise=4.0)
    pixels = photo.pixels.copy()
    # A band etched bright between plates that touch, where the air is dark.
    band = np.rint(nonbutting_line().point[1]).astype(int)
    pixels[band - 37 : band, 100:880] = 235
    blind = maps_of_parts(*tee_parts(gap=0.0, right=900.0), step=2)
    found = find_opening(replace(photo, pixels=pixels), blind, nonbutting_line(), INWARD, FUSION, 260.0)
    assert found is None or found[0] == 0.0


def test_an_opening_is_seen_though_its_plates_edge_has_left_the_surface_line() -> None:
    # The nonbutting member's surface as it was found lies 10 px within that member, more than the maps' 3 px.
    nonbutting, butting = tee_parts(gap=37.0, right=900.0)
    photo = painted(nonbutting, butting, noise=4.0)
    blind = maps_of_parts(*tee_parts(gap=0.0, right=900.0), step=2)
    line = nonbutting_line()
    found = find_opening(photo, blind, replace(line, point=line.point + 10.0 * INWARD), INWARD, FUSION, 260.0)
    assert found is not None
    assert abs(found[0] - 37.0) < 2 * found[1]


def half_seen(gap: float, share: float, *, tone: float) -> tuple[Photo, RegionMaps]:
    """Plates with an opening of nearly their tone, which the maps take for air with probability `share`."""
    nonbutting, butting = tee_parts(gap=gap, right=900.0)
    shut = maps_of_parts(*tee_parts(gap=0.0, right=900.0), step=2)
    seen = maps_of_parts(nonbutting, butting, step=2)
    photo = painted(nonbutting, butting, noise=4.0)
    pixels = photo.pixels.copy()
    band = slice(round(402.3 - gap), round(402.3))
    grey = np.random.default_rng(5).normal(tone, 4.0, pixels[band, 100:880].shape[:2])
    pixels[band, 100:880] = grey.clip(0, 255)[..., None]
    regions = (1 - share) * shut.regions + share * seen.regions
    return replace(photo, pixels=pixels), replace(shut, regions=regions.astype(np.float32))


@pytest.mark.parametrize("share", [0.16, 0.4])
def test_an_opening_of_nearly_the_plates_tone_is_read_and_said_to_be_unsure(share: float) -> None:
    photo, maps = half_seen(37.0, share, tone=135.0)
    found = find_opening(photo, maps, nonbutting_line(), INWARD, FUSION, 260.0)
    assert found is not None
    assert abs(found[0] - 37.0) < 6.0
    # It may be none: the plates may as well touch.
    assert 0.4 * 37.0 < found[1] < 0.7 * 37.0


def test_an_opening_under_the_line_that_was_taken_for_the_surface_is_seen() -> None:
    # The surface was taken from the butting member's edge.
    photo, maps = half_seen(37.0, 0.4, tone=135.0)
    found = find_opening(photo, maps, nonbutting_line(402.3 - 37.0), INWARD, FUSION, 260.0)
    assert found is not None
    assert abs(found[0] - 37.0) < 6.0
    assert found[1] > 0.4 * 37.0


def test_a_seam_that_the_maps_half_take_for_air_is_no_opening() -> None:
    photo, maps = half_seen(4.0, 0.4, tone=80.0)
    found = find_opening(photo, maps, nonbutting_line(), INWARD, FUSION, 260.0)
    assert found is not None
    assert found[0] == 0.0
    assert found[1] < 3.0


def test_an_opening_that_shows_by_its_colour_alone_is_measured_to_its_edges() -> None:
    nonbutting, butting = tee_parts(gap=37.0, right=900.0)
    photo = painted(nonbutting, butting, noise=4.0)
    # As bright as the plates, but red; in brightness the butting plate begins 4 px further up.
    y = np.arange(photo.height)[:, None, None] + np.zeros((1, photo.width, 1))
    red = (y > 402.3 - 37.0) & (y < 402.3)
    pixels = np.where(red, [196.0, 131.0, 131.0], np.where(y < 402.3 - 41.0, 110.0, 150.0))
    noise = np.random.default_rng(2).normal(0, 4.0, (photo.height, photo.width, 1))
    pixels = cv2.GaussianBlur(pixels, (0, 0), 0.8) + noise
    pixels[:, :100] = AIR
    coloured = replace(photo, pixels=pixels.clip(0, 255).astype(np.uint8))
    maps = maps_of_parts(nonbutting, butting, step=2)
    found = find_opening(coloured, maps, nonbutting_line(), INWARD, FUSION, 260.0)
    assert found is not None
    assert abs(found[0] - 37.0) < 1.5
    assert found[1] < 1.5


def test_a_cavity_that_the_plates_close_again_behind_is_no_sure_opening() -> None:
    nonbutting, butting = tee_parts(gap=0.0, right=900.0)
    cavity = np.ones_like(butting)
    cavity[round(402.3) - 40 : round(402.3), 480:600] = 0.0
    parts = (nonbutting, butting * cavity)
    photo = painted(*parts, noise=4.0)
    found = find_opening(photo, maps_of_parts(*parts, step=2), nonbutting_line(), INWARD, FUSION, 260.0)
    assert found is not None
    # The plates touch: the truth is 0.
    assert found[0] < 2.5 * found[1]


def test_a_seam_as_dark_as_the_air_is_no_sure_opening() -> None:
    nonbutting, butting = tee_parts(gap=4.6, right=900.0)
    photo = painted(nonbutting, butting, noise=4.0)
    blind = maps_of_parts(*tee_parts(gap=0.0, right=900.0), step=1)
    found = find_opening(photo, blind, nonbutting_line(), INWARD, FUSION, 260.0)
    assert found is not None
    assert found[1] > 0.25 * 4.6


def test_an_opening_that_has_lost_its_rim_to_glare_is_as_unsure_as_that() -> None:
    nonbutting, butting = tee_parts(gap=37.0, right=900.0)
    photo = painted(nonbutting, butting, noise=4.0)
    pixels = photo.pixels.copy()
    pixels[round(402.3) - 6 : round(402.3), :] = 150
    blind = maps_of_parts(*tee_parts(gap=0.0, right=900.0), step=2)
    found = find_opening(replace(photo, pixels=pixels), blind, nonbutting_line(), INWARD, FUSION, 260.0)
    assert found is not None
    assert abs(found[0] - 37.0) < 2 * found[1]
    assert found[1] > 3.0


def test_a_patch_off_the_surface_that_the_maps_half_take_for_air_is_no_opening() -> None:
    # The nonbutting surface lies 60 px under it: it is in the butting member.
    lower = FUSION + np.array([0.0, 60.0])
    photo, maps = half_seen(37.0, 0.4, tone=135.0)
    found = find_opening(photo, maps, nonbutting_line(402.3 + 60.0), INWARD, lower, 260.0)
    assert found is not None
    assert found[0] == 0.0
