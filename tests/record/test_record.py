"""The length record: appended to, never edited, and recomputed from what it was made from."""

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.errors import CaseError
from wlmeasure.record.case import Entry, case_digest, case_from_json, case_to_json
from wlmeasure.record.record import LengthRecord, compare, entries_from
from wlmeasure.share.timeline import entry_words

AT = "2026-11-25T10:30:00"
LATER = "2026-11-25T11:00:00"


def entry(number=1, kind="note", at=AT, **more):
    return Entry(id=f"e{number}", kind=kind, at=at, by="AB", canal=more.pop("canal", "MB"), **more)


@pytest.fixture
def result(body, measure):
    """One canal with film length, three readings and a decision."""
    body["canals"][0] |= {
        "electronic_readings": [{"length_mm": 21.5, "mark": "foramen"}] * 3,
        "decision": {"length_mm": 20.5, "by": "CD", "at": AT, "reason": "patent to here"},
    }
    return measure(body)


def entered(result, record=None, at=AT):
    return entries_from(result, record or LengthRecord(), at=at, by="AB", program="wlmeasure 0.1.0")


def kept(result, record):
    """The case with its record, as it comes back from a file."""
    data = case_to_json(attrs.evolve(result.case, entries=record.entries))
    return case_from_json(data, folder=result.case.folder)


# --- append-only ------------------------------------------------------------------------------------------------------


def test_with_entry_gives_a_new_record_and_leaves_the_old_one():
    empty = LengthRecord()
    one = empty.with_entry(entry(1))
    two = one.with_entry(entry(2))
    assert (empty.entries, [e.id for e in one.entries], [e.id for e in two.entries]) == ((), ["e1"], ["e1", "e2"])
    with pytest.raises(attrs.exceptions.FrozenInstanceError):
        two.entries = ()
    with pytest.raises(attrs.exceptions.FrozenInstanceError):
        two.entries[0].length_mm = 5.0


def test_entries_stand_in_the_order_of_time():
    record = LengthRecord((entry(1, at=LATER),))
    with pytest.raises(CaseError, match=r"entries\[1\].at must not be before the entry above it"):
        record.with_entry(entry(2, at=AT))
    assert record.with_entry(entry(2, at=LATER)).entries[1].at == LATER


def test_times_with_zones_are_compared_as_instants():
    """09:45Z is later than 10:30+01:00 although its clock says less; without zones the clock decides."""
    record = LengthRecord((entry(1, at="2026-11-25T10:30:00+01:00"),))
    assert len(record.with_entry(entry(2, at="2026-11-25T09:45:00Z")).entries) == 2
    with pytest.raises(CaseError, match="must not be before"):
        record.with_entry(entry(2, at="2026-11-25T09:15:00Z"))
    with pytest.raises(CaseError, match="must not be before"):
        record.with_entry(entry(2, at="2026-11-25T10:29:00"))


def test_a_time_that_is_no_date_is_refused():
    with pytest.raises(CaseError, match=r"entries\[0\].at must be a date and time"):
        LengthRecord((entry(1, at="2026-13-25T10:30"),))


@pytest.mark.parametrize(
    ("second", "message"),
    [
        (entry(1), r"entries\[1\].id must be used once: 'e1'"),
        (entry(2, supersedes="e9"), r"entries\[1\].supersedes must name an earlier entry: 'e9'"),
        (entry(2, supersedes="e2"), r"entries\[1\].supersedes must name an earlier entry: 'e2'"),
        (entry(2, kind="guess"), "kind must be one of"),
    ],
)
def test_entries_that_do_not_fit_are_refused(second, message):
    record = LengthRecord((entry(1),))
    with pytest.raises(CaseError, match=message):
        record.with_entry(second)
    assert len(record.entries) == 1


def test_a_kind_of_a_newer_version_is_read_and_kept():
    assert LengthRecord((entry(1, kind="cone bend length"),)).standing()[0].kind == "cone bend length"


def test_what_is_superseded_no_longer_stands_but_is_still_there():
    record = LengthRecord((entry(1), entry(2, canal="ML"), entry(3, supersedes="e1")))
    assert [e.id for e in record.standing()] == ["e2", "e3"]
    assert [e.id for e in record.standing("MB")] == ["e3"]
    assert len(record.entries) == 3


def test_the_current_length_is_the_last_standing_decision_else_the_proposal():
    record = LengthRecord(
        (entry(1, "proposed working length", length_mm=20.0), entry(2, "film length", length_mm=22.0))
    )
    assert record.current("MB").id == "e1"
    cusp = {"reference_point": "mesiobuccal cusp tip"}
    record = record.with_entry(entry(3, "decided working length", length_mm=19.5, **cusp))
    record = record.with_entry(entry(4, "proposed working length", length_mm=21.0, supersedes="e1"))
    assert record.current("MB").id == "e3"
    record = record.with_entry(entry(5, "decided working length", length_mm=19.0, supersedes="e3", **cusp))
    assert record.current("MB").id == "e5"
    assert record.current("ML") is None


@given(st.lists(st.integers(1, 12), unique=True, max_size=8))
def test_the_next_id_is_free(numbers):
    record = LengthRecord(tuple(entry(number) for number in numbers))
    assert record.next_id() not in {f"e{number}" for number in numbers}


