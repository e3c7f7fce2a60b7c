"""The session without a screen: the whole job by calls, its history, its refusals, and what is on disk meanwhile."""

import copy
import gc
import json
import random
import shutil
import signal
import subprocess
import sys
import tempfile
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from attrs import evolve
from wlmeasure_napari._drafts import drafts, free_drafts
from wlmeasure_napari._entries import (
    add_reading,
    begin_file,
    begin_gauge,
    enter,
    enter_draft,
    repeat_reading,
    strike_out,
)
from wlmeasure_napari._session import Handle, Session

from wlmeasure.errors import CaseError, StaleCaseError, TraceError, TradeError, WlmeasureError
from wlmeasure.record.case import case_to_json, load_case
from wlmeasure.record.draft import Draft
from wlmeasure.record.edit import typed_number
from wlmeasure.record.evaluate import evaluate

ROOT = Path(__file__).resolve().parents[2]
FILMS = ROOT / "sample_images" / "films"
FILM, OTHER = FILMS / "ref_p60_h00_v00.png", FILMS / "ref_straight_h00_v00.png"
STOP, TIP = (188.25, 499.5), (1224.75, 611.0)
ORIFICE, MIDDLE, END = (187.75, 499.0), (860.25, 503.25), (1240.25, 619.25)


def started(film=FILM, tooth="45"):
    session = Session()
    session.initials = "KO"
    session.open_film(film)
    session.set_tooth(tooth)
    return session


def named(session, point="buccal cusp tip"):
    session.rename_canal(session.canal_name, point)


def scale(session, length_mm=21.5, std_mm=0.05):
    session.set_known_length(length_mm, std_mm)
    session.take("file")
    session.click(STOP)
    session.click(TIP)


def trace(session, *points):
    session.take("canal")
    for point in points or (ORIFICE, MIDDLE, END):
        session.click(point)
    session.accept()


def reference(session, at=(180.0, 490.0)):
    session.take("reference")
    session.click(at)


def read_thrice(session):
    for length in (20.5, 21.0, 20.5):
        add_reading(session, length, "foramen", 15)


def in_its_own(session):
    """The same state in a session of its own, with a draft of its own."""
    fresh = Session()
    own = {"document", "changed", "moved", "said"}
    vars(fresh).update({name: copy.copy(value) for name, value in vars(session).items() if name not in own})
    fresh.document.keep(fresh.case, fresh._paths)
    return fresh


def to_decision(session, reason="readings repeat"):
    """From the canal's name to a decision, on a film that is open."""
    named(session)
    scale(session)
    trace(session)
    reference(session)
    read_thrice(session)
    session.decide(20.0, "KO", reason)


@cache
def _whole_job(film):
    """Done once a film, since tracing and measuring take seconds; its draft is nobody's."""
    with pytest.MonkeyPatch.context() as patch, tempfile.TemporaryDirectory() as folder:
        patch.setenv("WLMEASURE_DRAFTS", folder)
        session = started(film)
        to_decision(session)
        session.document.release()
        return session


def whole_job(film=FILM):
    return in_its_own(_whole_job(film))


def numbers(trace):
    length, bend = trace.length, trace.curvature
    return length.coronal_mm, length.canal_mm, [(t.term, t.std_mm) for t in length.budget], bend.largest_deg


def move(session, role, index, to):
    session.move(next(h for h, _ in session.handles() if (h.role, h.index) == (role, index)), to)


def delete(session, role, index):
    canals = ("", session.canal_name)
    session.choose(next(h for h, _ in session.handles() if (h.role, h.index) == (role, index) and h.canal in canals))
    session.delete_chosen()


def insert(session):
    session.insert(session.canal_name, (500.0, 500.0))


def nudge(session):
    session.choose(next(h for h, _ in session.handles() if h.role == "canal" and h.index == 1))
    session.move_chosen(0.25, -0.25)


# Every kind of step that a person can take, in an order in which each of them can be taken.
STEPS = {
    "point named": named,
    "scale": scale,
    "length again": lambda s: s.set_known_length(21.0, None),
    "scale moved": lambda s: move(s, "scale", 0, (190.0, 500.0)),
    "canal": trace,
    "canal moved": lambda s: move(s, "canal", 1, (861.0, 504.0)),
    "nudged": nudge,
    "inserted": insert,
    "point deleted": lambda s: delete(s, "canal", 1),
    "reference": reference,
    "reference moved": lambda s: move(s, "reference", 0, (181.0, 491.0)),
    "end": lambda s: s.set_end(apical_end="apical foramen"),
    "visibility": lambda s: s.set_end(apex_visibility="superimposed"),
    "reference deleted": lambda s: delete(s, "reference", 0),
    "readings": read_thrice,
    "same again": repeat_reading,
    "reading taken back": lambda s: strike_out(s, s.canal_facts.readings[1].id),
    "renamed": lambda s: s.rename_canal("B", "buccal cusp"),
    "second canal": lambda s: s.add_canal("L"),
    "second canal traced": lambda s: trace(s, (190.0, 499.0), (800.0, 502.0)),
    "traced anew": lambda s: trace(s, (191.0, 499.0), (860.0, 503.0)),
    "second trace deleted": lambda s: delete(s, "canal", 0),
    "second film": lambda s: s.open_film(OTHER, into="this case"),
    "canal deleted": lambda s: s.delete_canal(),
    "tooth": lambda s: s.set_tooth("44"),
    "first film": lambda s: s.choose_film("f1"),
    "scale deleted": lambda s: s.remove_scale(0),
    "object": lambda s: (
        s.take("object"), s.click((100.0, 100.0)), s.click((600.0, 100.0)), s.set_object_length(21.0, None)
    ),
    "decision": lambda s: s.decide(20.0, "KO", ""),
    "shaping file": lambda s: (begin_file(s), enter_draft(s)),
    "gauge": lambda s: (begin_gauge(s), enter_draft(s, "loose")),
    "form": lambda s: enter(s, Draft("patency", 10, finding="patent"), note="easily"),
    "struck out": strike_out,
}  # fmt: skip
NO_STEP_OF_THE_CASE = {"first film"}


