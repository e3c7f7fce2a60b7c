"""Centre lines: lengths and curvature against closed forms and against numerical differentiation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wlmeasure.errors import PhantomError
from wlmeasure.phantom.anatomy import SHAPES, canal_axis
from wlmeasure.phantom.curve import Bend, curve_from_bends, curve_from_curvature


def test_a_quarter_circle_ends_where_it_must():
    curve = curve_from_bends([Bend(2.0), Bend(0.5 * np.pi * 3.0, 1 / 3.0)], start_mm=(1.0, 2.0, 3.0))
    np.testing.assert_allclose(curve.points_mm[-1], [1.0 + 3.0, 2.0, 3.0 - 2.0 - 3.0], atol=1e-9)
    np.testing.assert_allclose(curve.tangents[-1], [1.0, 0.0, 0.0], atol=1e-9)
    assert curve.length_mm == pytest.approx(2.0 + 1.5 * np.pi)


def test_a_bend_out_of_the_plane_turns_towards_its_direction():
    curve = curve_from_bends([Bend(0.5 * np.pi * 3.0, 1 / 3.0, 90.0)])
    np.testing.assert_allclose(curve.points_mm[-1], [0.0, -3.0, -3.0], atol=1e-9)  # second normal = tangent x first


def test_a_helix_comes_out_of_its_curvature():
    """Radius 2, rise 1 per radian: kappa = r / (r^2 + c^2) = 0.4, torsion c / (r^2 + c^2) = 0.2; the frame does not twist,
    so that the curvature's direction turns by the torsion."""
    arc = np.linspace(0.0, 12.0, 2401)
    middle = 0.5 * (arc[1:] + arc[:-1])
    curve = curve_from_curvature(arc, 0.4 * np.cos(0.2 * middle), 0.4 * np.sin(0.2 * middle))
    # On a helix the tangent keeps its angle to the axis, which is the direction of torsion * tangent + kappa * binormal.
    t = curve.tangents
    axis = 0.2 * t[0] + 0.4 * np.cross(t[0], [1.0, 0.0, 0.0])
    axis /= np.linalg.norm(axis)
    np.testing.assert_allclose(t @ axis, 0.2 / np.hypot(0.2, 0.4), atol=1e-6)
    along = (curve.points_mm - curve.points_mm[0]) @ axis
    assert along[-1] == pytest.approx(12.0 / np.sqrt(5.0), abs=1e-5)


@settings(max_examples=40)
@given(st.integers(0, 10**6), st.sampled_from(SHAPES))
def test_arc_length_and_curvature_are_those_of_the_points(seed, shape):
    """Chords add up to the length; the angle between neighbouring chords is the curvature times their length."""
    curve = canal_axis(np.random.default_rng(seed), shape=shape)
    chords = np.diff(curve.points_mm, axis=0)
    steps = np.linalg.norm(chords, axis=1)
    assert steps.sum() == pytest.approx(curve.length_mm, rel=2e-5)
    assert np.diff(curve.arc_mm).sum() == pytest.approx(curve.length_mm, rel=1e-12)
    np.testing.assert_allclose(np.linalg.norm(curve.tangents, axis=1), 1.0, atol=1e-9)
    unit = chords / steps[:, None]
    # Twice the arc sine of half the chord between directions: well behaved for small angles.
    turning = 2.0 * np.arcsin(0.5 * np.linalg.norm(np.diff(unit, axis=0), axis=1))
    numeric = turning / (0.5 * (steps[1:] + steps[:-1]))
    # A value is that of the step that ends at its point: the mean of two steps stands for the corner between them.
    kappa = curve.kappa_per_mm[1:]
    stated = (kappa[:-1] * steps[:-1] + kappa[1:] * steps[1:]) / (steps[1:] + steps[:-1])
    # Lines and arcs to numerical noise; where a free curve's bend turns over within a step, two vectors partly cancel.
    assert np.abs(numeric - stated).max() < (0.03 if shape == "spline" else 2e-3) * max(stated.max(), 0.1)
    assert np.abs(numeric - stated).mean() < 1e-3 * max(stated.max(), 0.1)
    if shape == "straight":
        assert not curve.kappa_per_mm.any()


@settings(max_examples=20)
@given(st.integers(0, 10**6))
def test_a_moved_curve_keeps_length_and_curvature(seed):
    rng = np.random.default_rng(seed)
    curve = canal_axis(rng)
    rotation, _ = np.linalg.qr(rng.standard_normal((3, 3)))
    moved = curve.moved(rotation, (1.0, 2.0, 3.0))
    assert moved.length_mm == curve.length_mm
    np.testing.assert_allclose(
        moved.points_mm[-1] - moved.points_mm[0], rotation @ (curve.points_mm[-1] - curve.points_mm[0])
    )


def test_a_cut_curve_ends_there_and_an_extended_one_goes_on_straight():
    curve = curve_from_bends([Bend(5.0), Bend(5.0, 0.2)])
    cut = curve.cut(7.3)
    assert cut.length_mm == pytest.approx(7.3)
    np.testing.assert_allclose(cut.points_mm[-1], curve.at([7.3])[0])
    np.testing.assert_allclose(curve.at([-2.0]), [[0.0, 0.0, 2.0]], atol=1e-12)
    np.testing.assert_allclose(curve.at([11.0])[0] - curve.points_mm[-1], curve.tangents[-1], atol=1e-9)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: curve_from_bends([]), "bends must hold at least one stretch"),
        (lambda: curve_from_bends([Bend(0.0)]), "length_mm must be > 0: 0"),
        (lambda: curve_from_bends([Bend(1.0, -0.1)]), "kappa_per_mm must be >= 0: -0.1; turn direction_deg by 180"),
        (lambda: curve_from_curvature([0.0, 1.0, 1.0], [0, 0], [0, 0]), "arc_mm must be two or more rising numbers"),
        (lambda: curve_from_curvature([0.0, 1.0], [0, 0], [0]), "k1 and k2 must hold one value a step, 1: got"),
        (lambda: canal_axis(np.random.default_rng(0), shape="round"), "shape must be one of straight, J, C, S, spline"),
    ],
)
def test_what_is_no_curve_is_refused(make, message):
    with pytest.raises(PhantomError, match=message):
        make()
