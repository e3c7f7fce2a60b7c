"""Reconciliation: the asymmetric rule, the weights beside it, the ceiling, and what the clinician decided."""

from __future__ import annotations

from math import hypot, nextafter, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.decide.anatomy import anatomy_of
from wlmeasure.decide.electronic import CONDITIONS, ElectronicLength, ElectronicReading, electronic_length
from wlmeasure.decide.flags import CATALOGUE
from wlmeasure.decide.methods import RadiographicLength, radiographic_length
from wlmeasure.decide.reconcile import (
    DisagreementBands,
    WorkingLength,
    landmark_gap,
    reconcile,
    weighted_length,
)
from wlmeasure.errors import DecideError
from wlmeasure.measure.budget import ONE_SIDED_RMS, Term, total_std_mm

HUNDREDTHS = st.integers(1400, 2800).map(lambda value: value / 100.0)
SEVERITY = {"concordant": 0, "ordinary anatomy": 1, "caution": 2, "conflict": 3}


def film_of(length_mm: float, allowance_mm: float = 1.0) -> RadiographicLength:
    """A film whose working length is that, with a clear apex `allowance_mm` farther on."""
    return radiographic_length(length_mm + allowance_mm, 0.2, apical_end="radiographic apex", allowance_mm=allowance_mm)


def unseated_film(length_mm: float, reach_mm: float = 1.1) -> RadiographicLength:
    """The same from a film whose length may be too long by `reach_mm`, since nobody knows whether the stop was seated."""
    budget = (Term("clicks", 0.1), Term("seat of the stop", ONE_SIDED_RMS * reach_mm, True, "one-sided"))
    return radiographic_length(
        length_mm + 1.0,
        total_std_mm(budget),
        apical_end="radiographic apex",
        allowance_mm=1.0,
        end_budget=budget,
    )


def reading_of(length_mm: float, *conditions: str, n: int = 3, beyond_mm: float | None = None) -> ElectronicLength:
    """Repeats whose constriction length is that."""
    readings = [ElectronicReading(length_mm + 0.5, "foramen", 15, conditions) for _ in range(n)]
    if beyond_mm is not None:
        readings.append(ElectronicReading(beyond_mm, "beyond"))
    return electronic_length(readings)


def codes(result: WorkingLength) -> set[str]:
    return {item.code for item in result.flags}


# --- the rule -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("electronic", "film", "status", "proposed", "ceiling"),
    [
        (21.0, 20.8, "concordant", True, 20.8),
        (21.0, 20.2, "caution", True, 20.2),
        (21.0, 19.5, "conflict", False, 19.5),
        (20.2, 21.0, "ordinary anatomy", True, 20.2),
        (19.5, 21.5, "caution", True, 19.5),
        (17.5, 21.0, "conflict", False, 17.5),
    ],
)
def test_the_asymmetric_rule(electronic: float, film: float, status: str, proposed: bool, ceiling: float) -> None:
    """T2.5: our bands; the habit is common practice, from memory. The bands give the words, the curves the length."""
    result = reconcile(film_of(film), reading_of(electronic))
    assert result.status == status
    assert (result.length_mm is not None) is proposed
    assert result.ceiling_mm == ceiling
    assert result.difference_mm == pytest.approx(electronic - film)


@pytest.mark.parametrize(
    ("difference", "status"),
    [
        (-3.01, "conflict"),
        (-3.0, "caution"),
        (-1.51, "caution"),
        (-1.5, "ordinary anatomy"),
        (-0.51, "ordinary anatomy"),
        (-0.5, "concordant"),
        (0.0, "concordant"),
        (0.5, "concordant"),
        (0.51, "caution"),
        (1.0, "caution"),
        (1.01, "conflict"),
        # The last bit of a subtraction decides nothing.
        (nextafter(0.5, 1.0), "concordant"),
        (nextafter(1.0, 2.0), "caution"),
        (nextafter(-0.5, -1.0), "concordant"),
        (nextafter(-1.5, -2.0), "ordinary anatomy"),
        (nextafter(-3.0, -4.0), "caution"),
    ],
)
def test_an_edge_belongs_to_the_milder_row(difference: float, status: str) -> None:
    assert DisagreementBands().status(difference) == status


