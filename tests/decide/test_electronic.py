"""Electronic readings: marks, repeats, agreement, uncertainty, and the conditions under which they were taken."""

from __future__ import annotations

from math import hypot, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.decide.electronic import CONDITIONS, ElectronicLength, ElectronicReading, Mark, electronic_length
from wlmeasure.errors import DecideError

FLOOR_MM = hypot(0.5 / sqrt(12.0), 0.25)  # ruler read to 0.5 mm, and the device

TENTHS = st.integers(120, 300).map(lambda tenths: tenths / 10.0)


def readings(*lengths: float, mark: Mark = "foramen", conditions: tuple[str, ...] = ()) -> list[ElectronicReading]:
    return [ElectronicReading(length, mark, 15, conditions) for length in lengths]


def codes(result: ElectronicLength) -> set[str]:
    return {item.code for item in result.flags}


def test_a_foramen_reading_is_withdrawn_from() -> None:
    """T2.1, common practice: 0.5 to 1.0 mm back from the 0.0 reading."""
    three = readings(21.5, 21.5, 21.5)
    assert electronic_length(three).length_mm == 21.0
    assert electronic_length(three, withdraw_mm=1.0).length_mm == 20.5
    assert electronic_length(three).foramen_mm == 21.5


def test_a_constriction_reading_is_not_shortened_again() -> None:
    """T2.2: the constriction mark is the constriction as it stands; Jung, Yoon, Lee & Lee, J Endod 2011."""
    result = electronic_length(readings(21.0, 21.0, 21.0, mark="constriction"))
    assert result.length_mm == 21.0
    assert result.mark == "constriction"
    assert result.foramen_mm is None
    assert "mark-not-calibrated" in codes(result)


def test_three_readings_within_half_a_millimetre_are_stable() -> None:
    """T2.4, our parameter."""
    result = electronic_length(readings(21.0, 21.0, 21.5))
    assert result.status == "stable"
    assert result.foramen_mm == 21.0
    assert result.span_mm == pytest.approx(0.5)
    assert result.n == 3
    assert result.flags == ()


def test_three_readings_that_spread_are_unstable() -> None:
    """T2.4, our parameter."""
    result = electronic_length(readings(20.0, 21.0, 21.5))
    assert result.status == "unstable"
    assert result.span_mm == pytest.approx(1.5)
    assert "reading-unstable" in codes(result)


def test_the_span_at_its_limit_is_stable_in_spite_of_float_noise() -> None:
    """15.6 and 16.1 typed in decimals differ by a last bit more than 0.5."""
    result = electronic_length(readings(15.6, 16.1, 15.8))
    assert result.span_mm is not None
    assert result.span_mm > 0.5
    assert result.status == "stable"


def test_the_length_is_the_median() -> None:
    """One straggler among five does not pull it; an even count takes the middle of the two."""
    assert electronic_length(readings(21.0, 21.0, 21.2, 21.3, 20.8)).length_mm == 20.5
    assert electronic_length(readings(21.0, 21.0, 21.5, 21.5)).length_mm == 20.75


@pytest.mark.parametrize("lengths", [(21.0,), (21.0, 21.0), (20.0, 22.0)])
def test_too_few_readings_is_a_count_not_a_spread(lengths: tuple[float, ...]) -> None:
    result = electronic_length(readings(*lengths))
    assert result.status == "not established"
    assert "too-few-readings" in codes(result)
    assert ("reading-unstable" in codes(result)) == (len(set(lengths)) > 1)


def test_no_readings_say_nothing() -> None:
    result = electronic_length([])
    assert (result.status, result.length_mm, result.std_mm, result.ceiling_mm) == ("none", None, None, None)
    assert result.flags == ()


def test_mixed_marks_meet_at_the_constriction() -> None:
    """Foramen 21.5 less 0.5 agrees with constriction 21.0."""
    mixed = readings(21.5, 21.6) + readings(21.0, mark="constriction")
    result = electronic_length(mixed)
    assert result.mark == "mixed"
    assert result.length_mm == 21.0
    assert result.foramen_mm == pytest.approx(21.55)
    assert result.status == "stable"
    assert {"marks-mixed", "mark-not-calibrated"} <= codes(result)


def test_beyond_gives_no_length_but_a_bound() -> None:
    only = electronic_length(readings(22.0, mark="beyond"))
    assert only.status == "none"
    assert only.length_mm is None
    assert only.ceiling_mm == 21.5
    assert codes(only) == {"reading-beyond", "no-usable-reading"}
    beside = electronic_length(readings(21.5, 21.5, 21.5) + readings(22.0, mark="beyond"))
    assert beside.status == "stable"
    assert beside.length_mm == 21.0
    assert beside.n == 3
    assert beside.beyond_mm == 22.0


def test_beyond_at_a_shorter_length_contradicts_the_rest() -> None:
    result = electronic_length(readings(21.5, 21.5, 21.5) + readings(20.9, mark="beyond"))
    assert result.status == "unstable"
    assert "beyond-contradicts" in codes(result)
    near = electronic_length(readings(21.5, 21.5, 21.5) + readings(21.0, mark="beyond"))
    assert near.status == "stable"
    assert near.ceiling_mm == 20.5


