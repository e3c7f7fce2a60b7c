"""The foot of a reference point on a shaft, by hand geometry and by laws of turned, enlarged and unequally sampled pictures."""

from __future__ import annotations

from math import atan2, cos, hypot, radians, sin, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.errors import TraceError
from wlmeasure.trace.reference_foot import reference_foot
from wlmeasure.trace.spline import arc_length


def length(path: object) -> float:
    return float(arc_length(np.asarray(path))[-1])


def test_beside_a_straight_shaft() -> None:
    """Down column 50; a cusp 30 to its side at row 40: the foot is (40, 50), whatever lies above it."""
    found = reference_foot([[10, 50], [100, 50], [410, 50]], [40, 80])
    assert found.foot_px == pytest.approx([40, 50])
    assert found.beside_px == pytest.approx(30.0)
    assert found.ahead_px == 0.0
    assert length(found.path_px) == pytest.approx(370.0)
    assert found.path_px[-1] == pytest.approx([410, 50])


def test_at_an_angle() -> None:
    """A shaft along (4, 3): (0, 25) is 15 down its line from the origin, and 20 beside it."""
    found = reference_foot([[-40, -30], [400, 300]], [0, 25])
    assert found.foot_px == pytest.approx([12, 9])
    assert found.beside_px == pytest.approx(20.0)
    assert length(found.path_px) == pytest.approx(500.0 - 15.0)


def test_in_unequal_pixels_the_perpendicular_is_that_of_the_patient() -> None:
    """Columns twice as wide as rows. A shaft of 45 degrees in the patient runs (2, 1) in pixels; (0, 10) is (0, 20) there, and
    its foot (10, 10), which is (10, 5) in pixels. In pixels alone it would be (4, 2)."""
    found = reference_foot([[-20, -10], [200, 100]], [0, 10], col_over_row=2.0)
    assert found.foot_px == pytest.approx([10, 5])
    assert found.beside_px == pytest.approx(10.0 * sqrt(2.0))


def test_on_a_curved_shaft() -> None:
    """A quarter of a circle of 200 about (0, 0), from (0, 200) on: a point at 30 degrees and radius 260 has its foot at 30.

    The circle is given by chords, along which a foot may be off by the chord's turn times the distance beside it.
    """
    turn = np.radians(np.linspace(0.0, 90.0, 2001))
    arc = 200.0 * np.column_stack([np.sin(turn), np.cos(turn)])
    found = reference_foot(arc, 260.0 * np.array([sin(radians(30.0)), cos(radians(30.0))]))
    assert found.foot_px == pytest.approx([100.0, 200.0 * cos(radians(30.0))], abs=0.02)
    assert found.beside_px == pytest.approx(60.0, abs=0.02)
    assert length(found.path_px) == pytest.approx(200.0 * radians(60.0), abs=0.02)


def test_above_the_first_point_the_shaft_goes_on_straight() -> None:
    """As its first tenth runs, not as the first two points of a traced path happen to lie."""
    path = np.column_stack([np.linspace(20.0, 420.0, 801), np.full(801, 50.0)])
    path[1] = path[0] + (0.0, 0.4)  # straight to the side
    found = reference_foot(path, [8, 70])
    assert found.foot_px == pytest.approx([8.0, 50.0], abs=1e-9)
    assert found.ahead_px == pytest.approx(12.0)
    assert found.beside_px == pytest.approx(20.0)
    assert length(found.path_px) == pytest.approx(412.0, abs=0.5)


def test_a_foot_on_the_first_point_leaves_the_path_as_it_is() -> None:
    path = [[20.0, 50.0], [420.0, 50.0]]
    found = reference_foot(path, [20, 90])
    assert length(found.path_px) == pytest.approx(400.0)
    assert found.ahead_px == 0.0


POINT = st.tuples(st.floats(-60.0, 200.0), st.floats(-120.0, 120.0))


@given(reference=POINT, turn=st.floats(0.0, 360.0), factor=st.floats(0.2, 5.0), shift=POINT)
def test_turned_moved_and_enlarged(
    reference: tuple[float, float], turn: float, factor: float, shift: tuple[float, float]
) -> None:
    """The foot turns, moves and grows with the picture."""
    t = np.linspace(0.0, 1.0, 41)
    path = np.column_stack([400.0 * t, 40.0 * t**2])
    rotation = np.array([[cos(radians(turn)), sin(radians(turn))], [-sin(radians(turn)), cos(radians(turn))]])

    def moved(points: object) -> np.ndarray:
        return factor * np.asarray(points) @ rotation + shift

    here, there = reference_foot(path, reference), reference_foot(moved(path), moved(reference))
    assert there.foot_px == pytest.approx(moved(here.foot_px), abs=1e-6)
    assert there.beside_px == pytest.approx(factor * here.beside_px, abs=1e-6)
    assert there.ahead_px == pytest.approx(factor * here.ahead_px, abs=1e-6)


@given(reference=POINT, ratio=st.floats(0.4, 2.5))
def test_the_shape_of_the_pixels_changes_nothing_in_the_patient(reference: tuple[float, float], ratio: float) -> None:
    t = np.linspace(0.0, 1.0, 41)
    path = np.column_stack([400.0 * t, 40.0 * t**2])
    square = reference_foot(path, reference)
    other = reference_foot(path / (1.0, ratio), np.array(reference) / (1.0, ratio), col_over_row=ratio)
    assert other.foot_px * (1.0, ratio) == pytest.approx(square.foot_px, abs=1e-6)
    assert other.beside_px == pytest.approx(square.beside_px, abs=1e-6)


@given(reference=POINT, tilt=st.floats(-70.0, 70.0))
def test_what_is_cut_off_ends_at_a_right_angle(reference: tuple[float, float], tilt: float) -> None:
    """On a straight shaft the way from the foot to the point is square to it, and the two lengths make up the whole."""
    ahead = np.array([cos(radians(tilt)), sin(radians(tilt))])
    path = np.array([[0.0, 0.0], 500.0 * ahead])
    found = reference_foot(path, reference)
    across = np.asarray(reference) - found.foot_px
    assert float(across @ ahead) == pytest.approx(0.0, abs=1e-6)
    assert length(found.path_px) == pytest.approx(500.0 - float(np.asarray(reference) @ ahead), abs=1e-6)
    assert hypot(*across) == pytest.approx(found.beside_px, abs=1e-6)
    assert atan2(*(found.path_px[-1] - found.path_px[0])) == pytest.approx(atan2(*ahead), abs=1e-9)


@pytest.mark.parametrize(
    ("path", "reference", "says"),
    [
        ([[10, 50], [410, 50]], [405, 60], "its foot is at the tip"),
        ([[10, 50], [410, 50]], [500, 60], "its foot is at the tip"),
        ([[10, 50], [10, 50]], [10, 60], "must not be one point"),
        ([[10, 50], [410, 50]], [float("nan"), 60], "reference_px must be finite"),
        ([[10, 50]], [10, 60], "at least 2 points"),
    ],
)
def test_refusals(path: object, reference: object, says: str) -> None:
    with pytest.raises(TraceError, match=says):
        reference_foot(path, reference)


def test_a_ratio_that_none_has() -> None:
    with pytest.raises(TraceError, match="col_over_row must be > 0"):
        reference_foot([[10, 50], [410, 50]], [40, 60], col_over_row=0.0)
