"""A disc with a rim that its blur melts into: all rays fitted at once."""

import numpy as np
import pytest

from macrocheck.arrays import AnyArray
from macrocheck.calibrate import calibrate, parse_mark
from macrocheck.render.marks import Colour, draw_disc
from tests.calibrate.scenes import camera, photo_of

RADIUS = 60.0


def on_two_grounds(rim: Colour | None, relief: float = 0.0) -> AnyArray:
    """A grey disc half on a dark and half on a light ground, light stripes beside it."""
    image = np.full((300, 320, 3), (50.0, 50.0, 52.0), np.float32)
    image[:, 160:] = (190.0, 225.0, 180.0)
    image[:, 226:232] = 90.0
    drawn, _ = draw_disc(
        image,
        centre=(158.3, 150.6),
        diameter_px=2 * RADIUS,
        colour=(142.0, 132.0, 128.0),
        rim=rim,
        rim_px=4.8,
        relief=relief,
        seed=4,
    )
    return drawn


@pytest.mark.parametrize("relief", [0.0, 14.0])
@pytest.mark.parametrize("rim", [None, (110.0, 128.0, 100.0)])
def test_a_disc_is_as_wide_on_two_grounds_with_a_rim_or_without(rim: Colour | None, relief: float) -> None:
    pixels = camera(on_two_grounds(rim, relief), seed=3, blur=2.2, noise=2.0, quality=80)
    scale = calibrate(photo_of(pixels), [parse_mark("disc:20mm")])
    assert 20 / scale.mm_per_px / 2 == pytest.approx(RADIUS, abs=0.12)
