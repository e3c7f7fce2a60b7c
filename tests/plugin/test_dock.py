"""The dock in a real window: driven by mouse and keys as by a person, from film to report."""

import gc
import json
import os
import re
import sys
import weakref
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from wlmeasure.cli import main

pytestmark = pytest.mark.viewer

ROOT = Path(__file__).resolve().parents[2]
FILM = ROOT / "sample_images" / "films" / "ref_p60_h00_v00.png"
CASE = ROOT / "sample_images" / "cases" / "curved_out_of_plane.wl.json"
STOP, TIP = (188.3, 499.5), (1224.3, 611.3)
WAIT_MS = 240_000  # a program that hangs is found; a busy machine is no fault
ORIFICE, MIDDLE, END = (188.3, 499.5), (860.0, 503.0), (1240.0, 619.0)


class Person:
    """A window with the dock, and a person before it whose clicks and typed numbers are counted."""

    def __init__(self):
        import napari
        from qtpy.QtTest import QTest
        from qtpy.QtWidgets import QApplication

        self.viewer = napari.Viewer(show=False)
        self.test, self.app = QTest, QApplication.instance()
        self.window = self.viewer.window._qt_window
        self.window.resize(1280, 800)
        self.window.show()
        self.open_dock()
        self.clicks = self.numbers = 0

    def open_dock(self):
        self.frame, self.dock = self.viewer.window.add_plugin_dock_widget("wlmeasure", "Working length")
        self.dock.show_column()  # every input is seen at once; tabs and folded steps are tested in test_screen.py
        self.settle()

    @property
    def session(self):
        return self.dock.session

    @property
    def canvas(self):
        return self.viewer.window._qt_viewer.canvas.native

    def settle(self):
        """Until the window has heard everything and no job runs."""
        from qtpy.QtCore import QDeadlineTimer

        end = QDeadlineTimer(WAIT_MS)
        for _ in range(5):
            self.app.processEvents()
        while self.dock is not None and self.session.busy:
            self.app.processEvents()
            if end.hasExpired():
                pytest.fail(f"still {self.session.busy}")
        for _ in range(5):
            self.app.processEvents()

    def place(self, pixel):
        """Where a pixel of the film lies on the canvas."""
        from qtpy.QtCore import QPoint

        world = self.dock._layers.film_layer().data_to_world(pixel)
        camera = self.viewer.scene.camera
        middle = np.array([self.canvas.height(), self.canvas.width()]) / 2
        row, col = (np.array(world) - camera.center[-2:]) * camera.zoom + middle
        return QPoint(round(col), round(row))

    def hover(self, pixel):
        """From beside it: a pointer that is there already says nothing; and until the viewer has passed it on."""
        from qtpy.QtCore import QDeadlineTimer, QPoint

        near, end = 2.0 * self.dock._layers.pixels(1.0), QDeadlineTimer(WAIT_MS)
        while self.session.cursor is None or np.abs(np.subtract(self.session.cursor, pixel)).max() > near:
            assert not end.hasExpired(), f"the mouse at {pixel} was not heard of"
            for aside in (6, 0):
                self.test.mouseMove(self.canvas, self.place(pixel) + QPoint(aside, aside))
                self.settle()
            pause = QDeadlineTimer(100)
            while not pause.hasExpired():
                self.app.processEvents()
        self.settle()

    def click(self, pixel, held=None):
        from qtpy.QtCore import Qt

        self.hover(pixel)
        self.test.mouseClick(
            self.canvas, Qt.MouseButton.LeftButton, held or Qt.KeyboardModifier.NoModifier, self.place(pixel)
        )
        self.clicks += 1
        self.settle()

    def drag(self, start, end):
        from qtpy.QtCore import Qt

        left, none = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier
        self.hover(start)
        first, last = self.place(start), self.place(end)
        self.test.mousePress(self.canvas, left, none, first)
        for share in (0.5, 1.0):
            self.test.mouseMove(self.canvas, first + (last - first) * share)
            self.settle()
        self.test.mouseRelease(self.canvas, left, none, last)
        self.settle()

    def key(self, name, held=None):
        """A key on the canvas."""
        from qtpy.QtCore import Qt

        self.test.keyClick(self.canvas, getattr(Qt.Key, f"Key_{name}"), held or Qt.KeyboardModifier.NoModifier)
        self.settle()

    def press(self, button):
        from qtpy.QtCore import Qt

        self.test.mouseClick(button, Qt.MouseButton.LeftButton)
        self.clicks += 1
        self.settle()

    def click_into(self, place):
        self.press(self.dock._fields[place].edit)

    def tab_to(self, widget):
        """With the Tab key alone, from the field in hand."""
        from qtpy.QtCore import Qt

        for _ in range(40):
            if self.window.focusWidget() is widget:
                return
            self.test.keyClick(self.window.focusWidget(), Qt.Key.Key_Tab)
            self.settle()
        pytest.fail(f"the Tab key does not come to {widget.toolTip()!r}")

    def space(self, widget):
        from qtpy.QtCore import Qt

        self.tab_to(widget)
        self.test.keyClick(widget, Qt.Key.Key_Space)
        self.settle()

    def type(self, place, text):
        """Into a field that has the focus, replacing what stands there, and Enter."""
        from qtpy.QtCore import Qt

        edit = self.dock._fields[place].edit
        assert self.window.focusWidget() is edit
        edit.selectAll()
        self.test.keyClicks(edit, text)
        self.test.keyClick(edit, Qt.Key.Key_Return)
        self.numbers += bool(re.search(r"\d", text))
        self.settle()

    def enter(self, place, text):
        self.dock._fields[place].edit.setFocus()
        self.type(place, text)

    def said(self, place):
        field = self.dock._fields[place]
        label = getattr(field, "message", field)
        return label.text() if label.isVisibleTo(self.dock) else ""

    def button(self, words):
        from qtpy.QtWidgets import QPushButton

        (found,) = [b for b in self.dock.findChildren(QPushButton) if b.text() == words]
        return found


