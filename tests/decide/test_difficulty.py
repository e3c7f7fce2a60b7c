"""Case difficulty: American Association of Endodontists, case difficulty assessment form, 2022."""

from __future__ import annotations

from math import nextafter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.decide.difficulty import Difficulty, case_difficulty, curvature_difficulty
from wlmeasure.errors import DecideError


@pytest.mark.parametrize(
    ("angle_deg", "level"),
    [
        (0.0, "low"),
        (9.9, "low"),
        (10.0, "moderate"),
        (30.0, "moderate"),
        (30.1, "high"),
        (90.0, "high"),
        (nextafter(10.0, 0.0), "moderate"),
        (nextafter(30.0, 90.0), "moderate"),
    ],
)
def test_curvature(angle_deg: float, level: str) -> None:
    """T1.9: the line at 30 degrees from memory; exactly 10 and exactly 30 are ours to settle."""
    assert curvature_difficulty(angle_deg) == level


def test_an_s_shaped_canal_is_high() -> None:
    """From memory of the form."""
    assert curvature_difficulty(5.0, s_shaped=True) == "high"


@pytest.mark.parametrize(
    ("factors", "level"),
    [
        (["low", "low"], "low"),
        (["low", "moderate"], "moderate"),
        (["moderate", "moderate"], "moderate"),
        (["moderate", "moderate", "moderate"], "high"),
        (["low", "high"], "high"),
    ],
)
def test_case(factors: list[Difficulty], level: str) -> None:
    """T1.9: one or two moderate factors are moderate, three high, one high is high."""
    assert case_difficulty(factors) == level


def test_nothing_assessed_is_not_low() -> None:
    with pytest.raises(DecideError, match="at least one level"):
        case_difficulty([])


def test_unknown_words_and_angles_are_refused() -> None:
    with pytest.raises(DecideError, match="low, moderate or high"):
        case_difficulty(["severe"])  # type: ignore[list-item]  # wrong on purpose
    with pytest.raises(DecideError, match="angle_deg must be >= 0"):
        curvature_difficulty(-1.0)
    with pytest.raises(DecideError, match="order them"):
        curvature_difficulty(20.0, moderate_from_deg=30.0, high_above_deg=10.0)


@given(smaller=st.floats(0.0, 120.0), more=st.floats(0.0, 60.0))
def test_a_sharper_bend_is_never_easier(smaller: float, more: float) -> None:
    order = ["low", "moderate", "high"]
    assert order.index(curvature_difficulty(smaller + more)) >= order.index(curvature_difficulty(smaller))
