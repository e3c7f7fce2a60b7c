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
from math import cos, sin

import numpy as np
from attrs import evolve, field, frozen
from numpy.typing import NDArray

from wlmeasure.errors import MeasureError
from wlmeasure.measure.lockstep import Fits, fit_paths
from wlmeasure.measure.parts import chord
from wlmeasure.points import as_points

__all__ = ["LEAST_BEND_DEG", "MOST_POINTS", "LineArc", "Noise", "fit_line_arc", "model_of", "model_of_parts"]

Float64 = NDArray[np.float64]

LEAST_BEND_DEG = 5.0  # Schneider's class "straight" ends here (from memory); a turn below it is not called a bend
MOST_POINTS = 240  # a dense trace is thinned to this many: its neighbours carry no independent information


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
    end_std_mm
        Standard uncertainty across the line of an end that a traced path has to reach: a click, which bends its last stretch.
    """

    std_mm: float = 0.0
    correlation_mm: float = 0.0
    end_std_mm: float = 0.0


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
    def bends(self) -> tuple[tuple[int, int], ...]:
        """First and last arc of each bend: arcs that follow one another and turn the same way are one bend. A turn the other
        way of less than `LEAST_BEND_DEG` belongs to the bend about it, and is none where it stands at an end.
        """
        turns = self.turns_rad
        groups: list[tuple[int, int, float]] = []
        for k, turn in enumerate(turns.tolist()):
            if groups and (groups[-1][2] * turn > 0.0 or turn == 0.0):
                first, _, sum_ = groups.pop()
                groups.append((first, k, sum_ + turn))
            else:
                groups.append((k, k, turn))
        while len(groups) > 1:
            least = min(range(len(groups)), key=lambda g: abs(groups[g][2]))
            if abs(groups[least][2]) >= np.radians(LEAST_BEND_DEG):
                break
            low, high = max(least - 1, 0), min(least + 1, len(groups) - 1)
            if low < least < high:
                groups[low : high + 1] = [(groups[low][0], groups[high][1], sum(g[2] for g in groups[low : high + 1]))]
            else:
                del groups[least]
        return tuple((first, last) for first, last, _ in groups)

    def bend_turn_rad(self, bend: tuple[int, int]) -> float:
        """Signed turn of a bend, see `bends`."""
        return float(self.turns_rad[bend[0] : bend[1] + 1].sum())

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
            curvature = self.curvatures_per_mm[part // 2] if part % 2 else np.float64(0.0)
            origin = 0.0 if part == 0 else begin
            chosen = (at >= begin) & (at <= end)
            out[chosen] = position + chord(curvature, at[chosen] - origin) * direction
            if np.isfinite(end):
                position += complex(chord(curvature, end - origin)) * direction
                direction *= _unit(float(curvature * (end - origin)))
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
            step[j] = min(max(0.1 * std, 1e-7), 0.01, 0.25 * self.length_mm)  # a very short line keeps its ends apart
            gradient[j] = (quantity(self._moved(theta + step)) - quantity(self._moved(theta - step))) / (2.0 * step[j])
        return float(np.sqrt(max(float(gradient @ self.covariance @ gradient), 0.0)))

    def scaled(self, factor: float) -> LineArc:
        """The same model with all lengths times `factor`: in pixels, say, where the fit was made in mm."""
        k = self.arcs
        of = np.array([1.0, factor, *[1.0 / factor] * k, *[factor] * (2 * k + 1)])
        return LineArc(
            factor * self.start,
            self.heading_rad,
            factor * self.breaks_mm,
            self.curvatures_per_mm / factor,
            factor * self.length_mm,
            factor * self.misfit_mm,
            self.covariance * np.outer(of, of),
        )

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


def _unit(angle: float) -> complex:
    return complex(cos(angle), sin(angle))


def _normal(heading: float) -> Float64:
    return np.array([-np.sin(heading), np.cos(heading)])


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
        Take a few points for outliers: maximum likelihood when one point in twenty has eight times the error of the others.

    Returns
    -------
    LineArc
        Least squares, the maximum-likelihood estimate for Gaussian errors across the line; where a straight apical part is
        nearly lost in the noise, the end of the last arc is averaged over its profile (see `lockstep`).

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
    noise = noise or Noise()
    fits = fit_paths(
        points[None], (arcs, tail or not arcs), std_mm=noise.std_mm, correlation_mm=noise.correlation_mm, robust=robust
    )
    return model_of(fits, 0, points[0], arcs)


def model_of(fits: Fits, k: int, first: Float64, arcs: int) -> LineArc:
    """Path `k` of a batch, which begins at the point `first`, as a model of its own."""
    return model_of_parts(
        fits.theta[k],
        fits.covariance[k],
        float(fits.length_mm[k]),
        float(fits.misfit_mm[k]),
        float(fits.end_variance_mm2[k]),
        first,
        arcs,
    )


def model_of_parts(
    theta: Float64,
    theta_covariance: Float64,
    length: float,
    misfit_mm: float,
    end_variance_mm2: float,
    first: Float64,
    arcs: int,
) -> LineArc:
    """A model from the parameters of `parts` (P,), about the point `first`."""
    heading = float(theta[0])
    breaks = np.full(2 * arcs, np.inf)  # an arc without a tail ends where the path does
    breaks[: len(theta) - 2 - arcs] = theta[2 + arcs :]
    covariance = np.zeros((3 + 3 * arcs,) * 2)
    covariance[: len(theta), : len(theta)] = theta_covariance
    # Along the canal only the last point itself says where the canal ends.
    covariance[-1, -1] = end_variance_mm2
    return LineArc(
        first + _normal(heading) * theta[1],
        heading,
        np.clip(breaks, 0.0, length),
        theta[2 : 2 + arcs].copy(),
        length,
        misfit_mm,
        covariance,
    )
