"""Everything that a table of readings says of its observers, definition by definition.

Cells may be missing. What is said of two observers rests on all subjects that both read; an observer's own error on all
subjects read twice; the correlations, their mean squares and the parts of the variance on the subjects that every observer
read (the balanced subset), since their intervals are those of a complete table. How many subjects that left out is said.
Between observers first readings count, so that a repeat is not taken for another observer; where one of them gave no value,
no later one stands for it. Canals of one tooth are a cluster: the intervals of biases and limits allow for it. Readings that
began from a network's proposal count nowhere here (`anchored`).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from math import sqrt

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.decide.accuracy import Share, share_within
from wlmeasure.errors import MeasureError, StudyError
from wlmeasure.study.correlation import Correlation, Form, MeanSquares, correlations, mean_squares
from wlmeasure.study.differences import (
    TWO_SD,
    Limits,
    RepeatedLimits,
    clustered_std,
    limits_of_agreement,
    limits_of_repeated,
)
from wlmeasure.study.quantiles import t_quantile
from wlmeasure.study.readings import Reading, Readings
from wlmeasure.study.repeats import Dahlberg, Drift, Within, dahlberg, drift, within_readings

__all__ = ["Components", "Own", "Pair", "Summary", "summaries", "summary"]

Float64 = NDArray[np.float64]

WITHIN_MM = (0.5, 1.0)  # of a length: the half millimetre and the millimetre that the trade speaks of (common practice)
LEAST_OF_GROUP = 3  # subjects that a group of teeth needs for figures of its own (our parameter)


@frozen
class Pair:
    """Two observers: first minus second.

    `limits` and `limits_two_sd` are of first readings, `repeated` of all of them where both read some subject twice;
    `error` is Dahlberg's of the two observers' first readings.
    """

    first: str
    second: str
    subjects: tuple[str, ...]
    means: tuple[float, ...]
    differences: tuple[float, ...]
    limits: Limits
    limits_two_sd: Limits
    repeated: RepeatedLimits | None
    error: Dahlberg
    shares: tuple[Share, ...]


@frozen
class Own:
    """One observer.

    Attributes
    ----------
    bias, bias_interval
        First reading minus the mean of all observers' first readings of the subject, over the subjects that all read; None
        for an observer alone.
    within, error
        Of repeated readings: their standard deviation; Dahlberg's error of the first two.
    icc
        ICC(1,1) of the repeats: repeats are in no order that matters.
    drift
        Over the observer's own order, where the table has it.
    """

    observer: str
    readings: int
    subjects: int
    bias: float | None
    bias_interval: tuple[float, float] | None
    within: Within | None
    error: Dahlberg | None
    icc: Correlation | None
    drift: Drift | None


@frozen
class Components:
    """Standard deviations that the variance of a reading is made of (analysis of variance, negative ones set to zero).

    `remainder` is the observer's own view of a subject; with one reading each it cannot be told from `repeat`, and is None.
    """

    subject: float
    observer: float
    remainder: float | None
    repeat: float


@frozen
class Summary:
    """One definition (and group of teeth, empty for all)."""

    definition: str
    group: str
    unit: str
    observers: tuple[str, ...]
    subjects: int
    readings: int
    complete: int
    mean: float
    pairs: tuple[Pair, ...]
    own: tuple[Own, ...]
    squares: MeanSquares | None
    icc: dict[Form, Correlation]
    between: Within | None
    components: Components | None
    remarks: tuple[str, ...]


def summaries(readings: Readings, *, within: tuple[float, ...] | None = None, varies: bool = False) -> list[Summary]:
    """One summary a definition, and after it one for each of its groups of teeth where there are two or more.

    Readings that began from a proposal are left out; where nothing can be said without them, nothing is.

    Parameters
    ----------
    readings
        The table.
    within
        Sizes of differences whose share is given; by default 0.5 and 1 where the unit is mm.
    varies
        Whether a subject's true value varies between repeats (Bland & Altman 2007); on films it does not.

    Raises
    ------
    StudyError
        A definition of which nothing can be said: one reading of each subject by one observer.
    """
    out = []
    for definition in readings.definitions:
        every = readings.of(definition=definition)
        of, others = every.unaided, every.anchored.every
        if others and not of.rows:
            continue
        try:
            out.append(summary(of, within=within, varies=varies))
        except StudyError:
            if not others:
                raise
            continue
        groups = [of.of(group=group) for group in of.groups]
        large = [one for one in groups if len(one.subjects) >= LEAST_OF_GROUP]
        if len(groups) > 1:
            out += [summary(one, group=one.groups[0], within=within, varies=varies) for one in large]
    return out


def summary(
    readings: Readings, *, group: str = "", within: tuple[float, ...] | None = None, varies: bool = False
) -> Summary:
    """What the readings of one definition say, those from proposals left out.

    Raises
    ------
    StudyError
        Nothing can be said: one reading of each subject by one observer; several definitions at once.
    """
    readings = readings.unaided
    if len(readings.definitions) != 1:
        raise StudyError(f"readings must be of one definition: they are of {', '.join(readings.definitions)}")
    rows = {name: readings.by_subject(name) for name in readings.observers}
    firsts = {name: readings.first(name) for name in readings.observers}
    clusters = readings.clusters()
    unit = readings.rows[0].unit
    # Of lengths; half a millimetre says nothing of a radius.
    usual = WITHIN_MM if unit == "mm" and "radius" not in readings.definitions[0] else ()
    sizes = usual if within is None else within
    complete = [s for s in readings.subjects if all(s in own for own in firsts.values())]
    pairs = [_pair(a, b, firsts, rows, clusters, sizes, varies) for a, b in combinations(rows, 2)]
    first = np.array([[own[s].value for own in firsts.values()] for s in complete]).reshape(-1, len(rows))
    together = [clusters[s] for s in complete]
    own = tuple(_own(name, rows[name], first, k, together) for k, name in enumerate(rows))
    held = [pair for pair in pairs if pair is not None]
    if not held and all(one.within is None for one in own):
        raise StudyError(
            "table must have subjects that two observers read, or one observer read twice: there are none, so nothing can be "
            "said of agreement"
        )
    squares, icc, between = _together(first)
    remarks = _remarks(readings, complete, icc)
    return Summary(
        readings.definitions[0],
        group,
        unit,
        tuple(rows),
        len(readings.subjects),
        len(readings.rows),
        len(complete),
        float(np.mean([row.value for row in readings.rows])),
        tuple(held),
        own,
        squares,
        icc,
        between,
        _components([[own[s] for own in rows.values()] for s in complete]),
        remarks,
    )


def _pair(
    first: str,
    second: str,
    firsts: dict[str, dict[str, Reading]],
    rows: dict[str, dict[str, list[Reading]]],
    clusters: dict[str, str],
    sizes: tuple[float, ...],
    varies: bool,
) -> Pair | None:
    ones, twos = firsts[first], firsts[second]
    both = [subject for subject in ones if subject in twos]
    together = [clusters[s] for s in both]
    if len(set(together)) < 2:
        return None
    a = np.array([ones[s].value for s in both])
    b = np.array([twos[s].value for s in both])
    several = [[[row.value for row in rows[name][s]] for s in both] for name in (first, second)]
    repeated = None
    if all(any(len(r) > 1 for r in one) for one in several):
        repeated = limits_of_repeated(*several, varies=varies, clusters=together)
    return Pair(
        first,
        second,
        tuple(both),
        tuple(float(v) for v in 0.5 * (a + b)),
        tuple(float(v) for v in a - b),
        limits_of_agreement(a, b, clusters=together),
        limits_of_agreement(a, b, times=TWO_SD, clusters=together),
        repeated,
        dahlberg(a, b),
        tuple(share_within(a - b, size) for size in sizes),
    )


def _own(name: str, own: dict[str, list[Reading]], first: Float64, column: int, together: list[str]) -> Own:
    several = [[row.value for row in rows] for rows in own.values() if len(rows) > 1]
    twice = np.array([values[:2] for values in several]).reshape(-1, 2)
    bias, interval = None, None
    if first.shape[1] > 1 and len(set(together)) > 1:
        off = first[:, column] - first.mean(axis=1)
        bias = float(off.mean())
        std, groups = clustered_std(off, together)
        half = t_quantile(0.975, groups - 1) * std
        interval = (bias - half, bias + half)
    icc = None
    least = min((len(values) for values in several), default=0)
    if len(several) > 1:
        try:
            icc = correlations([values[:least] for values in several])["ICC(1,1)"]
        except MeasureError:  # all readings are the same
            icc = None
    placed = [[(row.order, row.value) for row in rows if row.order is not None] for rows in own.values()]
    return Own(
        name,
        sum(len(rows) for rows in own.values()),
        len(own),
        bias,
        interval,
        within_readings(several) if several else None,
        dahlberg(twice[:, 0], twice[:, 1]) if len(twice) > 1 else None,
        icc,
        drift(placed),
    )


def _together(first: Float64) -> tuple[MeanSquares | None, dict[Form, Correlation], Within | None]:
    if min(first.shape) < 2:
        return None, {}, None
    try:
        icc = correlations(first)
    except MeasureError:  # all readings are the same
        icc = {}
    return mean_squares(first), icc, within_readings([list(row) for row in first])


def _components(cells: list[list[list[Reading]]]) -> Components | None:
    """From the subjects that all observers read, with as many readings each as the least read cell has."""
    if len(cells) < 2 or len(cells[0]) < 2:
        return None
    least = min(len(cell) for row in cells for cell in row)
    values = np.array([[[r.value for r in cell[:least]] for cell in row] for row in cells])
    n, k, r = values.shape
    mean = values.mean()
    subject, observer, cell = values.mean(axis=(1, 2)), values.mean(axis=(0, 2)), values.mean(axis=2)
    ms_subject = k * r * float(np.sum((subject - mean) ** 2)) / (n - 1)
    ms_observer = n * r * float(np.sum((observer - mean) ** 2)) / (k - 1)
    both = cell - subject[:, None] - observer + mean
    ms_both = r * float(np.sum(both**2)) / ((n - 1) * (k - 1))
    if r > 1:
        ms_repeat = float(np.sum((values - cell[:, :, None]) ** 2)) / (n * k * (r - 1))
        remainder: float | None = sqrt(max(0.0, (ms_both - ms_repeat) / r))
    else:
        ms_repeat, remainder = ms_both, None
    return Components(
        sqrt(max(0.0, (ms_subject - ms_both) / (k * r))),
        sqrt(max(0.0, (ms_observer - ms_both) / (n * r))),
        remainder,
        sqrt(ms_repeat),
    )


def _remarks(readings: Readings, complete: Sequence[str], icc: dict[Form, Correlation]) -> tuple[str, ...]:
    out = []
    subjects, observers = readings.subjects, readings.observers
    read = {(row.subject, row.observer) for row in readings.every}
    unread = [s for s in subjects if any((s, one) not in read for one in observers)]
    without = len(subjects) - len(complete) - len(unread)
    if len(observers) > 1 and len(complete) < len(subjects):
        said = [f"{len(unread)} of {len(subjects)} subjects were not read by every observer"] if unread else []
        if without:
            said.append(
                f"{without} of {len(subjects)} were read by every observer, and a first reading is missing or not determined"
            )
        out.append(
            f"{'; '.join(said)}: the correlations and the parts of the variance rest on the other {len(complete)}; pairs of "
            "observers on all subjects whose first readings by both have a value."
        )
    if readings.undetermined:
        count = {one: sum(row.observer == one for row in readings.undetermined) for one in observers}
        by = ", ".join(f"{one} {number}" for one, number in count.items() if number)
        out.append(
            f"{len(readings.undetermined)} of {len(readings.every)} readings were made and not determined ({by}): what is "
            "said rests on the others, which are not a random choice of them."
        )
    clusters = readings.clusters()
    groups = len(set(clusters.values()))
    if groups < len(clusters):
        out.append(
            f"The {len(clusters)} subjects fall into {groups} clusters (canals of one tooth): the intervals of biases and "
            "limits of agreement allow for that, those of the correlations and of repeatability do not."
        )
    if icc and icc["ICC(2,1)"].interval[0] < 0.0:
        out.append(
            "The interval of the correlation goes below zero: the subjects are too few, or too much alike, for one."
        )
    return tuple(out)
