"""A lap's end face where little of it shows, on drawn plates."""

import numpy as np
import pytest

from macrocheck.arrays import Float32Array, FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.chains import resample
from macrocheck.segment.end_face import cavity_wall, dark_stretch, off_square, squared
from macrocheck.segment.lines import Line, crossing
from macrocheck.segment.maps import RegionMaps
from tests.segment.fake_maps import maps_of

PLATE = Line(np.array([0.0, 300.0]), np.array([1.0, 0.0]), 0.2, 0.001, -50.0, 50.0)
UP = np.array([0.0, -1.0])
SIZE = 500


def face(degrees: float, u_degrees: float) -> Line:
    """An end face that stands `degrees` off square, through (100, 250)."""
    a = np.deg2rad(90 + degrees)
    return Line(
        np.array([100.0, 250.0]), np.array([np.cos(a), -np.sin(a)]), 0.5, np.deg2rad(u_degrees), -10.0, 10.0
    )


def test_an_unsure_end_face_is_turned_square_and_a_sure_one_is_not() -> None:
    # Weights of the common rule for a weighted mean (JCGM 100, 5.1): 3 degrees off, as sure as the rule itself.
    even = squared(face(3.0, 4.0), PLATE, 60.0)
    assert np.rad2deg(off_square(even, PLATE)) == pytest.approx(off_square_of(3.0) / 2, abs=0.02)
    assert np.rad2deg(even.u_angle) == pytest.approx(4.0 / np.sqrt(2), rel=0.01)
    sure = squared(face(3.0, 0.1), PLATE, 60.0)
    assert np.rad2deg(off_square(sure, PLATE)) == pytest.approx(off_square_of(3.0), abs=0.01)


def off_square_of(degrees: float) -> float:
    return float(np.rad2deg(off_square(face(degrees, 1.0), PLATE)))


def test_a_bevelled_end_is_left_as_it_is_where_enough_of_it_shows() -> None:
    bevel = face(30.0, 2.0)
    assert squared(bevel, PLATE, 60.0) is bevel


def test_a_short_slanted_stretch_is_no_cut_end_and_leaves_its_place_unsure() -> None:
    groove = squared(face(30.0, 2.0), PLATE, 200.0)
    assert abs(off_square(groove, PLATE)) < 1e-6
    assert groove.u_offset == pytest.approx(5.0, rel=0.01)
    assert np.rad2deg(groove.u_angle) > 3.9


def _scene(grey: FloatArray, air: Float32Array, weld: Float32Array) -> tuple[Photo, RegionMaps]:
    rng = np.random.default_rng(5)
    noisy = np.clip(np.rint(grey + rng.normal(0, 3, grey.shape)), 0, 255).astype(np.uint8)
    metal = np.clip(1 - air - weld, 0, 1)
    maps = maps_of(np.stack([air, weld, 0.5 * metal, 0.5 * metal]))
    return Photo(np.repeat(noisy[..., None], 3, axis=2), "made-up", "0" * 64), maps


def _half(distance: FloatArray, width: float = 0.7) -> Float32Array:
    return np.asarray(1 / (1 + np.exp(np.clip(distance / width, -40, 40))), np.float32)


@pytest.mark.parametrize("lean", [0.0, 0.06])
def test_the_wall_of_a_cavity_at_the_root_is_the_end_face(lean: float) -> None:
    y, x = np.mgrid[:SIZE, :SIZE].astype(np.float64)
    height = 300.0 - y
    # The weld's inner side leans from (160, 300) to the wall, which stands at x = 120.4, 60 px up.
    fusion = resample(np.array([[260.0, 300.0], [160.0, 300.0], [120.0, 240.0], [110.0, 150.0]]), 1.0)
    inner = 160.0 - height / 1.5
    wall = 120.4 + lean * height
    air = _half(wall - x) * _half(x - inner) * _half(-height) * _half(height - 60)
    weld = _half(inner - x) * _half(-height) * _half(height - 150)
    photo, maps = _scene(np.asarray(130 - 110 * air + 40 * weld, np.float64), air, weld)
    line = cavity_wall(photo, maps, fusion, PLATE, UP, PLATE)
    assert line is not None
    root = crossing(line, PLATE)
    assert root is not None
    assert abs(root[0] - 120.4) < 2.5 * line.u_at(float(line.station(root[None])[0]))
    assert abs(abs(line.direction[0]) - lean) < 2.5 * line.u_angle


def test_no_cavity_no_wall() -> None:
    fusion = resample(np.array([[260.0, 300.0], [120.0, 300.0], [110.0, 150.0]]), 1.0)
    none = np.zeros((SIZE, SIZE), np.float32)
    photo, maps = _scene(np.full((SIZE, SIZE), 130.0), none, none)
    assert cavity_wall(photo, maps, fusion, PLATE, UP, PLATE) is None


@pytest.mark.parametrize(("dark", "everywhere"), [(50.0, False), (0.0, False), (50.0, True)])
def test_a_dark_line_on_a_square_stretch_is_the_end_face_and_a_dark_rim_is_not(
    dark: float, everywhere: bool
) -> None:
    y, x = np.mgrid[:SIZE, :SIZE].astype(np.float64)
    bend = np.array([[260.0, 310.0], [180.0, 320.0], [110.0, 280.0], [120.3, 210.0], [120.3, 150.0]])
    fusion = resample(bend, 1.0)
    part = fusion if everywhere else fusion[fusion[:, 1] < 208]
    away = np.full((SIZE, SIZE), 1e3)
    for px, py in part[::2]:
        away = np.minimum(away, np.hypot(x - px, y - py))
    grey = np.asarray(130.0 - dark * _half(away - 1.5, 0.5), np.float64)
    none = np.zeros((SIZE, SIZE), np.float32)
    photo, maps = _scene(grey, none, none)
    line = dark_stretch(photo, maps, fusion, PLATE, PLATE)
    if dark == 0.0 or everywhere:
        assert line is None
    else:
        assert line is not None
        assert line.point[0] == pytest.approx(120.3, abs=0.6)
        assert abs(line.direction[0]) < 0.03
