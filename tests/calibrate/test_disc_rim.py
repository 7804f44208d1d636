"""The mean profile across a disc's outline: where its steps lie and whether it has a rim."""

import math

import numpy as np
import pytest

from macrocheck.calibrate.disc_rim import melted

T = np.arange(-12.0, 9.1, 0.5)


def profile(
    at: float, blur: float, ground: tuple[float, ...], rim: tuple[float, ...], face: tuple[float, ...], wide: float
) -> np.ndarray:
    """Two blurred steps in each of three channels, drawn with the standard library's error function."""

    def step(place: float) -> np.ndarray:
        return np.array([0.5 + 0.5 * math.erf((t - place) / (blur * math.sqrt(2))) for t in T])

    rows = zip(ground, rim, face, strict=True)
    return np.array([f + (r - f) * step(at - wide) + (g - r) * step(at) for g, r, f in rows])


@pytest.mark.parametrize("blur", [0.9, 2.2])
@pytest.mark.parametrize("at", [-0.7, 0.4])
def test_ground_rim_and_face_are_told_apart(at: float, blur: float) -> None:
    mean = profile(at, blur, (40, 0, 0), (150, -10, 20), (165, -25, 5), wide=4.5)
    found = melted(T, mean, 1.3 * blur)
    assert (found.at, found.gap) == pytest.approx((at, 4.5), abs=0.02)
    assert found.blur == pytest.approx(blur, rel=0.02)
    assert found.height[0] == pytest.approx([-110, 10, -20], abs=1.0)
    assert found.u_at < 0.02


def test_a_plain_outline_has_no_rim() -> None:
    mean = profile(0.3, 1.6, (40, 0, 0), (150, -10, 20), (150, -10, 20), wide=4.5)
    mean = mean + np.random.default_rng(1).normal(0, 0.15, mean.shape)
    found = melted(T, mean, 2.0)
    assert found.gap == 0
    assert found.at == pytest.approx(0.3, abs=0.02)


def test_a_slope_of_the_ground_is_no_rim() -> None:
    mean = profile(0.3, 1.6, (60, 0, 0), (150, -10, 20), (150, -10, 20), wide=4.5)
    mean[0] += 8.0 * (0.5 + 0.5 * np.tanh((T - 5.5) / 2.0))
    found = melted(T, mean, 2.0)
    assert found.gap == 0
    assert found.at == pytest.approx(0.3, abs=0.15)
