"""The baselines on a weld that any method must get right, and the chance they are given."""

import cv2
import numpy as np
import pytest

from tests.bench.baselines import METHODS, baseline_row, region_outline, view_of
from tests.bench.cases import Case, CaseWeld, load_case


def easy_case() -> Case:
    """A true outline of the own family painted in one tone on another, with a little noise."""
    case = load_case("own", "fair", 40001)
    rng = np.random.default_rng(0)
    flat = np.full(case.rgb.shape, 70, np.uint8)
    polygon = np.rint(case.welds[0].polygon_px * 16).astype(np.int32)
    cv2.fillPoly(flat, [polygon], (190, 180, 170), lineType=cv2.LINE_AA, shift=4)
    noisy = np.clip(flat + rng.normal(0, 4, flat.shape), 0, 255).astype(np.uint8)
    return Case("own", "fair", 40001, noisy, case.joint, case.mm_per_px, case.mark, case.welds[:1])


@pytest.mark.parametrize("name", METHODS)
def test_an_easy_weld(name: str) -> None:
    row = baseline_row(easy_case(), 0, name, METHODS[name])
    assert row["found"], row
    # where it blurs first, GrabCut takes the blurred rim, 3 px wide here, for background
    least, most = (0.94, 0.06) if "blurred" in name else (0.97, 0.04)
    assert row["off"]["iou"] > least
    assert row["off"]["fusion_median"] < most
    assert row["pixels"] <= 1_000_000


def test_the_chance_given() -> None:
    case = easy_case()
    weld: CaseWeld = case.welds[0]
    view = view_of(case.rgb, weld, pixels=100_000)
    assert view.rgb.shape[0] * view.rgb.shape[1] <= 101_000
    corners = view.to_photo(np.array([view.box[:2], view.box[2:]], dtype=np.float64))
    assert (corners[0] <= weld.polygon_px.min(axis=0) + 1).all()
    assert (corners[1] >= weld.polygon_px.max(axis=0) - 1).all()
    seeds = view.to_photo(np.argwhere(view.stroke)[:, ::-1].astype(np.float64))
    inside = [
        cv2.pointPolygonTest(weld.polygon_px.astype(np.float32), (float(x), float(y)), False) for x, y in seeds
    ]
    assert min(inside) > 0


def test_a_perfect_region_is_no_distance_away() -> None:
    case = easy_case()

    whole = view_of(case.rgb, case.welds[0], pixels=10**8)
    metal = np.asarray(case.rgb[..., 0] > 130)
    region = metal[
        whole.corner[1] : whole.corner[1] + whole.rgb.shape[0],
        whole.corner[0] : whole.corner[0] + whole.rgb.shape[1],
    ]
    line = region_outline(region, whole)
    assert line is not None
    # half a pixel of staircase at the most
    low, high = case.welds[0].polygon_px.min(axis=0), case.welds[0].polygon_px.max(axis=0)
    assert line.min(axis=0) == pytest.approx(low, abs=1.0)
    assert line.max(axis=0) == pytest.approx(high, abs=1.0)
    assert region_outline(np.zeros_like(region), whole) is None
