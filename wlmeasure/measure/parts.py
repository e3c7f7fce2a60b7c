"""Straight and circular parts in a row: distances of points from them, and the normal equations of their fit.

Everything here works on K paths of N points side by side, so that the cost of a call is shared. Parameters of a path are
theta = (heading, offset, curvatures, breaks): the model begins at offset across the heading from the first point, and
break 2k and 2k + 1 are the arc lengths where arc k begins and ends. Without a tail the last arc outlasts the path and its end
is no parameter.

No function of an angle is called per point: on which side of the normal at a joint a point lies is the sign of one
coordinate, and the distance from a circle needs a root only. All derivatives of the distance from one part are linear
combinations of four numbers per point, so the normal equations follow from the moments of those numbers. Nothing is done part
by part: a chain of 17 costs hardly more calls than a bend of three.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

__all__ = ["Loss", "Shape", "chord", "distances", "equations", "feet", "slopes"]

Float64 = NDArray[np.float64]
Complex = NDArray[np.complex128]
Loss = Callable[[Float64, NDArray[np.intp]], tuple[Float64, Float64]]
Shape = tuple[int, bool]  # arcs, and whether a straight part follows the last of them

SMALL_CURVATURE = 1e-5  # per mm: below it the circle is a parabola to 1e-13 mm over 30 mm


def chord(curvature: Float64 | np.float64, along: Float64 | float) -> Complex:
    """Displacement after running `along` on circles (or lines) that start along the real axis."""
    small = np.abs(curvature) < SMALL_CURVATURE
    safe = np.where(small, 1.0, curvature)
    return np.where(small, along + 0.5j * curvature * along**2, (np.exp(1j * safe * along) - 1.0) / (1j * safe))


def moment(curvature: Float64, along: Float64) -> Complex:
    """Integral of t exp(i c t) from 0 to `along`: how the displacement grows with the curvature, over i."""
    small = np.abs(curvature) < SMALL_CURVATURE
    safe = np.where(small, 1.0, curvature)
    turned = np.exp(1j * safe * along)
    return np.where(
        small, 0.5 * along**2 + 1j * curvature * along**3 / 3.0, along * turned / (1j * safe) + (turned - 1.0) / safe**2
    )


@frozen(eq=False)
class _Chain:
    """The frames at the beginnings of the M parts of K models, and how they move and turn with each parameter.

    Attributes
    ----------
    origin, direction : (K, M) complex
    curvature : (K, M)
        0 of a straight part.
    moves : (K, M, P) complex
    turns : (K, M, P)
    """

    origin: Complex
    direction: Complex
    curvature: Float64
    moves: Complex
    turns: Float64


def _chain(theta: Float64, shape: Shape) -> _Chain:
    arcs = shape[0]
    count, size = theta.shape
    curvature = np.zeros((count, _last_part(shape) + 1))
    curvature[:, 1::2] = theta[:, 2 : 2 + arcs]
    span = np.diff(theta[:, 2 + arcs :], axis=1, prepend=0.0)
    bend = curvature[:, :-1]
    direction = np.exp(1j * (theta[:, :1] + _sums(bend * span)))
    step = chord(bend, span) * direction[:, :-1]
    first = 1j * direction[:, 0]  # the offset's own direction
    origin = (first * theta[:, 1])[:, None] + _sums(step)
    # Everything behind a part moves with its beginning, and when its curvature or one of its ends changes.
    part = np.arange(span.shape[1])
    later, arc = part[1:], part[1::2]
    turn = np.zeros((count, len(part), size))
    turn[:, part, 2 + arcs + part] = bend
    turn[:, later, 1 + arcs + later] = -bend[:, 1:]
    turn[:, arc, 2 + arc // 2] = span[:, arc]
    turns = _sums(turn)
    turns[:, :, 0] += 1.0
    move = turns[:, :-1] * (1j * step)[..., None]
    move[:, part, 2 + arcs + part] += direction[:, 1:]
    move[:, later, 1 + arcs + later] -= direction[:, 2:]
    move[:, arc, 2 + arc // 2] += 1j * direction[:, arc] * moment(bend[:, arc], span[:, arc])
    moves = _sums(move)
    moves[:, :, 0] += 1j * origin[:, :1]
    moves[:, :, 1] += first[:, None]
    return _Chain(origin, direction, curvature, moves, turns)


def _sums(values: Any) -> Any:
    """Of what comes before each part: (K, M - 1, ...) -> (K, M, ...)."""
    out = np.zeros((values.shape[0], values.shape[1] + 1, *values.shape[2:]), values.dtype)
    np.cumsum(values, axis=1, out=out[:, 1:])
    return out


def _last_part(shape: Shape) -> int:
    return 2 * shape[0] - int(shape[0] > 0 and not shape[1])


@frozen(eq=False)
class _Placed:
    """Every point in the frame of the part it lies beside: that part, coordinates along (u) and across (v), the part's
    curvature, the distance of the point from the circle's centre in radii, and its signed distance from the part; all (K, N).
    """

    part: NDArray[np.intp]
    u: Float64
    v: Float64
    curvature: Float64
    root: Float64
    square: Float64
    residual: Float64


def _place(points: Float64, chain: _Chain) -> _Placed:
    direction, origin, curvature = chain.direction, chain.origin, chain.curvature
    along = (origin * direction.conj()).real
    frames = np.stack([direction.real, direction.imag, -along], axis=2)[:, 1:]
    # A point lies beside the last part whose beginning, and that of each part before, it has passed.
    passed = frames @ points > 0.0
    part = np.logical_and.accumulate(passed, axis=1).sum(axis=1)
    rows = np.arange(len(points))[:, None]
    local = (points[:, 0] + 1j * points[:, 1] - origin[rows, part]) * direction.conj()[rows, part]
    u, v, bend = local.real, local.imag, curvature[rows, part]
    square = u * u + v * v
    # From a circle of curvature c through the origin, exact also as c goes to 0:
    # (2 v - c (u u + v v)) / (1 + root), root = hypot(1 - c v, c u).
    twice = 2.0 * v - bend * square  # which is also (1 - root squared) / c
    root = np.sqrt(np.maximum(1.0 - bend * twice, 1e-12))  # a point at the very centre has no direction
    return _Placed(part, u, v, bend, root, square, twice / (1.0 + root))


def distances(points: Float64, theta: Float64, shape: Shape) -> Float64:
    """Signed distance of every point from its path's model, each measured from the part it lies beside.

    Parameters
    ----------
    points : (K, 3, N)
        Rows x, y and 1 of each path, about its first point.
    theta : (K, P)
        Parameters.
    shape
        Which parts there are.

    Returns
    -------
    (K, N) float64
    """
    return _place(points, _chain(theta, shape)).residual


def _rows(placed: _Placed) -> Float64:
    """Four numbers per point (K, 5, N), and the distance, which the derivatives of the distance are combined from."""
    u, v, bend, root = placed.u, placed.v, placed.curvature, placed.root
    rows = np.empty((len(u), 5, u.shape[1]))
    # The normal at the foot: (-c u, 1 - c v) / root; turning the frame: along v - across u.
    along, across = rows[:, 0], rows[:, 1]
    np.divide(-bend * u, root, out=along)
    np.divide(1.0 - bend * v, root, out=across)
    np.subtract(along * v, across * u, out=rows[:, 2])
    # The curvature's own: -(u u + v v + d h') / (1 + root), h' = (c (u u + v v) - v) / root.
    own = placed.square + placed.residual * (bend * placed.square - v) / root
    np.divide(-own, 1.0 + root, out=rows[:, 3])
    rows[:, 4] = placed.residual
    return rows


def _columns(chain: _Chain) -> Float64:
    """How the derivatives of the distances from each part combine the first four of `_rows`, (K, M, 4, P)."""
    local = chain.moves * chain.direction.conj()[..., None]
    count, parts, size = local.shape
    columns = np.zeros((count, parts, 4, size))
    np.negative(local.real, out=columns[:, :, 0])
    np.negative(local.imag, out=columns[:, :, 1])
    columns[:, :, 2] = chain.turns
    arc = np.arange(1, parts, 2)
    columns[:, arc, 3, 2 + arc // 2] = 1.0
    return columns


def slopes(points: Float64, theta: Float64, shape: Shape) -> tuple[Float64, Float64]:
    """Distances (K, N) and their derivatives (K, N, P)."""
    chain = _chain(theta, shape)
    placed = _place(points, chain)
    columns = _columns(chain)[np.arange(len(theta))[:, None], placed.part]
    return placed.residual, np.einsum("krn,knrp->knp", _rows(placed)[:, :4], columns)


def equations(
    points: Float64,
    theta: Float64,
    shape: Shape,
    loss: Loss | None,
    which: NDArray[np.intp],
    matrix: Float64 | None = None,
) -> tuple[Float64, Float64, Float64]:
    """Loss (K,), normal matrix (K, P, P) and gradient (K, P) of the weighted least squares at `theta`.

    `loss` gives from the distances (K, N) of the paths `which` their loss (K,) and the points' weights (K, N); None is least
    squares. With `matrix` (P, Q) the parameters are the Q numbers that it makes theta of.
    """
    chain = _chain(theta, shape)
    placed = _place(points, chain)
    rows = _rows(placed)
    columns = _columns(chain)
    if matrix is not None:
        columns = columns @ matrix
    count, parts, _, size = columns.shape
    beside = (np.arange(parts)[:, None] == placed.part[:, None]).astype(np.float64)
    cost = None
    if loss is not None:
        cost, weight = loss(placed.residual, which)
        beside *= weight[:, None]
    weighted = beside[:, :, None] * rows[:, None]
    moments = (weighted.reshape(count, 5 * parts, -1) @ rows.transpose(0, 2, 1)).reshape(count, parts, 5, 5)
    flat = columns.reshape(count, 4 * parts, size).transpose(0, 2, 1)
    normal = flat @ (moments[:, :, :4, :4] @ columns).reshape(count, 4 * parts, size)
    gradient = (flat @ moments[:, :, :4, 4].reshape(count, 4 * parts, 1))[..., 0]
    return (moments[:, :, 4, 4].sum(axis=1) if cost is None else cost), normal, gradient


def feet(points: Float64, theta: Float64, shape: Shape) -> Float64:
    """Arc-length position of the foot of one point of each path: points (K, 3, 1) -> (K,)."""
    placed = _place(points, _chain(theta, shape))
    u, bend = placed.u[:, 0], placed.curvature[:, 0]
    small = np.abs(bend) < SMALL_CURVATURE
    safe = np.where(small, SMALL_CURVATURE, bend)
    u = np.where(small, u, np.arctan2(safe * u, 1.0 - safe * placed.v[:, 0]) / safe)
    begins = np.concatenate([np.zeros((len(theta), 1)), theta[:, 2 + shape[0] :]], axis=1)
    return np.asarray(begins[np.arange(len(theta)), placed.part[:, 0]] + u, np.float64)
