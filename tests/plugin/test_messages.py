"""A refusal goes with its cause, and holds no identifier: refused, mended elsewhere, gone."""

import re

import pytest
from wlmeasure_napari._archive import store
from wlmeasure_napari._entries import add_reading, begin_file, enter, repeat_reading, strike_out
from wlmeasure_napari._needs import NEEDS, need
from wlmeasure_napari._session import Session

from wlmeasure.record.draft import Draft

from .test_session import (
    END,
    FILM,
    MIDDLE,
    ORIFICE,
    OTHER,
    STOP,
    TIP,
    move,
    named,
    read_thrice,
    reference,
    scale,
    started,
    trace,
)


def put_away_and_opened(session):
    session.close_case()
    session.open_film(FILM)
    session.set_tooth("45")
    named(session)


def measured(session):
    named(session)
    scale(session)
    trace(session)
    reference(session)


def both_ends(session, tool="file"):
    session.take(tool)
    session.click(STOP)
    session.click(TIP)


def asked(session):
    named(session)
    session.open_film(OTHER)  # of this tooth, or a new case?


# By what is missing: what comes before, the step that is refused, and what mends it, at another place of the dock.
SEQUENCES = {
    "film": (None, "scale", lambda s: s.take("file"), lambda s: s.open_film(FILM)),
    "case": (lambda s: (s.close_case(), s.open_film(FILM)), "scale", lambda s: s.take("file"), lambda s: s.set_tooth("45")),
    "canal": (lambda s: s.delete_canal(), "canal", lambda s: s.take("canal"), lambda s: s.add_canal("B")),
    "point": (lambda s: None, "reading", lambda s: add_reading(s, 20.0, "foramen"), named),
    "trace": (lambda s: None, "canal", lambda s: s.take("reference"), trace),
    "line": (lambda s: None, "film", lambda s: s.set_upright(), trace),
    "initials": (lambda s: (named(s), setattr(s, "initials", "")), "reading", lambda s: add_reading(s, 20.0, "foramen"),
                 lambda s: setattr(s, "initials", "AB")),
    "confirmed": (put_away_and_opened, "reading", lambda s: add_reading(s, 20.0, "foramen"), lambda s: s.confirm()),
    "known length": (both_ends, "canvas", lambda s: s.accept(), lambda s: s.set_known_length(21.5, 0.05)),
    "object's length": (lambda s: both_ends(s, "object"), "canvas", lambda s: s.accept(),
                        lambda s: s.set_object_length(21.5, 0.05)),
    "reading": (named, "reading", repeat_reading, lambda s: add_reading(s, 20.0, "foramen")),
    "entry": (named, "entry", strike_out, lambda s: enter(s, Draft("note"), note="x")),
    "proposal": (measured, "decided", lambda s: (add_reading(s, 20.5, "foramen"), need(s, "proposal")), read_thrice),
    "accepted": (lambda s: (named(s), s.take("canal"), s.click(ORIFICE)), "entry", begin_file, lambda s: s.cancel()),
    "answered": (asked, "entry", begin_file, lambda s: s.answer("Cancel")),
    "decision": (named, "entry", begin_file, lambda s: s.decide(20.0, "KO", "")),
    "case id": (named, "record", store, lambda s: s.inputs.put("case", "", "case id", "bench-1") or s.changed.emit()),
    "stop": (named, "entry", lambda s: need(s, "stop"), lambda s: s.decide(20.0, "KO", "")),
}  # fmt: skip


def ear(session):
    """What stands at each place of the dock."""
    stands = {}
    session.said.connect(lambda place, text: stands.__setitem__(place, text))
    session.heard = stands  # the connection lives as long as the session
    return stands


def test_every_thing_that_can_be_missing_has_its_sequence():
    assert set(SEQUENCES) == set(NEEDS)


@pytest.mark.parametrize("missing", SEQUENCES)
def test_what_was_missing_is_there_and_its_message_is_gone(missing, monkeypatch, tmp_path):
    monkeypatch.setenv("WLMEASURE_ARCHIVE", str(tmp_path / "archive.sqlite"))
    before, place, refused, mended = SEQUENCES[missing]
    session = Session() if before is None else started()
    if before is not None:
        before(session)
    stands = ear(session)
    session.do(place, lambda: refused(session))
    start = NEEDS[missing].words.split("{")[0][:30]
    assert start in stands[place]
    assert "_" not in stands[place]
    session.do("elsewhere", lambda: None)
    assert start in stands[place]  # nothing has been mended yet
    session.do("elsewhere", lambda: mended(session))
    assert stands["elsewhere"] == ""
    assert stands[place] == ""


