"""Share of lengths within a limit."""

from __future__ import annotations

import pytest

from wlmeasure.decide.accuracy import share_within
from wlmeasure.errors import DecideError


@pytest.mark.parametrize(("limit", "near", "percent"), [(0.5, 49, 84.48), (1.0, 56, 96.55)])
def test_the_share_of_digital_films(limit: float, near: int, percent: float) -> None:
    """T2.3: 49 and 56 of 58 premolars within 0.5 and 1.0 mm (Clin Pract 2022;12:1043-1053; the counts are inferred)."""
    errors = [limit * (-1) ** k for k in range(near)] + [limit + 0.01] * (58 - near)
    assert 100.0 * share_within(errors, limit) == pytest.approx(percent, abs=0.005)


def test_no_errors_and_no_numbers_are_refused() -> None:
    with pytest.raises(DecideError, match="errors_mm"):
        share_within([], 0.5)
    with pytest.raises(DecideError, match="error"):
        share_within([float("nan")], 0.5)
    with pytest.raises(DecideError, match="limit_mm"):
        share_within([0.1], -0.5)
