"""Two patients one after the other in one window, by real mouse, keys and wheel: a molar with three canals, then a premolar.

After every stage all that stands in the window is read, and nothing of the other patient may be among it: each name and
number that is entered for one of them is used for nothing else, so a stray one gives itself away. What the dock says of each
canal, what is measured on the saved file, the report and the card are read back and must agree; files change by Save alone.
"""

import json
import re
import shutil
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.share import readback
from wlmeasure.cli import main
from wlmeasure.record.case import load_case

from . import test_dock
from .test_hands import Desk, inputs, values

pytestmark = pytest.mark.viewer
ROOT = Path(__file__).resolve().parents[2]
FILMS = ROOT / "sample_images" / "films"

A, B = "patient A", "patient B"
# What is entered for one patient and for no other purpose. Lengths of decisions are shown to 0.1 mm.
OWN = {
    A: {
        *("36", "LL6", "19 Universal", "lower left first molar", "MB", "ML", "molar_mb.png", "molar_ml.png"),
        *("a.wl.json", "A-0417"),
        *("mesiobuccal cusp tip", "mesiolingual cusp tip", "distobuccal cusp tip"),
        *("20.03", "0.31", "19.47", "0.33", "14.25", "13.75"),
        *("21.03", "21.06", "21.09", "20.53", "20.56", "20.59", "21.33", "21.36", "21.39"),
        *("20.73", "20.76", "20.79", "20.23", "20.26", "20.29", "21.13", "21.16", "21.19"),
        *("agreed at the first sitting", "read again after flaring", "23.71", "half a word"),
    },
    B: {
        *("45", "LR5", "29 Universal", "lower right second premolar", "ref_p60_h00_v00.png", "b.wl.json", "B-0952", "palatal"),
        *("buccal ridge", "21.53", "0.11", "9.25", "21.43", "21.46", "21.49", "straight on", "17.77"),
    },
}  # fmt: skip
CLOCK = re.compile(r"\d{4}-\d\d-\d\d|\d\d:\d\d")  # day and hour are nobody's numbers
FIRST = {"MB": 20.5, "ML": 20.0, "D": 20.6}
AGAIN = {"MB": 20.2, "ML": 19.7, "D": 20.6}
LAST = {"canal 1": 20.8}


def all_texts(person):
    """Every text that stands in the window now, by the kind of thing that shows it."""
    from qtpy.QtWidgets import QAbstractButton, QComboBox, QGroupBox, QLabel, QLineEdit, QListWidget

    window, dock, found = person.window, person.dock, []

    def seen(kind):
        return [widget for widget in window.findChildren(kind) if widget.isVisibleTo(window)]

    found += [("label", label.text()) for label in seen(QLabel)]
    found += [("button", button.text()) for button in seen(QAbstractButton)]
    found += [("part", part.title()) for part in seen(QGroupBox)]
    # Fields and lists of a form are shown and hidden by its kind, so those that are not seen now count as well.
    found += [("field", edit.text()) for edit in {*seen(QLineEdit), *dock.findChildren(QLineEdit)}]
    for box in {*seen(QComboBox), *dock.findChildren(QComboBox)}:
        found += [("list", box.itemText(k)) for k in range(box.count())]
    for listed in dock.findChildren(QListWidget):
        found += [("list", listed.item(k).text()) for k in range(listed.count())]
    found += [("title", window.windowTitle()), ("status", str(person.viewer.status))]
    for layer in person.viewer.layers:
        found.append(("layer", layer.name))
        features = getattr(layer, "features", None)
        if features is not None:
            found += [("layer", str(value)) for value in features.to_numpy().ravel()]
    return [(kind, text) for kind, text in found if text]


def whole(mark):
    """A name or number that stands by itself, and is no part of a longer one."""
    return re.compile(rf"(?<![\w.]){re.escape(mark)}(?!\w|\.\d)")