@pytest.fixture
def person(plugin, monkeypatch):
    """A person before a window; what they choose in a file dialogue is `answers`, in turn."""
    if sys.platform.startswith("linux") and not os.environ.get("DISPLAY"):
        pytest.fail("this test needs a display and DISPLAY is not set: run `python3 run.py test`, which starts one")
    monkeypatch.setenv("NAPARI_ASYNC", "0")
    from qtpy.QtWidgets import QFileDialog

    answers = []
    for name in ("getOpenFileName", "getSaveFileName"):
        monkeypatch.setattr(QFileDialog, name, lambda *_: (answers.pop(0), ""))
    # Qt only prints an error that is raised in a slot.
    raised = []
    monkeypatch.setattr(sys, "excepthook", lambda *error: raised.append(error[1]))
    person = Person()
    person.answers = answers
    yield person
    person.viewer.close()
    person.settle()
    assert raised == []


def opened(person):
    person.dock.open_path(FILM)
    person.settle()
    person.enter("by", "KO")
    person.enter("tooth", "45")
    person.enter("reference", "buccal cusp tip")


def scaled(person):
    opened(person)
    person.enter("length", "21.5")
    person.key("S")
    person.click(STOP)
    person.click(TIP)


def traced(person):
    scaled(person)
    person.key("T")
    for at in (ORIFICE, MIDDLE, END):
        person.click(at)
    person.key("Return")
    person.key("Return")  # the file's stop rests on the cusp


