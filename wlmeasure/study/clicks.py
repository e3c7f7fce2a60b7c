"""How far an observer's clicks are off, from ends that the same observer marked again.

Repeats of one end by one observer scatter by that observer's own error: hand, eye, and where the end is taken to be. Their
standard deviation is pooled within the ends (Bland & Altman, BMJ 1996;313:744), along and across the line apart, in pixels of
the film as stored. What all of one observer's marks share, and what another observer would mark, is not in it.

From few repeats the deviation itself is uncertain. An error over an estimated standard deviation follows Student's t, so the
figure that is handed on is the estimate times t / 1.96 of its degrees of freedom (JCGM 100:2008, G.3): 95 % intervals made
with it hold 95 % where clicks are all there is, whatever the number of repeats.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.errors import StudyError
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.record.case import Clicks
from wlmeasure.record.click_profile import ClickProfile
from wlmeasure.study.collect import DrawnPath
from wlmeasure.study.quantiles import chi_square_quantile, t_quantile
from wlmeasure.trace.spline import arc_length

__all__ = ["LEAST_REPEATS", "ClickError", "click_errors", "click_profile"]

Float64 = NDArray[np.float64]

LEAST_REPEATS = 3
"""Fewer repeats of ends tell next to nothing: with two the figure would be over twice what was seen (our parameter)."""
END_SHARE = 0.05  # of a path's length, 1 mm of 20: the direction of its end (our parameter)


@frozen
class ClickError:
    """One observer's clicks on the ends of canals.

    Attributes
    ----------
    ends, repeats
        Ends that were marked twice or more, and how often one was marked again: the degrees of freedom.
    along_px, across_px
        Pooled standard deviation along and across the line, pixels.
    interval_px
        95 % interval of the first, by chi-squared.
    std_px
        What to reckon with: the first, wider by what so few repeats leave open. None below `LEAST_REPEATS`.
    """

    observer: str
    ends: int
    repeats: int
    along_px: float
    across_px: float
    interval_px: tuple[float, float]
    std_px: float | None


def click_errors(paths: Sequence[DrawnPath]) -> tuple[ClickError, ...]:
    """The click error of every observer who drew a canal again; a path's ends are the ends that a length counts from.

    What began from a proposal tells nothing of it, nor does a mark that lies exactly on an earlier one: it is a copy, as where
    a case is stored again. One point that several canals begin at is one end.
    """
    drawn: dict[str, dict[str, list[DrawnPath]]] = {}
    for path in paths:
        if path.proposal:
            continue  # an end that was accepted where it was proposed is no mark of a hand
        drawn.setdefault(path.observer, {}).setdefault(path.subject, []).append(path)
    found = []
    for observer, subjects in drawn.items():
        marked: dict[tuple[str, frozenset[tuple[float, ...]]], Float64] = {}
        for again in subjects.values():
            for end in (0, -1):
                anew = _anew(again, end)
                if len(anew) > 1:
                    place = again[0].film, frozenset(tuple(path.path_px[end]) for path in anew)
                    marked[place] = _off(anew, end)
        off = list(marked.values())
        if not off:
            continue
        freedom = sum(len(one) - 1 for one in off)
        along, across = np.sqrt(np.sum(np.vstack(off) ** 2, axis=0) / freedom)
        ends = [float(along) * sqrt(freedom / chi_square_quantile(tail, freedom)) for tail in (0.975, 0.025)]
        std = float(along) * t_quantile(0.975, freedom) / NORMAL_95 if freedom >= LEAST_REPEATS else None
        found.append(ClickError(observer, len(off), freedom, float(along), float(across), (ends[0], ends[1]), std))
    return tuple(found)


def click_profile(error: ClickError) -> ClickProfile:
    """What an observer's cases may take (:mod:`wlmeasure.record.click_profile`).

    Raises
    ------
    StudyError
        Too few repeats, or repeats that are copies of one another.
    """
    if error.std_px is None:
        raise StudyError(
            f"repeats of {error.observer} must be {LEAST_REPEATS} or more to tell of clicks: {error.repeats}; "
            "let more canals be drawn again"
        )
    if error.std_px <= 0.0:
        raise StudyError(
            f"repeats of {error.observer} must be marked anew: every end lies exactly where it was marked before; copies tell "
            "nothing of clicks"
        )
    clicks = Clicks(std_px=round(error.std_px, 4), by=error.observer, source="repeats", repeats=error.repeats)
    return ClickProfile(
        clicks=clicks, along_px=round(error.along_px, 4), across_px=round(error.across_px, 4), freedom=error.repeats
    )


def _anew(paths: Sequence[DrawnPath], end: int) -> list[DrawnPath]:
    """The paths whose end lies where none before has it."""
    return list({tuple(path.path_px[end]): path for path in reversed(paths)}.values())[::-1]


def _off(paths: Sequence[DrawnPath], end: int) -> Float64:
    """(k, 2): one end of every path from their mean, along and across the line, in pixels of error in row and in column."""
    size = next(
        (np.array(path.mm_per_px) / path.mm_per_px[0] for path in paths if path.mm_per_px is not None), np.ones(2)
    )
    heading = np.zeros(2)
    for path in paths:
        line = (path.path_px if end else path.path_px[::-1]) * size
        along = arc_length(line)
        begin = [float(np.interp((1.0 - END_SHARE) * along[-1], along, axis)) for axis in line.T]
        heading += (line[-1] - begin) / max(float(np.hypot(*(line[-1] - begin))), 1e-12)
    heading /= max(float(np.hypot(*heading)), 1e-12)
    turned = np.array([-heading[1], heading[0]])
    marks = np.array([path.path_px[end] for path in paths])
    off = (marks - marks.mean(axis=0)) * size
    # One pixel of error in row and in column is so much along a direction where pixels are not square.
    return np.column_stack([off @ way / float(np.hypot(*(way * size))) for way in (heading, turned)])
