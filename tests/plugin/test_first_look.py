"""The first look: everything proposed at once, and nothing of it counts before a person has accepted it."""

from __future__ import annotations

import shutil
import threading
from itertools import pairwise

import numpy as np
import pytest

import wlmeasure.record.case
from wlmeasure.errors import DetectError
from wlmeasure.record.answers import answers
from wlmeasure.record.case import KnownFile, PlainFile, ProposedItem

from . import test_dock
from .test_dock import END, FILM, MIDDLE, STOP, TIP

person = test_dock.person  # the fixture
OTHER_FILM = FILM.with_name("ref_p45_h00_v00.png")
SHA = "cd" * 32


def line(*corners, step=4.0):
    made = [np.array(corners[0])]
    for one, other in pairwise(corners):
        count = max(2, round(np.hypot(*np.subtract(other, one)) / step))
        made += list(np.linspace(one, other, count)[1:])
    return tuple((round(float(row), 3), round(float(col), 3)) for row, col in made)


def item(kind, label, *points, trusted=True, probability=0.97, **more):
    return ProposedItem(
        kind=kind, label=label, points_px=points, probability=probability, trusted=trusted, model="look",
        model_sha256=SHA, **more,
    )  # fmt: skip


BESIDE, FAR = ((860.0, 640.0), (1200.0, 700.0)), ((200.0, 850.0), (900.0, 850.0))
DOUBTFUL = item("canal", "canal 2", *line(*BESIDE), trusted=False, tooth_number=1, begins="seen", ends="seen")
PLANTED = (
    item("file", "file 1", *line(STOP, (860.0, 503.0), TIP), of="canal 1", begins="seen", ends="seen"),
    item("upper end", "upper end 1", STOP, of="file 1", std_px=1.0),
    item("tip", "tip 1", TIP, of="file 1", std_px=1.0),
    item("canal", "canal 1", *line((420.0, 500.0), MIDDLE, END), of="root end 1", tooth_number=1, begins="seen", ends="seen"),
    DOUBTFUL,
    item("canal", "canal 3", *line(*FAR), tooth_number=2, begins="seen", ends="seen"),
    item("canal", "canal 4", *line((200.0, 900.0), (900.0, 900.0)), probability=0.5, trusted=False, tooth_number=2),
    item("root end", "root end 1", END, tooth_number=1),
    item("reference point", "reference point 1", (180.0, 498.0), tooth_number=1),
)  # fmt: skip


@pytest.fixture
def planted(monkeypatch):
    monkeypatch.setattr("wlmeasure_napari._first_look.FirstLook.looks", True)
    monkeypatch.setattr("wlmeasure_napari._first_look.look_at", lambda _graph: PLANTED)


@pytest.fixture
def session(planted):
    """A session without a screen, whose film is looked at on a word."""
    from wlmeasure_napari._session import Session

    made = Session()
    made.aside = lambda job, finish: finish(job)
    made.initials = "KO"
    made.open_film(FILM)
    made.set_tooth("45")
    made.first.begin()
    return made


def labels(session):
    return [one.label for one in session.first.items]


def traced(session, name="B"):
    (trace,) = next(canal.traces for canal in session.case.canals if canal.name == name)
    return trace


def outcomes(session):
    return {a.item.label: a.outcome for a in answers(session.case) if a.outcome != "not answered"}


def test_whenever_a_layer_comes_or_goes_all_have_one_unit(planted, plugin):
    """The viewer draws at each of these moments, and warns where it finds two units: pixels before a scale, mm with one."""
    from napari.components import ViewerModel
    from wlmeasure_napari._sessions import seat_of

    model = ViewerModel()
    seat = seat_of(model)
    session, units = seat.session, []
    session.aside = lambda job, finish: finish(job)
    session.changed.connect(seat.layers.refresh)
    for event in (model.layers.events.inserted, model.layers.events.removed):
        event.connect(lambda _event: units.append({str(layer.units[-1]) for layer in model.layers}))
    session.initials = "KO"
    session.open_film(FILM)
    session.set_tooth("45")
    session.first.begin()
    session.first.accept()
    session.set_known_length(21.5, 0.1)
    session.first.refuse()
    session.remove_scale(0)  # the file is proposed again
    assert {"pixel"} in units
    assert {"millimeter"} in units
    assert all(len(found) == 1 for found in units)