def test_the_whole_job_in_twelve_clicks_and_four_numbers(person, tmp_path, capsys):
    """Film, tooth, scale from the file, trace, three readings, decision, save, report; then measured from outside."""
    dock, case = person.dock, tmp_path / "out.wl.json"
    person.answers += [str(FILM), str(case), str(tmp_path / "out.html")]
    assert dock.next_line.text() == "Nobody has said who is working; enter your initials: field Working"
    person.enter("by", "KO")
    assert dock.next_line.text().endswith("button Open film")
    person.press(person.button("Open film"))
    assert dock.next_line.text() == "The film has no tooth yet; enter it, such as 46: field Tooth"
    person.click_into("tooth")
    person.type("tooth", "45")
    assert dock.next_line.text().endswith("field Stop to tip")
    person.tab_to(dock._fields["length"].edit)
    person.type("length", "21.5")
    assert dock.next_line.text().endswith("click the file's stop, then its tip: S")
    person.space(person.button("File (S)"))
    assert (
        dock.next_line.text()
        == "Scale of the film (stop not in the picture: say so under Scale); click the file's stop"
    )
    person.click(STOP)
    assert dock.next_line.text() == "Scale of the film; click the file's tip"
    person.click(TIP)
    assert dock.next_line.text().endswith("name the cusp or edge: field From")
    assert person.session.canal.reference_point is None
    person.enter("reference", "buccal cusp tip")
    assert dock.next_line.text().endswith("click orifice, canal, apical end: T")
    assert person.session.film.calibration.mm_per_px_row == pytest.approx(0.0204, rel=0.01)
    person.key("T")
    person.click(ORIFICE)
    person.hover(MIDDLE)
    assert len(person.session.live) > 50
    person.click(MIDDLE)
    person.click(END)
    person.key("Return")
    assert dock.canal_length.text() == ""
    assert "from the orifice: no working length yet; mark the reference point (R)" in dock.orifice_length.text()
    assert (
        dock.next_line.text() == "single: The file's stop may rest on the buccal cusp tip; if so take its place: Enter"
    )
    person.key("Return")
    assert dock.canal_length.text().startswith(f"{person.session.trace_result.length.length_mm:.1f} mm ± ")
    assert f"to narrow it: {person.session.trace_result.advice[0].words}" in dock.orifice_length.text()
    person.click_into("reading")
    person.type("reading", "20.5")
    assert dock.next_line.text() == "single: Not established with 1 reading; read again, 2 more: field Reading"
    assert not dock.take_proposal.isEnabled()
    person.space(person.button("Same again"))
    person.space(person.button("Same again"))
    assert [line.text().split(",")[0] for line in dock.reading_list.lines] == ["20.5 mm at the foramen mark"] * 3
    assert dock.next_line.text().endswith("; decide: field Decided")
    person.space(person.button("Take proposal"))
    person.space(person.button("Decide"))
    assert "by KO" in dock.decision.text()
    assert dock.next_line.text().endswith("decided, not saved yet; save the case: Ctrl+S")
    person.space(person.button("Save"))
    person.space(person.button("Report"))
    assert "out.wl.json" in dock.saved.text()
    assert person.answers == []
    assert person.clicks <= 12
    assert person.numbers <= 4
    assert [person.said(place) for place in dock._fields] == [""] * len(dock._fields)
    assert "KO" in (tmp_path / "out.html").read_text(encoding="utf-8")

    assert main(["measure", str(case), "--json"]) == 0
    outside = json.loads(capsys.readouterr().out)
    (film,), (canal,) = outside["films"], outside["canals"]
    inside, trace = person.session.result.canals[0], person.session.trace_result
    pairs = [
        (film["mm_per_px_row"], person.session.film.calibration.mm_per_px_row),
        (film["mm_per_px_col"], person.session.film.calibration.mm_per_px_col),
        (canal["length_mm"], trace.length.length_mm),
        (canal["length_std_mm"], trace.length.length_std_mm),
        (canal["radiographic"]["length_mm"], trace.radiographic.length_mm),
        (canal["electronic"]["length_mm"], inside.electronic.length_mm),
        (canal["working_length"]["length_mm"], inside.working_length.length_mm),
        (canal["working_length"]["std_mm"], inside.working_length.std_mm),
        (canal["working_length"]["decided_mm"], inside.decision.length_mm),
    ]
    np.testing.assert_allclose(*np.array(pairs, float).T, rtol=0, atol=1e-9)

    # The same job again with every action taken back and done again, by keys: the same file but for the time.
    from qtpy.QtCore import Qt

    before = case.read_bytes()
    steps = len(person.session._undo)
    for _ in range(steps):
        person.key("Z", Qt.KeyboardModifier.ControlModifier)
    assert person.session.canal.traces == ()
    for _ in range(steps):
        person.key("Y", Qt.KeyboardModifier.ControlModifier)
    assert case.read_bytes() == before


