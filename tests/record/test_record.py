"""The length record: appended to, never edited, and recomputed from what it was made from."""

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.errors import CaseError, QuestionError
from wlmeasure.record.case import Entry, case_digest, case_from_json, case_to_json
from wlmeasure.record.record import LengthRecord, compare, decided, measured_entries
from wlmeasure.share.timeline import entry_words

AT = "2026-11-25T10:30:00"
LATER = "2026-11-25T11:00:00"


def entry(number=1, kind="note", at=AT, **more):
    return Entry(id=f"e{number}", kind=kind, at=at, by="AB", canal=more.pop("canal", "MB"), **more)


@pytest.fixture
def result(body, measure, readings):
    """One canal with a length on film and three readings, r1 to r3."""
    body["entries"] = readings(21.5, 21.5, 21.5)
    return measure(body)


def entered(result, record=None, at=AT):
    record = LengthRecord(result.case.entries) if record is None else record
    return measured_entries(result, record, at=at, by="AB", program="wlmeasure 0.1.0")


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


def asked(record, new, **options):
    try:
        record.with_entry(new, **options)
    except QuestionError as error:
        return error.codes
    return ()


def test_a_time_before_the_last_entrys_is_asked_about():
    record = LengthRecord((entry(1, at=LATER),))
    with pytest.raises(QuestionError, match=f"at lies before the entry above it, of {LATER}: {AT}"):
        record.with_entry(entry(2, at=AT))
    written = record.with_entry(entry(2, at=AT), confirmed=("before-the-last",)).entries[1]
    assert (written.at, written.confirmed) == (AT, ("before-the-last",))
    assert asked(record, entry(2, at=LATER)) == ()


def test_times_with_zones_are_compared_as_instants():
    """09:45Z is later than 10:30+01:00 although its clock says less; without zones the clock decides."""
    record = LengthRecord((entry(1, at="2026-11-25T10:30:00+01:00"),))
    assert asked(record, entry(2, at="2026-11-25T09:45:00Z")) == ()
    assert asked(record, entry(2, at="2026-11-25T09:15:00Z")) == ("before-the-last",)
    assert asked(record, entry(2, at="2026-11-25T10:29:00")) == ("before-the-last",)


def test_a_time_in_the_future_is_asked_about_and_locks_nothing():
    """A year typed wrong: asked on entry; once it stands, today's entries go in behind it and one takes its place."""
    record = LengthRecord((entry(1, at=AT),))
    wrong = entry(2, at="2062-11-25T10:40:00")
    assert asked(record, wrong, now=LATER) == ("in-the-future",)
    assert (
        asked(record, entry(2, at="2026-11-25T11:09:00"), now=LATER) == ()
    )  # another computer's clock, within ten minutes
    assert asked(record, entry(2, at="2026-11-25T11:11:00"), now=LATER) == ("in-the-future",)
    record = record.with_entry(wrong, now=LATER, confirmed=("in-the-future",))
    assert asked(record, entry(3, at=LATER), now=LATER) == ()
    right = record.with_entry(entry(3, at=LATER, supersedes="e2"), now=LATER)
    assert [e.id for e in right.standing()] == ["e1", "e3"]
    assert asked(right, entry(4, at=LATER), now=LATER) == ()


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


def test_the_length_that_holds_is_the_last_standing_decision():
    cusp = {"reference_point": "mesiobuccal cusp tip"}
    record = LengthRecord((entry(1, "proposed working length", length_mm=20.0),))
    assert record.decision("MB") is None  # what version 1 proposed decides nothing
    record = record.with_entry(entry(2, "decided working length", length_mm=19.5, **cusp))
    assert record.decision("MB").id == "e2"
    record = record.with_entry(entry(3, "decided working length", length_mm=19.0, supersedes="e2", **cusp))
    assert record.decision("MB").id == "e3"
    assert record.decision("ML") is None
    assert record.with_entry(entry(4, supersedes="e3")).decision("MB") is None  # taken back: no earlier one comes back


@given(st.lists(st.integers(1, 12), unique=True, max_size=8))
def test_the_next_id_is_free(numbers):
    record = LengthRecord(tuple(entry(number) for number in numbers))
    assert record.next_id() not in {f"e{number}" for number in numbers}


# --- entries from a measurement -----------------------------------------------------------------------------------------


