"""Layouts for training: laid out without torch, each with the truth that the network is to learn."""

import subprocess
import sys

import cv2
import numpy as np
import pytest

from macrocheck.arrays import AnyArray
from macrocheck.render.raster import BACKGROUND, BUTTING, NONBUTTING, WELD
from macrocheck.train.layouts import GAP, LOOSE, VOID, batches, layout, teaches

SIZE = 96


@pytest.fixture(scope="module")
def items() -> list[dict[str, AnyArray]]:
    rng = np.random.default_rng(11)
    return [layout(rng, SIZE) for _ in range(40)]


def test_geometry_needs_no_torch() -> None:
    code = "import sys, macrocheck.train.layouts; sys.exit('torch' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_shapes(items: list[dict[str, AnyArray]]) -> None:
    for item in items:
        assert item["regions"].shape == (2 * SIZE, 2 * SIZE)
        assert item["distance"].shape == item["along"].shape == item["lines"].shape == (SIZE, SIZE)
        assert item["clutter"].shape == (SIZE, SIZE)
        assert item["points"].shape == (6, 2)
        assert set(np.unique(item["regions"])) <= {BACKGROUND, WELD, BUTTING, NONBUTTING, GAP, LOOSE, VOID}
        assert np.isfinite(item["distance"].astype(float)).all()
        assert np.isfinite(item["along"]).all()


def test_every_kind_of_region_turns_up(items: list[dict[str, AnyArray]]) -> None:
    seen = {int(v) for item in items for v in np.unique(item["regions"])}
    assert seen >= {BACKGROUND, WELD, BUTTING, NONBUTTING, VOID, LOOSE}


def test_distance_is_that_from_the_weld(items: list[dict[str, AnyArray]]) -> None:
    # External check: OpenCV's distance transform of the region map itself; both to about a pixel, since one is
    # from the outline as drawn and the other from pixels.
    checked = 0
    for item in items:
        weld = np.isin(item["regions"], (WELD, VOID))[::2, ::2]
        if weld.mean() < 0.01:
            continue
        away = cv2.distanceTransform((~weld).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
        # Towards the air the distance is from the face; inside members from the fusion boundary.
        member = np.isin(item["regions"], (BUTTING, NONBUTTING))[::2, ::2] & (away > 1) & (away < 25)
        if member.sum() < 50:
            continue
        error = np.abs(item["distance"].astype(float) - away)[member]
        assert np.median(error) < 1.1
        checked += 1
    assert checked > 20


def test_a_tees_points_lie_on_its_weld(items: list[dict[str, AnyArray]]) -> None:
    checked = 0
    for item in items:
        toes = item["points"][[1, 2]]
        inside = ((toes > 2) & (toes < SIZE - 3)).all()
        if not inside:
            continue
        weld = np.isin(item["regions"], (WELD, VOID)).astype(np.uint8)
        reach = cv2.dilate(weld, np.ones((9, 9), np.uint8))
        x, y = np.round(2 * toes + 0.5).astype(int).T
        assert reach[y, x].all()
        checked += 1
    assert checked > 10


def test_same_seed_same_layouts_and_batches_stack() -> None:
    a, b = (next(batches(np.random.default_rng([3, 0]), SIZE, 4)) for _ in range(2))
    assert all(np.array_equal(a[name], b[name]) for name in a)
    assert a["regions"].shape == (4, 2 * SIZE, 2 * SIZE)
    other = next(batches(np.random.default_rng([3, 1]), SIZE, 4))
    assert not np.array_equal(a["regions"], other["regions"])


def test_what_shows_nothing_is_left_out() -> None:
    empty = np.zeros((8, 8), np.uint8)
    assert not teaches({"regions": empty})
    half = empty.copy()
    half[:4], half[4:] = WELD, BUTTING
    assert teaches({"regions": half})
    only_weld = np.full((8, 8), WELD, np.uint8)
    assert not teaches({"regions": only_weld})
