"""Hands at the viewer: keys in every focus, the wheel, the trash button, the close-up, what is previewed; by real events."""

from __future__ import annotations

import copy
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve

from wlmeasure.record.case import load_case

from .test_dock import WAIT_MS, Person

pytestmark = pytest.mark.viewer

ROOT = Path(__file__).resolve().parents[2]
SAVED = "saved.wl.json"


class Desk(Person):
    """A person whose keys and wheel come through the window, as from the hardware; a molar with three canals on four films."""

    def __init__(self, folder, answers):
        super().__init__()
        for name in ("cases", "films"):
            shutil.copytree(ROOT / "sample_images" / name, folder / name)
        self.folder, self.answers = folder, answers
        self.case, self.opened = folder / "cases" / "molar.wl.json", 0
        self.before = self.case.read_bytes()
        self.window.activateWindow()
        self.settle()
        self.session.work = None  # each step is done when it returns
        self.refusals = []
        self.session.said.connect(self._hear)

    def _hear(self, _place, text):
        if text:
            self.refusals.append(text)

    def fresh(self, film="f2", canal="MB"):
        """The case as it was, in a file of its own, nothing in hand."""
        self.opened += 1
        self.case = self.case.with_name(f"molar {self.opened}.wl.json")
        self.case.write_bytes(self.before)
        (self.folder / SAVED).unlink(missing_ok=True)
        self.answers[:] = [str(self.folder / SAVED)]
        self.session.open_case(self.case)
        self.session.choose_film(film)
        self.session.choose_canal(canal)
        self.session.initials = "KO"
        self.settle()
        self.refusals.clear()

    def strike(self, keys, *, settle=True):
        """A key with what is held, such as Ctrl+S, to the window: it finds the focus by itself."""
        from qtpy.QtCore import Qt

        *held, name = keys.split("+")
        key = getattr(Qt.Key, f"Key_{ {'Enter': 'Return', 'Esc': 'Escape'}.get(name, name) }")
        modifier = Qt.KeyboardModifier.ControlModifier if held else Qt.KeyboardModifier.NoModifier
        self.test.keyClick(self.window.windowHandle(), key, modifier)
        if settle:
            self.settle()

    def until(self, true):
        """The window system answers when it comes to it."""
        from qtpy.QtCore import QDeadlineTimer

        end = QDeadlineTimer(WAIT_MS)
        while not true() and not end.hasExpired():
            self.app.processEvents()
        self.settle()
        assert true()

    def leave(self):
        """The pointer goes from the film into the dock."""
        self.test.mouseMove(self.dock.next_line)
        self.until(lambda: self.session.cursor is None)

    def wheel(self, widget, notches):
        """Over the middle of what is seen of a widget."""
        from qtpy.QtCore import QPoint, QPointF

        window = widget.window()
        middle = widget.mapTo(window, widget.visibleRegion().boundingRect().center())
        self.test.wheelEvent(window.windowHandle(), QPointF(middle), QPoint(0, 120 * notches))
        self.settle()

    def noted(self):
        """All that the session knows, to be gone back to."""
        return {n: copy.copy(v) if isinstance(v, list | dict) else v for n, v in vars(self.session).items()}

    def back_to(self, noted):
        """As it was; opening the case again takes longer."""
        vars(self.session).update({n: copy.copy(v) if isinstance(v, list | dict) else v for n, v in noted.items()})
        self.refusals.clear()

    def facts(self):
        """What a key may change in the session."""
        session = self.session
        return (
            session.case,
            session.tool,
            tuple(session.pending),
            session.proposal,
            session.draft,
            session.chosen,
            (session.film_id, session.canal_name),
        )