def test_what_was_typed_wrongly_for_one_canal_does_not_stand_under_the_next():
    session = started()
    stands = ear(session)
    session.do("canal", lambda: session.add_canal(session.canal_name))
    assert "must be used once" in stands["canal"]
    session.do("elsewhere", lambda: None)
    assert "must be used once" in stands["canal"]
    session.do("elsewhere", lambda: session.add_canal("L"))
    assert stands["canal"] == ""


def test_a_field_that_is_being_mended_loses_its_message():
    session = started()
    stands = ear(session)
    session.do("length", lambda: session.set_known_length(500.0, None))
    assert stands["length"]
    session.withdraw("length")
    assert stands["length"] == ""
    stands["length"] = "news"
    session.withdraw("length")
    assert stands["length"] == "news"  # what is no refusal is not withdrawn


REFUSED = {
    "length of a file": lambda s: s.set_known_length(500.0, None),
    "its give or take": lambda s: s.set_known_length(21.0, -1.0),
    "reading": lambda s: add_reading(s, 99.0, "foramen"),
    "reading in centimetres": lambda s: add_reading(s, 2.0, "foramen"),
    "reading of a special size": lambda s: add_reading(s, 20.0, "foramen", 33),
    "reading with a mark of its own": lambda s: add_reading(s, 20.0, "apex"),
    "decision": lambda s: s.decide(0.0, "KO", ""),
    "decision beyond the apex": lambda s: s.decide(29.0, "KO", ""),
    "an entry without what it needs": lambda s: enter(s, Draft("shaping file", 25, 0.04)),
    "an entry with what it has no place for": lambda s: enter(s, Draft("block"), distance_mm=2.0, level_mm=12.0),
    "a level in centimetres": lambda s: enter(s, Draft("block"), level_mm=1.2),
    "a canal that joins itself": lambda s: enter(
        s, Draft("canals joining", finding="owns the apex"), other_canal="single"
    ),
    "a canal that is not there": lambda s: enter(s, Draft("canals joining", finding="owns the apex"), other_canal="X"),
    "no canal that it joins": lambda s: enter(s, Draft("canals joining", finding="owns the apex")),
    "a give or take of nothing": lambda s: enter(s, Draft("note"), length_std_mm=0.1),
    "a film calibrated anew": lambda s: enter(s, Draft("film calibrated anew")),
    "the point changed": lambda s: enter(s, Draft("reference point changed")),
    "a point on the next one": lambda s: move(s, "canal", 0, MIDDLE),
    "a point off the film": lambda s: move(s, "canal", 1, (5000.0, 0.0)),
    "the reference point off the film": lambda s: move(s, "reference", 0, (-9.0, 0.0)),
    "too few points": lambda s: (s.take("canal"), s.click(ORIFICE), s.accept()),
    "a claim": lambda s: s.use_spacing("PixelSpacing", None),
    "a magnification": lambda s: s.use_spacing("PixelSpacing", -1.0),
    "degrees": lambda s: s.set_angulation(horizontal_deg=400.0),
    "degrees to no side": lambda s: s.set_angulation(vertical_deg=float("nan")),
    "a side": lambda s: s.set_angulation(tube_shift="up"),
    "where mesial is": lambda s: s.set_angulation(mesial_to="inwards"),
    "an end": lambda s: s.set_end(apical_end="nowhere"),
    "a visibility": lambda s: s.set_end(apex_visibility="foggy"),
    "a canal's name": lambda s: s.add_canal("  "),
    "a tooth": lambda s: s.set_tooth("99"),
    "a case id": lambda s: store(s, "a" * 500),
}


def test_no_refusal_shows_an_identifier(monkeypatch, tmp_path):
    """Each is refused on the same whole case; END is where the trace ends, so that the film knows where the apex is."""
    monkeypatch.setenv("WLMEASURE_ARCHIVE", str(tmp_path / "archive.sqlite"))
    session = started()
    measured(session)
    read_thrice(session)
    session.decide(20.0, "KO", "")
    assert session.trace.clicks_px[-1] == END
    stands = ear(session)
    for name, step in REFUSED.items():
        before = session.case
        session.do("here", lambda step=step: step(session))
        assert stands["here"], name
        assert session.case is before, name
        assert not re.search(r"[a-z]+_[a-z]+", stands["here"]), (name, stands["here"])
        session.cancel()
