"""What to measure again: the one term of a budget whose improvement shrinks the interval most, before and after.

Every term has a realistic better value (a named parameter below) and the act that reaches it. What no act reaches is said so:
a bend out of the film's plane shows on a second film at another horizontal angle, and an exposure is the clinician's choice.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot, sqrt
from typing import Final

from attrs import evolve, frozen

from wlmeasure.calibration import (
    CLICK_FLOOR_MM,
    CLICK_STD_PX,
    ENDS_TERM,
    REFERENCE_TERM,
    RULER_STD_MM,
    SEAT_TERM,
    Calibration,
    calibrate_lines,
)
from wlmeasure.decide.electronic import MINIMUM_REPEATS
from wlmeasure.decide.ends import FilmEnd, Posterior, ReadingGroup, ends_of
from wlmeasure.decide.reconcile import FORAMEN_TERM, WorkingLength
from wlmeasure.measure.budget import ONE_SIDED_RMS, Term, reach_mm
from wlmeasure.measure.gap import GAP_SCALE, KNOWN_LENGTH
from wlmeasure.measure.length import (
    END_CLICKS,
    PATH,
    TILT,
    UNCOVERED_END_REL_STD,
    UNSEEN,
    WINDING,
    LengthEstimate,
)
from wlmeasure.words import reach_words

__all__ = ["Advice", "advise_length", "advise_working_length"]

FINE_READING_MM: Final = 0.1
"""Division of a gauge or a magnified ruler that a stop length is read with: rectangular, 0.1 / sqrt(12) (our parameter)."""

CLOSE_CLICK: Final = 0.5
"""An end clicked again at higher zoom is off by this share of a click of the same person (our parameter)."""

NEAR_TIP_MM: Final = 0.5
"""A file's tip this far from the end is near it (our parameter: what is counted as exact in the published comparisons)."""

WORTH: Final = 0.10
"""An improvement that shrinks the interval by less than this share of it is not worth a hand's turn (our parameter)."""

CHOICE: Final = "an exposure is the clinician's choice"
SECOND_FILM: Final = "a second film at another horizontal angle would show it"
NOTHING: Final = "nothing on this film"
SCALE_OF_A_FILE: Final = "the scale from a file of known length in the canal"


@frozen
class Advice:
    """One improvement of one term.

    Attributes
    ----------
    term
        The term of the budget.
    action
        What to do, in words.
    before_mm, after_mm
        Half of the width of the 95 % interval as it is and with that term improved. `after_mm` is None where no figure can be
        given in advance.
    needs_film
        Whether it can only be had from another exposure, which this program never asks for.
    before_reach_mm, after_reach_mm
        How far those intervals lie below and above the figure; None stands for half of the width to either side.
    """

    term: str
    action: str
    before_mm: float
    after_mm: float | None
    needs_film: bool = False
    before_reach_mm: tuple[float, float] | None = None
    after_reach_mm: tuple[float, float] | None = None

    @property
    def words(self) -> str:
        """One line, as "stop length to 0.1 mm: ±0.33 -> ±0.15 mm"."""
        if self.after_mm is None:
            words = f"{self.term}: {self.action}"
        else:
            before = reach_words(*(self.before_reach_mm or (self.before_mm, self.before_mm)))
            after = reach_words(*(self.after_reach_mm or (self.after_mm, self.after_mm)))
            words = f"{self.action}: {before} -> {after} mm"
        return f"{words}; {CHOICE}" if self.needs_film else words


def advise_length(
    length: LengthEstimate, calibration: Calibration, *, click_std_px: float = CLICK_STD_PX
) -> tuple[Advice, ...]:
    """What would shrink the interval of a length on a film, the most helpful first.

    Parameters
    ----------
    length
        A length and its budget.
    calibration
        The scale it was measured with.
    click_std_px
        Standard uncertainty of one click that both rest on, pixels.

    Returns
    -------
    tuple of Advice
        Only what shrinks the interval by a tenth or more. Without a figure, last: terms that nobody can better in advance.
    """
    return _sorted(_improvements(length.budget, length, calibration, click_std_px))


