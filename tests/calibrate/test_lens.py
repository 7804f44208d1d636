"""Lens distortion told by the card; OpenCV's camera model and calibrateCamera are the reference."""

import cv2
import numpy as np
import pytest

from macrocheck.arrays import AnyArray, FloatArray
from macrocheck.calibrate import calibrate, parse_mark
from macrocheck.calibrate.card import locate
from macrocheck.calibrate.card_lens import fit_lens
from macrocheck.scale import Lens, Scale
from tests.calibrate.cards import draw, pinhole
from tests.calibrate.scenes import backdrop, camera, photo_of

W, H, FOCAL = 1200, 900, 1500.0
MATRIX = np.array([[FOCAL, 0, (W - 1) / 2], [0, FOCAL, (H - 1) / 2], [0, 0, 1.0]])


def _through_lens(image: AnyArray, k1: float) -> AnyArray:
    """The picture that a lens of OpenCV's radial coefficient k1 takes of what a perfect one shows as `image`."""
    x, y = np.meshgrid(np.arange(W, dtype=np.float64), np.arange(H, dtype=np.float64))
    seen = np.column_stack([x.ravel(), y.ravel()])
    straight = cv2.undistortPoints(seen[:, None], MATRIX, np.array([k1, 0, 0, 0, 0]), P=MATRIX).reshape(H, W, 2)
    map_x, map_y = (np.ascontiguousarray(straight[..., i], dtype=np.float32) for i in (0, 1))
    return np.asarray(cv2.remap(image.astype(np.float32), map_x, map_y, cv2.INTER_CUBIC))


def _card(k1: float, tilt: float) -> tuple[AnyArray, FloatArray]:
    size = np.array([W, H], dtype=np.float64)
    to_px = pinhole(
        tilt=tilt, towards=40, turn=8, px_per_mm=12.0, focal_px=FOCAL, at_px=size * 0.5, middle=(size - 1) / 2
    )
    image = draw(backdrop(4, W, H, "plain"), to_px, 12.0)
    return camera(_through_lens(image, k1), seed=2, blur=0.7, noise=2.0), to_px


@pytest.mark.parametrize("k1", [-0.25, -0.1, 0.15])
@pytest.mark.parametrize("tilt", [0.0, 14.0])
def test_lengths_come_out_true_through_a_bad_lens(k1: float, tilt: float) -> None:
    pixels, to_px = _card(k1, tilt)
    scale = calibrate(photo_of(pixels), [parse_mark("card:50mm")])
    assert scale.lens is not None
    # straight px of lengths within the card, as the lens shows them (OpenCV's projectPoints)
    mm = np.array([[5.0, 5], [65, 48], [36, 27], [36, 6]])
    h = np.column_stack([mm, np.ones(4)]) @ to_px.T
    rays = np.column_stack([((h[:, :2] / h[:, 2:]) - MATRIX[:2, 2]) / FOCAL, np.ones(4)])
    seen = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), MATRIX, np.array([k1, 0, 0, 0, 0]))[0].reshape(-1, 2)
    got = scale.to_mm(np.asarray(seen, dtype=np.float64))
    for i, j in ((0, 1), (2, 3)):
        assert np.hypot(*(got[i] - got[j])) == pytest.approx(np.hypot(*(mm[i] - mm[j])), rel=0.001)
    assert scale.to_px(got) == pytest.approx(seen, abs=0.01)


def test_the_coefficient_is_opencvs() -> None:
    # cv2.calibrateCamera on the same corners, square pixels, centre fixed, one radial coefficient
    pixels, _ = _card(-0.2, 14.0)
    card = locate(photo_of(pixels).grey)
    assert card is not None
    fitted = fit_lens(card.corners_px, card.corners_mm, card.to_px, (W, H))
    assert fitted is not None
    places = np.column_stack([card.corners_mm, np.zeros(len(card.corners_mm))]).astype(np.float32)
    only_k1 = (
        cv2.CALIB_FIX_PRINCIPAL_POINT
        | cv2.CALIB_FIX_ASPECT_RATIO
        | cv2.CALIB_ZERO_TANGENT_DIST
        | cv2.CALIB_FIX_K2
        | cv2.CALIB_FIX_K3
        | cv2.CALIB_USE_INTRINSIC_GUESS
        | cv2.CALIB_FIX_FOCAL_LENGTH
    )
    _, _, bent, _, _ = cv2.calibrateCamera(
        [places], [card.corners_px.astype(np.float32)], (W, H), MATRIX.copy(), np.zeros(5), flags=only_k1
    )
    k1 = float(np.ravel(bent)[0])
    assert k1 == pytest.approx(-0.2, abs=0.02)
    # ours straightens, OpenCV's bends: to first order the one is minus the other in units of the focal length
    edge = np.array([[card.corners_px[:, 0].min(), (H - 1) / 2]])
    theirs = cv2.undistortPoints(edge[:, None], MATRIX, np.array([k1, 0, 0, 0, 0]), P=MATRIX).reshape(1, 2)
    assert fitted[0].straightened(edge) == pytest.approx(theirs, abs=0.5)


@pytest.mark.parametrize("tilt", [0.0, 14.0])
def test_a_good_lens_is_left_alone(tilt: float) -> None:
    pixels, _ = _card(0.0, tilt)
    assert calibrate(photo_of(pixels), [parse_mark("card")]).lens is None


def test_straight_and_back() -> None:
    lens = Lens((599.5, 449.5), 750.0, 0.12)
    points = np.array([[0.0, 0], [1199, 899], [600, 450], [300, 820]])
    assert lens.distorted(lens.straightened(points)) == pytest.approx(points, abs=1e-4)
    scale = Scale(0.05, 0.001, "bar", lens=lens)
    assert scale.to_px(scale.to_mm(points)) == pytest.approx(points, abs=1e-4)
    assert scale.mm_per_px_at((599.5, 449.5)) == pytest.approx(0.05, rel=1e-4)
    assert scale.mm_per_px_at((0.0, 0.0)) > 0.055
