"""Lengths that no longer hold: each scenario is a row of entries, each expectation what a clinician would say of it."""

import itertools
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.record.case import Entry
from wlmeasure.record.kinds import KIND_TABLE
from wlmeasure.record.record import LengthRecord
from wlmeasure.record.stale import stale_entries

CUSP, GROOVE = "mesiobuccal cusp tip", "central groove"
FILM, OTHER_FILM = "0" * 64, "1" * 64


def record_of(*rows):
    """Entries e1, e2, ... a minute apart, of canal MB from the cusp unless a row says otherwise."""
    entries = []
    for number, (kind, more) in enumerate(rows, 1):
        given = {"canal": "MB", "reference_point": CUSP} | more
        at = f"2026-11-25T{number // 60:02d}:{number % 60:02d}:00"
        entries.append(Entry(id=f"e{number}", kind=kind, at=at, by="AB", **given))
    return LengthRecord(tuple(entries))


def found(record, **options):
    return {s.entry.id: {flag.code for flag in s.reasons} for s in stale_entries(record, **options)}


def film(**more):
    return "film length", {"length_mm": 22.0, "status": "radiographic apex", "film_sha256": FILM} | more


def reading(length_mm=21.0, finding="constriction", **more):
    return "electronic reading", {"length_mm": length_mm, "finding": finding} | more


def decided(length_mm=21.0, **more):
    return "decided working length", {"length_mm": length_mm} | more


def shaped(size=25, length_mm=21.0, **more):
    return "shaping file", {"size": size, "taper": 0.04, "length_mm": length_mm} | more


def gauged(size=25, finding="snug", length_mm=21.0, **more):
    return "apical gauging", {"size": size, "finding": finding, "length_mm": length_mm} | more


FLARED = ("coronal flaring", {})
CUSP_LOST = ("cusp shortened", {"canal": None, "reference_point": None, "extent_mm": 1.5})


def test_a_record_without_a_change_holds():
    assert found(record_of(film(), reading(), decided())) == {}
    assert found(LengthRecord()) == {}


# --- flaring and shaping ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("event", [FLARED, shaped(), ("old filling removed", {"finding": "in whole"})])
def test_shaping_since_the_last_measurement(event):
    record = record_of(film(), reading(), decided(), event)
    assert found(record) == {"e1": {"shaped-since"}, "e2": {"shaped-since"}, "e3": {"shaped-since"}}
    for one in stale_entries(record):
        assert one.causes == ("e4",)
        assert one.settled_by.startswith("an electronic reading from the present reference point comes first")
        assert "another film remains the clinician's choice" in one.settled_by


def thrice(*values):
    return [reading(*values) for _ in range(3)]


def test_readings_since_that_the_decision_does_not_pass_uphold_it():
    """T7.6 by the readings: 21.0 decided holds where 21.0 to 21.5 is read thrice, not where it is longer than what is read."""
    start = [film(), reading(), decided(), FLARED]
    assert found(record_of(*start, *thrice(21.0))) == {}
    assert found(record_of(*start, *thrice(21.5, "foramen"))) == {}  # 21.0 at the constriction
    assert found(record_of(*start, *thrice(21.4))) == {}
    for values in ((20.8,), (21.0, "foramen"), (20.2,), (21.6,)):
        assert found(record_of(*start, *thrice(*values))) == {"e3": {"shaped-since"}}, values
    (one,) = stale_entries(record_of(*start, *thrice(20.2)))
    assert one.settled_by == "the canal was measured since (e7): deciding the length again settles it"
    assert found(record_of(*start, *thrice(21.4)), upheld_within_mm=0.1) == {"e3": {"shaped-since"}}


def test_one_reading_since_upholds_nothing():
    """Two do not either: nothing is established by fewer than three."""
    start = [film(), reading(), decided(), FLARED]
    assert found(record_of(*start, reading(21.0))) == {"e3": {"shaped-since"}}
    assert found(record_of(*start, reading(21.0), reading(21.0))) == {"e3": {"shaped-since"}}


def test_readings_since_uphold_it_together():
    """The median of three, as in the proposal; spread by more than half a millimetre they say nothing."""
    start = [film(), reading(), decided(), FLARED]
    assert found(record_of(*start, reading(20.9), reading(21.0), reading(21.2))) == {}
    assert found(record_of(*start, reading(20.2), reading(20.2), reading(20.6))) == {"e3": {"shaped-since"}}
    assert found(record_of(*start, reading(21.0), reading(21.0), reading(20.2))) == {"e3": {"shaped-since"}}
    # Those from before the last file are readings of another canal shape.
    assert found(record_of(*start, *thrice(21.0), shaped(), reading(20.2))) == {"e3": {"shaped-since"}}


