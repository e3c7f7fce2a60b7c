"""The dock's head and foot: whose case this is and who works on it, the ways to another case, and the question that stands."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

from qtpy.QtCore import QSize, Qt
from qtpy.QtGui import QFontMetrics, QIcon, QImage, QPixmap
from qtpy.QtWidgets import QHBoxLayout, QMenu, QPushButton, QScrollArea, QSizePolicy, QVBoxLayout, QWidget

from wlmeasure.errors import CaseError
from wlmeasure.record.case import load_case
from wlmeasure_napari._dock_parts import Field, button, buttons, note, plain_tip
from wlmeasure_napari._document import case_words
from wlmeasure_napari._drafts import free_drafts, origin_of
from wlmeasure_napari._offer import Question
from wlmeasure_napari._recent import recent
from wlmeasure_napari._session import Session

__all__ = ["CaseRow", "Head", "QuestionBar"]

Do = Callable[[str, Callable[[], None]], None]
CONFIRMED = "Confirmed"
FOOT_PX = 150  # most of the dock's height that the words of a question take; longer ones are scrolled
ANSWERS_PX = 120  # least of it that the answers have, where there are so many; the others are scrolled
MARGINS = (6, 4, 6, 4)


class Head(QWidget):
    """Two lines that always stand: tooth, case, saved or not; and who is working."""

    def __init__(self, session: Session, do: Do) -> None:
        super().__init__()
        self._session = session
        layout = QVBoxLayout(self)
        layout.setContentsMargins(8, 0, 8, 0)
        layout.setSpacing(2)
        self.words = note(name="number")
        self.words.setAccessibleName("Tooth, case, saved or not")
        layout.addWidget(self.words)
        self.working = Field("Working", lambda text: do("by", lambda: self._say(text)), "Initials of who is working")
        self.confirm = button("Confirm", lambda: do("by", session.confirm), "Yes, the same person works on this case")
        self.confirm.setText(CONFIRMED)
        self.confirm.setMinimumWidth(self.confirm.sizeHint().width())
        row = self.row = QWidget()
        inside = QHBoxLayout(row)
        inside.setContentsMargins(0, 0, 0, 0)
        inside.addWidget(self.working, 1)
        inside.addWidget(self.confirm, 0, Qt.AlignmentFlag.AlignTop)
        layout.addWidget(row)

    def _say(self, text: str) -> None:
        self._session.initials = text

    def fit(self) -> None:
        """Two lines of words always have room, so that nothing moves when one becomes two."""
        self.words.setMinimumHeight(2 * self.words.fontMetrics().lineSpacing() + 2)

    def refresh(self) -> None:
        """Fill in from the session."""
        session = self._session
        self.words.setText(session.head())
        self.working.set_text(session.initials)
        sure = session.confirmed and bool(session.initials)
        self.confirm.setText(CONFIRMED if sure else "Confirm")
        self.confirm.setEnabled(not sure and bool(session.initials))


class CaseRow(QWidget):
    """New, open, close, and the cases of late; every one of them stands in its place whether it can be pressed or not."""

    def __init__(
        self, session: Session, do: Do, ask_file: Callable[[], None], open_path: Callable[[Path], None]
    ) -> None:
        super().__init__()
        self._session, self._do, self._open_path = session, do, open_path
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(
            buttons(
                button(
                    "New case", lambda: do("canvas", session.new_case), "Put this case away, kept as it is; begin empty"
                ),
                button("Open case", ask_file, "A saved case (*.wl.json)"),
                button("Close", lambda: do("canvas", session.close_case), "Put this case away, kept as it is"),
            )
        )
        self.recent = button("Recent", lambda: None, "The case files opened or saved last")
        self.unsaved = button("Unsaved", lambda: None, "Cases and changes that were not saved; nothing of them is lost")
        self.recent_menu, self.unsaved_menu = QMenu(self), QMenu(self)
        for pressed, menu, fill in (
            (self.recent, self.recent_menu, self.fill_recent),
            (self.unsaved, self.unsaved_menu, self.fill_unsaved),
        ):
            menu.setToolTipsVisible(True)
            menu.aboutToShow.connect(fill)
            pressed.setMenu(menu)
        layout.addWidget(buttons(self.recent, self.unsaved))
        self._counted: object = self

    def refresh(self) -> None:
        """How many unsaved cases wait; counted when another case has come or gone, since it asks the disk."""
        document = self._session.document
        if document is not self._counted:
            self._counted = document
            count = len(free_drafts())
            self.unsaved.setText(f"Unsaved ({count})")
            self.unsaved.setEnabled(bool(count))

    def fill_recent(self) -> None:
        """The names of the files that are still there."""
        self.recent_menu.clear()
        paths = recent()
        for path in paths:
            action = self.recent_menu.addAction(path.name.replace("&", "&&"))
            action.setToolTip(plain_tip(str(path.parent)))
            action.triggered.connect(lambda _on=False, path=path: self._open_path(path))
        if not paths:
            self.recent_menu.addAction("none yet").setEnabled(False)

    def fill_unsaved(self) -> None:
        """Tooth, case, when, and of which file."""
        self.unsaved_menu.clear()
        for draft in free_drafts():
            try:
                words = case_words(load_case(draft))
            except CaseError:
                continue
            origin = origin_of(draft)
            at = datetime.fromtimestamp(draft.stat().st_mtime)
            of_file = "" if origin is None else f", changes of {origin.file.name}"
            action = self.unsaved_menu.addAction(f"{words}, {at:%Y-%m-%d %H:%M}{of_file}".replace("&", "&&"))
            action.triggered.connect(
                lambda _on=False, draft=draft: self._do("canvas", lambda: self._session.go_on_with(draft))
            )
        if self.unsaved_menu.isEmpty():
            self.unsaved_menu.addAction("none").setEnabled(False)


def _widest(text: str, metrics: QFontMetrics) -> int:
    return max(int(metrics.horizontalAdvance(line)) for line in text.split("\n"))


def _wrapped(text: str, metrics: QFontMetrics, width: int) -> str:
    """A button's text in lines no wider than `width` pixels, since Qt cuts it; a word that is wider is broken."""
    lines = [""]
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}".lstrip()
        if metrics.horizontalAdvance(longer) <= width:
            lines[-1] = longer
            continue
        if lines[-1]:
            lines.append("")
        for letter in word:
            if lines[-1] and metrics.horizontalAdvance(lines[-1] + letter) > width:
                lines.append("")
            lines[-1] += letter
    return "\n".join(lines)