def test_equal_readings_stop_at_the_floor() -> None:
    """Derived: 0.144 (ruler) and 0.25 mm (device, from memory); repeating removes neither."""
    for n in (3, 30):
        assert electronic_length(readings(*[21.0] * n)).std_mm == pytest.approx(FLOOR_MM)
    assert pytest.approx(0.2887, abs=5e-5) == FLOOR_MM


def test_the_spread_of_repeats_is_divided_by_root_n() -> None:
    """21.0, 21.0, 21.5: standard deviation sqrt(1/12) by hand."""
    result = electronic_length(readings(21.0, 21.0, 21.5))
    assert result.std_mm == pytest.approx(hypot(sqrt(1.0 / 12.0) / sqrt(3.0), FLOOR_MM))


def test_a_single_reading_takes_the_accepted_span() -> None:
    assert electronic_length(readings(21.0)).std_mm == pytest.approx(hypot(0.5 / sqrt(12.0), FLOOR_MM))


@pytest.mark.parametrize("condition", CONDITIONS)
def test_each_known_condition_is_explained_and_widens_the_uncertainty(condition: str) -> None:
    result = electronic_length(readings(21.0, 21.0, 21.0, conditions=(condition,)))
    assert codes(result) == {f"condition-{condition.replace(' ', '-')}"}
    assert result.std_mm == pytest.approx(hypot(FLOOR_MM, 0.25))
    assert result.conditions == (condition,)


def test_a_condition_is_known_by_its_words() -> None:
    assert ElectronicReading(21.0, "foramen", None, (" Wide-Foramen ", "low_battery")).conditions == (
        "wide foramen",
        "low battery",
    )


def test_free_text_is_kept_and_flagged_without_being_repeated() -> None:
    result = electronic_length(readings(21.0, 21.0, 21.0, conditions=("Patient moved",)))
    assert result.conditions == ("Patient moved",)
    assert codes(result) == {"condition-other"}
    assert "Patient" not in result.flags[0].text


def test_an_unusual_reading_is_kept_and_flagged() -> None:
    assert "length-unusual" in codes(electronic_length(readings(9.5, 9.5, 9.5)))


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((0.9, "foramen"), "reading length_mm must be 1 to 60 mm"),
        ((60.1, "foramen"), "reading length_mm must be 1 to 60 mm"),
        ((float("nan"), "foramen"), "finite"),
        ((21.0, "apex"), "0.0 and apex are foramen"),
        ((21.0, "foramen", 0), "file_size"),
        ((21.0, "foramen", 15, "wet"), "list of texts"),
        ((21.0, "foramen", 15, (" ",)), "condition must be a text"),
    ],
)
def test_a_reading_that_cannot_be(arguments: tuple[object, ...], message: str) -> None:
    with pytest.raises(DecideError, match=message):
        ElectronicReading(*arguments)  # type: ignore[arg-type]  # wrong on purpose


@given(lengths=st.lists(TENTHS, min_size=1, max_size=8), shift=st.integers(-20, 20))
def test_shifting_every_reading_shifts_the_length(lengths: list[float], shift: int) -> None:
    """A longer reference point moves all readings alike and changes nothing else."""
    here = electronic_length(readings(*lengths))
    there = electronic_length(readings(*[length + shift / 10.0 for length in lengths]))
    assert here.length_mm is not None
    assert there.length_mm == pytest.approx(here.length_mm + shift / 10.0, abs=1e-9)
    assert there.std_mm == pytest.approx(here.std_mm, abs=1e-9)
    assert there.status == here.status


@given(lengths=st.lists(TENTHS, min_size=1, max_size=8), data=st.data())
def test_the_order_of_the_readings_does_not_matter(lengths: list[float], data: st.DataObject) -> None:
    shuffled = data.draw(st.permutations(lengths))
    assert electronic_length(readings(*shuffled)) == electronic_length(readings(*lengths))


@given(lengths=st.lists(TENTHS, min_size=1, max_size=8))
def test_the_uncertainty_never_falls_below_the_floor(lengths: list[float]) -> None:
    result = electronic_length(readings(*lengths))
    assert result.std_mm is not None
    assert result.std_mm >= FLOOR_MM
    assert result.length_mm is not None
    assert min(lengths) - 0.5 <= result.length_mm <= max(lengths) - 0.5


@given(lengths=st.lists(TENTHS, min_size=1, max_size=6), index=st.integers(0, 5), more=st.integers(0, 30))
def test_a_longer_reading_never_gives_a_shorter_length(lengths: list[float], index: int, more: int) -> None:
    raised = list(lengths)
    raised[index % len(raised)] += more / 10.0
    before, after = electronic_length(readings(*lengths)).length_mm, electronic_length(readings(*raised)).length_mm
    assert before is not None
    assert after is not None
    assert after >= before
