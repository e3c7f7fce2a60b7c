"""Curvature by every definition, on exact shapes of hand geometry."""

from __future__ import annotations

from collections.abc import Callable
from math import acos, atan2, cos, degrees, hypot, radians, sin

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from wlmeasure.calibration import KnownLine, calibrate_lines
from wlmeasure.errors import MeasureError
from wlmeasure.measure.curvature import (
    UNSURE_DEG,
    backman_deg_per_mm,
    circumradius_mm,
    curvature_profile,
    estrela_radius_mm,
    fit_canal,
    long_axis_deg,
    luiten_deg,
    measure_curvature,
    pruett_radius_interval_mm,
    schneider_deg,
    summed_turning_deg,
    total_turning_deg,
    weine_deg,
)
from wlmeasure.measure.line_arc import Noise, fit_line_arc
from wlmeasure.trace.spline import arc_length

Float64 = NDArray[np.float64]
Part = tuple[float, float]
Draw = Callable[[list[Part], int], Float64]


def bent(coronal: float, radius: float, alpha_deg: float, tail: float = 0.0) -> list[Part]:
    parts = [(coronal, 0.0), (radius * radians(alpha_deg), 1.0 / radius)]
    return [*parts, (tail, 0.0)] if tail else parts


# Straight part, radius, angle, tail -> Schneider, Weine = Pruett, access angle, x, y, arc, chord, curved length, straight
# length, Luiten 2/1, Luiten 2/2. Derived from the definitions; the definitions are Schneider 1971, Weine, Pruett et al. 1997
# (all from memory), Gunday et al. 2005 (abstract read), Luiten et al. 1995 (from memory).
TABLE = {
    "T3.1": ((8, 5, 30, 0), (15.0, 30, 3.650, 0.509, 7.984, 2.6180, 2.5882, 10.6180, 10.5213, 24.27, 18.54)),
    "T3.2": ((8, 5, 60, 0), (30.0, 60, 11.462, 1.590, 7.840, 5.2360, 5.0000, 13.2360, 12.5810, 54.27, 48.54)),
    "T3.3": ((8, 2, 45, 0), (22.5, 45, 3.561, 0.497, 7.985, 1.5708, 1.5307, 9.5708, 9.4324, 30.68, 17.63)),
    "T3.4": ((10, 10, 45, 0), (22.5, 45, 9.736, 1.691, 9.856, 7.8540, 7.6537, 17.8540, 17.3205, 42.14, 39.27)),
    "T3.5": ((8, 5, 60, 3), (41.168, 60, 20.235, 2.767, 7.506, 5.2360, 5.0000, 16.2360, 14.7398, 60.00, 60.00)),
    "T3.6": ((8, 2, 60, 3), (48.068, 60, 17.762, 2.441, 7.619, 2.0944, 2.0000, 13.0944, 11.7943, 60.00, 60.00)),
}

# On square and on oblong pixels, lying straight, rotated and mirrored.
LAYINGS = [(1.0, 0.0, 1.0), (1.35, 0.0, 1.0), (1.35, 33.0, 1.0), (0.7, 150.0, -1.0)]


def on_film(path_mm: Float64, col_over_row: float, angle_deg: float, mirror: float) -> Float64:
    """The path drawn on a film with oblong pixels and brought back to mm by a calibration on an 18 mm file."""
    angle = radians(angle_deg)
    turn = np.array([[cos(angle), sin(angle)], [-sin(angle), cos(angle)]])
    laid = path_mm * [1.0, mirror] @ turn
    pixels = laid / (0.02, 0.02 * col_over_row)
    scale = calibrate_lines([KnownLine([[0.0, 0.0], [900.0, 0.0]], 18.0)], col_over_row=col_over_row)
    return scale.to_mm(pixels)


