"""Length of a canal from a few clicks along it, each of them off by a pixel or two.

A polyline through clicks is no estimate of the length: errors across the canal make it zigzag, which 25 clicks of 2 px of
0.025 mm lengthen by 0.10 to 0.14 mm, and where clicks are few its chords cut the bends short. Here a smooth line is laid
through them whose curvature changes as little as the clicks allow: circles, straight lines among them, cost nothing. How much
change they allow is chosen by the likelihood of the clicks with the line itself integrated out (restricted maximum
likelihood: Patterson & Thompson, Biometrika 1971;58:545-554; for splines Wahba, Ann Stat 1985;13:1378-1402; both from memory).

The unknowns are where the line begins, its heading, its curvature there, and the changes of the curvature at `CELLS` nodes; a
click counts by its distance across the line alone, since where along the canal a person clicks says nothing. The two ends
count `END_WEIGHT` times, so that the line reaches them.
"""

from __future__ import annotations

from math import sqrt

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.errors import MeasureError, check_finite
from wlmeasure.points import as_points
from wlmeasure.trace.spline import arc_length, smooth_line

__all__ = ["CLICK_SPACING_MM", "ClicksLength", "clicks_length", "sparse"]

Float64 = NDArray[np.float64]
Complex = NDArray[np.complex128]

CLICK_SPACING_MM = (
    0.4  # our parameter: points further apart than this on the whole are clicks, closer ones a drawn line
)
FEWEST = 4  # three clicks lie on a circle whatever their errors
CELLS = 80  # cells of constant curvature: 0.15 mm on 12 mm
END_WEIGHT = 25.0  # our parameter: the ends count as five times as exact across the canal as another click
RATIOS = np.logspace(-2.0, 11.0, 79)  # change of curvature over noise, both squared, on a canal of length 1
EXACT_SHARE = 1e-4  # of the length: smallest uncertainty of a click, so that exact points can be measured
STATED_CLICKS = 4.0  # our parameter: what is stated of the scatter counts as if seen on so many clicks
MOST_SCATTER = 6.0  # our parameter: times what is stated; points that scatter more are no clicks along a smooth line
ROUNDS = 8
RIDGE = 1e-12  # of the sum of squares: what points that all lie beside one place of the line leave open
SETTLED_SHARE = 1e-5  # of the length: a change that ends the rounds
SHORTEST, LONGER_SHARE = (
    0.1,
    1.1,
)  # our parameter: a smooth line of another length over the polyline has left the clicks


@frozen
class ClicksLength:
    """Length by clicks.

    Attributes
    ----------
    length_mm
        From the first to the last click along the smooth line.
    path_std_mm
        Standard uncertainty of it by errors across the canal; each end click adds its own error along the canal.
    scatter_mm
        Standard deviation of the clicks across the line, never less than stated.
    smooth
        False where no smooth line could be laid, and straight pieces between the clicks are measured.
    """

    length_mm: float
    path_std_mm: float
    scatter_mm: float
    smooth: bool


def sparse(points_mm: object) -> bool:
    """Whether points (N, 2) in mm are so far apart that they are clicks, not a drawn or traced line."""
    points = np.asarray(points_mm, np.float64)
    return float(arc_length(points)[-1]) > CLICK_SPACING_MM * (len(points) - 1)


