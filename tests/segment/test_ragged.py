"""Surfaces under mill scale, drawn with a known straight edge."""

import numpy as np
import pytest

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.segment.lines import Line
from macrocheck.segment.photo_line import refine_line
from macrocheck.segment.ragged import settle

HEIGHT, WIDTH = 260, 640
EDGE = 130.4
AIR, PLATE = 60.0, 180.0


def plate(skin: float, *, thick: float, seed: int, noise: float = 3.0) -> ByteArray:
    """A plate below y = EDGE with a patchy skin of tone `skin`, up to about twice `thick` px, eaten into it."""
    rng = np.random.default_rng(seed)
    depth = np.convolve(rng.normal(size=WIDTH + 40), np.hanning(13) / np.hanning(13).sum(), "same")[20:-20]
    depth = thick * np.clip(1 + 1.5 * depth / depth.std() * 0.5, 0, None)
    y = np.arange(HEIGHT)[:, None] + np.zeros(WIDTH)

    def below(edge: "FloatArray | float") -> FloatArray:
        return np.asarray(np.clip(y - edge + 0.5, 0, 1))

    grey = AIR + (skin - AIR) * below(EDGE) + (PLATE - skin) * below(EDGE + depth)
    return np.clip(grey + rng.normal(0, noise, grey.shape), 0, 255).astype(np.uint8)


def found(grey: ByteArray) -> Line:
    rough = Line(np.array([320.0, EDGE + 3.0]), np.array([1.0, 0.004]), 1.0, 0.01, -220.0, 220.0)
    line = refine_line(grey, rough, scale=2.0, onward=0.0, air_side=-1.0)
    assert line is not None
    return line


def off(line: Line) -> float:
    """How far below the true edge the line runs in the picture's middle, px."""
    return float(line.point[1] + (320.0 - line.point[0]) * line.direction[1] / line.direction[0]) - EDGE


@pytest.mark.parametrize("seed", [0, 1, 3])
def test_the_straight_edge_of_the_scale_is_the_surface(seed: int) -> None:
    grey = plate(95.0, thick=5.0, seed=seed)
    ragged = found(grey)
    line = settle(grey, ragged, -1.0)
    assert off(ragged) > 1.5
    assert abs(off(line)) < 0.7
    assert abs(off(line)) < 2.5 * line.u_offset


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("skin", [30.0, AIR])
def test_scale_about_as_dark_as_the_background_leaves_the_surface_unsure(skin: float, seed: int) -> None:
    grey = plate(skin, thick=5.0, seed=seed)
    ragged = found(grey)
    line = settle(grey, ragged, -1.0)
    assert abs(off(ragged)) > 3.0 * ragged.u_offset
    assert abs(off(line)) < 2.6 * line.u_offset


def test_a_clean_edge_stays_as_it_is() -> None:
    grey = plate(PLATE, thick=0.0, seed=1)
    line = found(grey)
    assert line.ragged < 0.1
    assert settle(grey, line, -1.0) is line
    assert abs(off(line)) < 0.1
