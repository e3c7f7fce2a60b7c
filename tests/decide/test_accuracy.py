"""Share of lengths within a limit."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from wlmeasure.decide.accuracy import share_interval, share_within
from wlmeasure.errors import DecideError


@pytest.mark.parametrize(("limit", "near", "percent"), [(0.5, 49, 84.48), (1.0, 56, 96.55)])
def test_the_share_of_digital_films(limit: float, near: int, percent: float) -> None:
    """T2.3: 49 and 56 of 58 premolars within 0.5 and 1.0 mm (Clin Pract 2022;12:1043-1053; the counts are inferred)."""
    errors = [limit * (-1) ** k for k in range(near)] + [limit + 0.01] * (58 - near)
    assert 100.0 * share_within(errors, limit).value == pytest.approx(percent, abs=0.005)


def test_no_errors_and_no_numbers_are_refused() -> None:
    with pytest.raises(DecideError, match="errors must be"):
        share_within([], 0.5)
    with pytest.raises(DecideError, match="error"):
        share_within([float("nan")], 0.5)
    with pytest.raises(DecideError, match="limit must be"):
        share_within([0.1], -0.5)


def test_wilson_as_published() -> None:
    """49/58, 56/58, 58/58, 60/70 (T8.5)."""
    for hits, count, ends in (
        (49, 58, (73.07, 91.62)),
        (56, 58, (88.27, 99.05)),
        (58, 58, (93.79, 100.0)),
        (60, 70, (75.66, 92.05)),
    ):
        assert [100.0 * v for v in share_interval(hits, count)] == pytest.approx(ends, abs=5e-3)
    with pytest.raises(DecideError, match="hits"):
        share_interval(3, 2)


@pytest.mark.parametrize(
    ("hits", "of", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_on_the_four_examples_of_newcombe(hits: int, of: int, low: float, high: float) -> None:
    """Newcombe, Stat Med 1998;17:857-872, table I, method 3 (score without continuity correction)."""
    assert share_interval(hits, of) == pytest.approx((low, high), abs=5.1e-5)


@given(st.integers(1, 5000).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of))))
def test_wilson_as_scipy_gives_it(counts: tuple[int, int]) -> None:
    expected = stats.binomtest(*counts).proportion_ci(0.95, method="wilson")
    assert share_interval(*counts) == pytest.approx((expected.low, expected.high), abs=1e-7)


def test_a_difference_of_half_a_millimetre_is_within_it() -> None:
    share = share_within([20.3 - 19.8, -0.5, 0.51, 0.0], 0.5)
    assert (share.hits, share.count, share.value) == (3, 4, 0.75)