def strays(person, whose):
    """What stands in the window of all that belongs to this patient."""
    marks = {mark: whole(mark) for mark in OWN[whose]}
    texts = [(kind, text, CLOCK.sub("", text)) for kind, text in all_texts(person)]
    return [(mark, kind, text) for kind, text, told in texts for mark, found in marks.items() if found.search(told)]


def dock_says(person):
    """``{canal: (decided_mm, stop_mm)}`` as the dock shows it: by walking through the canals with the drop-down, and back.

    A length that is said more than once of a canal must be the same.
    """
    dock, said = person.dock, {}
    box = dock.canal_choice
    begun = box.currentText()
    for name in [box.itemText(k) for k in range(box.count())]:
        person.choose(box, name)
        shown = [label.text() for label in (dock.proposal, dock.decision) if label.isVisibleTo(dock)]
        decided = re.search(r"(?m)^(\d+\.\d) mm, decided by", "\n".join(shown))
        stops = re.findall(r"(?m)^stop at (\d+\.\d) mm on a ruler", "\n".join(shown))
        for rows in (dock.record.stops, dock.record.proposed_stops):
            if rows.isVisibleTo(dock):
                assert rows.text().startswith(f"Stops, {name}, mm")
                assert ("nobody has decided" in rows.text()) == (decided is None)
                stops += re.findall(r"(?m)^master cone: (\d+\.\d)$", rows.text())
        assert len(set(stops)) <= 1, (name, stops)
        said[name] = (decided and float(decided[1]), float(stops[0]) if stops else None)
    person.choose(box, begun)
    return said


class Surgery(Desk):
    """A person who treats two patients at one window; what they choose in a file dialogue is `answers`, in turn."""

    def __init__(self, folder, answers):
        test_dock.Person.__init__(self)
        self.folder, self.answers = folder, answers
        self.window.activateWindow()
        self.settle()

    # ---- hands: everything goes through the window, to what lies under the pointer or has the focus --------------

    def press(self, widget):
        from qtpy.QtCore import Qt

        self.dock._area.ensureWidgetVisible(widget, 0, 40)
        self.settle()
        at = widget.mapTo(self.window, widget.rect().center())
        under = self.window.childAt(at)
        assert under is widget or widget.isAncestorOf(under), (widget.accessibleName(), under)
        self.test.mouseClick(self.window.windowHandle(), Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, at)
        self.settle()

    def enter(self, place, text):
        self.press(self.dock._fields[place].edit)
        self.type(place, text)

    def jot(self, place, text):
        """Type, and not enter."""
        field = self.dock._fields[place]
        self.press(field.edit)
        field.edit.selectAll()
        self.test.keyClicks(self.window.focusWidget(), text)
        self.settle()

    def choose(self, box, text):
        """From a drop-down: Space opens it, the arrows go to the line, Enter takes it; then back to the film."""
        from qtpy.QtCore import Qt
        from qtpy.QtWidgets import QApplication

        if box.currentText() == text and box.count() == 1:
            return
        box.setFocus()
        self.test.keyClick(self.window.windowHandle(), Qt.Key.Key_Space)
        self.settle()
        popup = QApplication.activePopupWidget()
        assert popup is not None, text
        way = box.findText(text) - box.currentIndex()
        for key in [Qt.Key.Key_Down if way > 0 else Qt.Key.Key_Up] * abs(way) + [Qt.Key.Key_Return]:
            self.test.keyClick(popup.windowHandle(), key)
            self.settle()
        assert box.currentText() == text
        self.canvas.setFocus()

    def pick(self, menu_button, words):
        """From the menu of a button."""
        from qtpy.QtCore import QTimer
        from qtpy.QtWidgets import QApplication

        taken = []

        def take():
            menu = QApplication.activePopupWidget()
            (action,) = [one for one in menu.actions() if one.text() == words]
            taken.append(action)
            place = menu.actionGeometry(action).center()
            self.test.mouseMove(menu, place)
            from qtpy.QtCore import Qt

            self.test.mouseClick(menu, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, place)

        QTimer.singleShot(100, take)
        self.press(menu_button)
        self.until(lambda: bool(taken))

    # ---- files ---------------------------------------------------------------------------------------------------

    def files(self):
        """Every case file of the patients' folder, and its bytes."""
        return {path.name: path.read_bytes() for path in sorted(self.folder.glob("*.wl.json"))}

    @contextmanager
    def nothing_written(self):
        before = self.files()
        yield
        assert self.files() == before

    def save(self, name):
        """Ctrl+S: this file is written and no other."""
        before = self.files()
        self.strike("Ctrl+S")
        after = self.files()
        assert {one for one in after if before.get(one) != after[one]} == {name}