def clicks_length(points_mm: object, *, click_std_mm: float) -> ClicksLength:
    """Length of the smooth line through clicks, from the first to the last of them.

    Parameters
    ----------
    points_mm : (N, 2)
        (row, col) in mm, in order along the canal.
    click_std_mm
        Standard uncertainty of a click across the canal. Where they scatter more about the line, that is taken.

    Returns
    -------
    ClicksLength
        Of three clicks and fewer, and of points that no smooth line runs through, the straight pieces.

    Raises
    ------
    MeasureError
        Fewer than two different finite points, or a negative uncertainty.
    """
    points = as_points(MeasureError, "points_mm", points_mm, least=2)
    if check_finite(MeasureError, "click_std_mm", click_std_mm) < 0.0:
        raise MeasureError(f"click_std_mm must be >= 0: {click_std_mm:g}")
    points = points[np.concatenate([[True], np.any(np.diff(points, axis=0) != 0.0, axis=1)])]
    if len(points) < 2:
        raise MeasureError("points_mm must be distinct: all points are the same")
    polyline = float(arc_length(points)[-1])
    if len(points) >= FEWEST:
        found = _smooth(points / polyline, max(click_std_mm / polyline, EXACT_SHARE))
        if found is not None:
            length, std, scatter = (polyline * value for value in found)
            chord = float(np.hypot(*(points[-1] - points[0])))
            if (1.0 - EXACT_SHARE) * chord <= length and scatter <= MOST_SCATTER * max(
                click_std_mm, EXACT_SHARE * polyline
            ):
                return ClicksLength(max(length, chord), std, max(scatter, click_std_mm), True)
    unit = np.diff(points, axis=0)
    unit /= np.hypot(unit[:, 0], unit[:, 1])[:, None]
    # A click off by d across turns both of its pieces: their length changes by d times the difference of their directions.
    return ClicksLength(
        polyline, click_std_mm * float(np.sqrt(np.sum(np.diff(unit, axis=0) ** 2))), click_std_mm, False
    )