def test_the_bands_are_parameters_and_are_written_into_the_result() -> None:
    bands = DisagreementBands(caution_above_mm=1.0, conflict_above_mm=2.0)
    result = reconcile(film_of(20.2), reading_of(21.0), bands=bands)
    assert result.status == "concordant"
    written = dict(result.parameters)
    assert written["caution_above_mm"] == 1.0
    assert written["conflict_above_mm"] == 2.0
    assert written["film.allowance_mm"] == 1.0
    assert written["electronic.withdraw_mm"] == 0.5


@pytest.mark.parametrize("wrong", [{"conflict_below_mm": -1.0}, {"anatomy_below_mm": 0.1}, {"conflict_above_mm": 0.2}])
def test_bands_must_rise(wrong: dict[str, float]) -> None:
    with pytest.raises(DecideError, match="bands must rise"):
        DisagreementBands(**wrong)


def test_what_is_said_in_each_row() -> None:
    """A short reading points to anatomy, a long one to film and reading; any disagreement to the reference."""
    assert codes(reconcile(film_of(20.8), reading_of(21.0))) == set()
    assert codes(reconcile(film_of(21.0), reading_of(20.2))) == {"foramen-short-of-apex", "recheck-reference"}
    early = codes(reconcile(film_of(21.5), reading_of(19.5)))
    assert {"early-reading", "recheck-reference", "provisional-length", "inconsistent"} <= early
    late = codes(reconcile(film_of(20.2), reading_of(21.0)))
    assert {"long-reading", "recheck-reference", "provisional-length"} <= late
    assert {"reading-far-short", "recheck-reference"} <= codes(reconcile(film_of(21.0), reading_of(17.5)))
    assert {"reading-far-long", "recheck-reference"} <= codes(reconcile(film_of(19.5), reading_of(21.0)))


def test_the_interval_is_of_the_constriction_and_the_length_lies_short_of_its_mean() -> None:
    result = reconcile(film_of(20.8), reading_of(21.0))
    assert result.ends is not None
    assert result.length_mm is not None
    assert result.margin_mm is not None
    assert result.interval_mm == pytest.approx(result.ends.interval_mm(0.95), abs=1e-6)
    assert result.std_mm == pytest.approx(total_std_mm(result.budget))
    assert result.margin_mm >= 0.0
    assert result.length_mm + result.margin_mm == pytest.approx(result.ends.mean_mm)


def test_a_difference_that_anatomy_explains_is_no_reason_for_the_shorter_length() -> None:
    """A reading 0.7 mm long of the film: the foramen opens near the apex, and the best estimate lies between the two."""
    result = reconcile(film_of(20.2), reading_of(20.9))
    assert result.status == "caution"
    assert result.length_mm is not None
    assert 20.2 < result.length_mm < 20.9
    assert "provisional-length" in codes(result)


def test_in_a_conflict_a_length_is_given_where_nothing_need_be_wrong_and_says_so() -> None:
    mild, grave = reconcile(film_of(20.0), reading_of(21.1)), reconcile(film_of(20.0), reading_of(21.6))
    assert mild.status == grave.status == "conflict"
    assert mild.length_mm is not None
    assert grave.length_mm is None
    assert "conflict-may-be-anatomy" in codes(mild)
    assert "one-is-wrong" in codes(grave)
    assert mild.ends is not None
    assert grave.ends is not None
    assert mild.ends.wrong < 0.5 < grave.ends.wrong


def test_the_farther_apart_the_wider() -> None:
    near, far = reconcile(film_of(21.0), reading_of(20.8)), reconcile(film_of(21.5), reading_of(19.5))
    assert near.std_mm is not None
    assert far.std_mm is not None
    assert far.std_mm > 1.5 * near.std_mm


# --- one source, or none --------------------------------------------------------------------------------------------


def test_film_only() -> None:
    result = reconcile(film_of(21.0), None)
    assert (result.status, result.ceiling_mm) == ("film only", 21.0)
    assert result.length_mm is not None
    assert result.length_mm < 21.0  # one film alone knows too little for the usual allowance to be enough
    assert codes(result) == {"film-alone"}
    assert reconcile(film_of(21.0), electronic_length([])).status == "film only"