def test_trace_and_accept_on_two_keys(person):
    """As by a foot switch: T takes the tool and places each point at the cursor, Enter accepts; no button is pressed."""
    scaled(person)
    person.clicks = 0
    person.key("T")
    for at in (ORIFICE, MIDDLE, END):
        person.hover(at)
        person.key("T")
    person.key("Return")
    person.key("Return")
    assert person.clicks == 0
    assert len(person.session.trace.clicks_px) == 3
    assert person.session.trace.reference_px == pytest.approx(STOP, abs=1.5)
    np.testing.assert_allclose(person.session.trace.clicks_px[1], MIDDLE, atol=1.5)


def test_points_by_mouse_and_keys_and_the_loupe_while_placing(person):
    from qtpy.QtCore import Qt

    traced(person)
    dock, session = person.dock, person.session
    assert not dock._loupe.isVisible()
    person.drag(MIDDLE, (860.0, 540.0))
    row, col = session.trace.clicks_px[1]
    assert (row, col) == pytest.approx((860.0, 540.0), abs=2.5)
    assert person.viewer.scene.camera.mouse_pan
    assert not dock._loupe.isVisible()
    for name in ("Right", "Up", "Up"):
        person.key(name)
    assert session.trace.clicks_px[1] == pytest.approx((row - 0.5, col + 0.25), abs=1e-9)
    person.click((500.0, 500.0), Qt.KeyboardModifier.ControlModifier)
    assert len(session.trace.clicks_px) == 4
    person.key("D", Qt.KeyboardModifier.ControlModifier)
    assert len(session.trace.clicks_px) == 3
    person.key("R")
    person.hover((300.0, 400.0))
    assert dock._loupe.isVisible()
    person.key("Escape")
    assert not dock._loupe.isVisible()
    person.key("R")
    person.click((180.0, 490.0))
    assert session.trace.reference_px == pytest.approx((180.0, 490.0), abs=1.5)
    assert not dock._loupe.isVisible()


WRONG = [
    ("tooth", "99", "99"),
    ("tooth", "molar", "molar"),
    ("length", "long", "known length must be a number such as 21.5: 'long'"),
    ("length", "500", "known length must be"),
    ("reading", "abc", "reading must be a number such as 21.5: 'abc'"),
    ("reading", "99", "length must be"),
]


def test_wrong_input_is_answered_beside_its_field(person):
    """Nothing opens, nothing is stored, and the message goes when the input is right."""
    session = person.session
    person.press(person.button("File (S)"))
    assert "film and tooth must be there first" in person.said("scale")
    person.press(person.button("Trace (T)"))
    assert "film and tooth must be there first" in person.said("canal")
    person.press(person.button("Report"))
    assert "film and tooth must be there first" in person.said("record")
    traced(person)
    assert [person.said(place) for place in ("scale", "canal", "record")] == ["", "", ""]  # gone with their cause
    before = session.case
    for place, text, words in WRONG:
        person.enter(place, text)
        assert words in person.said(place), text
        assert session.case is before, text
    for place, text in (("tooth", "45"), ("length", "21.5"), ("reading", "20,5 mm")):
        person.enter(place, text)
        assert person.said(place) == "", place
    assert session.canal_facts.readings[0].length_mm == 20.5
    person.enter("decided", "twenty")
    person.press(person.button("Decide"))
    assert "decided length must be a number" in person.said("decided")
    person.enter("by", " ")
    person.enter("decided", "20")
    person.press(person.button("Decide"))
    assert "initials must" in person.said("decided")
    assert session.canal_facts.decision is None
    person.enter("by", "KO")
    assert person.said("decided") == ""
    assert [w for w in person.app.topLevelWidgets() if w.isVisible() and w.isModal()] == []


def test_the_same_number_typed_twice_is_two_readings(person):
    """And leaving the field afterwards is none."""
    opened(person)
    for _ in range(2):
        person.enter("reading", "20.5")
    person.dock._fields["decided"].edit.setFocus()
    person.settle()
    assert [r.length_mm for r in person.session.canal_facts.readings] == [20.5, 20.5]


