"""Bars as software draws them: outlines and shadows, labels and box edges close to an end, narrow boxes."""

import cv2
import numpy as np
import pytest

from macrocheck.arrays import ByteArray
from macrocheck.calibrate import calibrate, parse_mark
from macrocheck.calibrate.bar_outline import outline_of
from macrocheck.errors import NotFoundError
from macrocheck.render.marks import Colour, draw_bar
from tests.calibrate.scenes import camera, photo_of

BLACK, WHITE, RED = (0.0, 0.0, 0.0), (255.0, 255.0, 255.0), (230.0, 20.0, 20.0)


def outlined(fill: Colour, edge: Colour, *, width: float, ground: float, start: float = 120.3) -> ByteArray:
    """A bar of 200.4 x 7 px with an outline `width` px wide."""
    image = np.full((300, 480, 3), ground)
    for more, colour in ((width, edge), (0.0, fill)):
        image, _ = draw_bar(
            image,
            start=(start - more, 150.0),
            length_px=200.4 + 2 * more,
            thickness_px=7.0 + 2 * more,
            colour=colour,
        )
    return camera(image, seed=3, blur=0.3, noise=1.0, quality=90)


@pytest.mark.parametrize("width", [1.0, 2.0])
@pytest.mark.parametrize(
    ("fill", "edge", "ground"),
    [
        (BLACK, WHITE, 120.0),
        (BLACK, WHITE, 190.0),
        (WHITE, BLACK, 60.0),
        (WHITE, BLACK, 120.0),
        (RED, WHITE, 60.0),
        (RED, WHITE, 120.0),
        (RED, WHITE, 190.0),
    ],
)
def test_an_outlined_bar_ends_within_its_outline(fill: Colour, edge: Colour, width: float, ground: float) -> None:
    pixels = outlined(fill, edge, width=width, ground=ground)
    scale = calibrate(photo_of(pixels), [parse_mark("bar:10mm")])
    error = scale.mm_per_px * 200.4 / 10 - 1
    assert abs(error) < 3 * scale.u_rel
    assert abs(error) * 200.4 < 0.6


@pytest.mark.parametrize("blur", [0.0, 1.0, 2.5])
def test_a_plain_bar_has_no_outline(blur: float) -> None:
    image, _ = draw_bar(np.full((300, 480, 3), 60.0), start=(120.3, 150.0), length_px=200.4, thickness_px=7.0)
    pixels = camera(image, seed=3, blur=blur, noise=2.0, quality=75)
    assert outline_of(pixels, np.array([120.3, 150.0]), np.array([320.7, 150.0]), 7.0) is None


@pytest.mark.parametrize("gap", [5, 8, 12])
@pytest.mark.parametrize("tick", [0.0, 20.0])
def test_the_edge_of_the_box_close_to_an_end(gap: int, tick: float) -> None:
    image = np.full((300, 480, 3), 230.0)
    half = 2 if tick else 0
    image[120:180, 120 - half - gap : 320 + half + gap] = 20.0
    image, _ = draw_bar(
        image, start=(119.5, 149.5), length_px=200.0, thickness_px=4.0, colour=WHITE, end_tick_px=tick
    )
    scale = calibrate(photo_of(camera(image, seed=1, blur=0.5, noise=1.0, quality=85)), [parse_mark("bar:10mm")])
    assert 10 / scale.mm_per_px == pytest.approx(200.0, abs=0.2)


def test_a_box_as_narrow_as_an_outline_along_the_sides_and_wide_past_the_ends() -> None:
    image = np.full((300, 480, 3), 90.0)
    image[140:151, 90:350] = 194.0
    image[143:151, 150:291] = 35.0
    image[151:154, 90:350] = 194.0
    scale = calibrate(photo_of(camera(image, seed=1, blur=0.0, noise=1.5, quality=None)), [parse_mark("bar:10mm")])
    assert 10 / scale.mm_per_px == pytest.approx(141.0, abs=0.2)


@pytest.mark.parametrize("gap", [6, 9])
def test_a_label_close_to_an_end(gap: int) -> None:
    image, _ = draw_bar(np.full((300, 480, 3), 40.0), start=(99.5, 149.5), length_px=200.0, thickness_px=4.0)
    pixels = np.rint(image).astype(np.uint8)
    cv2.putText(pixels, "10 mm", (300 + gap, 158), cv2.FONT_HERSHEY_SIMPLEX, 0.7, (255, 255, 255), 2, cv2.LINE_AA)
    scale = calibrate(photo_of(camera(pixels, seed=1, blur=0.4, noise=1.0, quality=85)), [parse_mark("bar:10mm")])
    assert 10 / scale.mm_per_px == pytest.approx(200.0, abs=0.2)


def test_a_box_hardly_wider_than_the_bar() -> None:
    rng = np.random.default_rng(5)
    image = np.clip(rng.normal(70, 18, (300, 480, 1)), 0, 255) * np.ones(3)
    image[144:155, 112:308] = 240.0
    image, _ = draw_bar(image, start=(119.5, 149.0), length_px=180.0, thickness_px=3.0, colour=BLACK)
    scale = calibrate(photo_of(camera(image, seed=1, blur=0.4, noise=1.0, quality=85)), [parse_mark("bar:10mm")])
    assert 10 / scale.mm_per_px == pytest.approx(180.0, abs=0.2)


def test_a_stroke_that_the_border_cuts_is_no_bar() -> None:
    image, _ = draw_bar(np.full((300, 480, 3), 60.0), start=(-20.0, 40.0), length_px=150.0, angle_deg=12.0)
    with pytest.raises(NotFoundError):
        calibrate(photo_of(camera(image, seed=2, blur=0.8, noise=1.0)), [parse_mark("bar:10mm")])
