"""What a tilt that no film shows does to a length.

A tilt of all films together against the tooth's axis leaves hardly a trace on films that were only shifted sideways.
A length grows with the square of it as well as in proportion, so that a normal spread about the most probable tilt
would be one-sided and too narrow. The fit is repeated at three tilts; between them the length, its spread and the
probability of the tilt are interpolated, and quantiles are read from all tilts together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.measure.space.fit import Solution, layout_of, moved, solve
from wlmeasure.measure.space.scene import Scene, Tooth

__all__ = ["Quantity", "Reading", "Spread", "shares_of", "spread_of"]

Float64 = NDArray[np.float64]

NODES = np.array([-1.8, 0.0, 1.8])  # standard deviations of the tilt at which the length is fitted
REACH, GRID = 3.2, 65  # the tilts in between: how far, how many
NODE_ITERATIONS = 8
ROUGHLY = 0.02  # in units of chi squared: settled enough for a node
LEAST_TILT_STD = 1e-3  # rad: a tilt known better than this bends no length

Quantity = Callable[[Tooth], tuple[Float64, Float64]]
"""Q values of a tooth and their derivatives (Q, parameters)."""


@frozen(eq=False)
class Spread:
    """Of each of Q values: median, standard deviation, and the ends of its 95 % interval; (Q,) each."""

    median: Float64
    std: Float64
    low: Float64
    high: Float64


@frozen(eq=False)
class Reading:
    """One way in which the films may have been taken, and the fit under it."""

    scene: Scene
    solution: Solution


LEAST_SHARE = 1e-4  # a way less probable than this moves no end of an interval


def shares_of(readings: Sequence[Reading]) -> Float64:
    """Probability of each reading, taken as equally likely before the films are seen."""
    logs = np.array([reading.solution.log_evidence for reading in readings])
    shares: Float64 = np.exp(logs - logs.max())
    shares /= shares.sum()
    return shares


def spread_of(readings: Sequence[Reading], quantity: Callable[[Scene, Tooth], tuple[Float64, Float64]]) -> Spread:
    """Median and 95 % interval of values that a tooth has, over the tilts that no film shows and the ways in which the films
    may have been taken, each by its probability.
    """
    values, stds, weights = [], [], []
    for reading, share in zip(readings, shares_of(readings), strict=True):
        if share < LEAST_SHARE:
            continue
        scene = reading.scene
        found = _over_tilts(scene, reading.solution, lambda tooth, scene=scene: quantity(scene, tooth))  # type: ignore[misc]
        values.append(found[0])
        stds.append(found[1])
        weights.append(share * found[2])
    return _quantiles(np.concatenate(values), np.concatenate(stds), np.concatenate(weights))


def _over_tilts(scene: Scene, best: Solution, quantity: Quantity) -> tuple[Float64, Float64, Float64]:
    """Of tilts (N,): values (N, Q), their standard deviations, and the tilts' probabilities."""
    layout = layout_of(scene, best.tooth)
    column = layout.common.start
    tilt_std = float(np.sqrt(best.covariance[column, column])) if scene.common_spread[0] > 0.0 else 0.0
    if tilt_std < LEAST_TILT_STD:
        values, slopes = quantity(best.tooth)
        stds = np.sqrt(np.einsum("qp,pr,qr->q", slopes, best.covariance, slopes))
        return values[None], stds[None], np.ones(1)
    held = evolve(scene, common_spread=np.array([0.0, scene.common_spread[1]]))
    to_tilt = best.covariance[:, column] / best.covariance[column, column]
    at_nodes: list[Float64] = []
    variances: list[Float64] = []
    heights: list[float] = []
    for node in NODES:
        if node:
            tooth = moved(best.tooth, layout, to_tilt * node * tilt_std)
            found = solve(held, tooth, iterations=NODE_ITERATIONS, settled=ROUGHLY)
        else:
            found = _held(best, column, float(best.tooth.common[0] / scene.common_spread[0]))
        value, slopes = quantity(found.tooth)
        slopes = np.delete(slopes, column, axis=1)
        at_nodes.append(value)
        variances.append(np.einsum("qp,pr,qr->q", slopes, found.covariance, slopes))
        own = found.tooth.common[0] / scene.common_spread[0]
        heights.append(float(-0.5 * (found.objective + own**2) + 0.5 * np.linalg.slogdet(found.covariance)[1]))
    at = np.linspace(-REACH, REACH, GRID)
    weights: Float64 = np.exp(_between(np.array(heights) - max(heights), at, degree=2))
    spans = _between(np.array(at_nodes), at, degree=2)
    least = np.min(variances, axis=0)
    spreads: Float64 = np.sqrt(np.maximum(_between(np.array(variances), at, degree=2), least))
    return spans, spreads, weights / weights.sum()


def _held(best: Solution, column: int, tilt: float) -> Solution:
    """The best fit with its tilt, `tilt` standard deviations of what is known before, taken as given."""
    covariance = (
        best.covariance - np.outer(best.covariance[column], best.covariance[column]) / best.covariance[column, column]
    )
    covariance = np.delete(np.delete(covariance, column, axis=0), column, axis=1)
    return evolve(best, covariance=covariance, objective=best.objective - tilt**2)


def _between(values: Float64, at: Float64, degree: int) -> Float64:
    fitted = np.polynomial.polynomial.polyfit(NODES, values, degree)
    return np.asarray(np.polynomial.polynomial.polyval(at, fitted).T, np.float64)


NORMAL = np.linspace(-3.5, 3.5, 29)
NORMAL_WEIGHTS = np.exp(-0.5 * NORMAL**2) / np.exp(-0.5 * NORMAL**2).sum()


def _quantiles(values: Float64, stds: Float64, weights: Float64) -> Spread:
    """Of normal spreads (N, Q) about values (N, Q), each with its weight (N,)."""
    weights = weights / weights.sum()
    mean = weights @ values
    std = np.sqrt(weights @ (stds**2 + (values - mean) ** 2))
    ends = []
    for q in range(values.shape[1]):
        all_values = (values[:, q, None] + stds[:, q, None] * NORMAL).ravel()
        order = np.argsort(all_values)
        share = np.cumsum((weights[:, None] * NORMAL_WEIGHTS).ravel()[order])
        share -= 0.5 * (weights[:, None] * NORMAL_WEIGHTS).ravel()[order]
        ends.append(np.interp([0.025, 0.5, 0.975], share, all_values[order]))
    low, median, high = np.array(ends).T
    return Spread(median, std, low, high)
