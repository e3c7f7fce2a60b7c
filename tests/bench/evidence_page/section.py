"""What a section of the page is: a title, how it was measured, figures beside their goals, tables and plots."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, Literal

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.decide.accuracy import share_interval

Float64 = NDArray[np.float64]
Map = Callable[..., Iterator[Any]]
"""`map` of one function over arguments, in order, perhaps on several processes; says on stderr how far it is."""


@frozen
class Goal:
    """A bound that a figure should keep: at least, at most, or between two."""

    kind: Literal["at least", "at most", "between"]
    bound: float
    upper: float | None = None

    def met(self, value: float) -> bool:
        if self.kind == "at most":
            return value <= self.bound
        return value >= self.bound and (self.upper is None or value <= self.upper)

    def words(self, unit: str) -> str:
        bound = f"{self.bound:g}" if self.upper is None else f"{self.bound:g} and {self.upper:g}"
        return f"{self.kind} {bound}{unit}"


@frozen
class Figure:
    """One number, its 95 % interval where it is a share of films or runs, and its goal where there is one."""

    name: str
    value: float
    unit: str = ""
    goal: Goal | None = None
    interval: tuple[float, float] | None = None
    digits: int = 3

    @property
    def met(self) -> bool | None:
        return None if self.goal is None else self.goal.met(self.value)

    @property
    def verdict(self) -> str:
        """In words, since colour alone tells not everybody."""
        if self.goal is None:
            return ""
        too_much = self.goal.upper is not None and self.value > self.goal.upper
        return "met" if self.met else "short: above" if too_much else "short"

    @property
    def words(self) -> str:
        text = f"{self.value:.{self.digits}f}{self.unit}"
        if self.interval is None:
            return text
        return f"{text} ({self.interval[0]:.{self.digits}f} to {self.interval[1]:.{self.digits}f})"


@frozen
class Table:
    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@frozen
class Plot:
    svg: str
    caption: str


@frozen
class Section:
    key: str
    title: str
    how: str
    figures: tuple[Figure, ...]
    tables: tuple[Table, ...] = ()
    plots: tuple[Plot, ...] = ()


def wilson(hits: int, n: int) -> tuple[float, float]:
    """95 % interval of a share, per cent; all of it where nothing was tried."""
    low, high = share_interval(hits, n) if n else (0.0, 1.0)
    return 100.0 * low, 100.0 * high


def share(name: str, hits: NDArray[np.bool_], goal: Goal | None = None) -> Figure:
    """A share of independent cases in per cent with its interval."""
    low, high = wilson(int(hits.sum()), len(hits))
    return Figure(name, 100.0 * float(np.mean(hits)) if len(hits) else 0.0, " %", goal, (low, high), 1)


def grouped_share(name: str, hits: NDArray[np.bool_], group: NDArray[np.int64], goal: Goal | None = None) -> Figure:
    """A share of cases that come in groups, with the interval of groups drawn anew: cases of one film are not independent."""
    each = np.array([hits[group == one].mean() for one in np.unique(group)])
    value = float(each.mean()) if len(each) else 0.0
    if value in (0.0, 1.0):  # all groups alike: as many cases as there are groups
        return Figure(name, 100.0 * value, " %", goal, wilson(round(value * len(each)), len(each)), 1)
    half = 1.959964 * float(each.std(ddof=1)) / np.sqrt(len(each)) if len(each) > 1 else 1.0
    interval = (100.0 * max(0.0, value - half), 100.0 * min(1.0, value + half))
    return Figure(name, 100.0 * value, " %", goal, interval, 1)
