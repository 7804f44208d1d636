"""Bars that authors draw otherwise: thick, hollow, broken by the label, on dotted ground, at the border."""

import cv2
import numpy as np
import pytest

from macrocheck.arrays import ByteArray
from macrocheck.calibrate import calibrate, parse_mark
from macrocheck.calibrate.bar_fit import Bar
from macrocheck.calibrate.bar_label import labelled
from macrocheck.calibrate.bar_ringed import ringed
from macrocheck.calibrate.strokes import Stroke
from macrocheck.errors import NotFoundError
from macrocheck.render.marks import Colour, draw_bar
from tests.calibrate.scenes import camera, photo_of

BLACK, WHITE = (0.0, 0.0, 0.0), (255.0, 255.0, 255.0)
MARK = parse_mark("bar:10mm")


def canvas(tone: float, width: int = 800, height: int = 600) -> ByteArray:
    return np.full((height, width, 3), tone, dtype=np.uint8)


def written(image: ByteArray, text: str, at: tuple[int, int], colour: Colour, size: float = 0.7) -> ByteArray:
    cv2.putText(image, text, at, cv2.FONT_HERSHEY_SIMPLEX, size, colour, 2, cv2.LINE_AA)
    return image


def length_px(pixels: ByteArray) -> float:
    return 10 / calibrate(photo_of(pixels), [MARK]).mm_per_px


def filled(image: ByteArray, x: int, y: int, length: int, thick: int, tone: float | Colour) -> ByteArray:
    image[y : y + thick, x : x + length] = tone
    return image


@pytest.mark.parametrize("thick", [40, 60, 75])
def test_a_bar_as_thick_as_a_fifth_of_its_length(thick: int) -> None:
    image = filled(canvas(70, 1500, 1000), 300, 700, 400, thick, 250.0)
    assert length_px(camera(image, seed=1, blur=0.8)) == pytest.approx(400, abs=0.2)


@pytest.mark.parametrize(("fill", "line"), [(40.0, 220.0), (200.0, 15.0)])
@pytest.mark.parametrize("width", [2, 3])
def test_a_hollow_bar_ends_within_its_line(fill: float, line: float, width: int) -> None:
    image = filled(canvas(fill), 250 - width, 300 - width, 200 + 2 * width, 9 + 2 * width, line)
    pixels = camera(filled(image, 250, 300, 200, 9, fill), seed=2, blur=0.4, noise=1.5)
    assert length_px(pixels) == pytest.approx(200, abs=0.6)


def test_a_frame_around_writing_is_no_hollow_bar() -> None:
    image = filled(canvas(40), 248, 298, 204, 44, 220.0)
    image = written(filled(image, 250, 300, 200, 40, 40.0), "COUPON 14 B", (258, 328), WHITE)
    seed = Stroke(np.array([250.0, 320.0]), np.array([450.0, 320.0]), 40.0)
    assert ringed(camera(image, seed=2, blur=0.4, noise=1.5), seed) is None


def test_two_lines_that_nothing_closes_are_no_hollow_bar() -> None:
    image = filled(filled(canvas(40), 248, 298, 204, 2, 220.0), 248, 309, 204, 2, 220.0)
    seed = Stroke(np.array([250.0, 304.0]), np.array([450.0, 304.0]), 11.0)
    assert ringed(camera(image, seed=2, blur=0.4, noise=1.5), seed) is None


@pytest.mark.parametrize(("colour", "tone"), [(WHITE, 40.0), (BLACK, 190.0)])
def test_a_bar_that_its_label_breaks(colour: Colour, tone: float) -> None:
    image = canvas(tone)
    for x in (200, 404):
        image = filled(image, x, 400, 96, 3, colour)
    for x in (200, 497):
        image = filled(image, x, 393, 3, 17, colour)
    pixels = camera(written(image, "10 mm", (308, 409), colour), seed=3, blur=0.5, noise=1.5)
    assert length_px(pixels) == pytest.approx(297, abs=0.3)


def test_two_strokes_with_nothing_written_between_them_are_no_broken_bar() -> None:
    image = canvas(40.0)
    for x in (200, 404):
        image = filled(image, x, 400, 96, 3, WHITE)
    for x in (200, 497):
        image = filled(image, x, 393, 3, 17, WHITE)
    with pytest.raises(NotFoundError):
        length_px(camera(image, seed=3, blur=0.5, noise=1.5))


