"""The tooth's canals as a strip of cards: name, stop, state. A click or Page Up and Page Down choose the canal in hand."""

from __future__ import annotations

from typing import Any

import napari
from qtpy.QtCore import QEvent, QPointF, QRectF, QSize, Qt, QTimer
from qtpy.QtGui import QColor, QFontMetricsF, QPainter, QPen
from qtpy.QtWidgets import QAbstractButton, QScrollArea, QSizePolicy, QVBoxLayout, QWidget

from wlmeasure_napari._dock_parts import button
from wlmeasure_napari._glance import STOP, Glance, glances_now
from wlmeasure_napari._look import (
    HOLLOW,
    STEP_PX,
    digits_px,
    draw_number,
    draw_words,
    font_of,
    look_of,
    panel_px,
    type_of,
)
from wlmeasure_napari._sessions import seat_of
from wlmeasure_napari._settings import settings

__all__ = ["CanalStrip", "Card"]


class Card(QAbstractButton):
    """One canal. Its height is the same in every state."""

    def __init__(self, viewer: napari.Viewer, glance: Glance, *, large: bool) -> None:
        super().__init__()
        self._viewer = viewer
        self._type = type_of(large=large)
        self.setCheckable(True)
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.show_glance(glance, chosen=False)

    def show_glance(self, glance: Glance, *, chosen: bool) -> None:
        """Show the canal as it is now."""
        self.glance = glance
        self.setText(glance.canal)
        self.setAccessibleName(f"Canal {glance.words}")
        self.setToolTip(glance.words)
        self.setChecked(chosen)
        self.update()

    @property
    def number_px(self) -> float:
        """Height of a decided number's digits, px."""
        return digits_px(font_of(self.font(), self._type.card, bold=True))

    def sizeHint(self) -> QSize:  # noqa: N802  Qt's name
        return QSize(100, panel_px(self.font(), self._type, self.number_px))

    minimumSizeHint = sizeHint  # noqa: N815  Qt's name

    def paintEvent(self, _event: Any) -> None:  # noqa: N802  Qt's name
        look, sizes, glance = look_of(self._viewer.theme), self._type, self.glance
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        room = QRectF(self.rect()).adjusted(1.5, 1.5, -1.5, -1.5)
        painter.setBrush(QColor(look.chosen if self.isChecked() else look.card))
        strong = self.isChecked() or self.hasFocus()
        pen = QPen(QColor(look.text if strong else look.edge), 2.0 if strong else 1.0)
        if self.hasFocus():
            pen.setStyle(Qt.PenStyle.DashLine)
        painter.setPen(pen)
        painter.drawRoundedRect(room, STEP_PX / 2, STEP_PX / 2)
        bar = QRectF(room.left(), room.top() + STEP_PX / 2, STEP_PX / 2, room.height() - STEP_PX)
        painter.fillRect(bar, QColor(glance.colour))
        left, width = 1.5 * STEP_PX, self.width() - 3.0 * STEP_PX
        line, words = font_of(self.font(), sizes.line, bold=True), font_of(self.font(), sizes.words)
        metrics, top = QFontMetricsF(line), float(STEP_PX)
        what = QFontMetricsF(words).horizontalAdvance(STOP) if glance.number else 0.0
        name = metrics.elidedText(glance.canal, Qt.TextElideMode.ElideRight, width - what - STEP_PX)
        draw_words(painter, QRectF(left, top, width, metrics.height()), name, line, look.text)
        foot = top + metrics.height() + STEP_PX + self.number_px
        solid = glance.decided
        size = sizes.card * (1.0 if solid else HOLLOW)
        colour = look.text if glance.state == "decided" else look.of(glance)
        number = font_of(self.font(), size, bold=True)
        if glance.number:
            draw_number(painter, QPointF(left, foot), glance.number, number, colour, hollow=not solid)
            painter.setFont(words)
            painter.setPen(QColor(look.faint))
            tail = QFontMetricsF(words).descent()  # of its "p": the line is as high as the name
            painter.drawText(QPointF(left + width - what, top + metrics.ascent() - tail), STOP)
        said = f"{glance.sign} {glance.said.split(',')[0]}"  # hollow digits say the rest
        below = glance.why if glance.state == "again" and glance.why else glance.length
        if below:  # two lines, neither of them cut in half
            said = "\n".join(
                QFontMetricsF(words).elidedText(line, Qt.TextElideMode.ElideRight, width) for line in (said, below)
            )
        top = foot + STEP_PX
        draw_words(painter, QRectF(left, top, width, self.height() - top - STEP_PX / 2), said, words, look.of(glance))