@pytest.mark.parametrize("laid", LAYINGS, ids=["square", "oblong", "rotated", "mirrored"])
@pytest.mark.parametrize("row", TABLE)
def test_every_definition_on_exact_shapes(draw: Draw, row: str, laid: tuple[float, float, float]) -> None:
    """T3.1 to T3.6, and T3.12: an exact single bend is J, never S."""
    (coronal, radius, alpha, tail), expected = TABLE[row]
    schneider, weine, access, x, y, arc, chord, curved, straight, luiten_1, luiten_2 = expected
    path = on_film(draw(bent(coronal, radius, alpha, tail), 2001), *laid)
    found = measure_curvature(path)
    assert found.schneider_deg == pytest.approx(schneider, abs=0.01)
    # A straight part behind the arc is never known to be none: what is left of it is averaged over.
    assert found.weine_deg == pytest.approx(weine, abs=0.02)
    assert found.pruett_deg == pytest.approx(weine, abs=0.02)
    assert found.long_axis_deg == pytest.approx(weine, abs=0.02)
    assert found.total_turning_deg == pytest.approx(weine, abs=0.02)
    assert found.pruett_radius_mm == pytest.approx(radius, rel=1e-3)
    assert found.canal_access.angle_deg == pytest.approx(access, abs=0.002)
    assert found.canal_access.height_mm == pytest.approx(x, abs=0.001)
    assert found.canal_access.distance_mm == pytest.approx(y, abs=0.001)
    assert found.model.breaks_mm[1] - found.model.breaks_mm[0] == pytest.approx(arc, abs=0.002)
    begin, end = found.model.point(found.model.breaks_mm)
    assert hypot(*(end - begin)) == pytest.approx(chord, abs=0.002)
    assert found.model.length_mm == pytest.approx(curved, abs=1e-4)
    assert arc_length(path)[-1] == pytest.approx(curved, abs=1e-4)
    assert hypot(*(path[-1] - path[0])) == pytest.approx(straight, abs=1e-4)
    assert found.luiten_deg == pytest.approx(luiten_1, abs=0.01)
    assert luiten_deg(path, apical_mm=2.0) == pytest.approx(luiten_2, abs=0.01)
    assert found.form == "J"
    assert found.schneider_secondary_deg is None
    assert found.largest_deg == found.schneider_deg
    assert found.misfit_mm < 1e-3


@pytest.mark.parametrize(
    ("radius", "alpha", "apical"), [(5.0, 30.0, 1.0), (5.0, 60.0, 2.0), (2.0, 45.0, 1.0), (10.0, 45.0, 2.0)]
)
def test_luiten_in_closed_form(draw: Draw, radius: float, alpha: float, apical: float) -> None:
    """Derived: alpha less q / (2 r) in radians while the last q mm lie in the arc (a chord turns by half its arc)."""
    expected = alpha - degrees(apical / (2.0 * radius))
    assert luiten_deg(draw(bent(8.0, radius, alpha), 4001), apical_mm=apical) == pytest.approx(expected, abs=0.01)


def test_luiten_of_a_piece_longer_than_the_arc(draw: Draw) -> None:
    """T3.3, r 2 and 45 degrees: the arc is 1.571 mm, so the last 2 mm begin 0.429 mm before it and the closed form does not
    hold (it would give 16.35); by hand the piece runs 0.429 + 1.414 mm down and 0.586 mm across: 17.63 degrees.
    """
    by_hand = degrees(atan2(2.0 * (1.0 - cos(radians(45.0))), 2.0 - 2.0 * radians(45.0) + 2.0 * sin(radians(45.0))))
    assert by_hand == pytest.approx(17.63, abs=0.005)
    assert luiten_deg(draw(bent(8.0, 2.0, 45.0), 4001), apical_mm=2.0) == pytest.approx(by_hand, abs=0.01)


def test_luiten_needs_both_pieces(draw: Draw) -> None:
    assert luiten_deg(draw([(2.9, 0.0)], 50)) is None
    assert luiten_deg(draw([(3.1, 0.0)], 50)) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("tail", "expected"), [(0.0, 30.00), (1.0, 34.87), (2.0, 38.45), (5.0, 45.00), (10.0, 50.10), (50.0, 57.37)]
)
def test_schneider_grows_towards_the_whole_turn(draw: Draw, tail: float, expected: float) -> None:
    """Derived, r 5 mm and 60 degrees: without a tail half the turn, with a long one nearly all of it."""
    model = fit_canal(draw(bent(8.0, 5.0, 60.0, tail), 1201))
    assert schneider_deg(model) == pytest.approx(expected, abs=0.01)
    assert weine_deg(model) == pytest.approx(60.0, abs=0.01)


def test_a_short_bend_at_the_very_start(draw: Draw) -> None:
    """Exact points: an arc of r 3 mm, 20 degrees (1.05 mm), then 9 mm straight. No noise, so no excuse for another angle."""
    model = fit_canal(draw([(3.0 * radians(20.0), 1.0 / 3.0), (9.0, 0.0)], 160))
    assert total_turning_deg(model) == pytest.approx(20.0, abs=0.1)