# --- entries from a measurement -----------------------------------------------------------------------------------------


def test_a_measurement_enters_every_length_with_its_origin(result):
    record = entered(result)
    assert [e.kind for e in record.entries] == [
        "film length",
        "electronic length",
        "proposed working length",
        "decided working length",
    ]
    film, electronic, proposed, decided = record.entries
    assert film.length_mm == pytest.approx(22.0, abs=1e-9)
    assert film.film_sha256 == result.films[0].radiograph.sha256
    assert film.status == "radiographic apex"
    assert electronic.length_mm == pytest.approx(21.0)
    assert (proposed.length_mm, proposed.status) == (pytest.approx(21.0), "concordant")
    assert (decided.length_mm, decided.by, decided.note) == (20.5, "CD", f"decided {AT}: patent to here")
    for one in record.entries:
        assert (one.at, one.canal, one.reference_point) == (AT, "MB", "mesiobuccal cusp tip")
        assert one.inputs_sha256 == case_digest(result.case)
        assert one.program == "wlmeasure 0.1.0"
        assert one.supersedes is None
    assert [e.by for e in record.entries[:3]] == ["AB"] * 3
    assert [e.rests_on for e in record.entries] == [(), (), ("e1", "e2"), ("e3",)]


def test_the_same_inputs_are_not_entered_twice(result):
    record = entered(result)
    assert entered(result, record, at=LATER) == record


def test_changed_inputs_supersede_what_stood(result, body, measure):
    record = entered(result)
    body["films"][0]["scale"][0]["known_length_mm"] = 20.5
    record = entered(measure(body), record, at=LATER)
    assert [e.supersedes for e in record.entries[4:]] == ["e1", "e2", "e3", "e4"]
    assert [e.id for e in record.standing()] == ["e5", "e6", "e7", "e8"]
    assert [e.rests_on for e in record.entries[4:]] == [(), (), ("e5", "e6"), ("e7",)]
    assert record.entries[4].length_mm == pytest.approx(22.0 * 20.5 / 20.0, abs=1e-9)


def test_an_earlier_time_is_refused_and_nothing_is_entered(result):
    record = entered(result, at=LATER)
    changed = attrs.evolve(result, case=attrs.evolve(result.case, case_id="other"))
    with pytest.raises(CaseError, match="must not be before"):
        entered(changed, record, at=AT)
    assert len(record.entries) == 4


def test_two_films_of_a_canal_have_a_length_each_and_one_proposal(samples):
    from wlmeasure.record.case import load_case
    from wlmeasure.record.evaluate import evaluate

    case = load_case(next(path for path in samples if path.name.startswith("two_films")))
    record = entered(evaluate(case))
    kinds = [e.kind for e in record.entries]
    assert kinds.count("film length") == 2
    assert kinds.count("proposed working length") == 1
    assert {e.film_sha256 for e in record.entries if e.kind == "film length"} == {f.sha256 for f in case.films}
    # The length from both films together says so, and no proposal rests on it.
    (both,) = [e for e in record.entries if e.kind == "length in space"]
    assert {both.film_sha256, *both.other_films_sha256} == {f.sha256 for f in case.films}
    assert all(both.id not in e.rests_on for e in record.entries)
    assert "on 2 films" in entry_words(both)
    again = evaluate(case)
    assert compare(attrs.evolve(case, entries=record.entries), again) == ()
    assert entered(again, record).entries == record.entries


# --- recomputed ---------------------------------------------------------------------------------------------------------


def test_an_untouched_record_compares_clean(result):
    case = kept(result, entered(result))
    assert compare(case, result) == ()


@pytest.mark.parametrize("number", range(4))
def test_a_tampered_figure_is_found(result, number):
    """A hundredth of a millimetre typed into the file: the inputs are the same, the figure is not what they give."""
    record = entered(result)
    tampered = attrs.evolve(record.entries[number], length_mm=record.entries[number].length_mm + 0.01)
    case = kept(result, LengthRecord((*record.entries[:number], tampered, *record.entries[number + 1 :])))
    (found,) = compare(case, result)
    assert found.entry.id == f"e{number + 1}"
    assert found.reason == "figure differs"
    assert found.length_mm == pytest.approx(record.entries[number].length_mm)


def test_a_figure_of_other_inputs_is_told_from_a_wrong_one(result, body, measure):
    record = entered(result)
    body["films"][0]["scale"][0]["known_length_mm"] = 20.5
    changed = measure(body)
    found = compare(kept(changed, record), changed)
    assert {d.reason for d in found} == {"inputs changed"}
    assert "e1" in {d.entry.id for d in found}


def test_a_figure_that_can_no_longer_be_measured_is_found(result, body, measure):
    record = entered(result)
    del body["films"][0]["scale"]
    changed = measure(body)
    found = {d.entry.kind: d.length_mm for d in compare(kept(changed, record), changed)}
    assert found["film length"] is None


def test_superseded_entries_and_notes_are_not_compared(result):
    record = entered(result)
    wrong = attrs.evolve(record.entries[0], length_mm=5.0)
    right = attrs.evolve(record.entries[0], id="e9", supersedes="e1")
    note = entry(10, "note")
    assert compare(kept(result, LengthRecord((wrong, *record.entries[1:], right, note))), result) == ()
