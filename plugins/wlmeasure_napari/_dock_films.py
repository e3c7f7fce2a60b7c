"""What can be chosen from when a film is opened: the films of a folder, the frame of a file, one of several teeth."""

from __future__ import annotations

from collections.abc import Callable

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QComboBox, QListWidget, QListWidgetItem, QSpinBox, QVBoxLayout, QWidget

from wlmeasure.share.film_list import film_entry
from wlmeasure_napari._dock_parts import button, buttons, note, plain_tip, tell
from wlmeasure_napari._session import Session

__all__ = ["FilmChooser"]

LIST_PX = 150
CHOOSE = "choose the tooth"


class FilmChooser(QWidget):
    """Shown only while there is something to choose; Enter or a double click opens a film of the list."""

    def __init__(self, session: Session, do: Callable[[str, Callable[[], None]], None]) -> None:
        super().__init__()
        self._session, self._do = session, do
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        self.films = QListWidget()
        self.films.setAccessibleName("Films of the folder")
        self.films.setToolTip("Tooth, day, size; Enter or a double click opens the film")
        self.films.setFixedHeight(LIST_PX)
        self.films.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.films.setSpacing(3)
        self.films.itemActivated.connect(self._open)
        self.words = note()
        self.frame = QSpinBox()
        for typed in (self.frame, self.frame.lineEdit()):
            typed.setToolTip("Which frame of the file, from 1")
            typed.setAccessibleName("Frame")
        self.frame_row = buttons(self.frame, button("Open frame", self._open_frame, "Open this frame of the file"))
        self.teeth = QComboBox()
        self.teeth.setAccessibleName("Teeth that the film names")
        self.teeth.setToolTip("Teeth that the film's header names; choose the one that is measured")
        self.teeth.textActivated.connect(self._take_tooth)
        for widget in (self.films, self.words, self.frame_row, self.teeth):
            layout.addWidget(widget)
        self._shown: object = None

    def refresh(self) -> None:
        """Show what the session offers."""
        offer = self._session.offer
        if offer is self._shown:
            return
        self._shown = offer
        found = offer.films
        self.films.clear()
        for film in () if found is None else found.films:
            item = QListWidgetItem(film_entry(film))
            item.setToolTip(plain_tip(film.refused or str(film.path)))
            if film.refused:
                item.setFlags(item.flags() & ~item.flags().ItemIsEnabled)
            self.films.addItem(item)
        self.films.setVisible(found is not None and bool(found.films))
        words = []
        if found is not None:
            words = ["No film in this folder."] if not found.films else []
            words += [f"! {text}" for text in found.notes]
        if offer.frames:
            assert offer.path is not None
            words.append(f"{offer.path.name} has {offer.frames} frames: which one?")
            self.frame.setRange(1, offer.frames)
            self.frame.setValue(1)
        tell(self.words, "\n".join(words))
        self.frame_row.setVisible(bool(offer.frames))
        self.teeth.clear()
        self.teeth.addItems([CHOOSE, *offer.teeth])
        self.teeth.setVisible(bool(offer.teeth))

    def _open(self, item: QListWidgetItem) -> None:
        found = self._session.offer.films
        if found is not None:
            path = found.films[self.films.row(item)].path
            self._do("canvas", lambda: self._session.open_film(path))

    def _open_frame(self) -> None:
        path, frame = self._session.offer.path, self.frame.value()
        if path is not None:
            self._do("canvas", lambda: self._session.open_film(path, frame=frame))

    def _take_tooth(self, text: str) -> None:
        if text != CHOOSE:
            self._do("tooth", lambda: self._session.set_tooth(text))
