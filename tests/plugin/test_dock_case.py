"""The dock between two cases: whose it says it is, what its fields show, where its questions stand. Driven in a real window."""

import sys
from pathlib import Path

import pytest
from wlmeasure_napari._drafts import drafts

from wlmeasure.record.case import load_case

sys.path.insert(0, str(Path(__file__).parent))
import test_dock
from test_document import dcm, png, saved
from test_session import Later

pytestmark = pytest.mark.viewer
FILM, Person = test_dock.FILM, test_dock.Person
person = test_dock.person  # the fixture


def begin(person, film, tooth="46"):
    asked = person.session.case is not None
    person.dock.open_path(film)
    person.settle()
    if asked:
        person.press(person.button("New case with it"))
    if person.session.case is None:
        person.enter("tooth", tooth)


def choose(person, box, text):
    """As a person does with the box: its signal of a choice made."""
    box.setCurrentText(text)
    box.textActivated.emit(text)
    person.settle()


def line_edits(dock):
    """Every field that can be typed into."""
    from qtpy.QtWidgets import QComboBox, QLineEdit, QSpinBox

    return [
        edit
        for edit in dock.findChildren(QLineEdit)
        if not isinstance(edit.parent(), QComboBox | QSpinBox)
        and not edit.isReadOnly()
        and edit.accessibleName() != "Which canal"  # there only while one is asked for, and emptied with every question
    ]


OF_THE_SESSION = {"Working"}
OF_THE_CASE = {"Tooth", "Case id"}
OF_THE_FILM = {"Stop to tip, mm", "Object, mm", "give or take, ± mm", "Its size", "Tube turned, °"}
SHOWN = {"Tooth", "Name", "From", "Its size", "Tube turned, °"}  # a value of the case, changed by Enter


def typed_into_all(dock, text):
    """Typed, and not entered."""
    for edit in line_edits(dock):
        if edit.accessibleName() not in OF_THE_SESSION:
            edit.setText(text)
            edit.textEdited.emit(text)


def texts(dock):
    return {edit.accessibleName(): edit.text() for edit in line_edits(dock)}


@pytest.mark.parametrize("switch", ["canal", "film", "case", "close"])
def test_no_field_keeps_its_text_when_its_owner_changes(person, tmp_path, switch):
    """Every field of the dock is typed into; those of what was left are empty or show the new one's own."""
    whose = {"PatientID": "7", "PatientName": "Doe^A"}
    begin(person, dcm(tmp_path / "a.dcm", 1, "46", **whose))
    person.dock.open_path(dcm(tmp_path / "b.dcm", 2, "46", **whose))
    person.settle()
    person.session.add_canal("L")
    person.settle()
    assert len(line_edits(person.dock)) >= 18
    typed_into_all(person.dock, "7.5")
    before = texts(person.dock)
    of_canal = set(before) - OF_THE_SESSION - OF_THE_CASE - OF_THE_FILM
    person.dock._fields["decided"].edit.setFocus()  # under the keyboard too
    session = person.session
    left = session.canal_name, session.film_id
    {
        "canal": lambda: session.choose_canal("MB"),
        "film": lambda: session.choose_film("f1"),
        "case": lambda: person.dock.open_path(png(tmp_path / "c.png", 3)),
        "close": session.put_away,
    }[switch]()
    person.settle()
    if switch == "case":
        person.press(person.button("New case with it"))
        person.enter("tooth", "36")
    owned = {"canal": of_canal, "film": OF_THE_FILM}.get(switch, of_canal | OF_THE_FILM | OF_THE_CASE)
    now = texts(person.dock)
    assert {name: now[name] for name in owned - SHOWN} == dict.fromkeys(owned - SHOWN, "")
    assert "7.5" not in {now[name] for name in owned}
    if switch in ("canal", "film"):
        assert {name: now[name] for name in set(now) - owned - SHOWN} == {
            name: before[name] for name in set(now) - owned - SHOWN
        }
        session.choose_canal(left[0])
        session.choose_film(left[1])
        person.settle()
        assert {name: texts(person.dock)[name] for name in owned - SHOWN} == dict.fromkeys(owned - SHOWN, "7.5")


