"""One budget: the interval of a sum by Monte Carlo and by another library's distribution, its spread by `uncertainties`."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from uncertainties import covariance_matrix, ufloat, umath

from wlmeasure.calibration import RULER_STD_MM, KnownLine, calibrate_lines
from wlmeasure.errors import MeasureError
from wlmeasure.measure.budget import (
    ONE_SIDED_RMS,
    Term,
    half_width_mm,
    one_sided_mm,
    reach_mm,
    std_of_half_width_mm,
    total_std_mm,
)
from wlmeasure.measure.curvature import measure_curvature
from wlmeasure.measure.length import measure_length, polyline_mm
from wlmeasure.measure.line_arc import Noise
from wlmeasure.trace.centreline import given_path

STDS = st.floats(1e-3, 1.0)
SHAPE = (4000, 4000)


def even(std_mm: float) -> Term:
    return Term("read to a division", std_mm, shape="rectangular")


# --- the interval ----------------------------------------------------------------------------------------------------


def test_an_even_spread_alone_holds_95_percent_of_its_width() -> None:
    """A ruler of half millimetres: +-0.25 mm, of which 95 % is 0.2375 (GUM 4.3.7); 1.96 standard deviations are 0.283."""
    assert half_width_mm((even(RULER_STD_MM),)) == pytest.approx(0.2375, abs=1e-6)
    assert Term("clicks", 0.1).half_mm == pytest.approx(0.1 * stats.norm.ppf(0.975), rel=1e-6)
    assert half_width_mm(()) == 0.0


@settings(deadline=None)
@given(std=STDS, others=st.lists(STDS, min_size=1, max_size=4))
def test_the_interval_of_the_sum_by_scipys_normal_distribution(std: float, others: list[float]) -> None:
    """The share within the half-width, by integrating the normal distribution over the even spread."""
    half = half_width_mm([even(std), *(Term("normal", other) for other in others)])
    normal, reach = float(np.hypot.reduce(others)), std * sqrt(3.0)
    at = (np.arange(20_000) + 0.5) / 10_000 * reach - reach
    held = stats.norm.cdf((half - at) / normal) - stats.norm.cdf((-half - at) / normal)
    assert held.mean() == pytest.approx(0.95, abs=1e-5)


@given(std=STDS, other=STDS, factor=st.floats(0.1, 10.0))
def test_laws_of_the_interval(std: float, other: float, factor: float) -> None:
    """In proportion to its terms; no wider than for normal terms and no narrower than for either alone."""
    half = half_width_mm([even(std), Term("b", other)])
    assert half_width_mm([even(std * factor), Term("b", other * factor)]) == pytest.approx(half * factor, rel=1e-6)
    assert half <= half_width_mm([Term("a", std), Term("b", other)]) * (1.0 + 1e-9)
    assert half >= max(half_width_mm([even(std)]), half_width_mm([Term("b", other)])) * (1.0 - 1e-9)
    assert total_std_mm([even(std), Term("b", other)]) == pytest.approx(sqrt(std**2 + other**2))


# --- an error with one side ------------------------------------------------------------------------------------------


def one_sided(reach: float) -> Term:
    """Nothing in two of three cases, else evenly between half of `reach` and all of it."""
    return Term("slid", ONE_SIDED_RMS * reach, shape="one-sided")


def test_a_one_sided_error_by_hand() -> None:
    """A third of the cases lies evenly 0.5 to 1 mm low: rms sqrt(7 / 36); 2.5 % of all are the lowest 7.5 % of that third."""
    term = one_sided(1.0)
    assert term.std_mm == pytest.approx(sqrt(7.0 / 36.0))
    assert term.reach_mm == pytest.approx((1.0 - 0.075 * 0.5, 0.0), abs=1e-3)
    assert one_sided_mm([term, Term("clicks", 0.1), one_sided(0.4)]) == pytest.approx(1.4)


@settings(deadline=None, max_examples=60)
@given(reach=STDS, std=STDS, other=st.just(0.0) | STDS)
def test_the_ends_of_a_one_sided_interval_by_scipys_normal_distribution(reach: float, std: float, other: float) -> None:
    """Below the lower end 2.5 % of the truth, below the upper end 97.5 %: the normal distribution summed over the others."""
    below, above = reach_mm([one_sided(reach), even(other), Term("normal", std)])
    share = (np.arange(400) + 0.5) / 400
    evenly = (2.0 * share - 1.0) * other * sqrt(3.0)
    slid = reach * (0.5 + 0.5 * share)
    for end, held in ((-below, 0.025), (above, 0.975)):
        seated = stats.norm.cdf((end - evenly) / std).mean()
        lifted = stats.norm.cdf((end - evenly[:, None] + slid) / std).mean()
        assert 2.0 / 3.0 * seated + lifted / 3.0 == pytest.approx(held, abs=2e-5)


@given(reach=STDS, std=STDS, other=STDS, factor=st.floats(0.1, 10.0))
def test_laws_of_a_one_sided_interval(reach: float, std: float, other: float, factor: float) -> None:
    """It grows in proportion; it reaches farther down than up, and down at least as far as without that error."""
    rest = [even(other), Term("normal", std)]
    below, above = reach_mm([one_sided(reach), *rest])
    scaled = [Term(t.term, factor * t.std_mm, t.shared, t.shape) for t in (one_sided(reach), *rest)]
    assert reach_mm(scaled) == pytest.approx((factor * below, factor * above), rel=1e-6)
    half = half_width_mm(rest)
    assert below >= half - 1e-6
    assert above <= half + 1e-6
    assert half_width_mm([one_sided(reach), *rest]) == pytest.approx(0.5 * (below + above))


def test_a_one_sided_error_that_hardly_is_leaves_the_interval_as_it_was() -> None:
    rest = [even(0.144), Term("normal", 0.1)]
    assert reach_mm([one_sided(1e-6), *rest]) == pytest.approx((half_width_mm(rest),) * 2, rel=1e-4)
    assert reach_mm(rest) == (half_width_mm(rest),) * 2


@pytest.mark.parametrize("held", [0.5, 0.6827, 0.99])
def test_other_shares_than_95_percent(held: float) -> None:
    assert reach_mm([Term("a", 0.3), Term("b", 0.4)], held=held)[0] == pytest.approx(
        0.5 * stats.norm.ppf(0.5 + held / 2)
    )
    assert reach_mm([even(0.2)], held=held) == pytest.approx((held * 0.2 * sqrt(3.0),) * 2)


def test_lengths_by_files_of_which_a_third_was_not_seated() -> None:
    """Monte Carlo by hand: 20 mm claimed, a third of the files 0.5 to 1 mm less deep, ends clicked with a pixel of 0.025 mm."""
    rng = np.random.default_rng(15)
    known, true, pitch = 20.0, 22.0, 0.025
    line = KnownLine([[0.0, 0.0], [known / pitch, 0.0]], known, 0.0, upper_end="reference")
    scale = calibrate_lines([line])
    stated = measure_length(
        given_path([[0.0, 0.0], [true / pitch, 0.0]], SHAPE), scale, reference_px=None,
        uncovered_end_rel_std=0.0, uncovered_whole_rel_std=0.0,
    )  # fmt: skip
    below, above = reach_mm(stated.budget)
    slid = np.where(rng.random(100_000) < 1.0 / 3.0, rng.uniform(0.5, 1.0, 100_000), 0.0)
    shaft = known - slid + rng.normal(0.0, 0.2, slid.size) + pitch * rng.normal(0.0, sqrt(2.0), slid.size)
    way = true + pitch * rng.normal(0.0, sqrt(2.0), slid.size)
    measured = way * known / shaft
    low, high = measured * (1.0 - below / true), measured * (1.0 + above / true)  # nearly all terms go with the length
    assert 0.94 < np.mean((low <= true) & (true <= high)) < 0.96
    assert 0.02 < np.mean(low > true) < 0.03


def test_a_stop_read_on_a_ruler_in_95_of_100_lengths() -> None:
    """Monte Carlo: stop lengths off by up to a quarter millimetre, four clicks of a pixel; unequal pixels."""
    rng = np.random.default_rng(3)
    pitch = np.array([0.02, 0.026])
    file, canal = np.array([[0.0, 0.0], [16.0, 8.0]]) / pitch, np.array([[0.0, 0.0], [18.0, 9.0]]) / pitch
    true = 9.0 * sqrt(5.0)
    known = 8.0 * sqrt(5.0)
    scale = calibrate_lines([KnownLine(file, known, RULER_STD_MM, "file", True)], col_over_row=1.3)
    stated = measure_length(given_path(canal, SHAPE), scale, uncovered_end_rel_std=0.0, uncovered_whole_rel_std=0.0)
    errors = []
    for _ in range(4000):
        line = KnownLine(file + rng.normal(0.0, 1.0, (2, 2)), known + rng.uniform(-0.25, 0.25))
        scale = calibrate_lines([line], col_over_row=1.3)
        errors.append(polyline_mm(canal + rng.normal(0.0, 1.0, (2, 2)), scale) - true)
    size = np.abs(errors)
    assert 0.94 <= np.mean(size <= stated.half_width_mm) <= 0.96
    assert np.mean(size <= 1.96 * stated.length_std_mm) > 0.975  # what 1.96 standard uncertainties would have held


# --- the spread, by another library ----------------------------------------------------------------------------------


def test_the_length_of_two_canals_by_uncertainties() -> None:
    """Linear: the same model with `uncertainties`, which follows every input; spreads and their covariance are ours.

    Canal = known length x canal in pixels / file in pixels. Oblong pixels, file and canals along different directions.
    """
    ratio, known_std = 1.3, 0.144
    file = np.array([[100.0, 100.0], [1000.0, 200.0]])
    canals = [np.array([[100.0, 100.0], [1100.0, 160.0]]), np.array([[100.0, 300.0], [900.0, 500.0]])]

    def long(ends: np.ndarray) -> object:
        (r0, c0), (r1, c1) = [[ufloat(v, 1.0) for v in point] for point in ends]
        return umath.sqrt((r1 - r0) ** 2 + ((c1 - c0) * ratio) ** 2)

    known, file_px = ufloat(18.0, known_std), long(file)
    by_peer = [known * long(canal) / file_px for canal in canals]
    scale = calibrate_lines([KnownLine(file, 18.0, known_std)], col_over_row=ratio)
    ours = [
        measure_length(given_path(canal, SHAPE), scale, uncovered_end_rel_std=0.0, uncovered_whole_rel_std=0.0)
        for canal in canals
    ]
    for mine, peer in zip(ours, by_peer, strict=True):
        assert mine.length_mm == pytest.approx(peer.nominal_value, rel=1e-9)
        assert mine.length_std_mm == pytest.approx(peer.std_dev, rel=1e-3)
    assert ours[0].covariance_mm2(ours[1]) == pytest.approx(covariance_matrix(by_peer)[0][1], rel=1e-3)


def test_the_mean_of_two_scales_by_uncertainties() -> None:
    """Two files of different length and certainty: the weighted mean of their scales and its spread."""
    lines = [([[0.0, 0.0], [900.0, 0.0]], 18.0, 0.144), ([[0.0, 50.0], [600.0, 50.0]], 12.03, 0.05)]
    scale = calibrate_lines([KnownLine(points, mm, std) for points, mm, std in lines])
    each = [ufloat(mm, std) / (ufloat(points[1][0], 1.0) - ufloat(0.0, 1.0)) for points, mm, std in lines]
    weights = [1.0 / one.std_dev**2 for one in each]
    mean = sum(w * one for w, one in zip(weights, each, strict=True)) / sum(weights)
    assert scale.mm_per_px_row == pytest.approx(mean.nominal_value, rel=1e-4)
    assert scale.rel_std == pytest.approx(mean.std_dev / mean.nominal_value, rel=5e-3)


def test_a_radius_by_uncertainties(draw) -> None:
    """A radius in mm is scale x radius in pixels: its interval, taken as curvature, widens by the scale in quadrature."""
    path = draw([(6.0, 0.0), (5.0 * np.radians(60.0), 0.2), (2.0, 0.0)], 60)
    path += np.random.default_rng(5).normal(0.0, 0.02, path.shape)
    plain, scaled = (
        measure_curvature(path, noise=Noise(0.02), scale_rel_std=rel).pruett_radius_interval_mm for rel in (0.0, 0.07)
    )
    assert plain is not None
    assert scaled is not None
    centre = 0.5 * (1.0 / plain[0] + 1.0 / plain[1])
    peer = ufloat(centre, (1.0 / plain[0] - centre) / 1.959964) / ufloat(1.0, 0.07)
    assert 1.0 / scaled[0] - centre == pytest.approx(1.959964 * peer.std_dev, rel=1e-6)
    assert centre - 1.0 / scaled[1] == pytest.approx(1.959964 * peer.std_dev, rel=1e-6)
    bends = [measure_curvature(path, noise=Noise(0.02), end_std_mm=0.03, scale_rel_std=rel) for rel in (0.0, 0.07)]
    assert bends[0].schneider_std_deg == bends[1].schneider_std_deg  # an angle has no scale
    terms = dict(bends[0].schneider_budget)
    assert set(terms) == {"path", "end click"}
    assert bends[0].schneider_std_deg == pytest.approx(sqrt(terms["path"] ** 2 + terms["end click"] ** 2))
    # By hand: the line from where the bend begins to the end is turned by the click's error over its length.
    begin, end = path[30], path[-1]
    assert terms["end click"] == pytest.approx(np.degrees(0.03 / np.hypot(*(end - begin))), rel=0.1)


def test_few_points_are_a_term_of_the_angle(draw) -> None:
    path = draw([(6.0, 0.0), (5.0 * np.radians(60.0), 0.2)], 5)
    few = measure_curvature(path, noise=Noise(0.02))
    assert dict(few.schneider_budget)["too few points"] > 5.0
    assert not few.determined


# --- what a person enters as "give or take" ---------------------------------------------------------------------------------


@given(st.floats(1e-4, 10.0), st.sampled_from(["normal", "rectangular"]))
def test_give_or_take_is_the_figure_that_is_printed_behind_plus_minus(half_mm, shape):
    """Entered, kept as a standard uncertainty and printed again it is the same figure."""
    assert Term("known length", std_of_half_width_mm(half_mm, shape), shape=shape).half_mm == pytest.approx(
        half_mm, rel=1e-12
    )


def test_give_or_take_by_distributions_of_another_library():
    """19 times of 20 the error lies within what was entered."""
    held = stats.norm(scale=std_of_half_width_mm(0.3)).interval(0.95)
    assert held == pytest.approx((-0.3, 0.3), abs=1e-6)
    reach = std_of_half_width_mm(0.3, "rectangular") * sqrt(3.0)
    assert stats.uniform(-reach, 2.0 * reach).interval(0.95) == pytest.approx((-0.3, 0.3), abs=1e-12)


def test_a_ruler_read_to_half_a_millimetre():
    """Within 0.25 mm with certainty: 0.25 / sqrt(3) = 0.144 mm (GUM 4.3.7), and 0.2375 mm 19 times of 20."""
    assert Term("", RULER_STD_MM, shape="rectangular").half_mm == pytest.approx(0.2375, abs=1e-12)
    assert std_of_half_width_mm(0.2375, "rectangular") == pytest.approx(RULER_STD_MM, rel=1e-12)
    assert std_of_half_width_mm(0.0) == 0.0


@pytest.mark.parametrize("half_mm", [-0.1, float("nan"), float("inf")])
def test_give_or_take_must_be_a_width(half_mm):
    with pytest.raises(MeasureError, match="give or take must be"):
        std_of_half_width_mm(half_mm)
