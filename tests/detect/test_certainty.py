"""From marks to probabilities."""

import numpy as np
import pytest

from wlmeasure.detect.certainty import KINDS, certainty_of
from wlmeasure.detect.prepare import FIGURES
from wlmeasure.detect.training.calibrate import fitted_logistic, isotonic_knots

RANGES = {name: [0.0, 1.0] for name in FIGURES}


def card(**tables):
    return {"certainty": tables}


def test_a_table_is_a_logistic_and_then_a_line_through_knots():
    """Marks (1, 2, 0, 0) with weights (-1, 1, 5, 5): 1 / (1 + exp(-1)) = 0.7311, half-way between knots 0.4622 and 1."""
    told = {"weights": [-1.0, 1.0, 5.0, 5.0], "knots": [[0.4622, 0.2], [1.0, 0.8]]}
    table = certainty_of(card(reference=told))
    assert table.probability("reference", (1.0, 2.0, 0.0, 0.0)) == pytest.approx(0.5, abs=1e-3)


def test_without_a_table_the_least_mark_stands_in():
    bare = certainty_of({})
    assert not bare.calibrated
    assert bare.probability("file", (1.0, 0.9, 0.4, 0.7, *[0.0] * 7)) == 0.4
    assert bare.unlike((0.5,) * len(FIGURES)) == FIGURES


def test_a_table_of_another_length_is_none():
    tables = {kind: {"weights": [0.0] * count} for kind, count in KINDS.items()}
    assert certainty_of(card(**tables)).calibrated
    tables["canal"] = {"weights": [0.0] * 3}
    assert not certainty_of(card(**tables)).calibrated


def test_figures_outside_the_trained_range_are_named():
    table = certainty_of(card(ranges=RANGES))
    figures = [0.5] * len(FIGURES)
    assert table.unlike(tuple(figures)) == ()
    figures[FIGURES.index("noise")] = 1.2
    assert table.unlike(tuple(figures)) == ("noise",)


def test_the_logistic_finds_the_weights_that_drew_the_items():
    rng = np.random.default_rng(3)
    marks = np.column_stack([np.ones(40_000), rng.normal(size=(40_000, 2))])
    true = np.array([-0.5, 1.5, -2.0])
    right = (rng.random(40_000) < 1.0 / (1.0 + np.exp(-marks @ true))).astype(float)
    np.testing.assert_allclose(fitted_logistic(marks, right), true, atol=0.07)


def test_isotonic_knots_rise_and_mend_a_wrong_scale():
    """Chances drawn as p^2 for items that are right with p: the knots lead back to p."""
    rng = np.random.default_rng(5)
    p = rng.random(30_000)
    knots = np.array(isotonic_knots(p**2, (rng.random(30_000) < p).astype(float)))
    assert (np.diff(knots, axis=0) >= 0.0).all()
    at = np.array([0.1, 0.3, 0.5, 0.7, 0.9])
    np.testing.assert_allclose(np.interp(at**2, knots[:, 0], knots[:, 1]), at, atol=0.04)
