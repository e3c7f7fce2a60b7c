"""How the screen is drawn: colours from the viewer's theme, sizes of type, and the number, solid or hollow."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

from attrs import frozen
from napari.utils.theme import get_theme
from qtpy.QtCore import QPointF, QRectF, Qt
from qtpy.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPainterPath, QPen

from wlmeasure_napari._glance import Glance, State

__all__ = [
    "HOLLOW",
    "STEP_PX",
    "Look",
    "Type",
    "digits_px",
    "draw_number",
    "draw_words",
    "font_of",
    "look_of",
    "panel_px",
    "type_of",
    "words_height",
]

STEP_PX: Final = 8
"""Every gap of the screen is a multiple of it."""
HOLLOW: Final = 0.46
"""Size of a number that nobody decided against one that somebody did: its outline too stays below half the height."""
STATE_COLOURS: Final[dict[bool, dict[State, str]]] = {
    # Each of 7 : 1 at least against the viewer's dark and light ground, as a test computes it.
    False: {
        "not measured": "#c4c7cc",
        "not settled": "#ffc95c",
        "proposed": "#ffc95c",
        "decided": "#86d9ad",
        "again": "#ffb8a8",
    },
    True: {
        "not measured": "#3e3f41",
        "not settled": "#5c3900",
        "proposed": "#5c3900",
        "decided": "#00472a",
        "again": "#7d1405",
    },
}


@frozen
class Look:
    """Colours, as Qt reads them: the window's ground, a card's, a chosen card's, an edge, text and fainter text."""

    ground: str
    card: str
    chosen: str
    edge: str
    text: str
    faint: str
    states: dict[State, str]

    def of(self, glance: Glance) -> str:
        """Colour of a canal's state."""
        return self.states[glance.state]


@frozen
class Type:
    """Sizes in points: words, the line above and below the number, the number of the canal in hand, that of a card."""

    words: float
    line: float
    number: float
    card: float


NORMAL: Final = Type(words=10, line=13, number=56, card=30)
LARGE: Final = Type(words=17, line=20, number=80, card=44)


def type_of(*, large: bool) -> Type:
    """The sizes, as common or for reading at a distance."""
    return LARGE if large else NORMAL


@lru_cache(maxsize=8)
def look_of(theme: str) -> Look:
    """The colours that go with a theme of the viewer."""
    found = get_theme(theme)
    ground, text = QColor(str(found.background.as_hex())), QColor(str(found.text.as_hex()))
    light = ground.lightnessF() > 0.5
    return Look(
        ground=ground.name(),
        card=str(found.foreground.as_hex()),
        chosen="#ffffff" if light else "#101216",
        edge=str(found.highlight.as_hex()),
        text=text.name(),
        faint=str(found.icon.as_hex()),
        states=STATE_COLOURS[light],
    )


def font_of(font: QFont, points: float, *, bold: bool = False) -> QFont:
    """The widget's own face in another size."""
    made = QFont(font)
    made.setPointSizeF(points)
    made.setWeight(QFont.Weight.DemiBold if bold else QFont.Weight.Normal)
    return made


def digits_px(font: QFont) -> float:
    """Height of a font's digits."""
    return float(QFontMetricsF(font).tightBoundingRect("0").height())


def panel_px(font: QFont, sizes: Type, number_px: float) -> int:
    """Height of a panel with a line of the canal's name, the number, and two lines of words."""
    name = QFontMetricsF(font_of(font, sizes.line, bold=True)).height()
    words = QFontMetricsF(font_of(font, sizes.words)).lineSpacing()
    height: float = name + number_px + 2 * words + 5 * STEP_PX
    return round(height)


def draw_number(painter: QPainter, at: QPointF, text: str, font: QFont, colour: str, *, hollow: bool) -> float:
    """Digits standing on `at`, filled, or hollow as outlines alone; returns how wide they are."""
    path = QPainterPath()
    path.addText(at, font, text)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    if hollow:
        pen = QPen(QColor(colour))
        pen.setWidthF(max(1.0, font.pointSizeF() / 20.0))
        painter.strokePath(path, pen)
    else:
        painter.fillPath(path, QColor(colour))
    return float(QFontMetricsF(font).horizontalAdvance(text))


FLAGS: Final = int(Qt.TextFlag.TextWordWrap) | int(Qt.AlignmentFlag.AlignLeft) | int(Qt.AlignmentFlag.AlignTop)


def words_height(text: str, font: QFont, width: float) -> float:
    """Height of words that wrap, px."""
    return float(QFontMetricsF(font).boundingRect(QRectF(0, 0, width, 10_000), FLAGS, text).height())


def draw_words(painter: QPainter, room: QRectF, text: str, font: QFont, colour: str) -> None:
    """Words that wrap within a rectangle."""
    painter.setFont(font)
    painter.setPen(QColor(colour))
    painter.drawText(room, FLAGS, text)