@pytest.fixture(scope="module")
def at_desk(tmp_path_factory):
    """One window for the module; each test begins with the case afresh."""
    if sys.platform.startswith("linux") and not os.environ.get("DISPLAY"):
        pytest.fail("this test needs a display and DISPLAY is not set: run `python3 run.py test`, which starts one")
    import wlmeasure_napari
    from napari.settings import NapariSettings
    from npe2 import PluginManager, PluginManifest
    from qtpy.QtWidgets import QFileDialog

    folder, answers, raised = tmp_path_factory.mktemp("desk"), [], []
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("NAPARI_ASYNC", "0")
        patch.setenv("WLMEASURE_DRAFTS", str(folder / "drafts"))
        patch.setattr("napari.settings._SETTINGS", NapariSettings(config_path=folder / "settings.yaml"))
        manager = PluginManager.instance()
        manager.discover()
        if "wlmeasure" not in [manifest.name for manifest in manager.iter_manifests()]:
            manager.register(PluginManifest.from_file(Path(wlmeasure_napari.__file__).with_name("napari.yaml")))
        patch.setattr(QFileDialog, "getSaveFileName", lambda *_, **__: (answers.pop(0) if answers else "", ""))
        patch.setattr(sys, "excepthook", lambda *error: raised.append(error[1]))
        desk = Desk(folder, answers)
        yield desk
        desk.viewer.close()
        desk.settle()
        assert raised == []


@pytest.fixture
def desk(at_desk):
    theirs = [layer for layer in at_desk.viewer.layers if layer.name.startswith("mine")]
    for layer in theirs:
        at_desk.viewer.layers.remove(layer)
    from wlmeasure_napari._window import show_viewer_panels

    at_desk.dock._uncover()  # W, V and C of the test before
    show_viewer_panels(at_desk.window, on=True)
    at_desk.dock._layers.enhanced = False
    at_desk.window.activateWindow()
    at_desk.fresh()
    at_desk.session.said.emit("canvas", "")
    at_desk.refusals.clear()
    at_desk.canvas.setFocus()
    at_desk.viewer.reset_view()
    at_desk.settle()
    return at_desk


# ---- keys ------------------------------------------------------------------------------------------------------------


def on_canvas(desk):
    desk.canvas.setFocus()


def on_layer_list(desk):
    desk.viewer.window._qt_viewer.layers.setFocus()


def on_button(desk):
    desk.button("Decide").setFocus()


def on_combo(desk):
    desk.dock.end_choice.setFocus()


def on_check_box(desk):
    desk.dock.contrast.setFocus()


def on_scroll_area(desk):
    desk.dock._area.setFocus()


def on_layer_check_box(desk):
    from qtpy.QtWidgets import QComboBox

    shown = [box for box in desk.viewer.window._qt_viewer.controls.findChildren(QComboBox) if box.isVisible()]
    shown[0].setFocus()


def with_our(kind):
    def focus(desk):
        desk.canvas.setFocus()
        ours = [layer for layer in desk.viewer.layers if type(layer).__name__ == kind]
        desk.viewer.layers.selection.active = ours[-1]

    return focus


def with_theirs(make, mode):
    def focus(desk):
        found = [layer for layer in desk.viewer.layers if layer.name == f"mine {make}"]
        data = np.zeros((40, 40), int) if make == "labels" else np.array([[3.0, 4.0]])
        layer = found[0] if found else getattr(desk.viewer, f"add_{make}")(data, name=f"mine {make}")
        layer.mode = mode
        desk.viewer.layers.selection.active = layer
        desk.canvas.setFocus()

    return focus


FOCUS = {
    "film": on_canvas,
    "layer list": on_layer_list,
    "button": on_button,
    "drop-down": on_combo,
    "check box": on_check_box,
    "scroll area": on_scroll_area,
    "the viewer's own control": on_layer_check_box,
    "our points in hand": with_our("Points"),
    "our lines in hand": with_our("Shapes"),
    "a person's labels in hand": with_theirs("labels", "paint"),
    "a person's points in hand": with_theirs("points", "add"),
}


def reference_point(desk):
    return next(handle for handle, _ in desk.session.handles() if handle.role == "reference" and handle.canal == "MB")


def entries(desk):
    return len(desk.session.case.entries)


def gauged(desk):
    from wlmeasure_napari._entries import begin_gauge

    begin_gauge(desk.session)


def offered_file(desk):
    from wlmeasure_napari._entries import begin_file

    begin_file(desk.session)


def chosen(desk):
    desk.session.choose(reference_point(desk))


def noted(desk):
    desk.session.set_end(apex_visibility="superimposed")


def noted_and_undone(desk):
    noted(desk)
    desk.session.undo()


def seen(desk):
    return desk.session.trace.apex_visibility


