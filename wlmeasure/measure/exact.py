"""Angles of an exact line by their definitions, without a fit: what is true of a phantom's projection.

The line is dense and without error. Its heading is that of its steps; a bend is a stretch that turns one way, and runs from
where none of its turn is done to where all of it is, carried on from `EDGES` of it as a curvature that changes evenly does.
Nothing of the estimators of `bent` and `lockstep` is used.
"""

from __future__ import annotations

from itertools import pairwise
from math import atan2, degrees

import numpy as np
from numpy.typing import NDArray

from wlmeasure.errors import MeasureError
from wlmeasure.measure.curvature import luiten_deg
from wlmeasure.measure.line_arc import LEAST_BEND_DEG
from wlmeasure.points import as_points

__all__ = ["exact_angles"]

Float64 = NDArray[np.float64]

EDGES = np.array([0.05, 0.1, 0.2])  # our parameter: of a turn; less lies within a step of a sharp one
STEP_MM = 0.05  # of the headings: as the points of a phantom's truth lie
LEAST_RATIO = 0.8  # our parameter: a bend whose curvature is so even has one radius, any other none


def exact_angles(path_mm: object) -> dict[str, float | None]:
    """Figures of an exact line by definition, degrees and mm; None for one that the line does not have.

    Parameters
    ----------
    path_mm : (N, 2)
        (row, col) in mm, orifice to apical end, points about 0.05 mm apart.

    Returns
    -------
    dict
        `turning_deg`, `long_axis_deg`, `weine_deg` and `schneider_deg` of the first bend, `canal_access_deg`, `luiten_deg`, and
        `radius_mm` where the first bend is an arc: one over the mean curvature of its middle half, if that is even.

    Raises
    ------
    MeasureError
        Points that are not finite, or fewer than 3.
    """
    path = as_points(MeasureError, "path_mm", path_mm, least=3)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    total = float(along[-1])
    count = max(4, round(total / STEP_MM))
    s = np.linspace(0.0, total, count + 1)
    z = np.interp(s, along, path[:, 0]) + 1j * np.interp(s, along, path[:, 1])
    heading = np.unwrap(np.angle(np.diff(z)))
    middle = 0.5 * (s[1:] + s[:-1])
    # Half a step is missing at each end: the heading goes on as it did.
    at = np.concatenate([[0.0], middle, [total]])
    heading = np.concatenate([[1.5 * heading[0] - 0.5 * heading[1]], heading, [1.5 * heading[-1] - 0.5 * heading[-2]]])
    turns = _bends(heading)
    for k in {k for pair in turns for k in pair}:
        heading[k] = _peak(heading, k)
    access = (z[-1] - z[0]) * np.exp(-1j * heading[0])
    found: dict[str, float | None] = {
        "turning_deg": degrees(float(sum(abs(heading[last] - heading[first]) for first, last in turns))),
        "long_axis_deg": abs(degrees(float(heading[-1] - heading[0]))),
        "canal_access_deg": degrees(atan2(abs(access.imag), access.real)),
        "luiten_deg": luiten_deg(path),
        "radius_mm": None,
    }
    first, last = turns[0]
    turn = float(heading[last] - heading[first])
    found["weine_deg"] = abs(degrees(turn))
    begin, end = _edges(at[first : last + 1], (heading[first : last + 1] - heading[first]) / turn if turn else None)
    reached = total
    if len(turns) > 1:
        second = slice(turns[1][0], turns[1][1] + 1)
        there = float(heading[turns[1][1]] - heading[turns[1][0]])
        reached = 0.5 * (end + _edges(at[second], (heading[second] - heading[turns[1][0]]) / there)[0])
    points = np.interp([begin, reached], s, z.real) + 1j * np.interp([begin, reached], s, z.imag)
    way = complex(points[1] - points[0]) * np.exp(-1j * float(heading[first]))
    found["schneider_deg"] = degrees(atan2(abs(way.imag), way.real)) if turn else 0.0
    inside = (at >= 0.75 * begin + 0.25 * end) & (at <= 0.25 * begin + 0.75 * end)
    if abs(degrees(turn)) >= LEAST_BEND_DEG and np.count_nonzero(inside) > 4:
        kappa = abs(float(np.polyfit(at[inside], heading[inside], 1)[0]))
        if LEAST_RATIO <= kappa * (end - begin) / abs(turn) <= 1.0 / LEAST_RATIO:
            found["radius_mm"] = 1.0 / kappa
    return found


def _bends(heading: Float64) -> list[tuple[int, int]]:
    """Indices between which the heading turns one way by 5 degrees and more; of a line without any, its extremes."""
    least = np.radians(LEAST_BEND_DEG)
    turning = [0]
    way = 0.0
    for k, value in enumerate(heading.tolist()):
        back = (value - heading[turning[-1]]) * way
        if way == 0.0:
            low, high = int(heading[: k + 1].argmin()), int(heading[: k + 1].argmax())
            if heading[high] - heading[low] >= least:
                way = 1.0 if high > low else -1.0
                turning = [min(low, high), max(low, high)]
        elif back > 0.0:
            turning[-1] = k
        elif -back >= least:
            way = -way
            turning.append(k)
    if way == 0.0:
        low, high = sorted((int(heading.argmin()), int(heading.argmax())))
        return [(low, high)]
    return list(pairwise(turning))


def _peak(heading: Float64, k: int) -> float:
    """An extreme of the heading between two steps: where what it does before and after would meet."""
    if not 3 <= k < len(heading) - 4:
        return float(heading[k])
    before, after = heading[k - 1] - heading[k - 2], heading[k + 2] - heading[k + 1]
    bend = before - after
    if before * after >= 0.0:
        return float(heading[k])
    # Lines through the two steps before and the two after.
    at = (heading[k + 1] - heading[k - 1] - 2.0 * after) / bend
    return float(heading[k - 1] + np.clip(at, 0.0, 2.0) * before)


def _edges(at: Float64, done: Float64 | None) -> tuple[float, float]:
    """Where a bend begins and ends, of the share of its turn that is done at each place."""
    if done is None:
        return float(at[0]), float(at[-1])
    done = np.maximum.accumulate(done)
    begin = _root(np.interp(EDGES, done, at), EDGES)
    end = -_root(-np.interp(1.0 - EDGES, done, at), EDGES)
    return max(float(at[0]), begin), min(float(at[-1]), end)


def _root(at: Float64, done: Float64) -> float:
    """Where nothing of a turn is done yet, by a curvature that changes evenly: exact for arcs, spirals and clothoids."""
    x = at - at[0]
    a, b, c = np.polyfit(x, done, 2).tolist()
    if abs(a) * x[-1] < 1e-3 * abs(b):
        return float(at[0] - c / b)
    # The nearer of the two roots; a clothoid begins where they meet, and rounding may part them.
    return float(at[0] + (np.sqrt(max(b * b - 4.0 * a * c, 0.0)) - b) / (2.0 * a))