def test_the_whole_job_by_calls(tmp_path):
    """Each time it says what is missing next; the numbers are those of the case file measured on its own."""
    session = Session()
    said = []
    for step in (
        lambda s: setattr(s, "initials", "KO"),
        lambda s: s.open_film(FILM),
        lambda s: s.set_tooth("45"),
        lambda s: s.set_known_length(21.5, 0.05),
        scale,
        named,
        trace,
        reference,
        read_thrice,
        lambda s: s.decide(20.0, "KO", "readings repeat"),
        lambda s: s.save_as(tmp_path / "a.wl.json"),
    ):
        said.append(session.next_step().key)
        step(session)
    assert said == [
        *("field Working", "button Open film", "field Tooth", "field Stop to tip", "S", "field From", "T", "Enter"),
        *("field Reading", "field Decided", "Ctrl+S"),
    ]
    assert session.next_step().words == "single: Done and saved; record the first shaping file: N"
    # The film's own truth: 21.5 mm from stop to tip, a canal of 22.0 mm in space of which a film shows less.
    assert 21.0 < session.trace_result.length.length_mm < 22.2
    assert session.canal_facts.decision.length_mm == 20.0
    again = evaluate(load_case(session.path))
    assert numbers(again.canals[0].traces[0]) == numbers(session.trace_result)
    assert again.canals[0].working_length.length_mm == session.proposed_mm()


def test_the_stored_case_is_the_case_after_every_step():
    """What was accepted is on the disk when the step returns, under the draft's name, with film paths that resolve."""
    session = started()
    for name, step in STEPS.items():
        step(session)
        stored = load_case(session.path)
        assert stored == session.case, name
        again = [numbers(t) for canal in evaluate(stored).canals for t in canal.traces if t.length is not None]
        assert again == [numbers(t) for c in session.result.canals for t in c.traces if t.length is not None], name
        assert all(Path(film.path).is_absolute() and Path(film.path).is_file() for film in stored.films), name
    assert drafts() == [session.path]


def test_every_step_undone_and_redone_leaves_the_same_file():
    """Byte for byte after each step, and again all the way back and forth; what `at` says does not change either."""
    session = started()
    contents = [session.path.read_bytes()]
    for name, step in STEPS.items():
        before = len(session._undo)
        step(session)
        contents_now = session.path.read_bytes()
        steps = len(session._undo) - before
        assert (steps == 0) == (name in NO_STEP_OF_THE_CASE), name
        for _ in range(steps):
            session.undo()
        assert session.path.read_bytes() == contents[-1], name
        for _ in range(steps):
            session.redo()
        assert session.path.read_bytes() == contents_now, name
        contents.append(contents_now)
    while session.can_undo:
        session.undo()
    assert session.path.read_bytes() == contents[0]
    while session.can_redo:
        session.redo()
    assert session.path.read_bytes() == contents[-1]


def test_a_run_with_every_step_undone_and_redone_ends_as_one_without():
    runs = []
    for back in (False, True):
        session = started()
        for step in STEPS.values():
            before = len(session._undo)
            step(session)
            steps = len(session._undo) - before if back else 0
            for way in (*[session.undo] * steps, *[session.redo] * steps):
                way()
        body = json.loads(session.path.read_text(encoding="utf-8"))
        for entry in body["entries"]:
            entry.pop("at")
            entry.pop("inputs_sha256", None)  # of a case that says when it was decided
            entry.pop("note", None)
        runs.append(json.dumps(body))
    assert runs[0] == runs[1]


def test_a_new_step_ends_what_could_be_redone():
    session = whole_job()
    session.undo()
    assert session.can_redo
    add_reading(session, 20.0, "foramen")
    assert not session.can_redo
    stands = session.case
    session.redo()
    assert session.case is stands


@pytest.fixture
def told():
    """A function: carry out a call on a session at a place of the dock; what was said there."""

    def told(session, place, call):
        heard = []
        session.said.connect(lambda *words: heard.append(words))
        with session.telling(place):
            call(session)
        session.said.disconnect()
        return heard

    return told


