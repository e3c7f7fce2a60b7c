"""The cheapest path, against scikit-image's own search on the same cost."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.graph import route_through_array

from wlmeasure.trace.path import PathTree, minimal_path


def cost_of(cost: NDArray[np.float64], path: NDArray[np.intp]) -> float:
    """Sum over the steps of their length times the mean cost of the two cells."""
    at = cost[tuple(path.T)]
    return float(np.sum(np.hypot(*np.diff(path, axis=0).T) * 0.5 * (at[1:] + at[:-1])))


@pytest.mark.parametrize("seed", range(4))
def test_as_cheap_as_route_through_array(seed: int) -> None:
    cost = np.random.default_rng(seed).uniform(0.03, 1.0, (90, 60))
    start, end = (5, 3), (80, 51)
    route, price = route_through_array(cost, start, end, fully_connected=True, geometric=True)
    path = minimal_path(cost, [start, end])
    assert cost_of(cost, path) == pytest.approx(cost_of(cost, np.array(route)), rel=1e-9)
    assert cost_of(cost, path) == pytest.approx(float(price), rel=1e-9)
    tree = PathTree(cost, start).path_to(end)
    assert cost_of(cost, tree) == pytest.approx(cost_of(cost, path), rel=1e-9)
    for found in (path, tree):
        assert (tuple(found[0]), tuple(found[-1])) == (start, end)
        assert np.abs(np.diff(found, axis=0)).max() == 1


def test_one_tree_serves_every_end() -> None:
    cost = np.random.default_rng(9).uniform(0.03, 1.0, (40, 50))
    tree = PathTree(cost, (20, 25))
    for end in ((0, 0), (39, 49), (20, 25), (3, 47)):
        expected = minimal_path(cost, [(20, 25), end])
        assert cost_of(cost, tree.path_to(end)) == pytest.approx(cost_of(cost, expected), abs=1e-9)


def test_a_tree_of_the_cheapest_cells_holds_their_paths() -> None:
    """A fifth of the cells; what is reached is as cheap as over all of them, and the dearest cell is not reached."""
    cost = np.random.default_rng(9).uniform(0.03, 1.0, (60, 50))
    whole, first = PathTree(cost, (20, 25)), PathTree(cost, (20, 25), share=0.2)
    cells = [(r, c) for r in range(60) for c in range(50)]
    reached = [cell for cell in cells if first.reaches(cell)]
    assert 0.15 * len(cells) < len(reached) <= 0.2 * len(cells)
    for end in reached[::20]:
        assert cost_of(cost, first.path_to(end)) == pytest.approx(cost_of(cost, whole.path_to(end)), abs=1e-9)
    assert all(whole.reaches(cell) for cell in cells)
    assert not first.reaches(max(cells, key=lambda end: cost_of(cost, whole.path_to(end))))


def test_through_the_clicks_in_their_order() -> None:
    """No cell twice in a row where two pieces meet; the price is the sum of the pieces."""
    cost = np.random.default_rng(5).uniform(0.03, 1.0, (60, 60))
    cells = [(5, 5), (50, 20), (10, 55)]
    path = minimal_path(cost, cells)
    where = [int(np.flatnonzero((path == cell).all(axis=1))[0]) for cell in cells]
    assert where == sorted(where)
    assert (np.abs(np.diff(path, axis=0)).max(axis=1) == 1).all()
    pieces = [minimal_path(cost, cells[k : k + 2]) for k in (0, 1)]
    assert cost_of(cost, path) == pytest.approx(sum(cost_of(cost, piece) for piece in pieces), rel=1e-9)


def test_the_detour_over_cheap_cells() -> None:
    """By hand: straight across costs 10; the trench around costs 0.05 a cell."""
    cost = np.ones((7, 12))
    cost[1, :] = cost[:5, 0] = cost[:5, 11] = 0.05
    path = minimal_path(cost, [(4, 0), (4, 11)])
    assert path[:, 0].min() == 1
    assert cost_of(cost, path) < 1.0
