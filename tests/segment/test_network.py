"""The shipped network in OpenCV's inference, and finding a weld with it."""

from functools import cache
from importlib import resources

import cv2
import numpy as np
import pytest

from macrocheck.arrays import FloatArray
from macrocheck.photo import Photo
from macrocheck.render.photo import RenderedPhoto, render_photo
from macrocheck.segment.locate import Spot, coarse_maps, look_closer, overlap, spots
from macrocheck.segment.maps import BUTTING, NONBUTTING, TOE_BUTTING, TOE_NONBUTTING, WELD
from macrocheck.segment.network import STEP, maps_of, normalised, run

SEED = 7


@cache
def rendered() -> RenderedPhoto:
    return render_photo(SEED, "fair", joints=("tee",))


def photo(pixels: "np.ndarray[tuple[int, ...], np.dtype[np.uint8]]") -> Photo:
    return Photo(pixels, "rendered.png", "0" * 64)


def truth_mask(polygon: FloatArray, size: tuple[int, int]) -> "np.ndarray[tuple[int, ...], np.dtype[np.bool_]]":
    mask = np.zeros((size[1], size[0]), np.uint8)
    cv2.fillPoly(mask, [np.round(polygon).astype(np.int32)], (1,))
    return mask > 0


def test_the_shipped_file_is_small_enough() -> None:
    data = resources.files("macrocheck.segment").joinpath("weights.onnx").read_bytes()
    assert 1_000_000 < len(data) < 8_000_000


@pytest.mark.parametrize("size", [(STEP, STEP), (224, 320), (320, 320)])
def test_any_size_in_steps(size: tuple[int, int]) -> None:
    pixels = np.random.default_rng(0).integers(0, 256, (*size, 3)).astype(np.uint8)
    logits = run(pixels)
    assert logits.shape == (11, *size)
    assert logits.dtype == np.float32
    assert np.isfinite(logits).all()


def test_maps_are_probabilities() -> None:
    maps = maps_of(run(np.full((64, 64, 3), 127, np.uint8)), np.array([[2.0, 0, 0.5], [0, 2.0, 0.5]]))
    assert np.abs(maps.regions.sum(axis=0) - 1).max() < 1e-5
    for layer in (maps.regions, maps.haz, maps.fusion_line, maps.seam, maps.void, maps.points):
        assert float(layer.min()) >= 0
        assert float(layer.max()) <= 1
    assert maps.scale == 2.0
    there = np.array([[10.0, 20.0], [3.5, 7.25]])
    assert maps.map_points(maps.photo_points(there)) == pytest.approx(there)


def test_input_is_normalised_and_a_plain_picture_is_no_trouble() -> None:
    pixels = np.random.default_rng(0).integers(40, 90, (32, 32, 3)).astype(np.uint8)
    out = normalised(pixels)
    assert out.shape == (1, 3, 32, 32)
    assert float(out.mean()) == pytest.approx(0, abs=1e-4)
    assert float(out.std()) == pytest.approx(pixels.std() / (pixels.std() + 4), rel=1e-4)
    assert np.isfinite(normalised(np.zeros((32, 32, 3), np.uint8))).all()


def test_the_weld_is_found_and_its_regions_are_right() -> None:
    picture = rendered()
    h, w = picture.rgb.shape[:2]
    found = spots(coarse_maps(photo(picture.rgb)))
    true = truth_mask(picture.welds[0].polygon_px, (w, h))
    ys, xs = np.nonzero(true)
    assert len(found) >= 1
    assert xs.min() - 15 < found[0].centre[0] < xs.max() + 15
    assert ys.min() - 15 < found[0].centre[1] < ys.max() + 15
    maps, spot = look_closer(photo(picture.rgb), found[0])
    at = maps.map_points(np.column_stack([xs, ys])[::97].astype(float)).round().astype(int)
    side = maps.shape[0]
    at = at[((at >= 0) & (at < side)).all(axis=1)]
    named = maps.regions.argmax(axis=0)[at[:, 1], at[:, 0]]
    assert (named == WELD).mean() > 0.95
    assert {int(v) for v in np.unique(maps.regions.argmax(axis=0))} >= {WELD, BUTTING, NONBUTTING}
    # The weld takes about the share of the close look that it was framed for.
    assert 0.75 < spot.span / max(np.ptp(xs), np.ptp(ys)) < 1.3
    # What the close look says of the toes lies near the true ones.
    for k, toe in (
        (TOE_BUTTING, picture.welds[0].toe_butting_px),
        (TOE_NONBUTTING, picture.welds[0].toe_nonbutting_px),
    ):
        y, x = np.unravel_index(int(np.argmax(maps.points[k])), maps.points[k].shape)
        off = maps.photo_points(np.array([[float(x), float(y)]]))[0] - np.asarray(toe)
        assert float(np.hypot(*off)) < 0.05 * spot.span, k


def test_a_mirrored_photo_mirrors_what_is_found() -> None:
    picture = rendered()
    plain = spots(coarse_maps(photo(picture.rgb)))[0]
    flipped = spots(coarse_maps(photo(np.ascontiguousarray(picture.rgb[:, ::-1]))))[0]
    width = picture.rgb.shape[1]
    assert width - 1 - flipped.centre[0] == pytest.approx(plain.centre[0], abs=0.1 * plain.span)
    assert flipped.centre[1] == pytest.approx(plain.centre[1], abs=0.1 * plain.span)


def test_nothing_is_found_in_nothing() -> None:
    seen = spots(coarse_maps(photo(np.full((480, 640, 3), 90, np.uint8))))
    assert all(spot.score == 0 for spot in seen)


def test_overlap_of_boxes() -> None:
    a = Spot((5, 5), 10, 1.0, (0, 0, 10, 10))
    assert overlap(a, a) == 1.0
    assert overlap(a, Spot((10, 5), 10, 1.0, (5, 0, 15, 10))) == 0.5
    assert overlap(a, Spot((2, 2), 2, 1.0, (1, 1, 3, 3))) == 1.0  # of the smaller one
    assert overlap(a, Spot((30, 5), 10, 1.0, (25, 0, 35, 10))) == 0.0