def moved(rows, cols):
    def check(desk, before):
        at = np.array(desk.session.trace.reference_px)
        return np.allclose(
            at - next(t.reference_px for t in before[0].canals[0].traces if t.film == "f2"), (rows, cols)
        )

    return check


def tool(name):
    return lambda desk, before: desk.session.tool == name


def canal_in_hand(name):
    """MB, ML, D in turn; nothing of the case changes."""
    return lambda desk, before: desk.session.canal_name == name and desk.session.case == before[0]


def found(kind, finding):
    def check(desk, before):
        last = desk.session.case.entries[-1]
        return len(desk.session.case.entries) == len(before[0].entries) + 1 and (last.kind, last.finding) == (
            kind,
            finding,
        )

    return check


def saved(desk, before):
    """In its own file, without a question of ours or the viewer's."""
    trace = next(t for t in load_case(desk.case).canals[0].traces if t.film == "f2")
    return trace.apex_visibility == "superimposed" and desk.answers == [str(desk.folder / SAVED)]


# Key: what is in hand before, and what must be so after.
KEYS = {
    "S": (None, tool("file")),
    "T": (None, tool("canal")),
    "R": (None, tool("reference")),
    "F": (None, lambda desk, before: desk.session.proposal is not None),
    "N": (None, lambda desk, before: desk.session.draft is not None and desk.session.draft.kind == "shaping file"),
    "G": (None, lambda desk, before: desk.session.draft is not None and desk.session.draft.kind == "apical gauging"),
    "S after G": (gauged, found("apical gauging", "snug")),
    "L after G": (gauged, found("apical gauging", "loose")),
    "H after G": (gauged, found("apical gauging", "short")),
    "P after G": (gauged, found("apical gauging", "past")),
    "Enter": (offered_file, found("shaping file", None)),
    "Esc": (lambda desk: desk.session.take("canal"), tool("look")),
    "Ctrl+Z": (noted, lambda desk, before: seen(desk) in (None, "clear")),
    "Ctrl+Y": (noted_and_undone, lambda desk, before: seen(desk) == "superimposed"),
    "Ctrl+D": (chosen, lambda desk, before: desk.session.trace.reference_px is None),
    "Up": (chosen, moved(-0.25, 0.0)),
    "Down": (chosen, moved(0.25, 0.0)),
    "Left": (chosen, moved(0.0, -0.25)),
    "Right": (chosen, moved(0.0, 0.25)),
    "PageDown": (None, canal_in_hand("ML")),
    "PageUp": (None, canal_in_hand("D")),
    "Ctrl+S": (noted, saved),
}


@pytest.mark.parametrize("focus", FOCUS)
def test_every_key_does_its_work_whatever_has_the_focus(desk, focus):
    idle, stood, before = [], desk.noted(), desk.facts()
    for name, (prepare, done) in KEYS.items():
        desk.back_to(stood)
        if prepare is not None:
            prepare(desk)
        desk.session.changed.emit()
        desk.settle()
        FOCUS[focus](desk)
        layers = [layer.name for layer in desk.viewer.layers]
        desk.strike(name.split(" ")[0])
        if not done(desk, before):
            idle.append(name)
        assert [layer.name for layer in desk.viewer.layers] == layers, name
    assert idle == []


def test_letters_are_text_while_text_is_typed(desk):
    """In a field, and in the number of a frame, which takes digits alone; the session hears of none of them."""
    from qtpy.QtCore import Qt

    before = desk.facts()
    field = desk.dock._fields["reason"].edit
    field.setFocus()
    field.clear()
    for letter in "SFTRNGLHP":
        desk.strike(letter)
    assert field.text().upper() == "SFTRNGLHP"
    desk.test.keyClick(desk.window.windowHandle(), Qt.Key.Key_Left)
    desk.strike("Ctrl+Z")  # the text's own undo
    assert field.text().upper() != "SFTRNGLHP"
    assert desk.facts() == before
    row, frame = desk.dock.chooser.frame_row, desk.dock.chooser.frame
    frame.setRange(1, 9)
    desk.dock.chooser.show()
    row.show()
    desk.settle()
    frame.setFocus()
    frame.selectAll()
    for key in ("S", "4", "T", "Enter"):
        desk.strike(key)
    assert frame.value() == 4
    assert desk.facts() == before
    row.hide()


