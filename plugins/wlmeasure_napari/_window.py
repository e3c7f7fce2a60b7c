"""Keys, the wheel and the pointer in one viewer's window, before any widget has them.

A layer's own keys, a panel that has the focus or a menu's shortcut would take a key before the film has it; a wheel that
scrolls the dock would turn whatever lies under it. One filter on the application answers for all of them, so that no input,
not even one that is made later or in a dialog, can be forgotten. What a key does is said by `_hands`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from qtpy.QtCore import QEvent, QObject, Qt
from qtpy.QtOpenGLWidgets import QOpenGLWidget
from qtpy.QtWidgets import (
    QAbstractItemView,
    QAbstractSlider,
    QAbstractSpinBox,
    QApplication,
    QComboBox,
    QDockWidget,
    QLineEdit,
    QMainWindow,
    QPlainTextEdit,
    QScrollArea,
    QScrollBar,
    QTextEdit,
    QWidget,
)

from wlmeasure_napari._dock_parts import Field

__all__ = ["WindowKeys", "film_canvas", "main_window", "show_viewer_panels", "viewer_panels"]

PANELS = ("layer list", "layer controls")  # the viewer's own, by Qt's object names

DIGITS = tuple("0123456789")
ARROWS = frozenset({"Up", "Down", "Left", "Right"})
PAGES = frozenset({"PageUp", "PageDown"})
SAVE, OPEN = "Ctrl+S", "Ctrl+O"
NAMES = {
    **{getattr(Qt.Key, f"Key_{letter}").value: letter for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZ"},
    **{getattr(Qt.Key, f"Key_{name}").value: name for name in ("Up", "Down", "Left", "Right", "PageUp", "PageDown")},
    **{getattr(Qt.Key, f"Key_{name}").value: "Enter" for name in ("Return", "Enter")},
    Qt.Key.Key_Escape.value: "Esc",
    **{getattr(Qt.Key, f"Key_{name}").value: "Del" for name in ("Delete", "Backspace")},
    Qt.Key.Key_Question.value: "?",
    Qt.Key.Key_Tab.value: "Tab",
    Qt.Key.Key_Backtab.value: "Backtab",
}
INPUTS = (QComboBox, QAbstractSpinBox, QAbstractSlider, QAbstractItemView)
HELD = {
    Qt.KeyboardModifier.NoModifier: "",
    Qt.KeyboardModifier.ControlModifier: "Ctrl+",
    Qt.KeyboardModifier.ShiftModifier: "Shift+",
}
WALKS = frozenset(
    getattr(Qt.Key, f"Key_{name}").value
    for name in ("Up", "Down", "Left", "Right", "PageUp", "PageDown", "Home", "End")
)


def main_window(widget: QWidget) -> QMainWindow | None:
    """The viewer's window that a widget is in, also in a dock that was taken out of it; None for one in a dialog or list."""
    window = widget.window()
    while isinstance(window, QDockWidget) and window.parentWidget() is not None:
        window = window.parentWidget().window()
    return window if isinstance(window, QMainWindow) else None


def film_canvas(window: QMainWindow) -> QOpenGLWidget | None:
    """The widget in which the viewer draws."""
    middle = window.centralWidget()
    return None if middle is None else middle.findChild(QOpenGLWidget)


def viewer_panels(window: QMainWindow) -> list[QWidget]:
    """What the viewer itself shows beside the film: its lists, and the line at the foot of its window."""
    return [*(panel for panel in window.findChildren(QDockWidget) if panel.objectName() in PANELS), window.statusBar()]


def show_viewer_panels(window: QMainWindow, *, on: bool | None = None) -> None:
    """Show or hide the viewer's own panels; None turns them over."""
    panels = viewer_panels(window)
    shown = not any(panel.isVisibleTo(window) for panel in panels) if on is None else on
    for panel in panels:
        panel.setVisible(shown)


def key_name(event: Any) -> str:
    """A key with what is held, such as "S", "Ctrl+Z", "Enter"; empty for one that means nothing here."""
    held = HELD.get(event.modifiers() & ~Qt.KeyboardModifier.KeypadModifier)
    name = NAMES.get(event.key())
    if name == "?" and held is not None:
        return name  # on most keyboards Shift is held for it
    return "" if held is None or name is None else held + name


def chooses_unseen(event: Any) -> bool:
    """Whether Qt takes a key on a closed drop-down for another choice: an arrow or a letter. Space, F4 and Alt+Down open it."""
    if event.modifiers() & (Qt.KeyboardModifier.AltModifier | Qt.KeyboardModifier.ControlModifier):
        return False
    return event.key() in WALKS or (event.text().isprintable() and event.text().strip() != "")