def test_picking_the_departure_late_biases_schneider_upwards(draw: Draw) -> None:
    """Derived: on r 5 mm, 60 degrees (true 30), a departure seen at 0.05, 0.1, 0.2 mm off the axis gives 34.1, 35.7, 38.1.
    The fit has no such point to pick: with 0.05 mm of noise its mean stays within 0.3 degrees.
    """
    for off, bias in ((0.05, 4.1), (0.1, 5.7), (0.2, 8.1)):
        late = acos(1.0 - off / 5.0)  # where the arc has left the axis by `off`
        begin = np.array([sin(late), 1.0 - cos(late)]) * 5.0
        end = np.array([sin(radians(60.0)), 1.0 - cos(radians(60.0))]) * 5.0
        assert degrees(atan2(*(end - begin)[::-1])) - 30.0 == pytest.approx(bias, abs=0.06)
    rng = np.random.default_rng(3)
    path = draw(bent(8.0, 5.0, 60.0), 60)
    angles = [schneider_deg(fit_line_arc(path + rng.normal(0.0, 0.05, path.shape), tail=False)) for _ in range(60)]
    assert float(np.mean(angles)) == pytest.approx(30.0, abs=0.3)


# --- S-shaped and other forms ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("laid", LAYINGS, ids=["square", "oblong", "rotated", "mirrored"])
def test_an_s_shaped_canal(draw: Draw, laid: tuple[float, float, float]) -> None:
    """T3.7, derived; the second bend from the inflection (Cunningham & Senia, J Endod 1992;18:294-300). One Schneider angle
    over the whole canal would read a mild 12.66 degrees.
    """
    parts = [(6.0, 0.0), (6.0 * radians(30.0), 1.0 / 6.0), (4.0 * radians(40.0), -1.0 / 4.0)]
    path = on_film(draw(parts, 2001), *laid)
    found = measure_curvature(path)
    assert found.form == "S"
    assert found.schneider_deg == pytest.approx(15.0, abs=0.02)
    assert found.schneider_secondary_deg == pytest.approx(20.0, abs=0.02)
    assert found.largest_deg == found.schneider_secondary_deg
    assert (found.weine_deg, found.weine_secondary_deg) == pytest.approx((30.0, 40.0), abs=0.02)
    assert found.long_axis_deg == pytest.approx(10.0, abs=0.02)
    assert found.total_turning_deg == pytest.approx(70.0, abs=0.02)
    assert (found.pruett_radius_mm, found.pruett_radius_secondary_mm) == pytest.approx((6.0, 4.0), rel=2e-3)
    assert found.model.length_mm == pytest.approx(11.934, abs=1e-3)
    assert hypot(*(path[-1] - path[0])) == pytest.approx(11.764, abs=1e-3)
    departure = found.model.point(float(found.model.breaks_mm[0]))[0]
    naive = path[-1] - departure
    axis = np.array([cos(found.model.heading_rad), sin(found.model.heading_rad)])
    assert degrees(acos(float(naive @ axis) / hypot(*naive))) == pytest.approx(12.66, abs=0.02)


@pytest.mark.parametrize(
    ("parts", "form"),
    [
        ([(12.0, 0.0)], "I"),
        ([(8.0, 0.0), (4.0, radians(4.0) / 4.0)], "I"),
        (bent(8.0, 6.0, 40.0), "J"),
        (bent(1.5, 12.0, 50.0), "C"),
        ([(12.0, 1.0 / 15.0)], "C"),
    ],
)
def test_forms(draw: Draw, parts: list[Part], form: str) -> None:
    """Forms after Nagy et al., J Endod 1995;21:557-560: straight, apical curve, whole-length curve. A turn of 4 degrees is
    straight (Schneider's class to 5 degrees, from memory).
    """
    assert measure_curvature(draw(parts, 400)).form == form