EMPTY = {
    "scale before a film": ("scale", lambda s: s.take("file"), "film and tooth must be there first"),
    "canal before a film": ("canal", lambda s: s.take("canal"), "film and tooth must be there first"),
    "reading before a film": ("reading", lambda s: add_reading(s, 20.0, "foramen"), "film and tooth"),
    "decision before a film": ("decided", lambda s: s.decide(20.0, "KO", ""), "film and tooth"),
    "saving nothing": ("record", lambda s: s.save_as("x"), "film and tooth must be there first"),
    "no such tooth": ("tooth", lambda s: s.set_tooth("99"), "99"),
    "no such film": ("canvas", lambda s: s.open_film("/nowhere/film.png"), "film.png"),
    "no image": ("canvas", lambda s: s.open_film(__file__), "test_session.py"),
    "no such case": ("canvas", lambda s: s.open_case("/nowhere/a.wl.json"), "a.wl.json cannot be read"),
}
FULL = {
    "words for a reading": ("reading", lambda s: add_reading(s, typed_number("abc", "reading"), "foramen"),
                            "reading must be a number such as 21.5: 'abc'"),
    "reading longer than any tooth": ("reading", lambda s: add_reading(s, 99.0, "foramen"), "length must be"),
    "negative reading": ("reading", lambda s: add_reading(s, -2.0, "foramen"), "length must be"),
    "file of no length": ("length", lambda s: s.set_known_length(0.0, None), "known length must be"),
    "file of half a metre": ("length", lambda s: s.set_known_length(500.0, None), "known length must be"),
    "uncertainty below nothing": ("length", lambda s: s.set_known_length(21.0, -1.0), "give or take must be"),
    "decision without initials": ("decided", lambda s: (setattr(s, "initials", ""), s.decide(20.0, "  ", "")), "initials must"),
    "decision of no length": ("decided", lambda s: s.decide(0.0, "KO", ""), "length must be"),
    "no such tooth": ("tooth", lambda s: s.set_tooth("49"), "49"),
    "no tooth": ("tooth", lambda s: s.set_tooth(""), "must"),
    "canal of a name that is there": ("canal", lambda s: s.add_canal("single"), "must be used once"),
    "canal without a name": ("canal", lambda s: s.add_canal("  "), "name must"),
    "film that is there": ("canvas", lambda s: s.open_film(FILM), "film must be another image"),
    "claim that the image does not make": ("scale", lambda s: s.use_spacing("PixelSpacing", None), "claim must be"),
    "point moved off the film": ("canvas", lambda s: move(s, "canal", 1, (5000.0, 0.0)), "inside the image"),
    "point moved onto the next": ("canvas", lambda s: move(s, "canal", 0, MIDDLE), "must not repeat a point"),
    "reference moved off the film": ("canvas", lambda s: reference(s, (-9.0, 0.0)), "inside the image"),
    "saving into no folder": ("record", lambda s: s.save_as("/nowhere/at/all.wl.json"), "cannot be written"),
    "case that is not there": ("canvas", lambda s: s.open_case("/nowhere/a.wl.json"), "a.wl.json cannot be read"),
}  # fmt: skip


@pytest.mark.parametrize(("place", "call", "words"), EMPTY.values(), ids=EMPTY.keys())
def test_what_is_refused_before_there_is_a_film(told, place, call, words):
    session = Session()
    ((where, what),) = told(session, place, call)
    assert where == place
    assert words in what
    assert (session.case, session.tooth, session.radiographs, session.tool) == (None, None, {}, "look")
    assert drafts() == []