# ---- what is asked after every stage ---------------------------------------------------------------------------------


def only(person, whose):
    """Nothing of the other patient stands anywhere, and something of this one does."""
    other = B if whose is A else A
    assert strays(person, other) == []
    assert strays(person, whose) != []


def nobody(person):
    assert strays(person, A) == strays(person, B) == []


SOME_PX = 8


def roll(person):
    """The wheel over every input that is seen: no value, no step, no text changes, and the page moves."""
    from qtpy.QtWidgets import QLineEdit

    dock, bar = person.dock, person.dock._area.verticalScrollBar()
    person.canvas.setFocus()
    person.settle()
    found = [w for w in inputs(dock) if w.isVisibleTo(dock)]
    fields = [w for w in dock._area.widget().findChildren(QLineEdit) if w.isVisibleTo(dock)]
    before, stood, texts = person.facts(), values(found), [edit.text() for edit in fields]
    assert len(found) + len(fields) >= 15
    for widget in [*found, *fields]:
        dock._area.ensureWidgetVisible(widget, 0, 100)
        for way in (-1, 1):
            bar.setValue(min(max(bar.value(), SOME_PX), bar.maximum() - SOME_PX))  # at its end no page goes on
            person.settle()
            assert not widget.visibleRegion().isEmpty(), widget.accessibleName()
            place = bar.value()
            person.wheel(widget, way)
            assert bar.value() != place, (widget.accessibleName(), way)
            dock._area.ensureWidgetVisible(widget, 0, 100)
    assert (values(found), [edit.text() for edit in fields], person.facts()) == (stood, texts, before)


KEYS = ("S", "T", "R", "N", "L", "H", "P", "G", "P", "Esc", "Up", "Left", "Ctrl+D", "Enter", "F", "Esc")


def every_key(person, whose, *focuses):
    """In each of these focuses; what a key has changed is undone, and the case is what it was."""
    before = person.session.case
    for focus in focuses:
        for key in KEYS:
            focus.setFocus()
            person.strike(key)
        only(person, whose)
        person.strike("Esc")
        for _ in range(20):
            if person.session.case == before:
                break
            person.strike("Ctrl+Z")
        assert person.session.case == before
    person.canvas.setFocus()
    person.settle()


def said_everywhere(person, capsys, name, whose, meant):
    """Dock, ``measure --json`` on the saved file, report and card say the same of every canal, and what was meant."""
    path = person.folder / name
    assert person.session.document.draft is None  # what is shown is what the file holds
    expected = dock_says(person)
    assert {canal: decided for canal, (decided, _) in expected.items()} == meant
    capsys.readouterr()
    assert main(["measure", str(path), "--json"]) == 0
    said = {"measure": readback.from_json(json.loads(capsys.readouterr().out))}
    for words, made, read in (
        ("Report", f"{whose} report.pdf", readback.from_report_pdf),
        ("Stops card", f"{whose} card.pdf", readback.from_card_pdf),
    ):
        person.answers.append(str(person.folder / made))
        with person.nothing_written():
            person.press(person.button(words))
        said[words] = read((person.folder / made).read_bytes())
    assert {output: readback.rounded(facts) for output, facts in said.items()} == dict.fromkeys(said, expected)
    for made in ("report", "card"):
        words = readback.pdf_words((person.folder / f"{whose} {made}.pdf").read_bytes())
        others = {mark for mark in OWN[B if whose is A else A] if not mark.isdigit()}  # paper has axes and page numbers
        assert [mark for mark in others if whole(mark).search(words)] == []