class CanalStrip(QWidget):
    """The strip of one viewer; it shows the same session as the dock."""

    def __init__(self, napari_viewer: napari.Viewer) -> None:
        super().__init__()
        self._viewer = getattr(napari_viewer, "__wrapped__", napari_viewer)
        self._session = seat_of(napari_viewer).session
        self.cards: list[Card] = []
        self._late = QTimer(self)
        self._late.setSingleShot(True)
        self._late.timeout.connect(self.refresh)
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        area = QScrollArea()
        area.setWidgetResizable(True)
        area.setFrameShape(QScrollArea.Shape.NoFrame)
        area.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        inside = QWidget()
        self._column = QVBoxLayout(inside)
        self._column.setContentsMargins(STEP_PX, STEP_PX, STEP_PX, STEP_PX)
        self._column.setSpacing(STEP_PX)
        self.more = button("+ canal", self._add, "One canal more; the usual names of the tooth come first")
        self.more.setAccessibleName("Add a canal")
        self._column.addWidget(self.more)
        self._column.addStretch(1)
        area.setWidget(inside)
        self._area = area
        outer.addWidget(area)
        self._large = False
        self.set_large(settings().large_type)

    def set_large(self, on: bool) -> None:
        """Sizes for reading at a distance."""
        self._large = on
        sizes = type_of(large=on)
        self.setStyleSheet(f"* {{ font-size: {sizes.words:g}pt; }}")
        number = QFontMetricsF(font_of(self.font(), sizes.card, bold=True)).horizontalAdvance("88.8")
        self.setFixedWidth(round(number + 11 * STEP_PX) // STEP_PX * STEP_PX)
        for card in self.cards:
            self._drop(card)
        self.cards = []
        self.refresh()

    def showEvent(self, event: Any) -> None:  # noqa: N802  Qt's name
        """Connect: a dock that is closed gets no close event, so it listens only while it is seen."""
        super().showEvent(event)
        self._session.changed.connect(self._soon)
        self.refresh()

    def hideEvent(self, event: Any) -> None:  # noqa: N802  Qt's name
        super().hideEvent(event)
        self._session.changed.disconnect(self._soon, missing_ok=True)

    def changeEvent(self, event: Any) -> None:  # noqa: N802  Qt's name
        """Taken out of its window: napari drops a closed dock without deleting it."""
        super().changeEvent(event)
        if event.type() == QEvent.Type.ParentChange and self.parent() is None:
            self.deleteLater()

    def _soon(self) -> None:
        self._late.start(0)

    def _drop(self, card: Card) -> None:
        self._column.removeWidget(card)
        card.hide()
        card.deleteLater()

    def refresh(self) -> None:
        """Fill in from the session; a card stays the same widget while its place is the same, so that focus stays too."""
        session = self._session
        found = glances_now(session)
        while len(self.cards) > len(found):
            self._drop(self.cards.pop())
        for place, glance in enumerate(found):
            if place == len(self.cards):
                card = Card(self._viewer, glance, large=self._large)
                card.clicked.connect(lambda _on=False, place=place: self._choose(place))
                self._column.insertWidget(place, card)
                self.cards.append(card)
            self.cards[place].show_glance(glance, chosen=glance.canal == session.canal_name)
        self.more.setVisible(session.case is not None)

    def _choose(self, place: int) -> None:
        session, name = self._session, self.cards[place].glance.canal

        def step() -> None:
            if session.case is not None and name in [canal.name for canal in session.case.canals]:
                session.choose_canal(name)

        session.do("canal", step)
        self.refresh()  # a click on the chosen one would leave it unchosen

    def _add(self) -> None:
        self._session.do("canal", lambda: self._session.add_canal(self._session.usual_name()))