@pytest.mark.parametrize(
    ("shape", "inflections"), [((8.0, 5.0, 60.0), 2), ((8.0, 2.0, 45.0), None), ((10.0, 10.0, 45.0), None)]
)
def test_no_spurious_inflections(draw: Draw, shape: tuple[float, float, float], inflections: int | None) -> None:
    """T3.12, derived: a 4th-degree polynomial through 7 points of the exact shape (Nagy et al. 2002) has two inflections
    inside the canal that are not there, at 2.4 and 6.0 mm; the form here stays J, with noise of 0.03 mm too.
    """
    path = draw(bent(*shape), 4001)
    if inflections is not None:
        at = np.linspace(0.0, path[-1, 0], 7)
        second = np.polynomial.Polynomial.fit(at, np.interp(at, path[:, 0], path[:, 1]), 4).deriv(2)
        candidates = [complex(root) for root in second.roots()]
        roots = sorted(r.real for r in candidates if abs(r.imag) < 1e-9 and 0.0 < r.real < float(path[-1, 0]))
        assert roots == pytest.approx([2.4, 6.0], abs=0.05)
    assert measure_curvature(path).form == "J"
    rng = np.random.default_rng(8)
    few = draw(bent(*shape), 40)
    forms = [measure_curvature(few + rng.normal(0.0, 0.03, few.shape), noise=Noise(0.03)).form for _ in range(15)]
    assert set(forms) == {"J"}


@pytest.mark.parametrize("count", [3, 4, 5, 6, 8, 12])
def test_few_clicks_on_a_sharp_bend_are_not_called_straight(draw: Draw, count: int) -> None:
    """Exact points of a 60 degree bend: the angle comes out, or its uncertainty admits that it may not, or there is none.

    A canal that turns by 60 degrees reported as 0 +- 0.4 degrees would be the worst error of all.
    """
    found = measure_curvature(draw(bent(8.0, 5.0, 60.0), count), noise=Noise(0.02))
    for angle, std, true in (
        (found.weine_deg, found.weine_std_deg, 60.0),
        (found.schneider_deg, found.schneider_std_deg, 30.0),
    ):
        assert std > UNSURE_DEG if angle is None else abs(angle - true) <= max(3.0 * std, 0.1)


# --- radius ----------------------------------------------------------------------------------------------------------


def test_circumradius() -> None:
    """T3.8: (0,0), (3,1), (6,0) lie on a circle of 5.000 mm (abc / 4 area; sagitta form c^2 / 8h + h / 2)."""
    assert circumradius_mm((0, 0), (3, 1), (6, 0)) == pytest.approx(5.0, rel=1e-12)
    assert circumradius_mm((0, 0), (3, 1), (6, 0)) == pytest.approx(6.0**2 / (8.0 * 1.0) + 0.5, rel=1e-12)
    assert circumradius_mm((0, 0), (1, 1), (2, 2)) == float("inf")


@pytest.mark.parametrize(("std", "low", "high"), [(0.05, 4.74, 5.30), (0.1, 4.50, 5.64), (0.2, 4.10, 6.50)])
def test_three_clicks_do_not_give_a_radius(draw: Draw, std: float, low: float, high: float) -> None:
    """T3.11, derived: quartiles of the radius through three clicks on an arc of r 5 mm, 60 degrees."""
    rng = np.random.default_rng(1)
    start, middle, end = draw([(5.0 * radians(60.0), 1.0 / 5.0)], 3)
    radii = [circumradius_mm(*(point + rng.normal(0.0, std, 2) for point in (start, middle, end))) for _ in range(6000)]
    assert np.percentile(radii, [25, 75]) == pytest.approx([low, high], rel=0.03)


@pytest.mark.parametrize(("std", "spread"), [(0.05, 1.12), (0.1, 2.26), (0.2, 4.50)])
def test_what_three_clicks_do_to_schneider(std: float, spread: float) -> None:
    """T3.11, derived: standard deviation of the three-click construction (8 mm, chord 5 mm, true 30 degrees); the interval of
    the fit through many points is checked beside the fit.
    """
    rng = np.random.default_rng(2)
    first, second, third = (
        np.array(point) + rng.normal(0.0, std, (40_000, 2))
        for point in ((0.0, 0.0), (8.0, 0.0), (8.0 + 5.0 * cos(radians(30.0)), 5.0 * sin(radians(30.0))))
    )
    coronal, apical = second - first, third - second
    angle = np.degrees(np.arctan2(apical[:, 1], apical[:, 0]) - np.arctan2(coronal[:, 1], coronal[:, 0]))
    assert float(angle.std()) == pytest.approx(spread, rel=0.02)