def test_while_a_length_is_measured_everything_shows_the_last_figures_and_says_so(session, monkeypatch):
    """The list of upper ends, cards and number, at every change from the typed length to its result: none says otherwise."""
    from wlmeasure_napari._glance import glances

    session.first.accept()
    assert session.upper_end == "no length"  # accepted: its length is not said yet
    jobs, seen = [], []
    session.work = lambda job, finish: jobs.append((job, finish))
    monkeypatch.setattr(session, "_fits_anew", lambda _case: True)  # as with films in space, on another thread

    def look():
        (glance,) = glances(session.result, session.facts, measuring=session.measuring)
        scaled = session.film.calibration is not None
        seen.append((session.known_length_mm, session.upper_end, scaled, "being measured" in glance.words))

    session.changed.connect(look)
    session.do("length", lambda: session.set_known_length(21.5, 0.1))
    ((job, finish),) = jobs
    assert set(seen) == {(21.5, "stop", False, True)}
    seen.clear()
    finish(job)
    assert set(seen) == {(21.5, "stop", True, False)}


def test_all_is_shown_at_once_and_nothing_counts(session):
    """The tooth with the file first; what is less likely than `SAID`, and a root's end of a canal, are none of their own."""
    assert labels(session) == ["file 1", "canal 1", "canal 2", "reference point 1", "canal 3"]
    assert session.first.focus.label == "file 1"
    assert session.case.films[0].proposed == ()
    assert session.case.films[0].scale == session.case.canals[0].traces == ()
    assert session.result.canals[0].working_length.length_mm is None
    step = session.next_step()
    assert (
        step.words
        == "3 canals, 1 file, 1 reference point proposed; Enter accepts, arrows choose, A accepts the sure ones"
    )


def test_what_is_accepted_is_as_if_it_were_placed_by_hand(session):
    from wlmeasure_napari._session import Session

    session.first.accept()
    (file,) = session.case.films[0].scale
    assert isinstance(file, PlainFile)  # its length is a person's to say
    assert (file.points_px, file.path_px) == ((STOP, TIP), PLANTED[0].points_px)
    assert session.film.calibration is None
    assert session.next_step().key == "field Stop to tip"
    session.set_known_length(21.5, 0.1)
    (file,) = session.case.films[0].scale
    assert isinstance(file, KnownFile)
    assert [one.by for one in file.accepted] == ["KO"]
    hand = Session()
    hand.open_film(FILM)
    hand.set_tooth("45")
    hand.take("file")
    hand.click(STOP)
    hand.click(TIP)
    hand.set_known_length(21.5, 0.1)
    ours, theirs = (one.film.calibration.mm_per_px for one in (session, hand))
    assert ours == pytest.approx(theirs, rel=5e-3)  # the planted path is straight where the film's file bends
    assert session.first.focus.label == "canal 1"


def test_undo_and_redo_say_what(session):
    told = []
    session.said.connect(lambda place, text: told.append(text) if place == "canvas" and text else None)
    before = session.case

    def do(step):
        session.do("canvas", step)

    do(session.first.accept)
    do(session.first.refuse)  # canal 1
    assert outcomes(session)["canal 1"] == "refused"
    assert "canal 1" not in labels(session)
    do(session.undo)
    do(session.undo)
    assert told == ["Undone: canal 1 refused.", "Undone: file 1 accepted."]
    assert session.case == before
    assert labels(session)[:2] == ["file 1", "canal 1"]
    do(session.redo)
    assert told[-1] == "Again: file 1 accepted."
    assert labels(session)[0] == "canal 1"


