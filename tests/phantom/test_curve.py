"""Centre lines: lengths and curvature against closed forms and against numerical differentiation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import fresnel

from wlmeasure.errors import PhantomError
from wlmeasure.phantom.anatomy import SHAPES, canal_axis
from wlmeasure.phantom.curve import STEP_MM, Bend, curve_from_bends, curve_from_curvature, curve_into


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
        (lambda: curve_from_bends([Bend(1.0)], ramp_mm=-1.0), "ramp_mm must be >= 0: -1"),
        (lambda: curve_into(*[curve_from_bends([Bend(9.0)])] * 2, 9.5), "mm_from_end must leave a meeting inside both"),
        (lambda: curve_into(*[curve_from_bends([Bend(n)]) for n in (7.0, 9.0)], 1.5), "the other is 7.00 mm long"),
        (lambda: curve_into(*[curve_from_bends([Bend(9.0)])] * 2, 0.0), "mm_from_end must be > 0: 0"),
        (lambda: canal_axis(np.random.default_rng(0), shape="round"), "shape must be one of straight, J, C, S, spline"),
    ],
)
def test_what_is_no_curve_is_refused(make, message):
    with pytest.raises(PhantomError, match=message):
        make()


# --- smooth joints ------------------------------------------------------------------------------------------------------


def test_a_ramp_is_the_clothoid_of_the_book():
    """From line to arc over 2 mm: kappa = 0.25 t, so the curve there is Euler's spiral (scipy's Fresnel integrals)."""
    curve = curve_from_bends([Bend(3.0), Bend(6.0, 0.5)], ramp_mm=2.0)
    scale = np.sqrt(np.pi / 0.25)  # angle 0.125 t^2 = pi / 2 (t / scale)^2
    sine, cosine = fresnel(np.array([0.5, 1.0, 2.0]) / scale)
    np.testing.assert_allclose(curve.at([2.5, 3.0, 4.0])[:, 0], scale * sine, atol=1e-4)
    np.testing.assert_allclose(curve.at([2.5, 3.0, 4.0])[:, 2], -2.0 - scale * cosine, atol=1e-4)
    middle = 0.5 * (curve.arc_mm[1:] + curve.arc_mm[:-1])
    np.testing.assert_allclose(curve.kappa_per_mm[1:], np.clip(0.25 * (middle - 2.0), 0.0, 0.5), atol=3e-3)


@settings(max_examples=15)
@given(st.floats(0.2, 1.5), st.floats(0.1, 1.0), st.floats(-180.0, 180.0), st.floats(0.1, 1.0))
def test_a_ramp_leaves_length_and_turning_and_takes_the_jumps(ramp, kappa, direction, second):
    """In a plane the end direction is the sum of the arcs' angles whether curvature jumps or not; in space it is smooth."""
    bends = [Bend(2.5), Bend(2.2, kappa), Bend(1.5), Bend(2.1, second, direction), Bend(2.0)]
    sharp, smooth = (curve_from_bends(bends, ramp_mm=width) for width in (0.0, ramp))
    assert smooth.length_mm == sharp.length_mm == pytest.approx(10.3)
    assert np.abs(np.diff(smooth.kappa_per_mm)).max() <= 1.001 * max(kappa, second) * STEP_MM / ramp
    assert np.abs(np.diff(sharp.kappa_per_mm)).max() == pytest.approx(max(kappa, second))
    flat = [Bend(b.length_mm, b.kappa_per_mm, 180.0 * (b is bends[3])) for b in bends]
    ends = [curve_from_bends(flat, ramp_mm=width).tangents[-1] for width in (0.0, ramp)]
    np.testing.assert_allclose(ends[1], ends[0], atol=2e-4)
    angle = 2.2 * kappa - 2.1 * second
    np.testing.assert_allclose(ends[0], [np.sin(angle), 0.0, -np.cos(angle)], atol=1e-9)


@pytest.mark.parametrize("shape", ["J", "C", "S"])
def test_an_axis_with_a_ramp_has_no_jumps(shape):
    for seed in range(1000, 1004):
        sharp, smooth = (canal_axis(np.random.default_rng(seed), shape=shape, ramp_mm=ramp) for ramp in (0.0, 1.0))
        jump = np.abs(np.diff(sharp.kappa_per_mm)).max()
        assert np.abs(np.diff(smooth.kappa_per_mm)).max() < 2.0 * jump * STEP_MM  # two ramps may lie on one another
        assert np.linalg.norm(np.diff(smooth.points_mm, axis=0), axis=1).sum() == pytest.approx(
            smooth.length_mm, rel=2e-5
        )


