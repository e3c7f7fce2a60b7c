"""Pictures for the screen; nothing here is ever measured on."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["local_contrast", "loupe"]

Picture = NDArray[np.uint8]

TILES = 8  # common practice for contrast-limited adaptive histogram equalisation (Zuiderveld 1994)
CLIP = 3.0


def local_contrast(picture: Picture) -> Picture:
    """The picture (R, C) with its local contrast raised (contrast-limited adaptive histogram equalisation)."""
    return np.asarray(cv2.createCLAHE(CLIP, (TILES, TILES)).apply(picture), np.uint8)


def loupe(
    picture: NDArray[Any],
    at_px: tuple[float, float],
    *,
    limits: tuple[float, float] = (0.0, 255.0),
    span_px: float = 36.0,
    side: int = 220,
) -> Picture:
    """(side, side) close-up of `span_px` pixels about a point (row, col), which falls on the middle of the close-up.

    `limits` are the values of the picture that are shown black and white. Where the close-up leaves the picture it is black.
    """
    zoom = side / span_px
    middle = 0.5 * (side - 1)
    move = np.array([[zoom, 0.0, middle - zoom * at_px[1]], [0.0, zoom, middle - zoom * at_px[0]]])
    low, high = limits
    close = cv2.warpAffine(picture, move, (side, side), flags=cv2.INTER_CUBIC, borderValue=(low,)).astype(np.float32)
    return np.asarray(np.rint(np.clip((close - low) * (255.0 / (high - low)), 0.0, 255.0)), np.uint8)