# ---- the two patients ------------------------------------------------------------------------------------------------

# Points of the sample molar (rows, columns): the file's stop and tip; cusp, orifice, a point between and the apical end.
ON_MB = (270.25, 579.75), (928.5, 470.0)
ON_ML = (277.0, 539.75), (928.75, 500.75)
TRACED = {
    "MB": ((270.25, 580.0), (588.25, 542.75), (811.0, 513.5), (972.0, 446.0)),
    "ML": ((276.75, 541.0), (589.25, 545.25), (813.75, 539.0), (971.0, 473.5)),
    "D": ((273.5, 456.75), (587.0, 370.75), (815.5, 325.75), (982.25, 344.75)),
}


def scale(person, length, give, ends):
    person.enter("length", length)
    person.enter("std", give)
    person.strike("S")
    for at in ends:
        person.click(at)


def trace(person, cusp, *points):
    person.strike("T")
    for at in points:
        person.click(at)
    person.strike("Enter")
    assert person.session.tool == "reference"
    person.click(cusp)
    assert person.session.trace.reference_px is not None


def read_and_decide(person, readings, length, reason):
    for text in readings:
        person.enter("reading", text)
    person.jot("decided", str(length))
    person.jot("reason", reason)
    person.press(person.button("Decide"))
    if "than what film and readings propose" in person.said("decided"):  # asked once, and meant
        person.press(person.button("Decide"))
    assert person.said("decided") == ""


def look(person, name):
    """For a person who wants to see: pictures of the stages go to the folder named by WLMEASURE_SHOTS."""
    import os

    if folder := os.environ.get("WLMEASURE_SHOTS"):
        Path(folder).mkdir(parents=True, exist_ok=True)
        person.viewer.screenshot(canvas_only=False, flash=False)
        person.window.grab().toImage().save(str(Path(folder) / f"{name}.png"))


@pytest.fixture
def surgery(plugin, monkeypatch, tmp_path):
    import os

    if sys.platform.startswith("linux") and not os.environ.get("DISPLAY"):
        pytest.fail("this test needs a display and DISPLAY is not set: run `python3 run.py test`, which starts one")
    monkeypatch.setenv("NAPARI_ASYNC", "0")
    from qtpy.QtWidgets import QFileDialog

    folder, answers, raised = tmp_path / "patients", [], []
    folder.mkdir()
    for name in ("molar_mb.png", "molar_ml.png", "ref_p60_h00_v00.png"):
        shutil.copy(FILMS / name, folder / name)
    for name in ("getOpenFileName", "getSaveFileName"):
        monkeypatch.setattr(QFileDialog, name, lambda *_: (answers.pop(0), ""))
    monkeypatch.setattr(sys, "excepthook", lambda *error: raised.append(error[1]))
    person = Surgery(folder, answers)
    yield person
    person.viewer.close()
    person.settle()
    assert raised == []


def open_film(person, name):
    person.answers.append(str(person.folder / name))
    person.press(person.button("Open film"))


