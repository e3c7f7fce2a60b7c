"""A smooth line in space as its curvature, so that its length is a parameter and its turns are exact.

The tangent is turned along a frame that does not twist (Bishop 1975, "There is more than one way to frame a curve"):
T' = w1 U + w2 V, U' = -w1 T, V' = -w2 T. The turns w1 and w2 per whole length are linear between equally spaced
knots. Every step is taken as an arc of constant curvature, in closed form.

What a canal is like before it is seen (a prior, used by the fit): its two curvature components are a Gaussian process whose
errors go together exponentially along the canal. Its two figures are taken from published canals, not from phantoms: see
`TURN_RATE` and `TOGETHER_MM`.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.trace.spline import basis

__all__ = ["STEPS", "Line", "line_of", "line_through", "rotation", "stiffness", "weights_of"]

Float64 = NDArray[np.float64]

STEPS = 64
"""Steps of the integration along a line: a chord of a 14 mm canal is 0.2 mm, short by 1e-3 of itself at a radius of 1 mm."""
TURN_RATE = 0.030
"""Variance, rad squared a mm, by which a canal's direction wanders in each of two planes over long stretches. A direction
that wanders so makes a chord short by a sixth of (rate x length): 1.04 length over chord at 10.3 mm asks for 0.023 (median
of 314 canals, micro-CT), the mean, which the longer tail lifts, for 0.03.
"""
TOGETHER_MM = 0.8
"""Distance over which curvature is alike; our parameter: half of the published median of the tightest radius (2 mm)."""


@lru_cache(maxsize=16)
def _knots(count: int) -> tuple[Float64, Float64]:
    """Weights of `count` knots at the middle of every step (STEPS, count), and at its ends (STEPS + 1, count)."""
    at = np.linspace(0.0, 1.0, 2 * STEPS + 1) * (count - 1)
    weights = np.maximum(0.0, 1.0 - np.abs(at[:, None] - np.arange(count)))
    return np.ascontiguousarray(weights[1::2]), np.ascontiguousarray(weights[::2])


def weights_of(count: int) -> Float64:
    """How much each of `count` knots counts at the middle of every step, (STEPS, count)."""
    return _knots(count)[0]


@lru_cache(maxsize=64)
def stiffness(count: int, length_mm: float, turn_rate: float = TURN_RATE, together_mm: float = TOGETHER_MM) -> Float64:
    """Matrix (count, count) that turns the knots of one turn component into independent unit errors of the prior.

    `length_mm` is the length at which curvature is meant.
    """
    apart = np.abs(np.arange(count)[:, None] - np.arange(count)) * (length_mm / (count - 1))
    variance = turn_rate / (2.0 * together_mm)
    covariance = variance * np.exp(-apart / together_mm) + 1e-9 * variance * np.eye(count)
    white: Float64 = np.linalg.inv(np.linalg.cholesky(covariance)) / length_mm
    return white


def rotation(vector: Float64) -> Float64:
    """Rotation matrix of a rotation vector (3,), rad (Rodrigues)."""
    angle = float(np.linalg.norm(vector))
    cross = np.array([[0.0, -vector[2], vector[1]], [vector[2], 0.0, -vector[0]], [-vector[1], vector[0], 0.0]])
    turned: Float64 = (
        np.eye(3) + np.sinc(angle / np.pi) * cross + 0.5 * np.sinc(0.5 * angle / np.pi) ** 2 * cross @ cross
    )
    return turned


@frozen(eq=False)
class Line:
    """A line in space.

    Attributes
    ----------
    start_mm : (3,)
    frame : (3, 3)
        Columns T, U, V at the start.
    length_mm
    turns : (2, K)
        Turn per whole length, rad, at K equally spaced knots.
    nominal_mm
        Length at which the prior means its curvature: a constant, for a prior that grew laxer with the length would
        favour long lines.
    """

    start_mm: Float64
    frame: Float64
    length_mm: float
    turns: Float64
    nominal_mm: float

    @property
    def parameters(self) -> int:
        """Start, direction (two turns about U and V), length, turns."""
        return 6 + self.turns.size

    def moved(self, step: Float64) -> Line:
        """The line with its parameters changed by `step` (parameters,)."""
        tilt = step[3] * self.frame[:, 1] + step[4] * self.frame[:, 2]
        return Line(
            self.start_mm + step[:3],
            rotation(tilt) @ self.frame,
            max(self.length_mm + float(step[5]), 0.2 * self.length_mm),
            self.turns + step[6:].reshape(2, -1),
            self.nominal_mm,
        )

    def curvature_per_mm(self) -> Float64:
        """The two components at the middle of every step, (2, STEPS)."""
        middle, _ = _knots(self.turns.shape[1])
        per_mm: Float64 = self.turns @ middle.T / self.length_mm
        return per_mm

    def points(self) -> Float64:
        """(STEPS + 1, 3) points at equal steps."""
        return line_of(self)[0]


def line_of(line: Line, *, slopes: bool = True) -> tuple[Float64, Float64, Float64]:
    """Points (STEPS + 1, 3), frames (STEPS + 1, 3, 3), and the derivatives of the points (STEPS + 1, 3, parameters)."""
    count = line.turns.shape[1]
    middle, _ = _knots(count)
    w1, w2 = line.turns @ middle.T / STEPS
    angle = np.hypot(w1, w2)
    # The step's rotation in its own frame: about the axis (0, -w2, w1).
    a, b = np.sinc(angle / np.pi), 0.5 * np.sinc(0.5 * angle / np.pi) ** 2
    steps = np.empty((STEPS + 1, 3, 3))
    steps[0] = line.frame
    body = steps[1:]
    body[:, 0, 0] = 1.0 - b * angle**2
    body[:, 1, 0], body[:, 0, 1] = a * w1, -a * w1
    body[:, 2, 0], body[:, 0, 2] = a * w2, -a * w2
    body[:, 1, 1], body[:, 2, 2] = 1.0 - b * w1**2, 1.0 - b * w2**2
    body[:, 1, 2] = body[:, 2, 1] = -b * w1 * w2
    reach = 1  # running products by doubling: a handful of stacked products instead of one a step
    frames = steps
    while reach <= STEPS:
        frames[reach:] = frames[:-reach] @ frames[reach:]
        reach *= 2
    # An arc's chord lies along the mean of its end tangents, which is shorter by cos(half) than a unit.
    half = 0.5 * angle
    mean = 0.5 * (frames[:-1] + frames[1:])
    along = mean[:, :, 0] * (np.tan(half) / np.where(half > 1e-9, half, 1.0) + (half <= 1e-9))[:, None] / STEPS
    unit = np.zeros((STEPS + 1, 3))
    np.cumsum(along, axis=0, out=unit[1:])
    points = line.start_mm + line.length_mm * unit
    if not slopes:
        return points, frames, np.empty(0)
    out = np.zeros((STEPS + 1, 3, line.parameters))
    out[:, 0, 0] = out[:, 1, 1] = out[:, 2, 2] = 1.0
    reached = line.length_mm * unit
    for k, axis in ((3, line.frame[:, 1]), (4, line.frame[:, 2])):
        out[:, :, k] = np.cross(axis, reached)
    out[:, :, 5] = unit
    # A turn at one step moves all that follows: first the tangents, by the sum of turns so far, then the points.
    weights = middle / STEPS
    turned = np.zeros((STEPS + 1, 3, 2 * count))
    np.cumsum(mean[:, :, 2, None] * weights[:, None], axis=0, out=turned[1:, :, :count])
    np.cumsum(-mean[:, :, 1, None] * weights[:, None], axis=0, out=turned[1:, :, count:])
    by = 0.5 * (turned[:-1] + turned[1:])
    t = (line.length_mm * along)[:, :, None]
    moved = np.empty_like(by)
    moved[:, 0] = by[:, 1] * t[:, 2] - by[:, 2] * t[:, 1]
    moved[:, 1] = by[:, 2] * t[:, 0] - by[:, 0] * t[:, 2]
    moved[:, 2] = by[:, 0] * t[:, 1] - by[:, 1] * t[:, 0]
    np.cumsum(moved, axis=0, out=out[1:, :, 6:])
    return points, frames, out


def line_through(points_mm: Float64, knots: int) -> Line:
    """A smooth line near rough points (N, 3), from its start to its end: where a fit begins."""
    steps = np.linalg.norm(np.diff(points_mm, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    spans = max(1, min(4, len(points_mm) // 4))
    matrix = basis(along / along[-1], spans)
    smooth = basis(np.linspace(0.0, 1.0, STEPS + 1), spans) @ np.linalg.lstsq(matrix, points_mm, rcond=None)[0]
    steps = np.linalg.norm(np.diff(smooth, axis=0), axis=1)
    tangents = np.diff(smooth, axis=0) / steps[:, None]
    first = tangents[0]
    across = np.eye(3)[np.abs(first).argmin()]
    one = across - first * (first @ across)
    one /= np.linalg.norm(one)
    frame = np.column_stack([first, one, np.cross(first, one)])
    turned = np.zeros((2, STEPS))
    begin = frame[:, 1]
    for k in range(1, STEPS):
        here = tangents[k]
        begin = begin - here * (here @ begin)
        begin /= np.linalg.norm(begin)
        change = (here - tangents[k - 1]) * STEPS
        turned[:, k] = change @ begin, change @ np.cross(here, begin)
    middle, _ = _knots(knots)
    ridge = 1e-3 * np.eye(knots)
    turns = np.asarray(np.linalg.solve(middle.T @ middle + ridge, middle.T @ turned.T).T, np.float64)
    length = float(steps.sum())
    return Line(smooth[0], frame, length, turns, round(length, 1))
