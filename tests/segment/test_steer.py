"""Paths between hints."""

import numpy as np

from macrocheck.arrays import Float32Array, FloatArray
from macrocheck.segment.band import Band, best_path
from macrocheck.segment.hints import Hints
from macrocheck.segment.maps import RegionMaps
from macrocheck.segment.steer import hint_cost, split_hints, without_detours
from tests.segment.fake_maps import maps_of


def _hairpin() -> np.ndarray:
    """Along the x axis in steps of 1 px, with a detour of 30 px up and down at x = 50."""
    up = np.arange(1.0, 31.0)
    out = np.column_stack([np.full(30, 50.0), up])
    back = np.column_stack([np.full(30, 52.0), up[::-1]])
    return np.vstack(
        [
            np.column_stack([np.arange(51.0), np.zeros(51)]),
            out,
            back,
            np.column_stack([np.arange(52.0, 101.0), np.zeros(49)]),
        ]
    )


def test_a_detour_between_near_hints_is_left_out() -> None:
    path = without_detours(_hairpin(), Hints(through=((60.0, 0.0), (44.0, 0.0))), 1.0)
    assert np.allclose(path[:, 1], 0.0)
    assert np.all(np.diff(path[:, 0]) > 0)
    assert tuple(path[0]) == (0.0, 0.0)
    assert tuple(path[-1]) == (100.0, 0.0)


def test_a_detour_between_far_hints_or_beside_them_stays() -> None:
    given = _hairpin()
    for through in (((90.0, 0.0), (10.0, 0.0)), ((60.0, 0.0), (80.0, 0.0)), ((44.0, 0.0),)):
        assert without_detours(given, Hints(through=through), 1.0) is given


def _band(n: int = 200) -> Band:
    base = np.column_stack([np.arange(float(n)), np.zeros(n)])
    return Band(base, np.tile([0.0, 1.0], (n, 1)), np.arange(-12.0, 12.5, 0.5))


def _seen(band: Band, at: float) -> FloatArray:
    """The cost of what is seen where it shows a clear line `at` px off the base."""
    return np.tile(-np.log(np.exp(-0.5 * ((band.offsets - at) / 1.0) ** 2) + 1e-3), (len(band.base), 1))


def _found(band: Band, hints: Hints, seen: FloatArray) -> FloatArray:
    extra, _ = hint_cost(band, hints, 1.0, seen)
    return np.asarray(band.offsets[best_path(seen + extra, stiffness=0.3)])


def test_what_two_clicks_deny_is_not_followed_between_them() -> None:
    band = _band()
    seen = _seen(band, 6.0)
    path = _found(band, Hints(through=((90.0, 0.0), (110.0, 0.0))), seen)
    assert np.abs(path[90:111]).max() < 1.5
    # far from either what is seen holds again
    assert np.allclose(path[:40], 6.0, atol=0.5)
    assert np.allclose(path[160:], 6.0, atol=0.5)


def test_clicks_on_what_is_seen_tie_nothing() -> None:
    band = _band()
    seen = _seen(band, 1.0)
    # it bends away between two clicks on it
    bent = seen.copy()
    bent[95:106] = _seen(band, 5.0)[95:106]
    path = _found(band, Hints(through=((90.0, 1.5), (110.0, 0.5))), bent)
    assert np.allclose(path[97:104], 5.0, atol=0.5)


def _weld_maps() -> tuple[RegionMaps, FloatArray, FloatArray]:
    """Maps, face and fusion boundary (px) of a right-angled weld with toes at (60, 60) and (180, 180)."""
    y, x = np.mgrid[:240, :240]
    weld = (x >= 60) & (y <= 180) & (x <= y)
    air = ((x > y) & (y <= 180) & (x >= 60)) | ((y < 60) & (x >= 60))
    regions: Float32Array = np.stack([air, weld, ~air & ~weld, np.zeros_like(air)]).astype(np.float32)
    face = np.linspace((60.0, 60.0), (180.0, 180.0), 170)
    fusion = np.vstack(
        [np.linspace((180.0, 180.0), (60.0, 180.0), 120), np.linspace((60.0, 180.0), (60.0, 60.0), 120)]
    )
    return maps_of(regions), face, fusion


def test_points_are_told_apart_as_face_and_boundary() -> None:
    maps, face, fusion = _weld_maps()
    on_face, outside, on_fusion, deep = (120.0, 122.0), (140.0, 115.0), (62.0, 120.0), (40.0, 130.0)
    of_fusion, of_face = split_hints(Hints(through=(on_face, outside, on_fusion, deep)), maps, face, fusion)
    assert of_face is not None
    assert of_fusion is not None
    assert of_face.through == (on_face, outside)
    assert of_fusion.through == (on_fusion, deep)


def test_a_toe_parts_face_and_boundary_anew() -> None:
    maps, face, fusion = _weld_maps()
    # The true toe lies 40 px down what the network takes for fusion boundary: over it there is face.
    point = (61.0, 75.0)
    _, of_face = split_hints(Hints(through=(point,)), maps, face, fusion)
    assert of_face is None
    _, of_face = split_hints(Hints(through=(point,), toes=((60.0, 100.0),)), maps, face, fusion)
    assert of_face is not None
    assert of_face.through == (point,)
