"""Splines and arc length, against scipy and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import BSpline
from scipy.special import ellipe

from wlmeasure.trace.spline import arc_length, basis, resample, smooth_line


@pytest.mark.parametrize("spans", [1, 2, 5, 13])
def test_basis_is_scipys(spans: int) -> None:
    t = np.linspace(0.0, 1.0, 301)
    knots = np.concatenate([np.zeros(3), np.linspace(0.0, 1.0, spans + 1), np.ones(3)])
    expected = BSpline.design_matrix(t, knots, 3).toarray()
    assert basis(t, spans) == pytest.approx(expected, abs=1e-13)


@given(t=st.lists(st.floats(0.0, 1.0), min_size=1, max_size=20), spans=st.integers(1, 20))
def test_basis_shares_one(t: list[float], spans: int) -> None:
    values = basis(np.array(t), spans)
    assert values.sum(axis=1) == pytest.approx(np.ones(len(t)))
    assert float(values.min()) >= -1e-15


@pytest.mark.parametrize(("a", "b"), [(10.0, 10.0), (10.0, 6.0), (14.0, 3.0)])
def test_quarter_of_an_ellipse(a: float, b: float) -> None:
    """Complete elliptic integral of the second kind: a E(1 - b^2 / a^2)."""
    at = np.linspace(0.0, np.pi / 2.0, 4001)
    points = np.column_stack([a * np.cos(at), b * np.sin(at)])
    length = float(a * ellipe(1.0 - b * b / (a * a)))
    assert arc_length(points)[-1] == pytest.approx(length, rel=1e-6)
    smooth = smooth_line(points[::40], 8, 2000)
    assert arc_length(smooth)[-1] == pytest.approx(length, rel=5e-4)


def test_arc_length_by_hand() -> None:
    assert arc_length(np.array([[0.0, 0.0], [3.0, 4.0], [3.0, 4.0], [6.0, 0.0]])) == pytest.approx(
        [0.0, 5.0, 5.0, 10.0]
    )


def test_resampling_keeps_ends_and_spaces_equally() -> None:
    points = np.array([[0.0, 0.0], [0.0, 7.0], [2.0, 7.0], [2.0, 8.0]])
    even = resample(points, 21)
    assert even[[0, -1]] == pytest.approx(points[[0, -1]])
    assert even[7] == pytest.approx([0.0, 3.5])
    assert np.hypot(*np.diff(even[:14], axis=0).T) == pytest.approx(np.full(13, 0.5))


def test_a_cubic_comes_back_exactly() -> None:
    """A polynomial of degree three is a spline; it is found where the points lie evenly along it."""
    at = np.linspace(0.0, 1.0, 60)
    line = np.column_stack([20.0 * at, 0.0 * at])
    assert smooth_line(line, 4, 60) == pytest.approx(line, abs=1e-6)


@given(angle=st.floats(0.0, 6.3), spans=st.integers(1, 10), noise=st.floats(0.0, 0.3), seed=st.integers(0, 1000))
def test_smoothing_keeps_the_ends_and_turns_with_the_points(angle: float, spans: int, noise: float, seed: int) -> None:
    points = np.column_stack([np.linspace(0.0, 12.0, 50), np.random.default_rng(seed).normal(0.0, noise, 50)])
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    line = smooth_line(points, spans, 80)
    assert line[[0, -1]] == pytest.approx(points[[0, -1]], abs=1e-9)
    assert smooth_line(points @ turn + 3.0, spans, 80) == pytest.approx(line @ turn + 3.0, abs=1e-4)
    assert smooth_line(points[::-1], spans, 80)[::-1] == pytest.approx(line, abs=1e-3)


def test_noise_does_not_lengthen_a_smooth_line() -> None:
    """200 points of 0.05 mm noise on a straight 12 mm: their polyline is longer by millimetres, the spline by hundredths."""
    rng = np.random.default_rng(0)
    points = np.column_stack([np.linspace(0.0, 12.0, 200), rng.normal(0.0, 0.05, 200)])
    points[[0, -1], 1] = 0.0
    assert arc_length(points)[-1] > 14.0
    assert arc_length(smooth_line(points, 8, 400))[-1] == pytest.approx(12.0, abs=0.02)