def test_a_gentle_curve_has_an_interval_and_no_radius(draw: Draw) -> None:
    """T3.11, derived: r 10 mm, 20 degrees, clicks of 0.05 mm. Three points give 6.1 to 29.4 mm (90 % range); so does no fit
    of eight clicks give a radius, but an interval, and the interval holds the truth.
    """
    rng = np.random.default_rng(4)
    start, middle, end = draw([(10.0 * radians(20.0), 0.1)], 3)
    radii = [circumradius_mm(*(p + rng.normal(0.0, 0.05, 2) for p in (start, middle, end))) for _ in range(20_000)]
    assert np.percentile(radii, [5, 95]) == pytest.approx([6.1, 29.4], rel=0.08)
    path = draw(bent(8.0, 10.0, 20.0), 8)
    found = [measure_curvature(path + rng.normal(0.0, 0.05, path.shape), noise=Noise(0.05)) for _ in range(40)]
    assert sum(item.pruett_radius_mm is None for item in found) >= 36
    intervals = [item.pruett_radius_interval_mm for item in found]
    assert all(
        interval is not None and interval[1] > 2.0 * interval[0]
        for interval, item in zip(intervals, found, strict=True)
        if item.pruett_radius_mm is None
    )
    assert sum(interval is not None and interval[0] <= 10.0 <= interval[1] for interval in intervals) >= 34


def test_the_radius_interval_is_symmetrical_in_curvature(draw: Draw) -> None:
    model = fit_line_arc(draw(bent(8.0, 5.0, 60.0), 30), tail=False, noise=Noise(0.05))
    low, high = pruett_radius_interval_mm(model)
    assert 0.5 * (1.0 / low + 1.0 / high) == pytest.approx(0.2, rel=1e-3)
    assert (1.0 / low - 1.0 / high) / 2.0 == pytest.approx(1.96 * float(model.curvature_stds_per_mm[0]), rel=1e-3)
    flat = fit_line_arc(draw(bent(8.0, 20.0, 6.0), 8), tail=False, noise=Noise(0.2))
    assert pruett_radius_interval_mm(flat)[1] == float("inf")
    with pytest.raises(MeasureError, match="no radius"):
        pruett_radius_interval_mm(fit_line_arc(draw([(9.0, 0.0)], 9), 0))


def test_estrela_radius(draw: Draw) -> None:
    """Circumcentre of three points on two 6 mm chords (Estrela et al., Braz Dent J 2008;19:114-118): a circle gives its own
    radius; a short canal none; noise an interval, and on a gentle curve no radius.
    """
    circle = draw([(14.0, 1.0 / 9.0)], 3000)
    found = estrela_radius_mm(circle, point_std_mm=0.02)
    assert found is not None
    assert found[0] == pytest.approx(9.0, rel=1e-4)
    assert found[1][0] < 9.0 < found[1][1]
    assert estrela_radius_mm(draw([(11.0, 0.0)], 50), point_std_mm=0.02) is None
    gentle = estrela_radius_mm(draw([(14.0, 1.0 / 60.0)], 3000), point_std_mm=0.2)
    assert gentle is not None
    assert gentle[0] is None
    assert gentle[1][0] < 60.0 < gentle[1][1]


def test_radius_quotient(draw: Draw) -> None:
    """Angle over radius (Backman, Oswald & Pitts 1992, from memory): 60 degrees over 5 mm."""
    assert backman_deg_per_mm(fit_canal(draw(bent(8.0, 5.0, 60.0), 300))) == pytest.approx(12.0, rel=1e-3)


# --- along the canal -------------------------------------------------------------------------------------------------


def test_curvature_along_a_circle(draw: Draw) -> None:
    """A circle has one curvature everywhere, its sign the side it turns to."""
    for sign in (1.0, -1.0):
        profile = curvature_profile(draw([(12.0, sign / 7.0)], 800))
        assert profile.per_mm == pytest.approx(np.full(len(profile.per_mm), sign / 7.0), rel=2e-3)


def test_the_sharpest_place(draw: Draw) -> None:
    """An arc longer than the window shows its own radius, inside the arc; a shorter one is rounded off, never overstated."""
    found = measure_curvature(draw(bent(8.0, 5.0, 60.0, 2.0), 1500), noise=Noise(0.001, 1.5))
    assert found.min_radius_mm == pytest.approx(5.0, rel=0.01)
    assert found.min_radius_at_mm is not None
    assert 8.0 < found.min_radius_at_mm < 13.236
    short = curvature_profile(draw(bent(8.0, 2.0, 40.0, 2.0), 1500))
    assert 0.25 < abs(short.per_mm[short.sharpest]) <= 0.5