def advise_working_length(
    working: WorkingLength,
    length: LengthEstimate | None,
    calibration: Calibration | None,
    *,
    click_std_px: float = CLICK_STD_PX,
) -> tuple[Advice, ...]:
    """The same for a proposed working length; `length` and `calibration` are those of the film that it rests on, if any.

    Each improvement is put into the evidence and the two curves made anew: what stays is what anatomy leaves unknown.
    """
    ends = working.ends
    if working.length_mm is None or ends is None:
        return ()
    found = []
    middle = ends.mean_mm
    before = _reach(ends, middle)

    def after(films: tuple[FilmEnd, ...], readings: tuple[ReadingGroup, ...]) -> tuple[float, float]:
        better = ends_of(films, readings, ends.anatomy)
        assert better is not None
        return _reach(better, better.mean_mm)

    if length is not None and calibration is not None and ends.films:
        film, scale = ends.films[0], _better_scale(calibration, click_std_px)
        for term in length.budget:
            action, better, needs_film = _better(term, length, calibration, scale, click_std_px)
            if better is not None and term.std_mm > 0.0:
                improved = _with_term(film, term, min(better, term.std_mm))
                found.append(
                    _advice(term, action, before, after((improved, *ends.films[1:]), ends.readings), needs_film)
                )
    place = Term(FORAMEN_TERM, ends.foramen_std_mm)
    if working.status == "film only":
        words = f"{MINIMUM_REPEATS} electronic readings that agree, beside the film"
        at = round(2.0 * ends.foramen_mean_mm) / 2.0
        read = ReadingGroup((at,) * MINIMUM_REPEATS)
        found.append(_advice(place, words, before, after(ends.films, (*ends.readings, read))))
    if working.status in ("caution", "conflict"):
        words = "reading again, reference point and stop checked, until film and reading agree"
        found.append(_advice(place, words, before, None))
    return _sorted(found)


def _reach(ends: Posterior, middle_mm: float) -> tuple[float, float]:
    low, high = ends.interval_mm()
    return middle_mm - low, high - middle_mm


def _with_term(film: FilmEnd, term: Term, std_mm: float) -> FilmEnd:
    """What a film says with one term of its length's budget improved."""
    if term.shape == "one-sided":
        return evolve(film, too_long_mm=std_mm / ONE_SIDED_RMS)
    if term.shape == "rectangular":
        return evolve(film, even_mm=sqrt(3.0) * std_mm)
    gone = term.std_mm**2 - std_mm**2
    own = max(film.own_std_mm**2 - gone, 0.0)
    shared = max(film.shared_std_mm**2 - max(gone - film.own_std_mm**2, 0.0), 0.0)
    return evolve(film, own_std_mm=sqrt(own), shared_std_mm=sqrt(shared))


def _improvements(
    budget: Sequence[Term], length: LengthEstimate, calibration: Calibration, click_std_px: float
) -> list[Advice]:
    before = reach_mm(budget)
    scale = _better_scale(calibration, click_std_px)
    found = []
    for term in budget:
        action, better, needs_film = _better(term, length, calibration, scale, click_std_px)
        after = None if better is None else _after(budget, term, min(better, term.std_mm))
        found.append(_advice(term, action, before, after, needs_film))
        if after is None and (action == NOTHING or sum(_after(budget, term, 0.0)) > (1.0 - WORTH) * sum(before)):
            found.pop()  # it could vanish and the interval would stay
    return found


def _advice(
    term: Term, action: str, before: tuple[float, float], after: tuple[float, float] | None, needs_film: bool = False
) -> Advice:
    """Advice from how far the two intervals lie below and above the figure."""
    half = None if after is None else 0.5 * sum(after)
    return Advice(term.term, action, 0.5 * sum(before), half, needs_film, before, after)


