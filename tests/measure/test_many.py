"""Many canals at once: hand geometry, and each definition equal to the measurement of one canal at a time."""

from __future__ import annotations

import numpy as np
import pytest

from wlmeasure.measure.curvature import measure_curvature
from wlmeasure.measure.line_arc import Noise
from wlmeasure.measure.many import FIGURES, figures_of, measure_many


def test_hand_geometry(draw):
    """6 mm, R 8 mm through 30 degrees, 2 mm. Schneider: the end lies 4 + sqrt 3 along and 9 - 4 sqrt 3 across."""
    path = draw([(6.0, 0.0), (8.0 * np.radians(30.0), 0.125), (2.0, 0.0)], 160)
    found = measure_many([path, path * [1.0, -1.0] + [5.0, 2.0]])
    along, across = 4.0 + np.sqrt(3.0), 9.0 - 4.0 * np.sqrt(3.0)
    length = 8.0 + 8.0 * np.radians(30.0)
    hand = {
        "canal_mm": length,
        "fitted_mm": length,
        "schneider_deg": np.degrees(np.arctan2(across, along)),
        "weine_deg": 30.0,
        "long_axis_deg": 30.0,
        "luiten_deg": 30.0,
        "turning_deg": 30.0,
        "radius_mm": 8.0,
        "begin_mm": 6.0,
        "tail_mm": 2.0,
        "canal_access_deg": np.degrees(np.arctan2(across, 6.0 + along)),
        "backman_deg_per_mm": 30.0 / 8.0,
        "access_height_mm": 6.0 * across / np.hypot(6.0 + along, across),
        "access_distance_mm": 6.0 * (6.0 + along) / np.hypot(6.0 + along, across),
    }
    for name, value in hand.items():
        assert found.of[name] == pytest.approx([value, value], rel=1e-3), name
    assert found.form == ["J", "J"]


@pytest.fixture(scope="module")
def mixed(draw):
    """Straight, bent with and without a straight end, bent two ways; of unequal numbers of points, one dense, one sparse."""
    rng = np.random.default_rng(11)
    shapes = [
        [(12.0, 0.0)],
        [(5.0, 0.0), (5.0, 0.12), (2.5, 0.0)],
        [(6.0, 0.0), (6.0, -0.1)],
        [(2.0, 0.0), (9.0, 0.08), (2.0, 0.0)],
        [(3.0, 0.0), (3.0, 0.15), (1.0, 0.0), (4.0, -0.12), (1.0, 0.0)],
    ]
    paths = [draw(shape, count) for count in (60, 90) for shape in shapes] + [draw(shapes[1], 500), draw(shapes[2], 12)]
    return [path + rng.normal(0.0, 0.01, path.shape) for path in paths]


@pytest.mark.parametrize("correlated", [0.0, 0.8])
def test_equal_to_one_at_a_time(mixed, correlated):
    """Every definition within 1e-3 of itself. In a straight canal a bend that is not there may be seen in several places alike,
    and rounding decides which: its angles are within 0.1 degrees of each other.
    """
    found = measure_many(mixed, correlated_mm=correlated)
    loose = {"misfit_mm"}  # of a straight canal ours is that of the straight line through the points
    stds = {"schneider_std_deg", "weine_std_deg", "turning_std_deg", "estrela_radius_mm"}
    for k, path in enumerate(mixed):
        one = measure_curvature(path, noise=Noise(0.0, correlated))
        assert found.form[k] == one.form
        for name, value in figures_of(one).items():
            if name in stds or (name in loose and one.form == "I"):
                continue
            ours = found.of[name][k]
            if value is None:
                assert np.isnan(ours), name
            elif name != "tail_mm" or value > 1e-3:
                unseen = one.form == "I" and name.endswith("_deg")
                assert ours == pytest.approx(value, rel=2e-3, abs=0.1 if unseen else 2e-3), (k, name)
        if one.form != "I":
            assert found.of["schneider_std_deg"][k] == pytest.approx(one.schneider_std_deg, rel=0.15)


def test_correlated_errors_widen_uncertainties_and_move_nothing(mixed):
    apart, together = measure_many(mixed[1:2]), measure_many(mixed[1:2], correlated_mm=0.8)
    assert together.of["schneider_deg"] == pytest.approx(apart.of["schneider_deg"], rel=1e-3)
    assert together.of["schneider_std_deg"] > 1.5 * apart.of["schneider_std_deg"]


def test_the_compiled_fit_gives_the_same(mixed):
    pytest.importorskip("numba")
    plain, fast = measure_many(mixed), measure_many(mixed, compiled=True)
    assert plain.form == fast.form
    for name in FIGURES:
        assert fast.of[name] == pytest.approx(plain.of[name], rel=1e-3, abs=1e-3, nan_ok=True), name


def test_neighbours_have_no_say(mixed):
    there, back = measure_many(mixed), measure_many(mixed[::-1])
    assert there.form == back.form[::-1]
    for name in FIGURES:
        assert back.of[name][::-1] == pytest.approx(there.of[name], rel=1e-6, abs=1e-7, nan_ok=True), name


def test_a_few_clicks_show_chords_and_no_radius():
    found = measure_many([np.array([[0.0, 0.0], [5.0, 0.0], [9.0, 2.0]]), np.array([[0.0, 0.0], [3.0, 4.0]])])
    assert found.of["canal_mm"] == pytest.approx([5.0 + np.sqrt(20.0), 5.0], rel=1e-6)
    assert np.isnan(found.of["radius_mm"]).all()


def test_scale_widens_radii_alone(mixed):
    plain = measure_many(mixed[1:2])
    wide = measure_many(mixed[1:2], scale_rel_std=np.array([0.05]))
    assert wide.of["radius_mm"] == plain.of["radius_mm"]
    assert wide.of["radius_low_mm"] < plain.of["radius_low_mm"]
    assert wide.of["radius_high_mm"] > plain.of["radius_high_mm"]
    assert wide.of["weine_std_deg"] == plain.of["weine_std_deg"]
