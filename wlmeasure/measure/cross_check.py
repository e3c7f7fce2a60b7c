"""All scales of one film held against each other, two by two, with a verdict.

Two scales of one film need not be equal: files in two canals are tilted differently to the film, an object may lie nearer to
it, a spacing knows only the usual magnification. So each pair has a tolerance, from both uncertainties and from what one film
cannot show, and some pairs are too uncertain to say anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from math import hypot, log, sqrt
from typing import Literal

from attrs import frozen

from wlmeasure.calibration import Calibration
from wlmeasure.measure.budget import NORMAL_95

__all__ = ["BETWEEN_REL_STD", "MOST_TOLERANCE", "NamedScale", "ScalePair", "Verdict", "compare_scales"]

Verdict = Literal["agree", "differ", "cannot be compared"]

# What two lines of one film differ by in their scales because they are tilted and bent differently to it, relative standard
# deviation: an rms of 0.062 between the canals of phantoms, crown piece included, 95 % within 0.13 (468 pairs of canals on 180
# films of three levels and three techniques, seeds 32500 to 32519).
BETWEEN_REL_STD = 0.06
MOST_TOLERANCE = 0.35  # our parameter: scales that may differ by more than a third for no reason are not compared


@frozen(eq=False)
class NamedScale:
    """One scale of a film by itself, and what a person calls it.

    `file_mm` is the known length where it is a file's, in mm; it may stand at the wrong file.
    """

    name: str
    calibration: Calibration
    file_mm: float | None = None


@frozen
class ScalePair:
    """Two scales of one film.

    Attributes
    ----------
    first, second
        What they are called.
    ratio
        Millimetres per pixel of the first over the second.
    tolerance
        How far the ratio may be from 1 either way, relative, 19 times of 20.
    verdict
        Whether it lies within that.
    why
        Why they cannot be compared, in words; empty where they can.
    swapped_mm
        The known lengths of two files (first, second) that differ as entered and agree if exchanged; else None.
    """

    first: str
    second: str
    ratio: float
    tolerance: float
    verdict: Verdict
    why: str = ""
    swapped_mm: tuple[float, float] | None = None

    @property
    def words(self) -> str:
        """One line."""
        head = f"{self.first} and {self.second}: "
        if self.verdict == "cannot be compared":
            return f"{head}cannot be compared, {self.why}"
        return f"{head}{self.verdict} (ratio {self.ratio:.2f}, tolerance ± {100.0 * self.tolerance:.0f} %)"


def compare_scales(
    scales: Sequence[NamedScale],
    *,
    between_rel_std: float = BETWEEN_REL_STD,
    most_tolerance: float = MOST_TOLERANCE,
) -> tuple[ScalePair, ...]:
    """Every pair of scales with its verdict.

    Parameters
    ----------
    scales
        Each made from one thing alone, in the order in which they are to be named.
    between_rel_std
        What two lines of one film differ by, relative standard deviation.
    most_tolerance
        Pairs with a larger tolerance cannot be compared.
    """
    return tuple(_pair(one, other, between_rel_std, most_tolerance) for one, other in combinations(scales, 2))


def _pair(one: NamedScale, other: NamedScale, between: float, most: float) -> ScalePair:
    ratio = _mm_per_px(one) / _mm_per_px(other)
    tolerance = NORMAL_95 * hypot(one.calibration.rel_std, other.calibration.rel_std, between)
    why = ""
    for scale in (one, other):
        claim = scale.calibration.claim
        if claim is not None and claim.trust == "unknown":
            why = f"since nothing says what {claim.claim} refers to"
    if tolerance > most:
        why = why or f"since they may differ by {100.0 * tolerance:.0f} % for no reason"
    if why:
        return ScalePair(one.name, other.name, ratio, tolerance, "cannot be compared", why)
    off = abs(log(ratio))
    if off <= tolerance:
        return ScalePair(one.name, other.name, ratio, tolerance, "agree")
    swapped = None
    if one.file_mm is not None and other.file_mm is not None:
        again = abs(log(ratio * (other.file_mm / one.file_mm) ** 2))  # a scale is a known length over pixels
        if again <= tolerance and again < off:
            swapped = one.file_mm, other.file_mm
    return ScalePair(one.name, other.name, ratio, tolerance, "differ", swapped_mm=swapped)


def _mm_per_px(scale: NamedScale) -> float:
    return sqrt(scale.calibration.mm_per_px_row * scale.calibration.mm_per_px_col)
