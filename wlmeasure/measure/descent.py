"""Levenberg-Marquardt of many paths in lock-step: each goes its own way, and leaves when it has settled."""

from __future__ import annotations

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.measure.parts import Loss, Shape, equations

__all__ = ["Tie", "refine"]

Float64 = NDArray[np.float64]

# Length of a path over the smallest radius looked for: 0.8 mm on 12 mm; the sharpest published bend is 2 mm (Schaefer et al.,
# J Endod 2002;28:211-216, abstract). Without it a far last point is taken for a hook.
SHARPEST = 15.0
# Our parameter: the largest published bend is 75 degrees (the same source). A straight path fits as well with a whole loop in
# it that no point lies on, 10 mm longer, where none is forbidden.
MOST_TURN = 2.0 * np.pi / 3.0
ITERATIONS = 200  # a few paths need so many; the others have left by then
SETTLED = 1e-8  # of the sum of squares: a step that promises less (a thousandth of a standard deviation) is the last
GIVE_UP = 1e8  # damping at which no step is left to try


@frozen(eq=False)
class Tie:
    """Fewer parameters than a chain of arcs has: theta = matrix @ q, q = (heading, offset, curvatures, breaks).

    The curvature of each piece of q runs evenly from its first to its last value, `each` of them (1 or 2); in theta a piece is
    as many arcs as it takes. What is known beforehand is added to the loss: of the straight parts between two pieces, and of
    where the first begins and the last ends, `weight` (K, pieces + 1) times the square of how far each is from `at`.
    """

    matrix: Float64
    pieces: int
    each: int
    weight: Float64
    at: Float64


def ordered(theta: Float64, total: Float64, shape: Shape, tie: Tie | None = None) -> Float64:
    """Breaks in their order and on the path, curvatures and turns within what a canal can have."""
    arcs, each = (shape[0], 1) if tie is None else (tie.pieces, tie.each)
    limit = (SHARPEST / total)[:, None]
    curvatures = theta[:, 2 : 2 + arcs * each]
    np.clip(curvatures, -limit, limit, out=curvatures)
    if each == 2:  # a spiral turns one way
        for one in range(0, curvatures.shape[1], 2):
            pair = curvatures[:, one : one + 2]
            opposed = pair[:, 0] * pair[:, 1] < 0.0
            pair[np.abs(pair) < np.where(opposed, np.abs(pair).max(axis=1), 0.0)[:, None]] = 0.0
    breaks = theta[:, 2 + arcs * each :]
    np.maximum(breaks, 0.0, out=breaks)
    np.minimum(np.maximum.accumulate(breaks, axis=1), total[:, None], out=breaks)
    for arc in range(arcs):
        mean = curvatures[:, arc * each : (arc + 1) * each].mean(axis=1)
        longest = MOST_TURN / np.maximum(np.abs(mean), 1e-12)
        if 2 * arc + 1 < breaks.shape[1]:
            np.minimum(breaks[:, 2 * arc + 1], breaks[:, 2 * arc] + longest, out=breaks[:, 2 * arc + 1])
        else:  # an arc that runs to the end begins later
            np.maximum(breaks[:, 2 * arc], total - longest, out=breaks[:, 2 * arc])
    return theta


