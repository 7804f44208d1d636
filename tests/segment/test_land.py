"""The far end of the faying surface, on plates drawn with a known one and on welds put on them."""

from dataclasses import replace

import numpy as np
import pytest

from macrocheck.arrays import FloatArray, Point
from macrocheck.flags import Flag
from macrocheck.outline import Joint, SurfaceLine, WeldOutline
from macrocheck.photo import Photo
from macrocheck.segment.land import weld_root, with_land
from tests.segment.two_plates import HEIGHT, WIDTH, maps_of_parts, painted, tee_parts

SURFACE = 402.3


def weld(
    root_x: float, *, sign: float = 1.0, reach: float = 12.0, gap: float = 0.0, joint: Joint = "tee"
) -> WeldOutline:
    """A weld of 80 px legs whose joint root is (`root_x`, SURFACE), toes on the side `sign` of it."""
    root = np.array([root_x, SURFACE])

    def at(points: list[tuple[float, float]]) -> FloatArray:
        return np.asarray(root + np.array(points) * [sign, -1.0])

    face = at([(0.0, 80.0), (80.0, 0.0)])
    fusion = at([(80.0, 0.0), (40.0, -9.0), (-reach, gap / 2), (-8.0, 30.0), (0.0, 80.0)])
    corner: Point = (root_x, SURFACE)
    return WeldOutline(
        joint=joint,
        surface_butting=SurfaceLine(corner, (0.0, -1.0), 0.1, 0.001),
        surface_nonbutting=SurfaceLine(corner, (sign, 0.0), 0.1, 0.001),
        face=face,
        fusion=fusion,
        u_face=np.full(len(face), 0.5),
        u_fusion=np.full(len(fusion), 0.8),
        correlation_px=20.0,
        gap_px=(gap, 0.3),
    )


@pytest.mark.parametrize("lean", [0.0, 0.2, -0.15])
@pytest.mark.parametrize("gap", [0.0, 14.0])
def test_a_tee_welded_on_one_side_ends_at_the_far_side_of_the_butting_member(lean: float, gap: float) -> None:
    parts = tee_parts(gap=gap, left=120.6, lean=lean)
    photo = painted(*parts, noise=4.0)
    (done,) = with_land(photo, maps_of_parts(*parts, step=4), (weld(700.0, gap=gap),))
    assert done.seam_end is not None
    # `left` is where the drawn side would reach the nonbutting surface.
    assert done.seam_end == pytest.approx((120.6, SURFACE), abs=2.5 * done.u_seam_end)
    assert done.u_seam_end < 1.0


