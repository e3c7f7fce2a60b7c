"""The line-arc model of a canal and its fit.

A canal is modelled as straight coronal part, circular arc, and straight apical part; an S-shaped one as line, arc, line,
opposite arc, line (a part may have length 0). Every angle and radius of the literature follows from the fitted parts, and
so does its uncertainty. The parts are fitted to all points at once by least squares of the distances across the line
(Levenberg-Marquardt), so no point of "first deviation" has to be picked by eye or threshold: picking it late biases
Schneider's angle by 4 to 8 degrees (derived, see the tests).

Written in numpy because importing ``scipy.optimize`` takes longer than the rest of the measurement; a test holds the fit
equal to ``scipy.optimize.least_squares``.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations_with_replacement
from math import cos, sin

import numpy as np
from attrs import evolve, field, frozen
from numpy.typing import NDArray

from wlmeasure.errors import MeasureError
from wlmeasure.points import as_points
from wlmeasure.trace.spline import arc_length, smooth_line

__all__ = ["NORMAL_95", "LineArc", "Noise", "fit_line_arc"]

Float64 = NDArray[np.float64]

MOST_POINTS = 240  # a dense trace is thinned to this many: its neighbours carry no independent information
STARTS = 3  # best starts of the grid search that are refined
APART = 0.1  # of the length: how far the breaks of two starts must differ
SMOOTH_POINTS = 72
ROBUST_SCALE = 1.5  # times the median distance from a smooth line: where the loss turns from square to linear
FAR = 3.0  # times that scale: not used for the smooth line
ITERATIONS = 60
NORMAL_95 = 1.959964  # half-width of a 95 % interval in standard deviations
SMALL_CURVATURE = 1e-5  # per mm: below it the circle is a parabola to 1e-13 mm over 30 mm


@frozen
class Noise:
    """How uncertain the points are across the line.

    Attributes
    ----------
    std_mm
        Standard uncertainty of one point across the line; the residuals of the fit are used where they are larger.
    correlation_mm
        Length along the line over which errors go together: 0 for clicks, the knot spacing for a traced path. Treating a
        dense trace as independent points understates the uncertainty about five times.
    """

    std_mm: float = 0.0
    correlation_mm: float = 0.0


@frozen(eq=False)
class LineArc:
    """Straight and circular parts fitted to a path, in mm.

    Attributes
    ----------
    start : (2,) float64
        Where the model begins: the foot of the first point on it.
    heading_rad
        Direction of the coronal straight part, angle of (row, col) = (cos, sin).
    breaks_mm : (2 K,) float64
        Arc-length positions where arc k begins (2k) and ends (2k + 1).
    curvatures_per_mm : (K,) float64
        Signed; positive turns from row towards column.
    length_mm
        Length of the model from foot of the first to foot of the last point.
    misfit_mm
        Root mean square distance of the points from the model.
    covariance : (3 + 3 K, 3 + 3 K) float64
        Of (heading, offset, curvature 1.., breaks.., length): rad, mm, 1/mm, mm, mm. The length ends at the last point,
        which may lie further along the canal than it should.
    """

    start: Float64
    heading_rad: float
    breaks_mm: Float64
    curvatures_per_mm: Float64
    length_mm: float
    misfit_mm: float
    covariance: Float64 = field(repr=False)

    @property
    def arcs(self) -> int:
        return len(self.curvatures_per_mm)

    @property
    def turns_rad(self) -> Float64:
        """Signed turn of each arc."""
        return np.asarray(self.curvatures_per_mm * (self.breaks_mm[1::2] - self.breaks_mm[::2]), np.float64)

    @property
    def curvature_stds_per_mm(self) -> Float64:
        k = self.arcs
        return np.asarray(np.sqrt(np.maximum(np.diag(self.covariance)[2 : 2 + k], 0.0)), np.float64)

    @property
    def tail_mm(self) -> float:
        """Length of the straight apical part."""
        return float(self.length_mm - self.breaks_mm[-1]) if self.arcs else self.length_mm

    def point(self, at_mm: float | Float64) -> Float64:
        """(N, 2) points of the model at arc-length positions."""
        at = np.atleast_1d(np.asarray(at_mm, np.float64))
        out = np.empty(at.size, np.complex128)
        position, direction, begin = complex(*self.start), _unit(self.heading_rad), -np.inf
        joints = np.concatenate([self.breaks_mm, [np.inf]])
        for part, end in enumerate(joints):
            curvature = float(self.curvatures_per_mm[part // 2]) if part % 2 else 0.0
            origin = 0.0 if part == 0 else begin
            chosen = (at >= begin) & (at <= end)
            out[chosen] = position + _chord(curvature, at[chosen] - origin) * direction
            if np.isfinite(end):
                position += complex(_chord(curvature, np.array([end - origin]))[0]) * direction
                direction *= _unit(curvature * (end - origin))
            begin = end
        return np.column_stack([out.real, out.imag])

    def heading(self, at_mm: float) -> float:
        """Direction of the model at an arc-length position, rad."""
        turned = np.clip(at_mm - self.breaks_mm[::2], 0.0, self.breaks_mm[1::2] - self.breaks_mm[::2])
        return float(self.heading_rad + np.dot(self.curvatures_per_mm, turned))

    def std_of(self, quantity: Callable[[LineArc], float]) -> float:
        """Standard uncertainty of ``quantity(model)``: its gradient by central differences, and the covariance."""
        theta = np.concatenate([[self.heading_rad, 0.0], self.curvatures_per_mm, self.breaks_mm, [self.length_mm]])
        gradient = np.zeros(len(theta))
        for j, std in enumerate(np.sqrt(np.maximum(np.diag(self.covariance), 0.0))):
            if std == 0.0:
                continue
            step = np.zeros(len(theta))
            step[j] = min(max(0.1 * std, 1e-7), 0.01)
            gradient[j] = (quantity(self._moved(theta + step)) - quantity(self._moved(theta - step))) / (2.0 * step[j])
        return float(np.sqrt(max(float(gradient @ self.covariance @ gradient), 0.0)))

    def _moved(self, theta: Float64) -> LineArc:
        k = self.arcs
        length = float(theta[-1])
        return evolve(
            self,
            start=self.start + _normal(self.heading_rad) * theta[1],
            heading_rad=float(theta[0]),
            curvatures_per_mm=theta[2 : 2 + k],
            # An arc that runs to the end of the canal ends where the canal does.
            breaks_mm=np.where(self.breaks_mm >= self.length_mm, length, theta[2 + k : -1]),
            length_mm=length,
        )


def _direction(heading: float) -> Float64:
    return np.array([np.cos(heading), np.sin(heading)])


def _normal(heading: float) -> Float64:
    return np.array([-np.sin(heading), np.cos(heading)])


def _unit(angle: float) -> complex:
    return complex(cos(angle), sin(angle))


def _chord(curvature: float, along: Float64) -> NDArray[np.complex128]:
    """Displacement after running `along` on a circle (or line) that starts along the real axis."""
    if abs(curvature) < SMALL_CURVATURE:
        return np.asarray(along + 0.5j * curvature * along**2, np.complex128)
    return np.asarray((np.exp(1j * curvature * along) - 1.0) / (1j * curvature), np.complex128)


def _moment(curvature: float, along: Float64) -> NDArray[np.complex128]:
    """Integral of t exp(i c t) from 0 to `along`: how the displacement grows with the curvature, over i."""
    if abs(curvature) < SMALL_CURVATURE:
        return np.asarray(0.5 * along**2 + 1j * curvature * along**3 / 3.0, np.complex128)
    turned = np.exp(1j * curvature * along)
    return np.asarray(along * turned / (1j * curvature) + (turned - 1.0) / curvature**2, np.complex128)


def fit_line_arc(
    points_mm: object, arcs: int = 1, *, tail: bool = True, noise: Noise | None = None, robust: bool = False
) -> LineArc:
    """Fit line-arc-line (or line-arc-line-arc-line) to a path.

    Parameters
    ----------
    points_mm : (N, 2)
        (row, col) in mm, coronal to apical; noisy clicks or a dense trace.
    arcs
        0 a straight line, 1 a single bend, 2 two bends.
    tail
        Whether a straight part may follow the last arc; without it the arc runs to the end of the path.
    noise
        Uncertainty of the points; the default takes it from the residuals alone.
    robust
        Count points far off less (soft-L1 loss; its scale is 1.5 times the median distance from a smooth line).

    Returns
    -------
    LineArc
        Least squares; the maximum-likelihood estimate for Gaussian errors across the line.

    Raises
    ------
    MeasureError
        Fewer points than parameters, or points that are not distinct finite numbers.
    """
    points = as_points(MeasureError, "points_mm", points_mm, least=max(3, 3 * arcs + 1 + int(tail and arcs > 0)))
    if not np.any(points != points[0]):
        raise MeasureError("points_mm must be distinct: all points are the same")
    if len(points) > MOST_POINTS:
        points = points[np.linspace(0, len(points) - 1, MOST_POINTS).round().astype(int)]
    centre = points[0]
    local = points - centre
    # The length of the polyline itself is useless where points are noisy and dense (it adds up the noise).
    smooth = smooth_line(local, max(1, min(12, len(points) // 3)), SMOOTH_POINTS)
    scale = None
    if robust:
        near = np.ones(len(points), bool)
        for _ in range(4):  # a stiff line, taken each time through the points that are not far off it
            smooth = smooth_line(local[near], max(1, min(5, int(near.sum()) // 8)), SMOOTH_POINTS)
            off = _off(local, smooth)
            scale = ROBUST_SCALE * float(np.median(off)) + 1e-9
            near = off <= FAR * scale
    problem = _Problem(local[:, 0] + 1j * local[:, 1], arcs, tail, scale, float(arc_length(smooth)[-1]))
    refined = [problem.refined(start) for start in _starts(smooth, arcs, tail)]
    theta = min(refined, key=lambda item: item[0])[1]
    return problem.model(theta, centre, noise or Noise())


def _off(points: Float64, line: Float64) -> Float64:
    """Distance of every point from the nearest point of a dense line."""
    return np.asarray(np.hypot(*np.moveaxis(points[:, None] - line[None], -1, 0)).min(axis=1), np.float64)


def _starts(smooth: Float64, arcs: int, tail: bool) -> list[Float64]:
    """Best starts of a grid search over break positions: heading and curvatures follow by linear least squares."""
    total = float(arc_length(smooth)[-1])
    window = 6
    chord = smooth[window:] - smooth[:-window]
    heading = np.unwrap(np.arctan2(chord[:, 1], chord[:, 0]))
    if arcs == 0:
        return [np.array([heading.mean(), 0.0])]
    middle = (np.arange(len(chord)) + 0.5 * window) * total / (len(smooth) - 1)
    nodes = np.linspace(0.0, total, 13 if arcs == 1 else 9)
    breaks = np.array(list(combinations_with_replacement(nodes, 2 * arcs if tail else 2 * arcs - 1)))
    if not tail:
        breaks = np.column_stack([breaks, np.full(len(breaks), total)])
    low, high = breaks[:, ::2], breaks[:, 1::2]
    wide = np.all(high - low > 0.04 * total, axis=1)
    breaks, low, high = breaks[wide], low[wide], high[wide]
    ramps = np.clip(middle - low[..., None], 0.0, (high - low)[..., None])
    matrix = np.concatenate([np.ones((len(ramps), 1, len(middle))), ramps], axis=1)
    normal = matrix @ matrix.transpose(0, 2, 1) + 1e-9 * np.eye(1 + arcs)
    solution = np.linalg.solve(normal, (matrix @ heading)[..., None])[..., 0]
    residual = heading - np.einsum("cp,cpm->cm", solution, matrix)
    # Neighbours on the grid lead to one minimum: the starts lie apart.
    chosen: list[int] = []
    for c in np.argsort(np.einsum("cm,cm->c", residual, residual), kind="stable"):
        if all(np.abs(breaks[c] - breaks[k]).max() > APART * total for k in chosen):
            chosen.append(int(c))
            if len(chosen) == STARTS:
                break
    return [np.concatenate([[solution[c, 0], 0.0], solution[c, 1:], breaks[c]]) for c in chosen]


@frozen(eq=False)
class _Problem:
    """Points about the first of them, and the model to fit: theta = heading, offset, curvatures, breaks."""

    points: NDArray[np.complex128]
    arcs: int
    tail: bool
    scale: float | None
    total: float

    def ordered(self, theta: Float64) -> Float64:
        theta = theta.copy()
        breaks = theta[2 + self.arcs :]
        np.minimum(np.maximum.accumulate(np.maximum(breaks, 0.0)), self.total, out=breaks)
        if self.arcs and not self.tail:
            breaks[-1] = 10.0 * self.total  # the arc outlasts the path
        return theta

    def distances(self, theta: Float64) -> Float64:
        """Signed distance of every point from the model, each measured from the part it lies beside."""
        return self._measured(theta, derivatives=False)[0]

    def jacobian(self, theta: Float64) -> tuple[Float64, Float64]:
        """Distances and their derivatives; a break that may not move has a column of zeros.

        With the foot of a point on the model held at its place along the part, the distance changes by minus the foot's own
        displacement across the model. Points are complex numbers here (row + i col), so that turning by a right angle is
        a multiplication by i. A test holds the derivatives equal to numeric ones; they made the fit five times quicker.
        """
        distance, out = self._measured(theta, derivatives=True)
        if self.arcs and not self.tail:
            out[:, -1] = 0.0
        return distance, out

    def _measured(self, theta: Float64, *, derivatives: bool) -> tuple[Float64, Float64]:
        points, arcs = self.points, self.arcs
        heading, offset = float(theta[0]), float(theta[1])
        curvatures = [float(c) for c in theta[2 : 2 + arcs]]
        breaks = [float(b) for b in theta[2 + arcs :]]
        direction = _unit(heading)
        normal = 1j * direction
        origin = normal * offset
        # How the beginning of the current part moves (its `origin`) and turns with each parameter.
        moves = [1j * origin, normal] + [0j] * (len(theta) - 2)
        turns = [1.0] + [0.0] * (len(theta) - 1)
        distance = np.empty(len(points))
        out = np.zeros((len(points), len(theta) if derivatives else 0))
        pending = np.ones(len(points), bool)
        begin = 0.0
        for part in range(2 * arcs + 1):
            curvature = curvatures[part // 2] if part % 2 else 0.0
            last = part == 2 * arcs
            span = np.inf if last else breaks[part] - begin
            local = (points - origin) * direction.conjugate()
            u, v = local.real, local.imag
            if curvature == 0.0:
                along, across = u, v
            else:
                # Distance from a circle of curvature c through the origin, exact also as c goes to 0.
                along = np.arctan2(curvature * u, 1.0 - curvature * v) / curvature
                across = (2.0 * v - curvature * (u * u + v * v)) / (1.0 + np.hypot(1.0 - curvature * v, curvature * u))
            here = pending & (along <= span)
            distance[here] = across[here]
            pending &= ~here
            if derivatives and here.any():
                at = along[here]
                tangent = direction * np.exp(1j * curvature * at)
                across_here = 1j * tangent
                foot = _chord(curvature, at) * direction
                for j in range(len(theta)):
                    if moves[j] != 0j or turns[j] != 0.0:
                        out[here, j] = -(across_here.conjugate() * (moves[j] + turns[j] * 1j * foot)).real
                if part % 2:
                    bend = 1j * direction * _moment(curvature, at)
                    out[here, 2 + part // 2] -= (across_here.conjugate() * bend).real
            if last:
                break
            step = complex(_chord(curvature, np.array([span]))[0]) * direction
            after = direction * _unit(curvature * span)
            # Everything behind this part moves with its beginning, and when its curvature or one of its ends changes.
            moves = [move + turn * 1j * step for move, turn in zip(moves, turns, strict=True)]
            if part % 2:
                k = 2 + part // 2
                moves[k] += 1j * direction * complex(_moment(curvature, np.array([span]))[0])
                turns[k] += span
            end, start = 2 + arcs + part, 1 + arcs + part
            moves[end] += after
            turns[end] += curvature
            if part:
                moves[start] -= after
                turns[start] -= curvature
            origin += step
            direction = after
            begin = breaks[part]
        return distance, out

    def weights(self, residual: Float64) -> Float64:
        if self.scale is None:
            return np.ones(len(residual))
        return np.asarray(1.0 / np.sqrt(1.0 + (residual / self.scale) ** 2), np.float64)

    def loss(self, residual: Float64) -> float:
        """Sum of squares, or of soft-L1: 2 s^2 (sqrt(1 + (r/s)^2) - 1)."""
        if self.scale is None:
            return float(residual @ residual)
        return float(2.0 * self.scale**2 * np.sum(np.hypot(1.0, residual / self.scale) - 1.0))

    def refined(self, theta: Float64) -> tuple[float, Float64]:
        """Levenberg-Marquardt from one start: its loss and its parameters."""
        theta = self.ordered(theta)
        residual = self.distances(theta)
        cost, damping = self.loss(residual), 1e-3
        for _ in range(ITERATIONS):
            weight = self.weights(residual)
            _, jacobian = self.jacobian(theta)
            gradient = jacobian.T @ (weight * residual)
            held = self.held(theta, gradient)
            jacobian[:, held], gradient[held] = 0.0, 0.0
            normal = jacobian.T @ (weight[:, None] * jacobian)
            gained = 0.0
            for _ in range(8):
                step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-9), gradient)
                candidate = self.ordered(theta - step)
                trial = self.distances(candidate)
                trial_cost = self.loss(trial)
                if trial_cost < cost:
                    gained, theta, residual, cost = cost - trial_cost, candidate, trial, trial_cost
                    damping = max(damping / 8.0, 1e-12)
                    break
                damping *= 5.0
            if gained <= 1e-10 * cost + 1e-24:
                break
        return cost, theta

    def held(self, theta: Float64, gradient: Float64) -> NDArray[np.bool_]:
        """Breaks that stand at an end of the canal and would leave it: they stay, the others move on without them."""
        held = np.zeros(len(theta), bool)
        breaks, slope = theta[2 + self.arcs :], gradient[2 + self.arcs :]
        held[2 + self.arcs :] = ((breaks <= 0.0) & (slope > 0.0)) | ((breaks >= self.total) & (slope < 0.0))
        return held

    def model(self, theta: Float64, centre: Float64, noise: Noise) -> LineArc:
        residual, jacobian = self.jacobian(theta)
        weight = self.weights(residual)
        free = max(1, len(residual) - int(np.any(jacobian != 0.0, axis=0).sum()))
        variance = max(float(weight @ residual**2) / free, noise.std_mm**2)
        inflation = max(1.0, noise.correlation_mm * (len(residual) - 1) / self.total)
        normal = jacobian.T @ (weight[:, None] * jacobian)
        covariance = np.asarray(
            np.linalg.pinv(normal, rcond=1e-12, hermitian=True) * (variance * inflation), np.float64
        )
        # Along the canal only the last point itself says where the canal ends.
        along = np.zeros((len(theta) + 1, len(theta) + 1))
        along[:-1, :-1], along[-1, -1] = covariance, variance
        heading = float(theta[0])
        # The first point is the origin of `local`; its foot on the model becomes the start.
        start = centre + _normal(heading) * theta[1]
        model = LineArc(
            start, heading, theta[2 + self.arcs :], theta[2 : 2 + self.arcs], self.total,
            float(np.sqrt(np.mean(residual**2))), along,
        )  # fmt: skip
        last = centre + np.array([self.points[-1].real, self.points[-1].imag])
        at = self.total
        for _ in range(20):  # Newton steps to the foot of the last point
            step = float((last - model.point(at)[0]) @ _direction(model.heading(at)))
            at += step
            if abs(step) < 1e-12:
                break
        return evolve(model, length_mm=at, breaks_mm=np.clip(model.breaks_mm, 0.0, at))
