"""The weld face on an edge whose place is known: read over its whole width, and as sure as it is sharp."""

import cv2
import numpy as np
import pytest

from macrocheck.photo import Photo
from macrocheck.segment.face import AirLine, trace_air
from tests.segment.fake_maps import maps_of

EDGE = 120.5
"""Between air above and metal below: rows 0 to 120 are air."""


def traced(*, blur: float, off: float = 0.0, noise: float = 2.0, jagged: float = 0.0) -> AirLine:
    """Trace a level edge blurred by `blur` px, which the maps put `off` px lower, noisy, jagged by `jagged` px."""
    size = 240
    rng = np.random.default_rng(4)
    y = np.mgrid[0:size, 0:size][0].astype(np.float64)
    at = EDGE + cv2.GaussianBlur(rng.normal(0, 6 * jagged, (1, size)), (0, 0), 2.0)
    grey = cv2.GaussianBlur(np.where(y > at, 150.0, 30.0), (0, 0), blur) + rng.normal(0, noise, (size, size))
    photo = Photo(np.repeat(np.rint(grey).clip(0, 255).astype(np.uint8)[..., None], 3, axis=2), "edge", "0" * 64)
    air = 1 / (1 + np.exp((y - EDGE - off) / 0.8))
    none = np.zeros_like(air)
    maps = maps_of(np.stack([air, 1 - air, none, none]).astype(np.float32))
    outline = np.column_stack([np.linspace(30, 210, 91), np.full(91, EDGE + off)])
    return trace_air(photo, maps, outline)


@pytest.mark.parametrize("blur", [0.8, 1.6, 2.4])
@pytest.mark.parametrize("off", [-1.2, 1.2])
def test_an_edge_lies_where_the_photo_shows_it_however_the_maps_lean(blur: float, off: float) -> None:
    middle = traced(blur=blur, off=off).points[15:-15, 1]
    assert float(middle.mean()) == pytest.approx(EDGE, abs=0.1 * blur)


def test_a_wider_edge_is_less_sure() -> None:
    u = [float(np.median(traced(blur=blur).u)) for blur in (0.8, 1.8, 3.0)]
    assert u[0] < u[1] < u[2]
    assert u[0] < 0.12


def test_readings_that_scatter_are_less_sure() -> None:
    smooth, jagged = traced(blur=0.8), traced(blur=0.8, jagged=0.6)
    assert float(np.median(jagged.u)) > 2 * float(np.median(smooth.u))


def test_blur_is_the_width_of_the_edge_that_the_photo_shows() -> None:
    # From tone to tone along the steepest slope, a step blurred by sigma is sqrt(2 pi) sigma wide; reading it
    # blurs by one px more. Source: derivative of the normal distribution's cumulative function at its middle.
    for sigma in (1.5, 2.5):
        assert traced(blur=sigma).blur == pytest.approx(np.sqrt(2 * np.pi * (sigma**2 + 1)), rel=0.12)


def test_part_of_a_face_keeps_what_is_known_of_it() -> None:
    air = traced(blur=1.0)
    back = air.taken(slice(None, None, -1))
    assert back.points[0] == pytest.approx(air.points[-1])
    assert (back.u == air.u[::-1]).all()
    assert back.blur == pytest.approx(air.blur)
