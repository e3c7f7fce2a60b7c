"""The fit of a single bend to many paths, compiled: what `lockstep.fit_paths` does by least squares, one path after another.

Needs numba, which the package does not install by itself; nothing but `batch.fit_many(..., compiled=True)` imports this module.
Step by step the same method with the same constants, written for one path in plain numbers, so that nothing is stored between
the steps and all processors work; a test holds it equal to the arrays of `lockstep`.
"""

from __future__ import annotations

import numba
import numpy as np
from numpy.typing import NDArray

from wlmeasure.measure.descent import GIVE_UP, ITERATIONS, MOST_TURN, SETTLED, SHARPEST
from wlmeasure.measure.lockstep import COARSE, COARSE_STD_MM, FIRST_ROUND, NODE_STEPS, NODES, SHORT_TAIL, SHORTEST_ARC
from wlmeasure.measure.parts import SMALL_CURVATURE
from wlmeasure.measure.starts import APART, SMOOTH_POINTS, STARTS, WINDOW, fine_basis, start_grid

__all__ = ["fit_bends", "use_threads"]

Float64 = NDArray[np.float64]

FIRST_STEPS = FIRST_ROUND[1]
STEP = 1e-6  # of the central differences of the angles: mm, rad and 1/mm alike
# Sums may be taken in any order; nothing is said about values that are not finite, which the caller has refused.
kernel = numba.njit(cache=True, fastmath={"reassoc", "contract", "arcp", "nsz"}, error_model="numpy")


