"""A member's own thickness as the mark."""

import re

import cv2
import numpy as np
import pytest

from macrocheck.arrays import AnyArray
from macrocheck.calibrate import calibrate, parse_mark
from macrocheck.calibrate.plate import plates
from macrocheck.errors import InputError, NotFoundError
from tests.calibrate.plates import with_plate
from tests.calibrate.scenes import camera, photo_of


def _band(
    image: AnyArray, middle: tuple[float, float], thick: float, long: float, degrees: float, tone: float
) -> None:
    """A plate drawn by coverage at sixteen times the picture's own resolution a side's length, in place."""
    a = np.deg2rad(degrees)
    y, x = np.mgrid[: image.shape[0], : image.shape[1]].astype(np.float64)
    u = (x - middle[0]) * np.cos(a) + (y - middle[1]) * np.sin(a)
    v = (y - middle[1]) * np.cos(a) - (x - middle[0]) * np.sin(a)
    ramp = abs(np.cos(a)) + abs(np.sin(a))
    cover = np.clip(0.5 + (thick / 2 - np.abs(v)) / ramp, 0, 1) * np.clip(0.5 + (long / 2 - np.abs(u)) / ramp, 0, 1)
    image[:] = image * (1 - cover[..., None]) + tone * cover[..., None]


@pytest.mark.parametrize("degrees", [0.0, 31.0, 90.0])
@pytest.mark.parametrize(("ground", "tone"), [(40.0, 170.0), (220.0, 110.0)])
@pytest.mark.parametrize("blur", [0.6, 3.0])
def test_a_plate_is_measured_to_sub_pixel(degrees: float, ground: float, tone: float, blur: float) -> None:
    image = np.full((600, 800, 3), ground)
    _band(image, (400.3, 300.7), 93.4, 420.0, degrees, tone)
    scale = calibrate(photo_of(camera(image, seed=1, blur=blur)), [parse_mark("plate:6mm")])
    assert scale.mm_per_px == pytest.approx(6 / 93.4, rel=0.0015)
    x, y = scale.marks[0].points_px.mean(axis=0)
    assert (x, y) == pytest.approx((400, 300), abs=12)


@pytest.mark.parametrize("seed", [*range(300, 306)])
def test_plates_of_rendered_sections(seed: int) -> None:
    picture = with_plate(seed, 900, 6.0, 30.0)
    mark = parse_mark(picture.mark)
    photo = photo_of(picture.pixels)
    try:
        scale = calibrate(photo, [mark])
    except NotFoundError as why:
        # where one member alone shows both its faces, the question names it
        scale = calibrate(photo, [parse_mark(re.findall(r"plate:[0-9.]+mm@\d+,\d+", str(why))[0])])
    error = abs(scale.mm_per_px * picture.length_px / (mark.length_mm or 0.0) - 1)
    assert error < max(0.004, 3 * scale.u_rel), picture.what


def test_two_plates_of_unlike_thickness_are_refused_and_a_point_tells_which() -> None:
    image = np.full((700, 900, 3), 50.0)
    _band(image, (420.0, 500.0), 120.0, 640.0, 0.0, 170.0)
    _band(image, (420.0, 270.0), 70.0, 340.0, 90.0, 165.0)
    photo = photo_of(camera(image, seed=2))
    with pytest.raises(NotFoundError) as caught:
        calibrate(photo, [parse_mark("plate:6mm")])
    sentence = str(caught.value)
    assert "2 places" in sentence
    assert "plate:6mm@4" in sentence
    assert "state the right one with one of these" in sentence
    upright = calibrate(photo, [parse_mark("plate:6mm@420,250")])
    assert upright.mm_per_px == pytest.approx(6 / 70, rel=0.002)
    level = calibrate(photo, [parse_mark("plate:10mm@200,500")])
    assert level.mm_per_px == pytest.approx(10 / 120, rel=0.002)
    with pytest.raises(NotFoundError, match="plate"):
        calibrate(photo, [parse_mark("plate:6mm@860,60")])


def test_a_lap_of_two_plates_is_not_taken_for_one() -> None:
    image = np.full((700, 900, 3), 230.0)
    _band(image, (450.0, 420.0), 100.0, 800.0, 0.0, 120.0)
    _band(image, (250.0, 320.0), 100.0, 400.0, 0.0, 118.0)
    found = plates(photo_of(camera(image, seed=3)))
    assert all(abs(p.thickness - 100) < 2 for p in found)
    assert found


def test_a_taper_is_told_and_costs() -> None:
    image = np.full((600, 800, 3), 40.0)
    wedge = np.array([[120, 246], [700, 250], [700, 350], [120, 354]], dtype=np.float64)
    cover = np.zeros((600, 800), np.uint8)
    cv2.fillPoly(cover, [np.rint(wedge * 16).astype(np.int32)], (255,), cv2.LINE_AA, 4)
    image[:] = image * (1 - cover[..., None] / 255.0) + 170 * (cover[..., None] / 255.0)
    scale = calibrate(photo_of(camera(image, seed=1)), [parse_mark("plate:6mm")])
    assert "scale_tilt" in {f.code for f in scale.flags}
    assert scale.u_rel > 0.02


def test_nothing_with_two_faces() -> None:
    with pytest.raises(NotFoundError, match="bar:10mm"):
        calibrate(photo_of(camera(np.full((400, 500, 3), 90.0), seed=0)), [parse_mark("plate:6mm")])


def test_how_it_is_written() -> None:
    mark = parse_mark("plate:6mm@412,380.5+-0.02mm")
    assert (mark.length_mm, mark.points_px) == (6.0, ((412.0, 380.5),))
    assert mark.tolerance == pytest.approx(0.02 / 6)
    assert parse_mark("plate:1/4in").length_mm == pytest.approx(6.35)
    assert parse_mark("plate:6mm").tolerance == pytest.approx(0.05 / 6)
    for wrong in ("plate", "plate:6", "plate:6mm@4", "plate:@4,5"):
        with pytest.raises(InputError, match="plate"):
            parse_mark(wrong)


@pytest.mark.parametrize("seed", [1119, 1148, 1153])
def test_faces_seen_over_little_more_than_the_thickness(seed: int) -> None:
    picture = with_plate(seed, 1000)
    thickness = picture.mark.partition("@")[0]
    photo = photo_of(picture.pixels)
    marks = [picture.mark]
    if "@" not in picture.mark:  # both members as thick: the one that is offered
        with pytest.raises(NotFoundError) as asked:
            calibrate(photo, [parse_mark(picture.mark)])
        marks = re.findall(rf"{re.escape(thickness[:9])}[0-9]*mm@[0-9]+,[0-9]+", str(asked.value))
    scale = calibrate(photo, [parse_mark(marks[0])])
    mm = parse_mark(picture.mark).length_mm
    assert mm is not None
    assert scale.mm_per_px == pytest.approx(mm / picture.length_px, rel=0.004), picture.what
