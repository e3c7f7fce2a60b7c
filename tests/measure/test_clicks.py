"""Length from clicks: hand geometry, drawn canals with noise beside the polyline, laws, refusals."""

from __future__ import annotations

from collections.abc import Callable
from math import radians

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from wlmeasure.errors import MeasureError
from wlmeasure.measure.clicks import clicks_length, sparse
from wlmeasure.trace.spline import arc_length

Float64 = NDArray[np.float64]
Part = tuple[float, float]
Draw = Callable[[list[Part], int], Float64]

GENTLE: list[Part] = [(6.0, 0.0), (8.0 * radians(30.0), 1.0 / 8.0)]
SHARP: list[Part] = [(5.0, 0.0), (5.0 * radians(60.0), 1.0 / 5.0), (1.5, 0.0)]
S_SHAPE: list[Part] = [(5.0, 0.0), (4.0, 1.0 / 6.0), (1.0, 0.0), (3.5, -1.0 / 5.0)]


def noisy(draw: Draw, parts: list[Part], count: int, sigma: float, runs: int, seed: int) -> Float64:
    """Clicks of `sigma` mm along a drawn canal, the two ends exact: (runs, count, 2)."""
    error = np.random.default_rng(seed).normal(0.0, sigma, (runs, count, 2))
    error[:, [0, -1]] = 0.0
    return draw(parts, count) + error


@pytest.mark.parametrize("count", [4, 7, 15])
@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 90.0])
def test_exact_clicks_on_a_circle(draw: Draw, count: int, turn_deg: float) -> None:
    """A circle of r 5 mm costs the smooth line nothing, however few the clicks: its length is r times the angle."""
    length = 5.0 * radians(turn_deg) if turn_deg else 7.0
    found = clicks_length(draw([(length, 0.2 if turn_deg else 0.0)], count), click_std_mm=0.0)
    assert found.smooth
    assert found.length_mm == pytest.approx(length, abs=2e-4 * length)
    assert found.path_std_mm < 0.002 * length


def test_many_exact_clicks_follow_any_smooth_line(draw: Draw) -> None:
    for parts in (GENTLE, SHARP, S_SHAPE):
        found = clicks_length(draw(parts, 30), click_std_mm=1e-4)
        assert found.length_mm == pytest.approx(sum(length for length, _ in parts), abs=2e-3)


@pytest.mark.parametrize(("count", "limit_mm"), [(10, 0.024), (25, 0.015)])
def test_noisy_clicks_on_bends(draw: Draw, count: int, limit_mm: float) -> None:
    """2 px of 0.025 mm: root mean square error over both bends, no bias, intervals that hold, and the polyline beside it."""
    errors, stds, polyline = [], [], []
    for seed, parts in enumerate((GENTLE, SHARP)):
        truth = sum(length for length, _ in parts)
        for clicks in noisy(draw, parts, count, 0.05, 80, 40 + seed):
            found = clicks_length(clicks, click_std_mm=0.05)
            errors.append(found.length_mm - truth)
            stds.append(found.path_std_mm)
            polyline.append(float(arc_length(clicks)[-1]) - truth)
    rmse, peer = np.sqrt(np.mean(np.square(errors))), np.sqrt(np.mean(np.square(polyline)))
    held = np.mean(np.abs(errors) <= 1.96 * np.array(stds))
    print(
        f"\n{count} clicks: RMSE {rmse:.4f} mm, bias {np.mean(errors):+.4f}, polyline {peer:.4f}, 95 % holds {held:.3f}"
    )
    assert rmse <= limit_mm
    assert abs(np.mean(errors)) <= 0.005
    assert rmse < peer
    assert held >= 0.91
    assert np.sqrt(np.mean(np.square(stds))) < 1.4 * rmse


def test_clicks_worse_than_stated_are_seen_to_be(draw: Draw) -> None:
    """Stated at 0.5 px, clicked at 2 px: the scatter shows it, and the length is as good."""
    truth = sum(length for length, _ in SHARP)
    found = [clicks_length(clicks, click_std_mm=0.0125) for clicks in noisy(draw, SHARP, 25, 0.05, 60, 50)]
    assert np.mean([f.scatter_mm for f in found]) == pytest.approx(0.045, rel=0.25)
    assert np.sqrt(np.mean(np.square([f.length_mm - truth for f in found]))) < 0.025