def test_a_reading_beyond_the_foramen_upholds_nothing():
    assert found(record_of(reading(), decided(), FLARED, reading(21.0, "beyond"))) == {"e2": {"shaped-since"}}


def test_deciding_again_on_a_reading_taken_since_settles_it():
    assert found(record_of(reading(), decided(), FLARED, reading(20.2), decided(20.0, supersedes="e2"))) == {}


def test_deciding_again_on_an_old_reading_does_not():
    record = record_of(reading(), decided(), FLARED, decided(20.5, supersedes="e2"))
    assert found(record) == {"e1": {"shaped-since"}, "e4": {"shaped-since"}}
    named = record_of(reading(), decided(), FLARED, reading(19.5), decided(20.5, supersedes="e2", rests_on=("e1",)))
    assert found(named) == {"e5": {"shaped-since"}}


def test_another_canal_is_left_alone_and_the_whole_tooth_is_not():
    other = ("coronal flaring", {"canal": "ML"})
    whole = ("coronal flaring", {"canal": None})
    assert found(record_of(reading(), decided(), other)) == {}
    assert set(found(record_of(reading(), decided(), whole))) == {"e1", "e2"}


def test_a_correction_is_no_new_measurement():
    """The reading was typed wrong before the flaring and put right after it: it is still the reading from before."""
    record = record_of(reading(20.9), decided(), FLARED, reading(21.0, supersedes="e1"))
    assert found(record) == {"e2": {"shaped-since"}, "e4": {"shaped-since"}}


def test_a_withdrawn_event_changes_nothing():
    assert found(record_of(reading(), decided(), FLARED, ("note", {"supersedes": "e3"}))) == {}


# --- reference point ------------------------------------------------------------------------------------------------------


def test_a_lost_cusp_makes_every_length_from_it_old():
    record = record_of(film(), reading(), decided(), shaped(20, 19.5), *thrice(), CUSP_LOST)
    assert found(record) == {f"e{number}": {"reference-changed"} for number in range(1, 8)}
    settled = {s.entry.id: s.settled_by for s in stale_entries(record)}
    assert settled["e4"] == "taking it to length again and reading the stop settles it"


def test_a_lost_cusp_that_is_named_leaves_lengths_from_other_points_alone():
    lost = ("cusp shortened", {"canal": None, "extent_mm": 1.5})  # names the cusp
    assert found(record_of(decided(), lost)) == {"e1": {"reference-changed"}}
    assert found(record_of(decided(reference_point=GROOVE), lost)) == {}
    after = record_of(reading(), decided(), lost, reading(19.5), decided(19.5, supersedes="e2"))
    assert found(after) == {}


def test_a_new_reference_point_leaves_lengths_from_it_alone():
    """What was measured from the old point and measured again from the new one is history; the decision must be taken again."""
    new = ("reference point changed", {"reference_point": GROOVE})
    record = record_of(reading(), decided(), new, reading(20.0, reference_point=GROOVE))
    assert found(record) == {"e2": {"reference-changed"}}
    again = record_of(
        reading(),
        decided(),
        new,
        reading(20.0, reference_point=GROOVE),
        decided(20.0, reference_point=GROOVE, supersedes="e2"),
    )
    assert found(again) == {}


def test_a_later_length_from_another_point_is_seen_without_an_event():
    assert found(record_of(decided(), reading(20.0, reference_point=GROOVE))) == {"e1": {"reference-changed"}}


def test_the_cases_own_name_of_the_point_counts():
    record = record_of(reading(), decided())
    assert found(record, reference_points={"MB": CUSP}) == {}
    assert found(record, reference_points={"MB": GROOVE}) == {"e1": {"reference-changed"}, "e2": {"reference-changed"}}


# --- films, superseded entries ----------------------------------------------------------------------------------------------


def test_a_film_with_a_new_scale():
    rescaled = ("film calibrated anew", {"canal": None, "reference_point": None, "film_sha256": FILM})
    rows = [film(), decided(rests_on=("e1",)), film(film_sha256=OTHER_FILM), rescaled]
    assert found(record_of(*rows)) == {"e1": {"film-rescaled"}, "e2": {"rests-on-stale"}}
    settled = {s.entry.id: s.settled_by for s in stale_entries(record_of(*rows))}
    assert settled["e1"] == "measuring the film again on its new scale settles it"
    assert settled["e2"].startswith("what it rests on has to be settled first")


