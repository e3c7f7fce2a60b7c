"""Does the grey scale of a picture look turned round? A judgement, to be asked about; nothing is turned by it."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["looks_inverted"]

SIDE_PX = 450
"""Longer side of the copy that is looked at, pixels; our parameter, as all below."""
ENDS = (0.2, 99.8)
"""Percentiles of the film that are taken for black and white."""
END = 0.08
"""What counts as black or white, over that range."""
RIM = 0.04
"""Width of the rim over the shorter side."""
LEAST_BRIGHT = 0.05
"""Least share of the rim that must be white."""
TIMES = 6.0
"""How many times more of the rim must be white than black. Air reaches the rim of nearly every film and is black there;
metal and enamel that reach it seldom take so much of it."""


def looks_inverted(values: NDArray[Any], masked: NDArray[np.bool_] | None = None) -> bool:
    """Whether a film's rim is white where it should be black with air, what is `masked` left aside.

    It says so only where the rim speaks clearly: a film whose rim is neither, as one that is all bone, is not judged.
    """
    step = max(1, round(max(values.shape) / SIDE_PX))
    size = max(1, values.shape[1] // step), max(1, values.shape[0] // step)
    grey = cv2.resize(np.asarray(values, np.float32), size, interpolation=cv2.INTER_AREA)
    film = np.ones(grey.shape, np.bool_)
    if masked is not None:
        film = cv2.resize(masked.view(np.uint8) * np.float32(1.0), size, interpolation=cv2.INTER_AREA) < 0.01
    if film.sum() < 0.25 * film.size:
        return False
    low, high = np.percentile(grey[film], ENDS)
    if high <= low:
        return False
    rows, cols = (np.flatnonzero(film.any(axis=k)) for k in (1, 0))
    width = max(3, int(RIM * min(grey.shape)))
    rim = film.copy()
    rim[rows[0] + width : rows[-1] + 1 - width, cols[0] + width : cols[-1] + 1 - width] = False
    if not rim.any():
        return False
    shown = (grey[rim] - low) / (high - low)
    black, white = float(np.mean(shown < END)), float(np.mean(shown > 1.0 - END))
    return white >= LEAST_BRIGHT and white > TIMES * black