def _scrolled(inside: QWidget) -> QScrollArea:
    made = QScrollArea()
    made.setWidgetResizable(True)
    made.setFrameShape(QScrollArea.Shape.NoFrame)
    made.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    made.setFocusPolicy(Qt.FocusPolicy.NoFocus)
    made.setWidget(inside)
    return made


class QuestionBar(QWidget):
    """The question that stands and its answers, at the foot of the dock: what stands above does not move when it comes.

    `room` says how much of the dock's height is left to it: a window that grew with it would leave a low screen.
    """

    def __init__(self, session: Session, do: Do, room: Callable[[], int]) -> None:
        super().__init__()
        self._session, self._do, self._room = session, do, room
        self._shown: Question | None = None
        layout = QVBoxLayout(self)
        layout.setContentsMargins(*MARGINS)
        self.words = note(name="next")
        self.words.setAlignment(Qt.AlignmentFlag.AlignTop)
        self._area, self._below = _scrolled(self.words), _scrolled(QWidget())
        layout.addWidget(self._area)
        layout.addWidget(self._below)
        self._answers = QVBoxLayout(self._below.widget())  # one beneath another, each as wide as the dock
        self._answers.setContentsMargins(0, 0, 0, 0)
        self.answers: list[QPushButton] = []
        self.hide()

    def refresh(self) -> None:
        """Show the question of the session, or nothing."""
        question = self._session.question
        if question is self._shown:
            return
        self._shown = question
        for old in self.answers:
            self._answers.removeWidget(old)
            old.hide()
            old.deleteLater()
        self.answers = []
        self.setVisible(question is not None)
        if question is None:
            return
        self.words.setText(question.text)
        for choice in question.choices:
            made = button(choice.words, partial(self._answer, question, choice.words), question.text.split("\n")[0])
            made.setSizePolicy(QSizePolicy.Policy.Ignored, made.sizePolicy().verticalPolicy())  # it wraps instead
            if choice.picture is not None:
                rows, cols = choice.picture.shape
                grey = QImage(choice.picture.tobytes(), cols, rows, cols, QImage.Format.Format_Grayscale8)
                made.setIcon(QIcon(QPixmap.fromImage(grey)))
                made.setIconSize(QSize(cols, rows))
            self._answers.addWidget(made)
            self.answers.append(made)
        self.fit()

    def fit(self) -> None:
        """As high as words and answers are, up to a limit; then they are scrolled, each by itself."""
        if not self.answers:
            return
        bar = self._area.verticalScrollBar().sizeHint().width()
        room = self._area.viewport().width() - bar
        frame = self._area.height() - self._area.viewport().height()  # the viewer's theme draws one round what has none
        words = min(FOOT_PX, max(self.words.heightForWidth(max(room, 100)), 1) + frame)
        self._area.setFixedHeight(words)
        room = self.width() - MARGINS[0] - MARGINS[2] - frame - bar
        for made in self.answers:
            made.ensurePolished()
            around = made.sizeHint().width() - _widest(made.text(), made.fontMetrics())
            text = _wrapped(made.accessibleName(), made.fontMetrics(), max(room - around, 60))
            if text != made.text():
                made.setText(text)
        whole = sum(made.sizeHint().height() for made in self.answers) + frame
        whole += (len(self.answers) - 1) * self._answers.spacing()
        left = self._room() - words - self.layout().spacing() - MARGINS[1] - MARGINS[3]
        self._below.setFixedHeight(min(whole, max(left, ANSWERS_PX)))

    def resizeEvent(self, event: Any) -> None:  # noqa: N802  Qt's name
        super().resizeEvent(event)
        self.fit()

    def _answer(self, question: Question, words: str) -> None:
        def step() -> None:
            if self._session.question is question:  # what was pressed is what is answered, and nothing that came since
                self._session.answer(words)

        self._do("canvas", step)
