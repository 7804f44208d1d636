"""Toes: where the face leaves a member's surface."""

from dataclasses import replace

import numpy as np
import pytest

from macrocheck.segment.chains import resample
from macrocheck.segment.face import AirLine
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import TOE_NONBUTTING, RegionMaps
from macrocheck.segment.toes import Toe, find_toe
from tests.segment.fake_maps import maps_of


def maps_that_say_nothing() -> RegionMaps:
    return maps_of(np.zeros((4, 448, 448), np.float32))


def face_to(corner: tuple[float, float], flush_to: tuple[float, float], rise: float) -> AirLine:
    """A face from the upper left down to `corner` at a slope of `rise`, then flush with the surface (y = 300)."""
    points = resample(np.array([(corner[0] - 150.0, 300.0 - 150.0 * rise), corner, flush_to]), 1.0)
    return AirLine(points, np.full(len(points), 0.2), np.ones(len(points)), np.full(len(points), 3.0))


def plate() -> Line:
    return Line(np.array([380.0, 300.0]), np.array([1.0, 0.0]), 0.1, 1e-3, -40.0, 40.0)


@pytest.mark.parametrize("flush", [0.5, 8.0, 40.0, 70.0])
def test_what_lies_flush_beyond_a_distinct_corner_is_the_member(flush: float) -> None:
    air = face_to((250.0, 300.0), (250.0 + flush, 300.0), 1.0)
    toe = find_toe(
        maps_that_say_nothing(), air, plate(), layer=TOE_NONBUTTING, inward=np.array([0.0, 1.0]), at_start=False
    )
    assert toe.point == pytest.approx((250.0, 300.0), abs=1.0)
    assert np.rad2deg(toe.angle) == pytest.approx(45.0, abs=3.0)


def test_a_face_that_comes_in_flat_may_end_in_a_long_rim() -> None:
    # Leaving the surface at 11 degrees says little of where weld metal ends: the outline's own end stands.
    air = face_to((250.0, 300.0), (330.0, 300.0), 0.2)
    toe = find_toe(
        maps_that_say_nothing(), air, plate(), layer=TOE_NONBUTTING, inward=np.array([0.0, 1.0]), at_start=False
    )
    assert toe.point[0] > 300.0
    assert toe.u > 2.0


def test_a_toes_own_doubt_leaves_the_surfaces_error_out() -> None:
    # The surface is drawn with its own error, which moves the toe with it.
    inward = np.array([0.0, 1.0])
    air = face_to((250.0, 300.0), (250.0, 300.0), 1.0)
    rough = replace(plate(), u_offset=1.5)
    sure = find_toe(maps_that_say_nothing(), air, plate(), layer=TOE_NONBUTTING, inward=inward, at_start=False)
    unsure = find_toe(maps_that_say_nothing(), air, rough, layer=TOE_NONBUTTING, inward=inward, at_start=False)
    assert unsure.u > 1.5 * sure.u
    assert unsure.u_own == pytest.approx(sure.u_own, rel=0.15)


def test_the_flatter_a_rim_thins_out_the_less_is_known_of_its_end() -> None:
    inward = np.array([0.0, 1.0])
    u = []
    for rise in (0.3, 0.2, 0.1):
        air = face_to((250.0, 300.0), (255.0, 300.0), rise)
        toe = find_toe(maps_that_say_nothing(), air, plate(), layer=TOE_NONBUTTING, inward=inward, at_start=False)
        u.append(toe.u)
    assert u[0] < u[1] < u[2]
    # At 6 degrees a rim one pixel of the maps thick goes on for nine: as much is open.
    assert u[2] > 9.0


def test_a_toe_that_the_network_sees_elsewhere_is_less_sure() -> None:
    inward = np.array([0.0, 1.0])
    air = face_to((250.0, 300.0), (250.0, 300.0), 1.0)
    y, x = np.mgrid[0:448, 0:448]

    def found(at: float) -> Toe:
        maps = maps_that_say_nothing()
        heat = np.exp(-0.5 * ((x - at) ** 2 + (y - 300.0) ** 2) / 4.0**2).astype(np.float32)
        points = np.stack([heat if k == TOE_NONBUTTING else np.zeros_like(heat) for k in range(3)])
        return find_toe(
            replace(maps, points=points), air, plate(), layer=TOE_NONBUTTING, inward=inward, at_start=False
        )

    same, near, far = found(250.0), found(251.0), found(259.0)
    assert near.u == pytest.approx(same.u, rel=0.05)
    assert far.u > 2.5 * same.u
    assert abs(far.point[0] - 250.0) < 2 * far.u
