"""Where names stand on a film: where there is room never over each other nor over the last millimetres of a canal. No Qt."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from math import hypot
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wlmeasure.trace.spline import arc_length

__all__ = ["apical_boxes", "place_names"]

Float64 = NDArray[np.float64]
Box = tuple[float, float, float, float]
"""Upper, left, lower and right edge, in the units of the screen's world."""

STEP, AWAY = 0.5, 6
"""A name is tried in steps of so many heights of a line, up to so many heights away (our parameters)."""
TOUCH: Final = 1e-9
"""Two boxes that share an edge do not cover each other: in heights of a line, for the rounding of sums."""
TRIED: Final = np.array(
    sorted(product(np.arange(-AWAY, AWAY + STEP, STEP), repeat=2), key=lambda step: (hypot(*step), step[0] < 0.0, step))
)
"""Steps from where a name is wanted, the nearest first."""


def place_names(
    sizes: Sequence[tuple[float, float]], at: Sequence[tuple[float, float]], taken: Sequence[Box], room: Box
) -> list[tuple[float, float]]:
    """The middles of names, one after the other.

    Each stands in the room as near to where it is wanted as the ones before it and what is taken let it; where there is no free
    place for it, where it covers least.

    Parameters
    ----------
    sizes
        Height and width of each name.
    at
        The middle (row, col) that is wanted for each.
    taken
        Boxes that no name may cover.
    room
        Box that names lie in.
    """
    boxes = [*taken]
    middles = []
    for (height, width), (row, col) in zip(sizes, at, strict=True):
        half = np.array([height / 2, width / 2])
        high, low = np.array(room[:2]) + half, np.array(room[2:]) - half
        near = np.array([row, col]) + TRIED * height
        middle = _free(near, boxes, height, width, high, low)
        if middle is None:
            # A free place in the room can be pushed up and to the left until it touches: these are all that there can be.
            rows = sorted({high[0], *(box[2] + height / 2 for box in boxes)})
            cols = sorted({high[1], *(box[3] + width / 2 for box in boxes)})
            every = np.array(list(product(rows, cols)))
            every = every[np.argsort(np.hypot(*(every - (row, col)).T), kind="stable")]
            middle = _free(every, boxes, height, width, high, low)
        if middle is None:
            inside = np.clip(near, np.minimum(high, low), np.maximum(high, low))
            middle = inside[int(np.argmin(_covered(inside, boxes, height, width)))]
        r, c = float(middle[0]), float(middle[1])
        middles.append((r, c))
        boxes.append((r - height / 2, c - width / 2, r + height / 2, c + width / 2))
    return middles


def _free(
    middles: Float64, boxes: Sequence[Box], height: float, width: float, high: Float64, low: Float64
) -> Float64 | None:
    """The first of the middles whose box lies in the room and covers none."""
    touch = TOUCH * height
    inside = ((middles >= high - touch) & (middles <= low + touch)).all(axis=1)
    free = np.flatnonzero(inside & (_covered(middles, boxes, height, width) <= 0.0))
    return middles[free[0]] if len(free) else None


def _covered(middles: Float64, boxes: Sequence[Box], height: float, width: float) -> Float64:
    """How much of the boxes a name covers at each of the middles."""
    if not boxes:
        return np.zeros(len(middles))
    edges = np.array(boxes)
    half = np.array([height / 2, width / 2])
    upper = np.maximum((middles - half)[:, None], edges[None, :, :2])
    lower = np.minimum((middles + half)[:, None], edges[None, :, 2:])
    sides: Float64 = np.clip(lower - upper - TOUCH * height, 0.0, None)
    return np.asarray(sides.prod(axis=2).sum(axis=1))


def apical_boxes(line: Float64, reach: float, beside: float) -> list[Box]:
    """Boxes over the last stretch of a canal's line (N, 2), as long as `reach`, that keep `beside` free all about it."""
    along = arc_length(line)
    places = np.linspace(max(0.0, along[-1] - reach), along[-1], 1 + max(1, round(reach / beside)))
    points = np.column_stack([np.interp(places, along, line[:, axis]) for axis in (0, 1)])
    low = np.minimum(points[:-1], points[1:]) - beside
    high = np.maximum(points[:-1], points[1:]) + beside
    return [(float(a), float(b), float(c), float(d)) for (a, b), (c, d) in zip(low, high, strict=True)]
