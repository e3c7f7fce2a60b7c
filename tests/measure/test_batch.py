"""Many paths at once against hand geometry and against one path at a time."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from wlmeasure.errors import MeasureError
from wlmeasure.measure.batch import BendEstimates, fit_many
from wlmeasure.measure.curvature import pruett_deg, schneider_deg
from wlmeasure.measure.line_arc import LineArc, Noise, fit_line_arc

Float64 = NDArray[np.float64]
Part = tuple[float, float]
Draw = Callable[[list[Part], int], Float64]


def bends(draw: Draw, count: int, points: int, sigma: float) -> Float64:
    """Noisy line-arc-lines of 15 to 70 degrees and radii of 4 to 10 mm; some tails nearly lost in the noise."""
    rng = np.random.default_rng(31)
    paths = []
    for _ in range(count):
        radius, turn = rng.uniform(4.0, 10.0), np.radians(rng.uniform(15.0, 70.0))
        bend = rng.choice([-1.0, 1.0]) / radius
        paths.append(draw([(rng.uniform(3.0, 7.0), 0.0), (radius * turn, bend), (rng.uniform(0.1, 3.0), 0.0)], points))
    return np.array(paths) + rng.normal(0.0, sigma, (count, points, 2))


def one_by_one(models: list[LineArc]) -> Float64:
    """The same numbers from the models of single fits: their uncertainties by the models' own gradients."""
    return np.array(
        [
            [
                float(m.curvatures_per_mm[0]),
                float(m.curvature_stds_per_mm[0]),
                pruett_deg(m),
                m.std_of(pruett_deg),
                schneider_deg(m),
                m.std_of(schneider_deg),
                m.length_mm,
                float(m.breaks_mm[0]),
                m.tail_mm,
                m.misfit_mm,
            ]
            for m in models
        ]
    )


def together(found: BendEstimates) -> Float64:
    return np.stack(
        [
            found.curvature_per_mm,
            found.curvature_std_per_mm,
            found.angle_deg,
            found.angle_std_deg,
            found.schneider_deg,
            found.schneider_std_deg,
            found.length_mm,
            found.begin_mm,
            found.tail_mm,
            found.misfit_mm,
        ],
        axis=1,
    )


def test_hand_geometry(draw: Draw) -> None:
    """6 mm, R 8 mm through 30 degrees, 2 mm: every number by hand, bent either way; row 1 starts elsewhere on the film.

    Schneider: the end lies 8 sin 30 + 2 cos 30 along and 8 (1 - cos 30) + 2 sin 30 across from the arc's begin.
    """
    path = draw([(6.0, 0.0), (8.0 * np.radians(30.0), 0.125), (2.0, 0.0)], 120)
    found = fit_many(np.stack([path, path * [1.0, -1.0] + [5.0, 2.0]]))
    along, across = 4.0 + np.sqrt(3.0), 8.0 - 4.0 * np.sqrt(3.0) + 1.0
    assert found.curvature_per_mm == pytest.approx([0.125, -0.125], abs=1e-6)
    assert found.radius_mm == pytest.approx(8.0, abs=1e-4)
    assert found.angle_deg == pytest.approx(30.0, abs=1e-3)
    assert found.schneider_deg == pytest.approx(np.degrees(np.arctan2(across, along)), abs=1e-3)
    assert found.length_mm == pytest.approx(8.0 + 8.0 * np.radians(30.0), abs=1e-5)
    assert found.begin_mm == pytest.approx(6.0, abs=1e-3)
    assert found.tail_mm == pytest.approx(2.0, abs=1e-3)
    assert (found.misfit_mm < 1e-6).all()


@pytest.mark.parametrize("tail", [True, False])
@pytest.mark.parametrize("robust", [False, True])
@pytest.mark.parametrize("noise", [None, Noise(0.03), Noise(0.03, 0.8)], ids=["from residuals", "stated", "correlated"])
def test_equal_to_one_at_a_time(draw: Draw, tail: bool, robust: bool, noise: Noise | None) -> None:
    """Each number within 1e-4 of itself (and 1e-4 of its unit): neighbours in the batch have no say."""
    paths = bends(draw, 24, 50, 0.03)
    found = together(fit_many(paths, tail=tail, noise=noise, robust=robust))
    single = one_by_one([fit_line_arc(path, tail=tail, noise=noise, robust=robust) for path in paths])
    estimates, stds = [0, 2, 4, 6, 7, 8, 9], [1, 3, 5]
    assert found[:, estimates] == pytest.approx(single[:, estimates], rel=1e-4, abs=1e-4)
    # Where a break stands at the end of the path, the two gradients step over it differently.
    inside = single[:, 8] > 1e-3 if tail else np.ones(len(single), bool)
    assert inside.sum() >= 12
    assert found[inside][:, stds] == pytest.approx(single[inside][:, stds], rel=0.02, abs=1e-6)


def test_paths_of_unequal_length_keep_their_places(draw: Draw) -> None:
    paths = list(bends(draw, 6, 90, 0.02))
    mixed = [paths[0], paths[1][::2], paths[2], paths[3][::3].tolist(), paths[4][::2], draw([(14.0, 0.0)], 500)]
    found = together(fit_many(mixed))
    for k, path in enumerate(mixed[:-1]):
        assert found[k] == pytest.approx(one_by_one([fit_line_arc(path)])[0], rel=0.02, abs=1e-4)
    assert found[5, 6] == pytest.approx(14.0)
    assert found[5, 9] < 1e-6


