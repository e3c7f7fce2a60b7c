"""Agreement of observers: intraclass correlation, within-subject standard deviation, limits of agreement.

Sources. Shrout & Fleiss, Psychol Bull 1979;86:420-428, and McGraw & Wong, Psychol Methods 1996;1:30-46 (intraclass correlation
and its interval: formulas from memory, held to the published table); Bland & Altman, Lancet 1986;327:307-310 (limits of
agreement) and BMJ 1996;313:744 (within-subject standard deviation). A correlation says how far the subjects can be told apart,
which depends on how different they are: it is never given without the standard deviation in the unit of the values.

Written with numpy alone; the quantile of the F distribution, which the interval needs, comes from its own integral.
"""

from __future__ import annotations

from math import exp, lgamma, log, sqrt

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.errors import MeasureError, check_finite
from wlmeasure.measure.budget import NORMAL_95

__all__ = ["Agreement", "Limits", "agreement", "icc_absolute", "limits_of_agreement", "within_subject"]

Float64 = NDArray[np.float64]

REPEATABILITY = 2.0**0.5 * NORMAL_95  # times the within-subject SD: 95 % of differences of two repeats are smaller


@frozen
class Agreement:
    """Agreement of k observers (or repeats) on n subjects.

    Attributes
    ----------
    subjects, observers
        n and k.
    icc
        ICC(2,1) of Shrout & Fleiss, ICC(A,1) of McGraw & Wong: absolute agreement of single values, observers drawn at random.
    icc_interval
        Its 95 % interval (McGraw & Wong 1996).
    within_std
        Within-subject standard deviation, differences between observers included, in the unit of the values.
    repeatability
        Two observers differ by less than this in 95 of 100 subjects.
    """

    subjects: int
    observers: int
    icc: float
    icc_interval: tuple[float, float]
    within_std: float
    repeatability: float


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
        Limits of agreement: bias -+ 1.96 std.
    bias_std, limit_std
        Standard errors of the bias (std / sqrt n) and of either limit (sqrt(3 / n) std, the paper's approximation).
    """

    subjects: int
    bias: float
    std: float
    low: float
    high: float
    bias_std: float
    limit_std: float


def agreement(values: object) -> Agreement:
    """Everything about observers who each measured all subjects once.

    Parameters
    ----------
    values : (n, k)
        Row: subject, column: observer.

    Raises
    ------
    MeasureError
        Fewer than two subjects or observers, a value that is not finite, or values that are all the same.
    """
    table = _table(values)
    icc, interval = icc_absolute(table)
    within = within_subject(table)
    return Agreement(len(table), table.shape[1], icc, interval, within, REPEATABILITY * within)


def icc_absolute(values: object, *, confidence: float = 0.95) -> tuple[float, tuple[float, float]]:
    """ICC(2,1): two-way random effects, absolute agreement, single values; with its interval by McGraw & Wong.

    Parameters
    ----------
    values : (n, k)
        Row: subject, column: observer.
    confidence
        Of the interval, between 0 and 1.

    Raises
    ------
    MeasureError
        As `agreement`.
    """
    table = _table(values)
    if not 0.0 < check_finite(MeasureError, "confidence", confidence) < 1.0:
        raise MeasureError(f"confidence must lie between 0 and 1: {confidence:g}")
    n, k = table.shape
    mean = table.mean()
    by_subject, by_observer = table.mean(axis=1), table.mean(axis=0)
    rows = k * float(np.sum((by_subject - mean) ** 2)) / (n - 1)
    columns = n * float(np.sum((by_observer - mean) ** 2)) / (k - 1)
    left = table - by_subject[:, None] - by_observer + mean
    error = float(np.sum(left**2)) / ((n - 1) * (k - 1))
    if rows + columns + error <= 1e-24 * mean**2:
        raise MeasureError("values must differ between subjects: all are the same, so nothing can be told apart")
    icc = (rows - error) / (rows + (k - 1) * error + k * (columns - error) / n)
    if columns + error <= 1e-12 * rows:
        return icc, (icc, icc)  # no difference between observers at all
    # Satterthwaite's degrees of freedom for the sum of the observers' and the error's mean squares.
    a, b = k * icc / (n * (1.0 - icc)), 1.0 + k * icc * (n - 1) / (n * (1.0 - icc))
    freedom = (a * columns + b * error) ** 2 / ((a * columns) ** 2 / (k - 1) + (b * error) ** 2 / ((n - 1) * (k - 1)))
    tail = 0.5 * (1.0 + confidence)
    lower, upper = f_quantile(tail, n - 1, freedom), f_quantile(tail, freedom, n - 1)
    spread = k * columns + (k * n - k - n) * error
    low = n * (rows - lower * error) / (lower * spread + n * rows)
    high = n * (upper * rows - error) / (spread + n * upper * rows)
    return icc, (low, high)


def within_subject(values: object) -> float:
    """Within-subject standard deviation: root of the mean of the subjects' variances (Bland & Altman 1996).

    Of two repeats it is Dahlberg's error, sqrt(sum of squared differences / 2 n).

    Parameters
    ----------
    values : (n, k)
        Row: subject, column: repeat or observer.

    Raises
    ------
    MeasureError
        As `agreement`; values that are all the same have a deviation of 0.
    """
    return float(np.sqrt(_table(values).var(axis=1, ddof=1).mean()))


def limits_of_agreement(first: object, second: object) -> Limits:
    """Bias and 95 % limits of agreement of two measurements of each subject.

    Parameters
    ----------
    first, second : (n,)
        Values of the same subjects in the same order.

    Raises
    ------
    MeasureError
        Unequal numbers, fewer than two subjects, a value that is not finite.
    """
    one, two = (np.asarray(values, np.float64) for values in (first, second))
    if one.shape != two.shape or one.ndim != 1:
        raise MeasureError(f"first and second must be as many values each: {one.shape} and {two.shape}")
    table = _table(np.column_stack([one, two]))
    difference = table[:, 0] - table[:, 1]
    n, bias, std = len(difference), float(difference.mean()), float(difference.std(ddof=1))
    half = NORMAL_95 * std
    return Limits(n, bias, std, bias - half, bias + half, std / sqrt(n), sqrt(3.0 / n) * std)


def f_quantile(probability: float, above: float, below: float) -> float:
    """Quantile of the F distribution with `above` and `below` degrees of freedom, which need not be whole numbers.

    By bisection on the regularised incomplete beta function (Lentz's continued fraction, Numerical Recipes 6.4, from memory).
    """
    low, high = 0.0, 1.0  # of x = above F / (above F + below)
    for _ in range(100):
        middle = 0.5 * (low + high)
        if _beta_share(middle, 0.5 * above, 0.5 * below) < probability:
            low = middle
        else:
            high = middle
    share = 0.5 * (low + high)
    return below * share / (above * max(1.0 - share, 1e-300))


def _beta_share(x: float, a: float, b: float) -> float:
    """Regularised incomplete beta function I_x(a, b)."""
    if x <= 0.0 or x >= 1.0:
        return float(x >= 1.0)
    if x > (a + 1.0) / (a + b + 2.0):  # the fraction converges fast on the other side only
        return 1.0 - _beta_share(1.0 - x, b, a)
    front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log(x) + b * log(1.0 - x)) / a
    tiny = 1e-300
    c, d = 1.0, 1.0 / max(1.0 - (a + b) * x / (a + 1.0), tiny)
    value = d
    for m in range(1, 1000):
        for term in (
            m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0)),
        ):
            d = 1.0 + term * d
            c = 1.0 + term / c
            d = 1.0 / (d if abs(d) > tiny else tiny)
            c = c if abs(c) > tiny else tiny
            value *= c * d
        if abs(c * d - 1.0) < 1e-14:
            break
    return front * value


def _table(values: object) -> Float64:
    try:
        table = np.asarray(values, np.float64)
    except (TypeError, ValueError):
        raise MeasureError(f"values must be numbers, a row for each subject: {str(values)[:60]}") from None
    if table.ndim != 2 or min(table.shape) < 2:
        raise MeasureError(
            f"values must be a table of two or more subjects (rows) and observers (columns): its shape is {table.shape}"
        )
    if not np.isfinite(table).all():
        subject, observer = (int(k) for k in np.argwhere(~np.isfinite(table))[0])
        raise MeasureError(
            f"values must be finite numbers: subject {subject}, observer {observer} is not; leave that subject out"
        )
    return table