def fit_bends(paths_mm: Float64, *, tail: bool, std_mm: float, small_sample: float) -> Float64:
    """Fit line-arc(-line) to K paths of N points by least squares of independent errors.

    Parameters
    ----------
    paths_mm : (K, N, 2)
        Each with two different points or more.
    tail
        Whether a straight part may follow the arc.
    std_mm
        Standard uncertainty of a point; 0 takes it from the residuals.
    small_sample
        Factor of the variance that is had from the residuals alone.

    Returns
    -------
    (12, K) float64
        In the order of the fields of `BendEstimates`.
    """
    spans = max(1, min(12, paths_mm.shape[1] // 3))
    breaks, ramps, back = start_grid((1, tail))
    out = np.empty((len(paths_mm), 12))
    _fit_all(
        np.ascontiguousarray(paths_mm),
        tail,
        std_mm,
        small_sample,
        fine_basis(spans),
        breaks,
        np.ascontiguousarray(ramps[:, 0]),
        np.ascontiguousarray(back[:, 0, 0]),
        out,
    )
    return out.T


def use_threads(count: int) -> None:
    """Use so many processors from here on, and no more than there are: several processes share them."""
    numba.set_num_threads(max(1, min(count, numba.config.NUMBA_NUM_THREADS)))


@kernel
def _chord(c: float, run: float) -> tuple[float, float]:
    if abs(c) < SMALL_CURVATURE:
        return run, 0.5 * c * run * run
    return np.sin(c * run) / c, (1.0 - np.cos(c * run)) / c


@kernel
def _equations(x, y, theta, size, normal, gradient):  # type: ignore[no-untyped-def]
    """Sum of squares; normal matrix and gradient are filled. `size` is 5 with a tail, 4 without."""
    cos_h, sin_h = np.cos(theta[0]), np.sin(theta[0])
    offset, c, b = theta[1], theta[2], theta[3]
    tail = size == 5
    run = theta[4] - b if tail else 0.0
    end_u, end_v = _chord(c, run)
    cos_t, sin_t = np.cos(c * run), np.sin(c * run)
    fn = fu = fuu = fv = fuv = 0.0  # sums over the first and the last straight part
    ln = lu = luu = lv = luv = 0.0
    cost = 0.0
    hh = ho = hc = hb = oo = oc = ob = cc = cb = bb = 0.0
    rh = ro = rc = rb = 0.0
    # Every point is looked at as one of the arc and of both straight parts, and counts by weights of 0 and 1: without a branch
    # the processor takes several points at once.
    for i in range(len(x)):
        u0 = cos_h * x[i] + sin_h * y[i]
        v = cos_h * y[i] - sin_h * x[i] - offset
        u = u0 - b
        along, beyond = u - end_u, v - end_v
        past = cos_t * along + sin_t * beyond
        behind = 1.0 if u > 0.0 else 0.0
        last = (behind if past > 0.0 else 0.0) if tail else 0.0
        first, middle = 1.0 - behind, behind - last
        square = u * u + v * v
        twice = 2.0 * v - c * square
        inside = 1.0 - c * twice
        root = np.sqrt(inside if inside > 1e-12 else 1e-12)
        under, over = middle / root, 1.0 / (1.0 + root)
        d = twice * over
        # Derivatives by the heading, the offset (-by_o), the curvature and the arc's beginning (-by_b).
        by_b, by_o = -c * u * under, (1.0 - c * v) * under
        by_h = (offset + v) * by_b - u0 * by_o
        by_c = -(middle * square + (c * square - v) * under * d) * over
        d *= middle
        hh += by_h * by_h
        ho -= by_h * by_o
        hc += by_h * by_c
        hb -= by_h * by_b
        oo += by_o * by_o
        oc -= by_o * by_c
        ob += by_o * by_b
        cc += by_c * by_c
        cb -= by_c * by_b
        bb += by_b * by_b
        rh += by_h * d
        ro -= by_o * d
        rc += by_c * d
        rb -= by_b * d
        first_u, first_v = first * u0, first * v
        fn += first
        fu += first_u
        fuu += first_u * u0
        fv += first_v
        fuv += first_v * u0
        last_u, last_v = last * past, last * (cos_t * beyond - sin_t * along)
        ln += last
        lu += last_u
        luu += last_u * past
        lv += last_v
        luv += last_v * past
        cost += d * d + first_v * v + last_v * last_v
    # On the first straight part the distance falls by 1 with the offset, by u with the heading.
    normal[0, 0], normal[0, 1], normal[0, 2], normal[0, 3] = hh + fuu, ho + fu, hc, hb
    normal[1, 1], normal[1, 2], normal[1, 3] = oo + fn, oc, ob
    normal[2, 2], normal[2, 3], normal[3, 3] = cc, cb, bb
    gradient[0], gradient[1], gradient[2], gradient[3] = rh - fuv, ro - fv, rc, rb
    if tail:
        for j in range(5):
            normal[j, 4] = 0.0
        gradient[4] = 0.0
        # The last straight part: the distance falls by `move` across it, and by u with `turned`.
        if abs(c) < SMALL_CURVATURE:
            moment_u, moment_v = 0.5 * run * run, c * run * run * run / 3.0
        else:
            moment_u = run * sin_t / c + (cos_t - 1.0) / (c * c)
            moment_v = -run * cos_t / c + sin_t / (c * c)
        swing = cos_t * (b + end_u) + sin_t * (offset + end_v)
        move = (swing, cos_t, cos_t * moment_u + sin_t * moment_v, -sin_t, 0.0)
        turned = (1.0, 0.0, run, -c, c)
        for j in range(5):
            gradient[j] -= move[j] * lv + turned[j] * luv
            by_move, by_turn = move[j] * ln + turned[j] * lu, move[j] * lu + turned[j] * luu
            for k in range(j, 5):
                normal[j, k] += by_move * move[k] + by_turn * turned[k]
    for j in range(size):
        for k in range(j):
            normal[j, k] = normal[k, j]
    return cost


@kernel
def _factor(a, size):  # type: ignore[no-untyped-def]
    """Cholesky factor in place of the lower triangle; false where the matrix is not positive."""
    for j in range(size):
        for k in range(j + 1):
            total = a[j, k]
            for i in range(k):
                total -= a[j, i] * a[k, i]
            if j == k:
                if not total > 0.0:
                    return False
                a[j, j] = np.sqrt(total)
            else:
                a[j, k] = total / a[k, k]
    return True


@kernel
def _solve(a, x, size):  # type: ignore[no-untyped-def]
    for j in range(size):
        for i in range(j):
            x[j] -= a[j, i] * x[i]
        x[j] /= a[j, j]
    for back in range(size):
        j = size - 1 - back
        for i in range(j + 1, size):
            x[j] -= a[i, j] * x[i]
        x[j] /= a[j, j]


@kernel
def _invert(a, size, scale, out, desk):  # type: ignore[no-untyped-def]
    """`scale` times the inverse of a symmetric matrix; a parameter on which nothing depends gets zeros."""
    largest = 0.0
    for j in range(size):
        largest = max(largest, a[j, j])
    factor, unit, column = desk[0], desk[2, 0], desk[2, 1]
    for j in range(size):
        unit[j] = 0.0 if a[j, j] <= 1e-14 * largest else 1.0 / np.sqrt(a[j, j])
    for j in range(size):
        for k in range(size):
            factor[j, k] = a[j, k] * unit[j] * unit[k]
        factor[j, j] += 1e-12 + (1.0 if unit[j] == 0.0 else 0.0)
    sound = _factor(factor, size)
    for k in range(size):
        for j in range(size):
            column[j] = 1.0 if j == k else 0.0
        if sound:
            _solve(factor, column, size)
        for j in range(size):
            out[j, k] = scale * column[j] * unit[j] * unit[k]


@kernel
def _ordered(theta, size, total):  # type: ignore[no-untyped-def]
    limit = SHARPEST / total
    theta[2] = min(max(theta[2], -limit), limit)
    theta[3] = min(max(theta[3], 0.0), total)
    longest = MOST_TURN / max(abs(theta[2]), 1e-12)
    if size == 5:
        theta[4] = min(max(theta[4], theta[3]), total, theta[3] + longest)
    else:
        theta[3] = max(theta[3], total - longest)


@kernel
def _refine(x, y, theta, size, total, iterations, end_fixed, normal, desk):  # type: ignore[no-untyped-def]
    """Levenberg-Marquardt as in `descent`; `theta` and `normal` are replaced, the sum of squares comes back."""
    trial_normal, matrix = desk[0], desk[1]
    gradient, trial, step, pull = desk[2, 0], desk[2, 1], desk[2, 2], desk[2, 3]
    _ordered(theta, size, total)
    cost = _equations(x, y, theta, size, normal, gradient)
    damping, refused = 1e-3, False
    for _ in range(iterations):
        for j in range(size):
            held = (j == 4 and end_fixed) or (
                j >= 3 and ((theta[j] <= 0.0 and gradient[j] > 0.0) or (theta[j] >= total and gradient[j] < 0.0))
            )
            step[j] = 0.0 if held else 1.0
        for j in range(size):
            for k in range(j + 1):
                matrix[j, k] = normal[j, k] * step[j] * step[k]
            matrix[j, j] = matrix[j, j] * (1.0 + damping) + (1.0 if step[j] == 0.0 else 1e-12 + 1e-9 * damping)
            pull[j] = gradient[j] * step[j]
        if not _factor(matrix, size):
            damping *= 5.0
            refused = True
            if damping >= GIVE_UP:
                break
            continue
        for j in range(size):
            step[j] = pull[j]
        _solve(matrix, step, size)
        promised = 0.0
        for j in range(size):
            promised += step[j] * pull[j]
            trial[j] = theta[j] - step[j]
        _ordered(trial, size, total)
        if not (promised * (1.0 + damping) > SETTLED * cost + 1e-24 and damping < GIVE_UP):
            if damping < GIVE_UP:
                for j in range(size):
                    theta[j] = trial[j]
            break
        trial_cost = _equations(x, y, trial, size, trial_normal, pull)
        if trial_cost < cost:
            for j in range(size):
                theta[j], gradient[j] = trial[j], pull[j]
                for k in range(size):
                    normal[j, k] = trial_normal[j, k]
            cost = trial_cost
            damping *= 1.0 if refused else 0.125
            refused = False
        else:
            damping *= 5.0
            refused = True
    return cost


@kernel
def _smooth(x, y, fine, fx, fy):  # type: ignore[no-untyped-def]
    """The smooth line of `starts.smooth_paths` at equal steps of its parameter; its length."""
    count, width = len(x), fine.shape[1]
    spans = width - 3
    t = np.empty(count)
    t[0] = 0.0
    for i in range(1, count):
        t[i] = t[i - 1] + np.sqrt((x[i] - x[i - 1]) ** 2 + (y[i] - y[i - 1]) ** 2)
    inner = width - 2
    normal, bx, by = np.zeros((inner, inner)), np.zeros(inner), np.zeros(inner)
    local, shares = np.empty(4), (0.0, 1.0, 0.5, 1.0 / 3.0)
    scale = spans / t[count - 1]
    for i in range(count):
        at = t[i] * scale  # in knot spans
        span = min(int(at), spans - 1) + 3
        for k in range(4):
            local[k] = 1.0
        for k in range(1, 4):
            saved = 0.0
            for r in range(k):
                right, left = min(span + r - 2, spans), max(span - k + r - 2, 0)
                share = local[r] * shares[right - left]
                local[r] = saved + (right - at) * share
                saved = (at - left) * share
            local[k] = saved
        px, py = x[i], y[i]
        for r in range(4):
            column = span - 3 + r
            if column == 0:
                px -= local[r] * x[0]
                py -= local[r] * y[0]
            elif column == width - 1:
                px -= local[r] * x[count - 1]
                py -= local[r] * y[count - 1]
        for r in range(4):
            j = span - 4 + r
            if 0 <= j < inner:
                bx[j] += local[r] * px
                by[j] += local[r] * py
                for q in range(r + 1):
                    k = span - 4 + q
                    if 0 <= k < inner:
                        normal[j, k] += local[r] * local[q]
    for j in range(inner):
        normal[j, j] += 1e-9 * count
    _factor(normal, inner)
    _solve(normal, bx, inner)
    _solve(normal, by, inner)
    length = 0.0
    for i in range(len(fx)):
        px = fine[i, 0] * x[0] + fine[i, width - 1] * x[count - 1]
        py = fine[i, 0] * y[0] + fine[i, width - 1] * y[count - 1]
        for j in range(inner):
            px += fine[i, j + 1] * bx[j]
            py += fine[i, j + 1] * by[j]
        fx[i], fy[i] = px, py
        if i:
            length += np.sqrt((px - fx[i - 1]) ** 2 + (py - fy[i - 1]) ** 2)
    return length


@kernel
def _guesses(fx, fy, total, size, breaks, ramps, back, starts):  # type: ignore[no-untyped-def]
    """The starts of `starts.first_guesses`."""
    count = len(fx) - WINDOW
    heading = np.empty(count)
    px = py = 1.0
    mean = 0.0
    for i in range(count):
        dx, dy = fx[i + WINDOW] - fx[i], fy[i + WINDOW] - fy[i]
        if i == 0:
            heading[i] = np.arctan2(dy, dx)
        else:
            across, along = px * dy - py * dx, px * dx + py * dy
            turn = across / along
            if along > 0.0 and abs(turn) < 0.3:  # the series to 2e-7: for a start, enough
                square = turn * turn
                turn *= 1.0 - square * (1.0 / 3.0 - square * (0.2 - square * (1.0 / 7.0 - square / 9.0)))
            else:
                turn = np.arctan2(across, along)
            heading[i] = heading[i - 1] + turn
        px, py = dx, dy
        mean += heading[i]
    mean /= count
    rows = len(ramps)
    gain = np.empty(rows)
    for r in range(rows):
        total_gain = 0.0
        for i in range(count):
            total_gain += ramps[r, i] * (heading[i] - mean)
        gain[r] = total_gain
    taken = np.zeros(rows, np.bool_)
    for k in range(STARTS):
        best, most = 0, -2.0
        for r in range(rows):
            value = -1.0 if taken[r] else gain[r] * gain[r]
            if value > most:
                best, most = r, value
        curvature = back[best] * gain[best] / total
        low = breaks[best, 0]
        high = breaks[best, 1] if size == 5 else 1.0
        ramp = 0.0
        for i in range(count):
            ramp += min(max((i + 0.5 * WINDOW) / SMOOTH_POINTS - low, 0.0), high - low)
        starts[k, 0] = mean - curvature * ramp / count * total
        starts[k, 1] = 0.0
        starts[k, 2] = curvature
        starts[k, 3] = low * total
        if size == 5:
            starts[k, 4] = high * total
        for r in range(rows):
            far = abs(breaks[r, 0] - low)
            if size == 5:
                far = max(far, abs(breaks[r, 1] - high))
            if far <= APART:
                taken[r] = True


@kernel
def _averaged(x, y, sx, sy, theta, std, total, variance, covariance, normal, desk):  # type: ignore[no-untyped-def]
    """The correction of a short tail of `lockstep`: the last break averaged over its profile."""
    b = theta[3]
    lowest = b + SHORTEST_ARC * (total - b)
    low, high = lowest, total
    if np.isfinite(std):
        low, high = max(lowest, theta[4] - 5.0 * std), min(total, theta[4] + 5.0 * std)
    point_variance = variance * len(sx) / len(x)
    found, height, start = np.empty((NODES, 5)), np.empty(NODES), np.empty(5)
    for j in range(5):
        start[j] = theta[j]
    inverses, weight = np.empty((NODES, 4, 4)), np.empty(NODES)
    work = desk[3]
    for _ in range(2):
        for n in range(NODES):
            for j in range(4):
                found[n, j] = start[j]
            found[n, 4] = low + (high - low) * n / (NODES - 1)
            cost = _refine(sx, sy, found[n], 5, total, NODE_STEPS, True, normal, desk)
            most = 0.0
            for j in range(5):
                most = max(most, normal[j, j])
            for j in range(5):
                for k in range(5):
                    work[j, k] = normal[j, k]
                work[j, j] += 1e-12 * most + 1e-300
            sound = _factor(work, 5) and _foot(x[len(x) - 1], y[len(x) - 1], found[n], 5) >= 0.5 * total
            height[n] = -0.5 * cost / point_variance if sound else -1e300
            for k in range(4):
                for j in range(4):
                    inverses[n, k, j] = point_variance if j == k else 0.0
                if sound:
                    _solve(work, inverses[n, k], 4)
        top = height[0]
        for n in range(NODES):
            top = max(top, height[n])
        whole = mean = spread = 0.0
        for n in range(NODES):
            weight[n] = np.exp(height[n] - top) * (0.5 if n in (0, NODES - 1) else 1.0)
            whole += weight[n]
        best = 0
        for n in range(NODES):
            weight[n] /= whole
            mean += weight[n] * (low + (high - low) * n / (NODES - 1))
            if weight[n] > weight[best]:
                best = n
        for n in range(NODES):
            spread += weight[n] * (low + (high - low) * n / (NODES - 1) - mean) ** 2
        spread = max(np.sqrt(spread), 0.5 * (high - low) / (NODES - 1))
        for j in range(5):
            start[j] = found[best, j]
        low, high = max(lowest, mean - 4.0 * spread), min(total, mean + 4.0 * spread)
    for j in range(5):
        theta[j] = 0.0
        for n in range(NODES):
            theta[j] += weight[n] * found[n, j]
        for k in range(5):
            covariance[j, k] = 0.0
    for n in range(NODES):
        for j in range(5):
            for k in range(5):
                covariance[j, k] += weight[n] * (found[n, j] - theta[j]) * (found[n, k] - theta[k])
                if j < 4 and k < 4:
                    covariance[j, k] += weight[n] * inverses[n, j, k]
    _refine(x, y, theta, 5, total, NODE_STEPS, True, normal, desk)


@kernel
def _foot(px, py, theta, size):  # type: ignore[no-untyped-def]
    """Length along the line up to the foot of a point."""
    u = np.cos(theta[0]) * px + np.sin(theta[0]) * py
    v = np.cos(theta[0]) * py - np.sin(theta[0]) * px - theta[1]
    c, b = theta[2], theta[3]
    if u <= b:
        return u
    u -= b
    if size == 5:
        run = theta[4] - b
        end_u, end_v = _chord(c, run)
        past = np.cos(c * run) * (u - end_u) + np.sin(c * run) * (v - end_v)
        if past > 0.0:
            return theta[4] + past
    return b + u if abs(c) < SMALL_CURVATURE else b + np.arctan2(c * u, 1.0 - c * v) / c


@kernel
def _turn(theta, size):  # type: ignore[no-untyped-def]
    end = min(theta[4], theta[size]) if size == 5 else theta[size]
    return np.degrees(abs(theta[2] * (end - theta[3])))


@kernel
def _schneider(theta, size):  # type: ignore[no-untyped-def]
    end = min(theta[4], theta[size]) if size == 5 else theta[size]
    run = max(end - theta[3], 0.0)
    u, v = _chord(theta[2], run)
    rest = max(theta[size] - end, 0.0)
    return np.degrees(abs(np.arctan2(v + rest * np.sin(theta[2] * run), u + rest * np.cos(theta[2] * run))))


@kernel
def _fit_one(path, tail, std_mm, small_sample, fine, breaks, ramps, back, out):  # type: ignore[no-untyped-def]
    count, size = len(path), 5 if tail else 4
    x, y = np.empty(count), np.empty(count)
    for i in range(count):
        x[i], y[i] = path[i, 0] - path[0, 0], path[i, 1] - path[0, 1]
    fx, fy = np.empty(SMOOTH_POINTS + 1), np.empty(SMOOTH_POINTS + 1)
    total = _smooth(x, y, fine, fx, fy)
    starts = np.empty((STARTS, size))
    _guesses(fx, fy, total, size, breaks, ramps, back, starts)
    sx, sy = x, y
    if count >= 2 * COARSE:
        sx, sy = np.empty(COARSE), np.empty(COARSE)
        for k in range(COARSE):
            first, last = k * count // COARSE, (k + 1) * count // COARSE
            sx[k] = sy[k] = 0.0
            for i in range(first, last):
                sx[k] += x[i] / (last - first)
                sy[k] += y[i] / (last - first)
    normal, covariance, desk = np.empty((5, 5)), np.empty((5, 5)), np.empty((4, 5, 5))
    best, least = 0, np.inf
    for k in range(STARTS):
        cost = _refine(sx, sy, starts[k], size, total, FIRST_STEPS, False, normal, desk)
        if cost < least and _foot(x[count - 1], y[count - 1], starts[k], size) >= 0.5 * total:
            best, least = k, cost
    theta = starts[best]
    cost = _refine(x, y, theta, size, total, ITERATIONS, False, normal, desk)
    variance = max(cost / max(1, count - size), std_mm * std_mm)
    if std_mm == 0.0:
        variance *= small_sample
    _invert(normal, size, variance, covariance, desk)
    if tail:
        lost = theta[4] >= total * (1.0 - 1e-9)
        std = np.sqrt(covariance[4, 4]) if not lost and covariance[4, 4] > 0.0 else np.inf
        if total - theta[4] < SHORT_TAIL * std:
            if variance < COARSE_STD_MM * COARSE_STD_MM:
                sx, sy = x, y
            _averaged(x, y, sx, sy, theta, std, total, max(variance, 1e-12), covariance, normal, desk)
    _estimates(x, y, theta, size, variance, covariance, desk, out)


@kernel
def _estimates(x, y, theta, size, variance, covariance, desk, out):  # type: ignore[no-untyped-def]
    """The twelve numbers of `BendEstimates`; angles also move with the length, which the last point alone decides."""
    full, slope = np.empty(size + 1), np.empty((3, size + 1))
    for j in range(size):
        full[j] = theta[j]
    last = len(x) - 1
    full[size] = length = _foot(x[last], y[last], theta, size)
    angle, schneider = _turn(full, size), _schneider(full, size)
    for j in range(size + 1):
        kept = full[j]
        full[j] = kept + STEP
        slope[0, j], slope[1, j], slope[2, j] = (
            _turn(full, size),
            _schneider(full, size),
            _foot(x[last], y[last], full, size),
        )
        full[j] = kept - STEP
        slope[0, j] -= _turn(full, size)
        slope[1, j] -= _schneider(full, size)
        slope[2, j] -= _foot(x[last], y[last], full, size)
        full[j] = kept
    slope[2, size] = 0.0
    spread = np.zeros(3)
    for q in range(3):
        for j in range(size + 1):
            slope[q, j] /= 2.0 * STEP
        for j in range(size):
            for k in range(size):
                spread[q] += slope[q, j] * covariance[j, k] * slope[q, k]
        spread[q] = np.sqrt(max(spread[q] + slope[q, size] ** 2 * variance, 0.0))
    end = min(full[4], length) if size == 5 else length
    out[0], out[1] = angle, spread[0]
    out[2], out[3] = theta[2], np.sqrt(max(covariance[2, 2], 0.0))
    out[4] = 1.0 / abs(theta[2])
    out[5], out[6] = schneider, spread[1]
    out[7], out[8] = length, spread[2]
    out[9], out[10], out[11] = (
        theta[3],
        length - end,
        np.sqrt(_equations(x, y, theta, size, desk[0], desk[2, 0]) / len(x)),
    )


@numba.njit(cache=True, parallel=True, fastmath={"reassoc", "contract", "arcp", "nsz"}, error_model="numpy")
def _fit_all(paths, tail, std_mm, small_sample, fine, breaks, ramps, back, out):  # type: ignore[no-untyped-def]
    for k in numba.prange(len(paths)):
        _fit_one(paths[k], tail, std_mm, small_sample, fine, breaks, ramps, back, out[k])
