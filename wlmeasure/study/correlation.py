"""The six intraclass correlations with their intervals, from one table of subjects by observers.

Sources. Shrout & Fleiss, Psychol Bull 1979;86:420-428 (the six forms, the intervals of the means by Spearman-Brown), and
McGraw & Wong, Psychol Methods 1996;1:30-46 (names A and C, interval of the absolute agreement): formulas from memory, held
to the published table and to another program's answers. A correlation says how far the subjects can be told apart, which
depends on how different they are: it is never given without the standard deviation in the unit of the values.
"""

from __future__ import annotations

from typing import Literal, get_args

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.errors import MeasureError, check_finite
from wlmeasure.study.quantiles import f_quantile

__all__ = ["FORMS", "Correlation", "Form", "MeanSquares", "as_table", "correlations", "mean_squares"]

Float64 = NDArray[np.float64]
Form = Literal["ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)"]

LEAST_FREEDOM = 0.5  # our parameter; the interval is then all but the whole range
NOTHING = 1e-18  # share of the largest mean square that is rounding

FORMS: dict[Form, str] = {
    "ICC(1,1)": "one-way; each subject by other observers; one reading",
    "ICC(2,1)": "absolute agreement, observers drawn at random (A,1); one reading",
    "ICC(3,1)": "consistency, these observers only (C,1); one reading",
    "ICC(1,k)": "one-way; the mean of all observers",
    "ICC(2,k)": "absolute agreement (A,k); the mean of all observers",
    "ICC(3,k)": "consistency (C,k); the mean of all observers",
}
"""What each form says, in the names of Shrout & Fleiss; A and C are those of McGraw & Wong."""


@frozen
class Correlation:
    """One intraclass correlation and its interval."""

    form: Form
    value: float
    interval: tuple[float, float]


@frozen
class MeanSquares:
    """The two-way table of n subjects and k observers: mean squares between, within, of observers, and of what is left."""

    subjects: int
    observers: int
    between: float
    within: float
    observer: float
    error: float


def mean_squares(values: object) -> MeanSquares:
    """Mean squares BMS, WMS, JMS, EMS of Shrout & Fleiss.

    Parameters
    ----------
    values : (n, k)
        Row: subject, column: observer.

    Raises
    ------
    MeasureError
        Fewer than two subjects or observers, a value that is not finite.
    """
    table = as_table(values)
    n, k = table.shape
    mean = table.mean()
    by_subject, by_observer = table.mean(axis=1), table.mean(axis=0)
    left = table - by_subject[:, None] - by_observer + mean
    return MeanSquares(
        n,
        k,
        k * float(np.sum((by_subject - mean) ** 2)) / (n - 1),
        float(table.var(axis=1, ddof=1).mean()),
        n * float(np.sum((by_observer - mean) ** 2)) / (k - 1),
        float(np.sum(left**2)) / ((n - 1) * (k - 1)),
    )


def correlations(values: object, *, confidence: float = 0.95) -> dict[Form, Correlation]:
    """All six forms.

    Parameters
    ----------
    values : (n, k)
        Row: subject, column: observer; no cell may be missing.
    confidence
        Of the intervals, between 0 and 1.

    Raises
    ------
    MeasureError
        As `mean_squares`; values that are all the same.
    """
    if not 0.0 < check_finite(MeasureError, "confidence", confidence) < 1.0:
        raise MeasureError(f"confidence must lie between 0 and 1: {confidence:g}")
    squares = mean_squares(values)
    if squares.between + squares.observer + squares.error <= 1e-24 * float(np.mean(as_table(values))) ** 2:
        raise MeasureError("values must differ between subjects: all are the same, so nothing can be told apart")
    n, k = squares.subjects, squares.observers
    scale = max(squares.between, squares.observer, squares.error)
    single = (
        _by_ratio(squares.between, squares.within, scale, n, k, n * (k - 1), confidence),
        _absolute(squares, confidence),
        _by_ratio(squares.between, squares.error, scale, n, k, (n - 1) * (k - 1), confidence),
    )
    means = tuple(tuple(_of_means(value, k) for value in three) for three in single)
    return {
        form: Correlation(form, value, (low, high))
        for form, (value, low, high) in zip(get_args(Form), (*single, *means), strict=True)
    }


def _of_means(icc: float, k: int) -> float:
    """Spearman and Brown: the correlation of means of `k` readings from that of one; exact for all three forms."""
    return k * icc / max(1.0 + (k - 1) * icc, 1e-300)


def _by_ratio(
    above: float, below: float, scale: float, n: int, k: int, freedom: int, confidence: float
) -> tuple[float, float, float]:
    """The forms whose interval follows from one F ratio: ICC(1,1) and ICC(3,1)."""
    if max(above, below) <= scale * NOTHING:  # neither subjects nor readings of one differ: nothing is known
        return 0.0, -1.0 / (k - 1), 1.0
    if below <= 1e-12 * above:
        return 1.0, 1.0, 1.0
    tail = 0.5 * (1.0 + confidence)
    ratio = above / below
    low = ratio / f_quantile(tail, n - 1, freedom)
    high = ratio * f_quantile(tail, freedom, n - 1)
    value, least, most = ((f - 1.0) / (f + k - 1.0) for f in (ratio, low, high))
    return value, least, most


def _absolute(squares: MeanSquares, confidence: float) -> tuple[float, float, float]:
    """ICC(2,1) with the interval of McGraw & Wong."""
    n, k = squares.subjects, squares.observers
    rows, columns, error = squares.between, squares.observer, squares.error
    whole = rows + (k - 1) * error + k * (columns - error) / n
    if whole <= NOTHING * max(rows, columns, error):  # two subjects whom two observers put the other way round
        return 0.0, -1.0 / (k - 1), 1.0
    icc = (rows - error) / whole
    if columns + error <= 1e-12 * rows:
        return icc, icc, icc  # no difference between observers at all
    # Satterthwaite's degrees of freedom for the sum of the observers' and the error's mean squares.
    a, b = k * icc / (n * (1.0 - icc)), 1.0 + k * icc * (n - 1) / (n * (1.0 - icc))
    spread_of_sum = (a * columns) ** 2 / (k - 1) + (b * error) ** 2 / ((n - 1) * (k - 1))
    freedom = (a * columns + b * error) ** 2 / spread_of_sum if spread_of_sum > 0.0 else float(k - 1)
    freedom = max(freedom, LEAST_FREEDOM)  # a strongly negative correlation takes it towards zero
    tail = 0.5 * (1.0 + confidence)
    lower, upper = f_quantile(tail, n - 1, freedom), f_quantile(tail, freedom, n - 1)
    spread = k * columns + (k * n - k - n) * error
    low = n * (rows - lower * error) / (lower * spread + n * rows)
    high = n * (upper * rows - error) / (spread + n * upper * rows)
    return icc, low, high


def as_table(values: object) -> Float64:
    """Values as a table of two or more subjects (rows) and observers (columns), all finite.

    Raises
    ------
    MeasureError
        They are none.
    """
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