def test_more_paths_than_go_at_once(draw: Draw) -> None:
    """Split into rounds, the last one short, in order."""
    paths = bends(draw, 40, 24, 0.02)
    many = together(fit_many(np.tile(paths, (27, 1, 1))))
    assert many == pytest.approx(np.tile(together(fit_many(paths)), (27, 1)), rel=1e-6, abs=1e-9)


@settings(max_examples=25, deadline=None)
@given(st.floats(-3.1, 3.1), st.floats(0.3, 3.0), st.booleans())
def test_laws(angle: float, scale: float, mirrored: bool) -> None:
    """Turned, scaled and mirrored: angles stay, lengths scale, the curvature by the inverse and its sign with the mirror."""
    rng = np.random.default_rng(5)
    turned = np.cumsum(np.clip(np.arange(60) - 25.0, 0.0, 20.0) > 0.0) * 0.02
    line = np.cumsum(0.2 * np.exp(1j * np.minimum(turned, 0.4)))
    path = np.column_stack([line.real, line.imag]) + rng.normal(0.0, 0.02, (4, 60, 2))
    rotation = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    sign = -1.0 if mirrored else 1.0
    before, after = fit_many(path), fit_many(scale * (path * [1.0, sign]) @ rotation + [3.0, 7.0])
    assert after.curvature_per_mm * scale * sign == pytest.approx(before.curvature_per_mm, rel=1e-3)
    assert after.angle_deg == pytest.approx(before.angle_deg, rel=1e-3)
    assert after.schneider_deg == pytest.approx(before.schneider_deg, rel=1e-3)
    assert after.length_mm == pytest.approx(scale * before.length_mm, rel=1e-6)
    assert after.misfit_mm == pytest.approx(scale * before.misfit_mm, rel=1e-4)


@pytest.mark.parametrize("tail", [True, False])
def test_a_straight_path_has_no_loop(draw: Draw, tail: bool) -> None:
    """300 straight paths of 12 mm: a loop that no point lies on would make some of them 10 mm longer, turned by 360 degrees."""
    straight = draw([(12.0, 0.0)], 40) + np.random.default_rng(2).normal(0.0, 0.02, (300, 40, 2))
    found = fit_many(straight, tail=tail)
    assert found.length_mm == pytest.approx(12.0, abs=0.15)
    assert np.median(found.angle_deg) < 8.0
    assert (found.angle_deg <= 180.0).all()


def test_another_form_shows_in_the_misfit(draw: Draw) -> None:
    """An S fitted as a single bend is off by far more than its noise; a bend is not."""
    s_shape = draw([(5.0, 0.0), (4.0, 1.0 / 6.0), (1.0, 0.0), (3.5, -1.0 / 5.0)], 60)
    bend = draw([(5.0, 0.0), (5.0, 1.0 / 6.0), (2.0, 0.0)], 60)
    found = fit_many(np.stack([s_shape, bend]) + np.random.default_rng(3).normal(0.0, 0.02, (2, 60, 2)))
    assert found.misfit_mm[0] > 0.06
    assert found.misfit_mm[1] < 0.03


def test_values_are_frozen_and_none_is_allowed(draw: Draw) -> None:
    found = fit_many(bends(draw, 2, 20, 0.02))
    with pytest.raises(ValueError, match="read-only"):
        found.angle_deg[0] = 0.0
    assert fit_many([]).angle_deg.shape == (0,)
    assert fit_many(np.empty((0, 20, 2))).length_mm.shape == (0,)


@pytest.mark.parametrize(
    ("paths", "said"),
    [
        (np.zeros((2, 4, 2)), "N of 5 or more"),
        (np.zeros((2, 9, 3)), "shape is"),
        (np.full((2, 9, 2), "a"), "must hold numbers"),
        (np.stack([np.arange(18.0).reshape(9, 2), np.full((9, 2), np.nan)]), r"paths_mm\[1\] must be finite"),
        (np.stack([np.arange(18.0).reshape(9, 2), np.ones((9, 2))]), r"paths_mm\[1\] must be distinct"),
        ([np.arange(18.0).reshape(9, 2), [[0.0, 1.0]]], r"paths_mm\[1\]"),
        ([np.arange(18.0).reshape(9, 2), None], r"paths_mm\[1\]"),
    ],
)
def test_paths_that_are_none_are_refused(paths: object, said: str) -> None:
    with pytest.raises(MeasureError, match=said):
        fit_many(paths)  # type: ignore[arg-type]


def test_a_bend_at_the_very_end_has_no_angle_of_half_a_turn():
    """Nearly straight clicks whose fitted arc begins at the end: Schneider's angle is small there, not 180."""
    rng = np.random.default_rng([1234, 82])
    straight = np.linspace(0.0, 1.0, 25)[:, None] * [8.0, 0.07]
    paths = straight + rng.normal(0.0, 0.06, (400, 25, 2))
    found = fit_many(paths)
    assert found.schneider_deg.max() < 90.0
