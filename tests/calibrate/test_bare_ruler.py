"""A rule whose pitch nobody states: its long ticks tell it, or it is asked for."""

import numpy as np
import pytest

from macrocheck.calibrate import calibrate, parse_mark
from macrocheck.errors import NotFoundError
from macrocheck.photo import Photo
from macrocheck.render.marks import draw_ruler
from tests.calibrate.scenes import camera, photo_of

MILLIMETRES = ((1, 3.0), (5, 4.5), (10, 6.0))
HALVES = ((1, 4.0), (2, 6.0), (10, 9.0))
SIXTEENTHS = ((1, 2.4), (2, 3.3), (4, 4.2), (8, 5.1), (16, 6.2))
THIRTY_SECONDS = ((1, 2.2), (2, 3.0), (4, 3.8), (8, 4.6), (16, 5.6), (32, 6.8))
SIXTY_FOURTHS = ((1, 2.2), (2, 3.0), (4, 3.8), (8, 4.6), (16, 5.6), (32, 6.8), (64, 8.2))
# the inch is 25.4 mm exactly (international yard and pound agreement, 1959); the lengths of the ticks: common
# practice, no source


def _rule(classes: tuple[tuple[int, float], ...], pitch: float, count: int, first: int = 0, seed: int = 0) -> Photo:
    image, _ = draw_ruler(
        np.full((800, 1500, 3), 110.0),
        origin=(50.0, 300.0),
        pitch_px=pitch,
        count=count,
        classes=classes,
        figures=False,
        figure_first=first,
        seed=seed,
    )
    return photo_of(camera(image, seed=seed))


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    ("classes", "pitch", "count", "pitch_mm"),
    [
        (MILLIMETRES, 16.0, 70, 1.0),
        (HALVES, 12.0, 90, 0.5),
        (SIXTEENTHS, 20.0, 66, 25.4 / 16),
        (THIRTY_SECONDS, 13.0, 100, 25.4 / 32),
        (SIXTY_FOURTHS, 9.0, 140, 25.4 / 64),
    ],
)
def test_graduations_are_told(
    classes: tuple[tuple[int, float], ...], pitch: float, count: int, pitch_mm: float, seed: int
) -> None:
    scale = calibrate(_rule(classes, pitch, count, first=3 * seed, seed=seed), [parse_mark("ruler")])
    assert scale.mm_per_px == pytest.approx(pitch_mm / pitch, rel=0.001)
    assert f"{pitch_mm:g} mm apart" in scale.method


def test_a_short_piece_of_an_inch_rule_asks_for_its_pitch() -> None:
    photo = _rule(SIXTEENTHS, 20.0, 30, first=2)
    with pytest.raises(NotFoundError, match=r"16ths, 32nds or 64ths; state its pitch, such as ruler:1/32in or"):
        calibrate(photo, [parse_mark("ruler")])
    assert calibrate(photo, [parse_mark("ruler:1/16in")]).mm_per_px == pytest.approx(25.4 / 16 / 20, rel=0.001)