def patient_a(person, capsys):
    """A molar with three canals on two films: measured, read, decided; flared, read and decided again; shaped; saved."""
    dock, session = person.dock, person.session
    person.enter("by", "KO")
    open_film(person, "molar_mb.png")
    person.enter("tooth", "36")
    scale(person, "20.03", "0.31", ON_MB)
    person.enter("angulation", "14.25")
    person.enter("canal", "MB")
    person.enter("reference", "mesiobuccal cusp tip")
    for canal, point in (("ML", "mesiolingual cusp tip"), ("D", "distobuccal cusp tip")):
        person.press(person.button("Add"))
        person.enter("canal", canal)
        person.enter("reference", point)
    only(person, A)
    trace(person, *TRACED["D"])
    person.choose(dock.canal_choice, "MB")
    trace(person, *TRACED["MB"])
    open_film(person, "molar_ml.png")
    person.press(person.button("Add to 36"))
    assert (dock._fields["length"].text, dock._fields["std"].text) == ("", "")  # another film, another file
    scale(person, "19.47", "0.33", ON_ML)
    person.enter("angulation", "13.75")
    person.choose(dock.canal_choice, "ML")
    trace(person, *TRACED["ML"])
    only(person, A)
    person.jot("case_id", "A-0417")
    look(person, "1 traced")
    roll(person)
    assert person.files() == {}
    person.answers.append(str(person.folder / "a.wl.json"))
    person.save("a.wl.json")

    readings = {"MB": ("21.03", "21.06", "21.09"), "ML": ("20.53", "20.56", "20.59"), "D": ("21.33", "21.36", "21.39")}
    with person.nothing_written():
        for canal, texts in readings.items():
            person.choose(dock.canal_choice, canal)
            read_and_decide(person, texts, FIRST[canal], "agreed at the first sitting")
        only(person, A)
    person.save("a.wl.json")
    look(person, "2 decided")
    said_everywhere(person, capsys, "a.wl.json", A, FIRST)

    again = {"MB": ("20.73", "20.76", "20.79"), "ML": ("20.23", "20.26", "20.29"), "D": ("21.13", "21.16", "21.19")}
    with person.nothing_written():
        for canal, texts in again.items():
            person.choose(dock.canal_choice, canal)
            person.choose(dock.record.kind, "coronal flaring")
            person.press(person.button("Enter"))
            assert person.said("entry") == ""
            assert session.canal_facts.readings == ()
            read_and_decide(person, texts, AGAIN[canal], "read again after flaring")
            for _ in range(2):
                person.strike("N")
                person.strike("Enter")
            person.strike("G")
            person.strike("S")
            last = [entry.kind for entry in session.case.entries[-3:]]
            assert last == ["shaping file", "shaping file", "apical gauging"]
        case = session.case
        person.strike("Ctrl+Z")
        assert session.case != case
        person.strike("Ctrl+Y")
        assert session.case == case
        for film in ("f1", "f2", "f1"):
            person.choose(dock.film_choice, film)
            only(person, A)
    person.save("a.wl.json")
    said_everywhere(person, capsys, "a.wl.json", A, AGAIN)
    look(person, "3 shaped")


def patient_b(person, capsys):
    """A premolar with one canal, in the same window."""
    dock = person.dock
    open_film(person, "ref_p60_h00_v00.png")
    assert strays(person, A) == []
    person.enter("tooth", "45")
    only(person, B)
    person.jot("decided", str(LAST["canal 1"]))
    person.press(person.button("Decide"))
    assert "must be confirmed" in person.said("decided")
    person.press(person.button("Confirm"))
    person.jot("case_id", "B-0952")
    scale(person, "21.53", "0.11", (test_dock.STOP, test_dock.TIP))
    person.enter("angulation", "9.25")
    person.enter("canal", "canal 1")
    person.enter("reference", "buccal ridge")
    trace(person, test_dock.STOP, test_dock.ORIFICE, test_dock.MIDDLE, test_dock.END)
    only(person, B)
    roll(person)
    every_key(person, B, person.canvas, person.button("Decide"))
    with person.nothing_written():
        read_and_decide(person, ("21.43", "21.46", "21.49"), LAST["canal 1"], "straight on")
        only(person, B)
    person.answers.append(str(person.folder / "b.wl.json"))
    person.save("b.wl.json")
    said_everywhere(person, capsys, "b.wl.json", B, LAST)
    only(person, B)
    assert dock.canal_choice.count() == 1
    look(person, "4 the next patient")