def test_a_measurement_enters_the_film_length_with_its_origin(result):
    (*heard, film) = entered(result).entries
    assert tuple(heard) == result.case.entries
    assert (film.kind, film.status, film.id) == ("film length", "radiographic apex", "e4")
    assert film.length_mm == pytest.approx(22.0, abs=1e-9)
    assert film.film_sha256 == result.films[0].radiograph.sha256
    assert (film.at, film.canal, film.reference_point, film.by) == (AT, "MB", "mesiobuccal cusp tip", "AB")
    assert film.inputs_sha256 == case_digest(result.case)
    assert (film.program, film.supersedes, film.rests_on) == ("wlmeasure 0.1.0", None, ())


def test_a_decision_says_what_it_rests_on_and_what_was_proposed(result):
    given = {"at": LATER, "by": "CD", "program": "wlmeasure 0.1.0"}
    record = decided(result, "MB", 20.5, reason="patent to here", **given)
    film, made = record.entries[3:]
    assert (film.kind, made.kind, made.length_mm, made.by, made.note) == (
        *("film length", "decided working length", 20.5, "CD", "patent to here"),
    )
    assert made.rests_on == (film.id, "r1", "r2", "r3")
    assert (made.reference_point, made.inputs_sha256, made.supersedes) == ("mesiobuccal cusp tip", None, None)
    assert made.proposed.status == "concordant"
    assert made.proposed.length_mm == pytest.approx(result.canals[0].working_length.length_mm)
    assert made.proposed.length_std_mm == pytest.approx(result.canals[0].working_length.std_mm)
    again = decided(evaluated(result, record), "MB", 20.0, **given)
    assert [e.kind for e in again.entries[5:]] == [
        "decided working length"
    ]  # an untouched film length is not entered anew
    assert (again.decision("MB").supersedes, again.decision("MB").rests_on) == (made.id, made.rests_on)


def test_a_decision_needs_a_canal_with_a_named_reference_point(result, body, measure):
    given = {"at": LATER, "by": "CD", "program": "wlmeasure 0.1.0"}
    with pytest.raises(CaseError, match="canal must be one of the case: 'X'; add it first"):
        decided(result, "X", 20.5, **given)
    del body["canals"][0]["reference_point"]
    with pytest.raises(CaseError, match="reference point of canal MB must be named first: a length counts from it"):
        decided(measure(body), "MB", 20.5, **given)
    body["entries"] = [{"id": "e1", "kind": "note", "at": AT, "by": "AB", "supersedes": "e9"}]
    body["canals"][0]["reference_point"] = "cusp"
    with pytest.raises(CaseError, match=r"record cannot be followed, so nothing is entered in it: entries\[0\]"):
        decided(measure(body), "MB", 20.5, **given)


@pytest.mark.parametrize(("length_mm", "codes"), [(2.05, ("length-in-centimetres",)), (22.5, ("length-beyond-apex",))])
def test_a_decision_is_questioned_as_any_entry(result, length_mm, codes):
    given = {"at": LATER, "by": "CD", "program": "wlmeasure 0.1.0"}
    with pytest.raises(QuestionError) as question:
        decided(result, "MB", length_mm, **given)
    assert question.value.codes == codes
    assert decided(result, "MB", length_mm, confirmed=codes, **given).decision("MB").confirmed == codes


def evaluated(result, record):
    return attrs.evolve(result, case=attrs.evolve(result.case, entries=record.entries))


def test_the_same_inputs_are_not_entered_twice(result):
    record = entered(result)
    assert entered(result, record, at=LATER) == record


def test_changed_inputs_supersede_what_stood(result, body, measure):
    record = entered(result)
    body["films"][0]["scale"][0]["known_length_mm"] = 20.5
    record = entered(measure(body), record, at=LATER)
    assert [(e.id, e.supersedes) for e in record.entries[3:]] == [("e4", None), ("e5", "e4")]
    assert [e.id for e in record.standing()] == ["r1", "r2", "r3", "e5"]
    assert record.entries[4].length_mm == pytest.approx(22.0 * 20.5 / 20.0, abs=1e-9)


def test_without_a_marked_reference_point_nothing_of_a_film_is_entered(result, body, measure):
    """A length from the orifice is no length of the record."""
    del body["canals"][0]["traces"][0]["reference_px"]
    unmarked = measure(body)
    assert unmarked.canals[0].traces[0].lacks_reference
    assert entered(unmarked).entries == unmarked.case.entries


