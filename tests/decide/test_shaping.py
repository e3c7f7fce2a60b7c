"""What shaping and gauging say. Rules of the practice have no published source; their bounds are parameters."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.decide.shaping import (
    Gauge,
    ShapingRules,
    apical_size,
    gauging,
    length_change,
    next_instrument,
    shortfall,
    usual_constriction,
)
from wlmeasure.errors import DecideError
from wlmeasure.trade.instruments import EXAMPLE_SEQUENCE, Instrument

HUNDREDTHS = st.integers(500, 3500).map(lambda n: n / 100.0)


def codes(result) -> set[str]:
    return {flag.code for flag in result.flags}


# --- shortfall ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reached_mm", "room"),
    [
        pytest.param(19.0, "enough room", id="T7.8 common practice: 2.0 short"),
        pytest.param(15.5, "back to the previous file", id="T7.8 common practice: 5.5 short"),
        pytest.param(17.0, "no rule", id="T7.8 the practice names none: 4.0 short"),
        pytest.param(20.5, "at length", id="T7.8 our parameter: 0.5 short"),
        pytest.param(20.2, "no rule", id="T7.8 the practice names none: 0.8 short"),
        pytest.param(21.0, "at length", id="at length"),
        pytest.param(20.0, "enough room", id="an edge: 1.0 short"),
        pytest.param(18.0, "enough room", id="an edge: 3.0 short"),
        pytest.param(16.0, "back to the previous file", id="an edge: 5.0 short, the smaller of 5 to 6"),
        pytest.param(16.1, "no rule", id="4.9 short"),
        pytest.param(21.1, "past length", id="0.1 beyond: never called at length"),
    ],
)
def test_shortfall(reached_mm: float, room: str) -> None:
    result = shortfall(21.0, reached_mm)
    assert result.room == room
    assert result.short_mm == pytest.approx(21.0 - reached_mm)


def test_no_rule_is_said_and_not_filled_in() -> None:
    for reached in (20.2, 17.0):
        assert codes(shortfall(21.0, reached)) == {"shortfall-no-rule", "never-press"}


def test_a_shortfall_near_an_edge_is_not_sure() -> None:
    """2.8 ± 0.28 mm (95 %, a ruler of 0.5 mm) reaches over the edge at 3; 2.0 ± 0.28 stays within 1 to 3."""
    assert not shortfall(21.0, 18.2, std_mm=0.144).sure
    assert "shortfall-near-edge" in codes(shortfall(21.0, 18.2, std_mm=0.144))
    assert shortfall(21.0, 19.0, std_mm=0.144).sure


def test_the_users_own_bounds_replace_ours() -> None:
    rules = ShapingRules(at_length_within_mm=0.25, enough_up_to_mm=4.0)
    assert shortfall(21.0, 20.5, rules=rules).room == "no rule"
    assert shortfall(21.0, 17.0, rules=rules).room == "enough room"
    assert dict(shortfall(21.0, 17.0, rules=rules).parameters)["enough_up_to_mm"] == 4.0
    with pytest.raises(DecideError, match="must rise"):
        ShapingRules(enough_from_mm=4.0)


@given(working=HUNDREDTHS, reached=HUNDREDTHS, less=st.integers(0, 400))
def test_a_shorter_file_never_lies_in_a_nearer_row(working: float, reached: float, less: int) -> None:
    assert shortfall(working, reached - less / 100.0).row >= shortfall(working, reached).row


@given(working=HUNDREDTHS, reached=HUNDREDTHS, shift=st.integers(-300, 300))
def test_moving_the_reference_point_changes_no_verdict(working: float, reached: float, shift: int) -> None:
    by = shift / 100.0
    assert shortfall(working + by, reached + by).room == shortfall(working, reached).room


# --- gauging ------------------------------------------------------------------------------------------------------------


def test_gauging_after_a_size_25_file() -> None:
    """T7.9, common practice: snug at length is shaped, past it asks for the next, short of it is no answer."""
    snug = gauging(21.0, Gauge(25, "snug", 21.0), EXAMPLE_SEQUENCE)
    assert (snug.verdict, snug.apical_size, snug.next_size) == ("shaped", 25, None)
    past = gauging(21.0, Gauge(25, "past", 22.0), EXAMPLE_SEQUENCE)
    assert (past.verdict, past.apical_size, past.next_size) == ("shape larger", None, 30)
    assert past.next_instrument == Instrument(30, 0.04)
    short = gauging(21.0, Gauge(25, "short", 19.5), EXAMPLE_SEQUENCE)
    assert (short.verdict, short.apical_size) == ("gauge again", None)
    assert codes(short) == {"gauge-not-valid"}


@pytest.mark.parametrize(
    ("finding", "length_mm", "verdict", "contradicts"),
    [
        ("loose", 21.0, "shape larger", False),
        ("loose", 22.0, "shape larger", False),
        ("snug", 19.5, "gauge again", True),
        ("snug", 22.0, "shape larger", True),
        ("past", 19.5, "gauge again", True),
        ("short", 21.0, "gauge again", True),
        ("snug", None, "shaped", False),
    ],
)
def test_the_length_is_held_against_what_was_felt(finding, length_mm, verdict, contradicts) -> None:
    result = gauging(21.0, Gauge(25, finding, length_mm), EXAMPLE_SEQUENCE)
    assert result.verdict == verdict
    assert ("gauge-contradicts" in codes(result)) == contradicts


def test_a_gauge_of_another_size_than_the_file() -> None:
    """A thinner one says little; a thicker one snug at length asks for a file of its size (T7.5: continue to 30/.07)."""
    thinner = gauging(21.0, Gauge(20, "past", 22.0), shaped_size=25)
    assert (thinner.verdict, thinner.next_size, codes(thinner)) == ("gauge again", 25, {"gauge-thinner"})
    mine = (Instrument(25, 0.06), Instrument(30, 0.07), Instrument(40, 0.06))
    thicker = gauging(21.0, Gauge(30, "snug", 21.0), mine, shaped_size=25)
    assert (thicker.verdict, thicker.apical_size, thicker.next_instrument) == ("shape larger", 30, Instrument(30, 0.07))


def test_at_the_end_of_the_list_no_instrument_is_invented() -> None:
    result = gauging(21.0, Gauge(35, "loose", 21.0), EXAMPLE_SEQUENCE)
    assert (result.next_instrument, result.next_size) == (None, 40)
    assert "no-larger-instrument" in codes(result)
    assert next_instrument((), 25) is None


@pytest.mark.parametrize(
    ("size", "code"),
    [(15, "apical-size-small"), (20, None), (45, None), (50, "apical-size-large"), (33, None)],
)
def test_what_a_constriction_usually_takes(size: int, code: str | None) -> None:
    """0.22-0.33 by 0.31-0.47 mm in molars, Wolf et al. 2017: sizes 20 to 45."""
    assert {flag.code for flag in usual_constriction(size)} == ({code} if code else set())


@pytest.mark.parametrize(
    ("gauges", "size", "confirmed", "next_gauge", "remarks"),
    [
        pytest.param(
            [(20, "past", 22.0), (25, "snug", 21.0), (30, "short", 20.2)], 25, True, None, set(), id="T7.4, our rule"
        ),
        pytest.param(
            [(25, "past", 22.0), (30, "snug", 21.0)], 30, False, 35, {"gauge-next-untried"}, id="T7.5, our rule"
        ),
        pytest.param([(25, "snug", 21.0), (30, "snug", 21.0)], 30, False, 35, {"gauge-next-untried"}, id="two snug"),
        pytest.param([(25, "loose", 21.0)], None, False, 30, {"gauge-on"}, id="gauge on"),
        pytest.param([(50, "loose", 21.0)], None, False, 55, {"foramen-large", "gauge-on"}, id="large foramen"),
        pytest.param([(100, "loose", 21.0)], None, False, 110, {"foramen-large", "gauge-on"}, id="1 mm is not above"),
        pytest.param([(110, "loose", 21.0)], None, False, 120, {"gauge-open-apex", "gauge-on"}, id="open apex"),
        pytest.param([(25, "short", 19.5)], None, False, None, {"gauge-not-valid"}, id="no answer"),
        pytest.param([(15, "snug", 21.0), (20, "short", 19.0)], 15, True, None, {"apical-size-small"}, id="small"),
        pytest.param(
            [(25, "loose", 21.0), (30, "short", 20.0)], None, False, None, {"gauge-between"}, id="between sizes"
        ),
        pytest.param([(25, "loose", 21.0), (40, "short", 20.0)], None, False, 30, {"gauge-on"}, id="a size left out"),
        pytest.param(
            [(25, "snug", 21.0), (40, "short", 19.0)], 25, False, 30, {"gauge-next-untried"}, id="the next left out"
        ),
    ],
)
def test_apical_size(gauges, size, confirmed, next_gauge, remarks) -> None:
    result = apical_size(21.0, [Gauge(*row) for row in gauges])
    assert (result.size, result.confirmed, result.next_gauge) == (size, confirmed, next_gauge)
    assert codes(result) == remarks


def test_a_later_gauge_of_a_size_replaces_the_earlier() -> None:
    rows = [Gauge(25, "short", 19.0), Gauge(25, "snug", 21.0), Gauge(30, "short", 20.0)]
    assert apical_size(21.0, rows).size == 25


def test_gauges_that_contradict_each_other_are_refused() -> None:
    with pytest.raises(DecideError, match="25 short, 30 past"):
        apical_size(21.0, [Gauge(30, "past", 22.0), Gauge(25, "short", 19.5)])
    with pytest.raises(DecideError, match="at least one"):
        apical_size(21.0, [])


def test_the_next_that_barely_stops_short_confirms_nothing() -> None:
    rows = [Gauge(25, "snug", 21.0), Gauge(30, "short", 20.2)]
    assert not apical_size(21.0, rows, next_short_by_mm=1.0).confirmed
    assert "gauge-next-not-short" in codes(apical_size(21.0, rows, next_short_by_mm=1.0))


def test_a_gauge_is_a_size_a_word_and_a_length() -> None:
    with pytest.raises(DecideError, match="whole number"):
        Gauge(2.5, "snug", 21.0)
    with pytest.raises(DecideError, match="finding must be one of"):
        Gauge(25, "tight", 21.0)
    with pytest.raises(DecideError, match="1 to 60 mm"):
        Gauge(25, "snug", 210.0)


@given(
    working=HUNDREDTHS,
    size=st.sampled_from([20, 25, 30, 35, 40]),
    finding=st.sampled_from(["snug", "loose", "short", "past"]),
    off=st.integers(-300, 300),
)
def test_a_gauge_short_of_length_never_counts_as_shaped(working: float, size: int, finding, off: int) -> None:
    length = working + off / 100.0
    result = gauging(working, Gauge(size, finding, length), EXAMPLE_SEQUENCE)
    if off < -50:
        assert result.verdict == "gauge again"
    if result.verdict == "shaped":
        assert abs(off) <= 50
        assert finding == "snug"
    if result.next_instrument is not None:
        assert result.next_instrument.size > size


# --- change of working length -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("after_mm", "change_mm", "advice"),
    [
        pytest.param(20.8, -0.2, "info", id="T7.6"),
        pytest.param(20.2, -0.8, "measure again", id="T7.6, the edge is our parameter"),
        (21.0, 0.0, "none"),
        (20.5, -0.5, "info"),
        (21.3, 0.3, "info"),
    ],
)
def test_change_of_working_length(after_mm: float, change_mm: float, advice: str) -> None:
    """Published means: 0.17 (Schroeder 2002), 0.22-0.48 (Davis 2002), 0.33-0.77 mm shorter (Kumar & Khambete 2013)."""
    result = length_change(21.0, after_mm)
    assert (result.change_mm, result.advice) == (pytest.approx(change_mm), advice)
    assert ("length-grew" in codes(result)) == (change_mm > 0)


@given(before=HUNDREDTHS, near=st.integers(0, 200), more=st.integers(0, 150), sign=st.sampled_from([-1, 1]))
def test_a_larger_change_is_never_milder(before: float, near: int, more: int, sign: int) -> None:
    order = ("none", "info", "measure again")
    small = length_change(before, before + sign * near / 100.0)
    large = length_change(before, before + sign * (near + more) / 100.0)
    assert order.index(large.advice) >= order.index(small.advice)