def test_boxes_of_a_canal_stand_at_their_first_item_for_the_next(person, tmp_path):
    begin(person, png(tmp_path / "a.png", 1))
    dock = person.dock
    boxes = (dock.mark, dock.condition, dock.record.kind)
    for box in boxes:
        box.setCurrentIndex(2)
    person.session.add_canal("L")
    assert [box.currentIndex() for box in boxes] == [0, 0, 0]
    choose(person, dock.canal_choice, "MB")
    assert [box.currentIndex() for box in boxes] == [2, 2, 2]


def test_one_click_does_not_decide_a_canal_that_nobody_measured(person, tmp_path):
    """The previous canal's figure and reason stood in the fields, and Decide took them."""
    begin(person, png(tmp_path / "a.png", 1))
    person.enter("by", "KO")
    person.enter("decided", "20.5")
    person.press(person.button("Add"))
    assert person.dock._fields["decided"].text == ""
    entries = person.session.case.entries
    person.press(person.button("Decide"))
    assert person.session.case.entries == entries
    assert "decided length must be a number" in person.said("decided")


def test_a_figure_typed_for_one_canal_is_not_entered_for_the_next_behind_a_job(person, tmp_path):
    """While a job runs the canal is changed, then Decide is pressed with what still stands there: nothing is entered."""
    begin(person, png(tmp_path / "a.png", 1))
    person.session.add_canal("L")
    person.enter("by", "KO")
    person.enter("decided", "20.5")
    later = person.session.work = Later()
    person.session.run("Waiting", lambda: None, lambda _: None)
    person.dock._on_canal("MB")
    person.dock._decide()
    later.let_go()
    person.session.work = person.dock._worker
    person.settle()
    assert person.session.canal_name == "MB"
    assert person.session.case.entries == ()
    assert "nothing was entered" in person.said("decided")


def test_title_and_head_name_tooth_case_and_saved_or_not(person, tmp_path):
    def both():
        person.settle()
        assert person.window.windowTitle() == f"{person.dock.head.words.text()} - wlmeasure"
        return person.dock.head.words.text()

    begin(person, png(tmp_path / "a.png", 1))
    person.settle()
    assert "46" in person.window.windowTitle()
    assert both() == "46 · no case id · draft, not saved"
    person.dock.save_to(tmp_path / "a.wl.json")
    assert "in a.wl.json" in both()
    person.press(person.button("Add"))
    assert both().endswith("kept as a draft")
    person.press(person.button("Undo"))
    assert "kept as a draft" not in both()
    person.press(person.button("New case"))
    assert both() == "No case open"
    person.dock.open_path(tmp_path / "a.wl.json")
    assert both().startswith("46 · no case id · saved")


def test_save_writes_the_named_file_and_asks_for_a_name_once(person, tmp_path):
    begin(person, png(tmp_path / "a.png", 1))
    path = tmp_path / "a.wl.json"
    person.answers += [str(path)]
    person.press(person.button("Save"))
    before = path.read_bytes()
    person.press(person.button("Add"))
    assert path.read_bytes() == before
    assert "Changed since saved" in person.dock.saved.text()
    person.press(person.button("Save"))
    assert len(load_case(path).canals) == 2
    assert "a.wl.json" in person.said("record")
    person.answers += [str(tmp_path / "b.wl.json")]
    person.press(person.button("Save as…"))
    assert person.session.document.file == tmp_path / "b.wl.json"