def test_reading_only() -> None:
    result = reconcile(None, reading_of(21.0))
    assert (result.status, result.ceiling_mm) == ("reading only", 21.0)
    assert result.length_mm == pytest.approx(
        20.8, abs=0.1
    )  # half a millimetre back from 21.5, bias and risk a little more
    tip_only = radiographic_length(20.0, 0.2, apical_end="file tip")
    beside = reconcile(tip_only, reading_of(21.0))
    assert beside.status == "reading only"
    assert {"reading-alone", "file-tip-only"} <= codes(beside)


def test_nothing_at_all() -> None:
    result = reconcile(None, None)
    assert (result.status, result.length_mm, result.ceiling_mm) == ("not established", None, None)
    assert codes(result) == {"nothing-to-decide"}


def test_too_few_readings_are_not_established() -> None:
    """A count: the ceiling still is the shorter of the two."""
    result = reconcile(film_of(21.0), reading_of(20.0, n=2))
    assert (result.status, result.length_mm, result.ceiling_mm) == ("not established", None, 20.0)
    assert "too-few-readings" in codes(result)
    assert "reading-unstable" not in codes(result)
    assert result.difference_mm == pytest.approx(-1.0)
    assert result.weighted_mm is None


def test_unstable_readings_are_not_established_and_the_shortest_bounds() -> None:
    spread = electronic_length([ElectronicReading(value, "foramen") for value in (20.0, 21.0, 21.5)])
    result = reconcile(film_of(21.0), spread)
    assert (result.status, result.length_mm, result.ceiling_mm) == ("not established", None, 19.5)
    assert "reading-unstable" in codes(result)
    assert "too-few-readings" not in codes(result)


# --- a film that may be too long -------------------------------------------------------------------------------------


def test_a_film_that_may_be_too_long_alone() -> None:
    """The interval reaches farther down, and the ceiling is what holds if the stop had slid."""
    result, sure = reconcile(unseated_film(21.0, 1.1), None), reconcile(film_of(21.0), None)
    assert result.ceiling_mm == pytest.approx(21.0 - 1.1)
    assert result.interval_mm is not None
    assert sure.interval_mm is not None
    down, up = (is_mm - was_mm for is_mm, was_mm in zip(result.interval_mm, sure.interval_mm, strict=True))
    assert down < 2.0 * up < 0.0
    assert "film-may-be-long" in codes(result)


@given(film=HUNDREDTHS, reading=HUNDREDTHS, reach=st.floats(0.1, 2.0))
def test_laws_of_a_film_that_may_be_too_long(film: float, reading: float, reach: float) -> None:
    """The words are the same, the ceiling is never higher, and a flag says it."""
    sure, doubted = (
        reconcile(film_of(film), reading_of(reading)),
        reconcile(unseated_film(film, reach), reading_of(reading)),
    )
    assert doubted.status == sure.status
    assert doubted.ceiling_mm is not None
    assert sure.ceiling_mm is not None
    assert doubted.ceiling_mm <= sure.ceiling_mm + 1e-9
    assert doubted.ceiling_mm == pytest.approx(min(film - reach, reading))
    assert codes(doubted) & {"film-may-be-long", "film-may-be-long-by-reading"}
    assert not codes(sure) & {"film-may-be-long", "film-may-be-long-by-reading"}


def test_the_mean_of_film_and_reading_leans_on_the_reading() -> None:
    sure, doubted = reconcile(film_of(21.0), reading_of(20.8)), reconcile(unseated_film(21.0), reading_of(20.8))
    assert sure.weights is not None
    assert doubted.weights is not None
    assert doubted.weights[1] > sure.weights[1]


def test_a_reading_that_is_shorter_may_be_so_by_the_film() -> None:
    assert "film-may-be-long-by-reading" in codes(reconcile(unseated_film(21.0), reading_of(20.0)))
    assert "film-may-be-long" in codes(reconcile(unseated_film(21.0), reading_of(21.3)))


