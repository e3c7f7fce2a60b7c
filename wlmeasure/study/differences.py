"""Bias and limits of agreement of two observers or methods, with their intervals.

Sources. Bland & Altman, Lancet 1986;327:307-310 and Stat Methods Med Res 1999;8:135-160 (limits of agreement and their
standard errors); Bland & Altman, J Biopharm Stat 2007;17:571-582 (several readings of a subject, whose true value is the
same or varies); Zou, Stat Methods Med Res 2013;22:630-642 (intervals of those limits by recovering variance estimates).
Subjects that belong together, such as the canals of a tooth: the sandwich variance over clusters of Liang & Zeger, Biometrika
1986;73:13-22, with Student's t of one less than there are clusters (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.errors import MeasureError
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.study.correlation import as_table
from wlmeasure.study.quantiles import chi_square_quantile, normal_quantile, t_quantile

__all__ = [
    "TWO_SD",
    "Limits",
    "RepeatedLimits",
    "clustered_std",
    "limits_of_agreement",
    "limits_of_repeated",
]

Float64 = NDArray[np.float64]
Interval = tuple[float, float]

TWO_SD = 2.0  # the paper of 1986 sets its limits two standard deviations out


@frozen
class Limits:
    """Differences of two methods or observers (Bland & Altman 1986), in the unit of the values.

    Attributes
    ----------
    bias
        Mean of first minus second.
    std
        Standard deviation of the differences.
    low, high
        Limits of agreement: bias -+ `times` std.
    bias_std, limit_std
        Standard errors of the bias (std / sqrt n) and of either limit (sqrt(3 / n) std, the paper's approximation).
    bias_interval, low_interval, high_interval
        95 % intervals by Student's t with n - 1 degrees of freedom.
    times
        How many standard deviations out the limits lie.
    clusters
        How many clusters the subjects fall into: the intervals are theirs, and as many as subjects where each stands alone.
    """

    subjects: int
    bias: float
    std: float
    low: float
    high: float
    bias_std: float
    limit_std: float
    bias_interval: Interval
    low_interval: Interval
    high_interval: Interval
    times: float = NORMAL_95
    clusters: int = 0


@frozen
class RepeatedLimits:
    """The same from several readings of each subject (Bland & Altman 2007), for one reading by each.

    Attributes
    ----------
    readings
        Of the first and of the second observer.
    std
        Of the difference of one reading by each on one subject.
    between_variance
        Of the subjects' mean differences ("constant"); between subjects, what their readings leave ("varies").
    within_variance
        Of repeated readings: the first's and the second's ("constant"); of the differences ("varies", one number).
    true_value
        Whether a subject's true value is taken as "constant", or "varies" from one pair of readings to the next.
    """

    subjects: int
    readings: tuple[int, int]
    bias: float
    std: float
    low: float
    high: float
    bias_interval: Interval
    low_interval: Interval
    high_interval: Interval
    between_variance: float
    within_variance: tuple[float, ...]
    true_value: str


def clustered_std(influence: Float64, clusters: Sequence[str]) -> tuple[float, int]:
    """Standard error of a mean-like estimate from what each subject moves it by (n,), and the number of clusters.

    Raises
    ------
    MeasureError
        Fewer than two clusters.
    """
    n = len(influence)
    names = sorted(set(clusters))
    if len(names) < 2:
        raise MeasureError("clusters must be two or more: with one nothing is said of how they differ")
    places = {name: k for k, name in enumerate(names)}
    sums = np.bincount([places[name] for name in clusters], influence - influence.mean(), len(names))
    g = len(names)
    return sqrt(float(sums @ sums) * g / (g - 1)) / n, g


def limits_of_agreement(
    first: object, second: object, *, times: float = NORMAL_95, clusters: Sequence[str] | None = None
) -> Limits:
    """Bias and limits of agreement of two measurements of each subject.

    Parameters
    ----------
    first, second : (n,)
        Values of the same subjects in the same order.
    times
        Standard deviations from the bias to a limit: 1.96, or :data:`TWO_SD`.
    clusters
        For each subject what it belongs to, such as its tooth. Where two of them share one, the intervals are cluster-robust.

    Raises
    ------
    MeasureError
        Unequal numbers, fewer than two subjects or clusters, a value that is not finite.
    """
    one, two = (np.asarray(values, np.float64) for values in (first, second))
    if one.shape != two.shape or one.ndim != 1:
        raise MeasureError(f"first and second must be as many values each: {one.shape} and {two.shape}")
    table = as_table(np.column_stack([one, two]))
    difference = table[:, 0] - table[:, 1]
    n, bias, std = len(difference), float(difference.mean()), float(difference.std(ddof=1))
    bias_std, limit_std = std / sqrt(n), sqrt(3.0 / n) * std
    low, high = bias - times * std, bias + times * std
    edges, groups = (limit_std, limit_std), n
    if clusters is not None and len(clusters) != n:
        raise MeasureError(f"clusters must be one for each subject: {len(clusters)} for {n}")
    if clusters is not None and len(set(clusters)) < n:
        off = difference - bias
        bias_std, groups = clustered_std(off, clusters)
        # How a subject moves the standard deviation, to first order.
        spread = (off**2 - std**2) / (2.0 * std) if std > 0.0 else np.zeros(n)
        edges = (clustered_std(off - times * spread, clusters)[0], clustered_std(off + times * spread, clusters)[0])
        limit_std = max(edges)
    t = t_quantile(0.975, groups - 1)
    return Limits(
        n,
        bias,
        std,
        low,
        high,
        bias_std,
        limit_std,
        (bias - t * bias_std, bias + t * bias_std),
        (low - t * edges[0], low + t * edges[0]),
        (high - t * edges[1], high + t * edges[1]),
        times,
        groups,
    )


def limits_of_repeated(
    first: Sequence[Sequence[float]],
    second: Sequence[Sequence[float]],
    *,
    varies: bool = False,
    clusters: Sequence[str] | None = None,
) -> RepeatedLimits:
    """Bias and limits of agreement where each observer has read each subject several times.

    With a constant true value (a film) the variance of a difference of single readings is that of the subjects' mean
    differences and (1 - mean of 1 / m) of each observer's own variance (2007, section 2). Where it varies from pair to pair,
    the differences of the pairs are taken apart into between and within subjects (section 3), and the readings of a subject
    must come in pairs.

    Parameters
    ----------
    first, second
        For each subject the readings of either observer, subjects in the same order.
    varies
        Whether the true value varies between the pairs.
    clusters
        As for `limits_of_agreement`; they widen the interval of the bias.

    Raises
    ------
    MeasureError
        Unequal numbers of subjects, fewer than two, a subject without a reading, no subject with two of them; where the true
        value varies, readings that are no pairs.
    """
    ones, twos = ([np.asarray(readings, np.float64) for readings in values] for values in (first, second))
    if len(ones) != len(twos) or len(ones) < 2:
        raise MeasureError(f"first and second must be as many subjects each, two or more: {len(ones)} and {len(twos)}")
    for k, (one, two) in enumerate(zip(ones, twos, strict=True)):
        if min(one.size, two.size) < 1 or not (np.isfinite(one).all() and np.isfinite(two).all()):
            raise MeasureError(f"readings must be finite numbers, one or more by each: subject {k} has none or others")
    made = _varying(ones, twos) if varies else _constant(ones, twos)
    if clusters is None or len(set(clusters)) == len(ones):
        return made
    means = np.array([one.mean() - two.mean() for one, two in zip(ones, twos, strict=True)])
    # Of readings that vary in pairs the bias weighs a subject by its pairs.
    sizes = np.array([one.size for one in ones], float) if varies else np.ones(len(ones))
    std, groups = clustered_std((means - made.bias) * sizes * len(ones) / sizes.sum(), clusters)
    half = t_quantile(0.975, groups - 1) * std
    return evolve(made, bias_interval=(made.bias - half, made.bias + half))


def _constant(ones: list[Float64], twos: list[Float64]) -> RepeatedLimits:
    n = len(ones)
    means = np.array([one.mean() - two.mean() for one, two in zip(ones, twos, strict=True)])
    between = float(means.var(ddof=1))
    parts = [(between, 1.0, n - 1)]
    own = []
    for readings in (ones, twos):
        freedom = sum(r.size - 1 for r in readings)
        if freedom == 0:
            raise MeasureError("readings must be two or more of some subject: none was repeated; use single readings")
        variance = sum(float(np.sum((r - r.mean()) ** 2)) for r in readings) / freedom
        own.append(variance)
        parts.append((variance, 1.0 - float(np.mean([1.0 / r.size for r in readings])), freedom))
    counts = (sum(r.size for r in ones), sum(r.size for r in twos))
    return _repeated(float(means.mean()), between / n, parts, n, counts, between, tuple(own), "constant")


def _varying(ones: list[Float64], twos: list[Float64]) -> RepeatedLimits:
    n = len(ones)
    if any(one.size != two.size for one, two in zip(ones, twos, strict=True)):
        raise MeasureError(
            "readings must come in pairs where the true value varies: a subject has more of one observer"
        )
    differences = [one - two for one, two in zip(ones, twos, strict=True)]
    sizes = np.array([d.size for d in differences])
    total = int(sizes.sum())
    if total == n:
        raise MeasureError("readings must be two or more of some subject: none was repeated; use single readings")
    bias = float(np.concatenate(differences).mean())
    means = np.array([d.mean() for d in differences])
    within = sum(float(np.sum((d - d.mean()) ** 2)) for d in differences) / (total - n)
    among = float(np.sum(sizes * (means - bias) ** 2)) / (n - 1)
    divisor = (total**2 - float(np.sum(sizes**2))) / ((n - 1) * total)
    between = max(0.0, (among - within) / divisor)
    # As a sum of independent mean squares: among / divisor + (1 - 1 / divisor) within.
    parts = [(among, 1.0 / divisor, n - 1), (within, 1.0 - 1.0 / divisor, total - n)]
    if between == 0.0:
        parts = [(within, 1.0, total - n)]
    return _repeated(bias, float(means.var(ddof=1)) / n, parts, n, (total, total), between, (within,), "varies")


def _repeated(
    bias: float,
    bias_variance: float,
    parts: list[tuple[float, float, int]],
    n: int,
    readings: tuple[int, int],
    between: float,
    within: tuple[float, ...],
    true_value: str,
) -> RepeatedLimits:
    """Limits from a variance that is a sum of independent ones (variance, factor, degrees of freedom); intervals as Zou's."""
    variance = sum(part * factor for part, factor, _ in parts)
    std = sqrt(variance)
    down, up = (
        sqrt(
            sum(
                (part * factor * (1.0 - freedom / chi_square_quantile(tail, freedom))) ** 2
                for part, factor, freedom in parts
                if freedom > 0
            )
        )
        for tail in (0.975, 0.025)
    )
    z = normal_quantile(0.975)
    inner, outer = (
        sqrt(z * z * bias_variance + NORMAL_95**2 * (edge - std) ** 2)
        for edge in (sqrt(max(0.0, variance - down)), sqrt(variance + up))
    )
    low, high = bias - NORMAL_95 * std, bias + NORMAL_95 * std
    half = t_quantile(0.975, n - 1) * sqrt(bias_variance)
    return RepeatedLimits(
        n,
        readings,
        bias,
        std,
        low,
        high,
        (bias - half, bias + half),
        (low - outer, low + inner),
        (high - inner, high + outer),
        between,
        within,
        true_value,
    )
