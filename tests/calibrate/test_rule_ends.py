"""The ends of a rule: ticks that are none, and how few ticks suffice."""

import numpy as np
import pytest

from macrocheck.calibrate.ruler_follow import _without_odd_ends


def ticks(count: int, *, noise: float, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    k = np.arange(count)
    return k, 40.0 + 58.47 * k + np.random.default_rng(seed).normal(0, noise, count)


@pytest.mark.parametrize("shift", [(-0.7, 0.0), (0.0, 0.8), (-0.7, 0.8)])
def test_edges_of_the_card_that_pass_for_ticks_are_left_out(shift: tuple[float, float]) -> None:
    k, places = ticks(12, noise=0.02)
    places[[0, -1]] += shift
    kept, at = _without_odd_ends(k, places)
    assert kept.tolist() == list(range(1 if shift[0] else 0, 11 if shift[1] else 12))
    assert len(at) == len(kept)


def test_good_ends_stay_and_few_ticks_are_left_alone() -> None:
    k, places = ticks(12, noise=0.3)
    assert len(_without_odd_ends(k, places)[0]) == 12
    k, places = ticks(6, noise=0.02)
    places[-1] += 3.0
    assert len(_without_odd_ends(k, places)[0]) == 6