def test_another_share_than_95_percent() -> None:
    """One standard uncertainty of a normal spread holds 68.27 %."""
    result = reconcile(unseated_film(21.0), None, coverage_factor=1.0)
    assert result.ends is not None
    assert result.interval_mm == pytest.approx(result.ends.interval_mm(0.682689492), abs=1e-6)


# --- beyond ---------------------------------------------------------------------------------------------------------


def test_a_film_length_where_the_device_showed_beyond_is_a_conflict() -> None:
    only_beyond = electronic_length([ElectronicReading(21.0, "beyond")])
    result = reconcile(film_of(21.0), only_beyond)
    assert (result.status, result.length_mm, result.ceiling_mm) == ("conflict", None, 20.5)
    assert "film-beyond-reading" in codes(result)


def test_a_beyond_reading_little_farther_on_cuts_the_film_length() -> None:
    """No longer than half a millimetre short of where it showed; most often the curves say less already."""
    result = reconcile(film_of(20.8), electronic_length([ElectronicReading(21.0, "beyond")]))
    assert (result.status, result.ceiling_mm) == ("film only", 20.5)
    assert result.length_mm is not None
    assert result.length_mm <= 20.5
    bold = reconcile(film_of(20.8), electronic_length([ElectronicReading(20.9, "beyond")]), passing_cost_mm=0.0)
    assert bold.length_mm is not None
    assert bold.length_mm <= 20.4
    assert result.length_mm < reconcile(film_of(20.8), None).length_mm  # type: ignore[operator]


def test_no_length_beyond_the_radiographic_apex() -> None:
    """Three readings far beyond an apex that another film shows: cut back to it."""
    nearer = film_of(18.8)
    result = reconcile(None, reading_of(21.3), other_films=[RadiographicLength(None, None, apex_length_mm=20.0)])
    assert result.length_mm == pytest.approx(20.0)
    assert "beyond-apex" in codes(result)
    both = reconcile(film_of(20.3), reading_of(20.6), other_films=[nearer])
    assert both.length_mm is not None
    assert both.length_mm <= 19.8


def test_no_length_beyond_a_foramen_marked_on_the_film() -> None:
    """The marked foramen is the end itself, however sure the readings are."""
    film = RadiographicLength(None, None, foramen_length_mm=21.0)
    result = reconcile(film, reading_of(22.0))
    assert result.length_mm == 21.0
    assert "beyond-foramen" in codes(result)
    marked = radiographic_length(21.0, 0.2, apical_end="apical foramen", foramen_allowance_mm=0.2)
    apex = radiographic_length(21.0, 0.2, apical_end="radiographic apex")
    assert reconcile(marked, None).length_mm > reconcile(apex, None).length_mm  # type: ignore[operator]


def test_a_reading_alone_is_still_held_to_a_known_apex() -> None:
    """The tip lay far beyond the root end, so the apex is known though no working length was wanted from the film."""
    film = RadiographicLength(None, None, apex_length_mm=20.0)
    result = reconcile(film, reading_of(20.4))
    assert (result.status, result.length_mm, result.ceiling_mm) == ("reading only", 20.0, 20.0)
    assert "beyond-apex" in codes(result)


# --- conditions -----------------------------------------------------------------------------------------------------


def test_a_noted_condition_turns_anatomy_into_caution() -> None:
    """Our parameter: an early reading in a wet canal explains the difference as well as anatomy does."""
    result = reconcile(film_of(21.0), reading_of(20.2, "wet"))
    assert result.status == "caution"
    assert result.std_mm > reconcile(film_of(21.0), reading_of(20.2)).std_mm  # type: ignore[operator]
    assert {"reading-in-doubt", "early-reading", "condition-wet"} <= codes(result)
    trusted = reconcile(film_of(21.0), reading_of(20.2, "wet"), doubt_noted_conditions=False)
    assert trusted.status == "ordinary anatomy"


def test_a_noted_condition_leaves_concordance_alone() -> None:
    result = reconcile(film_of(20.8), reading_of(21.0, "bleeding"))
    assert result.status == "concordant"
    assert codes(result) == {"condition-bleeding"}


