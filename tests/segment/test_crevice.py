"""Crevices: weld metal that overhangs a plate, its face followed in under it."""

import cv2
import numpy as np
import pytest

from macrocheck.arrays import FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.chains import resample
from macrocheck.segment.crevice import with_crevices
from macrocheck.segment.face import AirLine
from macrocheck.segment.foot import read_foot
from macrocheck.segment.lines import Line
from macrocheck.segment.toes import Toe

_FINE = 8
_SURFACE = 300.0
_INTO = np.array([0.0, 1.0])


def bulge(foot: float, out: float, high: float) -> FloatArray:
    """Face from high above down to `foot` on y = 300, px, standing `out` over it at `high` px up."""
    tip = (foot + out, _SURFACE - high)
    return np.array([(tip[0] - 60.0, _SURFACE - high - 130.0), tip, (foot, _SURFACE)])


def photo_of(face: FloatArray, *, blur: float) -> Photo:
    """Metal of 90 left of the face and under y = 300, air of 200, blurred by `blur` px."""
    fine = np.full((400 * _FINE, 400 * _FINE), 200, np.uint8)
    fine[round((_SURFACE + 0.5) * _FINE) :] = 90
    metal = np.vstack([face, [(0.0, _SURFACE), (0.0, face[0, 1])]])
    cv2.fillPoly(fine, [np.round((metal + 0.5) * _FINE).astype(np.int32)], 90)
    grey = cv2.GaussianBlur(cv2.resize(fine, (400, 400), interpolation=cv2.INTER_AREA), (0, 0), blur)
    return Photo(np.repeat(grey[:, :, None], 3, axis=2), "crevice.png", "0" * 64)


def traced(points: FloatArray) -> AirLine:
    points = resample(points, 1.0)
    return AirLine(points, np.full(len(points), 0.2), np.ones(len(points)), np.full(len(points), 4.0))


def plate() -> Line:
    return Line(np.array([340.0, _SURFACE]), np.array([1.0, 0.0]), 0.1, 1e-3, -40.0, 40.0)


@pytest.mark.parametrize("mirrored", [False, True])
def test_the_face_is_followed_into_a_crevice_that_the_path_closed(mirrored: bool) -> None:
    face = bulge(200.0, 30.0, 20.0)
    photo = photo_of(face, blur=1.5)
    # As the maps have it: from the bulge straight down.
    path = np.vstack([face[:2], [(222.0, _SURFACE)]])
    line: tuple[Line | None, Line | None] = (None, plate())
    inward: tuple[FloatArray | None, FloatArray | None] = (None, _INTO)
    if mirrored:
        path, line, inward = path[::-1], line[::-1], inward[::-1]
    air, crevices = with_crevices(photo, traced(path), line, inward, 1.5)
    foot = air.points[0 if mirrored else -1]
    assert foot == pytest.approx((200.0, _SURFACE), abs=1.5)
    crevice = crevices[0 if mirrored else 1]
    assert crevice is not None
    assert crevice.tip is not None
    assert crevice.tip.point == pytest.approx(foot)
    assert 0 < crevice.tip.u < 3.0
    assert crevices[1 if mirrored else 0] is None
    # Half way up the crevice the face lies on the underside.
    under = air.points[np.argmin(np.abs(air.points[:, 1] - 290.0) + np.abs(air.points[:, 0] - 215.0))]
    assert under == pytest.approx((215.0, 290.0), abs=1.2)


def test_a_face_that_does_not_overhang_stays() -> None:
    face = np.array([(100.0, 150.0), (200.0, _SURFACE)])
    air = traced(face)
    kept, crevices = with_crevices(photo_of(face, blur=1.5), air, (None, plate()), (None, _INTO), 1.5)
    assert kept is air
    assert crevices == (None, None)


def test_an_overhang_without_a_crevice_to_be_seen_leaves_the_toe_unsure() -> None:
    # The air under it has the metal's own tone: the path stays, and its toe may be anywhere in under it.
    face = bulge(200.0, 30.0, 20.0)
    grey = np.full((400, 400, 3), 120, np.uint8)
    path = np.vstack([face[:2], [(222.0, _SURFACE)]])
    air = traced(path)
    kept, crevices = with_crevices(Photo(grey, "flat.png", "0" * 64), air, (None, plate()), (None, _INTO), 1.5)
    assert kept is air
    crevice = crevices[1]
    assert crevice is not None
    before = Toe(path[-1], 1.0, 0.8)
    assert crevice.toe(before).u > 3.0
    assert crevice.toe(before).point == pytest.approx(path[-1])


def test_a_wedge_that_the_traced_face_closed_outside_its_nose_is_followed() -> None:
    # As the maps have it: the face never stands out over its foot, it runs on outwards to the surface.
    face = bulge(200.0, 30.0, 20.0)
    path = np.vstack([face[:1], [(224.0, _SURFACE - 34.0)], [(240.0, _SURFACE)]])
    air, crevices = with_crevices(photo_of(face, blur=1.5), traced(path), (None, plate()), (None, _INTO), 1.5)
    assert air.points[-1] == pytest.approx((200.0, _SURFACE), abs=1.5)
    assert crevices[1] is not None
    assert crevices[1].tip is not None
    under = air.points[np.argmin(np.abs(air.points[:, 1] - 290.0) + np.abs(air.points[:, 0] - 215.0))]
    assert under == pytest.approx((215.0, 290.0), abs=1.2)


def test_a_wedge_too_small_for_the_blur_leaves_the_toe_unsure() -> None:
    face = bulge(200.0, 5.0, 5.0)
    path = np.vstack([face[:1], [(203.0, _SURFACE - 7.0)], [(207.5, _SURFACE)]])
    _, crevices = with_crevices(photo_of(face, blur=1.0), traced(path), (None, plate()), (None, _INTO), 0.5)
    crevice = crevices[1]
    assert crevice is not None
    if crevice.tip is None:
        assert 0.5 < crevice.doubt < 3.0
    else:
        assert crevice.tip.point == pytest.approx((200.0, _SURFACE), abs=2.5)


@pytest.mark.parametrize("lean", [-60.0, -20.0, 0.0])
def test_a_face_that_the_rows_read_as_it_was_traced_stays(lean: float) -> None:
    face = np.array([(200.0 + lean, 150.0), (200.0, _SURFACE)])
    air = traced(face)
    assert read_foot(photo_of(face, blur=1.5), air.taken(slice(None, None, -1)), plate(), -_INTO, 1.5) is None


def test_a_shadow_in_the_corner_is_no_wedge_of_air() -> None:
    # Darker than the air and than the metal beside it, under a face that comes straight down.
    face = np.array([(150.0, 150.0), (200.0, _SURFACE)])
    photo = photo_of(face, blur=1.5)
    pixels = photo.pixels.copy()
    pixels[285:300, 170:200] = 60
    air = traced(face).taken(slice(None, None, -1))
    assert read_foot(Photo(pixels, "shadow.png", "0" * 64), air, plate(), -_INTO, 1.5) is None


def test_a_face_that_never_comes_near_the_surface_has_no_foot() -> None:
    face = np.array([(150.0, 130.0), (200.0, _SURFACE - 32.0)])
    air = traced(face)
    assert read_foot(photo_of(face, blur=1.5), air.taken(slice(None, None, -1)), plate(), -_INTO, 1.5) is None
