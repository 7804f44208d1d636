"""The heat-affected zone's outer edge on a bead-like weld drawn with a known one, and where there is none."""

import numpy as np
import pytest

from macrocheck.arrays import Float32Array, FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.haz import Haz, find_haz
from macrocheck.segment.layout import Layout
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import RegionMaps

SIZE, SURFACE, RADIUS, ZONE = 420, 150.0, 90.0, 38.0
CENTRE = np.array([210.0, SURFACE])


def _away() -> FloatArray:
    y, x = np.mgrid[:SIZE, :SIZE].astype(np.float64)
    return np.asarray(np.hypot(x - CENTRE[0], y - CENTRE[1]))


def _ramp(distance: FloatArray, width: float) -> Float32Array:
    return np.asarray(1 / (1 + np.exp(np.clip(distance / width, -40, 40))), np.float32)


def found(*, change: float, stated: float = 1.0, wrong: float = 0.0) -> Haz:
    """A half-disc of weld metal in a plate, its zone `ZONE` px wide and `change` grey levels lighter.

    `stated`: how much the network makes of it; `wrong`: how far its edge is off there, px.
    """
    rng = np.random.default_rng(3)
    y, away = np.mgrid[:SIZE, :SIZE][0].astype(np.float64), _away()
    plate = (y > SURFACE).astype(np.float32)
    weld = plate * _ramp(away - RADIUS, 0.7)
    zone = plate * _ramp(away - RADIUS - ZONE, 1.0)
    grey = 20 + 110 * plate + change * (zone - weld) + 50 * weld + rng.normal(0, 5, away.shape)
    pixels = np.repeat(np.clip(np.rint(grey), 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    none = np.zeros_like(weld)
    haz = plate * (1 - weld) * (0.4 + 0.6 * stated * _ramp(away - RADIUS - ZONE - wrong, 2.0) - 0.2 * stated)
    maps = RegionMaps(
        regions=np.stack([1 - plate, weld, none, plate - weld]),
        haz=haz.astype(np.float32),
        fusion_line=none,
        seam=none,
        void=none,
        points=np.stack([none] * 3),
        to_photo=np.array([[1.0, 0, 0], [0, 1.0, 0]]),
    )
    t = np.linspace(0, np.pi, 280)
    fusion = CENTRE + RADIUS * np.column_stack([np.cos(t), np.sin(t)])
    face = fusion[[-1, 0]]
    layout = Layout(
        (weld > 0.5).astype(np.uint8), weld, face, fusion, face, face, True, True, 1.0, None, (210.0, 190.0)
    )
    line = Line(np.array([350.0, SURFACE]), np.array([1.0, 0.0]), 0.1, 0.001, -30.0, 30.0)
    photo = Photo(pixels, "made-up", "0" * 64)
    return find_haz(photo, maps, layout, fusion, line, np.array([0.0, 1.0]))


@pytest.mark.parametrize(("change", "wrong"), [(20.0, 0.0), (-15.0, 4.0), (20.0, -4.0)])
def test_the_edge_is_taken_from_the_photo(change: float, wrong: float) -> None:
    edge = found(change=change, wrong=wrong)
    assert edge.butting is None
    assert edge.nonbutting is not None
    radius = np.hypot(*(edge.nonbutting - CENTRE).T)
    assert radius.mean() == pytest.approx(RADIUS + ZONE, abs=1.0)
    assert radius.std() < 1.5
    assert edge.u > 0


def test_a_zone_that_only_the_network_claims_is_none() -> None:
    assert found(change=0.0).nonbutting is None


def test_a_zone_that_the_network_hardly_states_is_none() -> None:
    assert found(change=4.0, stated=0.4).nonbutting is None
