"""The part of the dock for a walk through films: which film of how many, the rules, Next; in an exercise the estimate."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from qtpy.QtWidgets import QComboBox, QLabel, QProgressBar, QWidget

from wlmeasure.learn.answers import SIDES
from wlmeasure_napari._dock_parts import Field, Part, button, buttons, note
from wlmeasure_napari._exercise import ExerciseWalk
from wlmeasure_napari._study import Concealed, Walk, WorstWalk

__all__ = ["ExercisePart", "StudyPart"]

Do = Callable[[str, Callable[[], None]], None]
CHOOSE_SIDE = "the file lies …"


class StudyPart(Part):
    """Shows the walk and passes on what is pressed.

    Parameters
    ----------
    walk
        Of an observer, of a student, or of the worst disagreements.
    do
        Takes a step at a place of the dock.
    message
        The label for refusals.
    concealed
        Widgets of the dock by what they show; those that the walk conceals are hidden at every refresh, after the dock has
        shown what it has.
    """

    def __init__(self, walk: Walk, do: Do, message: QLabel, concealed: Mapping[Concealed, list[QWidget]]) -> None:
        super().__init__(walk.heading)
        self.walk = walk
        self._do = do
        self._concealed = concealed
        self._message = message
        self.title_line = self.add(note(name="number"))
        self.bar = QProgressBar()
        self.bar.setTextVisible(False)
        self.bar.setFixedHeight(6)
        self.bar.setAccessibleName("Films done")
        self.add(self.bar)
        self.rules_line = self.add(note(walk.rules))
        self._add_own()
        self.next_button = button("Next", self.press_next, "Store this result and go to the next film")
        if isinstance(walk, WorstWalk):
            self.next_button.setToolTip("The next case")
            back = button("Back", lambda: self._do("study", walk.go_back), "The case before")
            self.add(buttons(back, self.next_button))
        else:
            self.add(self.next_button)
            self.add(note(f"To pause, close the window; the {walk.heading.lower()} goes on at this film."))
        self.add(message)

    def _add_own(self) -> None:
        """What a kind of walk shows between its rules and Next."""

    def press_next(self) -> None:
        """Store, and go on."""
        self._do("study", self.walk.go_on)

    def refresh(self) -> None:
        """Say where the walk is, and hide what must not be seen."""
        walk = self.walk
        self._message.hide()  # what it said was of the case before this step
        title: Any = self.title_line
        rules: Any = self.rules_line
        title.setText(walk.title)
        rules.setText(walk.rules)
        self.bar.setRange(0, walk.total)
        self.bar.setValue(walk.total if walk.position is None else walk.position - 1)
        self.next_button.setEnabled(walk.position is not None)
        for kind in walk.conceals:
            for widget in self._concealed[kind]:
                widget.hide()


class ExercisePart(StudyPart):
    """An exercise: the estimate with its interval is committed before anything measured is shown."""

    walk: ExerciseWalk

    def _add_own(self) -> None:
        self.numbers = [
            Field("Length", None, "Your estimate, mm", hint="mm"),
            Field("From", None, "Lower end of the interval that you believe holds the truth 19 times out of 20, mm"),
            Field("To", None, "Its upper end, mm"),
        ]
        for field in self.numbers:
            self.add(field)
        self.difference = Field(
            "Longer on the second film", None, "How much longer the canal is there, mm; negative: shorter", hint="mm"
        )
        self.side = QComboBox()
        self.side.addItems([CHOOSE_SIDE, *SIDES])
        self.side.setAccessibleName("Side on which the file lies")
        self.side.setToolTip("Where the file lies against the other canal of its root")
        self.add(self.difference)
        self.add(self.side)
        self.commit_button = button("Commit", self.press_commit, "This is your answer; it cannot be changed afterwards")
        self.add(self.commit_button)
        self.committed_line = self.add(note())
        self._shown: int | None = None

    def press_commit(self) -> None:
        """Give the answer."""
        length, low, high, difference = (field.text for field in (*self.numbers, self.difference))
        side = self.side.currentText() if self.side.currentIndex() > 0 else ""
        self._do("study", lambda: self.walk.commit_typed(length, low, high, difference, side))

    def refresh(self) -> None:
        """As any walk; the fields are emptied for a film that has just come, and closed once it is answered."""
        walk = self.walk
        if walk.position != self._shown:
            self._shown = walk.position
            for field in (*self.numbers, self.difference):
                field.edit.clear()
            self.side.setCurrentIndex(0)
        asked = walk.position is not None and walk.committed is None
        for widget in (*self.numbers, self.commit_button):
            widget.setVisible(asked)
        second = walk.second
        self.difference.setVisible(asked and second is not None)
        self.side.setVisible(asked and second is not None and second.asks_side)
        line: Any = self.committed_line
        line.setText(walk.committed_words)
        line.setVisible(bool(walk.committed_words))
        super().refresh()
        self.next_button.setEnabled(walk.committed is not None)
