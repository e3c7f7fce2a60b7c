"""Ways round our questions, keys that went to the wrong one, buttons that moved: each once seen to go wrong."""

# ruff: noqa: F811  the fixtures of another module are arguments here

import cv2
import numpy as np
import pytest
from attrs import evolve
from wlmeasure_napari._guide import Doubt, next_step
from wlmeasure_napari._session import Session

from .test_guide import DECIDED, MARKED, NAMED, SAVED, SCALED, THREE, TRACED
from .test_hands import at_desk, desk, offered_file  # noqa: F401  fixtures
from .test_typed_tooth import png

viewer = pytest.mark.viewer


# ---- questions that are settled --------------------------------------------------------------------------------------


def asked_which_tooth(tmp_path):
    session = Session()
    session.initials = "KO"
    session.open_film(png(tmp_path / "a.png", 1))
    session.set_tooth("11")
    assert session.question is not None
    return session


def test_a_question_about_the_tooth_goes_when_a_tooth_is_accepted(tmp_path):
    session = asked_which_tooth(tmp_path)
    session.set_tooth("LR5")
    assert (session.case.tooth, session.question) == ("45", None)
    session.set_tooth("11")
    session.set_tooth("ISO 36")
    assert (session.case.tooth, session.question) == ("36", None)


def test_a_film_behind_a_question_about_the_tooth_is_asked_about_by_the_tooth_it_is_then(tmp_path):
    session = asked_which_tooth(tmp_path)
    session.open_film(png(tmp_path / "b.png", 2))
    session.set_tooth("LR5")
    assert "b.png one more film of this tooth (45" in session.question.text
    session.set_tooth("LR6")  # its answers named another tooth
    assert "b.png one more film of this tooth (46" in session.question.text
    assert session.question.choices[0].words == "Add to 46"


def test_a_question_about_the_tooth_loses_no_film_that_waits_for_an_answer(tmp_path):
    session = asked_which_tooth(tmp_path)
    session.set_tooth("LR5")
    session.open_film(png(tmp_path / "b.png", 2))
    session.set_tooth("11")
    assert "may be 2 teeth" in session.question.text
    session.answer("Type it anew")
    assert "b.png" in session.question.text


def test_the_answers_begin_with_the_designation(tmp_path):
    words = [choice.words for choice in asked_which_tooth(tmp_path).question.choices]
    assert words == ["11: upper right central incisor", "23: upper left canine (Universal 11)", "Type it anew"]


@viewer
def test_the_answers_show_their_full_text(desk):
    """All at once in a window of 800 pixels, which does not grow; in large type those that are further down by scrolling."""
    high = desk.window.height()
    desk.session.open_film(png(desk.folder / "a film with a long name that a practice gave it.png", 3))
    desk.session.set_tooth("6")
    desk.settle()
    for large in (False, True):
        desk.dock.large.setChecked(large)
        desk.settle()
        bar, shown = desk.dock.question, desk.dock.question.answers
        assert len(shown) >= 6
        tops = [button.y() for button in shown]
        assert tops == sorted(set(tops))  # one beneath another
        for button in shown:
            assert button.sizeHint().width() <= button.width()
            assert button.sizeHint().height() <= button.height()
            assert button.text().replace("\n", " ") == button.accessibleName()
            if large:
                bar._below.ensureWidgetVisible(button, 0, 0)
                desk.settle()
            assert button.visibleRegion().boundingRect() == button.rect()
            assert desk.dock.rect().contains(button.mapTo(desk.dock, button.rect().bottomRight()))
        assert large or desk.window.height() == high
    desk.dock.large.setChecked(False)
    desk.session.answer("Type it anew")
    desk.session.answer("Cancel")
    desk.settle()
    desk.window.resize(desk.window.width(), high)


# ---- keys ------------------------------------------------------------------------------------------------------------


def strange_film(desk, name="other patient.png"):
    path = desk.folder / name
    cv2.imwrite(str(path), np.random.default_rng(9).integers(0, 255, (90, 70), np.uint8))
    return path