def _better(
    term: Term, length: LengthEstimate, calibration: Calibration, scale: dict[str, float], click_std_px: float
) -> tuple[str, float | None, bool]:
    """What to do about a term, its standard uncertainty then in mm (None: no figure), and whether it needs a film."""
    if term.term == KNOWN_LENGTH and length.gap is not None:
        return f"stop length to {FINE_READING_MM:g} mm", FINE_READING_MM / sqrt(12.0), False
    if term.term == KNOWN_LENGTH:
        return f"stop length to {FINE_READING_MM:g} mm", scale[term.term] * term.std_mm, False
    if term.term == ENDS_TERM:
        seen = all(line.upper_end == "stop" for line in calibration.lines)
        words = f"tip and {'stop of the file' if seen else 'reference point'} clicked again at higher zoom"
        return words, scale[term.term] * term.std_mm, False
    if term.term == SEAT_TERM:
        return "it said that the stop was seen to rest on the reference point, if it was", 0.0, False
    if term.term == REFERENCE_TERM:
        return "a film with the stop in the picture would show where it was", None, True
    if term.term == END_CLICKS:
        closer = max(term.std_mm * CLOSE_CLICK, sqrt(2.0) * CLICK_FLOOR_MM)
        ends = "tip of the file" if length.gap is not None else "reference point"
        return f"{ends} and end of the canal clicked again at higher zoom", closer, False
    if term.term == GAP_SCALE:
        return NOTHING, None, False  # the scale of a short stretch: what shortens the stretch is said of its tilt
    if term.term == TILT:
        near = UNCOVERED_END_REL_STD * NEAR_TIP_MM
        if length.length_mm - length.covered_mm > NEAR_TIP_MM and near < term.std_mm:
            return f"a file nearer the apex, its tip within {NEAR_TIP_MM:g} mm of the end", near, True
        return SECOND_FILM, None, True
    if term.term == UNSEEN:
        return SECOND_FILM, None, True
    if term.term == "disagreement of the known lengths":
        return "the known lengths measured again, if they then agree", 0.0, False
    if term.term == WINDING:
        return "the canal traced again with a click beyond the file's tip", None, False
    if term.term == PATH:
        return "the canal traced again with a click where the path is in doubt", None, False
    if calibration.lines or not term.shared:  # the landmark, and what readings add: said where the working length is
        return NOTHING, None, False
    return SCALE_OF_A_FILE, hypot(RULER_STD_MM, sqrt(2.0) * click_std_px * max(calibration.mm_per_px)), True


def _better_scale(calibration: Calibration, click_std_px: float) -> dict[str, float]:
    """What is left of each term of the same scale with every stop length read finely and every end clicked closely: a share."""
    if not calibration.lines:
        return {}
    fine = FINE_READING_MM / sqrt(12.0)
    lines = [evolve(line, known_length_std_mm=min(fine, line.known_length_std_mm)) for line in calibration.lines]
    ratio = calibration.mm_per_px_col / calibration.mm_per_px_row
    better = dict(calibrate_lines(lines, col_over_row=ratio, click_std_px=CLOSE_CLICK * click_std_px).terms)
    return {name: better.get(name, 0.0) / std if std > 0.0 else 1.0 for name, std in calibration.terms}


def _after(budget: Sequence[Term], term: Term, std_mm: float) -> tuple[float, float]:
    return reach_mm([evolve(other, std_mm=std_mm) if other is term else other for other in budget])


def _sorted(found: Sequence[Advice]) -> tuple[Advice, ...]:
    """Worth doing, largest gain first; without a figure last."""
    worth = [one for one in found if one.after_mm is None or one.after_mm <= (1.0 - WORTH) * one.before_mm]
    return tuple(sorted(worth, key=lambda one: (one.after_mm is None, one.after_mm or 0.0)))
