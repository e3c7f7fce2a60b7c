"""What the state takes from a session: each sort of entry that no longer holds, what settles it, and what comes after."""

import pytest
from attrs import evolve
from wlmeasure_napari._entries import add_reading, begin_file, enter, enter_draft, strike_out
from wlmeasure_napari._guide import Doubt, next_step, state_of

from wlmeasure.record.draft import Draft

from .test_session import FILM, OTHER, in_its_own, named, scale, started, to_decision, trace


@pytest.fixture(scope="module")
def decided(tmp_path_factory):
    """Film, scale, trace, point, three readings, decision: made once, since tracing and measuring take seconds."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("WLMEASURE_DRAFTS", str(tmp_path_factory.mktemp("decided")))
        session = started()
        to_decision(session, "")
        yield session
        session.document.release()


@pytest.fixture
def session(decided):
    return in_its_own(decided)


def shaped(session):
    begin_file(session)
    enter_draft(session)


def read(session, *lengths):
    for length in lengths:
        add_reading(session, length, "foramen")


def gauged(session):
    enter(session, Draft("apical gauging", 20, length_mm=20.0, finding="snug"))


def test_nothing_is_in_doubt_after_a_decision(session):
    state = state_of(session)
    assert (state.doubt, state.decided, state.readings, state.past) == (None, "20.0 mm", 3, 0)
    assert (state.counted_on, state.traced, state.marked, state.point) == ("f1", True, True, "buccal cusp tip")
    assert state.afterwards == "shape"
    assert state.unsaved


def test_shaped_since_a_reading_comes_first_and_three_that_differ_call_for_a_decision(session):
    shaped(session)
    assert state_of(session).doubt == Doubt("Decided 20.0 mm", "shaped since", "read")
    assert (state_of(session).readings, state_of(session).past) == (0, 3)
    assert session.next_step().missing == "take a reading first"
    read(session, 19.0)
    assert state_of(session).doubt == Doubt("Decided 20.0 mm", "shaped since", "decide")
    assert session.next_step().missing == "read again, 2 more"
    read(session, 19.0, 19.0)
    assert session.next_step().missing == "decide again"
    session.decide(18.5, "KO", "")
    assert state_of(session).doubt == Doubt("Shaping file 20.0 mm", "another working length", "file")
    assert session.next_step().key == "N"


def test_a_reading_that_upholds_the_decision_settles_it(session, tmp_path):
    shaped(session)
    read(session, 20.5, 20.5, 20.5)
    assert state_of(session).doubt is None
    session.save_as(tmp_path / "a.wl.json")
    assert session.next_step().words == "single: Done and saved; gauge what was shaped: G"
    gauged(session)
    session.save()
    assert session.next_step().words == "Done and saved; write the report: button Report"


def test_a_gauge_and_a_cone_before_more_shaping(session):
    shaped(session)
    gauged(session)
    enter(session, Draft("cone fit", 20, length_mm=20.0, finding="resistance"))
    begin_file(session)
    enter_draft(session)
    read(session, 20.5, 20.5, 20.5)
    assert state_of(session).doubt == Doubt("Apical gauging 20.0 mm", "shaped on since", "gauge")
    strike_out(session, next(e.id for e in session.case.entries if e.kind == "apical gauging"))
    assert state_of(session).doubt == Doubt("Master cone 20.0 mm", "shaped on since", "cone")


def test_another_reference_point_takes_the_ground_from_under_a_decision(session):
    named(session, "flattened buccal cusp")
    state = state_of(session)
    assert state.doubt == Doubt("Decided 20.0 mm", "another reference point", "read")
    assert (state.readings, state.past) == (0, 3)
    assert session.canal_facts.stop is None


def test_a_trace_that_gives_another_length_since(session):
    session.move(next(h for h, _ in session.handles() if h.role == "reference"), (120.0, 470.0))
    assert state_of(session).doubt == Doubt("Decided 20.0 mm", "the film gives another length", "decide")
    assert "decide again" in session.next_step().words


def test_a_decision_that_was_struck_out_is_none(session):
    strike_out(session)
    state = state_of(session)
    assert (state.decided, state.doubt) == ("", None)
    assert session.next_step().missing == "decide"


def test_another_canal_without_a_decision_and_one_in_doubt(session, tmp_path):
    session.add_canal("L", "lingual cusp tip")
    assert state_of(session).doubted_canal == ""
    session.choose_canal("single")
    assert session.next_step().words == "Canal single is decided; go on with L: list Canal in hand"
    session.choose_canal("L")
    read(session, 19.0, 19.0, 19.0)
    session.decide(18.0, "KO", "")
    shaped(session)
    session.choose_canal("single")
    session.save_as(tmp_path / "a.wl.json")
    assert state_of(session).doubted_canal == "L"
    assert session.next_step().words == "In canal L something no longer holds; choose L: list Canal in hand"


def test_readings_alone_lead_to_a_decision_without_a_scale(tmp_path):
    """Legitimate: the point is named, no film is measured."""
    session = started()
    named(session)
    read(session, 20.5)
    assert session.next_step().missing == "read again, 2 more"
    read(session, 20.5, 20.5)
    assert session.next_step().words == "single: Proposed length 19.8 mm, reading only; decide: field Decided"
    session.decide(19.5, "KO", "")
    session.save_as(tmp_path / "a.wl.json")
    assert "Done and saved" in session.next_step().words


def test_a_canal_traced_on_another_film_is_gone_to_for_its_mark(session):
    session = started()
    named(session)
    scale(session)
    trace(session)
    session.cancel()
    session.open_film(OTHER, into="this case")
    assert session.next_step().key == "field Stop to tip"  # each film has its own scale
    scale(session)
    assert session.next_step().key == "list Film in view"
    session.choose_film("f1")
    assert session.next_step().key == "R"


def test_a_question_asked_once_is_told_and_goes_with_esc(session):
    session.do("reading", lambda: add_reading(session, 2.0, "foramen"))
    assert state_of(session).asked == "reading"
    assert session.next_step().key == "field Reading"
    session.cancel()
    assert state_of(session).asked == ""
    session.do("decided", lambda: session.decide(29.0, "KO", ""))
    assert session.next_step().key == "button Decide"
    session.add_canal("L", "cusp")
    assert state_of(session).asked == ""


def test_a_decision_longer_than_the_proposal_is_asked_about_once(session, tmp_path):
    """Short of the apex, so the record itself asks nothing; it is done only once the same is decided again."""
    heard = []
    session.said.connect(lambda *words: heard.append(words))
    longer = session.proposed_mm() + 0.3
    session.save_as(tmp_path / "a.wl.json")
    before = session.case
    session.do("decided", lambda: session.decide(longer, "KO", ""))
    assert "is longer than what film and readings propose" in heard[-1][1]
    assert session.case == before
    assert session.next_step().key == "button Decide"
    session.do("decided", lambda: session.decide(longer, "KO", ""))
    assert heard[-1] == ("decided", "")
    assert state_of(session).decided == f"{longer:.1f} mm"
    for close in (0.0, 0.08):  # what is proposed, or the same to 0.1 mm, is no question
        session.do("decided", lambda close=close: session.decide(session.proposed_mm() + close, "KO", ""))
        assert heard[-1] == ("decided", "")


def test_done_is_not_said_beside_a_warning_on_the_decided_length(session, tmp_path):
    far = session.canal_facts.proposal
    long = max(far.length_mm, far.ceiling_mm) + 0.4
    for _ in range(2):  # asked about, and meant
        session.do("decided", lambda: session.decide(long, "KO", ""))
    session.save_as(tmp_path / "a.wl.json")
    assert any(flag.code.startswith("decided-") for flag in session.canal_facts.flags)
    assert "Done" not in session.next_step().words
    assert "saved, with a warning;" in session.next_step().words
    assert session.next_step().key == "N"


@pytest.mark.parametrize("text", ["", "20", "2,1", "nothing"])
def test_another_value_or_none_answers_what_was_asked_about(session, text):
    session.do("reading", lambda: add_reading(session, 2.0, "foramen"))
    for same in ("2.0", "2"):
        session.typed("reading", same)
        assert state_of(session).asked == "reading"
    session.typed("decision", text)  # another field
    assert state_of(session).asked == "reading"
    session.typed("reading", text)
    assert state_of(session).asked == ""


def test_who_works_is_said_first_and_confirmed_for_the_next_case():
    session = started()
    assert state_of(session).who == "said"
    session.close_case()
    session.open_film(FILM)
    session.set_tooth("45")
    assert session.next_step().key == "button Confirm"
    session.confirm()
    assert session.next_step().key == "field Stop to tip"
    session.initials = ""
    assert session.next_step().key == "field Working"
    assert session.next_step(recorded=False).key == "field Stop to tip"


def test_every_state_of_a_session_has_a_line(session):
    """The busy line names the job and nothing to press."""
    assert next_step(evolve(state_of(session), busy="Tracing")).words == "Tracing …"


def test_another_persons_clicks_are_said_first_and_ones_own_last():
    """A case may outlive the person whose hand its intervals reckon with."""
    from types import SimpleNamespace

    from wlmeasure_napari._warnings import remarks_of

    from wlmeasure.record.case import Clicks

    clicks = Clicks(std_px=0.5, by="AB", source="repeats", repeats=24)
    seen = SimpleNamespace(
        canal_result=None, facts=None, canal_facts=None, film=SimpleNamespace(flags=(), clicks=clicks),
        radiograph=SimpleNamespace(warnings=("The film was read as grey.",)), initials="KO",
    )  # fmt: skip
    said = [remark.words for remark in remarks_of(seen)]
    assert said[0].startswith("Lengths reckon with clicks 0.5 px, from 24 repeats of AB. That is another person")
    seen.initials = "AB"
    assert [remark.words for remark in remarks_of(seen)][
        -1
    ] == "Lengths reckon with clicks 0.5 px, from 24 repeats of AB."