def _smooth(points: Float64, std: float) -> tuple[float, float, float] | None:
    """Length, its standard uncertainty and the scatter of the clicks, of points (N, 2) of a canal of about length 1; None where
    the rounds do not settle.
    """
    clicks = points[:, 0] + 1j * points[:, 1]
    started = smooth_line(points, max(1, min(4, len(points) // 4)), CELLS + 1)
    steps = np.diff(started[:, 0] + 1j * started[:, 1])
    cell = float(np.abs(steps).mean())
    origin, heading = complex(clicks[0]), np.unwrap(np.angle(steps))
    weights = np.ones(len(points))
    weights[[0, -1]] = sqrt(END_WEIGHT)
    length = np.inf
    for _ in range(ROUNDS):
        nodes, unit = _line(origin, heading, cell)
        residual, slopes = _across(clicks, nodes, unit, cell)
        turns = _turns(cell)
        # What the heading has of each unknown is found back by the linear system, so only its sum is needed here.
        known = slopes[:, 1:] @ heading
        columns = np.column_stack([slopes[:, 0], slopes[:, 1:] @ turns])
        fit = _restricted(weights[:, None] * columns, weights * (residual + known), std)
        origin, heading = origin + 1j * unit[0] * fit.unknowns[0], turns @ fit.unknowns[1:]
        nodes, unit = _line(origin, heading, cell)
        # The line begins where the first click lies beside it, and ends where the last one does.
        origin += unit[0] * ((clicks[0] - origin) * unit[0].conjugate()).real
        nodes, unit = _line(origin, heading, cell)
        before, length = length, (CELLS - 1) * cell + float(((clicks[-1] - nodes[-1]) * unit[-1].conjugate()).real)
        if not SHORTEST < length < LONGER_SHARE:
            return None
        cell = length / CELLS
        if abs(length - before) < SETTLED_SHARE:
            # Turning a cell swings the rest of the line about it; its end then passes the last click sooner or later.
            swing = -cell * (1j * unit * unit[-1].conjugate()).real @ turns
            by_clicks = float(swing @ fit.covariance[1:, 1:] @ swing)
            by_ratio = float(fit.shares @ ((fit.others[:, 1:] - fit.unknowns[1:]) @ swing) ** 2)
            # A line that sways by what is not known of its heading is longer by half the square of it.
            sway = 0.5 * cell * float(np.einsum("mi,ij,mj->", turns, fit.covariance[1:, 1:], turns))
            return length, sqrt(max(by_clicks, 0.0) + by_ratio + sway**2), sqrt(fit.variance)
    return None


def _line(origin: complex, heading: Float64, cell: float) -> tuple[Complex, Complex]:
    """Where each cell begins, and its direction, as complex numbers."""
    unit = np.exp(1j * heading)
    begins = np.concatenate([[origin], origin + cell * np.cumsum(unit[:-1])])
    return np.asarray(begins, np.complex128), np.asarray(unit, np.complex128)


def _turns(cell: float) -> Float64:
    """Heading of each cell by (heading, curvature at the beginning, changes of the curvature): (CELLS, CELLS).

    The changes are of unit size when a curvature that wanders at random does so by 1 over the length 1.
    """
    curvature = np.tril(np.ones((CELLS - 1, CELLS - 1)))  # at each joint of two cells, by its beginning and its changes
    curvature[:, 1:] *= sqrt(cell)
    turns = np.zeros((CELLS, CELLS))
    turns[:, 0] = 1.0
    turns[1:, 1:] = np.cumsum(cell * curvature, axis=0)
    return turns


def _across(clicks: Complex, nodes: Complex, unit: Complex, cell: float) -> tuple[Float64, Float64]:
    """Distance of each click across the line (N,), and how the line moves under it (N, 1 + CELLS) when it begins further
    across and when each cell turns.
    """
    offset = (clicks[:, None] - nodes) * unit.conjugate()
    along = np.clip(offset.real, 0.0, cell)
    along[:, 0], along[:, -1] = np.minimum(offset.real[:, 0], cell), np.maximum(offset.real[:, -1], 0.0)
    at = np.hypot(offset.real - along, offset.imag).argmin(axis=1)
    rows = np.arange(len(clicks))
    run = np.clip((cell * at + along[rows, at])[:, None] - cell * np.arange(CELLS), 0.0, cell)
    run[rows, at] = along[rows, at]
    slopes = np.empty((len(clicks), 1 + CELLS))
    swung = 1j * unit * unit[at, None].conjugate()
    slopes[:, 0] = swung[:, 0].imag
    slopes[:, 1:] = run * swung.imag
    return offset.imag[rows, at], slopes


@frozen(eq=False)
class _Fit:
    """Unknowns (P,) with their covariance, variance of a click; and the unknowns (R, P) at every ratio, with its share."""

    unknowns: Float64
    covariance: Float64
    variance: float
    others: Float64
    shares: Float64


def _restricted(columns: Float64, values: Float64, std: float) -> _Fit:
    """Unknowns of a linear model, all but the first three of them random, with the ratio that the data make most likely."""
    free, random = columns[:, :3], columns[:, 3:]
    beside = np.linalg.qr(free, mode="complete")[0][:, 3:]  # what the three free unknowns cannot explain
    size, axes = np.linalg.eigh(beside.T @ (random @ random.T) @ beside)
    parts = axes.T @ (beside.T @ values)
    spread = 1.0 + RATIOS[:, None] * np.maximum(size, 0.0)
    freedom = len(size) + STATED_CLICKS
    square = np.sum(parts**2 / spread, axis=1) + STATED_CLICKS * std**2
    variance = np.maximum(square / freedom, std**2)
    height = -0.5 * (square / variance + freedom * np.log(variance) + np.log(spread).sum(axis=1))
    shares = np.exp(height - height.max())
    error = (parts / spread) @ (beside @ axes).T
    changes = RATIOS[:, None] * (error @ random)
    fixed = np.linalg.lstsq(free, (values - error - changes @ random.T).T, rcond=None)[0].T
    others = np.column_stack([fixed, changes])
    best = int(height.argmax())
    unit = np.concatenate(
        [np.ones(3), np.full(random.shape[1], sqrt(RATIOS[best]))]
    )  # each change in its own deviation
    scaled = columns * unit
    normal = scaled.T @ scaled
    normal[3:, 3:] += np.eye(len(normal) - 3)
    normal += RIDGE * np.trace(normal) * np.eye(len(normal))
    covariance = np.linalg.inv(normal) * np.outer(unit, unit) * variance[best]
    return _Fit(others[best], covariance, float(variance[best]), others, shares / shares.sum())
