"""Ends of bars that blur and compression hide: ticks of one pen, colour that a file keeps by blocks.

Truth is what was drawn: `draw_bar` covers every pixel by the exact integral of its footprint.
"""

import numpy as np
import pytest

from macrocheck.arrays import FloatArray
from macrocheck.calibrate import bar_broken, parse_mark
from macrocheck.calibrate.bar import find
from macrocheck.calibrate.bar_sides import colour_end, side_blur
from macrocheck.calibrate.profile import erf
from macrocheck.calibrate.strokes import Stroke
from macrocheck.render.marks import Colour, draw_bar
from tests.calibrate.hard_bars import with_hard_bar
from tests.calibrate.scenes import camera, photo_of

RED: Colour = (220, 30, 30)
LENGTH = 171.9


def _errors(
    *, ground: Colour, ink: Colour, thick: float, tick: float, blur: float, noise: float, quality: int
) -> FloatArray:
    """Errors of the lengths of eight bars, each elsewhere between the pixels and the file's blocks, px."""
    errors = []
    for k in range(8):
        image = np.empty((200, 300, 3), np.float32)
        image[:] = ground
        start = (60.3 + 2.13 * k, 100.4 + 0.21 * k)
        image, _ = draw_bar(image, start=start, length_px=LENGTH, thickness_px=thick, end_tick_px=tick, colour=ink)
        pixels = camera(image, seed=k, blur=blur, noise=noise, quality=quality)
        (bar,) = find(photo_of(pixels), parse_mark("bar:10mm"))
        errors.append(bar.extent_px - LENGTH)
    return np.array(errors)


def test_thin_ticks_under_blur_are_taken_for_no_thicker_than_their_line() -> None:
    errors = _errors(ground=(75, 100, 85), ink=(255, 255, 0), thick=2.0, tick=8.0, blur=1.87, noise=2.5, quality=83)
    assert abs(errors.mean()) < 0.06
    assert np.abs(errors).max() < 0.2


def test_the_end_of_a_bar_that_colour_alone_tells_is_not_that_of_a_block_of_the_file() -> None:
    """Blocks of 8 x 8 samples (ITU-T T.81), of every second pixel where colour has half the sharpness."""
    grey = 0.299 * RED[0] + 0.587 * RED[1] + 0.114 * RED[2]
    errors = _errors(ground=(grey, grey, grey), ink=RED, thick=4.0, tick=0.0, blur=1.2, noise=2.0, quality=70)
    assert np.sqrt(np.mean(errors**2)) < 0.4


@pytest.mark.parametrize(("thick", "blur"), [(2.0, 1.5), (3.0, 2.5), (6.0, 1.0), (8.0, 2.5)])
def test_the_sides_tell_the_blur(thick: float, blur: float) -> None:
    image = np.full((200, 300, 3), 90.0, np.float32)
    image, _ = draw_bar(image, start=(60.0, 100.0), length_px=LENGTH, thickness_px=thick, colour=(240, 240, 240))
    pixels = camera(image, seed=1, blur=blur, noise=2.0, quality=85)
    seen = max(thick, 2.355 * blur)
    told = side_blur(pixels, np.array([60.0, 100.0]), np.array([60.0 + LENGTH, 100.0]), seen)
    assert told == pytest.approx(blur, rel=0.2)


def test_no_blur_is_told_where_a_bar_is_as_bright_as_its_ground() -> None:
    image = np.full((200, 300, 3), 87.0, np.float32)
    image, _ = draw_bar(image, start=(60.0, 100.0), length_px=LENGTH, thickness_px=6.0, colour=RED)
    pixels = camera(image, seed=1, blur=1.0, noise=1.0, quality=None)
    assert side_blur(pixels, np.array([60.0, 100.0]), np.array([60.0 + LENGTH, 100.0]), 6.0) is None


def test_smoothed_colour_keeps_its_place_beside_what_lies_past_its_ground() -> None:
    def edge(u: FloatArray) -> FloatArray:
        seen = 0.5 - 0.5 * erf((u - 0.7) / (np.sqrt(2.0) * 1.7))
        return np.asarray(np.where(u > 12.0, 1.0, seen))  # a label

    assert colour_end(edge, 12.0, 0.5, 1.5) == pytest.approx(0.7, abs=0.05)
    assert colour_end(edge, 12.0, 9.0, 1.5) is None


def test_two_strokes_without_ticks_or_writing_between_are_not_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    """Measuring takes ten times as long as the rough look, and a picture of a screw has a hundred such pairs."""
    image = np.full((200, 400, 3), 90.0, np.float32)
    for x in (60.0, 260.0):
        image, _ = draw_bar(image, start=(x, 100.0), length_px=80.0, thickness_px=4.0)
    strokes = [Stroke(np.array([x, 100.0]), np.array([x + 80.0, 100.0]), 4.0) for x in (60.0, 260.0)]
    measured: list[Stroke] = []
    monkeypatch.setattr(bar_broken, "feet_of", lambda _, stroke: measured.append(stroke))
    assert bar_broken.broken(camera(image, seed=0), strokes, 100.0) == []
    assert measured == []


def test_a_bar_that_is_another_when_measured_again_is_not_taken() -> None:
    """An end on another ground, seen 8 px from where it lies by one of two seeds of the same bar."""
    picture, text = with_hard_bar(3010, bracket=True)
    assert all(
        abs(bar.extent_px / picture.length_px - 1) < 0.02
        for bar in find(photo_of(picture.pixels), parse_mark(text))
    )
