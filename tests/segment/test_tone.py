"""The tone that tells two sides of an edge apart.

Fisher's linear discriminant: R. A. Fisher, The use of multiple measurements in taxonomic problems, Annals of
Eugenics 7 (1936) 179-188 (from memory): the best direction is the inverse of the common covariance times the
difference of the means, and it sets the means apart by the Mahalanobis distance.
"""

import cv2
import numpy as np
import pytest

from macrocheck.arrays import FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.lines import Line
from macrocheck.segment.photo_line import refine_line
from macrocheck.segment.tone import telling_tone

LEFT, RIGHT = (150.0, 165.0, 110.0), (172.0, 150.0, 168.0)
"""Two colours of nearly one luma: 154 and 159."""


def two_sides(left: tuple[float, ...], right: tuple[float, ...], *, noise: float, slope: float = 0.05) -> Photo:
    """A picture whose left and right differ in colour, parted by an edge that leans by `slope`."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[0:300, 0:400]
    part = np.clip(x - 200.0 - slope * (y - 150.0) + 0.5, 0, 1)[..., None]
    pixels = np.array(left) * (1 - part) + np.array(right) * part
    pixels = cv2.GaussianBlur(pixels, (0, 0), 1.0) + rng.normal(0, noise, pixels.shape)
    return Photo(np.clip(np.rint(pixels), 0, 255).astype(np.uint8), "sides.png", "0" * 64)


def beside(offset: float) -> FloatArray:
    """Three points at each of 130 stations, (130, 3, 2) px."""
    y = np.arange(20.0, 280.0, 2.0)
    return np.stack([np.column_stack([200 + 0.05 * (y - 150) + offset + k, y]) for k in (-4, 0, 4)], axis=1)


def apart(tone: FloatArray) -> float:
    """How many standard deviations the sides of a picture lie apart."""
    a, b = tone[:, 60:160], tone[:, 240:340]
    return float(abs(a.mean() - b.mean()) / np.sqrt(0.5 * (a.var() + b.var())))


def test_sides_of_one_brightness_are_told_by_their_colour() -> None:
    photo = two_sides(LEFT, RIGHT, noise=9.0)
    tone = telling_tone(photo, beside(-20), beside(20))
    assert tone.dtype == np.uint8
    assert tone.shape == (300, 400)
    # Mahalanobis distance of the two colours under equal noise in every channel (and its rounding).
    best = float(np.linalg.norm(np.subtract(RIGHT, LEFT))) / 9.0
    assert apart(photo.grey.astype(float)) < 1.2
    assert apart(tone.astype(float)) == pytest.approx(best, rel=0.1)
    # The second side is the lighter one.
    assert tone[:, 240:340].mean() > tone[:, 60:160].mean()


def test_the_luma_stands_where_it_tells_them() -> None:
    photo = two_sides((60.0, 62.0, 58.0), (180.0, 178.0, 190.0), noise=4.0)
    assert telling_tone(photo, beside(-20), beside(20)) is photo.grey


def test_a_label_over_a_part_of_the_edge_does_not_count() -> None:
    photo = two_sides((104.0, 101.0, 95.0), (18.0, 18.0, 17.0), noise=3.0)
    photo.pixels[:120] = (232, 231, 226)
    photo.pixels[40:80] = (20, 20, 21)
    assert telling_tone(photo, beside(-20), beside(20)) is photo.grey


def test_too_few_points_leave_the_luma() -> None:
    photo = two_sides(LEFT, RIGHT, noise=9.0)
    assert telling_tone(photo, beside(-20)[:10], beside(20)[:10]) is photo.grey
    assert telling_tone(photo, beside(-900), beside(20)) is photo.grey


def test_sides_that_nothing_tells_apart_leave_the_luma() -> None:
    photo = two_sides(LEFT, LEFT, noise=0.0)
    assert telling_tone(photo, beside(-20), beside(20)) is photo.grey
    noisy = two_sides(LEFT, LEFT, noise=9.0)
    assert telling_tone(noisy, beside(-20), beside(20)) is noisy.grey


def test_an_edge_told_by_colour_alone_is_fitted_as_well_as_one_told_by_brightness() -> None:
    rough = Line(np.array([202.0, 150.0]), np.array([0.06, 1.0]) / np.hypot(0.06, 1.0), 1.0, 0.01, -100.0, 100.0)
    truth = np.array([0.05, 1.0]) / np.hypot(0.05, 1.0)
    found = {}
    for name, photo in (
        ("colour", two_sides(LEFT, RIGHT, noise=9.0)),
        ("brightness", two_sides((120.0,) * 3, (185.0,) * 3, noise=9.0)),
    ):
        tone = telling_tone(photo, beside(-20), beside(20))
        line = refine_line(tone, rough, scale=2.0, onward=0.0, air_side=-1.0)
        assert line is not None, name
        found[name] = np.rad2deg(abs(np.arcsin(line.direction[0] * truth[1] - line.direction[1] * truth[0])))
        assert abs(float(line.distance(np.array([[200.0, 150.0]]))[0])) < 0.3, name
    assert found["colour"] < max(2.0 * found["brightness"], 0.1)