def test_an_uncalibrated_film_says_that_it_gives_angles_only(person):
    opened(person)
    person.key("T")
    for at in (ORIFICE, MIDDLE, END):
        person.click(at)
    person.key("Return")
    assert "angles only" in person.dock.orifice_length.text()
    assert " mm" not in person.dock.orifice_length.text() + person.dock.canal_length.text()
    assert "°" in person.dock.canal_bend.text()
    assert "no millimetres" in person.dock.scale_notes.text()


def test_every_control_has_a_name_a_tooltip_and_its_turn_with_the_tab_key(person):
    """The turn goes down the dock as the job does."""
    from qtpy.QtCore import QPoint, Qt
    from qtpy.QtWidgets import QCheckBox, QComboBox, QLineEdit, QPushButton

    traced(person)
    dock = person.dock
    controls = [w for kind in (QPushButton, QLineEdit, QComboBox, QCheckBox) for w in dock.findChildren(kind)]
    controls = [w for w in controls if not isinstance(w.parent(), QComboBox)]
    assert len(controls) > 35
    for control in controls:
        words = control.toolTip(), control.accessibleName() or getattr(control, "text", str)()
        assert all(words), words
    seen = [dock._fields["tooth"].edit]
    seen[0].setFocus()
    page = dock._area.widget()  # head and foot always stand
    shown = [w for w in controls if page.isAncestorOf(w) and w.isVisibleTo(dock) and w.isEnabled()]
    while len(seen) < len(shown):
        person.test.keyClick(person.window.focusWidget(), Qt.Key.Key_Tab)
        person.settle()
        if person.window.focusWidget() not in shown or person.window.focusWidget() in seen:
            break
        seen.append(person.window.focusWidget())
    heights = [w.mapTo(dock._area.widget(), QPoint(0, 0)).y() for w in seen]
    assert all(b > a - 10 for a, b in pairwise(heights))
    above = [w for w in shown if w.mapTo(dock._area.widget(), QPoint(0, 0)).y() < heights[0]]
    assert len(seen) + len(above) >= len(shown) - 1


def slots(person, session):
    """Everything that could be left behind by a dock: on the session, the viewer, the layer list, the program."""
    viewer = person.viewer
    return {
        "session": [len(signal) for signal in (session.changed, session.moved, session.said)],
        "mouse": [len(viewer.mouse_drag_callbacks), len(viewer.mouse_move_callbacks)],
        "keys": sorted(map(str, viewer.keymap)),
        "layers": [len(viewer.layers.events.inserted.callbacks), len(viewer.layers.events.removed.callbacks)],
        "camera": len(viewer.scene.camera.events.callbacks),
        "top level": len(person.app.topLevelWidgets()),
    }


def test_twenty_times_closed_and_opened_leaves_nothing_behind(person):
    session = person.session
    docks, counts = [weakref.ref(person.dock)], []
    for k in range(21):
        person.viewer.window.remove_dock_widget(person.frame)
        person.frame = person.dock = None
        person.settle()
        if k in (0, 10, 20):  # a collection takes a third of a second
            gc.collect()
            person.settle()
            counts.append(slots(person, session))
        if k < 20:
            person.open_dock()
            assert person.session is session
            docks.append(weakref.ref(person.dock))
    assert counts[0] == counts[1] == counts[2]
    assert counts[0]["session"] == [0, 0, 0]
    assert [ref for ref in docks if ref() is not None] == []
    person.open_dock()
    opened(person)
    case = session.case
    person.viewer.window.remove_dock_widget(person.frame)
    person.open_dock()
    assert (person.session, session.case) == (session, case)
    assert [len(signal) for signal in (session.changed, session.moved, session.said)] == [1, 1, 1]
    person.enter("reading", "20.5")
    assert len(session.canal_facts.readings) == 1