def test_an_open_apex_turns_anatomy_into_caution() -> None:
    film = radiographic_length(22.0, 0.2, apical_end="radiographic apex", apex="open")
    result = reconcile(film, reading_of(20.2))
    assert result.status == "caution"
    assert {"reading-in-doubt", "open-apex"} <= codes(result)


def test_what_was_seen_on_the_film_stays_beside_the_length() -> None:
    film = radiographic_length(
        22.5, 0.2, apical_end="radiographic apex", resorption="bone", apex_visibility="superimposed", unseen_mm=2.0
    )
    assert {"resorption-bone", "apex-superimposed", "unseen-stretch"} <= codes(reconcile(film, reading_of(21.0)))


# --- weights --------------------------------------------------------------------------------------------------------


def test_the_landmark_term_turns_the_weights_round() -> None:
    """Derived: film of 0.17 mm against a reading of 0.28 mm is 73 : 27; with 0.4 mm for the landmark 29 : 71."""
    bare = weighted_length(21.0, 0.17, 20.0, 0.28)
    assert bare.weights == pytest.approx((0.73, 0.27), abs=0.005)
    with_landmark = weighted_length(21.0, hypot(0.17, 0.4), 20.0, 0.28)
    assert with_landmark.weights == pytest.approx((0.29, 0.71), abs=0.005)


def test_weights_by_hand() -> None:
    """Variances 1 and 4, difference 1: weights 4/5 and 1/5, variance 4/5, normalised difference 1 / sqrt(5)."""
    result = weighted_length(20.0, 1.0, 21.0, 2.0)
    assert result.length_mm == pytest.approx(20.2)
    assert result.std_mm == pytest.approx(sqrt(0.8))
    assert result.weights == pytest.approx((0.8, 0.2))
    assert result.consistency.normalised_difference == pytest.approx(1.0 / sqrt(5.0))
    assert result.consistency.consistent


def test_a_shared_ruler_by_hand() -> None:
    """Variances 2 and 4 of which 1 is shared: weights 3/4 and 1/4, variance 1 + (1 x 3) / (1 + 3) = 7/4."""
    result = weighted_length(20.0, sqrt(2.0), 22.0, 2.0, shared_ruler_std_mm=1.0)
    assert result.weights == pytest.approx((0.75, 0.25))
    assert result.std_mm == pytest.approx(sqrt(1.75))
    assert result.consistency.normalised_difference == pytest.approx(1.0)


def test_the_shared_part_must_be_a_part() -> None:
    with pytest.raises(DecideError, match="part of each"):
        weighted_length(20.0, 0.2, 21.0, 0.3, shared_ruler_std_mm=0.2)


def test_a_shared_ruler_makes_the_same_difference_less_consistent() -> None:
    apart = weighted_length(20.0, 0.3, 20.8, 0.3)
    shared = weighted_length(20.0, 0.3, 20.8, 0.3, shared_ruler_std_mm=0.144)
    assert apart.consistency.consistent
    assert not shared.consistency.consistent
    assert shared.std_mm > apart.std_mm


def test_the_weighted_mean_stands_beside_the_rule_but_not_in_a_conflict() -> None:
    result = reconcile(film_of(20.8), reading_of(21.0))
    assert result.weighted_mm is not None
    assert 20.8 < result.weighted_mm < 21.0
    assert result.weights is not None
    assert sum(result.weights) == pytest.approx(1.0)
    conflict = reconcile(film_of(21.0), reading_of(17.5))
    assert conflict.weighted_mm is None
    assert conflict.weights is None
    assert conflict.consistency is not None
    assert not conflict.consistency.consistent


# --- landmark gap ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("apex", "foramen", "band"),
    [
        (22.0, 22.0, "usual"),
        (22.0, 20.5, "usual"),
        (22.0, 20.4, "possible"),
        (22.0, 19.0, "possible"),
        (22.0, 18.9, "conflict"),
        (22.0, 22.3, "level"),
        (22.0, 22.5, "level"),
        (22.0, 22.6, "conflict"),
    ],
)
def test_landmark_gap(apex: float, foramen: float, band: str) -> None:
    """T1.10: our bands, from Kuttler 1955, Burch & Hulen 1972, Martos et al. 2009; 0 to 0.5 mm beyond is ours too."""
    result = landmark_gap(apex, foramen)
    assert result.band == band
    assert (result.flags == ()) == (band == "usual")


