"""The dock's record: what happened in the canal in hand, what is open, and a form for the next entry."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from qtpy.QtCore import QByteArray, Qt
from qtpy.QtGui import QGuiApplication, QPainter, QPixmap
from qtpy.QtSvg import QSvgRenderer
from qtpy.QtWidgets import QComboBox, QLabel, QWidget

from wlmeasure.record.draft import Draft, typed_instrument
from wlmeasure.record.edit import typed_number
from wlmeasure.record.facts import CanalFacts
from wlmeasure.record.kinds import KIND_TABLE
from wlmeasure.record.record import LengthRecord
from wlmeasure.share.card import chart_note, stop_rows
from wlmeasure.share.course import timeline_drawing
from wlmeasure.share.drawing import Drawing, svg
from wlmeasure.share.result import decision_doubts, decision_is_stale
from wlmeasure.share.timeline import entry_words, open_cautions, timeline
from wlmeasure_napari._dock_parts import Field, Part, button, buttons, note, tell
from wlmeasure_napari._entries import begin_file, begin_gauge, enter, strike_out
from wlmeasure_napari._layers import canal_colour
from wlmeasure_napari._needs import need
from wlmeasure_napari._session import Session

__all__ = ["RecordPart", "drawn"]

SHOWN_ENTRIES = 8  # the last ones; the report has them all
PICTURE_PX = 300
# What is entered by hand, the most usual first; what is measured comes by itself.
ENTERED = (
    *("shaping file", "apical gauging", "glide path", "coronal flaring", "irrigation and recapitulation", "patency"),
    *("electronic reading", "cone fit", "filling check", "preoperative estimate", "trial file film"),
    *("block", "ledge", "perforation", "separated fragment", "old filling removed", "canals joining"),
    *("reference point changed", "cusp shortened", "film calibrated anew", "note"),
)
NUMBERS = {
    "length_mm": ("Length, mm", "From the reference point, as the stop was set"),
    "distance_mm": ("Short of apex, mm", "Measured on the film; negative beyond"),
    "level_mm": ("Level, mm", "Where it begins, from the reference point"),
    "extent_mm": ("Extent, mm", "How long it is, or by how much"),
}


def drawn(drawing: Drawing, width_px: int, ratio: float) -> QPixmap:
    """A figure of the report, `width_px` wide at most, on paper white in every theme."""
    renderer = QSvgRenderer(QByteArray(svg(drawing).encode()))
    size = renderer.defaultSize()
    size.scale(width_px, width_px, Qt.AspectRatioMode.KeepAspectRatio)
    picture = QPixmap(size * ratio)
    picture.fill(Qt.GlobalColor.white)
    painter = QPainter(picture)
    renderer.render(painter)
    painter.end()
    picture.setDevicePixelRatio(ratio)
    return picture


class RecordPart(Part):
    """The length record of the canal in hand."""

    def __init__(self, session: Session, do: Callable[[str, Callable[[], None]], None], message: QWidget) -> None:
        super().__init__("Treatment")
        self._session, self._do = session, do
        self._shown: tuple[Any, ...] = ()
        self._offered: Draft | None = None
        self.add(
            buttons(
                button("Next file (N)", self._file, "Offers the next shaping file at working length; Enter records it"),
                button("Gauge (G)", self._gauge, "Offers the gauge of that size; S, L, H or P says how it sat"),
            )
        )
        self.offer = self.add(note(name="number"))
        self.kind = QComboBox()
        self.kind.addItems(ENTERED)
        self.kind.setAccessibleName("Kind of entry")
        self.kind.setToolTip("What is entered next")
        self.kind.currentTextChanged.connect(lambda _text: self._show_form())
        self.add(self.kind)
        self.instrument = Field(
            "Instrument", None, "Size and taper such as 25/.04, or a size; 33/.05 special", hint="25/.04"
        )
        self.add(self.instrument)
        self.numbers: dict[str, Field] = {}
        for name, (label, tip) in NUMBERS.items():
            self.numbers[name] = Field(label, None, tip)
            self.add(self.numbers[name])
        self.found = QComboBox()
        self.found.setAccessibleName("What was found")
        self.found.setToolTip("What was found or how it went")
        self.add(self.found)
        self.other = QComboBox()
        self.other.setAccessibleName("The canal it joins")
        self.other.setToolTip("The canal that this one joins")
        self.add(self.other)
        self.words = Field("Note", None, "Anything worth remembering")
        self.add(self.words)
        self.add(buttons(button("Enter", self._enter, "Record this entry"),
                         button("Strike out last", lambda: do("entry", lambda: strike_out(session)),
                                "The last entry was a mistake: a note takes its place, it stays readable")))  # fmt: skip
        self.add(message)
        self.lines = self.add(note())
        self.plot = QLabel()
        self.plot.setAccessibleName("Lengths of the canal over the treatment")
        self.add(self.plot)
        self.stops = self.add(note(name="number"))
        self.proposed_stops = self.add(note())  # nobody has decided: no number to set a stop by
        self.add(
            button(
                "Copy note for the chart", self._copy, "One line to paste: reference, length, method, uncertainty, who"
            )
        )
        self.cautions = self.add(note())
        self._show_form()

    # ---- showing -------------------------------------------------------------------------------------------------

    def refresh(self) -> None:
        """Fill in from the session."""
        session = self._session
        case, facts, held = session.case, session.facts, session.canal_facts
        self._show_offer(session.draft)
        shown = (case, session.result, session.canal_name)
        if len(self._shown) == len(shown) and all(a is b for a, b in zip(self._shown, shown, strict=True)):
            return  # most steps of a session change nothing here, and the figure costs more than they do
        self._shown = shown
        self.other.clear()
        self.other.addItems([] if case is None else [c.name for c in case.canals if c.name != session.canal_name])
        if case is None or facts is None:
            for label in (self.lines, self.stops, self.proposed_stops, self.cautions):
                tell(label, "")
            self.plot.hide()
            return
        name = session.canal_name
        tell(self.cautions, "\n".join(f"! {text}" for text in open_cautions(facts)))
        if facts.fault is not None:
            tell(self.lines, "")
            self.plot.hide()
            return
        record = LengthRecord(case.entries)
        told = [line for line in timeline(record, name) if line.superseded_by is None]
        points = {canal.name: canal.reference_point for canal in case.canals if canal.reference_point is not None}
        late, day = [], ""
        for line in told[-SHOWN_ENTRIES:]:  # the day once, the canal's own reference point never: the dock is narrow
            if line.entry.at is not None and line.entry.at[:10] != day:
                day = line.entry.at[:10]
                late.append(day)
            words = entry_words(line.entry, points=points, dated=False, signed=False)
            late.append(words.replace(f", {name}: ", "  ", 1))
        more = [f"… {len(told) - SHOWN_ENTRIES} earlier in the report"] if len(told) > SHOWN_ENTRIES else []
        tell(self.lines, "\n".join([*more, *late]))
        figure = timeline_drawing(record, name, canal_colour(self._session, name)) if name else None
        self.plot.setVisible(figure is not None)
        if figure is not None:
            self.plot.setPixmap(drawn(figure, PICTURE_PX, self.devicePixelRatioF()))
        self._show_stops(held)

    def _show_stops(self, held: CanalFacts | None) -> None:
        """In bold where somebody has decided; the line above them says what speaks against it, or that nobody has."""
        result = self._session.result
        tell(self.stops, "")
        tell(self.proposed_stops, "")
        if held is None or held.stop is None or result is None:
            return
        at = [canal.canal.name for canal in result.canals].index(held.name)
        rows = [f"{row[0]}: {row[1 + at]}" for row in stop_rows(result)]
        decided, whose = held.stop.whose == "decided", ""
        if not decided:
            whose = ", for the proposed length, which nobody has decided"
        elif decision_is_stale(held):
            whose = ", for a decision that no longer holds"
        elif decision_doubts(held):
            whose = ", for a decision to look beside"
        words = f"Stops, {held.name}, mm, rounded down{whose}"
        tell(self.stops if decided else self.proposed_stops, "\n".join([words, *rows]))

    def _show_offer(self, draft: Draft | None) -> None:
        """The offer in words, and in the form, where other figures can be typed over it; gone with the offer."""
        tell(self.offer, "" if draft is None else draft.offer)
        if draft is self._offered:
            return
        self._offered = draft
        self.instrument.set_text("" if draft is None else draft.instrument)
        length = None if draft is None else draft.length_mm
        self.numbers["length_mm"].set_text("" if length is None else f"{length:g}")
        if draft is not None:
            self.kind.setCurrentText(draft.kind)

    def _show_form(self) -> None:
        """Only what the kind may hold."""
        kind = KIND_TABLE[self.kind.currentText()]
        self.instrument.setVisible("size" in kind.may_hold)
        for name, field in self.numbers.items():
            field.setVisible(name in kind.may_hold)
        self.found.clear()
        self.found.addItems([*([] if "finding" in kind.needs else ["nothing noted"]), *kind.findings])
        self.found.setVisible(bool(kind.findings))
        self.other.setVisible("other_canal" in kind.needs)

    # ---- entering ------------------------------------------------------------------------------------------------

    def _file(self) -> None:
        self._do("entry", lambda: begin_file(self._session))

    def _gauge(self) -> None:
        self._do("entry", lambda: begin_gauge(self._session))

    def _enter(self) -> None:
        def step() -> None:
            draft, more = self._typed()
            enter(self._session, draft, **more)
            for field in (self.instrument, self.words, *self.numbers.values()):
                field.clear()

        self._do("entry", step)

    def _typed(self) -> tuple[Draft, dict[str, Any]]:
        kind = KIND_TABLE[self.kind.currentText()]
        more: dict[str, Any] = {}
        length = None
        for name, field in self.numbers.items():
            if name in kind.may_hold and field.text.strip():
                value = typed_number(field.text, NUMBERS[name][0])
                if name == "length_mm":
                    length = value
                else:
                    more[name] = value
        size = taper = special = None
        if "size" in kind.may_hold and self.instrument.text.strip():
            size, taper, special = typed_instrument(self.instrument.text)
        chosen = self.found.currentText()
        finding = chosen if chosen in kind.findings else None
        if "other_canal" in kind.needs:
            more["other_canal"] = self.other.currentText() or None
        if self.words.text.strip():
            more["note"] = self.words.text.strip()
        return Draft(self.kind.currentText(), size, taper, special, length, finding), more

    def _copy(self) -> None:
        found, result = self._session.canal_result, self._session.result
        text = None if found is None or result is None else chart_note(result, found.canal.name)
        if text is None:
            self._do("entry", lambda: need(self._session, "case", "stop"))
            return
        QGuiApplication.clipboard().setText(text)
        self._session.said.emit("entry", f"Copied: {text}")
