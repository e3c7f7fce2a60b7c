"""Exact shapes by hand geometry: the known answers of this room."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

Float64 = NDArray[np.float64]
Part = tuple[float, float]  # length in mm, signed curvature in 1/mm: 0 is a straight part
Draw = Callable[[Sequence[Part], int], Float64]


def draw_parts(parts: Sequence[Part], count: int) -> Float64:
    """`count` points equally spaced along straight and circular parts that join without a corner, from (0, 0) down."""
    ends = np.cumsum([length for length, _ in parts])
    at = np.linspace(0.0, ends[-1], count)
    points = np.empty((count, 2))
    origin, tangent, begin = np.zeros(2), np.array([1.0, 0.0]), 0.0
    for (length, curvature), end in zip(parts, ends, strict=True):
        normal = np.array([-tangent[1], tangent[0]])
        inside = (at >= begin) & (at <= end + 1e-9)
        run = np.append(at[inside] - begin, length)
        if curvature == 0.0:
            local = origin + np.outer(run, tangent)
        else:  # on a circle of radius 1/curvature whose centre lies on the normal
            turn = curvature * run
            local = origin + np.outer(np.sin(turn), tangent) / curvature
            local += np.outer(1.0 - np.cos(turn), normal) / curvature
            tangent = np.cos(turn[-1]) * tangent + np.sin(turn[-1]) * normal
        points[inside] = local[:-1]
        origin, begin = local[-1], end
    return points


@pytest.fixture(scope="session")
def draw() -> Draw:
    return draw_parts