def test_hiding_the_dock_gives_mouse_and_keys_back(person):
    from qtpy.QtCore import Qt

    opened(person)
    bound = slots(person, person.session)
    person.frame.hide()
    person.settle()
    hidden = slots(person, person.session)
    assert hidden["session"] == [0, 0, 0]
    assert hidden["keys"] == bound["keys"]
    person.test.keyClick(person.canvas, Qt.Key.Key_S)
    for _ in range(5):
        person.app.processEvents()
    assert person.session.tool == "look"
    person.frame.show()
    person.settle()
    assert slots(person, person.session) == bound


def test_two_viewers_do_not_see_each_other(person):
    traced(person)
    other = Person()
    try:
        opened(other)
        assert person.session is not other.session
        assert other.session.film.calibration is None
        assert other.session.trace is None
        assert "No millimetres without a scale" in other.dock.next_line.text()
        assert [len(v.layers) for v in (person.viewer, other.viewer)] == [
            4,
            3,
        ]  # the names of what is traced are the fourth
        other.key("T")
        assert (person.session.tool, other.session.tool) == ("look", "canal")
    finally:
        other.viewer.close()
        other.settle()


def test_large_type_and_both_themes(person):
    """Each picture of the dock holds many greys, letters against their ground, and the large type is larger."""
    traced(person)
    dock = person.dock
    grounds, heights = [], []
    for theme, large in (("dark", False), ("light", False), ("light", True)):
        person.viewer.theme = theme
        dock.large.setChecked(large)
        person.settle()
        from qtpy.QtGui import QImage

        picture = dock.grab().toImage().convertToFormat(QImage.Format.Format_Grayscale8)
        shape = picture.height(), picture.bytesPerLine()
        grey = np.frombuffer(picture.constBits(), np.uint8).reshape(shape)[:, : picture.width()]
        values, counts = np.unique(grey, return_counts=True)
        grounds.append(int(values[counts.argmax()]))
        assert len(values) > 20
        assert (np.abs(grey.astype(int) - grounds[-1]) > 90).mean() > 0.01
        heights.append(dock.next_line.fontMetrics().height())
        assert dock._area.horizontalScrollBar().maximum() == 0 or not large
    assert grounds[0] < 80 < 170 < grounds[1]
    assert heights[2] >= 1.5 * heights[1] == 1.5 * heights[0]


def test_where_the_canvas_is_not_as_expected_a_layer_draws_the_live_line(person, monkeypatch):
    """The private part of napari fails: the preview is a public layer, gone again with the tool and with the dock."""
    from napari.layers import Vectors

    def gone(self, node):
        raise AttributeError("node")

    monkeypatch.setattr("wlmeasure_napari._live_line._CanvasLine.__init__", gone)
    scaled(person)
    person.key("T")
    person.click(ORIFICE)
    person.hover(MIDDLE)
    (line,) = [layer for layer in person.viewer.layers if layer.name == "preview"]
    assert isinstance(line, Vectors)
    live = np.array(person.session.live)
    np.testing.assert_allclose(line.data[:, 0], live[:-1], atol=1e-3)
    np.testing.assert_allclose(line.data.sum(axis=1), live[1:], atol=1e-3)
    assert line.visible
    np.testing.assert_allclose(line.scale, person.session.film.calibration.mm_per_px)
    person.click(END)
    person.key("Return")
    assert not line.visible
    assert len(person.session.trace.clicks_px) == 2
    person.frame.hide()
    person.settle()
    assert "preview" not in person.viewer.layers


def test_a_saved_case_and_an_unsaved_one_are_gone_on_with(person, drafts_folder):
    """The next start offers the draft; a case file opens with its numbers and without a question."""
    person.dock.open_path(CASE)
    person.settle()
    assert "20.0 mm, decided by KO" in person.dock.decision.text()
    assert list(drafts_folder.glob("*.wl.json")) == []
    other = Person()
    try:
        assert not other.dock.cases.unsaved.isEnabled()
        scaled(other)
        case = other.session.case
    finally:
        other.viewer.close()
        other.settle()
    third = Person()
    try:
        assert third.dock.cases.unsaved.text() == "Unsaved (1)"
        third.dock.cases.fill_unsaved()
        third.dock.cases.unsaved_menu.actions()[0].trigger()
        third.settle()
        assert third.session.case == case
        assert not third.dock.cases.unsaved.isEnabled()
    finally:
        third.viewer.close()
        third.settle()


