"""The dock's foot: one warning at a time, and the cautions folded to their first line."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QHBoxLayout, QLabel, QPushButton, QScrollArea, QVBoxLayout, QWidget

from wlmeasure.share.cautions import CAUTIONS
from wlmeasure_napari._dock_parts import button, note
from wlmeasure_napari._look import STEP_PX
from wlmeasure_napari._warnings import Remark

__all__ = ["CautionLine", "LookLine", "WarningBar"]

OPEN_PX = 160  # most height that all warnings together take; longer lists are scrolled
LINES = 3  # rows of the first warning; the room stays when there is none, so that nothing jumps


class _Scrolled(QScrollArea):
    """Words as high as they are, within limits; where they are more they are scrolled."""

    def __init__(self, label: QLabel) -> None:
        super().__init__()
        self._label, self._least, self._most = label, 0, 0
        self.setWidgetResizable(True)
        self.setFrameShape(QScrollArea.Shape.NoFrame)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        label.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.setWidget(label)

    def fit(self, least: int, most: int) -> None:
        """Between so many pixels and so many."""
        self._least, self._most = least, most
        frame = max(0, self.height() - self.viewport().height())  # the viewer's theme draws one round what has none
        room = max(self.width() - frame, 100)
        whole = self._label.heightForWidth(room) + frame
        always = whole > most
        policy = Qt.ScrollBarPolicy.ScrollBarAsNeeded if always else Qt.ScrollBarPolicy.ScrollBarAlwaysOff
        self.setVerticalScrollBarPolicy(policy)
        self.setFixedHeight(min(max(whole, least), most))

    def resizeEvent(self, event: Any) -> None:  # noqa: N802  Qt's name
        super().resizeEvent(event)
        if self._most and event.size().width() != event.oldSize().width():
            self.fit(self._least, self._most)


class _Folding(QWidget):
    """Words of which the first stand always, and a button at their right that shows them all."""

    def __init__(self, name: str, tip: str) -> None:
        super().__init__()
        layout = QHBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        self.words = note(name="warning")
        self.words.setAccessibleName(name)
        self._area = _Scrolled(self.words)
        layout.addWidget(self._area, 1)
        self.more = _fold_button(self._turn, tip)
        self._beside = QVBoxLayout()
        self._beside.setSpacing(0)
        self._beside.addWidget(self.more)
        layout.addLayout(self._beside)
        self._all = False

    def add(self, widget: QWidget) -> None:
        """Something beside it."""
        self._beside.addWidget(widget)

    def fit(self) -> None:
        """The words as they are folded now, and room for the first in the type that is set."""
        raise NotImplementedError

    def _turn(self) -> None:
        self._all = not self._all
        self.fit()


class WarningBar(_Folding):
    """The worst remark with what to do, and how many there are besides; a click shows them all."""

    def __init__(self) -> None:
        super().__init__("Warning", "All warnings, or the first alone")
        self._beside.addStretch(1)
        self._remarks: tuple[Remark, ...] = ()

    def show_remarks(self, remarks: Sequence[Remark]) -> None:
        """Show the first; folded again when they are others."""
        if tuple(remarks) != self._remarks:
            self._remarks, self._all = tuple(remarks), False
        self.fit()

    def fit(self) -> None:
        shown = self._remarks if self._all else self._remarks[:1]
        self.words.setText("\n".join(f"! {remark.words}" for remark in shown))
        rest = len(self._remarks) - 1
        self.more.setText("▾ one" if self._all else f"▸ {rest} more")
        self.more.setAccessibleName("The first warning alone" if self._all else f"{rest} more warnings")
        self.more.setVisible(rest > 0)
        self._area.fit(LINES * self.words.fontMetrics().lineSpacing() + STEP_PX, OPEN_PX)


class LookLine(QWidget):
    """One line on the look at the film in view, with a way out of it while it is under way, and one back to it."""

    def __init__(self, stop: Callable[[], None], again: Callable[[], None]) -> None:
        super().__init__()
        layout = QHBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        self.words = note(name="warning")
        self.words.setAccessibleName("First look")
        layout.addWidget(self.words, 1)
        self.stop = button("Stop", stop, "Do not wait for what a network sees on the film; all is marked by hand")
        self.again = button("Look", again, "Have a network propose what it sees on the film")
        layout.addWidget(self.stop)
        layout.addWidget(self.again)
        self.hide()

    def show_line(self, words: str, *, under_way: bool, stopped: bool) -> None:
        """Show the line; one without words takes no room."""
        self.words.setText(words)
        self.stop.setVisible(under_way)
        self.again.setVisible(stopped)
        self.setVisible(bool(words))


class CautionLine(_Folding):
    """The cautions of every record: the first line always, the others on a click."""

    def __init__(self) -> None:
        super().__init__("Cautions", "All cautions, or the first alone")
        self.fit()

    def fit(self) -> None:
        self.words.setText("\n".join(CAUTIONS if self._all else CAUTIONS[:1]))
        self.more.setText("▾" if self._all else f"▸ {len(CAUTIONS) - 1}")
        self.more.setAccessibleName("The first caution alone" if self._all else f"{len(CAUTIONS) - 1} more cautions")
        self._area.fit(self.words.fontMetrics().lineSpacing() + STEP_PX, OPEN_PX)


def _fold_button(turn: Callable[[], None], tip: str) -> QPushButton:
    """A flat button beside words that it folds; its room stays when it is hidden."""
    made: QPushButton = button("", turn, tip)
    made.setFlat(True)
    made.setObjectName("fold")
    keeps = made.sizePolicy()
    keeps.setRetainSizeWhenHidden(True)
    made.setSizePolicy(keeps)
    return made
