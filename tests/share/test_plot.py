"""Axes: round ticks, and places by proportion."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.share.plot import Axes, mark, ticks


@pytest.mark.parametrize(
    ("low", "high", "most", "expected"),
    [
        (0.0, 1.0, 6, (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)),
        (17.5, 22.0, 6, (18.0, 19.0, 20.0, 21.0, 22.0)),
        (0.0, 7.3, 6, (0.0, 2.0, 4.0, 6.0)),
        (-3.0, 3.0, 4, (-2.0, 0.0, 2.0)),
    ],
)
def test_ticks_by_hand(low, high, most, expected):
    assert ticks(low, high, most) == pytest.approx(expected)


@given(st.floats(-100, 100), st.floats(0.01, 200), st.integers(4, 12))
def test_ticks_are_few_even_and_within(low, span, most):
    found = ticks(low, low + span, most)
    assert len(found) <= most
    assert all(low - 1e-6 * span <= v <= low + span + 1e-6 * span for v in found)
    steps = [b - a for a, b in pairwise(found)]
    assert all(step == pytest.approx(steps[0]) for step in steps)
    assert len(found) >= 1


def test_places_are_by_proportion_with_y_up():
    axes = Axes(10.0, 110.0, 20.0, 220.0, 0.0, 10.0, 5.0, 15.0)
    assert (axes.x(0.0), axes.x(10.0), axes.x(2.5)) == (10.0, 110.0, 35.0)
    assert (axes.y(5.0), axes.y(15.0), axes.y(10.0)) == (220.0, 20.0, 120.0)


def test_marks_differ_in_form():
    kinds = ("square", "disc", "ring", "diamond", "triangle", "cross")
    assert len({repr(mark(kind, 0.0, 0.0, "#000")) for kind in kinds}) == len(kinds)
