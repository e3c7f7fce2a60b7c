"""The building blocks of the dock: a titled part, a field with its message beneath, a row of buttons."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from html import escape
from typing import Any

from qtpy.QtCore import QObject, Qt, Signal
from qtpy.QtWidgets import QGroupBox, QHBoxLayout, QLabel, QLineEdit, QPushButton, QVBoxLayout, QWidget

__all__ = ["Field", "Part", "Worker", "button", "buttons", "note", "plain_tip", "tell"]


def note(text: str = "", *, name: str = "note") -> QLabel:
    """A line of words that wraps; plain text, so that no name in it is read as markup."""
    label = QLabel(text)
    label.setObjectName(name)
    label.setWordWrap(True)
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
    return label


def plain_tip(text: str) -> str:
    """A tooltip that shows `text` as it is: Qt takes a tip that looks like markup for markup, and loads what it names."""
    return f"<p>{escape(text)}</p>"


def tell(label: QLabel, text: str) -> None:
    """Put words on a line; a line without words takes no room."""
    label.setText(text)
    label.setVisible(bool(text))


def button(text: str, action: Callable[[], None], tip: str) -> QPushButton:
    """A push button with a tooltip; it does not take the keyboard from the canvas."""
    made = QPushButton(text)
    made.setToolTip(tip)
    made.setAccessibleName(text)
    made.setFocusPolicy(Qt.FocusPolicy.TabFocus)
    made.clicked.connect(lambda _checked=False: action())
    return made


def buttons(*made: QWidget) -> QWidget:
    """Widgets side by side."""
    row = QWidget()
    layout = QHBoxLayout(row)
    layout.setContentsMargins(0, 0, 0, 0)
    for widget in made:
        layout.addWidget(widget)
    return row


class Worker(QObject):
    """Runs jobs one after another on a thread of its own and hands their outcomes to the thread it was made on."""

    _ended = Signal(object)

    def __init__(self) -> None:
        super().__init__()
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="wlmeasure")
        self._ended.connect(self._hand_over, Qt.ConnectionType.QueuedConnection)

    def __call__(self, job: Callable[[], Any], finish: Callable[[Callable[[], Any]], None]) -> None:
        future = self._pool.submit(job)
        future.add_done_callback(lambda done: self._ended.emit((finish, done)))

    def _hand_over(self, ended: tuple[Callable[[Callable[[], Any]], None], Future[Any]]) -> None:
        finish, future = ended
        finish(future.result)


class Part(QGroupBox):
    """One titled part of the dock."""

    def __init__(self, title: str) -> None:
        super().__init__(title)
        self._layout = QVBoxLayout(self)
        self._layout.setSpacing(4)

    def add(self, widget: QWidget) -> QWidget:
        self._layout.addWidget(widget)
        return widget


class Field(QWidget):
    """A labelled text field; `done` is called with its text on Enter or when it is left changed. Messages stand beneath.

    What makes an entry of the record is no value that stands in the field: `on_enter` alone makes it, and leaving the field,
    for what belongs to the same entry or for another patient, enters nothing.
    """

    def __init__(
        self, label: str, done: Callable[[str], None] | None, tip: str, *, hint: str = "", on_enter: bool = False
    ) -> None:
        super().__init__()
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(1)
        self.edit = QLineEdit()
        self.edit.setPlaceholderText(hint)
        self.edit.setToolTip(tip)
        self.edit.setAccessibleName(label)
        words = QLabel(label)
        words.setBuddy(self.edit)
        row = QHBoxLayout()
        row.addWidget(words)
        row.addWidget(self.edit, 1)
        layout.addLayout(row)
        self.message = note(name="message")
        self.message.hide()
        layout.addWidget(self.message)
        self._told: str | None = ""
        self._stood = ""  # what stands in the session, as far as the field knows
        self._done = done
        if done is not None:
            (self.edit.returnPressed if on_enter else self.edit.editingFinished).connect(self._finished)

    def _finished(self) -> None:
        text = self.edit.text()
        if text != self._told and self._done is not None:
            self._told = text
            self._done(text)
            if not self.refused:
                self._stood = self.edit.text()

    @property
    def refused(self) -> bool:
        """Whether a message stands beneath what was entered."""
        return self._done is not None and bool(self.message.text())

    def put_back(self) -> None:
        """What is being typed is not meant: what stood before it stands again, and nothing is entered."""
        if self._done is not None:
            self._told = self._stood
            self.edit.setText(self._stood)

    @property
    def text(self) -> str:
        return str(self.edit.text())

    def set_text(self, text: str) -> None:
        """Show a value of the session, unless the person is typing."""
        self._stood = text
        if not self.edit.hasFocus():
            self._told = text
            self.edit.setText(text)

    def show_text(self, text: str) -> None:
        """Show what belongs to another canal, film or case, even under the keyboard: what was typed was not meant for it."""
        self.set_text(text)
        if self.edit.text() != text:
            self._told = text
            self.edit.setText(text)
        self.say("")

    def clear(self) -> None:
        """Empty, ready for the next entry."""
        self._told = self._stood = ""
        self.edit.clear()

    def say(self, text: str) -> None:
        """A message beneath the field; what was refused is tried again on the next Enter, though the text is the same."""
        if text:
            self._told = None
        self.message.setText(text)
        self.message.setVisible(bool(text))
