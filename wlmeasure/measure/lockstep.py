"""The least-squares fit of straight and circular parts, of many paths in lock-step; one path is a batch of one.

A start from a grid search over the breaks, Levenberg-Marquardt, and a correction where the straight apical part is nearly
lost in the noise. There the likelihood of the last break is skewed and its maximum often lies at the very end of the path,
which overstates the angle; the last break is then averaged over its profile, every place being as likely beforehand, and the
rest is fitted to it. Jeffreys' prior, which keeps the break away from the end, made the intervals of canals with less than half
a millimetre of straight part hold in 71 to 82 of 100, this one in 92 to 95 (300 paths of 20 and of 60 points, errors of 7.5 and
of 50 micrometres).
"""

from __future__ import annotations

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.measure.descent import refine
from wlmeasure.measure.parts import Loss, Shape, distances, feet, slopes
from wlmeasure.measure.starts import first_guesses, smooth_paths

__all__ = ["MAD_TO_STD", "Fits", "fit_paths", "inverse", "middle", "mixture", "small_sample", "thinned"]

Float64 = NDArray[np.float64]

FIRST_ROUND = {1: 6, 2: 40}  # steps that every start of one or two bends is given before the best goes on
COARSE = 32  # points, as means of neighbours, that the first round sees

# The correction of a short tail (our parameters).
SHORT_TAIL = 4.0  # standard uncertainties of the last break: a longer tail needs no correction
NODES = 12
NODE_STEPS = 8
COARSE_STD_MM = 2e-3  # points surer than this are seen one by one
SHORTEST_ARC = 0.1  # of the length behind the arc's begin

# Far points (our parameters): which share is expected, and how much larger their errors are.
OUTLIERS = 0.05
OUTLIER_STD = 8.0
WIDE_FIRST = (2.0, 1.0)  # times the scale: a wide mixture has fewer minima
ROUGH = 20  # steps that every start is given under each loss
ROBUST_SCALE = 1.5  # times the median distance from a smooth line: where the soft loss turns from square to linear
FAR = 3.0  # times that scale: not used for the smooth line
BETWEEN = 0.08  # our parameter: of the length, the straight part between two opposite bends, before anything is seen
CORRELATED_OVER = 4.0  # reaches of the correlation, beyond which it is less than 0.0004
MAD_TO_STD = 1.4826  # median distance to standard deviation of normal errors


@frozen(eq=False)
class Fits:
    """K fitted paths of one shape.

    Attributes
    ----------
    theta : (K, P)
        Heading, offset, curvatures, breaks, each path about its first point.
    length_mm : (K,)
        From the foot of the first to the foot of the last point.
    misfit_mm : (K,)
        Root mean square distance of the points.
    variance_mm2 : (K,)
        Variance of one point across the line.
    end_variance_mm2 : (K,)
        Variance of the last point along the line, where it ends the canal: larger where that point lies far off the line, since
        a point that was misplaced across the line was misplaced along it too.
    covariance : (K, P, P)
        Of theta; a break that stands at an end of the path has none.
    """

    theta: Float64
    length_mm: Float64
    misfit_mm: Float64
    variance_mm2: Float64
    end_variance_mm2: Float64
    covariance: Float64


