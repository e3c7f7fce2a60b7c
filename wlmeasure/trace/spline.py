"""Cubic B-splines with uniform knots: the smooth lines of the tracer.

Written out here (40 lines of numpy) because importing ``scipy.interpolate`` takes longer than the whole measurement of a
film; a test holds it equal to ``scipy.interpolate.BSpline``.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["arc_length", "basis", "even_line", "resample", "smooth_line"]

Float64 = NDArray[np.float64]

SLIGHT, LEAN = 1e-8, 1e-7  # of a point's weight: what bending costs where no point says how the line runs
EVEN_SPANS = 40  # a quarter of a millimetre on a canal of 10 mm
# Weight of a changing curvature on a line of length 1, over that of a point: on a canal of 10 mm points off by 0.05 mm, and a
# curvature that wanders by 0.2 per mm in one millimetre (the prior of the symmetry fit).
CHANGE = 0.05**2 / (0.2**2 * 10.0**5)


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
    at: Float64 = np.asarray(points, np.float64)
    along = arc_length(at)
    # Spans without a point of their own bend as little as they can. To draw their coefficients towards 0 instead, as a ridge
    # does, would draw the line to wherever the plane has its origin.
    held = SLIGHT * len(at) / spans**3 * _energy(spans, 2)
    return resample(_even_basis(2 * count, spans) @ _held(basis(along / along[-1], spans), at, held), count)


def even_line(points: NDArray[np.floating], count: int) -> Float64:
    """The line through a few points whose curvature changes as little as they allow.

    Two points give a straight line, three the parabola on the length of their chords, more the smoothing spline with the third
    derivative as its penalty (cubic, on a fine grid of knots); however many they are and however close two of them, the line is
    determined by them alone. It moves, turns, grows and turns round with them.

    Parameters
    ----------
    points : (N, 2)
        Two or more in a plane with equal units on both axes, in order; the first and the last are kept, the line passes the
        others within about a hundredth of its length and nearer where they are apart.
    count
        Points returned, equally spaced on the length of the chords.

    Returns
    -------
    (count, 2) float64
    """
    at: Float64 = np.asarray(points, np.float64)
    along = arc_length(at)
    held: Float64 = CHANGE * _energy(EVEN_SPANS, 3) + LEAN * _energy(EVEN_SPANS, 2)
    line: Float64 = _even_basis(count, EVEN_SPANS) @ _held(basis(along / along[-1], EVEN_SPANS), at, held)
    return line


def _held(matrix: Float64, points: Float64, penalty: Float64) -> Float64:
    """Coefficients (S + 3, 2) of the spline nearest to `points`, its ends kept, that pays `penalty`; `matrix` is (N, S + 3)."""
    first, last = points[0], points[-1]
    inner = matrix[:, 1:-1]
    # From the first point: the penalty of a line moved as a whole is 0 only up to rounding.
    target = points - first - np.outer(matrix[:, -1], last - first)
    normal = inner.T @ inner + penalty[1:-1, 1:-1]
    pulled = inner.T @ target - np.outer(penalty[1:-1, -1], last - first)
    return np.asarray(first + np.vstack([np.zeros(2), np.linalg.solve(normal, pulled), last - first]), np.float64)


@lru_cache(maxsize=32)
def _energy(spans: int, order: int) -> Float64:
    """The integral of the squared second or third derivative over [0, 1] as a form of the coefficients: (S + 3, S + 3).

    From differences of the basis at equal steps inside each span, which are exact: the third derivative of a cubic is constant
    there, and the second is linear, so that two places (Gauss) give its integral.
    """
    span = 1.0 / spans
    places = np.array([0.5]) if order == 3 else 0.5 + np.array([-0.5, 0.5]) / np.sqrt(3.0)
    step = span / (3.0 if order == 3 else 5.0)
    taps = (np.arange(order + 1) - 0.5 * order) * step
    at = ((np.arange(spans)[:, None] + places) * span).ravel()
    values = basis((at[:, None] + taps).ravel(), spans).reshape(len(at), order + 1, spans + 3)
    derivative = np.diff(values, order, axis=1)[:, 0] / step**order
    return np.asarray(derivative.T @ derivative * (span / len(places)), np.float64)


@lru_cache(maxsize=8)
def _even_basis(count: int, spans: int) -> Float64:
    """The basis at equal steps: a fit asks for the same one in every round."""
    return basis(np.linspace(0.0, 1.0, count), spans)
