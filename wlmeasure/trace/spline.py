"""Cubic B-splines with uniform knots: the smooth lines of the tracer.

Written out here (40 lines of numpy) because importing ``scipy.interpolate`` takes longer than the whole measurement of a
film; a test holds it equal to ``scipy.interpolate.BSpline``.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["arc_length", "basis", "resample", "smooth_line"]

Float64 = NDArray[np.float64]


def basis(t: NDArray[np.floating], spans: int) -> Float64:
    """Clamped cubic B-spline basis on [0, 1] with `spans` equal knot spans.

    Returns
    -------
    (len(t), spans + 3) float64
        Rows sum to 1; the first and the last column alone carry the ends.
    """
    t = np.clip(np.asarray(t, np.float64), 0.0, 1.0)
    knots = np.concatenate([np.zeros(3), np.linspace(0.0, 1.0, spans + 1), np.ones(3)])
    span = np.minimum((t * spans).astype(np.intp), spans - 1) + 3
    # Cox - de Boor recursion, all points at once: at degree k the k + 1 functions that do not vanish on the span.
    local = np.ones((4, t.size))
    for k in range(1, 4):
        saved = np.zeros(t.size)
        for r in range(k):
            right, left = knots[span + r + 1] - t, t - knots[span + 1 - k + r]
            share = local[r] / (right + left)
            local[r] = saved + right * share
            saved = left * share
        local[k] = saved
    values = np.zeros((t.size, spans + 3))
    rows = np.arange(t.size)
    for r in range(4):
        values[rows, span - 3 + r] = local[r]
    return values


def arc_length(points: NDArray[np.floating]) -> Float64:
    """Length along a polyline up to each of its points: (N,) in the unit of the points."""
    steps = np.diff(np.asarray(points, np.float64), axis=0)
    return np.concatenate([[0.0], np.cumsum(np.hypot(steps[:, 0], steps[:, 1]))])


def resample(points: NDArray[np.floating], count: int) -> Float64:
    """`count` points equally spaced along the polyline `points` (N, 2), ends included."""
    points = np.asarray(points, np.float64)
    along = arc_length(points)
    at = np.linspace(0.0, along[-1], count)
    return np.column_stack([np.interp(at, along, points[:, axis]) for axis in (0, 1)])


def smooth_line(points: NDArray[np.floating], spans: int, count: int) -> Float64:
    """Least-squares cubic spline through `points` with both end points kept.

    Parameters
    ----------
    points : (N, 2)
        In a plane with equal units on both axes, in order.
    spans
        Knot spans: the line cannot bend on a finer scale than its length divided by this.
    count
        Points returned, equally spaced along the spline.

    Returns
    -------
    (count, 2) float64
    """
    points = np.asarray(points, np.float64)
    along = arc_length(points)
    matrix = basis(along / along[-1], spans)
    inner = matrix[:, 1:-1]
    target = points - np.outer(matrix[:, 0], points[0]) - np.outer(matrix[:, -1], points[-1])
    # A trace of light damping keeps spans without a point from swinging.
    normal = inner.T @ inner + 1e-9 * len(points) * np.eye(inner.shape[1])
    coefficients = np.vstack([points[0], np.linalg.solve(normal, inner.T @ target), points[-1]])
    return resample(_even_basis(2 * count, spans) @ coefficients, count)


@lru_cache(maxsize=8)
def _even_basis(count: int, spans: int) -> Float64:
    """The basis at equal steps: a fit asks for the same one in every round."""
    return basis(np.linspace(0.0, 1.0, count), spans)
