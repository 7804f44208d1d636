"""Paths between hints."""

import numpy as np

from macrocheck.segment.hints import Hints
from macrocheck.segment.steer import without_detours


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