def test_the_gap_is_said_beside_the_rule() -> None:
    """Film 21.5 (apex 22.5), foramen reading 20.0: 2.5 mm apart."""
    assert "landmark-gap-possible" in codes(reconcile(film_of(21.5), reading_of(19.5)))


# --- the clinician --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("decided", "flagged"),
    [
        (20.5, set()),
        (20.8, set()),  # the ceiling
        (21.0, set()),  # the reading, which agrees with the film
        (21.1, {"decided-above-ceiling"}),
        (21.8, {"decided-above-ceiling"}),  # the apex itself
        (21.9, {"decided-above-ceiling", "decided-beyond-apex"}),
    ],
)
def test_a_decided_length_is_reported_and_changes_only_flags(decided: float, flagged: set[str]) -> None:
    film, reading = film_of(20.8), reading_of(21.0)
    result = reconcile(film, reading, decided_mm=decided)
    proposal = reconcile(film, reading)
    assert codes(result) == flagged
    for name in ("length_mm", "std_mm", "interval_mm", "ceiling_mm", "status", "weighted_mm", "parameters"):
        assert getattr(result, name) == getattr(proposal, name)


def test_a_length_decided_in_a_conflict_is_flagged_above_the_ceiling() -> None:
    assert "decided-above-ceiling" in codes(reconcile(film_of(19.5), reading_of(21.0), decided_mm=20.0))


def test_a_length_decided_beyond_a_marked_foramen_is_flagged() -> None:
    film = radiographic_length(21.0, 0.2, apical_end="apical foramen")
    assert "decided-beyond-foramen" in codes(reconcile(film, None, decided_mm=21.2))


def test_a_decided_length_must_be_a_length() -> None:
    with pytest.raises(DecideError, match="decided_mm must be 1 to 60 mm"):
        reconcile(film_of(21.0), None, decided_mm=210.0)


# --- laws -----------------------------------------------------------------------------------------------------------


films = st.builds(film_of, HUNDREDTHS, st.sampled_from([0.0, 0.2, 1.0, 2.0])) | st.none()
electronics = st.none() | st.builds(
    lambda length, conditions, n, beyond: reading_of(length, *conditions, n=n, beyond_mm=beyond),
    HUNDREDTHS,
    st.sampled_from([(), ("wet",)]),
    st.integers(0, 4),
    st.none() | HUNDREDTHS,
)


@given(film=films, electronic=electronics)
def test_no_result_exceeds_the_apex_and_no_ceiling_the_shorter(
    film: RadiographicLength | None, electronic: ElectronicLength | None
) -> None:
    result = reconcile(film, electronic)
    lengths = [value for value in (result.length_mm, result.weighted_mm, result.ceiling_mm) if value is not None]
    if film is not None and film.apex_length_mm is not None:
        assert all(length <= film.apex_length_mm + 1e-9 for length in lengths)
    for source in (film, electronic):
        if source is not None and source.length_mm is not None:
            assert result.ceiling_mm is not None
            assert result.ceiling_mm <= source.length_mm
    if electronic is not None and electronic.beyond_mm is not None:
        assert all(length < electronic.beyond_mm for length in lengths)


@given(film=HUNDREDTHS, reading=HUNDREDTHS, shift=st.integers(-6, 6))
def test_moving_the_reference_point_moves_every_length_alike(film: float, reading: float, shift: int) -> None:
    """By halves of a millimetre: what a reading was read to is told by its decimals, and counts."""
    by = shift / 2.0
    here = reconcile(film_of(film), reading_of(reading))
    there = reconcile(film_of(film + by), reading_of(reading + by))
    assert there.status == here.status
    for name in ("length_mm", "ceiling_mm", "weighted_mm"):
        before, after = getattr(here, name), getattr(there, name)
        assert after == (None if before is None else pytest.approx(before + by, abs=1e-9))
    assert there.std_mm == (None if here.std_mm is None else pytest.approx(here.std_mm, abs=1e-9))


