"""How far off an answer is, and what kind of error that is.

Where the student's path is given the error is taken apart without remainder:

``answer - truth = number + reference point + apical end + way between + projection``

*projection* is what the film itself hides: the true path measured on it with the scale that was given, less the truth.
*apical end* and *reference point* are where the student's path ends beyond (+) or short of (-) the true ends, along the canal.
*way between* is the rest of the difference of both paths' lengths: negative where bends were cut, positive on a detour.
*number* is what the student wrote less the length of their own path: a wrong scale, a chord, a mark of the reading misread,
the allowance forgotten. The decomposition is derived; the interval score is eq. 43 of Gneiting & Raftery, J Am Stat Assoc
2007;102:359-378 (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import ceil

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.decide.accuracy import share_interval, share_within
from wlmeasure.errors import LearnError
from wlmeasure.learn.answers import Answer
from wlmeasure.learn.exercise import SHORT_MM, Exercise, Item, ItemTruth, film_mm
from wlmeasure.learn.parallax import SecondMark, mark_second
from wlmeasure.points import polyline_feet
from wlmeasure.trace.spline import arc_length

__all__ = ["KINDS", "Calibration", "Marked", "Marks", "Part", "mark"]

Float64 = NDArray[np.float64]

NAMED_MM = 0.2
"""A part of an error that is smaller is what clicks and rounding do; our parameter."""
NUMBER_MM = 0.15
"""How near a number must be to what an error would give, mm: 0.1 mm rounding and two clicks; our parameter."""
READING_MM = 0.051
"""How near a number must be to a reading to have been copied from it: a reading has one decimal; our parameter."""
MISS = 0.05
"""Share of truths that an interval may miss: 19 of 20 are asked for."""

KINDS: Mapping[str, str] = {
    "magnification": "magnification ignored: the detector's spacing was taken for the scale at the tooth",
    "straight line": "a straight line instead of the curve",
    "detour": "a path between its ends that is longer than the canal",
    "apical end": "wrong apical end point",
    "reference point": "wrong coronal reference point",
    "foreshortening": "foreshortening: the film shows the canal longer or shorter than it is",
    "mark of the reading": "the mark of the electronic reading taken for another one",
    "allowance": "0.5 mm to the foramen not taken off",
    "rounding": "rounding",
    "not explained": "a number that does not follow from the path",
}
"""Kinds of error, in the words of the marking."""


@frozen
class Part:
    """A named part of an error, mm with sign."""

    kind: str
    mm: float


@frozen
class Marked:
    """One answer beside the truth.

    Attributes
    ----------
    error_mm
        Answer less truth: positive is too long.
    parts
        The error taken apart, largest first, every part; empty without a path. They add up to the error.
    kinds
        What kind of error it is consistent with, the likeliest first: from a path the parts of at least `NAMED_MM`; from a
        bare number every single error that would give it. Empty where the error is what clicks and rounding do.
    certain
        True where a path told the kinds, False where they are possibilities.
    held
        Whether the stated interval holds the truth; None without one.
    score_mm
        Interval score: its width, and 40 times what the truth lies outside it; small is good.
    second
        Of a second film; None where there is none.
    """

    item: Item
    answer: Answer
    truth: ItemTruth
    error_mm: float
    parts: tuple[Part, ...]
    kinds: tuple[str, ...]
    certain: bool
    held: bool | None
    score_mm: float | None
    second: SecondMark | None = None

    def within(self, limit_mm: float) -> bool:
        """Whether the error is no larger than that, either way."""
        return share_within([self.error_mm], limit_mm).hits == 1


@frozen
class Calibration:
    """How true the stated intervals are: `held` of `stated`, 95 % interval of that share (Wilson), and what would mend them.

    `factor` is what the half-widths must be multiplied by so that 19 of 20 hold; None for fewer than 19 intervals, which
    cannot say, and where an interval of no width missed.
    """

    stated: int
    held: int
    share_interval: tuple[float, float]
    mean_half_width_mm: float
    mean_score_mm: float
    factor: float | None

    @property
    def verdict(self) -> str:
        low, high = self.share_interval
        if high < 1.0 - MISS:
            return "too narrow"
        return "too wide" if low > 1.0 - MISS or (self.factor is not None and self.factor < 0.5) else "in keeping"


@frozen
class Marks:
    """All answers of one exercise, in its order."""

    exercise: Exercise
    marked: tuple[Marked, ...]
    unanswered: tuple[Item, ...]
    mean_mm: float
    mean_size_mm: float
    within_half: int
    within_one: int
    calibration: Calibration | None

    @property
    def sides(self) -> tuple[int, int, int] | None:
        """Sides that were right, answered and asked for among the answers; None where none was asked for."""
        asked = [one.second for one in self.marked if one.second is not None and one.second.side is not None]
        if not asked:
            return None
        given = [second.right for second in asked if second.right is not None]
        return sum(given), len(given), len(asked)


def mark(exercise: Exercise, truths: Mapping[str, ItemTruth], answers: Sequence[Answer]) -> Marks:
    """Mark the answers of one exercise.

    Parameters
    ----------
    exercise
        What was asked.
    truths
        By film, from :func:`~wlmeasure.learn.exercise.open_seal`.
    answers
        One a film at most.

    Raises
    ------
    LearnError
        No answer, or one for a film that the exercise has not.
    """
    given = {}
    for answer in answers:
        _check_on_film(exercise.item(answer.film), answer)
        given[answer.film] = answer
    if not given:
        raise LearnError("answers must hold at least one length: none given")
    marked = tuple(_marked(item, truths[item.film], given[item.film]) for item in exercise.items if item.film in given)
    errors = [one.error_mm for one in marked]
    return Marks(
        exercise,
        marked,
        tuple(item for item in exercise.items if item.film not in given),
        mean_mm=sum(errors) / len(errors),
        mean_size_mm=sum(abs(error) for error in errors) / len(errors),
        within_half=sum(one.within(0.5) for one in marked),
        within_one=sum(one.within(1.0) for one in marked),
        calibration=_calibration(marked),
    )


def _check_on_film(item: Item, answer: Answer) -> None:
    """Refuse a path that leaves the film: its columns are most often taken for its rows."""
    if answer.path_px is None:
        return
    points = np.array(answer.path_px)
    if (points < -0.5).any() or (points > (item.rows - 0.5, item.cols - 0.5)).any():
        raise LearnError(
            f"path must lie on {item.film}, {item.rows} rows and {item.cols} columns: it leaves it; write 'row col', row first"
        )


def _marked(item: Item, truth: ItemTruth, answer: Answer) -> Marked:
    error = answer.length_mm - truth.length_mm
    scale = film_mm(item, truth)
    parts: tuple[Part, ...] = ()
    certain = answer.path_px is not None and truth.path_px is not None and scale is not None
    if certain:
        parts = _parts(item, truth, answer, scale)
        kinds = tuple(part.kind for part in parts if abs(part.mm) >= NAMED_MM)
    else:
        kinds = () if abs(error) < NAMED_MM else _possible(item, truth, answer.length_mm, scale)
    held = score = None
    if answer.interval_mm is not None:
        low, high = answer.interval_mm
        held = low <= truth.length_mm <= high
        outside = max(low - truth.length_mm, truth.length_mm - high, 0.0)
        score = high - low + 2.0 / MISS * outside
    second = mark_second(item, truth, answer, truth.length_mm + SHORT_MM)
    return Marked(item, answer, truth, error, parts, kinds, certain, held, score, second)


def _length(path_px: Float64, mm: Float64) -> float:
    return float(arc_length(path_px * mm)[-1])


def _chord(path_px: Float64, mm: Float64) -> float:
    return _length(path_px[[0, -1]], mm)


def _along(path_mm: Float64, point_mm: Float64) -> float:
    """Where along a path the foot of a point lies, mm; beyond its ends straight on."""
    foot = polyline_feet(point_mm, path_mm)
    return float(foot.along[0] + foot.over[0])


def _parts(item: Item, truth: ItemTruth, answer: Answer, mm: Float64 | None) -> tuple[Part, ...]:
    assert truth.path_px is not None
    assert answer.path_px is not None
    assert mm is not None
    true_px, own_px = np.array(truth.path_px), np.array(answer.path_px)
    whole, own = _length(true_px, mm), _length(own_px, mm)
    end = _along(true_px * mm, own_px[-1] * mm) - whole
    reference = -_along(true_px * mm, own_px[0] * mm)
    between = own - whole - end - reference
    number = answer.length_mm - (own - SHORT_MM)
    parts = [
        Part("foreshortening", whole - SHORT_MM - truth.length_mm),
        Part("apical end", end),
        Part("reference point", reference),
        Part("straight line" if between < 0.0 else "detour", between),
        Part(_number_kind(item, answer.length_mm, number, own_px, mm), number),
    ]
    # One line for one kind: a chord drawn on a film and a chord reckoned from a traced path are the same error.
    sums = {kind: sum(part.mm for part in parts if part.kind == kind) for kind in {part.kind for part in parts}}
    return tuple(sorted((Part(kind, mm) for kind, mm in sums.items()), key=lambda part: -abs(part.mm)))


def _number_kind(item: Item, answer: float, number: float, own_px: Float64, mm: Float64) -> str:
    """What made a number differ from the length of the path it came with."""
    if abs(number) <= NUMBER_MM:
        return "rounding"
    if _misread(item, answer):
        return "mark of the reading"
    detector = np.array([item.scale.mm_per_px_row, item.scale.mm_per_px_col])
    own = _length(own_px, mm)
    would = {
        "magnification": _length(own_px, detector) - own,
        "straight line": _chord(own_px, mm) - own,
        "allowance": SHORT_MM,
    }
    kind = min(would, key=lambda one: abs(number - would[one]))
    return kind if abs(number - would[kind]) <= NUMBER_MM else "not explained"


def _misread(item: Item, answer: float) -> bool:
    """Whether a number is the reading as it would be with the other mark."""
    if item.reading is None:
        return False
    wrong = item.reading.length_mm - (0.0 if item.reading.mark == "foramen" else SHORT_MM)
    return abs(answer - wrong) <= READING_MM


def _possible(item: Item, truth: ItemTruth, answer: float, mm: Float64 | None) -> tuple[str, ...]:
    """Every single error that would give this number."""
    found: dict[str, float] = {}
    if _misread(item, answer):
        found["mark of the reading"] = 0.0
    would = {"allowance": truth.length_mm + SHORT_MM}
    if truth.path_px is not None and mm is not None:
        path = np.array(truth.path_px)
        detector = np.array([item.scale.mm_per_px_row, item.scale.mm_per_px_col])
        film = _length(path, mm) - SHORT_MM
        would["magnification"] = _length(path, detector) - SHORT_MM
        would["straight line"] = _chord(path, mm) - SHORT_MM
        would["foreshortening"] = film
        if truth.apex_px is not None:
            would["apical end"] = film + _along(path * mm, np.array(truth.apex_px) * mm) - _length(path, mm)
        if truth.orifice:
            would["reference point"] = film - _length(path[: truth.orifice + 1], mm)
    for kind, length in would.items():
        if abs(answer - length) <= NUMBER_MM and abs(length - truth.length_mm) >= NAMED_MM:
            found[kind] = abs(answer - length)
    # An end point or a reference point can stand anywhere: a number alone never rules them out.
    ordered = sorted(found, key=lambda kind: found[kind])
    return (*ordered, *(kind for kind in ("apical end", "reference point") if kind not in found))


def _calibration(marked: Sequence[Marked]) -> Calibration | None:
    stated = [one for one in marked if one.answer.interval_mm is not None]
    if not stated:
        return None
    held = sum(bool(one.held) for one in stated)
    halves, ratios = [], []
    for one in stated:
        assert one.answer.interval_mm is not None
        low, high = one.answer.interval_mm
        halves.append(0.5 * (high - low))
        # How much wider either side would have had to be for this truth to be held.
        side = high - one.answer.length_mm if one.error_mm < 0.0 else one.answer.length_mm - low
        ratios.append(abs(one.error_mm) / side if side > 0.0 else (0.0 if one.error_mm == 0.0 else np.inf))
    rank = ceil((1.0 - MISS) * (len(stated) + 1))  # of conformal prediction: holds for the next one, too
    factor = float(np.sort(ratios)[rank - 1]) if rank <= len(stated) else None
    scores = [one.score_mm for one in stated if one.score_mm is not None]
    return Calibration(
        stated=len(stated),
        held=held,
        share_interval=share_interval(held, len(stated)),
        mean_half_width_mm=sum(halves) / len(halves),
        mean_score_mm=sum(scores) / len(scores),
        factor=None if factor is None or not np.isfinite(factor) else factor,
    )
