"""Limits of agreement against the papers of 1986 and 2007, against another program, and by coverage; shares by Wilson."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from wlmeasure.errors import MeasureError
from wlmeasure.study.differences import TWO_SD, limits_of_agreement, limits_of_repeated
from wlmeasure.study.quantiles import chi_square_quantile, f_quantile, normal_quantile, t_quantile

TABLES = Path(__file__).resolve().parents[2] / "sample_images" / "tables"


def _cells(name: str) -> dict[str, dict[str, list[float]]]:
    """Values by observer and subject, read without any of our own code."""
    out: dict[str, dict[str, list[float]]] = {}
    with (TABLES / name).open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            out.setdefault(row["observer"], {}).setdefault(row["subject"], []).append(float(row["value"]))
    return out


def test_two_meters_with_intervals() -> None:
    """Bland & Altman 1986, first readings: limits at 2 SD -79.65 and 75.41; intervals from t with 16 degrees of freedom.

    The paper prints, from -2.1 and 38.8: bias -22.0 to 17.8, lower limit -114.3 to -45.1, upper 40.9 to 110.1 (the last
    two from the rounded values; the exact ones are -114.17 ... -45.13 and 40.89 ... 109.93).
    """
    cells = _cells("peak_flow.csv")
    one, two = ([values[0] for values in cells[name].values()] for name in ("Wright", "mini"))
    found = limits_of_agreement(one, two, times=TWO_SD)
    assert (found.low, found.high) == pytest.approx((-79.648, 75.413), abs=5e-4)
    assert found.bias_interval == pytest.approx((-22.05, 17.81), abs=5e-3)
    assert found.low_interval == pytest.approx((-114.17, -45.13), abs=5e-3)
    assert found.high_interval == pytest.approx((40.89, 109.93), abs=5e-3)
    usual = limits_of_agreement(one, two)
    assert (round(usual.low, 2), round(usual.high, 2)) == (-78.10, 73.86)


def test_repeated_readings_whose_true_value_varies() -> None:
    """Bland & Altman 2007: residual mean square 0.1707, total variance 0.98134, limits -1.3395 and 2.5438."""
    cells = _cells("ejection.csv")
    found = limits_of_repeated(list(cells["RV"].values()), list(cells["IC"].values()), varies=True)
    assert found.bias == pytest.approx(0.6021667, abs=1e-6)
    assert found.within_variance[0] == pytest.approx(0.170714026, abs=1e-7)  # the paper computed in single precision
    assert found.between_variance == pytest.approx((4.2090856 - 0.170714026) / 4.9818182, abs=1e-6)
    assert found.std == pytest.approx(0.99062408, abs=1e-7)
    assert (found.low, found.high) == pytest.approx((-1.3394565, 2.5437899), abs=1e-4)
    assert found.readings == (60, 60)


def test_repeated_readings_of_a_constant_true_value() -> None:
    """The same data as if constant (2007): variances 0.10723, 0.13787 and 0.91269 of the means; SD 1.05185.

    The paper centres its limits on the mean of all 60 differences, 0.602; ours on that of the subjects, 0.709 in the paper.
    """
    cells = _cells("ejection.csv")
    found = limits_of_repeated(list(cells["RV"].values()), list(cells["IC"].values()))
    assert found.within_variance == pytest.approx((0.107227795, 0.137874069), abs=1e-7)
    assert found.between_variance == pytest.approx(0.91269114, abs=1e-6)
    assert found.bias == pytest.approx(0.7092361, abs=1e-6)
    assert found.std == pytest.approx(1.0518506, abs=1e-6)
    assert found.high - found.bias == pytest.approx(0.5 * (2.6637939 + 1.4594605), abs=1e-4)


@pytest.mark.parametrize("varies", [False, True])
def test_intervals_of_repeated_limits_hold_what_they_should(varies: bool) -> None:
    """300 studies of 20 subjects, two readings each: the true limits are known by the making."""
    rng = np.random.default_rng(41)
    held = np.zeros(3)
    for _ in range(300):
        subject = rng.normal(20.0, 2.0, (20, 1)) + (rng.normal(0.0, 1.0, (20, 2)) if varies else 0.0)
        own = rng.normal(0.0, 0.3, (2, 20, 1))
        one = subject + 0.5 + own[0] + rng.normal(0.0, 0.4, (20, 2))
        two = subject + own[1] + rng.normal(0.0, 0.2, (20, 2))
        found = limits_of_repeated(one.tolist(), two.tolist(), varies=varies)
        std = np.sqrt(2 * 0.3**2 + 0.4**2 + 0.2**2)
        for k, (true, interval) in enumerate(
            (
                (0.5, found.bias_interval),
                (0.5 - 1.96 * std, found.low_interval),
                (0.5 + 1.96 * std, found.high_interval),
            )
        ):
            held[k] += interval[0] <= true <= interval[1]
    print(f"\nbias, lower and upper limit held in {held} of 300 (true value {'varies' if varies else 'constant'})")
    assert (held >= 0.91 * 300).all()
    assert (held <= 0.995 * 300).all()


@given(st.floats(0.001, 0.999), st.floats(1.0, 400.0), st.floats(1.0, 400.0))
def test_quantiles_as_scipy_gives_them(probability: float, freedom: float, below: float) -> None:
    assert t_quantile(probability, freedom) == pytest.approx(stats.t.ppf(probability, freedom), rel=1e-6, abs=1e-7)
    assert chi_square_quantile(probability, freedom) == pytest.approx(stats.chi2.ppf(probability, freedom), rel=1e-8)
    assert normal_quantile(probability) == pytest.approx(stats.norm.ppf(probability), rel=1e-9, abs=1e-12)
    if probability > 0.5:
        assert f_quantile(probability, freedom, below) == pytest.approx(
            stats.f.ppf(probability, freedom, below), rel=1e-6
        )


@pytest.mark.parametrize("two_sided", [0.5, 0.8, 0.9, 0.95, 0.98, 0.99, 0.999])
def test_students_t_from_one_degree_of_freedom_to_two_hundred(two_sided: float) -> None:
    probability = 0.5 + 0.5 * two_sided
    ours = [t_quantile(probability, freedom) for freedom in range(1, 201)]
    assert ours == pytest.approx(stats.t.ppf(probability, np.arange(1, 201)), rel=1e-8)
    assert [t_quantile(1.0 - probability, freedom) for freedom in (1, 7, 200)] == [-ours[0], -ours[6], -ours[199]]


# Two-sided level, degrees of freedom, t: the table that textbooks print (Biometrika Tables for Statisticians, table 12).
@pytest.mark.parametrize(
    ("two_sided", "row"),
    [
        (0.90, {1: 6.314, 2: 2.920, 5: 2.015, 10: 1.812, 30: 1.697, 120: 1.658}),
        (0.95, {1: 12.706, 2: 4.303, 5: 2.571, 10: 2.228, 30: 2.042, 120: 1.980}),
        (0.99, {1: 63.657, 2: 9.925, 5: 4.032, 10: 3.169, 30: 2.750, 120: 2.617}),
    ],
)
def test_students_t_as_tabled(two_sided: float, row: dict[int, float]) -> None:
    for freedom, tabled in row.items():
        assert t_quantile(0.5 + 0.5 * two_sided, freedom) == pytest.approx(tabled, abs=5.1e-4)


@pytest.mark.parametrize(
    ("first", "second", "varies", "said"),
    [
        ([[1.0, 2.0]], [[1.0, 2.0]], False, "two or more"),
        ([[1.0], [2.0]], [[1.0], [2.5]], False, "none was repeated"),
        ([[1.0], []], [[1.0], [2.5]], False, "subject 1"),
        ([[1.0, 2.0], [2.0]], [[1.0], [2.5]], True, "pairs"),
    ],
)
def test_repeats_that_are_none_are_refused(first, second, varies, said) -> None:
    with pytest.raises(MeasureError, match=said):
        limits_of_repeated(first, second, varies=varies)