def refine(
    points: Float64,
    theta: Float64,
    total: Float64,
    shape: Shape,
    *,
    loss: Loss | None = None,
    fixed: NDArray[np.bool_] | None = None,
    iterations: int = ITERATIONS,
    tie: Tie | None = None,
) -> tuple[Float64, Float64, Float64]:
    """Levenberg-Marquardt of K problems in lock-step.

    Parameters
    ----------
    points : (K, 3, N)
        Rows x, y and 1 of each path, about its first point.
    theta : (K, P)
        Where to begin.
    total : (K,)
        Length of each path: no break leaves it.
    shape
        Which parts there are.
    loss
        See `parts.equations`.
    fixed : (P,) bool
        Parameters that stay.
    iterations
        Steps at most.
    tie
        Where given, `theta` and what is returned are its q.

    Returns
    -------
    theta (K, P), loss (K,), normal matrix (K, P, P)
    """
    first_break = 2 + (shape[0] if tie is None else tie.pieces * tie.each)
    theta = ordered(theta.copy(), total, shape, tie)
    count, size = theta.shape
    active = np.arange(count)
    cost, normal, gradient = _equations(points, theta, shape, loss, active, tie)
    best_normal = normal.copy()
    best_cost = cost.copy()
    damping = np.full(count, 1e-3)
    refused = np.zeros(count, bool)
    now, here, here_total = theta.copy(), points, total
    diagonal = np.arange(size)
    for _ in range(iterations):
        # Breaks that stand at an end of the path and would leave it stay, the others move on without them.
        held = np.zeros((len(active), size), bool)
        breaks, slope = now[:, first_break:], gradient[:, first_break:]
        held[:, first_break:] = ((breaks <= 0.0) & (slope > 0.0)) | ((breaks >= here_total[:, None]) & (slope < 0.0))
        if fixed is not None:
            held |= fixed
        free = ~held
        matrix = normal * free[:, None, :]
        matrix *= free[:, :, None]
        spread = matrix[:, diagonal, diagonal]
        matrix[:, diagonal, diagonal] = spread * (1.0 + damping[:, None]) + np.where(
            held, 1.0, 1e-12 + 1e-9 * damping[:, None]
        )
        pull = gradient * free
        step = np.linalg.solve(matrix, pull[..., None])[..., 0]
        promised = np.einsum("kp,kp->k", step, pull)
        trial = ordered(now - step, here_total, shape, tie)
        # Damping alone must not make a step look settled.
        going = (promised * (1.0 + damping) > SETTLED * cost + 1e-24) & (damping < GIVE_UP)
        if not going.all():
            done = ~going
            # A step this small is taken unseen; where damping grew out of bounds, no step helped.
            theta[active[done]] = np.where(damping[done, None] < GIVE_UP, trial[done], now[done])
            best_cost[active[done]], best_normal[active[done]] = cost[done], normal[done]
            active = active[going]
            if not len(active):
                return theta, best_cost, best_normal
            now, cost, normal, gradient, damping = (
                now[going],
                cost[going],
                normal[going],
                gradient[going],
                damping[going],
            )
            here, here_total, trial, refused = here[going], here_total[going], trial[going], refused[going]
        trial_cost, trial_normal, trial_gradient = _equations(here, trial, shape, loss, active, tie)
        better = trial_cost < cost
        now = np.where(better[:, None], trial, now)
        cost = np.where(better, trial_cost, cost)
        normal = np.where(better[:, None, None], trial_normal, normal)
        gradient = np.where(better[:, None], trial_gradient, gradient)
        # After a refusal the damping that helped stays for a step: in a bent valley every second step would be refused.
        damping *= np.where(better, np.where(refused, 1.0, 0.125), 5.0)
        refused = ~better
    theta[active], best_cost[active], best_normal[active] = now, cost, normal
    return theta, best_cost, best_normal


def _equations(
    points: Float64,
    theta: Float64,
    shape: Shape,
    loss: Loss | None,
    which: NDArray[np.intp],
    tie: Tie | None,
) -> tuple[Float64, Float64, Float64]:
    if tie is None:
        return equations(points, theta, shape, loss, which)
    cost, normal, gradient = equations(points, theta @ tie.matrix.T, shape, loss, which, tie.matrix)
    first = 2 + tie.pieces * tie.each
    for piece in range(1, tie.pieces):
        end, begin = first + 2 * piece - 1, first + 2 * piece
        weight = tie.weight[which, piece - 1]
        apart = theta[:, begin] - theta[:, end] - tie.at[which, piece - 1]
        cost = cost + weight * apart**2
        for one, sign in ((begin, 1.0), (end, -1.0)):
            gradient[:, one] += sign * weight * apart
            normal[:, one, one] += weight
        normal[:, begin, end] -= weight
        normal[:, end, begin] -= weight
    for k, column in ((-2, first), (-1, theta.shape[1] - 1)):
        weight = tie.weight[which, k]
        off = theta[:, column] - tie.at[which, k]
        cost = cost + weight * off**2
        gradient[:, column] += weight * off
        normal[:, column, column] += weight
    return cost, normal, gradient