@given(film=HUNDREDTHS, reading=HUNDREDTHS, more=st.integers(0, 300))
def test_a_longer_source_never_lowers_ceiling_or_mean(film: float, reading: float, more: int) -> None:
    by = more / 100.0
    here = reconcile(film_of(film), reading_of(reading))
    for raised in (
        reconcile(film_of(film + by), reading_of(reading)),
        reconcile(film_of(film), reading_of(reading + by)),
    ):
        assert here.ceiling_mm is not None
        assert raised.ceiling_mm is not None
        assert raised.ceiling_mm >= here.ceiling_mm - 1e-9
        if here.weighted_mm is not None and raised.weighted_mm is not None:
            assert raised.weighted_mm >= here.weighted_mm - 1e-9


@given(nearer=st.integers(0, 500), more=st.integers(0, 200), sign=st.sampled_from([-1, 1]))
def test_a_larger_difference_is_never_milder_and_a_long_reading_never_milder_than_a_short(
    nearer: int, more: int, sign: int
) -> None:
    bands = DisagreementBands()
    near, far = nearer / 100.0, (nearer + more) / 100.0
    assert SEVERITY[bands.status(sign * far)] >= SEVERITY[bands.status(sign * near)]
    assert SEVERITY[bands.status(far)] >= SEVERITY[bands.status(-far)]


@given(film=HUNDREDTHS, reading=HUNDREDTHS)
def test_only_a_conflict_leaves_film_and_readings_without_a_length_and_says_why(film: float, reading: float) -> None:
    result = reconcile(film_of(film), reading_of(reading))
    assert result.status == "conflict" or result.length_mm is not None
    assert (result.length_mm is None) == ("one-is-wrong" in codes(result))
    assert result.ceiling_mm == pytest.approx(min(film, reading), abs=1e-9)


def test_every_flag_of_the_catalogue_can_be_raised() -> None:
    """No sentence is there for show."""
    root = radiographic_length
    results = [
        reconcile(root(40.0, 0.2, apical_end="radiographic apex", resorption="bone and root"), None),
        reconcile(root(22.0, 0.2, apical_end="open apex", resorption="bone"), reading_of(19.9)),
        reconcile(root(22.0, 0.2, apical_end="radiographic apex", apex_visibility="cut off", unseen_mm=1.0), None),
        reconcile(root(22.0, 0.2, apical_end="radiographic apex", apex_visibility="superimposed"), None),
        reconcile(root(22.0, 0.2, apical_end="filling end"), reading_of(21.0)),
        *(
            reconcile(root(22.0, 0.2, apical_end="file tip", tip_to_apex_mm=value), None)
            for value in (None, 2.0, 4.0, -0.5)
        ),
        reconcile(
            film_of(21.0),
            electronic_length(
                [
                    ElectronicReading(20.0, "foramen"),
                    ElectronicReading(21.5, "constriction"),
                    ElectronicReading(18.0, "beyond"),
                ]
            ),
        ),
        reconcile(film_of(21.0), electronic_length([ElectronicReading(21.0, "beyond")])),
        reconcile(film_of(20.8), electronic_length([ElectronicReading(21.0, "beyond")])),
        *(reconcile(film_of(21.0), reading_of(21.0, word)) for word in (*CONDITIONS, "other")),
        *(reconcile(film_of(21.0), reading_of(21.0 + d), decided_mm=23.0) for d in (-3.5, -2.0, -0.8, 0.7, 1.2)),
        reconcile(film_of(20.0), reading_of(21.1)),
        reconcile(
            RadiographicLength(None, None, apex_length_mm=20.0), reading_of(21.3), anatomy=anatomy_of(changed=True)
        ),
        reconcile(RadiographicLength(None, None, foramen_length_mm=20.0), reading_of(21.3)),
        reconcile(None, reading_of(21.0, beyond_mm=21.0), passing_cost_mm=0.0),
        reconcile(
            root(21.0, 0.2, apical_end="apical foramen", foramen_allowance_mm=0.2), reading_of(21.2), decided_mm=22.0
        ),
        *(reconcile(unseated_film(22.0), reading) for reading in (None, reading_of(21.0))),
    ]
    assert set().union(*map(codes, results)) == set(CATALOGUE)