def test_enter_in_a_field_enters_it_and_goes_back_to_the_film(desk):
    """And what was refused is kept in hand, to be mended."""
    field = desk.dock._fields["std"].edit
    desk.session.take("canal")
    desk.dock._fields["length"].edit.setFocus()
    desk.test.keyClicks(desk.window.focusWidget(), "21")
    desk.strike("Enter")
    assert desk.session.known_length_mm == 21.0
    assert desk.window.focusWidget() is desk.canvas
    assert desk.session.tool == "canal"
    desk.strike("Esc")
    assert desk.session.tool == "look"
    field.setFocus()
    field.setText("wide")
    desk.strike("Enter")
    assert "give or take" in desk.said("length")
    desk.dock._fields["reading"].edit.setFocus()
    desk.test.keyClicks(desk.window.focusWidget(), "none")
    desk.strike("Enter")
    assert desk.said("reading")
    assert desk.window.focusWidget() is desk.dock._fields["reading"].edit
    assert desk.window.focusWidget().selectedText() == "none"


def test_esc_in_a_field_leaves_it_and_nothing_else(desk):
    """What was half typed is not entered, and the tool stays in hand."""
    desk.session.take("canal")
    desk.session.click((300.0, 400.0))
    before = desk.facts()
    field = desk.dock._fields["canal"].edit
    field.setFocus()
    desk.test.keyClicks(field, "x")
    desk.strike("Esc")
    assert desk.window.focusWidget() is desk.canvas
    assert field.text() == "MB"
    assert desk.facts() == before


def test_the_tab_key_goes_from_the_film_on_from_where_it_was_in_the_dock(desk):
    from qtpy.QtCore import Qt

    first, after = (desk.dock._fields[name].edit for name in ("length", "object"))
    first.setFocus()
    desk.strike("Enter")
    desk.strike("Tab")
    assert desk.window.focusWidget() is after
    desk.strike("Enter")
    desk.test.keyClick(desk.window.windowHandle(), Qt.Key.Key_Backtab)
    desk.settle()
    assert desk.window.focusWidget() is after


def test_a_closed_drop_down_takes_no_key_for_another_choice(desk):
    """Letters and arrows would choose unseen; Space opens the list, and there they choose."""
    from qtpy.QtCore import Qt
    from qtpy.QtWidgets import QApplication

    box = desk.dock.seen_choice
    before = desk.facts()
    box.setFocus()
    for key in (Qt.Key.Key_Down, Qt.Key.Key_Up, Qt.Key.Key_C, Qt.Key.Key_Home, Qt.Key.Key_End, Qt.Key.Key_5):
        desk.test.keyClick(desk.window.windowHandle(), key)
        desk.settle()
    assert desk.facts() == before
    for key, canal in ((Qt.Key.Key_PageDown, "ML"), (Qt.Key.Key_PageUp, "MB")):  # the film's keys, here as everywhere
        desk.test.keyClick(desk.window.windowHandle(), key)
        desk.settle()
        assert (desk.session.case, desk.session.canal_name) == (before[0], canal)
    box.setFocus()  # in a canal that is not traced here it cannot be had
    chosen = box.currentIndex()
    desk.test.keyClick(desk.window.windowHandle(), Qt.Key.Key_Space)
    desk.settle()
    popup = QApplication.activePopupWidget()
    assert popup is not None
    for key in (Qt.Key.Key_Down, Qt.Key.Key_Return):
        desk.test.keyClick(popup.windowHandle(), key)
        desk.settle()
    assert box.currentIndex() == chosen + 1
    assert seen(desk) == box.currentText()
    assert desk.window.focusWidget() is box


PAIRED = ("S", "T", "R", "N", "G", "L", "H", "P", "Enter", "Esc", "Ctrl+Z", "Ctrl+Y", "Ctrl+D", "Up", "Left")


def nothing_open(desk):
    if desk.session.case is not None:
        desk.session.put_away()


def while_tracing(desk):
    """On a film where nothing is traced, in a canal without a length: most keys are refused."""
    desk.fresh()
    desk.session.choose_film("f1")
    desk.session.add_canal("MB2")
    desk.session.take("canal")
    for point in ((300.0, 400.0), (340.0, 400.0)):
        desk.session.click(point)