def fit_paths(
    paths_mm: Float64,
    shape: Shape,
    *,
    std_mm: float = 0.0,
    correlation_mm: float = 0.0,
    robust: bool = False,
) -> Fits:
    """Fit one shape to K paths of N points.

    Parameters
    ----------
    paths_mm : (K, N, 2)
        Each with two different points or more.
    shape
        Arcs, and whether a straight part follows the last of them.
    std_mm, correlation_mm
        Standard uncertainty of a point across the line, and the length over which errors go together.
    robust
        Take some points for outliers, see `mixture`.
    """
    local = paths_mm - paths_mm[:, :1]
    points = np.stack([local[..., 0], local[..., 1], np.ones(local.shape[:2])], axis=1)
    count, _, size = points.shape
    loss: Loss | None = None
    if robust:
        theta, normal, variance, total, loss = _robust(points, shape, std_mm)
    else:
        fine, total, _ = smooth_paths(points[:, 0], points[:, 1], max(1, min(12, size // 3)))
        theta = _best_start(points, first_guesses(fine, total, shape), total, shape)
        theta, cost, normal = refine(points, theta, total, shape)
        variance = np.maximum(cost / max(1, size - theta.shape[1]), std_mm**2)
        if std_mm == 0.0:
            variance = variance * small_sample(np.float64(max(1, size - theta.shape[1])))
    white = inverse(_joined(normal, variance, total, shape)) * variance[:, None, None]
    covariance, inflation = white, np.ones(count)
    if correlation_mm > 0.0:
        covariance = _together(points, theta, total, shape, loss, correlation_mm, white) / variance[:, None, None]
        inflation = np.maximum(1.0, correlation_mm * (size - 1) / total)
        if shape[1] and shape[0]:
            last = np.maximum(white[:, -1, -1], 1e-300)
            inflation = np.where(white[:, -1, -1] > 0.0, covariance[:, -1, -1] / last, inflation)
    theta, covariance = _corrected(points, theta, covariance, total, shape, variance * inflation, loss)
    residual = distances(points, theta, shape)
    misfit = np.sqrt(np.mean(residual**2, axis=1))
    end = variance
    if loss is not None:
        astray = 1.0 - loss(residual, np.arange(count))[1][:, -1]
        end = variance * (1.0 + OUTLIER_STD**2 * astray)
    return Fits(theta, feet(points[:, :, -1:], theta, shape), misfit, variance, end, covariance)


def small_sample(freedom: Float64 | np.float64) -> Float64 | np.float64:
    """Square of Student's t over the normal quantile at 97.5 %, for a variance that is known from residuals alone.

    The first two terms of the expansion in 1 / freedom (Abramowitz & Stegun 26.7.5).
    """
    z = NORMAL_95
    t = z + (z**3 + z) / (4.0 * freedom) + (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / (96.0 * freedom**2)
    return (t / z) ** 2


def _together(
    points: Float64,
    theta: Float64,
    total: Float64,
    shape: Shape,
    loss: Loss | None,
    correlation_mm: float,
    white: Float64,
) -> Float64:
    """Covariance of the least-squares estimate when errors go together, with a Gaussian correlation of that integral length."""
    residual, jacobian = slopes(points, theta, shape)
    if loss is not None:
        jacobian *= loss(residual, np.arange(len(points)))[1][..., None]
    spacing = total / (points.shape[2] - 1)
    reach = correlation_mm / np.sqrt(2.0 * np.pi)
    turned = jacobian.transpose(0, 2, 1)
    inner = turned @ jacobian
    for lag in range(1, min(points.shape[2] - 1, int(CORRELATED_OVER * reach / spacing.min()) + 1) + 1):
        share = np.exp(-0.5 * (lag * spacing / reach) ** 2)
        pair = turned[:, :, lag:] @ jacobian[:, :-lag]
        inner += share[:, None, None] * (pair + pair.transpose(0, 2, 1))
    return np.asarray(white @ inner @ white, np.float64)


def _best_start(points: Float64, starts: Float64, total: Float64, shape: Shape) -> Float64:
    count, each, size = starts.shape
    if each == 1:
        return starts[:, 0]
    seen = thinned(points) if shape[0] == 1 else points
    rows = np.repeat(np.arange(count), each)
    theta, cost, _ = refine(seen[rows], starts.reshape(-1, size), total[rows], shape, iterations=FIRST_ROUND[shape[0]])
    # A straight path is also fitted by a line that runs backwards from its first point, with the bend where no point is.
    cost[feet(points[rows][:, :, -1:], theta, shape) < 0.5 * total[rows]] = np.inf
    best = cost.reshape(count, each).argmin(axis=1)
    return np.asarray(theta.reshape(count, each, size)[np.arange(count), best], np.float64)


def thinned(points: Float64) -> Float64:
    """Means of neighbours, where there are many points: nearly the same information for a fraction of the work."""
    size = points.shape[2]
    if size < 2 * COARSE:
        return points
    edges = (np.arange(COARSE + 1) * size) // COARSE
    return np.asarray(np.add.reduceat(points, edges[:-1], axis=2) / np.diff(edges), np.float64)


def _robust(points: Float64, shape: Shape, std_mm: float) -> tuple[Float64, Float64, Float64, Float64, Loss]:
    """Maximum likelihood under `mixture`, whose minima are many: from more starts, which a mild loss leads near first."""
    count, _, size = points.shape
    fine, total, scale = _stiff(points)
    starts = first_guesses(fine, total, shape)
    if size >= 8:  # a far point at an end bends the smooth line, which keeps its ends
        inner = points[:, :, 1:-1]
        starts = np.concatenate(
            [starts, first_guesses(*_stiff(inner - inner[:, :, :1] * [[1.0], [1.0], [0.0]])[:2], shape)], axis=1
        )
    each, width = starts.shape[1:]
    rows = np.repeat(np.arange(count), each)
    theta = starts.reshape(-1, width)
    mild, cost, _ = refine(points[rows], theta, total[rows], shape, loss=_soft(scale[rows]), iterations=ROUGH)
    best = mild.reshape(count, each, width)[np.arange(count), cost.reshape(count, each).argmin(axis=1)]
    floor = max(std_mm, 1e-9)
    sigma = np.maximum(MAD_TO_STD * middle(np.abs(distances(points, best, shape))), floor)
    # The mild loss is drawn to a far point at an end, so the starts themselves go on as well.
    theta = np.concatenate([mild, theta])
    rows = np.concatenate([rows, rows])
    for wide in WIDE_FIRST:
        theta, cost, _ = refine(
            points[rows], theta, total[rows], shape, loss=mixture(wide * sigma[rows]), iterations=ROUGH
        )
    cost[feet(points[rows][:, :, -1:], theta, shape) < 0.5 * total[rows]] = np.inf  # runs backwards
    # Every start goes all the way: with few points, dropping the poor ones early lost the right one in 1 of 400.
    best = theta[np.lexsort([cost, rows]).reshape(count, -1)[:, 0]]
    for _ in range(3):  # the scale and the fit in turn
        loss = mixture(sigma)
        best, _, normal = refine(points, best, total, shape, loss=loss)
        residual = distances(points, best, shape)
        weight = loss(residual, np.arange(count))[1]
        freedom = np.maximum(weight.sum(axis=1) - width, 1.0)
        sigma = np.maximum(np.sqrt(np.einsum("kn,kn->k", weight, residual**2) / freedom), floor)
    variance = sigma**2 if std_mm > 0.0 else sigma**2 * small_sample(freedom)
    return best, normal, variance, total, loss


def _soft(scale: Float64) -> Loss:
    """Soft-L1: 2 s^2 (sqrt(1 + (r/s)^2) - 1), square near the line and linear far off it."""

    def loss(residual: Float64, which: NDArray[np.intp]) -> tuple[Float64, Float64]:
        root = np.hypot(1.0, residual / scale[which, None])
        return 2.0 * scale[which] ** 2 * (root - 1.0).sum(axis=1), 1.0 / root

    return loss


def mixture(sigma: Float64) -> Loss:
    """Minus twice the logarithm of a likelihood in which a share of the points has far larger errors, times sigma squared.

    The weight of a point is the probability that it is none of them (and a little for being one).
    """

    def loss(residual: Float64, which: NDArray[np.intp]) -> tuple[Float64, Float64]:
        square = 0.5 * (residual / sigma[which, None]) ** 2
        near = (1.0 - OUTLIERS) * np.exp(-square)
        far = OUTLIERS / OUTLIER_STD * np.exp(-square / OUTLIER_STD**2)
        both = near + far + 1e-300
        peak = np.log(1.0 - OUTLIERS + OUTLIERS / OUTLIER_STD)
        cost = 2.0 * sigma[which] ** 2 * (peak - np.log(both)).sum(axis=1)
        return cost, (near + far / OUTLIER_STD**2) / both

    return loss


def middle(values: Float64) -> Float64:
    """Median of each row, near enough (np.median imports numpy.ma, 7 ms)."""
    half = values.shape[1] // 2
    return np.asarray(np.partition(values, half, axis=1)[:, half], np.float64)


def _stiff(points: Float64) -> tuple[Float64, Float64, Float64]:
    """A stiff smooth line, taken each time through the points that are not far off it (those are put on it instead).

    Returns
    -------
    fine (K, M) complex, its length (K,), scale of the soft loss (K,)
    """
    given = points[:, 0] + 1j * points[:, 1]
    near = given
    spans = max(1, min(5, points.shape[2] // 8))
    for _ in range(4):
        fine, total, _ = smooth_paths(near.real, near.imag, spans)
        apart = np.abs(given[:, :, None] - fine[:, None])
        foot = apart.argmin(axis=2)
        off = np.take_along_axis(apart, foot[..., None], axis=2)[..., 0]
        scale = ROBUST_SCALE * middle(off) + 1e-9
        near = np.where(off > FAR * scale[:, None], np.take_along_axis(fine, foot, axis=1), given)
    return fine, total, scale


def inverse(normal: Float64) -> Float64:
    """Inverse of each matrix; a parameter on which nothing depends gets zeros."""
    size = normal.shape[1]
    diagonal = np.einsum("kpp->kp", normal)
    dead = diagonal <= 1e-14 * diagonal.max(axis=1, keepdims=True)
    unit = np.where(dead, 0.0, 1.0 / np.sqrt(np.where(dead, 1.0, diagonal)))
    scaled = normal * unit[:, :, None] * unit[:, None, :] + np.eye(size) * (1e-12 + dead[:, None, :])
    return np.asarray(np.linalg.inv(scaled) * unit[:, :, None] * unit[:, None, :], np.float64)


def _joined(normal: Float64, variance: Float64, total: Float64, shape: Shape) -> Float64:
    """Normal matrices of two opposite arcs with what is known before of the straight part between them: that it is short.

    Where it is nothing, both of its ends turn the rest of the path about one place, and of each alone nothing would be known.
    """
    if shape[0] < 2:
        return normal
    size = normal.shape[1]
    end, begin = 5, 6
    apart = (np.arange(size) == begin).astype(float) - (np.arange(size) == end)
    known = variance / (BETWEEN * total) ** 2
    return np.asarray(normal + known[:, None, None] * np.outer(apart, apart), np.float64)


def _corrected(
    points: Float64,
    theta: Float64,
    covariance: Float64,
    total: Float64,
    shape: Shape,
    variance: Float64,
    loss: Loss | None,
) -> tuple[Float64, Float64]:
    """Estimate and covariance, with the last break averaged over its profile where the straight part behind it is short."""
    arcs, tail = shape
    if not arcs or not tail:
        return theta, covariance
    lost = theta[:, -1] >= total * (1.0 - 1e-9)
    last = covariance[:, -1, -1]
    # Where the last break is all but lost, rounding can leave its variance below zero: then nothing is known of it.
    known = ~lost & (last > 0.0)
    std = np.where(known, np.sqrt(np.where(known, last, 1.0)), np.inf)
    short = np.nonzero(total - theta[:, -1] < SHORT_TAIL * std)[0]
    if len(short):
        theta, covariance = theta.copy(), covariance.copy()
        # Means of neighbours on an arc lie inside it, by more than exact points are off.
        exact = variance[short] < COARSE_STD_MM**2
        for some, few in ((short[exact], False), (short[~exact], loss is None)):
            if len(some):
                theta[some], covariance[some] = _averaged(points, theta, std, total, shape, variance, loss, some, few)
    return theta, covariance


def _averaged(
    points: Float64,
    theta: Float64,
    std: Float64,
    total: Float64,
    shape: Shape,
    variance: Float64,
    loss: Loss | None,
    which: NDArray[np.intp],
    few: bool,
) -> tuple[Float64, Float64]:
    points, theta, std, total = points[which], theta[which], std[which], total[which]
    variance = np.maximum(variance[which], 1e-12)
    count, size = theta.shape
    fixed = np.arange(size) == size - 1
    rows = np.repeat(np.arange(count), NODES)
    each = np.arange(count)
    begin = theta[:, -2]
    lowest = begin + SHORTEST_ARC * (total - begin)
    low = np.maximum(lowest, np.where(np.isfinite(std), theta[:, -1] - 5.0 * std, lowest))
    high = np.where(np.isfinite(std), np.minimum(total, theta[:, -1] + 5.0 * std), total)
    many = (lambda residual, chosen: loss(residual, which[rows[chosen]])) if loss is not None else None
    one = (lambda residual, chosen: loss(residual, which[chosen])) if loss is not None else None
    started = np.repeat(theta[:, None], NODES, axis=1)
    seen = thinned(points) if few else points
    point_variance = variance * (seen.shape[2] / points.shape[2])
    for _ in range(2):  # on a coarse grid, then where the weight is
        nodes = low[:, None] + (high - low)[:, None] * np.linspace(0.0, 1.0, NODES)
        started[:, :, -1] = nodes
        found, cost, normal = refine(
            seen[rows], started.reshape(-1, size), total[rows], shape, loss=many, fixed=fixed, iterations=NODE_STEPS
        )
        ridge = 1e-12 * np.eye(size) * np.einsum("kpp->kp", normal).max(axis=1)[:, None, None] + 1e-300
        others = (normal + ridge)[:, :-1, :-1]
        height = (-0.5 * cost / point_variance[rows]).reshape(count, NODES)
        backwards = feet(points[rows][:, :, -1:], found, shape).reshape(count, NODES) < 0.5 * total[:, None]
        height = np.where(np.isfinite(height) & ~backwards, height, -1e300)
        weight = np.exp(height - height.max(axis=1, keepdims=True))
        weight[:, [0, -1]] *= 0.5
        weight /= weight.sum(axis=1, keepdims=True)
        mean = np.einsum("kn,kn->k", weight, nodes)
        spread = np.sqrt(np.einsum("kn,kn->k", weight, (nodes - mean[:, None]) ** 2))
        spread = np.maximum(spread, 0.5 * (high - low) / (NODES - 1))
        started = found.reshape(count, NODES, size)
        low, high = np.maximum(lowest, mean - 4.0 * spread), np.minimum(total, mean + 4.0 * spread)
        started_at = started
        started = started_at[each, weight.argmax(axis=1)][:, None].repeat(NODES, axis=1)
    average = np.einsum("kn,knp->kp", weight, started_at)
    off = started_at - average[:, None]
    covariance = np.einsum("kn,knp,knq->kpq", weight, off, off)
    inner = (np.linalg.inv(others) * point_variance[rows, None, None]).reshape(count, NODES, size - 1, size - 1)
    covariance[:, :-1, :-1] += np.einsum("kn,knpq->kpq", weight, inner)
    theta, _, _ = refine(points, average, total, shape, loss=one, fixed=fixed, iterations=NODE_STEPS)
    return theta, covariance
