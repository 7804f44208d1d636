"""Marks found in pictures with known truth."""

import numpy as np
import pytest

from macrocheck.calibrate import calibrate, parse_mark
from macrocheck.calibrate.combine import U_TILT
from macrocheck.errors import InputError, NotFoundError
from macrocheck.render.marks import draw_bar, draw_ruler
from tests.calibrate.pictures import blank, with_bar, with_ruler
from tests.calibrate.scenes import backdrop, camera, photo_of

PLAIN = np.full((600, 800, 3), 120.0)


@pytest.mark.parametrize("angle", [0.0, 90.0, 37.0])
@pytest.mark.parametrize("colour", [(255, 255, 255), (0, 0, 0), (220, 30, 30)])
@pytest.mark.parametrize("tick", [0.0, 22.0])
def test_a_bar_is_measured_to_sub_pixel(angle: float, colour: tuple[float, float, float], tick: float) -> None:
    image, truth = draw_bar(
        PLAIN,
        start=(250.3, 150.7),
        length_px=301.4,
        angle_deg=angle,
        thickness_px=4.0 if tick else 7.0,
        colour=colour,
        end_tick_px=tick,
        label="10 mm",
    )
    scale = calibrate(photo_of(camera(image, seed=3)), [parse_mark("bar:10mm")])
    assert scale.mm_per_px == pytest.approx(10 / truth.length_px, rel=0.001)
    ends = scale.marks[0].points_px
    off = min(np.abs(ends - truth.points_px).max(), np.abs(ends[::-1] - truth.points_px).max())
    assert off < 0.5


@pytest.mark.parametrize("seed", [*range(8), 9])
def test_bars_over_clutter(seed: int) -> None:
    picture = with_bar(seed, 1000)
    scale = calibrate(photo_of(picture.pixels), [parse_mark("bar:10mm")])
    error = abs(scale.mm_per_px * picture.length_px / 10 - 1)
    assert error < max(0.002, 4 * scale.u_rel), picture.what
    assert error < 0.006, picture.what


@pytest.mark.parametrize("seed", range(8))
def test_rules_over_clutter(seed: int) -> None:
    picture = with_ruler(seed, 1000)
    scale = calibrate(photo_of(picture.pixels), [parse_mark("ruler:1mm")])
    limit = 0.001 if picture.length_px > 8 else 0.003
    assert scale.mm_per_px * picture.length_px == pytest.approx(1, abs=limit), picture.what
    assert scale.u_rel < 0.002


@pytest.mark.parametrize("seed", range(8))
def test_clutter_passes_for_no_rule(seed: int) -> None:
    with pytest.raises(NotFoundError, match="bar:10mm"):
        calibrate(photo_of(blank(seed, 900)), [parse_mark("ruler:1mm")])


def test_evenly_spaced_strokes_of_one_length_are_no_rule() -> None:
    image, _ = draw_ruler(
        PLAIN, origin=(100.0, 200.0), pitch_px=12.0, count=50, tick_lengths=(5.0, 5.0, 5.0), figures=False
    )
    with pytest.raises(NotFoundError):
        calibrate(photo_of(camera(image, seed=1)), [parse_mark("ruler:1mm")])


def test_the_edge_of_a_rule_that_suits_the_pitch_is_taken() -> None:
    # one edge in millimetres, one in half millimetres with its ticks at 1 and 5 mm longer
    image, _ = draw_ruler(PLAIN, origin=(100.0, 150.0), pitch_px=16.0, count=35, figure_step=10)
    image, _ = draw_ruler(
        image, origin=(100.0, 450.0), pitch_px=8.0, count=70, every=(2, 10), tick_lengths=(4, 6, 9), figure_step=20
    )
    photo = photo_of(camera(image, seed=1, blur=0.6))
    assert calibrate(photo, [parse_mark("ruler:1mm")]).mm_per_px == pytest.approx(1 / 16, rel=0.001)
    assert calibrate(photo, [parse_mark("ruler:0.5mm")]).mm_per_px == pytest.approx(1 / 16, rel=0.001)


@pytest.mark.parametrize(("parts", "text"), [(16, "ruler:1/16in"), (32, "ruler:1/32in")])
def test_an_inch_edge_is_told_from_millimetres(parts: int, text: str) -> None:
    # longer ticks at every quarter and every whole of the pattern's sixteen
    image, _ = draw_ruler(
        PLAIN,
        origin=(60.0, 250.0),
        pitch_px=13.0,
        count=52,
        every=(4, 16),
        figure_step=16,
        tick_lengths=(3, 4.5, 6),
    )
    photo = photo_of(camera(image, seed=1))
    # the inch is 25.4 mm exactly (international yard and pound agreement, 1959)
    assert calibrate(photo, [parse_mark(text)]).mm_per_px == pytest.approx(25.4 / parts / 13, rel=0.001)
    with pytest.raises(NotFoundError):
        calibrate(photo, [parse_mark("ruler:1mm")])


def test_one_inch_of_sixteenths_is_enough() -> None:
    image, _ = draw_ruler(
        PLAIN, origin=(120.0, 250.0), pitch_px=30.0, count=17, figure_step=16,
        classes=((1, 2.4), (2, 3.3), (4, 4.2), (8, 5.1), (16, 6.2)),
    )  # fmt: skip
    scale = calibrate(photo_of(camera(image, seed=4)), [parse_mark("ruler:1/16in")])
    assert scale.mm_per_px == pytest.approx(25.4 / 16 / 30, rel=0.001)