def without_initials(desk):
    desk.fresh()
    desk.session.initials = ""
    gauged(desk)


def file_begun(desk):
    desk.fresh()
    desk.session.take("file")
    desk.session.click((300.0, 400.0))


@pytest.mark.parametrize("state", [nothing_open, while_tracing, without_initials, file_begun])
def test_a_refused_key_swallows_no_following_one(desk, state):
    """Every pair of keys of which the first is refused: after it the second does what it does alone."""

    state(desk)
    desk.settle()
    stood = desk.noted()

    def after(*keys):
        """What the keys lead to, from the state as it was."""
        desk.back_to(stood)
        for key in keys:
            desk.strike(key, settle=False)
        # An entry bears the time of its making.
        case, *rest = desk.facts()
        return None if case is None else (evolve(case, entries=()), [e.kind for e in case.entries]), *rest

    untouched = after()
    swallowed, pairs = [], 0
    alone = {key: after(key) for key in PAIRED}
    for first in PAIRED:
        now = after(first)
        if not desk.refusals or "dropped:" in desk.refusals[-1]:  # another tool taken knowingly
            continue
        if now != untouched:
            swallowed.append(first)
        for second in PAIRED:
            pairs += 1
            if after(first, second) != alone[second]:
                swallowed.append(f"{first}, {second}")
    assert pairs > 0
    assert swallowed == []


# ---- wheel -----------------------------------------------------------------------------------------------------------


def inputs(widget):
    from qtpy.QtWidgets import QAbstractSpinBox, QComboBox, QListWidget, QSlider

    return [
        found for kind in (QComboBox, QAbstractSpinBox, QSlider, QListWidget) for found in widget.findChildren(kind)
    ]


def values(widgets):
    from qtpy.QtWidgets import QComboBox, QListWidget

    return [
        w.currentText() if isinstance(w, QComboBox) else w.currentRow() if isinstance(w, QListWidget) else w.value()
        for w in widgets
    ]


SOME_PX = 8  # of the page above and below, for the wheel to move


@pytest.mark.parametrize("focused", [False, True])
def test_the_wheel_scrolls_the_page_and_changes_nothing(desk, focused):
    """Over every input of the dock, one that was added by hand among them: the page moves, no value, no step, no focus."""
    from qtpy.QtCore import Qt
    from qtpy.QtWidgets import QComboBox, QListWidget

    dock, bar = desk.dock, desk.dock._area.verticalScrollBar()
    late = QComboBox()
    late.addItems(["one", "two", "three"])
    dock.record.add(late)
    dock.chooser.films.addItems([f"film {k}" for k in range(30)])
    dock.chooser.frame.setRange(1, 9)
    hidden = [w for w in inputs(dock) if not w.isVisibleTo(dock)]
    for widget in hidden:
        at = widget
        while at is not dock:
            at.show()
            at = at.parentWidget()
    desk.settle()
    before, file, wrong = desk.facts(), desk.case.read_bytes(), []
    found = inputs(dock)
    assert len(found) >= 15
    for widget in found:
        dock._area.ensureWidgetVisible(widget, 0, 100)
        if focused:
            widget.setFocus()
        else:
            desk.canvas.setFocus()
        desk.settle()
        stood, focus = values(found), desk.window.focusWidget()
        for way in (-1, 1):
            dock._area.ensureWidgetVisible(widget, 0, 100)  # a notch may have taken it from under the pointer
            bar.setValue(min(max(bar.value(), SOME_PX), bar.maximum() - SOME_PX))  # at its end no page goes on
            desk.settle()
            assert not widget.visibleRegion().isEmpty(), widget.accessibleName()
            bars = [bar, widget.verticalScrollBar()] if focused and isinstance(widget, QListWidget) else [bar]
            places = [one.value() for one in bars]
            desk.wheel(widget, way)
            scrolled = [one.value() for one in bars] != places
            if values(found) != stood or not scrolled or desk.window.focusWidget() is not focus:
                wrong.append((widget.accessibleName(), way, values(found) != stood, scrolled))
    late.setParent(None)
    dock.chooser.films.clear()
    for widget in hidden:
        widget.hide()
    assert wrong == []
    assert all(w.focusPolicy() != Qt.FocusPolicy.WheelFocus for w in found)
    assert desk.facts() == before
    assert desk.case.read_bytes() == file