def test_scale_before_the_tooth_is_refused(told):
    session = Session()
    session.open_film(FILM)
    ((_, what),) = told(session, "scale", lambda s: s.take("file"))
    assert what.startswith("tooth must be entered first")


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """A whole case, saved; measured once, opened by each test that needs it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("WLMEASURE_DRAFTS", str(tmp_path_factory.mktemp("drafts")))
        session = whole_job()
        path = tmp_path_factory.mktemp("done") / "done.wl.json"
        session.save_as(path)
    return path


@pytest.fixture
def opened(done, tmp_path):
    """That case, opened from a copy."""
    body = json.loads(done.read_text(encoding="utf-8"))
    body["films"][0]["path"] = str(FILM)
    path = tmp_path / "case.wl.json"
    path.write_text(json.dumps(body), encoding="utf-8")
    session = Session()
    session.open_case(path)
    session.initials = "KO"
    return session


@pytest.mark.parametrize(("place", "call", "words"), FULL.values(), ids=FULL.keys())
def test_a_refused_step_changes_nothing_and_says_so_at_its_place(opened, told, place, call, words):
    before = (opened.case, opened.path, opened.path.read_bytes(), opened.tooth, opened.known_length_mm, opened.film_id)
    ((where, what),) = told(opened, place, call)
    assert where == place
    assert words in what
    assert "\n" not in what
    assert before == (
        *(opened.case, opened.path, opened.path.read_bytes(), opened.tooth, opened.known_length_mm, opened.film_id),
    )
    assert list(opened.radiographs) == ["f1"]
    assert not opened.can_undo


def test_a_step_that_is_carried_out_takes_the_message_back(opened, told):
    told(opened, "reading", FULL["negative reading"][1])
    assert told(opened, "reading", lambda s: add_reading(s, 20.0, "foramen")) == [("reading", "")]


def test_a_full_disk_is_said_and_the_step_does_not_count(opened, told, monkeypatch):
    """The case in memory is never ahead of the one on the disk."""

    def full(case, path):
        raise CaseError(f"{path.name} cannot be written: No space left on device; the old file is unchanged")

    monkeypatch.setattr("wlmeasure_napari._document.save_case", full)
    before = opened.case
    for call in (
        lambda s: add_reading(s, 20.0, "foramen"),
        lambda s: s.set_tooth("44"),
        lambda s: s.open_film(OTHER, into="this case"),
        lambda s: s.add_canal("L"),
    ):
        ((_, what),) = told(opened, "record", call)
        assert "No space left" in what
        assert opened.case is before
        assert (opened.tooth.designation, opened.film_id, opened.canal_name) == ("45", "f1", "single")
    monkeypatch.undo()
    opened.open_film(OTHER, into="this case")
    assert [film.id for film in opened.case.films] == ["f1", "f2"]


def test_a_case_that_could_not_begin_begins_on_the_next_try(told, monkeypatch):
    """The drafts' folder is a file: the system's own words are said, and the film still waits for its tooth."""
    session = Session()
    session.open_film(FILM)
    monkeypatch.setenv("WLMEASURE_DRAFTS", __file__)
    ((_, what),) = told(session, "tooth", lambda s: s.set_tooth("45"))
    assert "test_session.py" in what
    assert (session.case, session.tooth) == (None, None)
    monkeypatch.undo()
    session.set_tooth("45")
    assert session.case is not None


def test_a_film_without_scale_gives_angles_only_and_says_so():
    session = started()
    trace(session)
    result = session.trace_result
    assert (result.length, result.curvature, session.proposed_mm()) == (None, None, None)
    assert result.angles is not None
    assert [flag.code for flag in result.flags] == ["no-scale"]
    assert "angles and no millimetres" in session.film.flags[0].text
    assert session.next_step().place == "canals"  # traced, and the reference point is asked for
    session.cancel()
    assert session.next_step().place == "scale"
    scale(session)
    assert session.trace_result.length.length_mm == pytest.approx(21.8, abs=0.3)
    session.undo()
    assert session.trace_result.length is None


def test_a_click_outside_the_film_is_refused_and_no_point_is_placed():
    session = started()
    session.take("canal")
    session.click(ORIFICE)
    for at in ((-3.0, 10.0), (1500.0, 10.0), (10.0, 2000.0), (float("nan"), 5.0)):
        with pytest.raises(TraceError, match="point"):
            session.click(at)
    assert session.pending == [ORIFICE]
    session.hover((-400.0, 3000.0))
    assert session.live[0] == ORIFICE


def test_the_live_path_follows_the_cursor_from_the_last_point():
    session = started()
    scale(session)
    session.take("canal")
    session.hover(MIDDLE)
    assert session.live == []
    session.click(ORIFICE)
    session.hover(MIDDLE)
    assert (session.live[0], session.live[-1]) == (ORIFICE, MIDDLE)
    session.click(MIDDLE)
    assert session.live == []
    session.hover(END)
    assert (session.live[0], session.live[-1]) == (MIDDLE, END)


def test_undo_while_placing_takes_back_points_before_steps():
    session = started()
    scale(session)
    before = session.path.read_bytes()
    session.take("canal")
    for point in (ORIFICE, MIDDLE, END):
        session.click(point)
    session.undo()
    assert session.pending == [ORIFICE, MIDDLE]
    session.hover(END)
    assert session.live[0] == MIDDLE
    session.undo()
    session.undo()
    assert (session.pending, session.live, session.tool) == ([], [], "canal")
    assert session.path.read_bytes() == before
    session.undo()
    assert session.film.calibration is None


def test_a_second_click_on_the_same_place_is_no_point():
    session = started()
    session.take("canal")
    session.click(ORIFICE)
    session.click(ORIFICE)
    assert session.pending == [ORIFICE]
    with pytest.raises(CaseError, match="at least the orifice and the apical end"):
        session.accept()
    assert session.pending == [ORIFICE]


def test_putting_the_tool_away_forgets_points_that_were_not_accepted():
    session = started()
    session.take("canal")
    session.click(ORIFICE)
    session.cancel()
    assert (session.tool, session.pending, session.live) == ("look", [], [])
    session.click(END)
    assert session.pending == []


def test_ends_first_and_the_length_after():
    """The order does not matter; a length typed again corrects the last one, also with another tool in hand."""
    session = started()
    session.take("file")
    session.click(STOP)
    session.click(TIP)
    assert session.next_step().words == "Both ends stand; enter the known length: field Stop to tip"
    session.set_known_length(21.5, 0.05)
    assert (session.tool, len(session.case.films[0].scale)) == ("look", 1)
    first = session.film.calibration.mm_per_px_row
    session.take("canal")
    session.set_known_length(20.0, 0.05)
    assert len(session.case.films[0].scale) == 1
    assert session.film.calibration.mm_per_px_row == pytest.approx(first * 20.0 / 21.5, rel=1e-3)


def test_points_are_moved_inserted_and_deleted_to_a_fraction_of_a_pixel():
    session = started()
    scale(session)
    trace(session)
    handle = session.nearest((863.0, 505.0), 9.0)
    assert (handle, session.nearest((900.0, 700.0), 9.0)) == (Handle("canal", 1, canal="single"), None)
    session.choose(handle)
    session.move_chosen(-0.25, 0.0)
    session.move_chosen(0.0, 0.25)
    assert session.trace.clicks_px == (ORIFICE, (860.0, 503.5), END)
    session.insert("single", (500.125, 500.5))
    assert session.trace.clicks_px == (ORIFICE, (500.125, 500.5), (860.0, 503.5), END)
    for left in (3, 2):
        delete(session, "canal", 1)
        assert len(session.trace.clicks_px) == left
    delete(session, "canal", 1)
    assert session.trace is None
    assert session.canal.traces == ()
    session.undo()
    assert session.trace.clicks_px == (ORIFICE, END)
    delete(session, "scale", 0)
    assert session.film.calibration is None
    assert session.trace_result.length is None


@pytest.mark.parametrize(
    ("role", "gone"),
    [
        ("scale", lambda s: s.remove_scale(0)),
        ("canal", lambda s: s.rename_canal("B", "cusp")),
        ("canal", lambda s: s.delete_canal()),
        ("canal", lambda s: s.undo()),
    ],
    ids=["scale forgotten", "canal renamed", "canal deleted", "trace undone"],
)
def test_a_chosen_point_that_is_gone_can_neither_be_moved_nor_deleted(opened, role, gone):
    strike_out(opened, opened.canal_facts.readings[0].id)
    opened.choose(next(h for h, _ in opened.handles() if h.role == role))
    gone(opened)
    assert opened.chosen is None
    case = opened.case
    opened.move_chosen(1.0, 0.0)
    opened.delete_chosen()
    assert opened.case is case


def test_the_reference_tool_goes_with_the_trace_that_is_undone():
    session = started()
    trace(session)
    session.take("reference")
    session.undo()
    assert session.trace is None
    assert session.tool == "look"
    session.click((100.0, 100.0))
    assert session.case.canals[0].traces == ()


def test_two_canals_on_two_films():
    """Each film has its own scale, each canal its own trace on it; a canal chosen brings its own numbers."""
    session = started()
    scale(session)
    trace(session)
    session.open_film(OTHER, into="this case")
    assert (session.film_id, session.film.calibration, session.trace) == ("f2", None, None)
    truth = json.loads((ROOT / "sample_images/truth/ref_straight_h00_v00.json").read_text(encoding="utf-8"))
    session.set_known_length(truth["file_tip_to_stop_mm"], 0.05)
    session.take("file")
    session.click(tuple(truth["stop_px"]))
    session.click(tuple(truth["tip_px"]))
    trace(session, tuple(truth["stop_px"]), tuple(truth["tip_px"]))
    session.add_canal("L")
    trace(session, (200.0, 470.0), (1100.0, 560.0))
    assert [[t.film for t in canal.traces] for canal in session.case.canals] == [["f1", "f2"], ["f2"]]
    straight = session.trace_result
    session.choose_canal("single")
    assert session.trace_result is not straight
    assert session.trace_result.length.length_mm == pytest.approx(truth["file_tip_to_stop_mm"], abs=0.3)
    session.choose_film("f1")
    assert session.trace.clicks_px == (ORIFICE, MIDDLE, END)
    session.choose_film("f9")
    assert session.film_id == "f1"


def test_points_of_one_film_are_not_placed_on_the_next():
    session = started()
    session.take("canal")
    session.click(ORIFICE)
    session.open_film(OTHER, into="this case")
    assert (session.tool, session.pending) == ("look", [])


def test_a_film_whose_opening_was_undone_cannot_be_looked_at():
    session = started()
    session.open_film(OTHER, into="this case")
    session.undo()
    assert (session.film_id, session.film_ids) == ("f1", ["f1"])
    session.choose_film("f2")
    assert session.film_id == "f1"
    session.redo()
    session.choose_film("f2")
    assert session.film.radiograph.sha256 == session.case.film("f2").sha256


def test_a_saved_case_names_its_films_from_where_it_lies(tmp_path):
    """Relative with forward strokes, the draft is gone, the case can be moved with its films and opened there."""
    films = tmp_path / "one" / "films"
    films.mkdir(parents=True)
    shutil.copy(FILM, films / "a b.png")
    session = whole_job(films / "a b.png")
    draft = session.path
    (tmp_path / "one" / "cases").mkdir()
    session.save_as(tmp_path / "one" / "cases" / "case")
    assert session.path == tmp_path / "one" / "cases" / "case.wl.json"
    assert load_case(session.path).films[0].path == "../films/a b.png"
    assert not draft.exists()
    assert drafts() == []
    session.undo()
    session.redo()
    assert drafts() == []  # again what the file holds
    before = numbers(session.trace_result)
    (tmp_path / "one").rename(tmp_path / "two")
    other = Session()
    other.open_case(tmp_path / "two" / "cases" / "case.wl.json")
    assert numbers(other.trace_result) == before
    assert other.case.canals == session.case.canals
    other.initials = "KO"
    add_reading(other, 20.5, "foramen")
    assert load_case(other.path).films[0].path == str(tmp_path / "two" / "films" / "a b.png")
    other.save()
    assert load_case(other.path).films[0].path == "../films/a b.png"
    assert drafts() == []


def test_saving_under_a_second_name_leaves_the_first_file(tmp_path):
    session = started()
    session.save_as(tmp_path / "a.wl.json")
    session.save_as(tmp_path / "b.wl.json")
    session.add_canal("L")
    session.save()
    assert len(load_case(tmp_path / "a.wl.json").canals) == 1
    assert len(load_case(tmp_path / "b.wl.json").canals) == 2


def test_a_draft_goes_on_as_the_case_it_was():
    session = whole_job()
    before = case_to_json(session.case)
    del session  # its window is closed
    gc.collect()
    other = Session()
    other.open_case(free_drafts()[0])
    assert case_to_json(other.case) == before
    other.initials = "KO"
    add_reading(other, 20.5, "foramen")
    assert Path(load_case(other.path).films[0].path) == FILM
    assert "draft" in other.saved_words()


def test_members_that_this_version_does_not_know_are_kept(done, tmp_path):
    """On the case, the film, the scale, the canal, the trace and a reading, through steps on each of them."""
    body = json.loads(done.read_text(encoding="utf-8"))
    body["films"][0]["path"] = str(FILM)
    film, canal = body["films"][0], body["canals"][0]
    parts = [body, film, film["scale"][0], canal, canal["traces"][0], body["entries"][0]]
    for k, part in enumerate(parts):
        part["later"] = {"k": k}
    path = tmp_path / "later.wl.json"
    path.write_text(json.dumps(body), encoding="utf-8")
    session = Session()
    session.open_case(path)
    session.set_tooth("44")
    session.set_known_length(21.4, 0.05)
    session.initials = "KO"
    session.rename_canal("B", "buccal cusp tip")
    nudge(session)
    trace(session)
    repeat_reading(session)
    session.undo()
    body = json.loads(path.read_text(encoding="utf-8"))
    film, canal = body["films"][0], body["canals"][0]
    parts = [body, film, film["scale"][0], canal, canal["traces"][0], body["entries"][0]]
    assert [part.get("later") for part in parts] == [{"k": k} for k in range(6)]


@pytest.mark.parametrize("spoil", ["changed film", "no film", "no scale of this world"])
def test_a_case_that_cannot_be_opened_leaves_the_present_one(opened, done, tmp_path, spoil):
    body = json.loads(done.read_text(encoding="utf-8"))
    film = body["films"][0]
    film["path"] = "film.png"
    if spoil == "changed film":
        cv2.imwrite(str(tmp_path / "film.png"), np.zeros((1500, 1000), np.uint8))
    elif spoil == "no scale of this world":
        shutil.copy(FILM, tmp_path / "film.png")
        film["scale"][0] |= {"points_px": [[10, 10], [12, 10]], "trace_kind": "path"}
    bad = tmp_path / "bad.wl.json"
    bad.write_text(json.dumps(body), encoding="utf-8")
    opened.add_canal("L")
    before = (opened.case, opened.result, opened.path, opened.radiographs, opened.canal_name, opened.can_undo)
    with pytest.raises(StaleCaseError if spoil == "changed film" else WlmeasureError):
        opened.open_case(bad)
    assert (opened.case, opened.result, opened.path, opened.radiographs, opened.canal_name, opened.can_undo) == before
    opened.undo()
    assert len(load_case(opened.path).canals) == 1


def test_two_sessions_share_nothing():
    one, other = started(), started(OTHER, "ISO 11")
    heard = []
    other.changed.connect(lambda: heard.append("changed"))
    scale(one)
    trace(one)
    assert heard == []
    assert (other.film.calibration, other.trace, other.tool, other.can_undo) == (None, None, "look", False)
    assert one.path != other.path
    assert len(drafts()) == 2
    assert (load_case(one.path).tooth, load_case(other.path).tooth) == ("45", "11")


def test_an_unknown_tooth_is_refused_by_name():
    with pytest.raises(TradeError, match="99"):
        Session().set_tooth("99")


CHILD = """
import json, sys
from wlmeasure_napari._entries import add_reading
from wlmeasure_napari._session import Session
from wlmeasure.record.case import case_to_json

