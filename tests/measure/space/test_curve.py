"""Lines from their curvature: hand geometry, derivatives, and what the prior says of canals before they are seen."""

from math import cos, pi, radians, sin

import numpy as np
import pytest

from wlmeasure.measure.space.curve import STEPS, Line, line_of, line_through, rotation, stiffness

LEANING = rotation(np.array([0.3, -0.5, 0.9]))


def arc(radius_mm, degrees, plane_deg, frame=LEANING, knots=9):
    turn = radians(degrees)
    turns = np.outer([cos(radians(plane_deg)), sin(radians(plane_deg))], np.full(knots, turn))
    return Line(np.array([1.0, -2.0, 3.0]), frame, radius_mm * turn, turns, radius_mm * turn)


@pytest.mark.parametrize("plane", [0.0, 40.0, 90.0, 200.0])
def test_an_arc_in_any_plane_lies_on_its_circle(plane):
    """r 5 mm, 60 degrees: chord 5 mm, every point 5 mm from the centre."""
    line = arc(5.0, 60.0, plane)
    points = line.points()
    assert np.linalg.norm(points[-1] - points[0]) == pytest.approx(5.0, abs=1e-9)
    towards = LEANING @ np.array([0.0, cos(radians(plane)), sin(radians(plane))])
    centre = points[0] + 5.0 * towards
    np.testing.assert_allclose(np.linalg.norm(points - centre, axis=1), 5.0, atol=1e-9)


def test_steps_are_equal_and_add_up_to_the_length():
    rng = np.random.default_rng(0)
    line = Line(np.zeros(3), LEANING, 11.0, rng.standard_normal((2, 9)), 11.0)
    steps = np.linalg.norm(np.diff(line.points(), axis=0), axis=1)
    assert steps.sum() == pytest.approx(11.0, rel=2e-3)
    assert steps.max() / steps.min() < 1.01


def test_derivatives_are_those_of_small_steps():
    rng = np.random.default_rng(1)
    line = Line(np.array([0.5, 1.0, 2.0]), LEANING, 10.0, 0.8 * rng.standard_normal((2, 7)), 10.0)
    _, _, slopes = line_of(line)
    step = 1e-5
    for k in range(line.parameters):
        change = step * (np.arange(line.parameters) == k)
        numeric = (line.moved(change).points() - line.moved(-change).points()) / (2.0 * step)
        np.testing.assert_allclose(slopes[:, :, k], numeric, atol=2e-3)


def test_a_line_through_points_of_a_curve_is_near_it():
    truth = arc(6.0, 70.0, 30.0)
    line = line_through(truth.points()[::2], 9)
    assert np.linalg.norm(line.points() - truth.points(), axis=1).max() < 0.1
    assert line.length_mm == pytest.approx(truth.length_mm, rel=5e-3)


def test_what_is_known_of_canals_before_they_are_seen():
    """Drawn from the prior at the published median length of 10.3 mm: length over chord 1.04 (median of 314 canals), and no
    sharper at its sharpest than the published 0.49 per mm in the median.
    """
    rng = np.random.default_rng(2)
    knots = 12
    back = np.linalg.inv(stiffness(knots, 10.3))
    ratios, sharpest = [], []
    for _ in range(400):
        line = Line(np.zeros(3), np.eye(3), 10.3, (back @ rng.standard_normal((knots, 2))).T, 10.3)
        points = line.points()
        ratios.append(10.3 / np.linalg.norm(points[-1] - points[0]))
        sharpest.append(np.hypot(*line.curvature_per_mm()).max())
    assert np.median(ratios) == pytest.approx(1.04, abs=0.012)
    assert 0.2 < np.median(sharpest) < 0.5


def test_a_rotation_is_that_of_its_vector():
    np.testing.assert_allclose(rotation(np.array([0.0, 0.0, pi / 2.0])) @ [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], atol=1e-12)
    assert STEPS % 2 == 0
