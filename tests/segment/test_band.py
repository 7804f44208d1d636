"""The best path, against Dijkstra's of SciPy, and the band's geometry by hand."""

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra

from macrocheck.segment.band import Band, along, best_path, normals_of
from macrocheck.segment.boundary import _two_state
from macrocheck.segment.chains import resample, smooth_open


@pytest.mark.parametrize("seed", range(4))
def test_best_path_is_the_cheapest(seed: int) -> None:
    # Outside check: scipy.sparse.csgraph.dijkstra on the same graph finds no cheaper path.
    rng = np.random.default_rng(seed)
    n, k, reach, stiffness = 12, 9, 2, 0.4
    cost = rng.uniform(0.1, 3, (n, k))
    path = best_path(cost, stiffness=stiffness, reach=reach)
    own = cost[np.arange(n), path].sum() + stiffness * (np.diff(path) ** 2).sum()
    rows, columns, weights = [], [], []
    for i in range(n - 1):
        for a in range(k):
            for b in range(max(0, a - reach), min(k, a + reach + 1)):
                rows.append(1 + i * k + a)
                columns.append(1 + (i + 1) * k + b)
                weights.append(cost[i + 1, b] + stiffness * (a - b) ** 2)
    for a in range(k):
        rows.append(0)
        columns.append(1 + a)
        weights.append(cost[0, a])
    graph = coo_matrix(
        (np.array(weights), (np.array(rows), np.array(columns))), shape=(1 + n * k, 1 + n * k), dtype=np.float64
    )
    least = dijkstra(graph.tocsr(), indices=np.array([0]))[0, 1 + (n - 1) * k :].min()
    assert own == pytest.approx(least)
    assert np.abs(np.diff(path)).max() <= reach


def test_two_state_follows_evidence_but_not_a_blip() -> None:
    gain = np.full(60, -1.0)
    gain[20:45] = 1.0
    gain[30] = -1.5
    gain[5] = 2.0
    on = _two_state(gain, 1.5)
    assert np.array_equal(np.flatnonzero(on), np.arange(20, 45))


def test_normals_point_to_the_right_of_the_direction() -> None:
    line = np.column_stack([np.arange(10.0), np.zeros(10)])
    assert normals_of(line, 0) == pytest.approx(np.tile([0.0, 1.0], (10, 1)))


def test_band_reads_the_picture_where_its_points_lie() -> None:
    y, x = np.mgrid[:40, :60].astype(np.float32)
    image = 2 * x + 3 * y
    base = np.column_stack([np.linspace(10, 40, 7), np.full(7, 20.0)])
    band = Band(base, np.tile([0.0, 1.0], (7, 1)), np.arange(-3.0, 3.5, 0.5))
    p = band.points()
    assert band.grey(image) == pytest.approx(2 * p[..., 0] + 3 * p[..., 1], abs=0.1)
    assert band.at(np.full(7, 1.5))[:, 1] == pytest.approx(21.5)


def test_smoothing_keeps_ends_and_straight_lines() -> None:
    line = np.column_stack([np.linspace(0, 30, 31), np.linspace(5, 20, 31)])
    assert smooth_open(line, 3.0) == pytest.approx(line)
    assert along(np.full((20, 2), 7.0), 3.0) == pytest.approx(7.0)
    even = resample(np.array([[0.0, 0.0], [3.0, 4.0], [3.0, 10.0]]), 1.0)
    assert len(even) == 12
    assert even[5] == pytest.approx([3, 4])
