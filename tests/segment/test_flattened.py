"""Looks drawn out across a plate: the plate's direction, the cut, and where its pixels lie."""

import cv2
import numpy as np
import pytest

from macrocheck.photo import Photo
from macrocheck.segment.flattened import Frame, _cut, _to_photo, frame_of, surface_angle
from macrocheck.segment.locate import Spot, spots
from macrocheck.segment.maps import RegionMaps


def plate_maps(degrees: float, *, stretch: float = 1.0) -> RegionMaps:
    """Maps, 200 px square, of a plate with a flat bead, turned by `degrees`; a px is a photo px along the plate."""
    size = 200
    turn = cv2.getRotationMatrix2D(((size - 1) / 2, (size - 1) / 2), -degrees, 1.0)
    plate = np.zeros((size, size), np.uint8)
    plate[100:140, :] = 255
    weld = np.zeros((size, size), np.uint8)
    weld[94:106, 70:130] = 255
    plate, weld = (
        np.asarray(cv2.warpAffine(m, turn, (size, size), borderMode=cv2.BORDER_REPLICATE), np.uint8)
        for m in (plate, weld)
    )
    regions = np.zeros((4, size, size), np.float32)
    regions[1] = weld / 255
    regions[3] = np.clip(plate / 255 - regions[1], 0, 1)
    regions[0] = 1 - regions[1] - regions[3]
    none = np.zeros((size, size), np.float32)
    points = np.zeros((3, size, size), np.float32)
    to_photo = np.array([[1.0, 0.0, 0.0], [0.0, 1.0 / stretch, 0.0]])
    return RegionMaps(regions, none, none, none, none, points, to_photo)


@pytest.mark.parametrize("degrees", [0.0, 17.0, 63.0, 90.0, 151.0])
def test_the_surface_is_found_at_any_turn(degrees: float) -> None:
    found = np.rad2deg(surface_angle(plate_maps(degrees), (99.5, 99.5), 60.0))
    assert abs((found - degrees + 90) % 180 - 90) < 1.5


def test_the_direction_is_that_in_the_photo_where_maps_are_drawn_out() -> None:
    # A line at 45 degrees in maps drawn out twice across runs at atan(1/2) in the photo.
    found = np.rad2deg(surface_angle(plate_maps(45.0, stretch=2.0), (99.5, 49.75), 60.0))
    assert found == pytest.approx(np.rad2deg(np.arctan(0.5)), abs=1.5)


def test_a_frame_takes_the_whole_bead_along_the_plate() -> None:
    maps = plate_maps(30.0)
    spot: Spot = spots(maps)[0]
    frame = frame_of(maps, spot, np.deg2rad(30.0))
    assert frame.span == pytest.approx(60.0, abs=3.0)
    assert np.hypot(frame.centre[0] - 99.5, frame.centre[1] - 99.5) < 2.0


def test_pixels_of_a_cut_lie_where_they_say() -> None:
    ys, xs = np.mgrid[0:300, 0:400]
    pixels = np.stack([xs / 2, ys / 2, np.zeros_like(xs)], axis=-1).astype(np.uint8)
    frame = Frame((210.0, 140.0), np.deg2rad(25.0), 100.0)
    size = (64, 96)
    cut = _cut(Photo(pixels, "ramp.png", "0"), frame, 2.0, 1.0, size)
    assert cut.shape == (96, 64, 3)
    to_photo = _to_photo(frame, 2.0, 1.0, size)
    for x, y in ((5, 8), (40, 60), (60, 90)):
        at = to_photo[:, :2] @ [x, y] + to_photo[:, 2]
        # The ramp holds half of x and y, to a grey level.
        assert np.abs(cut[y, x, :2] * 2.0 - at).max() < 3.0
