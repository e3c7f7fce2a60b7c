"""Straight and circular parts in a row: distances of points from them, and the normal equations of their fit.

Everything here works on K paths of N points side by side, so that the cost of a call is shared. Parameters of a path are
theta = (heading, offset, curvatures, breaks): the model begins at offset across the heading from the first point, and
break 2k and 2k + 1 are the arc lengths where arc k begins and ends. Without a tail the last arc outlasts the path and its end
is no parameter.

No function of an angle is called per point: on which side of the normal at a joint a point lies is the sign of one
coordinate, and the distance from a circle needs a root only. All derivatives of the distance from one part are linear
combinations of at most four numbers per point, so the normal equations follow from the moments of those numbers.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["Desk", "Loss", "Shape", "chord", "distances", "equations", "feet", "slopes"]

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


class _Part:
    """One part of K models: the frame at its beginning, and how that frame moves and turns with each parameter."""

    __slots__ = ("bend", "curvature", "direction", "moves", "origin", "turns")

    def __init__(
        self, origin: Complex, direction: Complex, moves: Complex, turns: Float64, curvature: Float64 | None, bend: int
    ) -> None:
        self.origin, self.direction, self.moves, self.turns = origin, direction, moves, turns
        self.curvature, self.bend = curvature, bend


def _parts(theta: Float64, shape: Shape) -> list[_Part]:
    arcs = shape[0]
    count, size = theta.shape
    direction = np.exp(1j * theta[:, 0])
    normal = 1j * direction
    origin = normal * theta[:, 1]
    moves = np.zeros((count, size), np.complex128)
    turns = np.zeros((count, size))
    moves[:, 0], moves[:, 1], turns[:, 0] = 1j * origin, normal, 1.0
    parts = []
    begin = np.zeros(count)
    last = _last_part(shape)
    for part in range(last + 1):
        curved = part % 2 == 1
        bend = 2 + part // 2
        curvature = theta[:, bend] if curved else None
        parts.append(_Part(origin, direction, moves, turns, curvature, bend))
        if part == last:
            break
        end = theta[:, 2 + arcs + part]
        span = end - begin
        # Everything behind this part moves with its beginning, and when its curvature or one of its ends changes.
        if curvature is None:
            step, after = span * direction, direction
            moves = moves + turns * (1j * step)[:, None]
            turns = turns.copy()
            moves[:, 2 + arcs + part] += after
            if part:
                moves[:, 1 + arcs + part] -= after
        else:
            step = chord(curvature, span) * direction
            after = direction * np.exp(1j * curvature * span)
            moves = moves + turns * (1j * step)[:, None]
            turns = turns.copy()
            moves[:, bend] += 1j * direction * moment(curvature, span)
            turns[:, bend] += span
            moves[:, 2 + arcs + part] += after
            turns[:, 2 + arcs + part] += curvature
            moves[:, 1 + arcs + part] -= after
            turns[:, 1 + arcs + part] -= curvature
        origin, direction, begin = origin + step, after, end
    return parts


def _last_part(shape: Shape) -> int:
    return 2 * shape[0] - int(shape[0] > 0 and not shape[1])


class Desk:
    """Arrays for the numbers per point, used again in every step.

    Fresh ones cost three times the arithmetic: the system hands out and takes back their memory each time.
    """

    def __init__(self, count: int, points: int, shape: Shape) -> None:
        parts = _last_part(shape) + 1
        self.coordinates = np.empty((count, 2 * parts, points))
        self.root = np.empty((parts, count, points))
        self.owned = np.empty((parts, count, points), bool)
        self.residual = np.empty((count, points))
        self.spare = np.empty((3, count, points))
        self.values = np.empty((count, 5, points))


def _place(points: Float64, parts: list[_Part], desk: Desk) -> Float64:
    """Coordinates of all points in the frame of each part, who owns them, and their signed distances (K, N)."""
    count = len(points)
    frames = np.empty((count, 2 * len(parts), 3))
    for index, part in enumerate(parts):
        c, s, origin = part.direction.real, part.direction.imag, part.origin * part.direction.conjugate()
        frames[:, 2 * index, 0], frames[:, 2 * index, 1], frames[:, 2 * index, 2] = c, s, -origin.real
        frames[:, 2 * index + 1, 0], frames[:, 2 * index + 1, 1], frames[:, 2 * index + 1, 2] = -s, c, -origin.imag
    coordinates = np.matmul(frames, points, out=desk.coordinates[:count])
    residual, one, two = desk.residual[:count], *desk.spare[:2, :count]
    residual[...] = coordinates[:, 1]
    for index, part in enumerate(parts):
        owned = desk.owned[index, :count]
        if not index:
            owned[...] = True
            continue
        u, v = coordinates[:, 2 * index], coordinates[:, 2 * index + 1]
        before = desk.owned[index - 1, :count]
        np.greater(u, 0.0, out=owned)
        owned &= before
        before ^= owned
        if part.curvature is None:
            np.copyto(residual, v, where=owned)
            continue
        # From a circle of curvature c through the origin, exact also as c goes to 0:
        # (2 v - c (u u + v v)) / (1 + root), root = hypot(1 - c v, c u).
        bend = part.curvature[:, None]
        root = desk.root[index, :count]
        np.multiply(u, u, out=one)
        np.multiply(v, v, out=two)
        one += two
        one *= bend
        np.multiply(v, 2.0, out=two)
        np.subtract(two, one, out=two)  # 2 v - c (u u + v v), which is also (1 - root squared) / c
        np.multiply(two, -bend, out=root)
        root += 1.0
        np.maximum(root, 1e-12, out=root)  # a point at the very centre has no direction
        np.sqrt(root, out=root)
        np.add(root, 1.0, out=one)
        two /= one
        np.copyto(residual, two, where=owned)
    return residual


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
    return _place(points, _parts(theta, shape), Desk(len(points), points.shape[2], shape))


def _rows(index: int, part: _Part, desk: Desk, count: int) -> tuple[Float64, Float64]:
    """Two or four numbers per point (K, rows, N) and how the derivatives of the distance from `part` combine them
    (K, rows, P); one more row is free for the distance itself.
    """
    u, v = desk.coordinates[:count, 2 * index], desk.coordinates[:count, 2 * index + 1]
    size = part.turns.shape[1]
    local = part.moves * part.direction.conjugate()[:, None]
    if part.curvature is None:
        # The distance is v: it falls as the frame moves across, and as it turns by what lies along.
        rows = desk.values[:count, :3]
        rows[:, 0] = 1.0
        rows[:, 1] = u
        columns = np.empty((count, 2, size))
        np.negative(local.imag, out=columns[:, 0])
        np.negative(part.turns, out=columns[:, 1])
        return rows, columns
    rows, one, two = desk.values[:count], *desk.spare[1:, :count]
    bend, root = part.curvature[:, None], desk.root[index, :count]
    along, across = rows[:, 0], rows[:, 1]  # the normal at the foot: (-c u, 1 - c v) / root
    np.multiply(v, -bend, out=across)
    across += 1.0
    across /= root
    np.multiply(u, -bend, out=along)
    along /= root
    # Turning the frame: along v - across u.
    np.multiply(along, v, out=rows[:, 2])
    np.multiply(across, u, out=one)
    rows[:, 2] -= one
    # The curvature's own: -(u u + v v + d h') / (1 + root), h' = (c (u u + v v) - v) / root.
    np.multiply(u, u, out=one)
    np.multiply(v, v, out=two)
    one += two
    np.multiply(one, bend, out=two)
    two -= v
    two /= root
    two *= desk.residual[:count]
    one += two
    np.add(root, 1.0, out=two)
    one /= two
    np.negative(one, out=rows[:, 3])
    columns = np.empty((count, 4, size))
    np.negative(local.real, out=columns[:, 0])
    np.negative(local.imag, out=columns[:, 1])
    columns[:, 2] = part.turns
    columns[:, 3] = 0.0
    columns[:, 3, part.bend] = 1.0
    return rows, columns


def slopes(points: Float64, theta: Float64, shape: Shape) -> tuple[Float64, Float64]:
    """Distances (K, N) and their derivatives (K, N, P)."""
    count = len(points)
    desk = Desk(count, points.shape[2], shape)
    parts = _parts(theta, shape)
    residual = _place(points, parts, desk)
    out = np.zeros((count, points.shape[2], theta.shape[1]))
    for index, part in enumerate(parts):
        rows, columns = _rows(index, part, desk, count)
        out += desk.owned[index][..., None] * (rows[:, :-1].transpose(0, 2, 1) @ columns)
    return residual, out


def equations(
    points: Float64, theta: Float64, shape: Shape, loss: Loss | None, which: NDArray[np.intp], desk: Desk
) -> tuple[Float64, Float64, Float64]:
    """Loss (K,), normal matrix (K, P, P) and gradient (K, P) of the weighted least squares at `theta`.

    `loss` gives from the distances (K, N) of the paths `which` their loss (K,) and the points' weights (K, N); None is least
    squares.
    """
    parts = _parts(theta, shape)
    residual = _place(points, parts, desk)
    count, size = theta.shape
    normal = np.zeros((count, size, size))
    gradient = np.zeros((count, size))
    cost = np.zeros(count)
    scale = desk.spare[0, :count]
    root_weight = None
    if loss is not None:
        cost, weight = loss(residual, which)
        root_weight = np.sqrt(weight)
    for index, part in enumerate(parts):
        if root_weight is None:
            scale[...] = desk.owned[index, :count]
        else:
            np.multiply(root_weight, desk.owned[index, :count], out=scale)
        rows, columns = _rows(index, part, desk, count)
        rows[:, -1] = residual
        rows *= scale[:, None]
        moments = rows @ rows.transpose(0, 2, 1)
        turned = columns.transpose(0, 2, 1)
        normal += turned @ moments[:, :-1, :-1] @ columns
        gradient += (turned @ moments[:, :-1, -1:])[..., 0]
        if loss is None:
            cost += moments[:, -1, -1]
    return cost, normal, gradient


def feet(points: Float64, theta: Float64, shape: Shape) -> Float64:
    """Arc-length position of the foot of one point of each path: points (K, 3, 1) -> (K,)."""
    parts = _parts(theta, shape)
    desk = Desk(len(points), 1, shape)
    _place(points, parts, desk)
    out = desk.coordinates[:, 0, 0].copy()
    for index, part in enumerate(parts[1:], 1):
        u, v = desk.coordinates[:, 2 * index, 0], desk.coordinates[:, 2 * index + 1, 0]
        if part.curvature is not None:
            small = np.abs(part.curvature) < SMALL_CURVATURE
            bend = np.where(small, SMALL_CURVATURE, part.curvature)
            u = np.where(small, u, np.arctan2(bend * u, 1.0 - bend * v) / bend)
        out = np.where(desk.owned[index, :, 0], theta[:, 1 + shape[0] + index] + u, out)
    return out
