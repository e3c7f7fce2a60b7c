"""What a list of points must be before anything is measured on it, how a value keeps an array, and feet on a polyline."""

from __future__ import annotations

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.errors import WlmeasureError

__all__ = ["PolylineFeet", "as_points", "frozen_array", "polyline_feet"]


def frozen_array(value: object) -> NDArray[np.float64]:
    """A read-only float64 copy: what a frozen value keeps of an array that it is given."""
    array = np.array(value, dtype=np.float64)
    array.setflags(write=False)
    return array


def as_points(error: type[WlmeasureError], field: str, value: object, *, least: int = 1) -> NDArray[np.float64]:
    """`value` as an (N, 2) float64 array of (row, col), a copy, with `least` or more points.

    Raises
    ------
    error
        Not pairs of finite numbers, or too few of them; the message names `field`.
    """
    try:
        array = np.array(value, dtype=np.float64)
    except (TypeError, ValueError):
        raise error(f"{field} must be pairs of numbers (row, col): {str(value)[:60]}") from None
    if array.size == 0:
        raise error(f"{field} must hold at least {least} points: got 0; place more points")
    if array.ndim != 2 or array.shape[1] != 2:
        raise error(f"{field} must be pairs of numbers (row, col): got an array of shape {array.shape}")
    if len(array) < least:
        raise error(f"{field} must hold at least {least} points: got {len(array)}; place more points")
    finite = np.isfinite(array).all(axis=1)
    if not finite.all():
        raise error(f"{field} must be finite numbers: point {int(finite.argmin())} is not")
    return array


@frozen(eq=False)
class PolylineFeet:
    """Where each of M points comes to a polyline, in the unit of the points.

    Attributes
    ----------
    apart : (M,) float64
        Distance from the nearest place of the polyline, its foot.
    along : (M,) float64
        From the first point of the polyline along it to the foot.
    over : (M,) float64
        Where the foot is an end and the point lies beyond it: how far along the end piece, drawn straight on. Positive beyond
        the last point, negative ahead of the first, else 0.
    aside : (M,) float64
        Distance from the polyline so drawn on: `apart`, or less beyond an end.
    piece : (M,) int, share : (M,) float64
        Piece of the polyline that holds the foot, and the share of it that is passed there, 0 to 1.
    total
        Length of the polyline.
    """

    apart: NDArray[np.float64]
    along: NDArray[np.float64]
    over: NDArray[np.float64]
    aside: NDArray[np.float64]
    piece: NDArray[np.intp]
    share: NDArray[np.float64]
    total: float


def polyline_feet(points: object, line: object) -> PolylineFeet:
    """The feet of points (M, 2), or one point (2,), on the polyline through `line` (N, 2), in a plane with equal units.

    Repeated points of the line make no pieces; a line of one place is that place.
    """
    at, corners = np.atleast_2d(np.asarray(points, np.float64)), np.asarray(line, np.float64)
    used = np.flatnonzero(np.any(np.diff(corners, axis=0) != 0.0, axis=1))
    if not len(used):
        apart = np.hypot(*(at - corners[0]).T)
        none = np.zeros(len(at))
        return PolylineFeet(apart, none, none, apart, np.zeros(len(at), np.intp), none, 0.0)
    start, step = corners[used], corners[used + 1] - corners[used]
    length = np.hypot(step[:, 0], step[:, 1])
    unit = step / length[:, None]  # before any square: pieces may be very short
    row, col = at[:, :1] - start[:, 0], at[:, 1:] - start[:, 1]
    run = row * unit[:, 0] + col * unit[:, 1]
    held = np.clip(run, 0.0, length)
    off = np.hypot(row - held * unit[:, 0], col - held * unit[:, 1])
    each = np.arange(len(at))
    nearest = off.argmin(axis=1)
    foot, ahead = held[each, nearest], run[each, nearest]
    last = len(used) - 1
    over = np.where(nearest == last, np.maximum(ahead - length[last], 0.0), 0.0)
    over += np.where(nearest == 0, np.minimum(ahead, 0.0), 0.0)
    across = np.abs(row[each, nearest] * unit[nearest, 1] - col[each, nearest] * unit[nearest, 0])
    apart = off[each, nearest]
    passed = np.concatenate([[0.0], np.cumsum(length)])
    return PolylineFeet(
        apart,
        passed[nearest] + foot,
        over,
        np.where(over == 0.0, apart, across),
        used[nearest],
        foot / length[nearest],
        float(passed[-1]),
    )
