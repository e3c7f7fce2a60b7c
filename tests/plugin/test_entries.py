"""The record as it grows during a session: drafts by two keys, the form, questions, what decides what is offered."""

import pytest
from wlmeasure_napari._entries import begin_file, begin_gauge, enter, enter_draft, strike_out
from wlmeasure_napari._session import Session

from wlmeasure.errors import CaseError
from wlmeasure.record.case import load_case
from wlmeasure.record.draft import Draft
from wlmeasure.record.record import LengthRecord
from wlmeasure.share.timeline import timeline

from .test_session import FILM, to_decision


@pytest.fixture
def session():
    session = Session()
    session.initials = "KO"
    session.open_film(FILM)
    session.set_tooth("45")
    to_decision(session)
    return session


def kinds(session):
    return [entry.kind for entry in session.case.entries]


def test_a_decision_puts_what_it_rests_on_into_the_record(session):
    assert kinds(session) == [*["electronic reading"] * 3, "film length", "decided working length"]
    *readings, film, decided = session.case.entries
    assert film.length_mm == session.trace_result.length.length_mm
    assert decided.proposed.length_mm == session.proposed_mm()
    assert decided.rests_on == (film.id, *(reading.id for reading in readings))
    assert (decided.length_mm, decided.by) == (20.0, "KO")
    assert load_case(session.path).entries == session.case.entries


def test_another_decision_is_entered_alone(session):
    """What was measured rests on no decision, so it is not entered again."""
    session.decide(19.5, "KO", "after flaring")
    (later,) = session.case.entries[5:]
    assert (later.kind, later.length_mm) == ("decided working length", 19.5)
    assert later.supersedes == session.case.entries[4].id
    assert LengthRecord(session.case.entries).decision(session.canal_name) == later


def test_a_shaping_file_and_a_gauge_cost_two_steps_each(session):
    begin_file(session)
    assert session.next_step().words == "single: Shaping file 20/.04 at 20 mm is offered; record it: Enter"
    assert "20/.04 at 20 mm: Enter records it" in session.draft.offer
    enter_draft(session)
    begin_gauge(session)
    assert session.draft.offer.startswith("Apical gauging 20 at 20 mm: S snug, L loose, H short, P past")
    enter_draft(session, "snug")
    file, gauge = session.case.entries[-2:]
    assert (file.kind, file.size, file.taper, file.length_mm, file.by) == ("shaping file", 20, 0.04, 20.0, "KO")
    assert (gauge.kind, gauge.size, gauge.finding, gauge.length_mm) == ("apical gauging", 20, "snug", 20.0)
    assert file.reference_point == session.canal.reference_point
    assert session.draft is None


def test_putting_the_tool_away_forgets_the_draft_and_enters_nothing(session):
    before = session.case
    begin_file(session)
    session.cancel()
    assert session.draft is None
    assert session.case is before
    begin_file(session)
    session.take("canal")
    assert session.draft is None


def test_a_length_beyond_the_apex_is_asked_about_and_taken_the_second_time(session):
    """The film shows the apex at 21.9 mm: 23 mm is a slip, or meant."""
    beyond = Draft("shaping file", 20, 0.04, length_mm=23.0)
    before = session.case.entries
    with pytest.raises(CaseError, match=r"beyond the radiographic apex.*enter it once more; nothing was entered"):
        enter(session, beyond)
    assert session.case.entries == before
    with pytest.raises(CaseError, match="beyond"):
        enter(session, Draft("shaping file", 20, 0.04, length_mm=23.5))  # another one is asked about anew
    with pytest.raises(CaseError, match="beyond"):
        enter(session, beyond)
    enter(session, beyond)
    assert session.case.entries[-1].confirmed == ("length-beyond-apex",)


def test_centimetres_are_asked_about(session):
    with pytest.raises(CaseError, match=r"2 mm.*20 mm"):
        enter(session, Draft("shaping file", 20, 0.04, length_mm=2.0))


