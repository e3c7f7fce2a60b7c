"""A student's path lifted off the film, beside the true canal in space."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wlmeasure.errors import LearnError
from wlmeasure.learn.exercise import Item, ItemTruth
from wlmeasure.trace.spline import arc_length

__all__ = ["lifted_mm", "true_mm"]

Float64 = NDArray[np.float64]

MOST_POINTS = 600
"""Of a path that is drawn; our parameter."""


def true_mm(truth: ItemTruth) -> Float64 | None:
    """The true canal in the tooth's frame, reference point first, (N, 3) mm; None where the key holds none."""
    return None if truth.space is None else np.array(truth.space.points_mm)


def lifted_mm(item: Item, truth: ItemTruth, path_px: object) -> Float64:
    """A path on the film, (N, 2) px, as a line in the tooth's frame, (N, 3) mm.

    A film tells nothing of depth, so every point gets the depth of the nearest true point: what can be seen is how far the
    path lies beside the canal.

    Raises
    ------
    LearnError
        The key holds no canal in space.
    """
    space = truth.space
    if space is None or truth.path_px is None:
        raise LearnError(f"key must hold the canal in space to draw it: that of {item.film} does not")
    detector = np.array([item.scale.mm_per_px_row, item.scale.mm_per_px_col])
    path, _ = _dense(np.asarray(path_px, np.float64), detector)
    known = np.column_stack([space.points_mm, space.magnification])
    true_px, known = _dense(np.array(truth.path_px), detector, known)
    nearest = np.argmin((((path[:, None] - true_px[None]) * detector) ** 2).sum(axis=2), axis=1)
    off = (path - true_px[nearest]) * detector / known[nearest, 3:]
    lifted: Float64 = known[nearest, :3] + off[:, :1] * np.array(space.down) + off[:, 1:] * np.array(space.right)
    return lifted


def _dense(path: Float64, detector: Float64, known: Float64 | None = None) -> tuple[Float64, Float64]:
    """The path with a point every 0.1 mm or so, and what is known at its points at the new ones, too."""
    along = arc_length(path * detector)
    at = np.linspace(0.0, along[-1], max(2, min(MOST_POINTS, int(along[-1] / 0.1))))
    columns = np.column_stack([path] if known is None else [path, known])
    dense = np.column_stack([np.interp(at, along, column) for column in columns.T])
    return dense[:, :2], dense[:, 2:]
