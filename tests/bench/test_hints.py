"""The scripted person: where hints are placed, and that a picture goes through."""

import numpy as np
import pytest

from tests.bench.cases import load_case
from tests.bench.distance import dense, how_far, true_fusion
from tests.bench.hints import (
    _at_toe,
    frame_hints,
    hint_rows,
    off_stretches,
    right_hints,
    span_ends,
    true_weld_root,
    whole_hints,
    within,
)


def test_a_hint_goes_where_the_outline_is_off_most() -> None:
    true = np.column_stack([np.arange(0, 400, 0.5), np.zeros(800)])
    x = np.array([0.0, 100, 150, 200, 400])
    found = np.column_stack([np.concatenate([x, [400, 0]]), np.array([0.0, 0, 30, 0, 0, -200, -200])])
    worst = off_stretches(true, found, 0.02)
    assert len(worst) == 1
    # the perpendicular from (150, 0) to either flank is the longest there is
    assert worst[0] == pytest.approx([150, 0], abs=1.0)
    assert off_stretches(true, found, 0.002) == []


def test_distances_of_a_shifted_outline() -> None:
    case = load_case("own", "fair", 40000)
    weld = case.welds[0]
    got = how_far(weld, weld.polygon_px, case.mm_per_px)
    assert got["fusion_max"] == pytest.approx(0, abs=0.5 * case.mm_per_px)
    assert got["iou"] == pytest.approx(1)
    away = how_far(weld, weld.polygon_px + np.array([1e4, 0.0]), case.mm_per_px)
    assert away["fusion_mean"] == pytest.approx(1e4 * case.mm_per_px, rel=0.1)


def test_hints_lie_on_the_truth() -> None:
    case = load_case("own", "hard", 15000)
    size = (case.rgb.shape[1], case.rgb.shape[0])
    for weld in case.welds:
        line = dense(true_fusion(weld), closed=False)
        hints = whole_hints(weld, size)
        assert [h.partition("=")[0] for h in hints[-2:]] == ["through", "through"]
        for hint in hints[-2:]:
            at = np.array([float(v) for v in hint.partition("=")[2].split(",")])
            assert np.hypot(*(line - at).T).min() < 0.1
        assert sum(h.startswith("toe") for h in frame_hints(weld, size)) == 2
    assert len(right_hints(case, None)) == sum(len(whole_hints(w, size)) for w in case.welds if w.whole)


def test_within_tolerance_round_by_round() -> None:
    row = {"wrong": ["a"], "rounds": [{"wrong": ["b"]}, {"wrong": []}]}
    assert [within(row, k) for k in range(4)] == [False, False, True, True]
    # a flagged picture that hints make worse is not within
    assert not within({"wrong": [], "rounds": [{"wrong": ["b"]}]}, 3)


def test_one_picture() -> None:
    (row,) = hint_rows(15001, family="own", look="hard")
    assert row["state"] in {"sound", "doubtful", "wrong", "no result"}
    assert (row["state"] == "sound") == (not row["flags"] and not row["wrong"])
    if row["state"] in {"wrong", "no result"}:
        assert row["rounds"][0]["hints"]


def test_what_is_off_at_a_toe_is_clicked_as_the_toe() -> None:
    case = load_case("own", "hard", 15000)
    weld = case.welds[0]
    assert weld.toe_butting_px is not None
    toe = np.asarray(weld.toe_butting_px)
    near, far = (toe + np.array([mm / case.mm_per_px, 0.0]) for mm in (0.2, 0.4))
    assert _at_toe(near, weld, case.mm_per_px) == f"toe={toe[0]:.1f},{toe[1]:.1f}"
    assert _at_toe(far, weld, case.mm_per_px) == f"through={far[0]:.1f},{far[1]:.1f}"


def test_weld_root_and_ends_of_unfused_stretches_are_where_the_truth_has_them() -> None:
    roots, ends = [], []
    for seed in (15000, 15001, 15002, 15003):
        case = load_case("own", "hard", seed)
        for weld in case.welds:
            line = dense(true_fusion(weld), closed=False)
            root, reach = true_weld_root(weld, case.mm_per_px), weld.truth.get("root_penetration")
            if root is not None and weld.joint_root_px is not None and isinstance(reach, float) and reach > 0:
                away = float(np.hypot(*(root - np.asarray(weld.joint_root_px)))) * case.mm_per_px
                roots.append(away - reach)
            for side in ("butting", "nonbutting"):
                surface = None if weld.outline is None else getattr(weld.outline, f"surface_{side}")
                for end in span_ends(weld, side, case.mm_per_px):
                    assert surface is not None
                    assert surface.signed_distance(end[None])[0] == pytest.approx(0, abs=0.1)
                    ends.append(float(np.hypot(*(line - end).T).min()) * case.mm_per_px)
    assert roots
    assert np.abs(roots).max() < 0.1
    # fusion counts from a depth of 0.1 mm on; short of the joint root there is no boundary at one end
    assert len(ends) > 4
    assert np.median(ends) < 0.1