def test_a_question_comes_at_the_foot_and_moves_nothing_above_it(person, tmp_path):
    """What stood under the pointer stands there when a question comes, and when it goes."""
    from qtpy.QtCore import QPoint
    from qtpy.QtWidgets import QPushButton

    begin(person, png(tmp_path / "a.png", 1))

    def places():
        inside = person.dock._area.widget()
        return {
            b.text(): b.mapTo(person.dock, QPoint(0, 0)).toTuple()
            for b in inside.findChildren(QPushButton)
            if b.isVisibleTo(person.dock)
        }

    before = places()
    person.dock.save_to(tmp_path / "a.wl.json")
    person.settle()
    assert places()["New case"] == before["New case"]  # the head says more now, in the same room
    before = places()
    person.dock.open_path(png(tmp_path / "b.png", 2))
    person.settle()
    assert person.dock.question.isVisibleTo(person.dock)
    assert places() == before
    top = person.dock.question.mapTo(person.dock, QPoint(0, 0)).y()
    assert top >= person.dock._area.geometry().bottom()
    for answer in person.dock.question.answers:
        assert answer.mapTo(person.dock, QPoint(0, answer.height())).y() <= person.dock.height()
    person.press(person.button("Cancel"))
    assert not person.dock.question.isVisibleTo(person.dock)
    assert places() == before
    assert len(person.session.case.films) == 1


def test_a_film_that_is_dropped_on_the_dock_is_asked_about_too(person, tmp_path):
    from qtpy.QtCore import QMimeData, QPoint, Qt, QUrl
    from qtpy.QtGui import QDropEvent

    def drop(path):
        data = QMimeData()
        data.setUrls([QUrl.fromLocalFile(str(path))])
        left, none = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier
        person.dock.dropEvent(QDropEvent(QPoint(5, 5), Qt.DropAction.CopyAction, data, left, none))
        person.settle()

    drop(png(tmp_path / "a.png", 1))
    person.enter("tooth", "46")
    drop(png(tmp_path / "b.png", 2))
    assert len(person.session.case.films) == 1
    person.press(person.button("Add to 46"))
    assert len(person.session.case.films) == 2


def test_unsaved_and_recent_cases_are_chosen_by_name_from_places_that_do_not_move(person, tmp_path):
    path = saved(tmp_path, "late")
    begin(person, png(tmp_path / "a.png", 1), "36")
    cases = person.dock.cases
    assert cases.unsaved.isVisibleTo(person.dock)
    assert not cases.unsaved.isEnabled()
    person.press(person.button("Close"))
    assert cases.unsaved.text() == "Unsaved (1)"
    assert "Unsaved offers it again" in person.dock.canvas_message.text()
    cases.fill_recent()
    (action,) = cases.recent_menu.actions()
    assert action.text() == "late.wl.json"
    action.trigger()
    person.settle()
    assert person.session.document.file == path
    cases.fill_unsaved()
    (action,) = cases.unsaved_menu.actions()
    assert action.text().startswith("36 · no case id, ")
    action.trigger()
    person.settle()
    assert person.session.document.file == path  # asked first
    person.press(person.button("Go on with it"))
    assert person.session.case.tooth == "36"
    assert len(drafts()) == 1


def test_initials_are_confirmed_by_a_press_when_the_case_changes(person, tmp_path):
    begin(person, png(tmp_path / "a.png", 1))
    person.enter("by", "KO")
    assert person.dock.head.confirm.text() == "Confirmed"
    person.press(person.button("New case"))
    begin(person, png(tmp_path / "b.png", 2), "36")
    assert person.dock.head.confirm.text() == "Confirm"
    person.enter("decided", "20")
    person.press(person.button("Decide"))
    assert "must be confirmed" in person.said("decided")
    person.press(person.button("Confirm"))
    assert person.dock.head.confirm.text() == "Confirmed"
    assert person.dock.head.working.text == "KO"


def test_a_second_window_is_told_who_has_the_case(person, plugin, tmp_path):
    path = saved(tmp_path)
    person.dock.open_path(path)
    person.settle()
    other = Person()
    try:
        other.dock.open_path(path)
        other.settle()
        assert other.session.case is None
        other.press(other.button("Look only"))
        assert "look only" in other.dock.head.words.text()
        other.press(other.button("Add"))
        assert "open in another window" in other.said("canal")
        assert len(other.session.case.canals) == 1
    finally:
        other.viewer.close()
        other.settle()


def test_the_film_of_the_samples_opens_with_its_own_words(person):
    begin(person, FILM, "45")
    assert person.dock.head.words.text() == "45 · no case id · draft, not saved"
    assert Path(person.session.radiograph.path).name == FILM.name
