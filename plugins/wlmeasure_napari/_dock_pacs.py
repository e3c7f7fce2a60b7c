"""The dialog of the practice's image archive: find films, look at the list, open one."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QAbstractItemView, QDialog, QHeaderView, QTableWidget, QTableWidgetItem, QVBoxLayout, QWidget

from wlmeasure.share.pacs.words import COLUMNS, found_row
from wlmeasure_napari._dock_parts import Field, button, buttons, note
from wlmeasure_napari._pacs import find, open_found
from wlmeasure_napari._session import Session

__all__ = ["ArchiveDialog"]

SIZE = (720, 420)


class ArchiveDialog(QDialog):
    """A window of its own beside the viewer; `message` is where the session's words about it stand."""

    def __init__(self, parent: QWidget, session: Session, do: Callable[[str, Callable[[], None]], None]) -> None:
        super().__init__(parent)
        self.setWindowTitle("Image archive")
        self.resize(*SIZE)
        self._session, self._do = session, do
        self._found: Sequence[Any] = ()
        layout = QVBoxLayout(self)
        self.patient = Field("Patient ID", None, "Exactly as the practice writes it")
        self.days = Field("Days", None, "Of the study: FROM-TO, one of them, or one day", hint="20261101-20261130")
        self.tooth = Field("Tooth", None, "ISO 3950; films that name no tooth are left out", hint="any")
        layout.addWidget(buttons(self.patient, self.days, self.tooth))
        self.search = button("Find", self._find, "Ask the archive of the settings file")
        for field in (self.patient, self.days, self.tooth):
            field.edit.returnPressed.connect(self._find)
        self.search.setAutoDefault(False)
        self.table = QTableWidget(0, len(COLUMNS))
        self.table.setHorizontalHeaderLabels(list(COLUMNS))
        self.table.setAccessibleName("Films found")
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.table.setTabKeyNavigation(False)
        self.table.verticalHeader().hide()
        self.table.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        self.table.horizontalHeader().setStretchLastSection(True)
        self.table.itemDoubleClicked.connect(lambda _item: self._open())
        layout.addWidget(self.table, 1)
        self.open_film = button("Open film", self._open, "As the film of a new case, or as one more film of this one")
        self.open_film.setAutoDefault(False)
        layout.addWidget(buttons(self.search, self.open_film))
        self.message = note(name="message")
        layout.addWidget(self.message)

    def _find(self) -> None:
        self._do(
            "pacs",
            lambda: find(
                self._session, self.show_found, patient=self.patient.text, days=self.days.text, tooth=self.tooth.text
            ),
        )

    def show_found(self, found: Sequence[Any]) -> None:
        """Fill the list."""
        self._found = found
        self.table.setRowCount(len(found))
        for row, line in enumerate(found):
            for column, text in enumerate(found_row(line)):
                item = QTableWidgetItem(text)
                item.setFlags(Qt.ItemFlag.ItemIsSelectable | Qt.ItemFlag.ItemIsEnabled)
                self.table.setItem(row, column, item)
        if found:
            self.table.selectRow(0)

    def _open(self) -> None:
        row = self.table.currentRow()
        if 0 <= row < len(self._found):
            self._do("pacs", lambda: open_found(self._session, self._found[row], self.hide))
        else:
            self._session.said.emit("pacs", "Choose a film first.")
