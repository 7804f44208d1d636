"""A mark over or under the section's plane, and tilt told by two marks; OpenCV's projectPoints is the camera."""

import math

import cv2
import numpy as np
import pytest

from macrocheck import measure_photo
from macrocheck.arrays import FloatArray
from macrocheck.calibrate import calibrate, parse_mark, settle_height
from macrocheck.errors import InputError
from macrocheck.render.marks import draw_disc, draw_ruler
from tests.calibrate.scenes import camera, photo_of

BLANK = photo_of(np.full((900, 1200, 3), 90, np.uint8))


def _seen(
    points_mm: FloatArray, tilt_deg: float = 0.0, distance: float = 300.0, focal: float = 3600.0
) -> FloatArray:
    """Points of the section's plane (x, y, height towards the camera), mm, as OpenCV's pinhole camera sees them."""
    turn = np.array([0.0, math.radians(tilt_deg), 0.0])
    matrix = np.array([[focal, 0, 599.5], [0, focal, 449.5], [0, 0, 1.0]])
    world = points_mm * [1, 1, -1]
    seen = cv2.projectPoints(world, turn, np.array([0.0, 0, distance]), matrix, np.zeros(5))[0]
    return np.asarray(seen, dtype=np.float64).reshape(-1, 2)


@pytest.mark.parametrize("height", [5.0, -3.0, 0.0])
def test_the_sections_scale_from_a_mark_at_another_height(height: float) -> None:
    (x1, y1), (x2, y2) = _seen(np.array([[-20.0, 10, height], [20, 10, height]]))
    mark = parse_mark(f"points:{x1:.4f},{y1:.4f},{x2:.4f},{y2:.4f}=40mm")
    scale = calibrate(BLANK, [mark], mark_offset=f"{height:g}mm", camera_distance="300mm")
    assert scale.mm_per_px == pytest.approx(300 / 3600, rel=1e-6)
    assert ("scale_off_plane" in {f.code for f in scale.flags}) == (height != 0)
    plain = calibrate(BLANK, [mark])
    assert scale.mm_per_px / plain.mm_per_px == pytest.approx(300 / (300 - height))
    assert scale.u_rel > math.hypot(plain.u_rel, 0.5 / 300 / 3**0.5) - 1e-5


def test_five_millimetres_at_three_hundred() -> None:
    # 300 / (300 - 5) = 1.0169
    height = settle_height("5mm", "300mm")
    assert height.factor == pytest.approx(1.01695, abs=1e-5)
    assert settle_height("-5mm", "30cm").factor == pytest.approx(300 / 305)
    assert settle_height(-5.0, 300).factor == pytest.approx(300 / 305)
    # by Monte Carlo (JCGM 101:2008): rectangular height of +-0.5 mm, distance of +-10 %
    rng = np.random.default_rng(0)
    h, d = 5 + rng.uniform(-0.5, 0.5, 200_000), 300 * (1 + rng.uniform(-0.1, 0.1, 200_000))
    assert height.u_rel == pytest.approx(float(np.std(np.log(d / (d - h)))), rel=0.03)


def test_an_unknown_height_widens_what_is_laid_beside_the_section() -> None:
    image, _ = draw_ruler(np.full((600, 800, 3), 120.0), origin=(60.0, 300.0), pitch_px=14.0, count=48)
    photo = photo_of(camera(image, seed=1))
    usual = calibrate(photo, [parse_mark("ruler:1mm")])
    near = calibrate(photo, [parse_mark("ruler:1mm")], camera_distance="100mm")
    assert usual.mm_per_px == near.mm_per_px
    assert usual.u_rel == pytest.approx(0.5 / 300 / 3**0.5, rel=0.25)
    assert near.u_rel == pytest.approx(0.5 / 100 / 3**0.5, rel=0.05)


@pytest.mark.parametrize(
    ("offset", "distance", "says"),
    [
        ("5mm", None, "give both"),
        ("5", "300mm", "no unit"),
        ("200mm", "300mm", "too far off"),
        ("1mm", "2mm", "cannot"),
    ],
)
def test_a_height_that_cannot_be_used(offset: str, distance: str | None, says: str) -> None:
    with pytest.raises(InputError, match=says):
        settle_height(offset, distance)


def test_what_lies_in_the_plane_has_no_height() -> None:
    with pytest.raises(InputError, match=r"not for px:0\.02mm"):
        calibrate(BLANK, [parse_mark("px:0.02mm")], mark_offset="5mm", camera_distance="300mm")
    with pytest.raises(InputError, match="give both"):
        measure_photo("none.png", mark="ruler:1mm", mark_offset="5mm")


def _points(x: float, tilt: float) -> str:
    (x1, y1), (x2, y2) = _seen(np.array([[x, -15.0, 0], [x, 15.0, 0]]), tilt)
    return f"points:{x1:.3f},{y1:.3f},{x2:.3f},{y2:.3f}=30mm"


@pytest.mark.parametrize("tilt", [0.0, 6.0, 15.0])
def test_two_marks_on_either_side_tell_the_tilt(tilt: float, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("macrocheck.calibrate.stated.U_CLICK_PX", 0.3)
    marks = [parse_mark(_points(-38, tilt)), parse_mark(_points(38, tilt))]
    scale = calibrate(BLANK, marks, camera_distance="300mm")
    assert scale.tilt is not None
    assert scale.tilt.deg == pytest.approx(tilt, abs=max(2 * scale.tilt.u_deg, 0.05 * tilt))
    codes = {f.code for f in scale.flags}
    assert "scale_one_mark" not in codes
    if tilt > 10:
        flag = next(f for f in scale.flags if f.code == "scale_marks_disagree")
        assert f"tilted by {scale.tilt.deg:.0f}" in flag.text


def test_one_mark_or_two_on_one_side_do_not(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("macrocheck.calibrate.stated.U_CLICK_PX", 0.3)
    one = calibrate(BLANK, [parse_mark(_points(-38, 0))])
    assert one.tilt is None
    assert "One mark cannot tell" in next(f.text for f in one.flags if f.code == "scale_one_mark")
    beside = calibrate(BLANK, [parse_mark(_points(-38, 0)), parse_mark(_points(-30, 0))])
    assert beside.tilt is None
    assert "do not lie on either side" in next(f.text for f in beside.flags if f.code == "scale_one_mark")


def test_a_tilted_disc_tells_it_too() -> None:
    image, _ = draw_disc(
        np.full((600, 800, 3), 70.0), centre=(400.0, 300.0), diameter_px=250.0, tilt=0.94, tilt_angle_deg=40.0
    )
    scale = calibrate(photo_of(camera(image, seed=0)), [parse_mark("disc:20mm")])
    assert scale.tilt is not None
    assert scale.tilt.deg == pytest.approx(math.degrees(math.acos(0.94)), abs=1.0)


def test_words_are_no_length() -> None:
    with pytest.raises(InputError, match="far"):
        settle_height("far", "300mm")
