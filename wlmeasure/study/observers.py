"""Agreement of observers who each measured all subjects once: the main figures of a complete table.

The parts: :mod:`~wlmeasure.study.correlation` (six intraclass correlations), :mod:`~wlmeasure.study.differences` (bias and
limits of agreement), :mod:`~wlmeasure.study.repeats` (repeated readings). A correlation says how far the subjects can be
told apart, which depends on how different they are: it is never given without the standard deviation in the unit of the
values.
"""

from __future__ import annotations

from attrs import frozen

from wlmeasure.study.correlation import as_table, correlations
from wlmeasure.study.differences import Limits, limits_of_agreement
from wlmeasure.study.quantiles import f_quantile
from wlmeasure.study.repeats import REPEATABILITY, within_readings

__all__ = ["Agreement", "Limits", "agreement", "f_quantile", "icc_absolute", "limits_of_agreement", "within_subject"]


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
    table = as_table(values)
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
    found = correlations(values, confidence=confidence)["ICC(2,1)"]
    return found.value, found.interval


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
    return within_readings([list(row) for row in as_table(values)]).std