def test_a_superseded_reading():
    record = record_of(reading(21.0), decided(rests_on=("e1",)), reading(20.5, supersedes="e1"))
    assert found(record) == {"e2": {"rests-on-superseded"}}
    (one,) = stale_entries(record)
    assert one.causes == ("e3",)


def test_what_falls_is_passed_on_through_a_proposal():
    """Version 1 stored proposals: a decision on one rests on the film that the proposal was made from."""
    rescaled = ("film calibrated anew", {"canal": None, "reference_point": None, "film_sha256": FILM})
    proposal = ("proposed working length", {"length_mm": 21.0, "rests_on": ("e1",)})
    record = record_of(film(), proposal, decided(rests_on=("e2",)), film(film_sha256=OTHER_FILM), rescaled)
    assert found(record) == {"e1": {"film-rescaled"}, "e3": {"rests-on-stale"}}


def test_what_rests_on_nothing_named_is_not_guessed_at():
    assert found(record_of(reading(21.0), decided(), reading(20.5, supersedes="e1"))) == {}


# --- insertions -------------------------------------------------------------------------------------------------------------


def test_a_changed_working_length_changes_what_earlier_insertions_mean():
    """A file's insertion length is compared with the working length; a new one makes earlier comparisons old (T7.8's note)."""
    record = record_of(reading(), decided(), shaped(20, 19.0), reading(20.5), decided(20.0, supersedes="e2"))
    assert found(record) == {"e3": {"working-length-changed"}}
    same = record_of(reading(), decided(), shaped(20, 19.0), reading(), decided(supersedes="e2"))
    assert found(same) == {}


def test_gauging_and_cone_are_void_after_more_shaping():
    cone = ("cone fit", {"size": 25, "length_mm": 20.7, "finding": "resistance"})
    start = [reading(), decided(), shaped(25), gauged(), cone]
    assert "e4" not in found(record_of(*start))
    later = found(record_of(*start, shaped(30)))
    assert (later["e4"], later["e5"]) == ({"shaped-on"}, {"shaped-on"})
    settled = {s.entry.id: s.settled_by for s in stale_entries(record_of(*start, shaped(30)))}
    assert (settled["e4"], settled["e5"]) == ("gauging again settles it", "fitting the cone again settles it")
    assert "e4" not in found(record_of(*start, shaped(30), gauged(30)))


# --- laws -------------------------------------------------------------------------------------------------------------------


EVENTS = ("shaping file", "coronal flaring", "cusp shortened", "reference point changed")
ROWS = st.lists(
    st.sampled_from(
        [
            *(film(), reading(), reading(20.2), decided(), decided(20.5), shaped(), gauged(), FLARED, CUSP_LOST),
            *(("electronic length", {"length_mm": 20.9}), ("note", {}), ("patency", {"finding": "patent"})),
            *(("of a newer version", {"length_mm": 20.0}), ("reference point changed", {"reference_point": GROOVE})),
        ]
    ),
    max_size=10,
)


@given(rows=ROWS)
def test_only_standing_lengths_are_flagged_and_each_by_something_later(rows):
    record = record_of(*rows)
    places = record.places()
    for one in stale_entries(record):
        assert one.entry in record.standing()
        assert KIND_TABLE[one.entry.kind].role not in ("event", "note")
        assert one.reasons
        assert one.settled_by
        basis = places[one.entry.id] if one.entry.kind != "decided working length" else -1
        assert all(places[cause] > basis for cause in one.causes)


@given(rows=ROWS)
def test_a_record_without_an_event_is_flagged_for_changed_lengths_only(rows):
    quiet = [row for row in rows if row[0] not in EVENTS]
    reasons = itertools.chain.from_iterable(found(record_of(*quiet)).values())
    assert set(reasons) <= {"working-length-changed"}


@given(rows=ROWS)
def test_a_fresh_reading_and_decision_settle_the_working_length(rows):
    record = record_of(*rows, reading(20.0), decided(20.0))
    assert record.entries[-1].id not in found(record)


def test_no_word_orders_an_exposure():
    record = record_of(film(), reading(), decided(), shaped(), gauged(), shaped(30), CUSP_LOST)
    texts = [one.settled_by + " ".join(flag.text for flag in one.reasons) for one in stale_entries(record)]
    assert len(texts) == 6
    assert not [text for text in texts if re.search(r"\bretake|\bexpos|\bsafe\b|take another film", text)]


def test_a_record_of_a_thousand_entries_is_searched():
    """The record ends in shaping: the last reading and the decision that rests on it no longer hold."""
    record = record_of(*[reading(), decided(), shaped()] * 333)
    assert {"e997", "e998"} <= set(found(record))
