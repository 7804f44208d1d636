"""Who has a photo: one window at a time, and none for ever."""

import pytest

from macrocheck.review.holding import CLAIM_S, Hold
from macrocheck.review.refusal import RefusedError


class Clock:
    now = 1000.0

    def __call__(self) -> float:
        return self.now


def test_a_window_that_says_nothing_more_loses_the_photo() -> None:
    clock = Clock()
    hold = Hold(clock)
    assert hold.by() is None
    hold.claim("window0001", "Kim")
    clock.now += CLAIM_S - 1
    with pytest.raises(RefusedError) as refused:
        hold.claim("window0002", "")
    assert refused.value.code == "held"
    hold.claim("window0001", "Kim")  # it says so again
    clock.now += CLAIM_S - 1
    with pytest.raises(RefusedError):
        hold.check("window0002")
    clock.now += 2
    assert hold.by() is None
    hold.claim("window0002", "")
    held = hold.by()
    assert held is not None
    assert held["window"] == "window0002"


def test_taken_over_it_is_the_others() -> None:
    hold = Hold(Clock())
    hold.claim("window0001", "")
    hold.claim("window0002", "", take_over=True)
    with pytest.raises(RefusedError):
        hold.check("window0001")
    hold.release("window0001")
    hold.check("window0002")
    assert hold.release("window0002") == {"held_by": None}
    hold.check("window0001")
