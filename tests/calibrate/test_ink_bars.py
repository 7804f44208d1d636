"""Bars aslant that their colour alone shows to be drawn, and an end tick that only the other end's like tells."""

from dataclasses import replace

import numpy as np
import pytest

from macrocheck.calibrate import calibrate, parse_mark
from macrocheck.calibrate.bar_drawn import drawn
from macrocheck.calibrate.bar_fit import measure
from macrocheck.calibrate.strokes import Stroke
from macrocheck.errors import NotFoundError
from macrocheck.render.marks import Colour, draw_bar
from tests.calibrate.pictures import with_bar
from tests.calibrate.scenes import camera, photo_of

BAR = parse_mark("bar:10mm")
RED, GREY = (220.0, 30.0, 30.0), (30.0, 30.0, 30.0)


@pytest.mark.parametrize(("colour", "counts"), [(RED, True), (GREY, False)])
def test_a_bar_aslant_with_unsure_ends_counts_where_it_is_ink(colour: Colour, *, counts: bool) -> None:
    image, _ = draw_bar(
        np.full((240, 320, 3), 86.0),
        start=(60.4, 60.2),
        length_px=190.0,
        angle_deg=24.0,
        thickness_px=3.0,
        colour=colour,
    )
    pixels = camera(image, seed=7, blur=2.0, noise=3.0, quality=80)
    along = np.array([np.cos(np.deg2rad(24.0)), np.sin(np.deg2rad(24.0))])
    start = np.array([60.4, 60.2])
    bar = measure(pixels, Stroke(start, start + 190.0 * along, 3.0))
    assert bar is not None
    unsure = replace(bar, u_length=0.005 * bar.length)
    assert drawn(pixels, unsure) == counts


@pytest.mark.parametrize("seed", [3227, 3235, 3301])
def test_a_red_bar_aslant_is_found(seed: int) -> None:
    picture = with_bar(seed, 1000)
    scale = calibrate(photo_of(picture.pixels), [BAR])
    assert scale.mm_per_px * picture.length_px / 10 == pytest.approx(1, abs=max(3 * scale.u_rel, 0.002))


def test_a_tick_that_a_fit_misses_is_like_the_other_ends() -> None:
    """A blurred hairline on its strip: one of its ticks alone is fitted as a far longer one."""
    picture = with_bar(3219, 1000)
    scale = calibrate(photo_of(picture.pixels), [BAR])
    assert "end ticks" in scale.method
    assert scale.mm_per_px * picture.length_px / 10 == pytest.approx(1, abs=0.0012)


def test_a_strip_is_not_taken_for_the_faint_bar_on_it() -> None:
    picture = with_bar(1294, 1000)
    try:
        scale = calibrate(photo_of(picture.pixels), [BAR])
    except NotFoundError:
        return
    assert scale.mm_per_px * picture.length_px / 10 == pytest.approx(1, abs=0.01)