def tell():
    print(json.dumps(case_to_json(session.case)), flush=True)

session = Session()
print("ready", flush=True)
session.open_film(sys.argv[1])
session.set_tooth("45"); tell()
session.initials = "KO"
session.rename_canal("single", "buccal cusp tip")
session.set_known_length(21.5, 0.05)
session.take("file"); session.click((188.25, 499.5)); session.click((1224.75, 611.0)); tell()
session.take("canal")
for at in ((187.75, 499.0), (860.25, 503.25), (1240.25, 619.25)):
    session.click(at)
session.accept(); tell()
for k in range(60):
    add_reading(session, 15.0 + 0.1 * k, "foramen"); tell()
print("done", flush=True)
"""


def test_a_killed_program_loses_no_step_that_it_had_accepted(drafts_folder):
    """SIGKILL at 12 random moments of a run of 63 steps: what the run had reported is in the newest draft, which opens."""
    if not hasattr(signal, "SIGKILL"):
        pytest.fail("this test needs a system that can kill a process outright")
    moments = random.Random(20)
    reported = []
    for _ in range(12):
        for old in drafts():
            old.unlink()
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(FILM)],
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            env={**__import__("os").environ, "PYTHONPATH": f"{ROOT}:{ROOT / 'plugins'}"},
        )
        assert child.stdout.readline() == "ready\n"
        lines = [child.stdout.readline() for _ in range(moments.randint(0, 12))]
        try:  # then somewhere within a step, which takes about 0.05 s
            child.wait(timeout=moments.uniform(0.0, 0.1))
        except subprocess.TimeoutExpired:
            child.send_signal(signal.SIGKILL)
        lines += child.communicate()[0].splitlines()
        assert child.returncode == -signal.SIGKILL
        # The pipe may hold half of the last line, which then was not reported.
        told = [line for line in lines if line.rstrip().endswith("}")]
        reported.append(len(told))
        if not told:
            continue
        last = json.loads(told[-1])
        session = Session()
        session.open_case(drafts()[0])
        stored = json.loads(json.dumps(case_to_json(session.case)))
        readings = [body.pop("entries", []) for body in (last, stored)]
        assert readings[1][: len(readings[0])] == readings[0]
        assert len(readings[1]) <= len(readings[0]) + 1
        for name in ("films", "canals") if len(told) >= 3 else ():
            assert stored[name] == last[name]
    assert max(reported) > 8
    assert len(set(reported)) > 5


# --- long jobs, drafts in other windows, the file's tip ---------------------------------------------------------------


class Later:
    """Another thread, by hand: jobs wait until they are let go."""

    def __init__(self):
        self.jobs = []

    def __call__(self, job, finish):
        self.jobs.append((job, finish))

    def let_go(self):
        job, finish = self.jobs.pop(0)
        finish(job)


def test_steps_behind_a_long_job_wait_in_line_and_none_is_lost():
    """Accept, and before the path is there: two readings and a decision. All are in the case, in their order."""
    session = started()
    named(session)
    scale(session)
    later = session.work = Later()
    session.do("canal", lambda: session.take("canal"))
    for point in (ORIFICE, MIDDLE, END):
        session.do("canvas", lambda point=point: session.click(point))
    session.do("canal", session.accept)
    assert session.busy
    assert session.next_step().words == "Tracing …"
    session.do("reading", lambda: add_reading(session, 20.5, "foramen", 15))
    session.do("reading", lambda: repeat_reading(session))
    session.do("decided", lambda: session.decide(20.0, "AB", "readings repeat"))
    assert session.trace is None
    assert session.canal_facts.readings == ()
    later.let_go()
    assert not session.busy
    assert session.trace is not None
    assert session.pending == []
    assert [r.length_mm for r in session.canal_facts.readings] == [20.5, 20.5]
    assert session.canal_facts.decision.length_mm == 20.0
    assert load_case(session.path).entries == session.case.entries
    for _ in range(4):
        session.undo()
    assert session.trace is None


def test_a_long_job_that_is_refused_says_so_at_its_place_and_keeps_the_points(told):
    session, said = Session(), []
    session.said.connect(lambda place, text: said.append((place, text)))
    later = session.work = Later()
    session.do("canvas", lambda: session.open_film(ROOT / "README.md"))
    session.do("tooth", lambda: session.set_tooth("45"))
    later.let_go()
    assert session.radiographs == {}
    assert not session.busy
    assert [place for place, text in said if text] == ["canvas"]
    assert session.tooth.designation == "45"  # the step behind it was taken all the same


def test_a_session_without_another_thread_gives_the_same_case():
    one, other = whole_job(), Session()
    other.initials = "KO"
    later = other.work = Later()
    other.do("canvas", lambda: other.open_film(FILM))
    for step in (
        lambda: other.set_tooth("45"),
        lambda: named(other),
        lambda: scale(other),
        lambda: trace(other),
        lambda: reference(other),
        lambda: read_thrice(other),
    ):
        other.do("canvas", step)
        while later.jobs:
            later.let_go()
    mine, theirs = case_to_json(one.case), case_to_json(other.case)
    assert mine["films"] == theirs["films"]
    assert mine["canals"][0]["traces"] == theirs["canals"][0]["traces"]


def test_a_draft_that_is_open_in_another_window_is_not_offered_and_not_opened():
    session = started()
    assert drafts() == [session.path]
    assert free_drafts() == []
    with pytest.raises(CaseError, match="open in another window"):
        Session().open_case(session.path)
    session.add_canal("L")
    assert len(load_case(session.path).canals) == 2


def test_a_draft_of_a_program_that_was_killed_is_free(drafts_folder):
    """The lock goes with the process, not with a tidy end."""
    code = (
        "import os, signal, sys\n"
        "from wlmeasure_napari._session import Session\n"
        "s = Session(); s.open_film(sys.argv[1]); s.set_tooth('45')\n"
        "print('saved', flush=True); os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    subprocess.run([sys.executable, "-c", code, str(FILM)], stdout=subprocess.PIPE, check=False)
    assert len(drafts()) == 1
    assert free_drafts() == drafts()
    session = Session()
    session.open_case(free_drafts()[0])
    assert session.tooth.designation == "45"


def test_the_tip_in_the_canal_follows_the_file():
    """Moved by half a pixel, undone, the file taken away, and set again after the canal: the tip is always the file's."""
    session = started()
    scale(session)
    trace(session)
    assert session.trace.file_tip_px == TIP
    session.move(Handle("scale", 1), (TIP[0] - 0.5, TIP[1]))
    assert session.trace.file_tip_px == (TIP[0] - 0.5, TIP[1])
    session.undo()
    assert session.trace.file_tip_px == TIP
    session.remove_scale(0)
    assert session.trace.file_tip_px is None
    scale(session)
    assert session.trace.file_tip_px == TIP


