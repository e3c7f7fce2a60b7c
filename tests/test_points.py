"""Feet of points on a polyline, beside shapely and by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from shapely import LineString, Point

from wlmeasure.points import polyline_feet

number = st.integers(-50_000_000, 50_000_000).map(lambda n: n / 1e6)  # the peer fails on pieces of 1e-160
place = st.tuples(number, number)
grid = st.tuples(st.integers(-3, 3), st.integers(-3, 3))
lines = st.one_of(st.lists(place, min_size=2, max_size=12), st.lists(grid, min_size=2, max_size=12))


@given(st.lists(st.one_of(place, grid), min_size=1, max_size=6), lines)
def test_distance_and_foot_as_shapely_has_them(
    some: list[tuple[float, float]], line: list[tuple[float, float]]
) -> None:
    """Distance to 1e-9; the foot lies where shapely's lies, or another place of the line as near."""
    found = polyline_feet(some, line)
    peer = LineString(line)
    assert found.total == pytest.approx(peer.length, abs=1e-9)
    for k, point in enumerate(some):
        assert found.apart[k] == pytest.approx(peer.distance(Point(point)), abs=1e-9)
        foot = np.asarray(line)[found.piece[k]] * (1.0 - found.share[k])
        foot = foot + np.asarray(line)[min(found.piece[k] + 1, len(line) - 1)] * found.share[k]
        assert np.hypot(*(foot - point)) == pytest.approx(found.apart[k], abs=1e-9)
        assert 0.0 <= found.share[k] <= 1.0
        along = peer.interpolate(float(found.along[k]))
        assert along.distance(Point(foot)) == pytest.approx(0.0, abs=1e-7)


@given(lines, st.floats(0.01, 40.0), st.floats(-30.0, 30.0), st.booleans())
def test_beyond_an_end_straight_on(line: list[tuple[float, float]], over: float, aside: float, last: bool) -> None:
    """A point put `over` beyond an end and `aside` of it: both come back where that end is its nearest place."""
    corners = np.asarray(line, np.float64) if last else np.asarray(line, np.float64)[::-1]
    step = corners[-1] - corners[-2]
    size = float(np.hypot(*step))
    assume(size > 1e-3)
    unit = step / size
    point = corners[-1] + over * unit + aside * np.array([-unit[1], unit[0]])
    others = LineString([*corners[:-1], corners[-1] - 1e-3 * unit])  # all of the line but its very end
    assume(others.distance(Point(point)) > np.hypot(over, aside) + 1e-9)
    found = polyline_feet(point, line)
    assert found.over[0] == pytest.approx(over if last else -over, rel=1e-6, abs=1e-6)
    assert found.aside[0] == pytest.approx(abs(aside), abs=1e-6)
    assert found.apart[0] == pytest.approx(np.hypot(over, aside), abs=1e-9)


def test_by_hand() -> None:
    """A corner of 3 and 4 with a repeated point; beside, in the corner, beyond either end."""
    line = [[0.0, 0.0], [3.0, 0.0], [3.0, 0.0], [3.0, 4.0]]
    found = polyline_feet([[1.0, -2.0], [4.0, -1.0], [-2.0, 1.0], [4.0, 6.0]], line)
    assert found.apart == pytest.approx([2.0, 2**0.5, 5**0.5, 5**0.5])
    assert found.along == pytest.approx([1.0, 3.0, 0.0, 7.0])
    assert found.over == pytest.approx([0.0, 0.0, -2.0, 2.0])
    assert found.aside == pytest.approx([2.0, 2**0.5, 1.0, 1.0])
    assert found.piece.tolist() == [0, 0, 0, 2]
    assert found.total == 7.0


def test_a_line_of_one_place_is_that_place() -> None:
    for line in ([[1.0, 2.0]], [[1.0, 2.0], [1.0, 2.0]]):
        found = polyline_feet([4.0, 6.0], line)
        assert found.apart.tolist() == found.aside.tolist() == [5.0]
        assert found.along.tolist() == found.over.tolist() == [0.0]
        assert found.total == 0.0
