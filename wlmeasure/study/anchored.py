"""Readings that began from what a network proposed, apart from all others: what became of the proposals, and nothing more.

Two observers who begin from one proposal agree because of it, and most where both leave it as it is. So no figure of agreement
holds their readings (`summary`); what is said here is how many proposals were left unmoved, and how readings differ that were
moved or drawn new.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import combinations
from math import sqrt

from attrs import frozen

from wlmeasure.decide.accuracy import share_interval
from wlmeasure.study.readings import Reading, Readings

__all__ = ["Anchored", "Beside", "Taken", "anchored"]


@frozen
class Taken:
    """What an observer made of proposals: canals by their outcome, and the moves in mm where they are known, ascending."""

    observer: str
    unmoved: int
    moved: int
    drawn_new: int
    moves_mm: tuple[float, ...]

    @property
    def canals(self) -> int:
        """How many readings of a canal began from a proposal."""
        return self.unmoved + self.moved + self.drawn_new

    @property
    def share(self) -> float:
        """Share of them that was accepted unmoved, 0 to 1."""
        return self.unmoved / self.canals

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval of the share (Wilson), as if every canal stood alone."""
        return share_interval(self.unmoved, self.canals)


@frozen
class Beside:
    """First readings of two observers, of whom one or both began from proposals: first minus second. No agreement.

    Attributes
    ----------
    both
        Whether both did; else `first` did, and `second` drew.
    subjects, same
        How many subjects both read, and of how many both left the proposal unmoved: those are the same path by construction,
        and stand in no difference.
    differences
        Of the others, in the unit of the definition.
    """

    first: str
    second: str
    definition: str
    unit: str
    both: bool
    subjects: int
    same: int
    differences: tuple[float, ...]

    @property
    def mean(self) -> float | None:
        """Mean difference; None where there is none."""
        return sum(self.differences) / len(self.differences) if self.differences else None

    @property
    def std(self) -> float | None:
        """Standard deviation of the differences; None for fewer than two."""
        count, mean = len(self.differences), self.mean
        if mean is None or count < 2:
            return None
        return sqrt(sum((one - mean) ** 2 for one in self.differences) / (count - 1))

    @property
    def largest(self) -> float | None:
        """The largest difference, without its sign; None where there is none."""
        return max((abs(one) for one in self.differences), default=None)


@frozen
class Anchored:
    """What is said of readings from proposals: by observer, and of two observers side by side."""

    taken: tuple[Taken, ...]
    beside: tuple[Beside, ...]


def anchored(readings: Readings) -> Anchored | None:
    """What the readings from proposals say; None where nobody was shown one."""
    shown = readings.anchored
    if not shown.every:
        return None
    beside = [
        one
        for name in readings.definitions
        for a, b in combinations(readings.observers, 2)
        if (one := _beside(readings.of(definition=name), name, a, b)) is not None
    ]
    return Anchored(tuple(_taken(shown.every, name) for name in shown.observers), tuple(beside))


def _taken(rows: Sequence[Reading], observer: str) -> Taken:
    canals = {(row.subject, row.repeat): row for row in rows if row.observer == observer}.values()
    count = Counter(row.proposal for row in canals)
    moves = sorted(row.moved_mm for row in canals if row.proposal == "moved" and row.moved_mm is not None)
    return Taken(observer, count["unmoved"], count["moved"], count["drawn new"], tuple(moves))


def _beside(readings: Readings, definition: str, a: str, b: str) -> Beside | None:
    first, second = readings.first(a), readings.first(b)
    if any(row.proposal for row in second.values()) and not any(row.proposal for row in first.values()):
        a, b, first, second = b, a, second, first
    pairs = [(first[s], second[s]) for s in first if s in second and (first[s].proposal or second[s].proposal)]
    if not pairs:
        return None
    both = any(two.proposal for _, two in pairs)
    other = [(one, two) for one, two in pairs if not (one.proposal == two.proposal == "unmoved")]
    differences = tuple(one.value - two.value for one, two in other)
    return Beside(a, b, definition, pairs[0][0].unit, both, len(pairs), len(pairs) - len(other), differences)