def test_the_wheel_is_still_in_a_dialog_and_scrolls_an_open_list(desk):
    """A drop-down in a dialog of the dock stays; a list that is open is scrolled like any other."""
    from qtpy.QtWidgets import QApplication, QComboBox, QDialog, QVBoxLayout

    dialog = QDialog(desk.dock)
    box = QComboBox()
    box.addItems([f"choice {k}" for k in range(40)])
    box.setMaxVisibleItems(5)
    box.setStyleSheet("combobox-popup: 0")  # a list with a bar in every style
    QVBoxLayout(dialog).addWidget(box)
    dialog.show()
    desk.settle()
    desk.wheel(box, -1)
    assert box.currentIndex() == 0
    box.setFocus()
    desk.wheel(box, -1)
    assert box.currentIndex() == 0
    box.showPopup()
    desk.settle()
    assert QApplication.activePopupWidget() is not None
    view = box.view()
    desk.wheel(view.viewport(), -1)
    assert view.verticalScrollBar().value() > 0
    assert box.currentIndex() == 0
    box.hidePopup()
    dialog.close()
    dialog.deleteLater()
    desk.settle()


# ---- layers ----------------------------------------------------------------------------------------------------------


def looks(desk):
    """What is seen of the case, and from where."""
    from napari.layers import Image, Points, Shapes

    ours = [layer for layer in desk.viewer.layers if not layer.name.startswith("mine")]
    film, lines, points = ([layer for layer in ours if type(layer) is kind] for kind in (Image, Shapes, Points))
    camera = desk.viewer.scene.camera
    return (
        [layer.data.tobytes() for layer in film],
        [[path.tolist() for path in layer.data] for layer in lines],
        [layer.data.tolist() for layer in points],
        [type(layer).__name__ for layer in ours],
        [layer.visible for layer in ours],
        np.round(camera.center, 6).tolist(),
        round(camera.zoom, 6),
    )


def remove_each(desk):
    for layer in list(desk.viewer.layers):
        desk.viewer.layers.remove(layer)


def press_trash(desk):
    """With all selected: the button of the layer list. What is locked stays, so they are unlocked first, as a person may."""
    for layer in desk.viewer.layers:
        layer.locked = False
    desk.viewer.layers.selection.update(desk.viewer.layers)
    desk.viewer.window._qt_viewer.layerButtons.deleteButton.click()


def remove_film(desk):
    desk.viewer.layers.remove(desk.dock._layers.film_layer())


@pytest.mark.parametrize("remove", [remove_each, press_trash, remove_film, lambda desk: desk.viewer.layers.clear()])
def test_a_deleted_film_is_back_at_once_and_the_dock_says_so(desk, remove):
    """Points that are placed and the view stay as they were; the case and its file are untouched."""
    camera = desk.viewer.scene.camera
    desk.session.take("canal")
    desk.session.click((300.0, 400.0))
    desk.settle()
    camera.zoom *= 3.0
    camera.center = (*camera.center[:-2], *desk.dock._layers.film_layer().data_to_world((330.0, 420.0)))
    desk.settle()
    before, seen_before, file = desk.facts(), looks(desk), desk.case.read_bytes()
    remove(desk)
    desk.settle()
    assert looks(desk) == seen_before
    assert desk.facts() == before
    assert desk.case.read_bytes() == file
    assert "comes back" in desk.dock.canvas_message.text()
    desk.hover((340.0, 420.0))
    assert len(desk.session.live) > 2


def test_the_trash_button_leaves_the_film_and_takes_what_is_a_persons_own(desk):
    layers = desk.viewer.layers
    mine = desk.viewer.add_points(
        np.array([[5.0, 5.0]]), name="mine", scale=desk.dock._layers.film_layer().scale, units="mm"
    )
    before = looks(desk)
    layers.selection.update(layers)
    desk.viewer.window._qt_viewer.layerButtons.deleteButton.click()
    desk.settle()
    assert mine not in layers
    assert looks(desk) == before
    assert desk.dock.canvas_message.text() == ""