REFUSED = {
    "no finding": (Draft("apical gauging", 25, length_mm=20.0), {}, "finding"),
    "no such size": (Draft("shaping file", 33, 0.04, length_mm=20.0), {}, "special"),
    "no such kind": (Draft("polishing"), {}, "kind must be one of"),
    "a quantity it does not have": (Draft("block"), {"distance_mm": 2.0}, "level_mm|distance_mm"),
}


@pytest.mark.parametrize(("draft", "more", "words"), REFUSED.values(), ids=REFUSED)
def test_what_the_record_refuses_changes_nothing(session, draft, more, words):
    before, stored = session.case, session.path.read_bytes()
    with pytest.raises(CaseError, match=words):
        enter(session, draft, **more)
    assert session.case is before
    assert session.path.read_bytes() == stored


def test_nothing_is_entered_without_initials_or_a_case():
    session = Session()
    with pytest.raises(CaseError, match="film and tooth"):
        enter(session, Draft("note"))
    session.open_film(FILM)
    session.set_tooth("45")
    with pytest.raises(CaseError, match="initials must be entered first"):
        enter(session, Draft("note"), note="x")
    with pytest.raises(CaseError, match="record must hold an entry"):
        strike_out(session)
    with pytest.raises(CaseError, match="length must be decided first"):
        begin_file(session)


def test_an_entry_struck_out_stays_readable_and_counts_no_more(session):
    begin_file(session)
    enter_draft(session)
    struck = session.case.entries[-1]
    strike_out(session)
    note = session.case.entries[-1]
    assert (note.kind, note.supersedes, note.note) == ("note", struck.id, "entered by mistake")
    assert struck in session.case.entries
    begin_file(session)
    assert session.draft.size == 20  # as if it had never gone in


def test_a_clock_that_was_set_back_does_not_stop_the_record(session, monkeypatch):
    """Ten minutes behind another computer it takes that one's time; years behind, its own: then the other one was wrong."""
    from datetime import datetime, timedelta

    last = session.case.entries[-1].at
    for behind, at in ((timedelta(minutes=10), last), (timedelta(days=2000), None)):
        then = datetime.fromisoformat(last) - behind

        class Earlier(datetime):
            @classmethod
            def now(cls, tz=None, then=then):
                return then

        monkeypatch.setattr("wlmeasure_napari._entries.datetime", Earlier)
        enter(session, Draft("note"), note="later")
        assert session.case.entries[-1].at == (at or then.isoformat())


def test_an_offer_goes_with_the_length_that_it_was_made_of(session):
    begin_file(session)
    session.undo()
    assert session.draft is None
    session.redo()
    begin_file(session)
    session.rename_canal(session.canal_name, "lingual cusp tip")
    assert session.draft is None
    for begin in (begin_file, begin_gauge):  # 20 mm counted from the other cusp
        with pytest.raises(CaseError, match="from the reference point that canal single has now"):
            begin(session)


def test_the_last_entry_struck_out_is_one_of_the_canal_in_hand_and_the_next_time_the_one_before(session):
    first, (*_, film, decided) = session.canal_name, session.case.entries
    session.add_canal("L", "lingual cusp tip")
    enter(session, Draft("electronic reading", length_mm=18.0, finding="foramen"))
    session.choose_canal(first)
    session.rename_canal("B", session.canal.reference_point)
    for meant in (decided, film):
        strike_out(session)
        assert session.case.entries[-1].supersedes == meant.id
    assert len(session.facts.of("L").readings) == 1


def test_lines_of_a_canal_are_its_own_after_names_have_changed(session):
    first, point = session.canal_name, session.canal.reference_point
    session.add_canal("L", "lingual cusp tip")
    enter(session, Draft("electronic reading", length_mm=18.0, finding="foramen"))
    session.choose_canal(first)
    session.rename_canal("B", point)
    session.choose_canal("L")
    session.rename_canal(first, "lingual cusp tip")
    lines = {name: timeline(LengthRecord(session.case.entries), name) for name in ("B", first)}
    assert [line.entry.length_mm for line in lines[first] if line.entry.length_mm] == [18.0]
    assert 20.0 in [line.entry.length_mm for line in lines["B"]]
    session.delete_canal()
    session.add_canal(first, "lingual cusp tip")
    assert timeline(LengthRecord(session.case.entries), first) == ()
