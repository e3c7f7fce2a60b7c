"""Error of one observer from repeated readings: within-subject standard deviation, Dahlberg's error, technical error, drift.

Sources. Bland & Altman, BMJ 1996;313:744 (within-subject standard deviation, repeatability); Dahlberg, Statistical Methods
for Medical and Biological Students, 1940 (two readings); Ulijaszek & Kerr, Br J Nutr 1999;82:165-177 (technical error of
measurement of several readings, and relative to the mean; from memory). Dahlberg's error holds a shift between first and
second readings too: the shift is given beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt

import numpy as np
from attrs import frozen

from wlmeasure.errors import MeasureError
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.study.quantiles import chi_square_quantile, t_quantile

__all__ = ["REPEATABILITY", "Dahlberg", "Drift", "Within", "dahlberg", "drift", "within_readings"]

REPEATABILITY = 2.0**0.5 * NORMAL_95  # times the within-subject SD: 95 % of differences of two repeats are smaller


@frozen
class Within:
    """Spread of readings of the same subject, in the unit of the values.

    Attributes
    ----------
    subjects, readings
        With two or more readings, and how many those are.
    std, std_interval
        Within-subject standard deviation, and its 95 % interval by chi-squared.
    repeatability, repeatability_interval
        Two readings of a subject differ by less than this in 95 of 100 subjects.
    relative
        The standard deviation over the mean of all readings; None where the mean is not positive. As a percentage it is the
        relative technical error of measurement; the technical error itself is `std`.
    """

    subjects: int
    readings: int
    std: float
    std_interval: tuple[float, float]
    repeatability: float
    repeatability_interval: tuple[float, float]
    relative: float | None


@frozen
class Dahlberg:
    """Dahlberg's error sqrt(sum d^2 / 2 n) of two readings, and the shift from first to second that it holds too."""

    subjects: int
    error: float
    relative: float | None
    shift: float
    shift_interval: tuple[float, float]


@frozen
class Drift:
    """How readings move while an observer works: by reading (change per film read) over repeated films.

    `per_reading` is the slope of a subject's readings over their place in the observer's order, subjects compared with
    themselves alone; `over_all` is what it adds up to from the first film to the last.
    """

    per_reading: float
    interval: tuple[float, float]
    span: float

    @property
    def over_all(self) -> float:
        return self.per_reading * self.span

    @property
    def over_all_interval(self) -> tuple[float, float]:
        return self.interval[0] * self.span, self.interval[1] * self.span


def within_readings(readings: Sequence[Sequence[float]]) -> Within:
    """Within-subject standard deviation from the readings of each subject; those with one reading say nothing of it.

    Subjects weigh by their degrees of freedom; with equal numbers of readings it is the root of the mean variance.

    Raises
    ------
    MeasureError
        No subject with two readings, a value that is not finite.
    """
    several = [np.asarray(r, np.float64) for r in readings if len(r) > 1]
    if not several or not all(np.isfinite(r).all() for r in several):
        raise MeasureError("readings must be two or more finite numbers of some subject: none was read twice")
    freedom = sum(r.size - 1 for r in several)
    std = sqrt(sum(float(np.sum((r - r.mean()) ** 2)) for r in several) / freedom)
    ends = tuple(std * sqrt(freedom / chi_square_quantile(tail, freedom)) for tail in (0.975, 0.025))
    mean = float(np.concatenate(several).mean())
    return Within(
        len(several),
        sum(r.size for r in several),
        std,
        (ends[0], ends[1]),
        REPEATABILITY * std,
        (REPEATABILITY * ends[0], REPEATABILITY * ends[1]),
        std / mean if mean > 0.0 else None,
    )


def dahlberg(first: object, second: object) -> Dahlberg:
    """Dahlberg's error of two readings of each subject.

    Parameters
    ----------
    first, second : (n,)
        Readings of the same subjects in the same order.

    Raises
    ------
    MeasureError
        Unequal numbers, fewer than two subjects, a value that is not finite.
    """
    one, two = (np.asarray(values, np.float64) for values in (first, second))
    if one.shape != two.shape or one.ndim != 1 or len(one) < 2:
        raise MeasureError(f"first and second must be as many values each, two or more: {one.shape} and {two.shape}")
    if not (np.isfinite(one).all() and np.isfinite(two).all()):
        raise MeasureError("first and second must be finite numbers: one is not; leave that subject out")
    n = len(one)
    error = sqrt(float(np.sum((one - two) ** 2)) / (2 * n))
    mean = 0.5 * float((one + two).mean())
    shift = two - one
    half = t_quantile(0.975, n - 1) * float(shift.std(ddof=1)) / sqrt(n)
    middle = float(shift.mean())
    return Dahlberg(n, error, error / mean if mean > 0.0 else None, middle, (middle - half, middle + half))


def drift(readings: Sequence[Sequence[tuple[float, float]]]) -> Drift | None:
    """Drift over an observer's order from repeated subjects; None where fewer than three of them tell of it.

    Parameters
    ----------
    readings
        For each subject its readings as (place in the order, value).
    """
    x, y, spared = [], [], 0
    places = [place for one in readings for place, _ in one]
    for one in readings:
        if len(one) > 1:
            at, value = (np.asarray(column, np.float64) for column in zip(*one, strict=True))
            x.append(at - at.mean())
            y.append(value - value.mean())
            spared += 1
    if spared < 3:  # two lines through two points each have one degree of freedom: no interval worth printing
        return None
    along, off = np.concatenate(x), np.concatenate(y)
    freedom = len(along) - spared - 1
    square = float(along @ along)
    if square <= 0.0 or freedom < 1:
        return None
    slope = float(along @ off) / square
    left = off - slope * along
    half = t_quantile(0.975, freedom) * sqrt(float(left @ left) / freedom / square)
    return Drift(slope, (slope - half, slope + half), max(places) - min(places))