def test_layers_keep_their_order_and_a_persons_own_stays_where_it_was_put(desk):
    layers = desk.viewer.layers
    mine = desk.viewer.add_labels(np.zeros((40, 40), int), name="mine")
    film = desk.dock._layers.film_layer()
    layers.move(layers.index(film), len(layers))
    desk.settle()
    ours = [type(layer).__name__ for layer in layers if layer is not mine]
    assert ours == ["Image", "Shapes", "Points", "Points"]  # film, lines, names, points
    assert "order" in desk.dock.canvas_message.text()
    layers.move(layers.index(mine), 0)
    desk.settle()
    assert layers.index(mine) == 0


def test_a_film_that_was_hidden_is_seen_when_a_point_is_to_be_placed(desk):
    film, points = desk.dock._layers.film_layer(), desk.dock._layers.points_layer()
    film.visible = points.visible = False
    desk.settle()
    assert not film.visible
    desk.strike("T")
    assert film.visible
    assert points.visible


# ---- the close-up ----------------------------------------------------------------------------------------------------


def rectangle(widget):
    from qtpy.QtCore import QPoint, QRect

    return QRect(widget.mapToGlobal(QPoint(0, 0)), widget.size())


@pytest.mark.parametrize("side", ["Left", "Right", "Top", "Bottom"])
def test_the_loupe_covers_neither_the_dock_nor_the_point(desk, side):
    """Over a grid of places with the corners: wholly on the canvas, off the cursor, and the mouse goes through it."""
    from qtpy.QtCore import QPoint, QPointF, Qt
    from qtpy.QtGui import QCursor, QMouseEvent
    from qtpy.QtWidgets import QApplication

    size = desk.window.size()
    small = desk.window.devicePixelRatioF() > 1
    panels = [desk.viewer.window._qt_viewer.dockLayerControls, desk.viewer.window._qt_viewer.dockLayerList]
    if small:
        desk.window.resize(790, 590)
        for panel in panels:
            panel.hide()
    area = getattr(Qt.DockWidgetArea, f"{side}DockWidgetArea")
    desk.window.addDockWidget(area, desk.frame)
    desk.settle()
    desk.session.take("canal")
    desk.settle()
    canvas, wrong, shown = desk.canvas, [], 0
    width, height = canvas.width(), canvas.height()
    for x in np.linspace(0, width - 1, 6).round().astype(int).tolist():
        for y in np.linspace(0, height - 1, 6).round().astype(int).tolist():
            at = QPoint(x, y)
            QCursor.setPos(canvas.mapToGlobal(at))
            desk.settle()
            move = QMouseEvent(QMouseEvent.Type.MouseMove, QPointF(at), QPointF(canvas.mapToGlobal(at)),
                               Qt.MouseButton.NoButton, Qt.MouseButton.NoButton, Qt.KeyboardModifier.NoModifier)  # fmt: skip
            QApplication.sendEvent(canvas, move)
            desk.session.hover((300.0, 400.0))
            loupe = desk.dock._loupe
            if not loupe.isVisible():
                continue
            shown += 1
            lies, cursor = rectangle(loupe), canvas.mapToGlobal(at)
            near = QPoint(10, 10)
            from qtpy.QtCore import QRect

            fine = (
                rectangle(canvas).contains(lies)
                and not lies.intersects(rectangle(desk.frame))
                and not lies.intersects(QRect(cursor - near, cursor + near))
                and QApplication.widgetAt(cursor) is canvas
                and QApplication.widgetAt(lies.center()) is canvas
            )
            if not fine:
                wrong.append((x, y))
    desk.window.addDockWidget(Qt.DockWidgetArea.RightDockWidgetArea, desk.frame)
    desk.window.resize(size)
    for panel in panels:
        panel.show()
    desk.settle()
    assert wrong == []
    assert shown == 36


def test_the_loupe_on_a_screen_of_two_dots_a_pixel():
    """The same test, in a program of its own: the ratio is fixed when a program starts."""
    environment = {**os.environ, "QT_SCALE_FACTOR": "2"}
    names = [f"{__file__}::test_the_loupe_covers_neither_the_dock_nor_the_point[{side}]" for side in ("Left", "Right")]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *names],
        cwd=ROOT, env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert "2 passed" in done.stdout, done.stdout[-3000:]