def types_text(widget: QWidget) -> bool:
    """Whether letters are text for the widget that has the focus."""
    if isinstance(widget, QLineEdit):
        return not widget.isReadOnly()
    if isinstance(widget, QComboBox):
        return bool(widget.isEditable())
    return isinstance(widget, QAbstractSpinBox | QTextEdit | QPlainTextEdit)


class WindowKeys(QObject):
    """Filters the events of the window that the dock is in, while the dock is seen.

    Parameters
    ----------
    dock
        Its inputs, and those of its dialogs, are kept still.
    keys
        What each key does, by `key_name`.
    has_point
        Whether a point is chosen for the arrow keys, or a proposal in focus; they are the focused widget's otherwise.
    save, open_film
        What Ctrl+S and Ctrl+O do.
    digit
        Called with a digit that is typed on the film.
    pointer
        Called with whether the pointer is over the film; it is not in a window that is no longer the one in use.
    """

    def __init__(
        self,
        dock: QWidget,
        keys: Mapping[str, Callable[[], None]],
        *,
        has_point: Callable[[], bool],
        save: Callable[[], None],
        open_film: Callable[[], None],
        digit: Callable[[str], None],
        pointer: Callable[[bool], None],
    ) -> None:
        super().__init__(dock)
        self._dock = dock
        self._keys = {**keys, SAVE: self._save, OPEN: open_film}
        self._digit = digit
        self._has_point = has_point
        self._save_case = save
        self._pointer = pointer
        self._window: QMainWindow | None = None
        self._canvas: QWidget | None = None
        self._came_from: QWidget | None = None  # where Tab goes on when the film has the focus
        self._on: dict[Any, Callable[[QWidget, Any], bool]] = {
            QEvent.Type.ShortcutOverride: self._on_shortcut,
            QEvent.Type.KeyPress: self._on_press,
            QEvent.Type.Wheel: self._on_wheel,
            QEvent.Type.Polish: self._on_polish,
            QEvent.Type.Leave: lambda widget, _event: self._on_pointer(widget, inside=False),
            QEvent.Type.Enter: lambda widget, _event: self._on_pointer(widget, inside=True),
            QEvent.Type.MouseMove: lambda widget, _event: self._on_pointer(widget, inside=True),
            QEvent.Type.WindowDeactivate: lambda widget, _event: self._on_pointer(widget, inside=False),
        }

    def connect_to_window(self) -> None:
        """Begin to listen."""
        self._window = main_window(self._dock)
        self._canvas = None if self._window is None else film_canvas(self._window)
        for widget in self._dock.findChildren(QWidget):
            self._on_polish(widget, None)
        QApplication.instance().installEventFilter(self)

    @property
    def came_from(self) -> QWidget | None:
        """The widget of the dock that had the focus before the film."""
        return self._came_from

    def disconnect_from_window(self) -> None:
        """Listen no longer."""
        QApplication.instance().removeEventFilter(self)
        self._window = self._canvas = self._came_from = None

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802  Qt's name
        answer = self._on.get(event.type())
        return answer is not None and isinstance(watched, QWidget) and answer(watched, event)

    # ---- keys ----------------------------------------------------------------------------------------------------

    def _on_shortcut(self, widget: QWidget, event: Any) -> bool:
        """Qt asks whether a key is wanted before it tries the shortcuts of the menus."""
        if not self._wanted(widget, key_name(event)) and not self._nobodys(widget, event):
            return False
        event.accept()
        return True

    def _wanted(self, widget: QWidget, name: str) -> bool:
        """Whether a key is ours, wherever in the window it is pressed."""
        if self._window is None or main_window(widget) != self._window or QApplication.activePopupWidget() is not None:
            return False
        if name in (SAVE, OPEN):
            return True
        ours = self._dock.isAncestorOf(widget)
        if types_text(widget):
            return ours and name in ("Enter", "Esc")
        if name not in self._keys:
            return widget is self._canvas and name in ("Tab", "Backtab", "Shift+Backtab")
        if name in ARROWS | PAGES:
            keeps = isinstance(widget, QAbstractSlider) or (ours and isinstance(widget, QAbstractItemView))
            return (name in PAGES or self._has_point()) and not keeps
        return not (
            name == "Enter" and ours and isinstance(widget, QAbstractItemView)
        )  # opens what is chosen in the list

    def _nobodys(self, widget: QWidget, event: Any) -> bool:
        """Whether a key is a letter or number to the viewer alone, whose layers take those for modes and tools of theirs."""
        if self._window is None or main_window(widget) != self._window or QApplication.activePopupWidget() is not None:
            return False
        if event.modifiers() & ~(Qt.KeyboardModifier.ShiftModifier | Qt.KeyboardModifier.KeypadModifier):
            return False
        text = event.text()
        if types_text(widget) or not text or not text.isprintable():
            return False
        return bool(text.strip()) or widget is self._canvas  # Space presses buttons elsewhere

    def _on_press(self, widget: QWidget, event: Any) -> bool:
        name = key_name(event)
        if not self._wanted(widget, name):
            if self._nobodys(widget, event):
                if widget is self._canvas and event.text() in DIGITS and not event.isAutoRepeat():
                    self._digit(event.text())
                return True
            closed = isinstance(widget, QComboBox) and not widget.isEditable() and self._is_still(widget)
            return closed and chooses_unseen(event)
        if event.isAutoRepeat() and name not in ARROWS:
            return True  # a key held down is one step, and none of what comes after it
        if name in ("Tab", "Backtab", "Shift+Backtab"):
            self._tab(forward=name == "Tab")
        elif types_text(widget) and name == "Enter":
            widget.event(event)  # what was typed is taken
            event.accept()  # a field leaves Enter to its parents, where it would accept what is in focus on the film
            field = widget.parentWidget()
            if isinstance(field, Field) and field.refused:
                field.edit.selectAll()
            else:
                self._to_film(widget)
        elif types_text(widget) and name == "Esc":
            field = widget.parentWidget()
            if isinstance(field, Field):
                field.put_back()
            self._to_film(widget)
        else:
            self._keys[name]()
        return True

    def _save(self) -> None:
        """What is being typed is taken first."""
        widget = None if self._window is None else self._window.focusWidget()
        if widget is not None and self._dock.isAncestorOf(widget) and types_text(widget):
            self._to_film(widget)
        self._save_case()

    def _to_film(self, widget: QWidget) -> None:
        if self._canvas is not None:
            self._came_from = widget
            self._canvas.setFocus()

    def _tab(self, *, forward: bool) -> None:
        """From the film into the dock: on from where the focus was there, or back to it; else to the dock's first control."""
        start = self._dock if self._came_from is None else self._came_from
        at = start if not forward and self._takes_tab(start) else start.nextInFocusChain()
        while at is not start and not self._takes_tab(at):
            at = at.nextInFocusChain()
        at.setFocus(Qt.FocusReason.TabFocusReason if forward else Qt.FocusReason.BacktabFocusReason)

    def _takes_tab(self, widget: QWidget) -> bool:
        seen = self._dock.isAncestorOf(widget) and widget.isVisible() and widget.isEnabled()
        return seen and widget.focusProxy() is None and bool(widget.focusPolicy() & Qt.FocusPolicy.TabFocus)

    # ---- wheel and focus -----------------------------------------------------------------------------------------

    def _is_still(self, widget: QWidget) -> bool:
        """Whether a widget is one of the dock's or of one of its dialogs', but not in the open list of a drop-down."""
        window = widget.window()
        if window.windowType() == Qt.WindowType.Popup:
            return False
        return bool(
            self._dock.isAncestorOf(widget) or (window != self._dock.window() and window.parent() == self._dock)
        )

    def _on_wheel(self, widget: QWidget, event: Any) -> bool:
        """A wheel scrolls; it never sets a value, not even of the input that has the focus: the hand means the page.

        A list scrolls when it has the focus, or where there is no page.
        """
        if not self._is_still(widget):
            return False
        held: QWidget | None = widget
        while held is not None and not isinstance(held, INPUTS):
            held = None if held.isWindow() else held.parentWidget()
        if held is None or isinstance(held, QScrollBar):
            return False
        if isinstance(held, QAbstractItemView) and (held.hasFocus() or not self._in_a_page(held)):
            return False
        event.ignore()  # and so it goes on to the parent, up to the page
        return True

    def _in_a_page(self, widget: QWidget) -> bool:
        at = widget.parentWidget()
        while at is not None and not isinstance(at, QScrollArea):
            at = None if at.isWindow() else at.parentWidget()
        return at is not None

    def _on_polish(self, widget: QWidget, _event: Any) -> bool:
        """The wheel gives no focus either: the keys would follow it."""
        if widget.focusPolicy() == Qt.FocusPolicy.WheelFocus and self._is_still(widget):
            widget.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        return False

    def _on_pointer(self, widget: QWidget, *, inside: bool) -> bool:
        if widget is self._canvas or (widget is self._window and not inside):
            self._pointer(inside)
        return False