def test_a_reading_names_the_size_of_its_file(person):
    """Typed beside the reading, kept for the next one; a word or a size that no file has is refused beside the reading."""
    traced(person)
    person.enter("size", "15")
    person.enter("reading", "20.5")
    person.enter("reading", "21")
    assert [(r.length_mm, r.size) for r in person.session.canal_facts.readings] == [(20.5, 15), (21.0, 15)]
    for wrong in ("thin", "15.5", "3"):
        person.enter("size", wrong)
        person.enter("reading", "20")
        assert "size" in person.said("reading")
        assert len(person.session.canal_facts.readings) == 2
    person.dock._fields["size"].edit.clear()
    person.enter("reading", "20")
    assert person.session.canal_facts.readings[-1].size is None


def test_the_window_lives_while_a_path_is_traced(person):
    """Between Enter and the path: the line says so, the progress shows, and a reading typed meanwhile is not lost."""
    scaled(person)
    session = person.session
    session.do("canal", lambda: session.take("canal"))
    for point in (ORIFICE, MIDDLE, END):
        session.do("canvas", lambda point=point: session.click(point))
    session.do("canal", session.accept)
    assert session.busy
    person.dock.refresh()
    assert person.dock.next_line.text() == "Tracing …"
    assert person.dock.progress.isVisibleTo(person.dock)
    person.dock._on_reading("20.5")
    assert session.canal_facts.readings == ()
    person.settle()
    assert session.trace is not None
    assert [r.length_mm for r in session.canal_facts.readings] == [20.5]
    assert not person.dock.progress.isVisibleTo(person.dock)


def test_the_file_is_found_with_one_key_and_accepted_with_another(person):
    """F, a look, Enter: no click on the film; while it is proposed its path is the live line and both ends are marked."""
    opened(person)
    person.enter("length", "21.5")
    clicks = person.clicks
    person.key("F")
    person.settle()
    assert "A file is found" in person.dock.next_line.text()
    assert len(person.session.live) > 100
    assert person.session.film.calibration is None
    person.key("Return")
    assert person.session.film.calibration.mm_per_px_row == pytest.approx(0.0204, rel=5e-3)
    assert person.clicks == clicks
    assert person.session.live == []


def decided(person):
    traced(person)
    person.enter("reading", "20.5")
    for _ in range(2):
        person.press(person.button("Same again"))
    person.press(person.button("Take proposal"))
    person.press(person.button("Decide"))


def test_a_shaping_file_and_a_gauge_by_two_keys_each(person):
    """N and Enter, G and S; what was entered is shown, with the stops to set, and is in the saved case."""
    decided(person)
    record = person.dock.record
    before = len(person.session.case.entries)
    person.key("N")
    assert person.dock.next_line.text() == "single: Shaping file 20/.04 at 20 mm is offered; record it: Enter"
    assert record.offer.isVisibleTo(record)
    person.key("Return")
    person.key("G")
    assert "say how it sat (snug, loose, short, past): S, L, H or P" in person.dock.next_line.text()
    person.key("S")
    file, gauge = person.session.case.entries[before:]
    assert (file.kind, file.size, file.length_mm) == ("shaping file", 20, 20.0)
    assert (gauge.kind, gauge.size, gauge.finding) == ("apical gauging", 20, "snug")
    assert "shaping file size 20/.04" in record.lines.text()
    assert "apical gauging size 20" in record.lines.text()
    assert "master cone: 20.0" in record.stops.text()
    assert "25/.04" not in record.stops.text()  # files are those of the practice's own list, and it has named none
    assert "irrigation needle, 2.0 short: 18.0" in record.stops.text()
    assert record.plot.isVisibleTo(record)
    assert not record.offer.isVisibleTo(record)
    # S is the scale's key again.
    person.key("S")
    assert person.session.tool == "file"
    assert person.said("entry") == ""


