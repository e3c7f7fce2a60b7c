"""What a second film with the tube shifted tells, and how an answer to it is marked.

The trade's rule (same lingual, opposite buccal): of two things that lie one behind the other, the lingual one moves on the film
with the tube, the buccal one against it. Which is which hangs on the direction of the shift: whoever does not know it cannot
tell. A shift also foreshortens the canal otherwise, so that its length on the film changes though the canal does not.
"""

from __future__ import annotations

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.learn.answers import Answer
from wlmeasure.learn.exercise import Item, ItemTruth, SecondFilm, SecondTruth, film_mm
from wlmeasure.trace.spline import arc_length

__all__ = ["SecondMark", "film_length_mm", "mark_second", "moved_mm", "shortening_words", "side_words"]

Float64 = NDArray[np.float64]

SEEN_MM = 0.2
"""A smaller movement is not seen on films, and "cannot tell" is right as well; our parameter, half a canal's width."""
CANNOT = "cannot tell"
TOWARDS = {"left": (0.0, -1.0), "right": (0.0, 1.0), "up": (-1.0, 0.0), "down": (1.0, 0.0)}


def moved_mm(
    points_mm: tuple[Float64, Float64],
    films_px: tuple[tuple[Float64, Float64], tuple[Float64, Float64]],
    mm_per_px: tuple[Float64, Float64],
    mesial_to: str,
) -> float:
    """How far one canal moved towards mesial against another from a first film to a second, mm at the tooth.

    Parameters
    ----------
    points_mm : ((N, 3), (M, 3))
        Both canals in the tooth's frame: they are compared at the heights that both have.
    films_px : of each film ((N, 2), (M, 2))
        The same points on it.
    mm_per_px : of each film (2,)
        Size of its pixels at the tooth.
    mesial_to
        "left", "right", "up" or "down" on both films.
    """
    heights = [points[:, 2] for points in points_mm]
    low, high = max(h.min() for h in heights), min(h.max() for h in heights)
    at = np.linspace(low, high, 50)
    places = []
    for film, mm in zip(films_px, mm_per_px, strict=True):
        across = [(path * mm) @ np.array(TOWARDS[mesial_to]) for path in film]
        one, other = (np.interp(at, h[::-1], a[::-1]) for h, a in zip(heights, across, strict=True))
        places.append(float((one - other).mean()))
    return places[1] - places[0]


def film_length_mm(film: Item | SecondFilm, truth: ItemTruth | SecondTruth) -> float | None:
    """The true path measured on a film with the scale that is given for it, mm; None where the key does not tell."""
    mm = film_mm(film, truth)
    return None if mm is None or truth.path_px is None else float(arc_length(np.array(truth.path_px) * mm)[-1])


@frozen
class SecondMark:
    """The second film's part of a marking.

    Attributes
    ----------
    difference_mm, error_mm
        True difference of the lengths on both films, second less first, and the answer less that; None without one.
    shortening_mm
        What each film hides: the true path measured on it less the canal in space; None where it is not known.
    side, answered
        What is right to say, one of `SIDES`, and what was said; None where it was not asked, or not answered.
    right
        Whether that is right; None without an answer.
    """

    difference_mm: float
    error_mm: float | None
    shortening_mm: tuple[float | None, float | None]
    side: str | None
    answered: str | None
    right: bool | None


def mark_second(item: Item, truth: ItemTruth, answer: Answer, in_space_mm: float) -> SecondMark | None:
    """Mark what was said of the second film; None where there is none. `in_space_mm`: the canal's true length."""
    film, known = item.second_film, truth.second
    if film is None or known is None:
        return None
    on_film = (film_length_mm(item, truth), film_length_mm(film, known))
    side = known.side if film.asks_side else None
    if side is not None and film.tube is None:
        side = CANNOT
    right = None
    if side is not None and answer.side is not None:
        unseen = known.moved_mm is not None and abs(known.moved_mm) < SEEN_MM
        right = answer.side == side or (answer.side == CANNOT and unseen)
    first, second = (None if length is None else length - in_space_mm for length in on_film)
    return SecondMark(
        difference_mm=known.difference_mm,
        error_mm=None if answer.difference_mm is None else answer.difference_mm - known.difference_mm,
        shortening_mm=(first, second),
        side=side,
        answered=answer.side if side is not None else None,
        right=right,
    )


def side_words(item: Item, truth: ItemTruth, marked: SecondMark) -> str:
    """Right or wrong, and why: the rule on this film. Empty where no side was asked."""
    film, known = item.second_film, truth.second
    if film is None or known is None or marked.side is None or known.side is None:
        return ""
    moved = known.moved_mm
    said = "Side not answered" if marked.answered is None else f"You said {marked.answered}: "
    said += ". " if marked.right is None else "right. " if marked.right else "wrong. "
    told = "To which side the tube went was not told" if film.tube is None else (
        f"The tube went {film.shift_deg:g}° to {film.tube}"
    )  # fmt: skip
    if moved is None:
        if film.tube is None:
            return f"{said}{told}. Without the direction the films cannot tell."
        rule = "what goes with it is lingual, what goes against it buccal (same lingual, opposite buccal)"
        return f"{said}{told}; {rule}: it lies {known.side}."
    way, other = ("mesial", "distal") if moved > 0.0 else ("distal", "mesial")
    seen = f"from the first film to the second the file moved {abs(moved):.1f} mm to {way} against the other canal"
    if film.tube is None:
        return (
            f"{said}{seen[0].upper()}{seen[1:]}. {told}: gone to {way}, this is lingual, gone to {other}, buccal. Without the "
            "direction the films cannot tell."
        )
    with_tube = way == film.tube
    rule = "with the tube (same lingual)" if with_tube else "against the tube (opposite buccal)"
    words = f"{said}{told}; {seen}, {rule}: it lies {known.side}."
    if abs(moved) < SEEN_MM:
        words += " So small a movement is hardly seen: cannot tell is right as well."
    elif marked.answered == CANNOT:
        words += " The direction was told, so the films do tell."
    return words


def shortening_words(marked: SecondMark) -> str:
    """What the second film changes of the length."""
    longer = f"{abs(marked.difference_mm):.2f} mm {'longer' if marked.difference_mm >= 0.0 else 'shorter'}"
    words = f"On the second film the canal is {longer} than on the first"
    if marked.error_mm is not None:
        words += f" (you said {marked.difference_mm + marked.error_mm:+.2f} mm, {marked.error_mm:+.2f} mm off)"
    first, second = marked.shortening_mm
    if first is not None and second is not None:
        words += (
            f": the first shows it {first:+.2f} mm against the canal in space, the second {second:+.2f} mm. The canal is the "
            "same; what differs is what each film hides of the bend towards and away from the beam"
        )
    return f"{words}."