def test_a_moved_file_is_traced_anew():
    """Its path ends where its points are, and the scale is that of the new points."""
    session = started()
    scale(session)
    before = session.film.calibration.mm_per_px_row
    session.move(Handle("scale", 0), (STOP[0] + 10.0, STOP[1]))
    path = session.case.films[0].scale[0].path_px
    assert path[0] == (STOP[0] + 10.0, STOP[1])
    assert session.film.calibration.mm_per_px_row == pytest.approx(before * 1043 / 1033, rel=2e-3)


def test_of_two_canals_the_file_is_in_the_nearer_one():
    session = started()
    scale(session)
    trace(session)
    session.add_canal("L")
    trace(session, (190.0, 470.0), (860.0, 470.0), (1240.0, 560.0))
    tips = {canal.name: canal.traces[0].file_tip_px for canal in session.case.canals}
    assert tips[session.case.canals[0].name] == TIP
    assert tips["L"] is None


def test_a_session_that_rests_gives_its_draft_up_and_goes_on_beside_whoever_took_it():
    session = started()
    scale(session)
    session.rest()
    other = Session()
    other.open_case(free_drafts()[0])
    other.add_canal("L")
    session.resume()
    assert session.path != other.path
    session.add_canal("B")
    names = {path: [c.name for c in load_case(path).canals] for path in drafts()}
    assert [name[-1] for name in (names[session.path], names[other.path])] == ["B", "L"]
    session.rest()
    path = session.path
    session.resume()
    assert session.path == path
    assert free_drafts() == []


