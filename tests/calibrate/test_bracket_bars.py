"""Bars whose end ticks stand on one side only, `|____|`: measured from middle to middle of the ticks."""

import cv2
import numpy as np
import pytest

from macrocheck.arrays import AnyArray
from macrocheck.calibrate import calibrate, parse_mark
from macrocheck.calibrate.combine import U_TILT
from macrocheck.errors import NotFoundError
from macrocheck.render.marks import Colour, draw_bar
from macrocheck.scale import Scale
from tests.bench.cases import load_case
from tests.calibrate.hard_bars import with_hard_bar
from tests.calibrate.scenes import camera, photo_of

BLACK, WHITE = (0.0, 0.0, 0.0), (255.0, 255.0, 255.0)
LENGTH = 220.4


def found(image: AnyArray, *, blur: float = 0.4) -> Scale:
    return calibrate(photo_of(camera(image, seed=4, blur=blur, noise=1.0, quality=90)), [parse_mark("bar:10mm")])


def bracket(*, ground: float, colour: Colour, thick: float, side: int, angle: float = 0.0) -> AnyArray:
    return draw_bar(
        np.full((400, 480, 3), ground), start=(130.3, 160.2), length_px=LENGTH, angle_deg=angle,
        thickness_px=thick, colour=colour, end_tick_px=8.0 * thick + 6.0, tick_side=side,
    )[0]  # fmt: skip


@pytest.mark.parametrize("thick", [1.0, 2.0, 4.0, 8.0])
@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize(("ground", "colour"), [(30.0, WHITE), (220.0, BLACK)])
@pytest.mark.parametrize("angle", [0.0, 90.0, 23.0])
def test_ticks_on_one_side_only(thick: float, side: int, ground: float, colour: Colour, angle: float) -> None:
    image = bracket(ground=ground, colour=colour, thick=thick, side=side, angle=angle)
    scale = found(image, blur=0.0 if thick == 1.0 else 0.4)
    assert 10 / scale.mm_per_px == pytest.approx(LENGTH, abs=0.25)
    assert "ticks" in scale.method


@pytest.mark.parametrize("side", [1, -1])
def test_short_ticks_are_seen(side: int) -> None:
    """As plain ends they make the bar longer by its own thickness."""
    image, _ = draw_bar(
        np.full((300, 480, 3), 20.0), start=(130.3, 160.2), length_px=LENGTH, thickness_px=2.6, colour=WHITE,
        end_tick_px=9.0, tick_side=side,
    )  # fmt: skip
    assert 10 / found(image).mm_per_px == pytest.approx(LENGTH, abs=0.25)


@pytest.mark.parametrize("seed", range(9, 20))
def test_a_bracket_in_a_picture(seed: int) -> None:
    picture, text = with_hard_bar(seed, bracket=True)
    mark = parse_mark(text)
    scale = calibrate(photo_of(picture.pixels), [mark])
    assert mark.length_mm is not None
    error = scale.mm_per_px * picture.length_px / mark.length_mm - 1
    assert abs(error) < min(4 * (scale.u_rel**2 - U_TILT**2) ** 0.5, 0.01)


@pytest.mark.parametrize("tall", [60, 150])
def test_the_side_of_a_frame_is_no_bracket(tall: int) -> None:
    image = np.full((400, 480, 3), 60.0)
    cv2.rectangle(image, (120, 120), (340, 120 + tall), (230.0, 230.0, 230.0), 3)
    with pytest.raises(NotFoundError):
        found(image)


def test_a_line_aslant_does_not_stand_against_a_level_bar_with_its_label() -> None:
    image, _ = draw_bar(
        np.full((400, 480, 3), 20.0), start=(130.3, 330.0), length_px=LENGTH, thickness_px=2.0,
        colour=(170.0, 170.0, 170.0), end_tick_px=14.0, tick_side=1, label="10 mm", label_height_px=14.0,
    )  # fmt: skip
    image, _ = draw_bar(
        image, start=(60.0, 250.0), length_px=200.0, angle_deg=-58.0, thickness_px=3.0, colour=(40.0, 220.0, 80.0)
    )
    assert 10 / found(image).mm_per_px == pytest.approx(LENGTH, abs=0.25)


def test_a_measuring_line_aslant_with_its_dimension_gives_way_to_a_level_bar_with_its_label() -> None:
    case = load_case("elsewhere", "hard", 30)
    assert calibrate(case.photo(), [parse_mark(case.mark)]).mm_per_px == pytest.approx(case.mm_per_px, rel=0.002)


@pytest.mark.parametrize("seed", [9, 31, 45])
def test_the_ground_around_a_plain_bar_is_no_bracket(seed: int) -> None:
    """A strip of it, between the bar and the edge of its box, or its outline, ends as a bracket does."""
    picture, text = with_hard_bar(seed)
    scale = calibrate(photo_of(picture.pixels), [parse_mark(text)])
    assert scale.mm_per_px * picture.length_px / float(text[4:-2]) == pytest.approx(1, abs=0.002)
    assert "ticks" not in scale.method


@pytest.mark.parametrize(("seed", "one_sided"), [(50, False), (83, True)])
def test_the_ground_between_the_ticks_of_a_bar_is_no_bar(seed: int, *, one_sided: bool) -> None:
    picture, text = with_hard_bar(seed, bracket=one_sided)
    scale = calibrate(photo_of(picture.pixels), [parse_mark(text)])
    assert scale.mm_per_px * picture.length_px / float(text[4:-2]) == pytest.approx(1, abs=0.002)
    assert "ticks" in scale.method