@viewer
def test_no_key_acts_on_the_patient_behind_a_question(desk):
    offered_file(desk)
    desk.session.open_film(strange_film(desk))
    desk.settle()
    assert desk.session.question is not None
    assert desk.session.draft is None
    before, case, question = desk.facts(), desk.session.case, desk.session.question
    for key in ("N", "Enter", "S", "T", "R", "G", "F", "Ctrl+Z", "Ctrl+D"):
        desk.refusals.clear()
        desk.strike(key)
        assert desk.facts() == before, key
        asked_for_nothing = key == "Enter"  # no point is placed that it could accept
        assert any("answered first" in words for words in desk.refusals) is not asked_for_nothing, key
    assert desk.session.case is case
    assert desk.session.question is question
    desk.session.answer("Cancel")
    desk.strike("N")
    assert desk.session.draft is not None


@viewer
def test_no_digit_or_letter_reaches_the_layers(desk):
    film = desk.dock._layers.film_layer()
    lies = np.array(film.affine.affine_matrix), tuple(film.scale), tuple(film.translate)
    camera = desk.viewer.scene.camera
    stood = tuple(camera.center), camera.zoom
    desk.session.choose_canal("")  # no canal in hand: a digit has no field to go to
    for focus in (desk.canvas, desk.viewer.window._qt_viewer.layers, desk.button("Decide")):
        for key in "1234567890ABCDEIJKMOQUVWXYZ":
            focus.setFocus()
            desk.strike(key)
            assert str(film.mode) == "pan_zoom", key
    desk.canvas.setFocus()
    desk.strike("Space")
    assert str(film.mode) == "pan_zoom"
    assert (np.array(film.affine.affine_matrix) == lies[0]).all()
    assert (tuple(film.scale), tuple(film.translate)) == lies[1:]
    assert (tuple(camera.center), camera.zoom) == stood


@viewer
def test_the_film_keeps_to_being_looked_at(desk):
    film = desk.dock._layers.film_layer()
    film.mode = "transform"
    desk.settle()
    assert str(film.mode) == "pan_zoom"
    assert desk.dock.canvas_message.text()


@viewer
def test_readings_are_typed_on_the_film(desk):
    from qtpy.QtCore import Qt

    desk.session.choose_canal("D")
    desk.settle()
    count = len(desk.session.case.entries)
    desk.canvas.setFocus()
    for typed in ("21.0", "20.5", "21.0"):
        for letter in typed:
            desk.test.keyClick(desk.window.windowHandle(), letter)
        desk.settle()
        assert desk.dock._fields["reading"].text == typed
        desk.test.keyClick(desk.window.windowHandle(), Qt.Key.Key_Return)
        desk.settle()
        assert desk.window.focusWidget() is desk.canvas
    new = desk.session.case.entries[count:]
    assert [(entry.canal, entry.kind, entry.length_mm) for entry in new] == [
        ("D", "electronic reading", mm) for mm in (21.0, 20.5, 21.0)
    ]


@viewer
def test_a_digit_is_no_reading_while_a_tool_is_in_hand(desk):
    desk.session.take("canal")
    desk.settle()
    desk.canvas.setFocus()
    desk.strike("2")
    assert desk.window.focusWidget() is desk.canvas
    assert desk.dock._fields["reading"].text == ""


@viewer
def test_ctrl_o_is_our_own_way_to_open_a_film(desk, monkeypatch):
    from qtpy.QtWidgets import QFileDialog

    titles = []
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda _parent, title, *_: (titles.append(title), ("", ""))[1])
    desk.strike("Ctrl+O")
    assert titles == ["Open film"]


# ---- layers of others ------------------------------------------------------------------------------------------------