def test_the_loupe_leaves_with_the_pointer(desk):
    """Off the canvas, with another window in use, with the tool: and T then places no point where the pointer was last."""
    from qtpy.QtCore import QEvent
    from qtpy.QtWidgets import QApplication

    loupe, session = desk.dock._loupe, desk.session
    desk.strike("T")
    desk.hover((400.0, 500.0))
    assert loupe.isVisible()
    desk.leave()
    assert not loupe.isVisible()
    desk.strike("T")
    assert session.pending == []
    desk.hover((400.0, 500.0))
    assert loupe.isVisible()
    QApplication.sendEvent(desk.window, QEvent(QEvent.Type.WindowDeactivate))  # as when another window comes into use
    assert not loupe.isVisible()
    assert session.cursor is None
    desk.hover((410.0, 500.0))
    assert loupe.isVisible()
    desk.strike("Esc")
    assert not loupe.isVisible()


# ---- preview and view ------------------------------------------------------------------------------------------------


def test_the_preview_stays_through_what_is_no_decision(desk):
    """Through the points and on to the cursor; without the cursor through the points. Clicks in the dock drop nothing."""
    session, dock = desk.session, desk.dock
    points = ((300.0, 400.0), (340.0, 410.0), (380.0, 420.0))
    desk.strike("T")
    for point in points:
        desk.click(point)
    placed = list(session.pending)
    desk.hover((400.0, 430.0))
    assert [at for at in placed if at not in session.preview] == []
    desk.leave()
    line = list(session.preview)
    assert (line[0], line[-1]) == (placed[0], placed[-1])
    desk.press(dock._fields["reason"].edit)
    desk.press(desk.button("Trace (T)"))
    dock.seen_choice.showPopup()
    desk.settle()
    dock.seen_choice.hidePopup()
    dock.contrast.click()
    desk.wheel(dock._area.viewport(), -1)
    desk.strike("N")
    desk.canvas.setFocus()
    desk.strike("N")
    desk.strike("G")
    remove_film(desk)
    desk.settle()
    dock.contrast.click()
    desk.settle()
    assert session.pending == placed
    assert session.preview == line
    np.testing.assert_allclose(dock._line._line.pos[:, ::-1] - 0.5, line, atol=1e-3)
    desk.strike("Enter")
    assert session.preview == []
    assert session.trace.clicks_px == tuple(placed)


@pytest.mark.parametrize("turn", ["film", "canal"])
def test_another_film_or_canal_keeps_no_point_of_the_last_and_says_so(desk, turn):
    dock, session = desk.dock, desk.session
    session.take("canal")
    for point in ((300.0, 400.0), (340.0, 410.0)):
        session.click(point)
    box, name = (dock.film_choice, "f3") if turn == "film" else (dock.canal_choice, "ML")
    box.setCurrentText(name)
    box.textActivated.emit(name)
    desk.settle()
    assert (session.pending, session.live, session.tool) == ([], [], "look")
    words = desk.said(turn)
    assert words.startswith("2 points for canal MB on film f2 were not accepted and were dropped")
    assert name in words


def on_screen(desk, pixel):
    place = desk.place(pixel)
    return 0 <= place.x() < desk.canvas.width() and 0 <= place.y() < desk.canvas.height()


@pytest.mark.parametrize("canal", ["MB", "ML", "D"])
def test_after_another_film_is_chosen_the_apex_is_in_view(desk, canal):
    """However near and far off the last film was looked at; a film on which the canal is not traced is seen whole."""
    session, camera = desk.session, desk.viewer.scene.camera
    session.choose_canal(canal)
    seen_whole = seen_near = 0
    for film in ("f1", "f2", "f3", "f4") * 2:
        layer = desk.dock._layers.film_layer()
        camera.zoom, camera.center = 300.0, (0.0, *layer.data_to_world((10.0, 10.0)))
        session.choose_film(film)
        desk.settle()
        rows, cols = session.radiograph.values.shape
        if session.trace is None:
            seen_whole += 1
            assert all(
                on_screen(desk, corner) for corner in ((0, 0), (0, cols - 1), (rows - 1, 0), (rows - 1, cols - 1))
            )
        else:
            seen_near += 1
            assert on_screen(desk, session.trace.clicks_px[-1]), film
    assert seen_near > 0
    assert seen_whole > 0
