"""The part of the dock for a walk through films: which film of how many, the rules, Next."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from qtpy.QtWidgets import QLabel, QProgressBar, QWidget

from wlmeasure_napari._dock_parts import Part, button, buttons, note
from wlmeasure_napari._study import ObserverWalk, WorstWalk

__all__ = ["StudyPart"]


class StudyPart(Part):
    """Shows the walk and passes on what is pressed.

    Parameters
    ----------
    walk
        Of an observer, or of the worst disagreements.
    do
        Takes a step at a place of the dock.
    message
        The label for refusals.
    concealed
        Widgets of the dock that are not shown during this walk.
    """

    def __init__(
        self,
        walk: ObserverWalk | WorstWalk,
        do: Callable[[str, Callable[[], None]], None],
        message: QLabel,
        concealed: list[QWidget],
    ) -> None:
        super().__init__("Study" if isinstance(walk, ObserverWalk) else "Disagreements")
        self.walk = walk
        self._do = do
        self._concealed = concealed
        self._message = message
        self.title_line = self.add(note(name="number"))
        self.bar = QProgressBar()
        self.bar.setTextVisible(False)
        self.bar.setFixedHeight(6)
        self.bar.setAccessibleName("Films read")
        self.add(self.bar)
        self.add(note(walk.rules))
        self.next_button = button("Next", self.press_next, "Store this result and go to the next film")
        if isinstance(walk, WorstWalk):
            self.next_button.setToolTip("The next case")
            back = button("Back", lambda: self._do("study", walk.go_back), "The case before")
            self.add(buttons(back, self.next_button))
        else:
            self.add(self.next_button)
            self.add(note("To pause, close the window; the study goes on at this film."))
        self.add(message)

    def press_next(self) -> None:
        """Store, and go on."""
        self._do("study", self.walk.go_on)

    def refresh(self) -> None:
        """Say where the walk is, and hide what must not be seen."""
        walk = self.walk
        self._message.hide()  # what it said was of the case before this step
        total = len(walk.observer.tasks) if isinstance(walk, ObserverWalk) else len(walk.items)
        done = total if walk.position is None else walk.position - 1
        label: Any = self.title_line
        label.setText(walk.title)
        self.bar.setRange(0, total)
        self.bar.setValue(done)
        self.next_button.setEnabled(walk.position is not None)
        for widget in self._concealed:
            widget.hide()
