"""Ties the dock's inputs to what they belong to: a case, a film or a canal shows what was typed for it, and nothing else."""

from __future__ import annotations

from collections.abc import Callable

from attrs import frozen
from qtpy.QtWidgets import QComboBox

from wlmeasure_napari._dock_parts import Field
from wlmeasure_napari._inputs import Belongs, Inputs
from wlmeasure_napari._session import Session

__all__ = ["OwnedInputs"]


@frozen(eq=False)
class _Input:
    to: Belongs
    name: str
    read: Callable[[], str]
    show: Callable[[str], None]


class OwnedInputs:
    """Fields and boxes whose content is typed for one case, film or canal and not entered yet.

    What is typed is kept by the session under its owner. When the owner in hand changes, the input shows the new one's own
    text, or is empty, whether or not it has the keyboard.
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self._inputs: list[_Input] = []
        self._owners: dict[Belongs, tuple[Inputs, str]] = {}
        self._values: dict[Field, tuple[Inputs, str]] = {}
        self._showing = False

    def add_field(self, to: Belongs, name: str, field: Field) -> None:
        """A field that is empty for a new owner."""
        one = _Input(to, name, lambda: field.text, field.show_text)
        self._inputs.append(one)
        field.edit.textChanged.connect(lambda _text: self._typed(one))

    def add_choice(self, to: Belongs, name: str, box: QComboBox) -> None:
        """A box that stands at its first item for a new owner."""
        one = _Input(to, name, box.currentText, lambda text: box.setCurrentIndex(max(0, box.findText(text))))
        self._inputs.append(one)
        box.currentTextChanged.connect(lambda _text: self._typed(one))

    def _owner(self, to: Belongs) -> tuple[Inputs, str]:
        inputs, film_id, canal_name = self._session.in_hand()
        return inputs, {"case": "", "film": film_id, "canal": canal_name}[to]

    def _typed(self, one: _Input) -> None:
        if self._showing or one.to not in self._owners:
            return
        inputs, name = self._owners[one.to]  # the owner that is shown, which the session may have left already
        inputs.put(one.to, name, one.name, one.read())

    def refresh(self) -> None:
        """Show the inputs of what is in hand now; at once with every change of the session, before anything can be pressed."""
        for to in ("case", "film", "canal"):
            owner = self._owner(to)
            shown = self._owners.get(to)
            if shown is not None and shown[0] is owner[0] and shown[1] == owner[1]:
                continue
            self._owners[to] = owner
            self._showing = True
            try:
                for one in self._inputs:
                    if one.to == to:
                        one.show(owner[0].get(to, owner[1], one.name) or "")
            finally:
                self._showing = False

    def show_value(self, to: Belongs, field: Field, text: str) -> None:
        """A value that the session holds, in a field where it is changed: typing is left alone until its owner has gone."""
        owner, shown = self._owner(to), self._values.get(field)
        self._values[field] = owner
        if shown is not None and shown[0] is owner[0] and shown[1] == owner[1]:
            field.set_text(text)
        else:
            field.show_text(text)
