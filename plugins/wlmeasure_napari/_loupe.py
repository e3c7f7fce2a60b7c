"""The close-up beside the cursor while a point is placed."""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import frozen
from qtpy.QtCore import Qt
from qtpy.QtGui import QCursor, QImage, QPixmap
from qtpy.QtWidgets import QLabel, QWidget

from wlmeasure.image.display import loupe
from wlmeasure.image.view import View, viewed

__all__ = ["Loupe", "Place", "place_beside"]

SIDE_PX, LEAST_PX = 220, 80
AWAY_PX = 28  # from the cursor: the point and its surroundings stay free


@frozen
class Place:
    """A square on the canvas, in its own pixels: left and upper edge, length of a side."""

    x: int
    y: int
    side: int


def place_beside(at: tuple[int, int], room: tuple[int, int]) -> Place | None:
    """Where the close-up goes: wholly on the canvas, and `AWAY_PX` from the cursor to one side at least.

    Parameters
    ----------
    at : (x, y)
        The cursor on the canvas.
    room : (width, height)
        Of the canvas.

    Returns
    -------
    Place or None
        None while the cursor is off the canvas, or where the canvas is too small for a close-up that shows anything.
    """
    if not all(0 <= place < size for place, size in zip(at, room, strict=True)):
        return None
    widest = max(max(place, size - place) - AWAY_PX for place, size in zip(at, room, strict=True))
    side = min(SIDE_PX, widest, *room)
    if side < LEAST_PX:
        return None
    x, y = (_along(place, size, side) for place, size in zip(at, room, strict=True))
    return Place(x, y, side)


def _along(place: int, size: int, side: int) -> int:
    """After the cursor, else before it, else as far aside as there is room: then the other direction is the free one."""
    if place + AWAY_PX + side <= size:
        return place + AWAY_PX
    return max(0, place - AWAY_PX - side)


class Loupe(QLabel):
    """A child of the canvas: it cannot lie over anything else. No window of its own, which would take the mouse."""

    def __init__(self, owner: QWidget) -> None:
        super().__init__(owner)
        self._owner = owner
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.hide()

    def show_on(self, canvas: QWidget, film: Any, at_px: tuple[float, float], view: View) -> None:
        """Show the film about a pixel (row, col) beside the cursor, as it lies and in its greys; nothing off the canvas."""
        cursor = canvas.mapFromGlobal(QCursor.pos())
        place = place_beside((cursor.x(), cursor.y()), (canvas.width(), canvas.height()))
        if place is None:
            self.hide()
            return
        ratio = canvas.devicePixelRatioF()
        side = round(place.side * ratio)
        low, high = (float(value) for value in film.contrast_limits)
        close = viewed(loupe(film.data, at_px, limits=(low, high), side=side), view)  # the place stays in the middle
        if str(film.colormap.name) == "gray_r":
            close = np.invert(close)
        close[side // 2, ::4] = close[::4, side // 2] = 255
        image = QImage(close.tobytes(), side, side, side, QImage.Format.Format_Grayscale8)
        image.setDevicePixelRatio(ratio)
        self.setPixmap(QPixmap.fromImage(image))
        if self.parentWidget() is not canvas:
            self.setParent(canvas)
        self.setGeometry(place.x, place.y, place.side, place.side)
        self.raise_()
        self.show()

    def put_away(self) -> None:
        """Off the canvas, which may be gone before the dock."""
        self.hide()
        self.setParent(self._owner)