# --- the file found by itself -------------------------------------------------------------------------------------------


def test_a_file_that_is_found_is_a_proposal_until_it_is_accepted():
    """Typing the length does not accept it, Enter does.

    The sample's file is cut flat, which a tip taken for a cone makes 3 px too long, and says so: 0.06 mm, 0.3 % of the scale.
    """
    session = started()
    session.find_file()
    assert session.film.calibration is None
    stop, tip = session.pending
    truth = json.loads((ROOT / "sample_images" / "truth" / "ref_p60_h00_v00.json").read_text(encoding="utf-8"))
    assert np.hypot(*np.subtract(tip, truth["tip_px"])) < 4.0
    assert "tip-form-assumed" in [flag.code for flag in session.proposal.flags]
    assert np.hypot(*np.subtract(stop, truth["stop_px"])) < 2.0
    assert "enter its length: field Stop to tip" in session.next_step().words
    assert f"{100 * session.proposal.confidence:.0f} of 100 right" in session.next_step().words
    with pytest.raises(CaseError, match="known length must be entered first"):
        session.accept()
    session.set_known_length(21.5, 0.1)
    assert session.film.calibration is None
    assert "then accept: Enter" in session.next_step().words
    session.accept()
    assert session.case.films[0].scale[0].points_px == (stop, tip)
    assert session.proposal is None
    assert session.film.calibration.mm_per_px_row == pytest.approx(0.0204, rel=5e-3)


def test_a_click_or_undo_begins_anew_after_a_proposal():
    session = started()
    session.set_known_length(21.5, 0.1)
    session.find_file()
    session.click(STOP)
    assert (session.proposal, session.pending) == (None, [STOP])
    session.click(TIP)
    assert session.case.films[0].scale[0].points_px == (STOP, TIP)
    session.undo()
    session.find_file()
    session.undo()
    assert session.proposal is None
    assert len(session.pending) == 1
    session.cancel()
    assert session.case.films[0].scale == ()


def test_a_stop_that_is_not_in_the_picture_is_not_made_up():
    """On the sample film without a stop shaft and tip alone are put up, and no length is taken before its begin is marked."""
    session, said = started(FILMS / "ref_stop_outside.png"), []
    session.said.connect(lambda place, text: said.append(text))
    session.set_known_length(21.5, 0.1)
    session.do("scale", session.find_file)
    assert session.proposal.stop_px is None
    assert session.upper_end == "reference"
    assert "no stop; click what its stop rested on" in session.next_step().words
    session.do("scale", session.accept)
    assert said[-1].startswith("known length must begin somewhere: click the edge or cusp that the stop rested on")
    assert session.case.films[0].scale == ()


