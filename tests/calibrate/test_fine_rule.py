"""Rules whose ticks are close: where each stands, what is odd among them, and what is no rule."""

import math

import numpy as np
import pytest

from macrocheck.calibrate import calibrate, parse_mark
from macrocheck.calibrate.graduations import best_pattern
from macrocheck.calibrate.ruler import _known, rules_in
from macrocheck.calibrate.tick_fit import line_ticks
from macrocheck.render.marks import draw_ruler
from tests.calibrate.scenes import camera, photo_of

HALVES = ((1, 4.0), (2, 6.0), (10, 9.0))
# half millimetres: the lengths of the ticks are common practice, no source


def _profile(places: np.ndarray, wide: float, blur: float, slope: float) -> np.ndarray:
    """Mean brightness of each pixel under blurred lines, by the exact integral of a blurred box over the pixel."""
    fine = 40
    x = (np.arange(400 * fine) + 0.5) / fine - 0.5
    lines = sum(
        0.5 * np.array([math.erf((t - p + wide / 2) / blur) - math.erf((t - p - wide / 2) / blur) for t in x])
        for p in places
    )
    return np.asarray((80 * lines + slope * x).reshape(400, fine).mean(axis=1))


@pytest.mark.parametrize(("pitch", "wide", "blur"), [(5.2, 1.0, 0.3), (5.7, 0.9, 1.0), (8.3, 1.4, 1.2)])
def test_lines_are_placed_whatever_their_place_between_pixels(pitch: float, wide: float, blur: float) -> None:
    true = 20.0 + pitch * np.arange(int(360 / pitch))
    start = true + np.random.default_rng(2).uniform(-0.15, 0.15, len(true)) * pitch
    at, likeness, height, _ = line_ticks(_profile(true, wide, blur, 0.1), start, pitch, 1.0)
    assert np.abs(at - true).max() < 0.06  # one part of the pixel's own place remains, and goes with it
    assert abs(np.polyfit(np.arange(len(at)), at, 1)[0] / pitch - 1) < 3e-5
    assert likeness.min() > 0.97
    assert (height > 0).all()


@pytest.mark.parametrize("pitch", [5.3, 6.1, 7.4])
@pytest.mark.parametrize("angle", [0.0, 90.0, 31.0])
def test_a_fine_rule_is_one_rule_and_placed_to_a_part_in_two_thousand(pitch: float, angle: float) -> None:
    image, _ = draw_ruler(
        np.full((700, 900, 3), 90.0),
        origin=(300.0, 120.0),
        pitch_px=pitch,
        count=60,
        angle_deg=angle,
        classes=HALVES,
        seed=4,
    )
    photo = photo_of(camera(image, seed=4, blur=0.6))
    assert len(rules_in(photo)) == 1  # the millimetres by themselves are no second rule
    assert calibrate(photo, [parse_mark("ruler:0.5mm")]).mm_per_px == pytest.approx(0.5 / pitch, rel=5e-4)


def _reach(k: np.ndarray, *, tens: float = 6.9) -> np.ndarray:
    own = np.where(k % 10 == 7, tens, np.where(k % 2 == 1, 3.9, 1.9))
    return np.column_stack([own + np.random.default_rng(3).normal(0, 0.05, len(k)), np.full(len(k), 2.2)])


def test_one_tick_of_a_wrong_length_is_borne_from_15_ticks_on() -> None:
    k = np.arange(19)
    reach = _reach(k)
    reach[15, 0] = 2.6
    found = best_pattern(k, reach)
    assert found is not None
    assert found.name == "twos and tens"
    reach = _reach(k[:12])
    reach[5, 0] = 8.0
    assert best_pattern(k[:12], reach) is None


def test_ticks_that_leave_the_picture_tell_no_length() -> None:
    k = np.arange(30)
    reach = _reach(k)
    reach[24:, 0] = np.nan
    found = best_pattern(k, reach)
    assert found is not None
    assert found.name == "twos and tens"
    assert best_pattern(k, np.full((30, 2), np.nan)) is None


def test_a_tick_cut_by_the_picture_counts_where_it_is_the_longest_all_the_same() -> None:
    reach = np.array([[1.9, 2.0], [3.9, 2.0], [2.6, 2.0], [3.9, 2.0], [5.0, 2.0]])
    leaves = np.zeros((5, 2), dtype=bool)
    leaves[[2, 4], 0] = True
    known = _known(reach, leaves)
    assert np.isnan(known[:, 0]).tolist() == [False, False, True, False, False]
    assert np.isfinite(known[:, 1]).all()


def test_strokes_of_which_every_second_is_longer_and_none_longer_still_are_no_rule() -> None:
    # a thread followed at half its pitch
    k = np.arange(34)
    assert best_pattern(k, _reach(k, tens=3.9)) is None


def test_one_long_stroke_in_a_row_is_no_rule() -> None:
    # twelve strokes of a row of letters, of which one runs into a tick beneath it
    k = np.arange(12)
    reach = np.column_stack([np.where(k == 5, 5.8, 1.1 + 0.02 * (k % 3)), np.full(12, 1.0)])
    assert best_pattern(k, reach) is None


def _fives_and_tens(cut: float, noise: float = 0.04) -> tuple[np.ndarray, np.ndarray]:
    """Numbers and lengths, in pitches, of 17 ticks of which one 10 mm tick is only `cut` long."""
    k = np.arange(-2, 15)
    length = np.where(k % 10 == 1, 4.5, np.where(k % 5 == 1, 3.0, 1.5))
    length = length + np.random.default_rng(3).normal(0, noise, len(k))
    length[k == 1] = cut
    return k, np.column_stack([np.full(len(k), 1.5), length])


def test_a_long_tick_cut_short_by_glare_leaves_a_rule_a_rule() -> None:
    pattern = best_pattern(*_fives_and_tens(2.9))
    assert pattern is not None
    assert pattern.name == "fives and tens"
    assert pattern.phase == 1


def test_two_long_strokes_and_one_as_short_as_the_rest_are_no_rule() -> None:
    assert best_pattern(*_fives_and_tens(1.5)) is None


def test_a_cut_tick_excuses_no_others() -> None:
    k, reach = _fives_and_tens(2.9)
    reach[k == 4, 1] = 3.2
    assert best_pattern(k, reach) is None