@viewer
def test_a_film_that_the_viewer_opens_is_asked_about(desk):
    before = desk.session.case
    path = strange_film(desk)
    desk.viewer.open(path, plugin="napari")
    desk.settle()
    assert all(layer.source.path is None for layer in desk.viewer.layers)
    assert "other patient.png" in desk.session.question.text
    assert desk.session.case == before
    desk.session.answer("Cancel")


@viewer
def test_a_case_that_the_viewer_opens_is_opened_as_ours(desk):
    path = desk.case.with_name("another.wl.json")
    path.write_bytes(desk.before)
    desk.viewer.open(path, plugin="wlmeasure")
    desk.settle()
    assert desk.session.document.file == path
    assert all(layer.source.path is None for layer in desk.viewer.layers)


@viewer
def test_an_image_of_somebody_else_lies_beneath_the_film(desk):
    theirs = desk.viewer.add_image(np.ones((50, 60)), name="mine image")
    desk.settle()
    layers = desk.viewer.layers
    assert layers.index(theirs) < layers.index(desk.dock._layers.film_layer())
    assert "beneath the film" in desk.dock.canvas_message.text()
    layers.move(layers.index(theirs), len(layers))
    desk.settle()
    assert layers.index(theirs) < layers.index(desk.dock._layers.film_layer())


@viewer
def test_close_leaves_the_image_of_somebody_else(desk):
    """It crashed the program: what our layers were drawn with was deleted in another OpenGL context than the canvas's."""
    from qtpy.QtGui import QOpenGLContext

    theirs = desk.viewer.add_image(np.ones((50, 60)), name="mine image")
    desk.settle()
    assert theirs.units == desk.dock._layers.film_layer().units
    drawn_in, current = desk.canvas.context(), []
    desk.viewer.layers.events.removed.connect(lambda _event: current.append(QOpenGLContext.currentContext()))
    desk.canvas.doneCurrent()
    desk.press(desk.button("Close"))
    desk.settle()
    assert current
    assert all(context is drawn_in for context in current)
    assert list(desk.viewer.layers) == [theirs]
    assert desk.session.case is None


# ---- whose canal, and a dock that stands still -----------------------------------------------------------------------

SHAPED = Doubt("Irrigated and recapitulated 20.0 mm", "the film gives another length", "cone")


@pytest.mark.parametrize(
    "state",
    [
        NAMED,
        TRACED,
        MARKED,
        THREE,
        DECIDED,
        SAVED,
        evolve(SCALED, point=""),
        evolve(MARKED, asked="reading"),
        evolve(SAVED, draft="Shaping file 20/.04 at 20 mm"),
        evolve(SAVED, doubt=SHAPED),
        evolve(NAMED, tool="canal"),
        evolve(TRACED, tool="reference", stop_offered=True),
    ],
)
def test_the_line_begins_with_the_canal_that_it_is_about(state):
    words = next_step(evolve(state, canal="MB2")).words
    assert words.startswith(("MB2: ", "Canal MB2 ", "Canal MB2;"))
    assert len(words) <= 110


@viewer
def test_the_parts_of_a_canal_bear_its_name(desk):
    for canal in ("MB", "D"):
        desk.session.choose_canal(canal)
        desk.settle()
        titles = [desk.dock._by_place[place].title() for place in ("readings", "length", "entry")]
        assert titles == [f"Electronic readings, {canal}", f"Working length, {canal}", f"Treatment, {canal}"]


@viewer
def test_what_is_under_the_hand_stays_there(desk):
    """A decision changes the lines above its button, and the next step is in another part."""
    from qtpy.QtCore import QPoint

    dock, button = desk.dock, desk.button("Decide")
    desk.session.choose_canal("MB")
    desk.settle()
    dock._area.ensureWidgetVisible(button)
    dock._fields["decided"].edit.setText("20.0")
    desk.test.mouseMove(button)
    desk.settle()
    before = button.mapTo(dock, QPoint(0, 0)).y()
    for _ in range(2):
        desk.press(button)
        assert button.mapTo(dock, QPoint(0, 0)).y() == before