def by_canal(person):
    """All that the dock shows of each canal, of its measuring and its record."""
    from qtpy.QtWidgets import QLabel

    dock, shown = person.dock, {}
    for name in [dock.canal_choice.itemText(k) for k in range(dock.canal_choice.count())]:
        person.choose(dock.canal_choice, name)
        parts = [dock._by_place[place] for place in ("canals", "readings", "length", "entry")]
        labels = [label for part in parts for label in part.findChildren(QLabel) if label.isVisibleTo(dock)]
        shown[name] = sorted(label.text() for label in labels if label.text())
    return shown


def test_two_patients_one_after_the_other(surgery, capsys):
    person, session = surgery, surgery.session
    nobody(person)
    patient_a(person, capsys)
    a_saved = person.files()["a.wl.json"]

    # One file more, not saved, and a figure half typed; then the next patient.
    with person.nothing_written():
        person.choose(person.dock.canal_choice, "MB")
        person.strike("N")
        person.strike("Enter")
        shown, kept, steps = by_canal(person), session.case, dock_says(person)
        person.choose(person.dock.canal_choice, "ML")
        person.jot("reason", "half a word")
        person.jot("reading", "23.71")
        person.press(person.button("New case"))
        assert session.case is None
        farewell = person.dock.canvas_message.text()  # the one line that names who was put away, and where to
        assert farewell.startswith("36 ")
        assert {text for _, _, text in strays(person, A)} == {farewell}
        patient_b_before = person.files()
    assert patient_b_before == {"a.wl.json": a_saved}
    patient_b(person, capsys)
    assert person.files()["a.wl.json"] == a_saved
    b_saved, b_shown = person.files()["b.wl.json"], by_canal(person)

    # Back to the first by Recent: as it was left, with the file that was not saved.
    with person.nothing_written():
        person.jot("reading", "17.77")
        person.pick(person.dock.cases.recent, "a.wl.json")
        asked = person.dock.question.words.text()  # first: it is still the second patient's
        assert {text for _, _, text in strays(person, A)} == {asked}
        assert strays(person, B) != []
        person.press(person.button("Go on with them"))
        only(person, A)
        assert session.case == kept
        assert by_canal(person) == shown
        assert dock_says(person) == steps
        look(person, "5 back to the first")
        person.press(person.button("Confirm"))
        every_key(person, A, person.canvas, person.dock.end_choice)
    person.save("a.wl.json")
    said_everywhere(person, capsys, "a.wl.json", A, AGAIN)
    assert person.files()["b.wl.json"] == b_saved
    assert load_case(person.folder / "a.wl.json").entries == kept.entries
    with person.nothing_written():
        person.pick(person.dock.cases.recent, "b.wl.json")
        only(person, B)
        assert by_canal(person) == b_shown


def test_a_stray_number_of_the_other_patient_is_seen_wherever_it_stands(surgery):
    """The look-out itself: in a label, a field, a list, the title, a layer's name."""
    person = surgery
    open_film(person, "ref_p60_h00_v00.png")
    person.enter("tooth", "45")
    only(person, B)
    dock = person.dock
    for put, back in (
        (lambda: dock.saved.setText("21.03 mm"), lambda: dock.saved.setText("")),
        (lambda: dock._fields["reason"].edit.setText("half a word"), lambda: dock._fields["reason"].edit.clear()),
        (lambda: dock.canal_choice.addItem("ML"), lambda: dock.canal_choice.removeItem(dock.canal_choice.count() - 1)),
        (lambda: dock.canvas_message.setText("molar_mb.png") or dock.canvas_message.show(), dock.canvas_message.hide),
        (lambda: person.window.setWindowTitle("36 · case A-0417"), lambda: person.window.setWindowTitle("")),
    ):
        put()
        assert strays(person, A) != []
        back()
        assert strays(person, A) == []
    (layer,) = [one for one in person.viewer.layers if one is dock._layers.film_layer()]
    name, layer.name = layer.name, "film molar_ml.png"
    assert strays(person, A) != []
    layer.name = name
    assert strays(person, A) == []
