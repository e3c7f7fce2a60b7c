"""Where the fit of straight and circular parts begins: a grid search over the breaks in the heading of a smooth line.

For given breaks the heading of the model is linear in its curvatures, so that each grid point costs one projection.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import combinations_with_replacement

import numpy as np
from numpy.typing import NDArray

from wlmeasure.measure.parts import Shape
from wlmeasure.trace.spline import basis

__all__ = ["fine_basis", "first_guesses", "smooth_paths", "start_grid"]

Float64 = NDArray[np.float64]

STARTS = 3  # best starts of the grid search that are refined
APART = 0.1  # of the length: how far the breaks of two starts must differ
SMOOTH_POINTS = 72
WINDOW = 6  # steps of the smooth line over which its heading is taken


def smooth_paths(x: Float64, y: Float64, spans: int) -> tuple[Float64, Float64, Float64]:
    """Least-squares cubic spline of each path with its end points kept, on the polyline's own length.

    Returns
    -------
    fine (K, SMOOTH_POINTS + 1) complex, at equal steps; its length (K,); the spline at the points (K, N) complex
    """
    points = x + 1j * y
    along = np.cumsum(np.abs(np.diff(points, axis=1)), axis=1)
    t = np.concatenate([np.zeros((len(x), 1)), along / along[:, -1:]], axis=1)
    matrix = basis(t.ravel(), spans).reshape(*t.shape, spans + 3)
    inner = matrix[..., 1:-1]
    first, last = points[:, :1], points[:, -1:]
    target = points - matrix[..., 0] * first - matrix[..., -1] * last
    across = inner.transpose(0, 2, 1)
    # A trace of light damping keeps spans without a point from swinging.
    normal = across @ inner + 1e-9 * x.shape[1] * np.eye(spans + 1)
    both = across @ np.stack([target.real, target.imag], axis=-1)
    solved = np.linalg.solve(normal, both)
    coefficients = np.concatenate([first, solved[..., 0] + 1j * solved[..., 1], last], axis=1)
    fine = coefficients @ fine_basis(spans).T
    at_points = (matrix @ coefficients[..., None])[..., 0]
    return fine, np.abs(np.diff(fine, axis=1)).sum(axis=1), at_points


@lru_cache(maxsize=32)
def fine_basis(spans: int) -> Float64:
    return basis(np.linspace(0.0, 1.0, SMOOTH_POINTS + 1), spans)


@lru_cache(maxsize=8)
def start_grid(shape: Shape) -> tuple[Float64, Float64, Float64]:
    """Break positions of the grid search as shares of the length (C, breaks), orthonormal ramps (C, arcs, M) of the heading
    with the constant taken out, and what turns their coefficients into curvatures (C, arcs, arcs).
    """
    arcs, tail = shape
    middle = (np.arange(SMOOTH_POINTS + 1 - WINDOW) + 0.5 * WINDOW) / SMOOTH_POINTS
    nodes = np.linspace(0.0, 1.0, 13 if arcs == 1 else 9)
    breaks = np.array(list(combinations_with_replacement(nodes, 2 * arcs if tail else 2 * arcs - 1)))
    ends = breaks if tail else np.column_stack([breaks, np.ones(len(breaks))])
    low, high = ends[:, ::2], ends[:, 1::2]
    wide = np.all(high - low > 0.04, axis=1)
    breaks, low, high = breaks[wide], low[wide], high[wide]
    ramps = np.clip(middle - low[..., None], 0.0, (high - low)[..., None])
    ramps -= ramps.mean(axis=2, keepdims=True)
    q, r = np.linalg.qr(ramps.transpose(0, 2, 1))
    sound = np.abs(r[:, np.arange(arcs), np.arange(arcs)]).min(axis=1) > 1e-6
    breaks, q, r = breaks[sound], q[sound], r[sound]
    return breaks, np.ascontiguousarray(q.transpose(0, 2, 1)), np.linalg.inv(r)


def first_guesses(fine: Float64, total: Float64, shape: Shape) -> Float64:
    """Best starts of a grid search over break positions, heading and curvatures by linear least squares: (K, S, P)."""
    arcs, tail = shape
    run = fine[:, WINDOW:] - fine[:, :-WINDOW]
    # Unwrapped by the turn from step to step.
    turn = np.angle(run[:, 1:] * run[:, :-1].conj())
    heading = np.angle(run[:, :1]) + np.concatenate([np.zeros((len(run), 1)), np.cumsum(turn, axis=1)], axis=1)
    mean = heading.mean(axis=1)
    if arcs == 0:
        return np.stack([mean, np.zeros(len(mean))], axis=1)[:, None]
    breaks, ramps, back = start_grid(shape)
    rows = len(ramps)
    coefficients = ((heading - mean[:, None]) @ ramps.reshape(rows * arcs, -1).T).reshape(-1, rows, arcs)
    gain = np.einsum("kca,kca->kc", coefficients, coefficients)
    starts = []
    each = np.arange(len(gain))
    for _ in range(STARTS):
        best = gain.argmax(axis=1)
        curvature = np.einsum("kab,kb->ka", back[best], coefficients[each, best]) / total[:, None]
        at = breaks[best]
        low = at[:, ::2]
        high = at[:, 1::2] if tail else np.column_stack([at[:, 1::2], np.ones(len(at))])
        middle = (np.arange(heading.shape[1]) + 0.5 * WINDOW) / SMOOTH_POINTS
        ramp = np.clip(middle - low[..., None], 0.0, (high - low)[..., None]).mean(axis=2)
        begin = mean - np.einsum("ka,ka->k", curvature, ramp) * total
        starts.append(np.column_stack([begin, np.zeros(len(begin)), curvature, at * total[:, None]]))
        # Neighbours on the grid lead to one minimum: the starts lie apart.
        near = np.abs(breaks[None] - at[:, None]).max(axis=2) <= APART
        gain = np.where(near, -1.0, gain)
    return np.stack(starts, axis=1)
