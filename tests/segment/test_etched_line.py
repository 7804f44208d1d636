"""A fusion boundary etched as a line: laid on the line's middle, left alone where there is none."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from macrocheck.arrays import FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.band import Band
from macrocheck.segment.boundary import Boundary, _distinct
from macrocheck.segment.etched_line import line_middles, on_etched_line

MIDDLE, WIDTH, HEIGHT = 50.0, 100, 600
"""Px: where the true boundary runs down the picture, and the picture's size."""


def profile(
    line: float, wide: float, *, left: float = 150.0, right: float = 100.0, blur: float = 1.0
) -> FloatArray:
    """Grey along a row: two tones that meet at `MIDDLE`, a line of `wide` px and of `line` grey levels on it."""
    fine = np.arange(-0.5 + 0.05, WIDTH - 0.5, 0.1)
    tone = np.where(fine < MIDDLE, left, right) + np.where(np.abs(fine - MIDDLE) < wide / 2, line, 0.0)
    return np.asarray(gaussian_filter1d(tone, blur * 10, mode="nearest").reshape(WIDTH, 10).mean(axis=1))


def photo_of(row: FloatArray, noise: float = 1.0) -> Photo:
    grey = np.tile(row, (HEIGHT, 1)) + np.random.default_rng(1).normal(0, noise, (HEIGHT, WIDTH))
    rgb = np.repeat(np.clip(np.round(grey), 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    return Photo(rgb, "rows.png", "0" * 64)


def path_at(x: float, *, pinned: bool = False) -> Boundary:
    n = 300
    points = np.column_stack([np.full(n, x), np.linspace(30, HEIGHT - 30, n)])
    one = np.ones(n)
    return Boundary(points, 0.6 * one, one, 0 * one, one, np.full(n, pinned))


def moved(row: FloatArray, start: float, **given: bool) -> Boundary:
    return on_etched_line(photo_of(row), path_at(start, **given), edge_width=2.6, scale=1.5)


@pytest.mark.parametrize(("line", "wide"), [(-40.0, 2.0), (-40.0, 4.0), (70.0, 3.0), (-90.0, 2.5)])
@pytest.mark.parametrize("start", [-1.3, 0.0, 1.2])
def test_a_line_is_followed_in_its_middle(line: float, wide: float, start: float) -> None:
    found = moved(profile(line, wide), MIDDLE + start)
    assert np.abs(found.points[:, 0] - MIDDLE).max() < 0.25
    assert found.u.max() < 0.6, "a line that is seen is surer than the network alone"


def test_the_steepest_edge_of_such_a_line_lies_beside_it() -> None:
    """What the other tests rest on: the flank is more than a pixel off."""
    row = profile(70.0, 3.0)
    assert abs(float(np.argmin(np.diff(row))) + 0.5 - MIDDLE) > 1.0


@pytest.mark.parametrize("blur", [0.8, 1.2, 2.0])
def test_a_plain_edge_is_left_where_it_is(blur: float) -> None:
    start = path_at(MIDDLE + 0.8)
    found = on_etched_line(photo_of(profile(0.0, 0.0, blur=blur)), start, edge_width=2.6, scale=1.5)
    assert np.array_equal(found.points, start.points)
    assert np.array_equal(found.u, start.u)


def test_what_sharpening_adds_on_both_sides_is_no_line() -> None:
    row = profile(0.0, 0.0)
    sharpened = row + 1.5 * (row - gaussian_filter1d(row, 2.0, mode="nearest"))
    assert sharpened.max() > 155
    assert sharpened.min() < 95
    found = moved(sharpened, MIDDLE)
    assert np.abs(found.points[:, 0] - MIDDLE).max() < 0.05


def test_a_line_faint_beside_its_edge_is_none() -> None:
    """One grey level beyond the darker tone: nothing tells it from the edge's own blur."""
    found = moved(profile(-12.0, 1.0), MIDDLE + 0.3)
    assert np.abs(found.points[:, 0] - MIDDLE - 0.3).max() < 1e-9


def test_what_a_hint_fixed_stays() -> None:
    found = moved(profile(-40.0, 3.0), MIDDLE + 1.0, pinned=True)
    assert np.abs(found.points[:, 0] - MIDDLE - 1.0).max() < 1e-9


def test_a_boundary_too_short_to_average_stays() -> None:
    whole = path_at(MIDDLE + 1.0)
    short = Boundary(*(getattr(whole, k)[:20] for k in ("points", "u", "spread", "rival", "contrast", "pinned")))
    found = on_etched_line(photo_of(profile(-40.0, 3.0)), short, edge_width=2.6, scale=1.5)
    assert np.array_equal(found.points, short.points)
    assert np.array_equal(found.u, short.u)


def test_a_line_on_half_the_boundary_moves_that_half() -> None:
    rows = np.tile(profile(0.0, 0.0), (HEIGHT, 1))
    rows[: HEIGHT // 2] = profile(-40.0, 3.0)
    rgb = np.repeat(np.round(rows).astype(np.uint8)[..., None], 3, axis=2)
    found = on_etched_line(Photo(rgb, "half.png", "0" * 64), path_at(MIDDLE + 1.0), edge_width=2.6, scale=1.5)
    upper = found.points[:, 1] < HEIGHT / 2 - 60
    lower = found.points[:, 1] > HEIGHT / 2 + 60
    assert np.abs(found.points[upper, 0] - MIDDLE).max() < 0.3
    assert np.abs(found.points[lower, 0] - MIDDLE - 1.0).max() < 0.05


def test_profiles_without_anything_show_no_line() -> None:
    flat = np.random.default_rng(2).normal(100, 0.3, (6, 37))
    assert not line_middles(flat)[1].any()


def test_tones_that_differ_clearly_leave_less_of_the_doubt() -> None:
    base = np.column_stack([np.full(80, MIDDLE), np.linspace(100, 400, 80)])
    band = Band(base, np.tile([1.0, 0.0], (80, 1)), np.arange(-9.0, 9.01, 0.75))
    at = np.zeros(80)

    def share(noise: float) -> float:
        return float(np.median(_distinct(band, band.grey(photo_of(profile(0.0, 0.0), noise).grey), at, 1.5)))

    assert share(1.0) < 0.7
    assert share(30.0) > 0.97