@settings(max_examples=20, deadline=None)
@given(st.floats(-3.1, 3.1), st.floats(0.3, 3.0), st.booleans(), st.integers(5, 20))
def test_laws(angle: float, scale: float, mirrored: bool, count: int) -> None:
    """Turned, scaled and mirrored alike, the length scales; clicked from the other end it stays."""
    turned = np.clip(np.linspace(-6.0, 6.0, 400), 0.0, None) / 7.0
    line = np.cumsum(12.0 / 400.0 * np.exp(1j * turned))[:: 399 // (count - 1)]
    clicks = np.column_stack([line.real, line.imag]) + np.random.default_rng(count).normal(0.0, 0.03, (len(line), 2))
    rotation = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    before = clicks_length(clicks, click_std_mm=0.03)
    moved = scale * (clicks * [1.0, -1.0 if mirrored else 1.0]) @ rotation + [3.0, 7.0]
    after = clicks_length(moved, click_std_mm=0.03 * scale)
    back = clicks_length(clicks[::-1], click_std_mm=0.03)
    assert after.length_mm == pytest.approx(scale * before.length_mm, rel=1e-5)
    assert after.path_std_mm == pytest.approx(scale * before.path_std_mm, rel=1e-3)
    assert back.length_mm == pytest.approx(before.length_mm, abs=0.003)


@pytest.mark.parametrize("points", [[[0.0, 0.0], [3.0, 4.0]], [[0.0, 0.0], [3.0, 4.0], [3.0, 9.0]]])
def test_three_clicks_and_fewer_are_straight_pieces(points: list[list[float]]) -> None:
    found = clicks_length(points, click_std_mm=0.05)
    assert not found.smooth
    assert found.length_mm == 5.0 * (len(points) - 1)
    # The middle click moves its pieces by the difference of their directions, (3/5, 4/5) and (0, 1): |(0.6, -0.2)|.
    assert found.path_std_mm == pytest.approx(0.05 * np.hypot(0.6, 0.2) * (len(points) - 2), rel=1e-12)


def test_points_that_lie_along_no_line_are_straight_pieces() -> None:
    """Scattered over 30 mm: what is measured stands between the distance of the ends and the polyline."""
    rng = np.random.default_rng(8)
    for count in range(4, 24):
        points = rng.uniform(0.0, 30.0, (count, 2))
        found, along = clicks_length(points, click_std_mm=0.03), arc_length(points)[-1]
        assert np.hypot(*(points[-1] - points[0])) <= found.length_mm <= 1.11 * along
        if not found.smooth:
            assert found.length_mm == along
    assert not clicks_length([[0.0, 0.0], [9.0, 0.0], [0.0, 1.0], [9.0, 1.0], [0.0, 2.0]], click_std_mm=0.03).smooth


def test_a_point_clicked_twice_counts_once(draw: Draw) -> None:
    clicks = draw(SHARP, 10)
    twice = clicks_length(np.repeat(clicks, 2, axis=0), click_std_mm=0.03)
    assert twice == clicks_length(clicks, click_std_mm=0.03)


def test_clicks_lie_far_apart(draw: Draw) -> None:
    assert sparse(draw(GENTLE, 20))
    assert not sparse(draw(GENTLE, 40))


@pytest.mark.parametrize(
    ("points", "std", "said"),
    [
        ([[0.0, 0.0]], 0.1, "at least 2"),
        ([[1.0, 2.0], [1.0, 2.0]], 0.1, "distinct"),
        ([[1.0, 2.0], [np.nan, 2.0]], 0.1, "finite"),
        ([[1.0, 2.0], [3.0, 2.0]], -0.1, "click_std_mm"),
        ([[1.0, 2.0], [3.0, 2.0]], np.nan, "click_std_mm"),
    ],
)
def test_clicks_that_are_none_are_refused(points: object, std: float, said: str) -> None:
    with pytest.raises(MeasureError, match=said):
        clicks_length(points, click_std_mm=std)