def test_a_weld_that_bulges_into_the_butting_member_does_not_hide_its_far_side() -> None:
    parts = tee_parts(gap=0.0)
    maps = maps_of_parts(*parts, step=4)
    y, x = np.mgrid[: HEIGHT // 4, : WIDTH // 4] * 4.0
    bulge = (np.hypot(x - 690, y - 330) < 110) & (y < SURFACE - 2)
    regions = maps.regions * ~bulge
    regions[1] = bulge
    (done,) = with_land(painted(*parts, noise=4.0), replace(maps, regions=regions), (weld(700.0),))
    assert done.seam_end == pytest.approx((120.6, SURFACE), abs=1.5)


def test_a_far_side_outside_the_picture_is_not_guessed() -> None:
    parts = tee_parts(gap=0.0, left=-50.0)
    (done,) = with_land(painted(*parts, noise=4.0), maps_of_parts(*parts, step=4), (weld(700.0),))
    assert done.seam_end is None


@pytest.mark.parametrize("left", [120.6, -50.0])
def test_a_corner_ends_where_its_nonbutting_plate_does_if_that_comes_first(left: float) -> None:
    # the butting member's far side past that end, or not even in the picture
    nonbutting, butting = tee_parts(gap=0.0, left=left)
    parts = np.asarray(nonbutting * (np.arange(WIDTH) > 300), np.float32), butting
    (done,) = with_land(painted(*parts, noise=4.0), maps_of_parts(*parts, step=4), (weld(700.0),))
    assert done.seam_end == pytest.approx((300.5, SURFACE), abs=2.5 * done.u_seam_end)
    assert done.u_seam_end < 1.0


def test_an_end_of_the_nonbutting_plate_that_the_photo_does_not_show_makes_the_land_unsure() -> None:
    nonbutting, butting = tee_parts(gap=0.0)
    short = np.asarray(nonbutting * (np.arange(WIDTH) > 300), np.float32)
    maps = maps_of_parts(short, butting, step=4)
    (done,) = with_land(painted(nonbutting, butting, noise=4.0), maps, (weld(700.0),))
    assert done.seam_end == pytest.approx((120.6, SURFACE), abs=1.5)
    assert done.u_seam_end == pytest.approx(0.5 * (300.5 - 120.6), abs=5.0)


def test_a_nonbutting_plate_that_ends_in_the_open_does_not_end_an_unseen_butting_member() -> None:
    nonbutting, butting = tee_parts(gap=0.0, left=400.0)
    parts = np.asarray(nonbutting * (np.arange(WIDTH) > 200), np.float32), butting
    maps = maps_of_parts(*parts, step=4)
    regions = maps.regions.copy()
    above = slice(0, int(SURFACE / 4))
    regions[:, above, 80:100] = np.array([0.0, 1.0, 0.0, 0.0])[:, None, None]  # weld metal hides its far side
    (done,) = with_land(painted(*parts, noise=4.0), replace(maps, regions=regions), (weld(700.0),))
    assert done.seam_end is None


def test_a_far_side_under_a_strip_beside_the_picture_is_not_guessed() -> None:
    # To the maps a legend's plain strip is ground like any other.
    nonbutting, butting = tee_parts(gap=0.0, left=-50.0)
    sawn = tee_parts(gap=0.0, left=150.0)
    # Below the surface the nonbutting member ends with the butting one.
    sawn = np.asarray(sawn[0] * np.clip(sawn[1][300], None, 1), np.float32), sawn[1]
    sawn[0][:, 500:] = nonbutting[:, 500:]
    maps = maps_of_parts(*sawn, step=4)
    pixels = painted(nonbutting, butting, noise=4.0).pixels.copy()
    pixels[:, :150] = 70
    (done,) = with_land(Photo(pixels, "strip", "0" * 64), maps, (weld(700.0),))
    assert done.seam_end is None
    # The same section sawn off there, as a lens sees it, is at its end.
    (done,) = with_land(painted(*sawn, noise=4.0), maps, (weld(700.0),))
    assert done.seam_end == pytest.approx((150.0, SURFACE), abs=1.5)


def test_each_weld_of_a_tee_ends_the_land_of_the_other() -> None:
    parts = tee_parts(gap=0.0)
    welds = (weld(700.0, reach=12.0), weld(120.6, sign=-1.0, reach=30.0))
    one, other = with_land(painted(*parts, noise=4.0), maps_of_parts(*parts, step=4), welds)
    assert one.seam_end == pytest.approx((120.6 + 30.0, SURFACE), abs=1.5)
    assert other.seam_end == pytest.approx((700.0 - 12.0, SURFACE), abs=1.5)
    assert one.u_seam_end > 0


def test_the_land_shares_the_doubts_about_the_weld_that_ends_it() -> None:
    parts = tee_parts(gap=0.0)
    unsure = replace(weld(550.0, sign=-1.0), flags=(Flag("second_boundary", "Another line.", ((520.0, 400.0),)),))
    sure = replace(weld(700.0), flags=())
    own, other = with_land(painted(*parts, noise=4.0), maps_of_parts(*parts, step=4), (sure, unsure))
    (flag,) = own.flags
    assert flag.code == "second_boundary"
    assert flag.text.startswith("On the weld of the other side")
    assert flag.where_px == ((520.0, 400.0),)
    assert other.flags == unsure.flags


def test_a_lap_ends_where_the_first_of_its_plates_does() -> None:
    nonbutting, butting = tee_parts(gap=0.0, left=0.0)
    short = nonbutting * (np.arange(WIDTH) > 200)
    upper = butting * (np.arange(HEIGHT) > 250)[:, None]
    parts = np.asarray(short, np.float32), np.asarray(upper, np.float32)
    (done,) = with_land(painted(*parts, noise=4.0), maps_of_parts(*parts, step=4), (weld(700.0, joint="lap"),))
    assert done.seam_end == pytest.approx((200.5, SURFACE), abs=2.5 * done.u_seam_end)


def test_the_weld_root_is_the_furthest_metal_in_an_opening() -> None:
    w = weld(700.0, reach=20.0, gap=14.0)
    line = w.surface_nonbutting
    assert line is not None
    assert weld_root(w, line)[0] == pytest.approx(20.0, abs=1.5)
    cold = weld(700.0, reach=-15.0)
    assert weld_root(cold, line)[0] == 0.0
