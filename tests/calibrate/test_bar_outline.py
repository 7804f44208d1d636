"""Bars drawn with an outline of another tone: the bar within it is what counts."""

import numpy as np
import pytest

from macrocheck.calibrate.bar import find
from macrocheck.calibrate.bar_outline import outline_width
from macrocheck.calibrate.kinds import parse_mark
from macrocheck.render.marks import Colour, draw_bar
from tests.calibrate.scenes import camera, photo_of

START, LENGTH, THICK = (210.3, 300.4), 260.7, 6.0
GROUND = np.full((600, 800, 3), 70.0)


def _drawn(ink: Colour, outline: Colour | None, wide: float, blur: float = 0.7) -> np.ndarray:
    image = GROUND
    if outline is not None:
        image, _ = draw_bar(
            image,
            start=(START[0] - wide, START[1]),
            length_px=LENGTH + 2 * wide,
            thickness_px=THICK + 2 * wide,
            colour=outline,
        )
    image, _ = draw_bar(image, start=START, length_px=LENGTH, thickness_px=THICK, colour=ink)
    return camera(image, seed=4, blur=blur, quality=90)


@pytest.mark.parametrize("wide", [1.5, 2.0])
def test_of_an_outlined_bar_the_bar_within_counts_or_none(wide: float) -> None:
    photo = photo_of(_drawn((40.0, 200.0, 60.0), (255.0, 255.0, 255.0), wide))
    for found in find(photo, parse_mark("bar:10mm")):
        error = 10 / found.mm_per_px - LENGTH
        assert abs(error) < max(0.9, 2.5 * found.u_found * LENGTH)


@pytest.mark.parametrize("ink", [(255.0, 255.0, 255.0), (220.0, 30.0, 30.0), (0.0, 0.0, 0.0)])
@pytest.mark.parametrize("blur", [0.0, 1.5])
def test_a_plain_bar_has_no_outline(ink: Colour, blur: float) -> None:
    pixels = _drawn(ink, None, 0.0, blur)
    start = np.array(START)
    assert outline_width(pixels, start, start + np.array([LENGTH, 0.0]), THICK) == 0.0


def test_an_outline_is_as_wide_as_drawn() -> None:
    start = np.array(START)
    pixels = _drawn((40.0, 200.0, 60.0), (255.0, 255.0, 255.0), 2.0)
    assert outline_width(pixels, start, start + np.array([LENGTH, 0.0]), THICK) == pytest.approx(2.0, abs=0.3)
