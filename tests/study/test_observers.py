"""Agreement of observers against published tables, scipy, and simulated observers of known agreement."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import f as f_distribution

from wlmeasure.errors import MeasureError
from wlmeasure.study.observers import agreement, f_quantile, icc_absolute, limits_of_agreement, within_subject

# Shrout & Fleiss, Psychol Bull 1979;86:420-428: 6 targets, 4 judges (from memory; it gives the printed .29).
JUDGES = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
# Bland & Altman, Lancet 1986;327:307-310: peak expiratory flow by two meters, first and second reading, l/min.
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
LARGE_AGAIN = [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
MINI_AGAIN = [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443]
# Bland & Altman, BMJ 1996;313:744: 20 children, four repeats, l/min (from memory; it gives the printed 460.52).
CHILDREN = """190 220 200 200 / 220 200 240 230 / 260 260 240 280 / 210 300 280 265 / 270 265 280 270 / 280 280 270 275
/ 260 280 280 300 / 275 275 275 305 / 280 290 300 290 / 320 290 300 290 / 300 300 310 300 / 270 250 330 370
/ 320 330 330 330 / 335 320 335 375 / 350 320 340 365 / 360 320 350 345 / 330 340 380 390 / 335 385 360 370
/ 400 420 425 420 / 430 460 480 470"""


def test_the_published_table_of_judges() -> None:
    """ICC(2,1) .29 as printed, .2898 by its mean squares; the interval [0.02, 0.76] as another library gives it."""
    found = agreement(JUDGES)
    assert found.icc == pytest.approx(0.2898, abs=5e-5)
    assert found.icc_interval == pytest.approx((0.02, 0.76), abs=0.005)
    assert (found.subjects, found.observers) == (6, 4)
    assert found.within_std == pytest.approx(np.sqrt(6.2639), abs=1e-4)  # the table's within mean square


def test_four_repeats_of_twenty_children() -> None:
    """Mean variance 460.52, SD 21.5 and repeatability 2.77 of it, as printed."""
    table = [[float(value) for value in row.split()] for row in CHILDREN.split("/")]
    assert within_subject(table) ** 2 == pytest.approx(460.52, abs=0.005)
    found = agreement(table)
    assert found.within_std == pytest.approx(21.46, abs=0.005)
    assert found.repeatability == pytest.approx(2.77 * 21.46, abs=0.05)


def test_two_meters() -> None:
    """Derived from the published readings: bias, SD, limits at 1.96, standard errors; the paper rounds to -2.1 and 38.8."""
    found = limits_of_agreement(LARGE, MINI)
    assert (found.subjects, found.bias, found.std) == pytest.approx((17, -2.118, 38.765), abs=5e-4)
    assert (found.low, found.high) == pytest.approx((-78.097, 73.862), abs=2e-3)
    assert found.bias_std == pytest.approx(9.402, abs=5e-4)
    assert found.limit_std == pytest.approx(16.285, abs=5e-4)


def test_two_repeats_are_dahlbergs_error() -> None:
    """sqrt(sum d^2 / 2 n) by hand on the published repeats: 15.307 and 19.911 l/min."""
    assert within_subject(np.column_stack([LARGE, LARGE_AGAIN])) == pytest.approx(15.307, abs=5e-4)
    assert within_subject(np.column_stack([MINI, MINI_AGAIN])) == pytest.approx(19.911, abs=5e-4)


@given(st.floats(0.5, 0.999), st.floats(1.0, 300.0), st.floats(1.0, 300.0))
def test_quantiles_of_f_as_scipy_gives_them(probability: float, above: float, below: float) -> None:
    assert f_quantile(probability, above, below) == pytest.approx(
        float(f_distribution.ppf(probability, above, below)), rel=1e-6
    )


def test_the_interval_holds_what_the_observers_were_made_with() -> None:
    """300 studies of 30 subjects (SD 10) by 4 observers (SD 1 between them, 2 within): true ICC 100 / 105."""
    rng = np.random.default_rng(12)
    held, found = 0, []
    for _ in range(300):
        values = rng.normal(0.0, 10.0, (30, 1)) + rng.normal(0.0, 1.0, (1, 4)) + rng.normal(0.0, 2.0, (30, 4))
        icc, (low, high) = icc_absolute(values)
        assert low < icc < high
        found.append(icc)
        held += low <= 100.0 / 105.0 <= high
    print(f"\nICC: mean {np.mean(found):.4f} of {100 / 105:.4f}, interval holds it in {held} of 300")
    assert np.mean(found) == pytest.approx(100.0 / 105.0, abs=0.01)
    assert 0.91 * 300 <= held <= 0.99 * 300


def test_perfect_and_shifted_observers() -> None:
    """Observers alike have an ICC of 1; one who reads 10 more lowers absolute agreement: 50 / (50 + 50) by hand."""
    subjects = np.arange(0.0, 11.0)
    alike, interval = icc_absolute(np.column_stack([subjects, subjects]))
    assert (alike, *interval) == pytest.approx((1.0, 1.0, 1.0))
    # Subjects' variance 11; two observers 10 apart have a variance of 50 between them.
    shifted, _ = icc_absolute(np.column_stack([subjects, subjects + 10.0]))
    assert shifted == pytest.approx(11.0 / (11.0 + 50.0), rel=1e-9)


@given(st.floats(0.1, 50.0), st.floats(-100.0, 100.0))
def test_laws(scale: float, shift: float) -> None:
    """Another unit and another zero change neither the ICC nor its interval; the within-subject SD scales."""
    table = np.array(JUDGES, float)
    before, after = agreement(table), agreement(scale * table + shift)
    assert after.icc == pytest.approx(before.icc, rel=1e-6)
    assert after.icc_interval == pytest.approx(before.icc_interval, rel=1e-5, abs=1e-6)
    assert after.within_std == pytest.approx(scale * before.within_std, rel=1e-6)
    turned = agreement(table[::-1, [2, 0, 3, 1]])
    assert turned.icc == pytest.approx(before.icc, rel=1e-12)


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ([1.0, 2.0], "table of two or more"),
        ([[1.0, 2.0]], "table of two or more"),
        ([[1.0], [2.0]], "table of two or more"),
        ([[1.0, 2.0], [np.nan, 1.0]], "subject 1, observer 0"),
        ([["a", "b"], ["c", "d"]], "must be numbers"),
        ([[2.0, 2.0], [2.0, 2.0]], "must differ"),
    ],
)
def test_tables_that_are_none_are_refused(values: object, said: str) -> None:
    with pytest.raises(MeasureError, match=said):
        agreement(values)


def test_unequal_numbers_and_a_confidence_that_is_none_are_refused() -> None:
    with pytest.raises(MeasureError, match="as many values"):
        limits_of_agreement([1.0, 2.0], [1.0, 2.0, 3.0])
    with pytest.raises(MeasureError, match="confidence"):
        icc_absolute(JUDGES, confidence=1.0)
