"""What the line and the messages were once seen to say wrongly, each played by the steps that led there."""

import pytest
from wlmeasure_napari import _entries
from wlmeasure_napari._entries import begin_file, enter_draft
from wlmeasure_napari._session import Session

from wlmeasure.share.result import stop_words

from .test_session import FILM, OTHER, reference, scale, trace


def line(session):
    step = session.next_step()
    return getattr(step, "words", step[1] if isinstance(step, tuple) else "")


def begun(tooth="45", point="buccal cusp tip"):
    session = Session()
    session.initials = "KO"
    session.open_film(FILM)
    session.set_tooth(tooth)
    if point is not None:
        session.rename_canal(session.canal_name, point)
    scale(session)
    trace(session)
    return session


def read(session, *lengths):
    for length in lengths:
        if hasattr(_entries, "add_reading"):
            _entries.add_reading(session, length, "foramen")
        else:
            session.add_reading(length, "foramen", None, ())


def finished():
    session = begun()
    reference(session)
    read(session, 20.5, 21.0, 20.5)
    session.decide(20.0, "KO", "")
    return session


def test_one_reading_does_not_call_for_a_decision():
    session = begun()
    reference(session)
    read(session, 20.5)
    assert "ecide" not in line(session)
    assert "2 more" in line(session)
    read(session, 20.5, 20.5)
    assert "decide" in line(session)


def test_done_never_stands_above_a_length_that_no_longer_holds(tmp_path):
    session = finished()
    begin_file(session)
    enter_draft(session)
    session.save_as(tmp_path / "a.wl.json")
    assert session.case.entries[-1].kind == "shaping file"
    assert "Done" not in line(session)
    assert "no longer holds" in line(session)


def test_a_finished_canal_is_not_to_be_traced_because_another_film_is_shown(tmp_path):
    session = finished()
    try:
        session.open_film(OTHER, into="this case")
    except TypeError:
        session.open_film(OTHER)
    assert session.trace is None
    assert "race" not in line(session)
    assert "scale" not in line(session)


def test_save_is_not_asked_for_after_saving(tmp_path):
    session = finished()
    assert "save" in line(session).casefold()
    session.save_as(tmp_path / "a.wl.json")
    assert "save the case" not in line(session).casefold()


def test_no_readings_no_mark_no_stop():
    """README's steps on a molar gave a length and a stop without a cusp being asked for."""
    session = begun("46", None)
    assert "decide the length" not in line(session)
    facts = getattr(session, "canal_facts", None)
    stops = stop_words(facts) if facts is not None else stop_words(session.canal_result)
    assert stops == []
    session.rename_canal(session.canal_name, "mesiobuccal cusp tip")
    session.cancel()
    assert "mark the mesiobuccal cusp tip: R" in line(session)


def heard(session):
    stands = {}
    session.said.connect(lambda place, text: stands.__setitem__(place, text))
    session.ears = [*getattr(session, "ears", []), stands]
    return stands


@pytest.mark.parametrize(
    ("place", "step", "mend"),
    [
        ("scale", lambda s: s.take("file"), lambda s: (s.open_film(FILM), s.set_tooth("45"))),
        ("canal", lambda s: s.take("canal"), lambda s: (s.open_film(FILM), s.set_tooth("45"))),
        ("record", lambda s: s.save_as("case"), lambda s: (s.open_film(FILM), s.set_tooth("45"))),
    ],
)
def test_a_message_about_a_missing_thing_goes_when_the_thing_is_there(place, step, mend):
    session = Session()
    stands = heard(session)
    session.do(place, lambda: step(session))
    assert stands[place]
    session.do("elsewhere", lambda: mend(session))
    assert stands[place] == ""


@pytest.mark.parametrize(
    "step",
    [
        lambda s: s.set_known_length(500.0, None),
        lambda s: s.set_known_length(21.0, -1.0),
        lambda s: read(s, 99.0),
        lambda s: _entries.enter(s, _entries.Draft("block")),
        lambda s: _entries.enter(s, _entries.Draft("shaping file", 25, 0.04)),
    ],
    ids=["length", "give or take", "reading", "block", "file"],
)
def test_no_message_names_a_member(step):
    session = begun()
    stands = heard(session)
    session.do("here", lambda: step(session))
    assert stands["here"]
    assert "_" not in stands["here"]


@pytest.mark.parametrize("text", ["30", "#30", "Universal 30", "LR6", "Palmer LR6"])
def test_a_tooth_is_read_as_it_is_written_in_the_trade(text):
    session = Session()
    session.open_film(FILM)
    session.set_tooth(text)
    assert session.case.tooth == "46"


def test_a_length_in_centimetres_is_asked_about_in_words():
    session = begun()
    stands = heard(session)
    session.do("here", lambda: _entries.enter(session, _entries.Draft("block"), level_mm=1.2))
    assert "12 mm?" in stands["here"]
    assert "_" not in stands["here"]
