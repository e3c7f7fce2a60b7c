"""Maps drawn by hand: lines and points where a test wants them, areas as boxes."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from wlmeasure.detect.channels import SPREAD_PX, Channel
from wlmeasure.detect.network import Maps
from wlmeasure.detect.prepare import Given

SHAPE = (320, 256)
ROWS, COLS = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float64)


class Canvas:
    """Maps that grow; `maps` gives them."""

    def __init__(self) -> None:
        self.shares = np.zeros((len(Channel), *SHAPE), np.float32)

    def line(self, channel: Channel, *corners: tuple[float, float], height: float = 1.0) -> Canvas:
        away = np.full(SHAPE, np.inf)
        for first, last in pairwise(corners):
            a, b = np.array(first, float), np.array(last, float)
            along = b - a
            share = np.clip(((ROWS - a[0]) * along[0] + (COLS - a[1]) * along[1]) / (along @ along), 0.0, 1.0)
            away = np.minimum(away, np.hypot(ROWS - a[0] - share * along[0], COLS - a[1] - share * along[1]))
        self._lay(channel, height * np.exp(-0.5 * (away / SPREAD_PX["line"]) ** 2))
        return self

    def point(self, channel: Channel, *points: tuple[float, float], height: float = 1.0) -> Canvas:
        for row, col in points:
            away = np.hypot(ROWS - row, COLS - col)
            self._lay(channel, height * np.exp(-0.5 * (away / SPREAD_PX["point"]) ** 2))
        return self

    def box(self, channel: Channel, top: int, left: int, bottom: int, right: int) -> Canvas:
        self.shares[channel, top:bottom, left:right] = 1.0
        return self

    def _lay(self, channel: Channel, share: np.ndarray) -> None:
        self.shares[channel] = np.maximum(self.shares[channel], share.astype(np.float32))

    def maps(self) -> Maps:
        return Maps(Given(np.zeros(SHAPE, np.float32), SHAPE, np.array([1.0, 1.0])), self.shares)


def tooth(canvas: Canvas, col: float, *, canals: tuple[float, ...] = (0.0,), wide: int = 24) -> Canvas:
    """A tooth with its crown up: reference at row 40, orifices at 120, root ends at 260; canals at columns beside `col`."""
    canvas.box(Channel.ROOT, 60, int(col) - wide, 260, int(col) + wide)
    canvas.point(Channel.REFERENCE, (40.0, col))
    for aside in canals:
        canvas.line(Channel.CANAL, (120.0, col + aside), (253.0, col + aside))
        canvas.point(Channel.ORIFICE, (120.0, col + aside))
        canvas.point(Channel.ROOT_END, (260.0, col + aside))
    return canvas
