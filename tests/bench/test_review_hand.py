"""The scripted person: it misses by what it says, sees what is off, and counts honestly."""

import numpy as np
import pytest

from macrocheck.review import edits as e
from macrocheck.review.reduce import reduced
from tests.bench.cases import load_case
from tests.bench.review_hand import (
    JITTER_PX,
    MOST_ACTIONS,
    ON_SCREEN_PX,
    Hand,
    Looked,
    faults_of,
    jitter_px,
    summary,
)


def test_the_hand_misses_by_the_stated_distance() -> None:
    hand = Hand(0, JITTER_PX)
    off = np.asarray([hand.at((100.0, 50.0)) for _ in range(4000)]) - [100.0, 50.0]
    assert np.sqrt((off**2).sum(axis=1).mean()) == pytest.approx(JITTER_PX, rel=0.05)
    assert np.abs(off.mean(axis=0)).max() < 0.2


def test_a_spoilt_toe_is_seen_first_and_put_right_by_one_drag() -> None:
    case = load_case("own", "fair", 3)
    page = Looked(case)
    assert not any(page.wrong.values()), "choose a picture that is found well"
    weld = page.state.welds[0].now
    surface = weld.surface_nonbutting
    assert surface is not None
    far = np.asarray(weld.toe_nonbutting) - 2.0 / case.mm_per_px * np.asarray(surface.direction)
    spoilt, _ = reduced(page.state, e.MovePoint(0, "toe_nonbutting", (far[0], far[1])), 1.5, page.bench, {})
    page.see(spoilt)
    number = next(k for k, wrong in page.wrong.items() if wrong)
    hand = Hand(0, jitter_px(case.welds[number], "screen"))
    faults = faults_of(case, number, page.state, page.result, hand, [])
    assert faults[0].what in {"toe_nonbutting", "redraw face"}
    assert [f.weight for f in faults] == sorted((f.weight for f in faults), reverse=True)
    drag = next(f for f in faults if f.what == "toe_nonbutting")
    right, _ = reduced(page.state, drag.edit, 1.5, page.bench, {})
    page.see(right)
    toe = case.welds[number].toe_nonbutting_px
    assert toe is not None
    assert np.hypot(*(np.asarray(right.welds[0].now.toe_nonbutting) - toe)) < 4 * hand.jitter + 3


def test_the_screens_px_are_the_photos_where_the_weld_fills_them() -> None:
    weld = load_case("own", "fair", 3).welds[0]
    span = float(np.ptp(weld.polygon_px, axis=0).max())
    assert jitter_px(weld, "screen") == pytest.approx(JITTER_PX * span / ON_SCREEN_PX)
    assert jitter_px(weld, "photo") == JITTER_PX


def test_what_was_never_put_right_counts_as_more_than_any() -> None:
    def row(state: str, actions: int, left: list[str]) -> dict[str, object]:
        return {"state": state, "actions": ["toe_butting"] * actions, "left": left, "ms": [[10.0, 5.0]] * actions}

    rows = [row("within", 0, []), row("wrong", 1, []), row("wrong", 2, ["IoU"]), row("no result", 8, ["IoU"])]
    s = summary(rows)
    assert (s["welds"], s["wrong"], s["put_right"], s["within_3"]) == (4, 3, 1, 1)
    assert s["actions_median"] == MOST_ACTIONS + 1