def test_two_bars_of_different_length_are_refused() -> None:
    image, _ = draw_bar(PLAIN, start=(100, 100), length_px=300)
    image, _ = draw_bar(image, start=(300, 450), length_px=180)
    with pytest.raises(NotFoundError) as caught:
        calibrate(photo_of(camera(image, seed=0)), [parse_mark("bar:10mm")])
    sentence = str(caught.value)
    assert "0.0333" in sentence
    assert "0.0555" in sentence
    assert "points:" in sentence


def test_nothing_to_find_names_the_other_marks() -> None:
    with pytest.raises(NotFoundError, match=r"ruler:1mm, .*points:x1,y1,x2,y2=10mm, px:0.0212mm"):
        calibrate(photo_of(camera(PLAIN, seed=0)), [parse_mark("bar:10mm")])


@pytest.mark.parametrize("size", [(1, 1), (3, 3), (40, 30), (1, 500)])
@pytest.mark.parametrize("text", ["bar:10mm", "ruler:1mm"])
def test_tiny_pictures_hold_no_mark(size: tuple[int, int], text: str) -> None:
    pixels = np.full((*size, 3), 90, np.uint8)
    with pytest.raises(NotFoundError):
        calibrate(photo_of(pixels), [parse_mark(text)])


def test_two_points() -> None:
    photo = photo_of(np.full((600, 640, 3), 90, np.uint8))
    scale = calibrate(photo, [parse_mark("points:100,100,400,500=25mm")])
    assert scale.mm_per_px == pytest.approx(25 / 500)  # a 3-4-5 triangle
    assert scale.u_rel == pytest.approx(np.hypot(1.5 * 2**0.5 / 500, U_TILT))
    with pytest.raises(InputError, match="outside the picture"):
        calibrate(photo, [parse_mark("points:100,100,700,500=25mm")])


def test_a_stated_pixel_size() -> None:
    scale = calibrate(photo_of(np.zeros((300, 400, 3), np.uint8)), [parse_mark("px:0.0212mm")])
    assert scale.mm_per_px == 0.0212
    assert [f.code for f in scale.flags] == ["scale_stated"]


@pytest.mark.parametrize("text", ["px:0.001mm", "px:100mm", "points:0,0,100,0=2m", "points:0,0,100,0=2um"])
def test_an_absurd_size_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="wide; check"):
        calibrate(photo_of(np.zeros((300, 400, 3), np.uint8)), [parse_mark(text)])


def test_no_mark_at_all_is_refused() -> None:
    with pytest.raises(InputError, match="bar:10mm"):
        calibrate(photo_of(np.zeros((300, 400, 3), np.uint8)), [])


def test_marks_that_agree_take_the_surest() -> None:
    image, truth = draw_bar(PLAIN, start=(200, 300), length_px=400.0, thickness_px=8)
    photo = photo_of(camera(image, seed=0))
    scale = calibrate(photo, [parse_mark("points:200,300,600,300=10mm"), parse_mark("bar:10mm")])
    assert scale.mm_per_px == pytest.approx(10 / truth.length_px, rel=5e-4)
    assert len(scale.marks) == 2
    assert "scale_marks_disagree" not in {f.code for f in scale.flags}
    # both in the same place: together they tell no more of a tilt than one
    assert "do not lie on either side" in next(f.text for f in scale.flags if f.code == "scale_one_mark")


def test_marks_that_disagree_are_flagged_and_covered() -> None:
    photo = photo_of(np.zeros((600, 800, 3), np.uint8))
    scale = calibrate(photo, [parse_mark("px:0.0250mm"), parse_mark("points:100,100,500,100=11mm")])
    assert scale.mm_per_px == 0.025
    flag = next(f for f in scale.flags if f.code == "scale_marks_disagree")
    assert "0.025000" in flag.text
    assert "0.027500" in flag.text
    assert "differ by 10.00 %" in flag.text
    assert scale.mm_per_px * (1 + 2 * scale.u_rel) >= 0.0275


@pytest.mark.parametrize(
    "texts", [("px:0.0250mm", "points:100,100,500,100=20mm"), ("points:100,100,500,100=20mm", "px:0.0250mm")]
)
def test_twice_as_much_is_a_hundred_percent(texts: tuple[str, str]) -> None:
    scale = calibrate(photo_of(np.zeros((600, 800, 3), np.uint8)), [parse_mark(text) for text in texts])
    assert "differ by 100.00 %" in next(f.text for f in scale.flags if f.code == "scale_marks_disagree")


def test_tilt_along_a_rule_shows() -> None:
    import cv2

    image, _ = draw_ruler(backdrop(3, 1200, 900, "plain"), origin=(80.0, 450.0), pitch_px=14.0, count=75)
    corners = np.array([[0, 0], [1200, 0], [1200, 900], [0, 900]], np.float32)
    seen = np.array([[30, 30], [1170, 90], [1170, 810], [30, 870]], np.float32)
    turned = cv2.warpPerspective(image.astype(np.float32), cv2.getPerspectiveTransform(corners, seen), (1200, 900))
    scale = calibrate(photo_of(camera(turned, seed=0)), [parse_mark("ruler:1mm")])
    assert "scale_tilt" in {f.code for f in scale.flags}
    assert scale.u_rel > 0.01