def test_other_figures_typed_over_an_offer_are_what_is_entered(person):
    """N offers the file at length; it stopped at 18, which is typed over the offer and entered by the button."""
    decided(person)
    record = person.dock.record
    person.key("N")
    assert (record.instrument.text, record.numbers["length_mm"].text) == ("20/.04", "20")
    record.numbers["length_mm"].edit.setText("18")
    person.press(person.button("Enter"))
    entry = person.session.case.entries[-1]
    assert (entry.kind, entry.size, entry.length_mm) == ("shaping file", 20, 18.0)
    assert person.session.draft is None
    person.key("N")
    person.key("Escape")
    assert record.instrument.text == record.numbers["length_mm"].text == ""


def test_the_form_shows_what_the_kind_holds_and_enters_it(person):
    decided(person)
    record = person.dock.record
    shown = {}
    for kind in ("shaping file", "filling check", "separated fragment", "canals joining", "note"):
        record.kind.setCurrentText(kind)
        person.settle()
        fields = {name for name, field in record.numbers.items() if field.isVisibleTo(record)}
        shown[kind] = fields | {n for n in ("instrument", "found", "other") if getattr(record, n).isVisibleTo(record)}
    assert shown == {
        "shaping file": {"length_mm", "instrument"},
        "filling check": {"distance_mm"},
        "separated fragment": {"level_mm", "extent_mm", "instrument", "found"},
        "canals joining": {"distance_mm", "level_mm", "found", "other"},
        "note": {"length_mm"},
    }
    record.kind.setCurrentText("shaping file")
    record.instrument.edit.setText("25/,04")
    record.numbers["length_mm"].edit.setText("18,0 mm")
    record.words.edit.setText("tight")
    person.press(person.button("Enter"))
    entry = person.session.case.entries[-1]
    assert (entry.kind, entry.size, entry.taper, entry.length_mm, entry.note) == (
        "shaping file",
        25,
        0.04,
        18.0,
        "tight",
    )
    assert record.instrument.text == record.words.text == record.numbers["length_mm"].text == ""
    assert "stopped 2.0 mm short" in record.cautions.text()
    record.instrument.edit.setText("25/.04")
    record.numbers["length_mm"].edit.setText("2.0")
    person.press(person.button("Enter"))
    assert "20 mm?" in person.said("entry")
    assert person.session.case.entries[-1] is entry
    assert record.numbers["length_mm"].text == "2.0"  # what was refused stands, to be mended


def test_the_card_and_the_note_for_the_chart(person, tmp_path):
    from qtpy.QtGui import QGuiApplication

    person.press(person.button("Copy note for the chart"))
    assert "film and tooth must be there first" in person.said("entry")
    person.press(person.button("Stops card"))
    assert "film and tooth must be there first" in person.said("record")
    decided(person)
    person.press(person.button("Copy note for the chart"))
    assert QGuiApplication.clipboard().text().startswith("45 ")
    assert "working length 20.0 mm" in QGuiApplication.clipboard().text()
    person.answers += [str(tmp_path / "stops.pdf")]
    person.press(person.button("Stops card"))
    assert (tmp_path / "stops.pdf").read_bytes().startswith(b"%PDF-")


def test_a_letter_without_a_font_is_said_beside_the_buttons(person, tmp_path):
    """The report of a canal whose name no font can show is written, and the person hears of the box that stands for it."""
    body = json.loads(CASE.read_text(encoding="utf-8"))
    names = {canal["name"]: f"{canal['name']}\ue000" for canal in body["canals"]}
    text = json.dumps(body).replace('"../films/', f'"{(CASE.parents[1] / "films").as_posix()}/')
    for name, other in names.items():
        text = text.replace(f'"{name}"', json.dumps(other))
    case = tmp_path / "private.wl.json"
    case.write_text(text, encoding="utf-8")
    person.session.open_case(case)
    person.settle()
    person.answers += [str(tmp_path / "report.pdf"), str(tmp_path / "report.html")]
    person.press(person.button("Report"))
    person.settle()
    assert (tmp_path / "report.pdf").read_bytes().startswith(b"%PDF-")
    assert "no font for 1 character of the page (U+E000)" in person.said("record")
    person.press(person.button("Report"))
    person.settle()
    assert (tmp_path / "report.html").exists()
    assert person.said("record") == ""