def test_two_films_of_a_canal_have_a_length_each_and_one_together(samples):
    from wlmeasure.record.case import load_case
    from wlmeasure.record.evaluate import evaluate

    case = load_case(next(path for path in samples if path.name.startswith("two_films")))
    result = evaluate(case)
    record = entered(result)
    kinds = [e.kind for e in record.entries]
    assert (kinds.count("film length"), kinds.count("length in space")) == (2, 1)
    assert {e.film_sha256 for e in record.entries if e.kind == "film length"} == {f.sha256 for f in case.films}
    (both,) = [e for e in record.entries if e.kind == "length in space"]
    assert {both.film_sha256, *both.other_films_sha256} == {f.sha256 for f in case.films}
    assert "on 2 films" in entry_words(both)
    again = evaluate(case)
    assert compare(attrs.evolve(case, entries=record.entries), again) == ()
    assert entered(again, record).entries == record.entries
    held = decided(result, "single", 20.0, at=LATER, by="AB", program="x").decision("single")
    assert both.id not in held.rests_on  # no proposal is made from the length in space


# --- recomputed ---------------------------------------------------------------------------------------------------------


def test_an_untouched_record_compares_clean(result):
    case = kept(result, entered(result))
    assert compare(case, result) == ()


def test_a_tampered_figure_is_found(result):
    """A hundredth of a millimetre typed into the file: the inputs are the same, the figure is not what they give."""
    *before, film = entered(result).entries
    case = kept(result, LengthRecord((*before, attrs.evolve(film, length_mm=film.length_mm + 0.01))))
    (found,) = compare(case, result)
    assert (found.entry.id, found.reason) == ("e4", "figure differs")
    assert found.length_mm == pytest.approx(film.length_mm)


def test_a_figure_of_other_inputs_is_told_from_a_wrong_one(result, body, measure):
    record = entered(result)
    body["films"][0]["scale"][0]["known_length_mm"] = 20.5
    changed = measure(body)
    found = compare(kept(changed, record), changed)
    assert {d.reason for d in found} == {"inputs changed"}
    assert "e4" in {d.entry.id for d in found}


def test_a_figure_that_can_no_longer_be_measured_is_found(result, body, measure):
    record = entered(result)
    del body["films"][0]["scale"]
    changed = measure(body)
    found = {d.entry.kind: d.length_mm for d in compare(kept(changed, record), changed)}
    assert found["film length"] is None


def test_superseded_entries_and_notes_are_not_compared(result):
    *before, film = entered(result).entries
    wrong = attrs.evolve(film, length_mm=5.0)
    right = attrs.evolve(film, id="e9", supersedes=film.id)
    note = entry(10, "note")
    assert compare(kept(result, LengthRecord((*before, wrong, right, note))), result) == ()


POINT = {"canal": "MB", "reference_point": "cusp"}


@pytest.mark.parametrize(
    "steps",
    [
        [(3, "electronic reading", 1)],
        [(3, "note", 1), (4, "electronic reading", 3)],  # struck out, and the striking out taken back
        [(3, "trial file film", 1), (4, "electronic reading", 3)],  # entered as another kind, and then as what it was
        [(3, "note", 1), (4, "note", 3), (5, "electronic reading", 4)],
    ],
)
def test_a_reading_from_before_flaring_counts_after_it_by_no_correction(steps):
    read = {"length_mm": 20.5, "finding": "foramen"}
    more = {"electronic reading": read, "trial file film": {"length_mm": 20.0, "distance_mm": 0.5}, "note": {}}
    record = LengthRecord((entry(1, "electronic reading", **POINT, **read), entry(2, "coronal flaring", **POINT)))
    for number, kind, old in steps:
        record = record.with_entry(entry(number, kind, supersedes=f"e{old}", **POINT, **more[kind]))
    now, past = record.readings("MB", "cusp")
    assert (now, [e.id for e in past]) == ((), [f"e{steps[-1][0]}"])


def test_taking_a_decision_back_brings_no_earlier_one_back_whether_it_was_superseded_or_not():
    made = [entry(n, "decided working length", length_mm=length, **POINT) for n, length in ((1, 20.0), (2, 21.0))]
    record = LengthRecord((*made, entry(3, supersedes="e2", **POINT)))
    assert record.decision("MB") is None
    assert record.decision("MB", before=record.places()["e3"]).id == "e2"


def test_an_entry_supersedes_none_of_another_canal():
    record = LengthRecord((entry(1, "decided working length", length_mm=20.0, **POINT),))
    with pytest.raises(
        CaseError, match="supersedes must name an entry of the same canal: 'e1' is of MB, this one of DB"
    ):
        record.with_entry(entry(2, supersedes="e1", canal="DB"))
    assert record.with_entry(entry(2, supersedes="e1")).decision("MB") is None  # a note of the whole tooth may
