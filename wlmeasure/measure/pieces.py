"""Lines of several bends: arcs that follow one another either way, and spirals, whose curvature changes along them.

A spiral is fitted as a chain of arcs whose curvatures run evenly from its first to its last value, so that one descent
(`descent.refine`) fits them all; between two pieces, and before the first and behind the last, there may be a straight part.
What is known beforehand of straight parts enters the estimate and its covariance alike.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.measure.descent import Tie, refine
from wlmeasure.measure.line_arc import LineArc, model_of_parts
from wlmeasure.measure.lockstep import inverse, small_sample, thinned
from wlmeasure.measure.parts import Loss, Shape, distances, feet

__all__ = [
    "SPIRAL", "THREE_ARCS", "TWO_ARCS", "TWO_SPIRALS", "Kind", "Pieces", "chosen", "fit_pieces", "spiral_starts",
    "two_arcs_starts", "two_spirals_starts",
]  # fmt: skip

Float64 = NDArray[np.float64]

SPIRAL_ARCS = 8  # of one spiral: a turn of 50 degrees is then fitted to 0.5 degrees, and of exact points too
FIRST_ROUND, ROUND = 20, 60  # steps that every start is given, and the best
# What is known of the straight part between two bends before anything is seen: no source gives it, so our parameter.
GAP_MM = 1.5
# Our parameters: of the shortest straight part that the points show (1.5 times that at which its squares are as large as the
# noise), what one that they do not show is on the average, and its standard deviation.
USUAL_SHARE, SHARE_STD = 0.2, 0.3
GAP_SHARE, GAP_SHARE_STD = 0.4, 0.4  # the same between two pieces, where a part is more often there than not
# Per mm, its standard deviation: the sharpest published bend has 0.5 (Schaefer et al., see `descent`).
USUAL_CURVATURE = 0.25
LEAST_CURVATURE = 0.02  # per mm: with less there is no corner to be seen
MOST_SHOWN = 0.25  # our parameter, of the length: the longest straight part at an end that is taken for one not shown


@frozen
class Kind:
    """How many pieces, and how many curvatures (1 an arc, 2 a spiral) each has."""

    name: str
    pieces: int
    each: int

    @property
    def arcs(self) -> int:
        return self.pieces * (1 if self.each == 1 else SPIRAL_ARCS)

    @property
    def shape(self) -> Shape:
        return self.arcs, True

    @property
    def parameters(self) -> int:
        return 2 + self.pieces * (self.each + 2)


TWO_ARCS, SPIRAL = Kind("two arcs", 2, 1), Kind("one spiral", 1, 2)
THREE_ARCS, TWO_SPIRALS = Kind("three arcs", 3, 1), Kind("two spirals", 2, 2)


@lru_cache(maxsize=8)
def _matrix(kind: Kind) -> Float64:
    """The matrix of theta = matrix @ q, see `descent.Tie`."""
    each, arcs = kind.each, kind.arcs
    per = arcs // kind.pieces
    first = 2 + kind.pieces * each
    matrix = np.zeros((2 + 3 * arcs, kind.parameters))
    matrix[0, 0] = matrix[1, 1] = 1.0
    for piece in range(kind.pieces):
        begin = first + 2 * piece
        for j in range(per):
            k, share = piece * per + j, j / max(per - 1, 1)
            if each == 1:
                matrix[2 + k, 2 + piece] = 1.0
            else:
                matrix[2 + k, 2 + 2 * piece : 4 + 2 * piece] = 1.0 - share, share
            # Each arc about the place that has its curvature: the first and the last are half as long as the others.
            low, high = max(j - 0.5, 0.0) / max(per - 1, 1), min(j + 0.5, per - 1.0) / max(per - 1, 1)
            for row, at in ((2 + arcs + 2 * k, low), (3 + arcs + 2 * k, high if per > 1 else 1.0)):
                matrix[row, begin : begin + 2] = 1.0 - at, at
    return matrix


@frozen(eq=False)
class Pieces:
    """K fits of one kind: q (K, Q), distances (K, N), their mean square (K,), length (K,), covariance of q (K, Q, Q)."""

    kind: Kind
    q: Float64
    residual_mm: Float64
    square_mm2: Float64
    length_mm: Float64
    covariance: Float64
    end_variance_mm2: Float64

    def of(self, rows: NDArray[np.intp]) -> Pieces:
        """Those of some paths."""
        arrays = (self.q, self.residual_mm, self.square_mm2, self.length_mm, self.covariance, self.end_variance_mm2)
        return Pieces(self.kind, *(values[rows] for values in arrays))

    def model(self, k: int, first: Float64) -> LineArc:
        """Path `k`, which begins at the point `first`."""
        matrix = _matrix(self.kind)
        return model_of_parts(
            matrix @ self.q[k],
            matrix @ self.covariance[k] @ matrix.T,
            float(self.length_mm[k]),
            float(np.sqrt(self.square_mm2[k])),
            float(self.end_variance_mm2[k]),
            first,
            self.kind.arcs,
        )


def fit_pieces(
    points: Float64,
    starts: Float64,
    total: Float64,
    kind: Kind,
    *,
    variance: Float64,
    std_mm: float = 0.0,
    inflation: Float64 | float = 1.0,
    loss: Loss | None = None,
) -> Pieces:
    """Fit one kind to K paths.

    Parameters
    ----------
    points : (K, 3, N)
        Rows x, y and 1 of each path, about its first point.
    starts : (K, S, Q)
        Where to begin.
    total : (K,)
        Length of each path.
    kind
        How many pieces, arcs or spirals.
    variance : (K,)
        Of one point across the line, about: what the straight part between two pieces is weighed against.
    std_mm, inflation
        What is stated of it at least, and how much larger the covariance is since errors go together.
    loss
        See `parts.equations`.
    """
    count, each, size = starts.shape
    first = 2 + kind.pieces * kind.each
    weight, at = np.zeros((count, kind.pieces + 1)), np.zeros((count, kind.pieces + 1))
    weight[:, :-2] = (variance / GAP_MM**2)[:, None]
    tie = Tie(_matrix(kind), kind.pieces, kind.each, weight, at)
    rows = np.repeat(np.arange(count), each)
    q, cost, _ = refine(
        (thinned(points) if loss is None else points)[rows],
        starts.reshape(-1, size),
        total[rows],
        kind.shape,
        loss=None if loss is None else chosen(loss, rows),
        iterations=FIRST_ROUND,
        tie=evolve(tie, weight=weight[rows], at=at[rows]),
    )
    cost[feet(points[rows][:, :, -1:], q @ tie.matrix.T, kind.shape) < 0.5 * total[rows]] = np.inf  # runs backwards
    best = cost.reshape(count, each).argmin(axis=1)
    q = q.reshape(count, each, size)[np.arange(count), best]
    q, _, _ = refine(points, q, total, kind.shape, loss=loss, tie=tie, iterations=ROUND)
    residual = distances(points, q @ tie.matrix.T, kind.shape)
    weight = np.ones(residual.shape) if loss is None else loss(residual, np.arange(count))[1]
    square = np.sum(weight * residual**2, axis=1)
    freedom = np.maximum(weight.sum(axis=1) - size, 1.0)
    seen = np.maximum(square / freedom * (small_sample(freedom) if std_mm == 0.0 else 1.0), std_mm**2)
    tie = _unshown(q, kind, total, seen, np.maximum(seen * inflation, 1e-14), points.shape[2], tie)
    q, _, normal = refine(points, q, total, kind.shape, loss=loss, tie=tie, iterations=FIRST_ROUND)
    # Nothing is less sure than what is known of every canal: a break lies on it, and no bend is sharper than the sharpest.
    usual = np.full((count, size), np.inf)
    usual[:, 2:first] = USUAL_CURVATURE**2
    usual[:, first:] = (total**2 / 12.0)[:, None]
    normal = normal + np.eye(size) * ((seen * inflation)[:, None] / usual)[:, None]
    covariance = inverse(normal) * (seen * inflation)[:, None, None]
    length = feet(points[:, :, -1:], q @ tie.matrix.T, kind.shape)
    return Pieces(kind, q, residual, square / np.maximum(weight.sum(axis=1), 1.0), length, covariance, seen)


def _unshown(q: Float64, kind: Kind, total: Float64, seen: Float64, variance: Float64, count: int, tie: Tie) -> Tie:
    """What is known of a straight part that is shorter than the points could show: that it is, and the rest is fitted to it.

    Points beside a straight part of length t behind an arc of curvature c, were it left out, lie off by c x x / 2: their
    squares sum up to c c t^5 / 20 over the spacing. One of length g between two arcs moves what follows by c g g / 4. Where
    those are as large as the noise the likelihood has no curvature at 0, which would say that nothing is known.
    """
    first = 2 + kind.pieces * kind.each
    weight, at = tie.weight.copy(), tie.at.copy()
    weight[:, :-2] = (seen / GAP_MM**2)[:, None]  # by what the points turned out to be off
    outer = np.maximum(np.abs(q[:, [2, first - 1]]), LEAST_CURVATURE)
    shown = np.minimum((150.0 * (total * variance / count)[:, None] / outer**2) ** 0.2, MOST_SHOWN * total[:, None])
    straight = np.column_stack([q[:, first], total - q[:, -1]])
    place = np.column_stack([USUAL_SHARE * shown[:, 0], total - USUAL_SHARE * shown[:, 1]])
    known = seen[:, None] / (SHARE_STD * shown) ** 2
    weight[:, -2:] = np.where(straight < shown, known, 0.0)
    at[:, -2:] = place
    for piece in range(1, kind.pieces):
        beside = 0.5 * (np.abs(q[:, 1 + piece * kind.each]) + np.abs(q[:, 2 + piece * kind.each]))
        least = np.sqrt(16.0 * np.sqrt(variance / count) / np.maximum(beside, LEAST_CURVATURE))
        least = np.minimum(least, GAP_MM)
        small = q[:, first + 2 * piece] - q[:, first + 2 * piece - 1] < least
        weight[:, piece - 1] = np.where(small, seen / (GAP_SHARE_STD * least) ** 2, weight[:, piece - 1])
        at[:, piece - 1] = np.where(small, GAP_SHARE * least, 0.0)
    return evolve(tie, weight=weight, at=at)


def chosen(loss: Loss, rows: NDArray[np.intp]) -> Loss:
    """The loss of some paths of many, each as often as it stands in `rows`."""
    return lambda residual, which: loss(residual, rows[which])


def two_arcs_starts(arc: Float64, guesses: Float64) -> Float64:
    """Where the fit of two arcs begins (K, S, 8): some guesses, and one arc (K, 5) cut in its middle into two of the same and
    of different curvature. From the guesses alone it can end farther from the points than one arc does.
    """
    middle = 0.5 * (arc[:, 3] + arc[:, 4])
    cut = [
        np.column_stack([arc[:, :2], arc[:, 2] * one, arc[:, 2] * other, arc[:, 3], middle, middle, arc[:, 4]])
        for one, other in ((1.0, 1.0), (0.5, 1.5), (1.5, 0.5))
    ]
    return np.concatenate([guesses, np.stack(cut, axis=1)], axis=1)


def spiral_starts(arc: Float64, two: Pieces) -> Float64:
    """Where the fit of one spiral begins (K, S, 6), from the parameters of one arc (K, 5) and of two."""
    k = arc[:, 2]
    starts = [
        np.column_stack([arc[:, :2], k * one, k * other, arc[:, 3:]])
        for one, other in ((1.0, 1.0), (0.3, 1.7), (1.7, 0.3))
    ]
    starts.append(np.column_stack([two.q[:, :4], two.q[:, 4], two.q[:, 7]]))
    return np.stack(starts, axis=1)


def two_spirals_starts(two: Pieces, three: Pieces) -> Float64:
    """Where the fit of two spirals begins (K, S, 10), from those of two and of three arcs."""
    k, breaks = two.q[:, 2:4], two.q[:, 4:]
    starts = [
        np.column_stack([two.q[:, :2], k[:, :1] * one, k[:, :1] * other, k[:, 1:] * other, k[:, 1:] * one, breaks])
        for one, other in ((1.0, 1.0), (0.4, 1.6), (1.6, 0.4))
    ]
    c, at = three.q[:, 2:5], three.q[:, 5:]
    first_two, last_two = [c[:, 0], c[:, 1], c[:, 2], c[:, 2]], [c[:, 0], c[:, 0], c[:, 1], c[:, 2]]
    starts.append(np.column_stack([three.q[:, :2], *first_two, at[:, 0], at[:, 3], at[:, 4:]]))
    starts.append(np.column_stack([three.q[:, :2], *last_two, at[:, :2], at[:, 2], at[:, 5]]))
    return np.stack(starts, axis=1)
