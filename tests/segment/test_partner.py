"""Where a tee's other weld is looked for, and which two welds make one tee."""

from dataclasses import replace
from typing import TYPE_CHECKING, cast

import numpy as np
import pytest

from macrocheck.arrays import FloatArray, Point
from macrocheck.flags import Flag
from macrocheck.outline import SurfaceLine, WeldOutline
from macrocheck.photo import Photo
from macrocheck.segment.locate import Spot
from macrocheck.segment.maps import RegionMaps
from macrocheck.segment.partner import nearby, same_joint
from tests.segment.fake_maps import maps_of

if TYPE_CHECKING:
    from macrocheck.segment.looks import Looks


def side(x: float, way: float, *, out: Point | None = None, flag: str = "") -> WeldOutline:
    """One side of a tee on y = 300: butting face at `x`, weld towards `way` (1 right, -1 left), leg 60."""
    face = np.array([(x, 240.0), (x + way * 60.0, 300.0)])
    fusion = np.array([(x + way * 60.0, 300.0), (x, 300.0), (x, 240.0)])
    return WeldOutline(
        joint="tee",
        surface_butting=SurfaceLine((x, 200.0), (0.0, -1.0), 0.1, 1e-3, 80.0),
        surface_nonbutting=SurfaceLine((x + way * 90.0, 300.0), out or (way, 0.0), 0.1, 1e-3, 60.0),
        face=face,
        fusion=fusion,
        u_face=np.full(2, 0.1),
        u_fusion=np.full(3, 0.1),
        correlation_px=5.0,
        flags=(Flag(flag, "", ((x, 300.0),)),) if flag else (),
    )


def turned(weld: WeldOutline) -> WeldOutline:
    """The same weld with its members the other way round."""
    return replace(
        weld,
        surface_butting=weld.surface_nonbutting,
        surface_nonbutting=weld.surface_butting,
        face=weld.face[::-1],
        fusion=weld.fusion[::-1],
    )


def test_two_sides_of_one_tee_are_one_joint() -> None:
    assert same_joint(side(200.0, -1.0), side(240.0, 1.0))


def test_two_welds_taken_the_other_way_round_are_none_until_both_are_turned() -> None:
    a, b = side(200.0, -1.0), side(240.0, 1.0)
    assert not same_joint(turned(a), turned(b))
    assert not same_joint(turned(a), b)
    assert not same_joint(a, turned(b))


@pytest.mark.parametrize(
    ("degrees", "flag", "same"), [(35, "surface_short", True), (35, "", False), (60, "surface_short", False)]
)
def test_a_surface_of_which_little_is_seen_may_point_astray(degrees: float, flag: str, same: bool) -> None:
    angle = np.deg2rad(degrees)
    astray = side(240.0, 1.0, out=(float(np.cos(angle)), float(np.sin(angle))), flag=flag)
    assert same_joint(side(200.0, -1.0), astray) is same


def test_welds_on_one_side_are_not_two_sides() -> None:
    assert not same_joint(side(200.0, 1.0), side(320.0, 1.0))


class _Seen:
    """Looks that show the same maps, whatever is asked for."""

    def __init__(self, maps: RegionMaps) -> None:
        self.maps = maps

    def framed(self, *_: object) -> RegionMaps:
        return self.maps


def _two_fillets() -> RegionMaps:
    """Maps of an upright on a plate with a fillet at either side."""
    ys, xs = np.mgrid[0:160, 0:200]
    plate, upright = ys >= 100, (ys < 100) & (abs(xs - 100) < 15)
    fillets = (ys < 100) & ~upright & (abs(xs - 100) - 15 + (100 - ys) < 30)
    air = ~(plate | upright | fillets)
    layers = np.stack([air, fillets, upright, plate]).astype(np.float32)
    heat = np.zeros((3, 160, 200), np.float32)
    for x in (60, 85, 115, 140):
        heat[0, 95:105, x - 4 : x + 5] = 0.8
    return replace(maps_of(layers, scale=2.0), points=heat)


@pytest.mark.parametrize(("side_px", "count"), [(3000, 2), (400, 0)])
def test_about_a_weld_that_is_small_in_the_photo_is_looked_again(side_px: int, count: int) -> None:
    photo = Photo(np.zeros((side_px, side_px, 3), np.uint8), "small.png", "0" * 64)
    first = Spot((150.0, 180.0), 100.0, 10.0, (100.0, 130.0, 200.0, 230.0))
    found = nearby(cast("Looks", _Seen(_two_fillets())), first, photo)
    assert len(found) == count
    middles: FloatArray = np.array(sorted(s.centre[0] for s in found))
    if count:
        assert middles[1] - middles[0] == pytest.approx(2.0 * 60.0, abs=8.0)
