"""Open chains of points."""

import numpy as np
import pytest
from shapely import LineString

from macrocheck.segment.chains import resample, without_loops


def test_a_small_loop_is_cut_off_where_the_chain_crosses_itself() -> None:
    # Along y = 0, round a loop above x = 10 and on: the crossing at (10, 0) stays, the loop goes.
    chain = np.array([[0.0, 0.0], [12.0, 0.0], [12.0, 3.0], [10.0, 3.0], [10.0, -4.0], [30.0, -4.0]])
    rows = np.column_stack([resample(chain, 0.7), np.ones(len(resample(chain, 0.7)))])
    left = without_loops(rows, 15.0)
    assert not LineString(rows[:, :2]).is_simple
    assert LineString(left[:, :2]).is_simple
    # Without the loop's 2 + 3 + 2 + 3 mm.
    assert LineString(left[:, :2]).length == pytest.approx(LineString(rows[:, :2]).length - 10.0, abs=0.5)
    assert left[0] == pytest.approx(rows[0])
    assert left[-1] == pytest.approx(rows[-1])


def test_a_long_loop_and_a_chain_without_one_stay() -> None:
    chain = resample(np.array([[0.0, 0.0], [12.0, 0.0], [12.0, 3.0], [10.0, 3.0], [10.0, -4.0], [30.0, -4.0]]), 0.7)
    assert without_loops(chain, 5.0) is chain
    plain = resample(np.array([[0.0, 0.0], [12.0, 0.0], [30.0, 9.0]]), 0.7)
    assert without_loops(plain, 100.0) is plain