@pytest.mark.parametrize("step", [0.1, 0.2])
def test_the_uncertainty_of_the_profile(step: float) -> None:
    """Monte Carlo of a straight path whose points, `step` apart, are independent. Taking values between the points averages
    two of them, so the stated uncertainty is a little on the safe side.
    """
    rng = np.random.default_rng(6)
    at = np.arange(0.0, 12.0 + 1e-9, step)
    noise = Noise(0.01)
    values, stated = [], np.zeros(10)
    for _ in range(200):
        profile = curvature_profile(np.column_stack([at, rng.normal(0.0, 0.01, len(at))]), noise=noise, step_mm=step)
        values.append(profile.per_mm[15:25])
        stated = profile.std_per_mm[15:25]
    ratio = float(np.std(np.array(values)) / np.mean(stated))
    assert 0.8 <= ratio <= 1.05


def test_summed_turning_of_a_circle(draw: Draw) -> None:
    """Point method (Gialain et al. 2021, abstract read): half a step is missed at each end of a curve."""
    whole = degrees(10.5 / 8.0)
    assert summed_turning_deg(draw([(10.5, 1.0 / 8.0)], 2000)) == pytest.approx(whole * 9.0 / 10.0, abs=0.05)


# --- laws ------------------------------------------------------------------------------------------------------------

SHAPES = st.tuples(
    st.floats(4.0, 10.0), st.floats(4.0, 9.0), st.floats(30.0, 70.0), st.one_of(st.just(0.0), st.floats(1.0, 4.0))
)


@settings(max_examples=15, deadline=None, derandomize=True)
@given(shape=SHAPES, angle=st.floats(0.0, 6.28), factor=st.floats(0.5, 2.0))
def test_laws_of_curvature(draw: Draw, shape: tuple[float, float, float, float], angle: float, factor: float) -> None:
    """Rotation, translation and mirroring change nothing; scale multiplies the radius and no angle; reversal keeps the turn.
    (Schneider's angle of the reversed canal is another one, by its definition.)
    """
    path = draw(bent(*shape), 160)
    turn = np.array([[cos(angle), sin(angle)], [-sin(angle), cos(angle)]])
    base = fit_canal(path)
    for other in (path @ turn + [5.0, -7.0], path * [1.0, -1.0]):
        model = fit_canal(other)
        assert schneider_deg(model) == pytest.approx(schneider_deg(base), abs=0.01)
        assert long_axis_deg(model) == pytest.approx(long_axis_deg(base), abs=0.01)
        assert abs(model.curvatures_per_mm[0]) == pytest.approx(abs(base.curvatures_per_mm[0]), rel=1e-3)
    larger = fit_canal(path * factor)
    assert schneider_deg(larger) == pytest.approx(schneider_deg(base), abs=0.01)
    assert larger.curvatures_per_mm[0] * factor == pytest.approx(base.curvatures_per_mm[0], rel=1e-3)
    back = fit_canal(path[::-1])
    assert total_turning_deg(back) == pytest.approx(total_turning_deg(base), abs=0.05)
    assert weine_deg(back) == pytest.approx(weine_deg(base), abs=0.05)


@settings(max_examples=15, deadline=None, derandomize=True)
@given(shape=SHAPES)
def test_the_triangle_of_the_access_angle(draw: Draw, shape: tuple[float, float, float, float]) -> None:
    """Derived: tan of the access angle is x over y, and Schneider's angle is the access angle plus the angle at the foramen."""
    found = measure_curvature(draw(bent(*shape), 160))
    access = found.canal_access
    assert access.angle_deg == pytest.approx(degrees(atan2(access.height_mm, access.distance_mm)), abs=0.01)
    chord = hypot(*(found.model.point(found.model.length_mm)[0] - found.model.start))
    at_foramen = degrees(atan2(access.height_mm, chord - access.distance_mm))
    assert found.schneider_deg == pytest.approx(access.angle_deg + at_foramen, abs=0.02)


# --- refusals --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    [
        [],
        [[0.0, 0.0], [1.0, 0.0]],
        [[1.0, 1.0]] * 5,
        [[0.0, 0.0], [1.0, float("nan")], [2.0, 0.0]],
        [[0.0, 0.0], [1.0, float("inf")], [2.0, 0.0]],
        [[0.0, 0.0, 0.0]] * 4,
        None,
        "a canal",
        [["a", "b"]] * 4,
    ],
)
def test_a_path_that_is_none_is_refused(path: object) -> None:
    with pytest.raises(MeasureError):
        measure_curvature(path)