# --- one curve into another ---------------------------------------------------------------------------------------------


def test_two_straight_lines_meet_as_by_hand():
    """Lines 2 mm apart, meeting 3 mm before the end of 12: offset y(s) = 2 (1 - 10 u^3 + 15 u^4 - 6 u^5), u = s / 9."""
    trunk = curve_from_bends([Bend(12.0)])
    other = curve_from_bends([Bend(11.5)], start_mm=(0.0, 2.0, 0.0))
    curve, shared = curve_into(other, trunk, 3.0)
    assert shared == pytest.approx(3.0, abs=0.5 * STEP_MM)
    meeting = 12.0 - shared
    slope = lambda s: 2.0 * -30.0 * (s / meeting) ** 2 * (1.0 - s / meeting) ** 2 / meeting  # noqa: E731
    own = quad(lambda s: np.hypot(1.0, slope(s)), 0.0, meeting, epsabs=1e-12)[0]
    assert curve.length_mm == pytest.approx(own + shared, abs=1e-6)
    u = -curve.points_mm[:, 2] / meeting
    inside = u < 1.0
    expected = 2.0 * (1.0 - 10.0 * u**3 + 15.0 * u**4 - 6.0 * u**5)
    np.testing.assert_allclose(curve.points_mm[inside, 1], expected[inside], atol=1e-9)
    second = 2.0 * -60.0 * (u - 3.0 * u**2 + 2.0 * u**3) / meeting**2
    kappa = np.abs(second) / np.hypot(1.0, slope(u * meeting)) ** 3
    np.testing.assert_allclose(curve.kappa_per_mm[1:][inside[1:]], kappa[1:][inside[1:]], atol=3e-3)
    np.testing.assert_array_equal(curve.points_mm[~inside], trunk.points_mm[-(~inside).sum() :])
    assert not curve.kappa_per_mm[~inside][1:].any()
    np.testing.assert_allclose(curve.tangents[0], [0.0, 0.0, -1.0], atol=1e-12)


@settings(max_examples=15)
@given(st.integers(0, 10**6), st.floats(1.2, 5.0), st.sampled_from([0.0, 1.0]))
def test_a_joined_curve_is_one_curve(seed, before, ramp):
    """Its chords add up to its length, their turning is its curvature, and from the meeting on it is the trunk."""
    rng = np.random.default_rng(seed)
    trunk = canal_axis(rng, ramp_mm=ramp)
    other = trunk.moved(np.eye(3), (0.3, 2.0, 0.1)).cut(0.95 * trunk.length_mm)
    curve, shared = curve_into(other, trunk, before)
    assert abs(shared - before) <= STEP_MM
    chords = np.diff(curve.points_mm, axis=0)
    steps = np.linalg.norm(chords, axis=1)
    assert steps.sum() == pytest.approx(curve.length_mm, rel=2e-5)
    unit = chords / steps[:, None]
    turning = 2.0 * np.arcsin(0.5 * np.linalg.norm(np.diff(unit, axis=0), axis=1))
    kappa = curve.kappa_per_mm[1:]
    numeric = turning / (0.5 * (steps[1:] + steps[:-1]))
    stated = (kappa[:-1] * steps[:-1] + kappa[1:] * steps[1:]) / (steps[1:] + steps[:-1])
    assert np.abs(numeric - stated).mean() < 1e-3 * max(stated.max(), 0.1)
    np.testing.assert_allclose(np.linalg.norm(curve.tangents, axis=1), 1.0, atol=1e-9)
    np.testing.assert_allclose(np.einsum("ij,ij->i", curve.tangents[1:], unit), 1.0, atol=2e-3)
    tail = trunk.arc_mm >= trunk.length_mm - shared - 1e-9
    np.testing.assert_array_equal(curve.points_mm[-tail.sum() :], trunk.points_mm[tail])
    np.testing.assert_allclose(curve.points_mm[0], other.points_mm[0])
    np.testing.assert_allclose(curve.tangents[0], other.tangents[0], atol=1e-12)