def test_all_at_once_takes_no_other_tooth_no_doubtful_canal_no_name_and_no_reference_point(session):
    names = [canal.name for canal in session.case.canals]
    session.first.accept_all()
    assert outcomes(session) == dict.fromkeys(("file 1", "upper end 1", "tip 1"), "accepted")
    assert session.film.calibration is None
    assert session.first.asked == ("canal 1",)  # its name is asked for; nothing of it is in the case yet
    assert session.first.focus.label == "canal 1"  # and it is the one that is seen to be meant
    assert [canal.name for canal in session.case.canals] == names
    assert session.case.canals[0].reference_point is None
    assert not session.case.entries
    with pytest.raises(wlmeasure.record.case.CaseError, match="must be asked for"):
        session.first.name("canal 3", "B")
    session.first.name("canal 1", "B")
    assert traced(session).path_px == PLANTED[3].points_px  # as it was seen
    assert outcomes(session) == dict.fromkeys(("file 1", "upper end 1", "tip 1", "canal 1", "root end 1"), "accepted")
    assert labels(session) == ["canal 2", "reference point 1", "canal 3"]
    with pytest.raises(wlmeasure.record.case.CaseError, match="sure enough"):
        session.first.accept_all()
    session.first.accept()
    with pytest.raises(wlmeasure.record.case.CaseError, match="B is traced on this film already"):
        session.first.name("canal 2", "b")
    assert session.first.leave()
    assert session.first.asked == ()


def test_points_that_are_moved_are_traced_anew_and_put_back_by_esc(session):
    first = session.first
    first.choose("canal 1")
    at = first.points(first.focus)
    first.move(2, (at[2][0], at[2][1] + 8.0))
    assert first.leave()
    assert first.points(first.focus) == at
    first.move(len(at) - 1, (1236.0, 617.0))
    assert session.case.films[0].proposed == ()  # it is proposed still
    first.accept()
    first.name("canal 1", "B")
    trace = traced(session)
    assert trace.clicks_px[-1] == (1236.0, 617.0)
    assert trace.tracer.startswith("symmetry-fit")
    moved = {a.item.label: a.moved_px for a in answers(session.case) if a.outcome == "accepted"}
    assert moved["root end 1"] == pytest.approx(np.hypot(*np.subtract(trace.path_px[-1], END)), abs=1e-6)
    assert moved["canal 1"] >= moved["root end 1"] - 1e-6
    first.choose("reference point 1")
    first.accept()
    assert traced(session).reference_px == (180.0, 498.0)
    assert [canal.reference_point for canal in session.case.canals if canal.name == "B"] == [None]  # a person names it


def test_nobody_is_asked_for_a_word_without_initials_or_tooth(planted):
    from wlmeasure_napari._session import Session

    made = Session()
    made.aside = lambda job, finish: finish(job)
    made.open_film(FILM)
    made.first.begin()
    assert made.case is None
    assert labels(made)[0] == "file 1"  # shown before the tooth is known
    for need in ("^tooth must be entered", "initials"):
        with pytest.raises(wlmeasure.record.case.CaseError, match=need):
            made.first.accept()
        made.set_tooth("45")
    assert made.case.films[0].proposed == ()


def test_a_look_that_is_under_way_ends_with_its_film(planted, tmp_path):
    """Its case closed, another film opened, stopped: what comes then is nobody's."""
    from wlmeasure_napari._session import Session

    waiting = []
    made = Session()
    made.aside = lambda job, finish: waiting.append((job, finish))
    made.initials = "KO"

    def come():
        job, finish = waiting.pop(0)
        finish(job)

    made.open_film(FILM)
    made.set_tooth("45")
    made.first.begin()
    assert made.first.line == "Looking at the film …"
    assert made.next_step().key != "Enter"  # meanwhile all goes on by hand
    made.close_case()
    made.open_film(OTHER_FILM)
    made.set_tooth("46")
    come()
    assert labels(made) == []
    made.first.begin()
    made.first.stop()
    come()
    assert labels(made) == []
    assert made.first.stopped
    made.first.again()
    come()
    assert labels(made)
    # A second film of the same case has a look of its own, and a name that is asked for is not asked of it.
    made.confirm()
    made.first.choose("canal 1")
    made.first.accept()
    assert made.first.asked == ("canal 1",)
    copy = shutil.copy(FILM, tmp_path / "other.png")
    made.open_film(copy, into="this case")
    assert (labels(made), made.first.asked, made.first.focus) == ([], (), None)
    made.first.begin()
    come()
    assert made.first.asked == ()
    made.choose_film("f1")
    made.first.refuse()
    made.undo()
    made.undo()  # and the second film with it
    assert made.case.films[0].proposed == ()
    assert [film.id for film in made.case.films] == ["f1"]
    assert "canal 1" in labels(made)


