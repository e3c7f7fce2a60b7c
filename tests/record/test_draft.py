"""What is offered as the next entry: by hand, from records of a few entries."""

import pytest
from attrs import evolve

from wlmeasure.errors import CaseError
from wlmeasure.record.case import Case, Entry, case_from_json
from wlmeasure.record.draft import GAUGE_KEYS, next_file, next_gauge, typed_instrument
from wlmeasure.record.kinds import KIND_TABLE
from wlmeasure.record.record import LengthRecord


def case(*entries: Entry, instruments=()) -> Case:
    film = {"id": "f1", "path": "f.png", "sha256": "0" * 64, "rows": 10, "cols": 10}
    canal = {"name": "MB", "reference_point": "cusp", "traces": []}
    body = {"schema": "wlmeasure-case/2", "tooth": "46", "films": [film], "canals": [canal]}
    return evolve(case_from_json(body), entries=entries, instrument_list=instruments)


def entry(number, kind, **more):
    at = f"2026-11-25T11:{number:02d}"
    return Entry(
        **{"id": f"e{number}", "kind": kind, "at": at, "by": "NB", "canal": "MB", "reference_point": "cusp"} | more
    )


DECIDED = entry(1, "decided working length", length_mm=21.0)


def shaped(number, size, length_mm):
    return entry(number, "shaping file", size=size, taper=0.04, length_mm=length_mm)


def gauged(number, size, finding):
    return entry(number, "apical gauging", size=size, length_mm=21.0, finding=finding)


def test_shaping_begins_with_the_first_of_the_list_and_goes_up():
    first = next_file(case(DECIDED), "MB")
    assert (first.instrument, first.length_mm) == ("20/.04", 21.0)
    assert next_file(case(DECIDED, instruments=("17/.02", "25/.06")), "MB").instrument == "17/.02"
    assert next_file(case(DECIDED, shaped(2, 20, 20.6)), "MB").instrument == "25/.04"  # 0.4 short is at length
    assert next_file(case(DECIDED, shaped(2, 20, 19.0)), "MB").instrument == "20/.04"  # 2 short: the same again
    assert next_file(case(DECIDED, shaped(2, 35, 21.0)), "MB").instrument == "35/.04"  # none larger in the list


def test_gauging_begins_with_the_size_shaped_and_goes_on_when_it_was_snug():
    assert next_gauge(case(DECIDED, shaped(2, 25, 21.0)), "MB").instrument == "25"
    assert next_gauge(case(DECIDED, shaped(2, 25, 21.0), gauged(3, 25, "snug")), "MB").instrument == "30"
    assert next_gauge(case(DECIDED, shaped(2, 25, 21.0), gauged(3, 25, "loose"), shaped(4, 30, 21.0)), "MB").size == 30
    assert next_gauge(case(DECIDED, shaped(2, 25, 21.0), gauged(3, 25, "loose")), "MB").size == 25


def test_without_a_working_length_or_a_shaped_size_nothing_is_offered():
    with pytest.raises(CaseError, match="canal MB must have a decided working length first: decide it"):
        next_file(case(), "MB")
    with pytest.raises(CaseError, match="no shaping file has reached working length"):
        next_gauge(case(DECIDED, shaped(2, 20, 15.0)), "MB")


def test_a_superseded_decision_no_longer_counts():
    later = entry(2, "decided working length", length_mm=20.5, supersedes="e1")
    assert next_file(case(DECIDED, later), "MB").length_mm == 20.5


def test_every_finding_of_gauging_has_a_key():
    assert {*GAUGE_KEYS.values()} == {*KIND_TABLE["apical gauging"].findings}


def test_a_draft_is_an_entry_that_the_record_takes():
    grown = case(DECIDED, shaped(2, 25, 21.0))
    record = LengthRecord(grown.entries)
    made = next_file(grown, "MB").entry(record, canal="MB", by="NB", at="2026-11-25T12:00", reference_point="cusp")
    assert record.with_entry(made, canals=["MB"]).entries[-1].size == 30


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("25/.04", (25, 0.04, None)), (" 25/0,06 ", (25, 0.06, None)), ("15", (15, None, None)),
        ("33/.05 special", (33, 0.05, True)), ("33 special", (33, None, True)),
    ],
)  # fmt: skip
def test_an_instrument_as_it_is_typed(text, expected):
    assert typed_instrument(text) == expected


@pytest.mark.parametrize("text", ["", "33/.05", "25/.04\n30/.04", "file", "25/", "33"])
def test_what_is_no_instrument_is_refused(text):
    with pytest.raises(CaseError, match="must be"):
        typed_instrument(text)


@pytest.mark.parametrize("offer", [next_file, next_gauge])
def test_a_length_from_another_point_is_offered_for_nothing(offer):
    """The entry would say that it counts from the canal's present point."""
    decided = entry(1, "decided working length", length_mm=21.0, reference_point="buccal cusp")
    with pytest.raises(CaseError, match="must count from cusp: it was decided from buccal cusp; decide again"):
        offer(case(decided, shaped(2, 25, 21.0)), "MB")


def test_what_went_in_from_another_point_says_nothing_of_the_next_file():
    again = entry(3, "decided working length", length_mm=20.0)
    before = entry(2, "shaping file", size=25, taper=0.04, length_mm=21.0, reference_point="buccal cusp")
    assert next_file(case(DECIDED, before, again), "MB").instrument == "20/.04"
