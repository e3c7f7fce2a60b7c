"""The working length of the canal in hand, in the largest type of the screen; before a decision its place says so."""

from __future__ import annotations

from typing import Any

import napari
from qtpy.QtCore import QPointF, QRectF, QSize, Qt
from qtpy.QtGui import QColor, QFontMetricsF, QPainter
from qtpy.QtWidgets import QSizePolicy, QWidget

from wlmeasure_napari._glance import STOP, Glance
from wlmeasure_napari._look import (
    HOLLOW,
    STEP_PX,
    Type,
    digits_px,
    draw_number,
    draw_words,
    font_of,
    look_of,
    panel_px,
    type_of,
)

__all__ = ["Plate"]

NOT_DECIDED = "not decided"
NO_STOP = "no stop"


class Plate(QWidget):
    """Name and state, the number, the point it counts from. Its height is the same in every state, so that nothing jumps."""

    def __init__(self, viewer: napari.Viewer) -> None:
        super().__init__()
        self._viewer = viewer
        self._type: Type = type_of(large=False)
        self.glance: Glance | None = None
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.setAccessibleName("Working length of the canal in hand: none")

    def set_large(self, on: bool) -> None:
        """Sizes for reading at a distance."""
        self._type = type_of(large=on)
        self.updateGeometry()
        self.update()

    def show_glance(self, glance: Glance | None) -> None:
        """Show a canal, or that none is in hand."""
        if glance == self.glance:
            return
        self.glance = glance
        self.setAccessibleName(f"Working length of {'the canal in hand: none' if glance is None else glance.words}")
        self.update()

    @property
    def number_px(self) -> float:
        """Height of a decided number's digits, px."""
        return digits_px(self._number_font())

    def _number_font(self) -> Any:
        return font_of(self.font(), self._type.number, bold=True)

    def sizeHint(self) -> QSize:  # noqa: N802  Qt's name
        return QSize(200, panel_px(self.font(), self._type, self.number_px))

    minimumSizeHint = sizeHint  # noqa: N815  Qt's name

    def paintEvent(self, _event: Any) -> None:  # noqa: N802  Qt's name
        look, sizes = look_of(self._viewer.theme), self._type
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(look.chosen))
        left, width = float(STEP_PX), self.width() - 2.0 * STEP_PX
        line = font_of(self.font(), sizes.line, bold=True)
        words = font_of(self.font(), sizes.words)
        metrics, top = QFontMetricsF(line), float(STEP_PX)
        glance = self.glance
        if glance is None:
            draw_words(painter, QRectF(left, top, width, metrics.height()), "No canal yet", line, look.faint)
            return
        painter.fillRect(QRectF(0.0, top, STEP_PX / 2, self.height() - 2.0 * top), QColor(glance.colour))
        name = metrics.elidedText(glance.canal, Qt.TextElideMode.ElideRight, width / 2)
        draw_words(painter, QRectF(left, top, width, metrics.height()), name, line, look.text)
        after = left + metrics.horizontalAdvance(name) + STEP_PX
        said = f"{glance.sign} {glance.said}"
        smaller = font_of(self.font(), sizes.words, bold=True)
        rise = metrics.ascent() - QFontMetricsF(smaller).ascent()
        said = QFontMetricsF(smaller).elidedText(said, Qt.TextElideMode.ElideRight, left + width - after)
        draw_words(painter, QRectF(after, top + rise, width, metrics.height()), said, smaller, look.of(glance))
        foot = top + metrics.height() + STEP_PX + self.number_px  # the line that the digits stand on
        if glance.decided and glance.number:
            colour = look.text if glance.state == "decided" else look.of(glance)
            wide = draw_number(painter, QPointF(left, foot), glance.number, self._number_font(), colour, hollow=False)
            self._unit(painter, left + wide + STEP_PX, foot, line, look.faint)
        else:
            empty = NO_STOP if glance.decided else NOT_DECIDED
            painter.setFont(line)
            painter.setPen(QColor(look.text))
            painter.drawText(QPointF(left, foot), empty)
            if glance.number:
                hollow = font_of(self.font(), sizes.number * HOLLOW, bold=True)
                at = left + metrics.horizontalAdvance(empty) + 3 * STEP_PX
                wide = draw_number(painter, QPointF(at, foot), glance.number, hollow, look.of(glance), hollow=True)
                self._unit(painter, at + wide + STEP_PX, foot, words, look.faint)
        top = foot + 2 * STEP_PX
        draw_words(painter, QRectF(left, top, width, self.height() - top), self._foot(glance), words, look.faint)

    def _unit(self, painter: QPainter, at: float, foot: float, font: Any, colour: str) -> None:
        painter.setFont(font)
        painter.setPen(QColor(colour))
        # Raised by the tail of its "p": the line of the number is as high as the number.
        painter.drawText(QPointF(at, foot - QFontMetricsF(font).descent()), f"mm {STOP}")

    def _foot(self, glance: Glance) -> str:
        return "\n".join(text for text in (glance.measured, glance.why) if text)
