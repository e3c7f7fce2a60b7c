"""What a list of points must be before anything is measured on it, and how a value keeps an array."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wlmeasure.errors import WlmeasureError

__all__ = ["as_points", "frozen_array"]


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
