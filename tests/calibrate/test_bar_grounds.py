"""Bars that cross from one ground to the next, bars with something close beside them, strokes that come in twos."""

import math

import cv2
import numpy as np
import pytest

from macrocheck.arrays import AnyArray
from macrocheck.calibrate import calibrate, parse_mark
from macrocheck.calibrate.bar_ground import ink_of
from macrocheck.calibrate.graduations import best_pattern, pattern_fits
from macrocheck.calibrate.profile import erf, reduced
from macrocheck.calibrate.strokes import blobs
from macrocheck.errors import NotFoundError
from macrocheck.render.marks import Colour, draw_bar
from tests.calibrate.scenes import camera, photo_of

BAR = parse_mark("bar:10mm")
WHITE, RED, YELLOW, BLACK = (255.0, 255.0, 255.0), (220.0, 30.0, 30.0), (255.0, 255.0, 0.0), (0.0, 0.0, 0.0)


def _grounds(*tones: float) -> AnyArray:
    """Upright stripes of even width, 960 x 720."""
    return np.repeat(np.repeat(np.array(tones)[None, :, None], 960 // len(tones), axis=1), 720, axis=0) * np.ones(3)


@pytest.mark.parametrize("tick", [0.0, 15.0])
@pytest.mark.parametrize(
    ("colour", "tones"), [(WHITE, (40, 190)), (YELLOW, (30, 215, 60)), (RED, (25, 190)), (BLACK, (230, 90))]
)
def test_a_thin_bar_over_several_grounds(colour: Colour, tones: tuple[float, ...], tick: float) -> None:
    image, truth = draw_bar(
        _grounds(*tones), start=(265.0, 350.3), length_px=425.0, thickness_px=3.0, colour=colour, end_tick_px=tick
    )
    scale = calibrate(photo_of(camera(image, seed=4, blur=2.0, noise=2.0, quality=88)), [BAR])
    assert scale.mm_per_px * truth.length_px / 10 == pytest.approx(1, abs=max(3 * scale.u_rel, 0.0015))
    assert scale.u_rel < 0.006


def test_a_bar_that_may_go_on_unseen_is_refused() -> None:
    """White on dark, run into a white plate: nobody sees where it ends there."""
    image = _grounds(40, 254)
    image, _ = draw_bar(image, start=(200.0, 350.0), length_px=345.0, thickness_px=3.0, colour=WHITE)
    with pytest.raises(NotFoundError):
        calibrate(photo_of(camera(image, seed=4, blur=2.0)), [BAR])


def _halves(degrees: float, apart: float) -> AnyArray:
    """Two tones that meet along a line through (480, 360), 960 x 720."""
    y, x = np.mgrid[:720, :960]
    side = (y - 360) * math.cos(math.radians(degrees)) - (x - 480) * math.sin(math.radians(degrees)) > 0
    return np.where(side, 150.0 + apart / 2, 150.0 - apart / 2)[..., None] * np.ones(3)


def _stroke_aslant(ground: AnyArray, degrees: float) -> tuple[AnyArray, float]:
    a = math.radians(degrees)
    start = (480 - 150 * math.cos(a), 360 - 150 * math.sin(a))
    image, drawn = draw_bar(ground, start=start, length_px=300.0, angle_deg=degrees, thickness_px=5.0, colour=BLACK)
    return camera(image, seed=4, noise=2.0), drawn.length_px


@pytest.mark.parametrize("degrees", [3.0, 40.0])
def test_a_stroke_aslant_that_parts_two_grounds_is_a_seam(degrees: float) -> None:
    pixels, _ = _stroke_aslant(_halves(degrees, 45.0), degrees)
    with pytest.raises(NotFoundError):
        calibrate(photo_of(pixels), [BAR])


@pytest.mark.parametrize(("edge", "apart"), [(3.0, 0.0), (80.0, 45.0)])
def test_a_bar_aslant_on_one_ground_or_across_the_edge_of_two_is_found(edge: float, apart: float) -> None:
    pixels, length = _stroke_aslant(_halves(edge, apart), 3.0)
    assert calibrate(photo_of(pixels), [BAR]).mm_per_px == pytest.approx(10 / length, rel=0.003)


@pytest.mark.parametrize("length", [95.0, 180.0])
def test_a_label_close_by_hides_no_blurred_bar(length: float) -> None:
    image, truth = draw_bar(
        np.full((720, 960, 3), 25.0), start=(300.0, 300.4), length_px=length, thickness_px=2.5, colour=WHITE,
        label="10 mm", label_height_px=12.0,
    )  # fmt: skip
    scale = calibrate(photo_of(camera(image, seed=6, blur=2.6, noise=1.0)), [BAR])
    assert scale.mm_per_px * truth.length_px / 10 == pytest.approx(1, abs=max(3 * scale.u_rel, 0.002))


@pytest.mark.parametrize("text", ["=====", "IIII"])
def test_strokes_that_come_in_twos_and_rows_are_no_bar(text: str) -> None:
    image = np.full((720, 960, 3), 205.0)
    count, gap = len(text), 22
    for i in range(count):
        image[200 + gap * i : 207 + gap * i, 300:420] = 20.0
    with pytest.raises(NotFoundError):
        calibrate(photo_of(camera(image, seed=7, blur=1.0)), [BAR])


@pytest.mark.parametrize("cover", [0.3, 0.6, 0.95])
def test_paint_and_cover_of_a_bar_are_told_by_its_grounds(cover: float) -> None:
    rng = np.random.default_rng(3)
    ground = np.where(np.arange(200)[:, None] < 90, 40.0, 180.0) + rng.normal(0, 3, (200, 3))
    core = cover * np.array([250.0, 250.0, 20.0]) + (1 - cover) * ground + rng.normal(0, 2, (200, 3))
    ink = ink_of(core, ground)
    assert ink is not None
    assert ink.cover == pytest.approx(cover, abs=0.03)
    assert ink.paint / ink.cover == pytest.approx([250, 250, 20], abs=12)


def test_unlike_stretches_are_not_one_paint() -> None:
    ground = np.repeat([[40.0, 40.0, 40.0], [180.0, 180.0, 180.0]], 60, axis=0)
    core = np.repeat([[200.0, 40.0, 40.0], [60.0, 60.0, 240.0]], 60, axis=0)
    assert ink_of(core, ground) is None


def test_strokes_within_an_outline_are_found_too() -> None:
    """The components are those of a labelling of the whole mask by OpenCV."""
    mask = np.zeros((400, 600), np.uint8)
    cv2.rectangle(mask, (50, 50), (550, 350), (1,), 3)
    for y in (120, 200, 280):
        mask[y : y + 5, 150:400] = 1
    found = blobs(mask > 0, 80.0, np.ones(2))
    _, _, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    bars = sorted(int(s[cv2.CC_STAT_TOP]) for s in stats[1:] if s[cv2.CC_STAT_WIDTH] == 250)
    assert sorted(round(float(stroke.middle[1])) - 2 for stroke in found) == bars == [120, 200, 280]
    assert all(stroke.length == pytest.approx(250, abs=0.1) for stroke in found)
    assert all(stroke.thickness == pytest.approx(5, abs=0.3) for stroke in found)


def test_a_picture_is_reduced_to_its_means() -> None:
    image = np.random.default_rng(1).integers(0, 256, (300, 400, 3)).astype(np.uint8)
    assert reduced(image, (100, 75)) == pytest.approx(image.reshape(75, 4, 100, 4, 3).mean(axis=(1, 3)), abs=0.51)
    assert reduced(image, (150, 112)).mean() == pytest.approx(image.mean(), abs=0.6)


def test_the_error_function_is_that_of_the_standard_library() -> None:
    z = np.linspace(-7, 7, 4001)
    assert erf(z) == pytest.approx([math.erf(k) for k in z], abs=2e-7)


def test_fourteen_ticks_of_an_inch_rule_suit_the_pitch_that_was_stated() -> None:
    k = np.arange(14)
    reach = np.full(14, 2.4)
    for step, length in ((2, 3.3), (4, 4.2), (8, 5.1), (16, 6.2)):
        reach[(k + 3) % step == 0] = length
    pattern = best_pattern(k, np.column_stack([np.full(14, 1.5), reach]))
    assert pattern is not None
    assert pattern_fits(pattern, 25.4 / 16)
    assert not pattern_fits(pattern, 1.0)
