"""Lines through edge points, against scikit-image's and by hand."""

from typing import Any

import numpy as np
import pytest
from skimage.measure import LineModelND

from macrocheck.segment.lines import (
    Line,
    combine,
    crossing,
    fit_line,
    fit_offsets,
    straight_stretch,
    total_least_squares,
)


def _line(x: float, y: float, degrees: float, *, u_offset: float = 0.2, u_angle: float = 0.002) -> Line:
    a = np.deg2rad(degrees)
    return Line(np.array([x, y]), np.array([np.cos(a), np.sin(a)]), u_offset, u_angle, -50.0, 50.0)


def test_total_least_squares_agrees_with_scikit_image() -> None:
    # Outside check: skimage.measure.LineModelND fits the same total-least-squares line.
    rng = np.random.default_rng(4)
    t = np.linspace(0, 40, 60)
    points = np.column_stack([3 + 0.6 * t, 90 - 0.8 * t]) + rng.normal(0, 0.5, (60, 2))
    centre, direction = total_least_squares(points)
    model: Any = LineModelND
    model = model.from_estimate(points)
    origin, other = model.origin, model.direction
    assert abs(direction[0] * other[1] - direction[1] * other[0]) < 1e-9
    assert abs((origin - centre) @ np.array([-direction[1], direction[0]])) < 1e-9
    assert direction @ (points[-1] - points[0]) > 0


def test_robust_fit_ignores_a_burr() -> None:
    s = np.linspace(-50, 50, 101)
    v = 2.0 + 0.03 * s
    v[70:80] += 6.0
    a, b, weight, _ = fit_offsets(s, v, np.ones(101))
    assert (a, b) == pytest.approx((2.0, 0.03), abs=1e-3)
    assert np.all(weight[70:80] == 0)


def test_crossing_by_hand() -> None:
    assert crossing(_line(0, 5, 0), _line(7, 0, 90)) == pytest.approx([7, 5])
    assert crossing(_line(0, 5, 0), _line(0, 0, 1)) is None


def test_stated_uncertainty_of_a_line_holds() -> None:
    """rms(error / u) of offset and angle over many lines with errors alike over about 8 points."""
    rng = np.random.default_rng(11)
    offsets, angles = [], []
    kernel = np.exp(-0.5 * (np.arange(-12, 13) / 4.0) ** 2)
    kernel /= np.sqrt((kernel**2).sum())
    for _ in range(150):
        wobble = np.convolve(rng.normal(0, 0.6, 264), kernel, "valid")
        points = np.column_stack([np.arange(240.0), wobble])
        line = fit_line(points, floor=0.0, wobble=0.0)
        offsets.append(line.distance(np.array([[line.point[0], 0.0]]))[0] / line.u_offset)
        angles.append(np.arctan2(line.direction[1], line.direction[0]) / line.u_angle)
    assert 0.7 < np.sqrt(np.mean(np.square(offsets))) < 1.25
    assert 0.7 < np.sqrt(np.mean(np.square(angles))) < 1.25


def test_combining_two_stretches_of_one_surface() -> None:
    near, far = _line(0, 0, 0.5, u_angle=0.02), _line(200, 0, 0, u_angle=0.02)
    both, misfit = combine(near, far)
    assert misfit < 3
    assert both.u_angle == pytest.approx(np.hypot(0.2, 0.2) / 200, rel=0.1)
    assert abs(both.distance(np.array([[200.0, 0.0]]))[0]) < 0.2
    _, worse = combine(near, _line(200, 30, 0, u_angle=0.02))
    assert worse > 25


def test_straight_stretch_skips_a_groove_and_stops_at_the_corner() -> None:
    groove = [(x, 3 + 4 * np.sin(np.pi * (x - 3) / 12)) for x in range(3, 15)]
    surface = [(x, 3.0) for x in range(15, 80)]
    end = [(80.0, y) for y in range(3, 60)]
    walk = np.array([(0, 3.0), (1, 3.0), (2, 3.0), *groove, *surface, *end], np.float64)
    found = straight_stretch(walk, tolerance=0.4, through=walk[0])
    assert found is not None
    i, j = found
    assert 12 <= i <= 24
    assert 72 <= j <= 84


def test_a_groove_wall_is_no_surface() -> None:
    # Chord to the right, air above (left of it, y down): the surface must leave to the left, not downwards.
    wall = np.array([(-0.2 * k, 1.0 * k) for k in range(40)])
    chord = (np.array([1.0, 0.0]), -1.0, 80.0, 171.0)
    assert straight_stretch(wall, tolerance=0.5, chord=chord) is None
    level = np.array([(-1.0 * k, -0.4 * k) for k in range(40)])
    assert straight_stretch(level, tolerance=0.5, chord=chord) == (0, 40)
