"""The parts of the dock for films in space: how a film was taken, what the films together say, the ways to look at them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QCheckBox, QComboBox, QPushButton, QSlider, QVBoxLayout, QWidget

from wlmeasure.image.view import View, side_in_view, side_on_film
from wlmeasure.record.case import Angulation
from wlmeasure.record.edit import typed_number
from wlmeasure_napari._dock_parts import Field, Part, button, buttons, note, tell
from wlmeasure_napari._session import Session
from wlmeasure_napari._space import asks, missing, space_words
from wlmeasure_napari._space_layers import SpaceLayers, Way
from wlmeasure_napari._study import Walk

__all__ = ["AngulationRow", "SpacePart"]

Do = Callable[[str, Callable[[], None]], None]

SHIFTS = (("shift not known", None), ("no shift", "none"), ("shift to mesial", "mesial"), ("shift to distal", "distal"))
MESIAL = (
    ("mesial not known", None),
    ("mesial is left", "left"),
    ("mesial is right", "right"),
    ("mesial is up", "up"),
    ("mesial is down", "down"),
)
SENSOR = (
    ("sensor: not known", None),
    ("sensor stayed", "stayed"),
    ("sensor went with the tube", "with the tube"),
)
WAYS: tuple[tuple[str, Way, str], ...] = (
    ("Beside", "beside", "The other film beside this one, level with it"),
    ("Over", "over", "The other film over this one, the orifices on each other: what then differs is depth"),
    ("3-D", "3-D", "The canals in space, to be turned with the mouse; again: back to the film"),
)


def _choice(pairs: tuple[tuple[str, str | None], ...], name: str, tip: str) -> QComboBox:
    box = QComboBox()
    box.addItems([words for words, _ in pairs])
    box.setAccessibleName(name)
    box.setToolTip(tip)
    box.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
    return box


class AngulationRow(QWidget):
    """How the film in view was taken; each entry is a step of the session."""

    def __init__(self, session: Session, do: Do) -> None:
        super().__init__()
        self._session, self._do = session, do
        self.degrees = Field(
            "Tube turned, °",
            self._on_degrees,
            "Horizontal angle of the tube against the straight film, degrees; empty: not known",
            hint="not known",
        )
        self.shift = _choice(SHIFTS, "Tube shift", "To which side the tube was moved for this film")
        self.mesial = _choice(MESIAL, "Mesial", "Which way mesial lies on this film as it is shown")
        self.sensor = _choice(
            SENSOR, "Sensor", "Whether the sensor stayed where it was while the tube was moved for this film"
        )
        self.sensor.activated.connect(lambda at: self._set(sensor=SENSOR[at][1]))
        self.shift.activated.connect(lambda at: self._set(tube_shift=SHIFTS[at][1]))
        self.mesial.activated.connect(lambda at: self._on_mesial(MESIAL[at][1]))
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(4)
        for widget in (self.degrees, self.shift, self.mesial, self.sensor):
            layout.addWidget(widget)

    def _set(self, **members: float | str | None) -> None:
        self._do("angulation", lambda: self._session.set_angulation(**members))

    def _on_mesial(self, seen: str | None) -> None:
        """A person says it of the film as it is shown; the case holds it of the film as it is stored."""
        self._set(mesial_to=None if seen is None else side_on_film(seen, self._view()))

    def _view(self) -> View:
        case = self._session.case
        return View() if case is None else case.film(self._session.film_id).shown_as

    def _on_degrees(self, text: str) -> None:
        typed = text.replace("°", "").strip()
        self._do(
            "angulation",
            lambda: self._session.set_angulation(
                horizontal_deg=typed_number(typed, "angle of the tube") if typed else None
            ),
        )

    def _known(self) -> Angulation:
        case = self._session.case
        known = None if case is None else case.film(self._session.film_id).angulation
        return Angulation() if known is None else known

    def degrees_words(self) -> str:
        """The degrees entered for the film in view, as its field shows them."""
        degrees = self._known().horizontal_deg
        return "" if degrees is None else f"{degrees:g}"

    def refresh(self) -> None:
        """Show what is entered for the film in view."""
        self.setVisible(self._session.case is not None)
        known = self._known()
        self.degrees.set_text(self.degrees_words())
        self.shift.setCurrentIndex([value for _, value in SHIFTS].index(known.tube_shift))
        self.sensor.setCurrentIndex([value for _, value in SENSOR].index(known.sensor))
        seen = None if known.mesial_to is None else side_in_view(known.mesial_to, self._view())
        self.mesial.setCurrentIndex([value for _, value in MESIAL].index(seen))


class SpacePart(Part):
    """What the films together say, what is missing for it, and the ways to look at them."""

    def __init__(self, session: Session, space: SpaceLayers, do: Do) -> None:
        super().__init__("In three dimensions")
        self._session, self._space, self._do = session, space, do
        self.guide: Any = self.add(note(name="number"))
        self.go = button("Go there", self._go, "To that film and canal, with the tool in hand")
        self.add(self.go)
        self.words: Any = self.add(note())
        self.other = QComboBox()
        self.other.setAccessibleName("Film to compare")
        self.other.setToolTip("The film that is shown with the one in view")
        self.other.textActivated.connect(self._on_other)
        self.add(self.other)
        self.ways: dict[Way, QPushButton] = {}
        for words, way, tip in WAYS:
            made = self.ways[way] = button(words, lambda way=way: self._toggle(way), tip)  # type: ignore[misc]
            made.setCheckable(True)
        self.add(buttons(*self.ways.values()))
        self.opacity = QSlider(Qt.Orientation.Horizontal)
        self.opacity.setRange(0, 100)
        self.opacity.setAccessibleName("Opacity of the film that lies over")
        self.opacity.setToolTip("From the film in view to the one over it")
        self.opacity.valueChanged.connect(self._on_opacity)
        self.add(self.opacity)
        self.fitted = QCheckBox("fitted canals on the films, white")
        self.fitted.setToolTip("The canals in space drawn back on each film, over the traced lines")
        self.fitted.toggled.connect(self._on_fitted)
        self.add(self.fitted)

    def _toggle(self, way: Way) -> None:
        self._do("canvas", lambda: self._space.show("film" if self._space.way == way else way))
        self._session.changed.emit()  # refused, the button springs back

    def _on_other(self, film_id: str) -> None:
        self._space.other = film_id
        self._session.changed.emit()

    def _on_opacity(self, percent: int) -> None:
        self._space.opacity = percent / 100.0
        self._space.refresh()

    def _on_fitted(self, on: bool) -> None:
        self._space.fitted = on
        self._space.refresh()

    def _go(self) -> None:
        session = self._session
        found = missing(session.result)
        if found is None:
            return

        def step() -> None:
            session.choose_film(found.film)
            if found.canal:
                session.choose_canal(found.canal)
            if found.tool != "look":
                session.take(found.tool)

        self._do("canvas", step)

    def refresh(self, walk: Walk | None) -> None:
        """Fill in from the session; the layers first, since they may have gone back to the film."""
        session, space = self._session, self._space
        space.concealed = walk is not None and bool({"openers", "measures"} & walk.conceals)
        space.refresh()
        self.setVisible(space.offered)
        if not asks(session.case):
            return
        found = missing(session.result)
        tell(self.guide, "" if found is None else found.words)
        self.go.setVisible(found is not None and (found.film != session.film_id or found.tool != "look"))
        tell(self.words, space_words(session.result))
        around = [film for film in session.film_ids if film != session.film_id]
        if [self.other.itemText(k) for k in range(self.other.count())] != around:
            self.other.clear()
            self.other.addItems(around)
        self.other.setCurrentText(space.other)
        self.other.setVisible(len(around) > 1)
        for way, made in self.ways.items():
            made.setChecked(space.way == way)
        self.ways["3-D"].setEnabled(space.turns)
        self.opacity.setVisible(space.way == "over")
        self._quietly(self.opacity, lambda: self.opacity.setValue(round(100.0 * space.opacity)))
        self._quietly(self.fitted, lambda: self.fitted.setChecked(space.fitted))
        spatial = None if session.result is None else session.result.spatial
        self.fitted.setVisible(spatial is not None and spatial.tooth is not None)

    def _quietly(self, widget: QWidget, change: Callable[[], None]) -> None:
        """Show a value without it being taken for a person's."""
        before = widget.blockSignals(True)
        change()
        widget.blockSignals(before)
