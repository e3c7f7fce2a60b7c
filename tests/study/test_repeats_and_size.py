"""Own error of an observer, drift, and how large a study must be: published figures, hand arithmetic, simulation."""

from __future__ import annotations

import numpy as np
import pytest

from wlmeasure.errors import MeasureError
from wlmeasure.study.correlation import correlations
from wlmeasure.study.repeats import dahlberg, drift, within_readings
from wlmeasure.study.size import subjects_for_icc, subjects_for_limits, subjects_for_repeatability


def test_dahlberg_of_six_working_lengths() -> None:
    """Squares .04 .01 0 .09 .01 .04 add up to .19: sqrt(.19 / 12) = .1258 mm, .616 % of the mean 20.442 (T8.4)."""
    found = dahlberg([20.5, 21.0, 19.8, 22.3, 18.9, 20.1], [20.7, 20.9, 19.8, 22.0, 19.0, 20.3])
    assert found.error == pytest.approx(0.1258, abs=5e-5)
    assert found.relative == pytest.approx(0.00616, abs=5e-6)
    assert found.shift == pytest.approx(0.1 / 6.0, abs=1e-9)


def test_within_subject_interval_holds_what_it_should() -> None:
    """400 studies of 15 subjects, three readings, SD 0.4; one reading more or less changes the weights, not the truth."""
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(200):
        readings = [list(20.0 + rng.normal(0.0, 0.4, 2 + k % 3)) for k in range(15)] + [[19.0]]
        found = within_readings(readings)
        assert found.subjects == 15
        held += found.std_interval[0] <= 0.4 <= found.std_interval[1]
    assert 0.91 * 200 <= held <= 0.99 * 200


def test_unequal_numbers_of_readings_weigh_by_their_freedom() -> None:
    """Two readings 1 apart (sum of squares 0.5), three at 0, 1, 2 (2.0): sqrt(2.5 / 3) by hand."""
    assert within_readings([[0.0, 1.0], [0.0, 1.0, 2.0], [7.0]]).std == pytest.approx((2.5 / 3.0) ** 0.5)
    with pytest.raises(MeasureError, match="none was read twice"):
        within_readings([[1.0], [2.0]])


def test_drift_by_hand_and_in_simulation() -> None:
    """Readings that rise 0.01 with each film, whatever the subjects are: the slope, and no width."""
    subjects = {0: (1, 9), 1: (2, 6), 2: (3, 12), 3: (5, 7)}
    exact = drift([[(p, 20.0 + 3.0 * s + 0.01 * p) for p in places] for s, places in subjects.items()])
    assert exact is not None
    assert exact.per_reading == pytest.approx(0.01)
    assert exact.over_all == pytest.approx(0.11)
    assert exact.interval == pytest.approx((0.01, 0.01))
    assert drift([[(1, 2.0), (4, 2.0)], [(2, 3.0)], [(3, 1.0)]]) is None
    rng = np.random.default_rng(6)
    held = 0
    for _ in range(300):
        order = rng.permutation(40).reshape(20, 2)
        made = drift(
            [[(int(p), 18.0 + s + 0.02 * p + rng.normal(0.0, 0.3)) for p in two] for s, two in enumerate(order)]
        )
        assert made is not None
        held += made.interval[0] <= 0.02 <= made.interval[1]
    assert 0.92 * 300 <= held <= 0.98 * 300


def test_bonetts_size_gives_the_width_asked_for() -> None:
    """With the subjects that the formula names, the mean width of simulated one-way intervals is that asked for."""
    rng = np.random.default_rng(9)
    for icc, width, observers in ((0.6, 0.3, 4), (0.8, 0.2, 2)):
        n = subjects_for_icc(icc, width, observers)
        widths = []
        for _ in range(80):
            table = rng.normal(0.0, icc**0.5, (n, 1)) + rng.normal(0.0, (1.0 - icc) ** 0.5, (n, observers))
            low, high = correlations(table)["ICC(1,1)"].interval
            widths.append(high - low)
        print(f"\nICC {icc}, {observers} observers: {n} subjects, width {np.mean(widths):.3f} of {width}")
        assert np.mean(widths) == pytest.approx(width, rel=0.08)


def test_sizes_for_limits_and_repeatability_by_hand() -> None:
    """3 (1.96 / .34)^2 = 99.7: 100 subjects for 0.34 SD (Bland & Altman); 1.96^2 / (2 x .01) = 192.07 for 10 %."""
    assert subjects_for_limits(1.0, 0.34) == 100
    assert subjects_for_limits(0.5, 0.17) == 100
    assert subjects_for_repeatability(0.10, 2) == 193
    assert subjects_for_repeatability(0.10, 3) == 97


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: subjects_for_icc(1.0, 0.2, 2), "icc"),
        (lambda: subjects_for_icc(0.8, 0.0, 2), "width"),
        (lambda: subjects_for_icc(0.8, 0.2, 1), "observers"),
        (lambda: subjects_for_limits(0.0, 0.2), "std"),
        (lambda: subjects_for_repeatability(1.5, 2), "relative"),
        (lambda: dahlberg([1.0], [2.0]), "two or more"),
        (lambda: dahlberg([1.0, np.nan], [2.0, 1.0]), "finite"),
    ],
)
def test_what_makes_no_sense_is_refused(call, said) -> None:
    with pytest.raises(MeasureError, match=said):
        call()
