"""The readings of the canal in hand, one a line, each with a button that takes that very one back."""

from __future__ import annotations

from collections.abc import Callable

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from wlmeasure.record.case import Entry
from wlmeasure.record.kinds import FINDING_WORDS
from wlmeasure.trade.instruments import size_words
from wlmeasure_napari._dock_parts import button, note, tell

__all__ = ["ReadingList", "reading_line"]


def reading_line(entry: Entry) -> str:
    """One reading in words: length, mark, file, conditions, who and when."""
    size = "" if entry.size is None else f", file {size_words(entry.size, None, special=entry.special)}"
    mark = "beyond the foramen" if entry.finding == "beyond" else FINDING_WORDS.get(entry.finding or "", "")
    at = "" if entry.at is None else f" {entry.at[11:16]}"
    noted = "".join(f", {text}" for text in entry.conditions)
    return f"{entry.length_mm:g} mm {mark}{size}{noted}, {entry.by}{at}"


class ReadingList(QWidget):
    """Those that count, and greyed beneath them those from before the canal was shaped or counted from another point."""

    def __init__(self, take_back: Callable[[str], None]) -> None:
        super().__init__()
        self._take_back = take_back
        self._shown: tuple[tuple[Entry, ...], tuple[Entry, ...]] | None = None
        self._layout = QVBoxLayout(self)
        self._layout.setContentsMargins(0, 0, 0, 0)
        self._layout.setSpacing(1)
        self._rows: list[QWidget] = []
        self.lines: list[QLabel] = []
        self.buttons: list[QPushButton] = []
        self.past = note(name="past")
        self._layout.addWidget(self.past)

    def show_readings(self, readings: tuple[Entry, ...], past: tuple[Entry, ...]) -> None:
        """Show these; nothing is made anew where they are the same."""
        if self._shown == (readings, past):
            return
        self._shown = readings, past
        for row in self._rows:
            self._layout.removeWidget(row)
            row.hide()
            row.deleteLater()
        self._rows, self.lines, self.buttons = [], [], []
        for place, entry in enumerate(readings):
            self._add(place, entry)
        words = [f"superseded: {reading_line(entry)}" for entry in past]
        tell(self.past, "\n".join(words))

    def _add(self, place: int, entry: Entry) -> None:
        words = reading_line(entry)
        row = QWidget()
        inside = QHBoxLayout(row)
        inside.setContentsMargins(0, 0, 0, 0)
        line = note(words)
        back = button("Take back", lambda: self._take_back(entry.id), f"Take back this very reading: {words}")
        back.setAccessibleName(f"Take back {words}")
        inside.addWidget(line, 1)
        inside.addWidget(back, 0, Qt.AlignmentFlag.AlignTop)
        self._layout.insertWidget(place, row)
        self._rows.append(row)
        self.lines.append(line)
        self.buttons.append(back)
