"""What one key lays over the whole window: the list of keys, and the number as large as the window, to be read from afar."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

import napari
from qtpy.QtCore import QEvent, QPointF, QRectF, Qt
from qtpy.QtGui import QColor, QFontMetricsF, QPainter, QPixmap
from qtpy.QtWidgets import QFrame, QLabel, QScrollArea, QVBoxLayout, QWidget

from wlmeasure_napari._glance import STOP, Glance
from wlmeasure_napari._look import HOLLOW, STEP_PX, draw_number, draw_words, font_of, look_of

__all__ = ["FarView", "KeyList"]

SHARE = 0.42  # of the window's height: the digits of a decided number
FILM_SHARE = 0.34  # of the window's width: the film


class _Cover(QFrame):
    """As large as the window and over everything in it; a click puts it away."""

    def __init__(self, window: QWidget, viewer: napari.Viewer) -> None:
        super().__init__(window)
        self._viewer = viewer
        self.setAutoFillBackground(True)
        self.hide()
        window.installEventFilter(self)

    def turn(self) -> None:
        """Show, or put away."""
        parent = self.parentWidget()
        if self.isVisible() or parent is None:
            self.hide()
            return
        self.setGeometry(parent.rect())
        self.show()
        self.raise_()

    def eventFilter(self, watched: Any, event: Any) -> bool:  # noqa: N802  Qt's name
        if event.type() == QEvent.Type.Resize and self.isVisible():
            self.setGeometry(watched.rect())
        return False

    def mousePressEvent(self, _event: Any) -> None:  # noqa: N802  Qt's name
        self.hide()


class KeyList(_Cover):
    """Every key and what it does."""

    def __init__(self, window: QWidget, viewer: napari.Viewer, keys: Sequence[tuple[str, str]]) -> None:
        super().__init__(window, viewer)
        cell = "<td style='padding:3px 24px 3px 0'>"
        rows = "".join(f"<tr>{cell}<b>{escape(key)}</b></td>{cell}{escape(what)}</td></tr>" for key, what in keys)
        self.words = QLabel(f"<table>{rows}</table><p>Esc or ? puts this list away.</p>")
        self.words.setTextFormat(Qt.TextFormat.RichText)  # made of our own words alone
        self.words.setWordWrap(True)
        self.words.setMargin(3 * STEP_PX)
        self.words.setAccessibleName("Keys")
        self.words.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        area = QScrollArea()
        area.setWidgetResizable(True)
        area.setWidget(self.words)
        area.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(area)


class FarView(_Cover):
    """The number of the canal in hand as large as the window, every canal's beneath it, the film small."""

    def __init__(self, window: QWidget, viewer: napari.Viewer) -> None:
        super().__init__(window, viewer)
        self._glances: tuple[Glance, ...] = ()
        self._chosen, self._film = "", QPixmap()

    def show_glances(self, glances: tuple[Glance, ...], chosen: str, film: QPixmap | None = None) -> None:
        """Show the canals as they are now, that one large; the film as it was last seen."""
        self._glances, self._chosen = glances, chosen
        if film is not None:
            self._film = film
        large = next((glance for glance in glances if glance.canal == chosen), None)
        self.setAccessibleName("Far view: " + ("no canal" if large is None else large.words))
        self.update()

    @property
    def number_px(self) -> float:
        """Height of a decided number's digits, px."""
        return float(SHARE * self.height())

    def _sized(self, digits_px: float) -> Any:
        """A font whose digits are so high."""
        one = font_of(self.font(), 100.0, bold=True)
        return font_of(self.font(), 100.0 * digits_px / QFontMetricsF(one).tightBoundingRect("0").height(), bold=True)

    def paintEvent(self, _event: Any) -> None:  # noqa: N802  Qt's name
        look = look_of(self._viewer.theme)
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(look.chosen))
        glance = next((glance for glance in self._glances if glance.canal == self._chosen), None)
        edge, width = 4.0 * STEP_PX, float(self.width())
        words = self._sized(0.035 * self.height())
        if glance is None:
            draw_words(painter, QRectF(edge, edge, width, 200), "No canal yet", words, look.text)
            return
        room = width - 2.0 * edge
        solid = glance.decided and bool(glance.number)
        text = glance.number or ("no stop" if glance.decided else "")
        film_px = FILM_SHARE * width
        whole = self._sized(self.number_px)
        wide = QFontMetricsF(whole).horizontalAdvance("88.8")
        fits = min(1.0, (room - film_px) / wide)  # in a narrow window everything is smaller, what is proposed as well
        number = font_of(self.font(), whole.pointSizeF() * fits * (1.0 if solid else HOLLOW), bold=True)
        head = f"{glance.canal}   {glance.sign} {glance.said}"
        draw_words(painter, QRectF(edge, edge, room - film_px, 3 * self.number_px), head, words, look.of(glance))
        foot = edge + 0.12 * self.height() + self.number_px
        colour = look.text if glance.state == "decided" else look.of(glance)
        if glance.number:
            draw_number(painter, QPointF(edge, foot), text, number, colour, hollow=not solid)
        elif text:
            draw_words(painter, QRectF(edge, foot - 80, room, 100), text, words, look.text)
        unit = f"mm {STOP}" if glance.number else ""
        below = "\n".join(part for part in (unit, glance.measured, glance.why) if part)
        draw_words(painter, QRectF(edge, foot + 2 * STEP_PX, room - film_px, 200), below, words, look.text)
        self._draw_film(painter, QRectF(width - edge - film_px, edge, film_px, foot - edge))
        self._draw_others(painter, edge, self.height() - edge, words)

    def _draw_film(self, painter: QPainter, room: QRectF) -> None:
        if self._film.isNull():
            return
        size = room.size().toSize()
        small = self._film.scaled(size, Qt.AspectRatioMode.KeepAspectRatio, Qt.TransformationMode.SmoothTransformation)
        painter.drawPixmap(QPointF(room.right() - small.width(), room.top()), small)

    def _draw_others(self, painter: QPainter, left: float, foot: float, words: Any) -> None:
        """Every canal in a row: name, sign, number; a hollow one in half the height."""
        look = look_of(self._viewer.theme)
        across = (self.width() - 2.0 * left) / max(1, len(self._glances))
        tall = 0.07 * self.height()
        widest = 1.0
        for glance in self._glances:
            name = QFontMetricsF(words).horizontalAdvance(f"{glance.canal} {glance.sign} ")
            widest = max(widest, name + QFontMetricsF(self._sized(tall)).horizontalAdvance("88.8  "))
        fits = min(1.0, across / widest)  # all alike, so that none runs into the next
        if any(glance.number for glance in self._glances):
            head = QRectF(left, foot - 2.2 * tall, across, tall)
            draw_words(painter, head, f"{STOP}s, mm", font_of(self.font(), 0.7 * words.pointSizeF()), look.faint)
        words = font_of(self.font(), words.pointSizeF() * fits, bold=True)
        for place, glance in enumerate(self._glances):
            at = left + place * across
            name = f"{glance.canal} {glance.sign} "
            painter.fillRect(QRectF(at, foot + STEP_PX, 0.6 * across, STEP_PX), QColor(glance.colour))
            painter.setFont(words)
            painter.setPen(QColor(look.of(glance)))
            painter.drawText(QPointF(at, foot), name)
            at += QFontMetricsF(words).horizontalAdvance(name)
            number = self._sized(tall * fits * (1.0 if glance.decided else HOLLOW))
            colour = look.text if glance.state == "decided" else look.of(glance)
            if glance.number:
                draw_number(painter, QPointF(at, foot), glance.number, number, colour, hollow=not glance.decided)