@pytest.mark.parametrize("ground", [90.0, 20.0, 235.0])
def test_one_half_of_a_bar_of_two_tones_is_not_taken_for_the_bar(ground: float) -> None:
    """Black and white halves with a thin black line around: which end is the bar's is told by the eye alone."""
    image = filled(canvas(ground), 200, 400, 300, 12, 0.0)
    image = filled(image, 350, 401, 149, 10, 255.0)
    with pytest.raises(NotFoundError):
        length_px(camera(image, seed=4, blur=0.3, noise=1.0))


def test_of_two_bars_the_one_with_a_label_is_taken() -> None:
    image = filled(canvas(60.0), 100, 500, 250, 8, 240.0)
    image = filled(image, 450, 200, 310, 8, 240.0)
    pixels = camera(image, seed=5, blur=0.6)
    with pytest.raises(NotFoundError, match="2 places"):
        length_px(pixels)
    labels = camera(written(image, "10 mm", (180, 490), (240.0, 240.0, 240.0)), seed=5, blur=0.6)
    assert length_px(labels) == pytest.approx(250, abs=0.2)
    both = written(image, "5 mm", (560, 190), (240.0, 240.0, 240.0))
    with pytest.raises(NotFoundError, match="2 places"):
        length_px(camera(both, seed=5, blur=0.6))


def test_a_label_is_told_on_every_side_and_specks_are_none() -> None:
    bar = Bar(np.array([299.5, 303.5]), np.array([499.5, 303.5]), 8.0, 0.1, 100.0, ticks=False)
    plain = filled(canvas(60.0), 300, 300, 200, 8, 240.0)
    assert not labelled(camera(plain, seed=6, blur=0.5, noise=4.0), bar)
    for at in ((370, 290), (370, 335), (512, 312), (215, 312)):
        image = written(plain.copy(), "10 mm", at, (240.0, 240.0, 240.0))
        assert labelled(camera(image, seed=6, blur=0.5, noise=4.0), bar)


def test_dotted_ground_does_not_lengthen_a_bar() -> None:
    y, x = np.mgrid[:600, :800]
    dots = np.where((x // 4 + y // 4) % 2, 110.0, 170.0)
    image = np.repeat(dots[..., None], 3, axis=2).astype(np.uint8)
    pixels = camera(filled(image, 300, 400, 200, 10, 255.0), seed=7, blur=0.0)
    assert length_px(pixels) == pytest.approx(200, abs=0.3)


@pytest.mark.parametrize("room", [2, 3])
def test_a_bar_that_ends_close_to_the_border(room: int) -> None:
    image = filled(canvas(60.0), 800 - 200 - room, 560, 200, 8, 255.0)
    assert length_px(camera(image, seed=8, blur=0.4, noise=1.0)) == pytest.approx(200, abs=0.2)


@pytest.mark.parametrize("wide", [4, 12])
def test_end_ticks_thinner_or_thicker_than_their_bar(wide: int) -> None:
    image = filled(canvas(60.0), 300, 400, 200, 8, 255.0)
    for x in (300, 500 - wide):
        image = filled(image, x, 384, wide, 40, 255.0)
    assert length_px(camera(image, seed=9, blur=0.4, noise=1.0)) == pytest.approx(200 - wide, abs=0.3)


def test_a_bar_with_end_ticks_beside_lines_that_are_not_parallel_to_it() -> None:
    image = canvas(170.0)
    for k in range(6):
        cv2.line(image, (300, 200 + 24 * k), (460, 214 + 24 * k), (90.0, 90.0, 90.0), 5, cv2.LINE_AA)
    image, _ = draw_bar(
        image, start=(300.0, 370.0), length_px=170.0, thickness_px=4.0, colour=BLACK, end_tick_px=20.0
    )
    assert length_px(camera(image, seed=10, blur=0.5, noise=1.0)) == pytest.approx(170, abs=0.2)


def test_colour_that_compression_spreads_is_no_tick() -> None:
    image = filled(canvas(42, 400, 300), 16, 267, 106, 2, (220.0, 10.0, 10.0))
    assert length_px(camera(image, seed=1, blur=0.0, noise=0.0, quality=92)) == pytest.approx(106, abs=0.4)


def test_a_darker_ground_along_a_side_is_no_tick() -> None:
    image = canvas(190)
    image[408:, :] = 110.0
    image = filled(image, 300, 400, 200, 8, 10.0)
    assert length_px(camera(image, seed=11, blur=0.5, noise=1.0)) == pytest.approx(200, abs=0.2)
