"""Levenberg-Marquardt of many paths in lock-step: each goes its own way, and leaves when it has settled."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wlmeasure.measure.parts import Desk, Loss, Shape, equations

__all__ = ["refine"]

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


def ordered(theta: Float64, total: Float64, shape: Shape) -> Float64:
    """Breaks in their order and on the path, curvatures and turns within what a canal can have."""
    arcs = shape[0]
    limit = (SHARPEST / total)[:, None]
    np.clip(theta[:, 2 : 2 + arcs], -limit, limit, out=theta[:, 2 : 2 + arcs])
    breaks = theta[:, 2 + arcs :]
    np.maximum(breaks, 0.0, out=breaks)
    np.minimum(np.maximum.accumulate(breaks, axis=1), total[:, None], out=breaks)
    for arc in range(arcs):
        longest = MOST_TURN / np.maximum(np.abs(theta[:, 2 + arc]), 1e-12)
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

    Returns
    -------
    theta (K, P), loss (K,), normal matrix (K, P, P)
    """
    arcs = shape[0]
    theta = ordered(theta.copy(), total, shape)
    count, size = theta.shape
    active = np.arange(count)
    desk = Desk(count, points.shape[2], shape)
    cost, normal, gradient = equations(points, theta, shape, loss, active, desk)
    best_normal = normal.copy()
    best_cost = cost.copy()
    damping = np.full(count, 1e-3)
    refused = np.zeros(count, bool)
    now, here, here_total = theta.copy(), points, total
    diagonal = np.arange(size)
    for _ in range(iterations):
        # Breaks that stand at an end of the path and would leave it stay, the others move on without them.
        held = np.zeros((len(active), size), bool)
        breaks, slope = now[:, 2 + arcs :], gradient[:, 2 + arcs :]
        held[:, 2 + arcs :] = ((breaks <= 0.0) & (slope > 0.0)) | ((breaks >= here_total[:, None]) & (slope < 0.0))
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
        trial = ordered(now - step, here_total, shape)
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
        trial_cost, trial_normal, trial_gradient = equations(here, trial, shape, loss, active, desk)
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