def test_where_no_stop_is_seen_the_next_click_is_the_stop():
    session = started()
    session.set_known_length(21.5, 0.1)
    session.find_file()
    seen = session.proposal
    session.cancel()
    session._propose((evolve(seen, stop_px=None, stop_std_px=float("inf")),))
    assert "click the stop" in session.next_step().words
    assert "of 100 right" in session.next_step().words
    session.click(STOP)
    assert session.pending == [STOP, tuple(float(v) for v in seen.tip_px)]
    assert session.case.films[0].scale == ()
    session.accept()
    assert session.case.films[0].scale[0].points_px == (STOP, tuple(float(v) for v in seen.tip_px))


def test_no_file_is_found_before_there_is_a_film_nor_where_there_is_none(tmp_path):
    with pytest.raises(CaseError, match="open a film"):
        Session().find_file()
    noise = np.random.default_rng(3).normal(2000, 100, (400, 300)).astype(np.uint16)
    cv2.imwrite(str(tmp_path / "noise.png"), noise)
    session = started(tmp_path / "noise.png")
    with pytest.raises(CaseError, match="nothing on the film looks like one"):
        session.find_file()


def molar(tmp_path):
    """The demonstration's case: a trial file on f2, the filling on f4, three degrees apart; f1 is 15 degrees from f2."""
    for folder in ("cases", "films"):
        shutil.copytree(ROOT / "sample_images" / folder, tmp_path / "samples" / folder)
    session = Session()
    session.open_case(tmp_path / "samples" / "cases" / "molar.wl.json")
    session.choose_film("f4")
    session.choose_canal("MB")
    return session


def test_marks_of_an_earlier_film_are_proposed_and_taken_on_acceptance(tmp_path):
    session = molar(tmp_path)
    truth = json.loads((ROOT / "sample_images" / "truth" / "molar_filling.json").read_text())
    true = next(canal for canal in truth["canals"] if canal["name"] == "MB")
    before = case_to_json(session.case)
    session.carry_over("f2")
    assert case_to_json(session.case) == before
    assert "Marks of film f2 are laid on this one" in session.next_step().words
    assert session.carried.picture.shape == session.radiograph.values.shape
    assert np.hypot(*np.subtract(session.pending[-1], true["apex_px"])) < 10.0  # 0.3 mm
    assert np.hypot(*np.subtract(session.carried.reference[0], true["reference_px"])) < 17.0
    session.accept()
    trace = session.trace
    assert trace.carried.film == "f2"
    assert trace.carried.marks == ("apical end", "reference point")
    assert trace.path_px is not None
    assert session.carried is None
    assert load_case(session.path).canals[0].traces[-1].carried == trace.carried
    # What a person moves is no longer carried.
    last = len(trace.clicks_px) - 1
    session.move(Handle("canal", last, canal="MB"), tuple(true["apex_px"]))
    assert session.trace.carried.marks == ("reference point",)
    session.take("reference")
    session.click(tuple(true["reference_px"]))
    assert session.trace.carried is None


def test_a_click_begins_anew_and_escape_forgets_what_was_carried(tmp_path):
    session = molar(tmp_path)
    session.carry_over("f2", path=True)
    assert len(session.pending) == 12
    session.click((560.0, 540.0))
    assert session.pending == [(560.0, 540.0)]
    assert session.carried is None
    session.carry_over("f2")
    session.cancel()
    assert session.pending == []
    assert session.carried is None


def test_films_of_other_projections_are_refused_in_words(tmp_path):
    session = molar(tmp_path)
    session.choose_film("f1")
    said = []
    session.said.connect(lambda place, text: said.append((place, text)))
    session.do("canal", lambda: session.carry_over("f2"))
    assert said[-1][0] == "canal"
    assert "projections differ" in said[-1][1]
    assert session.carried is None
    assert session.pending == []


def asked_of(session):
    """The canal in hand and a length in centimetres that was asked about."""
    with pytest.raises(CaseError, match="once more"):
        session.decide(2.1, "KO", "")
    return session.canal_name


def test_what_was_asked_of_one_canal_is_no_yes_for_another_of_its_name():
    session = started()
    named(session)
    session.add_canal("L", "lingual cusp tip")
    session.choose_canal(session.case.canals[0].name)
    name = asked_of(session)
    session.rename_canal("B", "buccal cusp tip")
    session.choose_canal("L")
    session.rename_canal(name, "lingual cusp tip")
    asked_of(session)  # asked anew
    session.decide(2.1, "KO", "")
    assert session.canal_facts.decision.length_mm == 2.1


@pytest.mark.parametrize(
    "meanwhile",
    [
        lambda s: s.rename_canal(s.canal_name, "lingual cusp tip"),
        lambda s: (s.delete_canal(), s.add_canal("single", "buccal cusp tip")),
        lambda s: trace(s),
    ],
)
def test_a_question_is_of_the_case_as_it_was(meanwhile):
    session = started()
    named(session)
    asked_of(session)
    meanwhile(session)
    asked_of(session)
    assert session.canal_facts.decision is None


def test_points_and_offers_of_one_canal_are_not_taken_to_another_by_choosing_a_point_of_it():
    session = whole_job()
    first = session.canal_name
    session.add_canal("L", "lingual cusp tip")
    trace(session)
    session.cancel()
    handle = next(h for h, _ in session.handles() if h.canal == "L")
    session.choose_canal(first)
    session.take("canal")
    session.click(ORIFICE)
    session.choose(handle)
    assert (session.canal_name, session.pending, session.tool, session.chosen) == ("L", [], "look", handle)
    session.choose_canal(first)
    begin_file(session)
    session.choose(handle)
    before = session.case
    enter_draft(session)
    assert session.draft is None
    assert session.case is before