def test_without_weights_one_line_says_so_and_all_by_hand_works(session, monkeypatch):
    from wlmeasure_napari._session import Session

    def missing(_graph):
        raise DetectError("weights must be look.onnx: No such file; everything can still be marked by hand")

    monkeypatch.setattr("wlmeasure_napari._first_look.look_at", missing)
    made = Session()
    made.aside = lambda job, finish: finish(job)
    made.open_film(FILM)
    made.set_tooth("45")
    made.first.begin()
    assert made.first.line.startswith("No first look: weights must be look.onnx")
    assert "by hand" in made.first.line
    made.take("file")
    made.click(STOP)
    assert made.pending == [STOP]


@pytest.mark.viewer
def test_in_the_window_from_film_to_traced_canal_by_keys(person, planted, monkeypatch):
    from qtpy.QtCore import QDeadlineTimer, Qt

    gate = threading.Event()

    def held(_graph):
        gate.wait(20)
        return PLANTED

    monkeypatch.setattr("wlmeasure_napari._first_look.look_at", held)
    dock, session = person.dock, person.session
    session.work = None  # each step is done when it returns; the look alone is beside them
    session.initials = "KO"
    dock.open_path(FILM)
    person.settle()
    person.enter("tooth", "45")
    assert dock.look_line.isVisible()
    assert dock.look_line.words.text() == "Looking at the film …"
    person.key("S")  # the dock does not wait for it
    assert session.tool == "file"
    person.key("Escape")
    gate.set()
    end = QDeadlineTimer(10_000)
    while not session.first.items and not end.hasExpired():
        person.app.processEvents()
    person.settle()
    assert not dock.look_line.isVisible()
    names = [layer.name for layer in person.viewer.layers]
    assert names == ["film", "proposed", "in focus", "measured", "names", "proposed points", "points"]
    layers = {layer.name: layer for layer in person.viewer.layers}
    assert layers["in focus"].edge_width > 1.5 * layers["proposed"].edge_width
    words = layers["names"].features["label"]
    assert set(words) == {"▶ file 1, sure"}
    colours = [tuple(colour) for colour in layers["names"].text.color.array]
    assert colours.index(tuple(colours[-1])) == len(words) - 1  # dark copies about it, and then the words
    assert set(colours[:-1]) == {(0.0, 0.0, 0.0, 1.0)}
    assert "proposed" in dock.next_line.text()
    assert dock.plate.glance.number == ""

    # Arrows, a click beside, a drag, Esc.
    person.key("Right")
    assert session.first.focus.label == "canal 1"
    person.click((550.0, 850.0))
    assert session.first.focus.label == "canal 3"
    person.key("Delete")
    assert "canal 3" not in labels(session)
    person.key("Z", Qt.KeyboardModifier.ControlModifier)
    assert dock.canvas_message.text() == "Undone: canal 3 refused."
    person.click((860.0, 640.0))
    assert session.first.focus.label == "canal 2"
    person.drag((860.0, 640.0), (840.0, 630.0))
    moved = session.first.points(session.first.focus)[0]
    assert np.abs(np.subtract(moved, (840.0, 630.0))).max() < 3.0 * dock._layers.pixels(1.0)
    assert session.case.films[0].proposed == ()

    # All of the tooth: the file, and the name of its canal under the line; then the length.
    person.key("A")
    assert isinstance(session.case.films[0].scale[0], PlainFile)
    assert dock.which.isVisible()
    assert person.window.focusWidget() is dock.which.edit
    person.type("which", "b")
    assert [canal.name for canal in session.case.canals if canal.traces] == ["B"]
    assert not dock.which.isVisible()
    assert person.window.focusWidget() is person.canvas
    assert "enter its length" in dock.next_line.text()
    person.enter("length", "21.5")
    assert session.film.calibration is not None
    person.key("Escape")
    assert session.first.mended(DOUBTFUL) is None  # its points are where they were proposed
    person.key("Escape")
    assert session.first.focus is None  # the rest is left alone, and the line goes on
    assert "field From" in dock.next_line.text()

    # What is there goes with its case.
    session.close_case()
    person.settle()
    assert [layer.name for layer in person.viewer.layers] == []
    assert session.first.items == ()
