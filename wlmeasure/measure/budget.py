"""An uncertainty budget: named terms, their sum, and the interval that holds 95 %.

Terms are independent and add in quadrature (JCGM 100:2008, 5.1.2). The interval is not twice that sum wherever one term is
spread evenly: a length read to a division of a ruler lies anywhere within half of it and nowhere beyond, so that 1.96 standard
deviations of it would hold all of it and more than is said. The largest such term is taken exactly, all else together as
normal (JCGM 101:2008 propagates distributions by Monte Carlo; this sum of two has a closed form).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import erf, exp, hypot, pi, sqrt
from typing import Literal

from attrs import frozen

from wlmeasure.errors import MeasureError, check_finite

__all__ = ["NORMAL_95", "Shape", "Term", "half_width_mm", "std_of_half_width_mm", "total_std_mm"]

NORMAL_95 = 1.959964  # half-width of a 95 % interval in standard deviations

Shape = Literal["normal", "rectangular"]

HELD = 0.95
NARROW = 1e-6  # a term this much smaller than the other one is left out of the sum of the two
HALVINGS = 50


@frozen
class Term:
    """One named part of an uncertainty: its standard uncertainty in mm, whether other lengths on the film share it, and how
    its errors are spread.
    """

    term: str
    std_mm: float
    shared: bool = False
    shape: Shape = "normal"

    @property
    def half_mm(self) -> float:
        """Half-width of the 95 % interval that this term alone would make, mm."""
        return half_width_mm((self,))


def total_std_mm(terms: Sequence[Term]) -> float:
    """Combined standard uncertainty, mm."""
    return hypot(*(term.std_mm for term in terms))


def half_width_mm(terms: Sequence[Term]) -> float:
    """Half-width of the interval about the sum that holds 95 % of its errors, mm."""
    even = max((term.std_mm for term in terms if term.shape == "rectangular"), default=0.0)
    total = total_std_mm(terms)
    if even <= NARROW * total:
        return NORMAL_95 * total
    reach, std = even * sqrt(3.0), sqrt(max(total**2 - even**2, 0.0))
    if std <= NARROW * reach:
        return HELD * reach
    low, high = 0.0, reach + 4.0 * std
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _held(middle, reach, std) < HELD else (low, middle)
    return 0.5 * (low + high)


def std_of_half_width_mm(half_mm: float, shape: Shape = "normal") -> float:
    """Standard uncertainty of a length that lies within `half_mm` of its figure 19 times of 20, mm.

    What a person enters as "give or take" is the same kind of figure as what is printed behind ±, the half-width of the 95 %
    interval; this is the way back from :attr:`Term.half_mm`. JCGM 100:2008 (GUM), 4.3.4: a stated interval of 95 % of a
    normal spread is divided by 1.96. 4.3.7: an even spread over -a to a has the standard uncertainty a / sqrt(3), and 95 %
    of it lie within 0.95 a. A ruler read to 0.5 mm has a = 0.25 with certainty.

    Raises
    ------
    MeasureError
        A half-width that is negative or no finite number.
    """
    half = check_finite(MeasureError, "give or take", half_mm)
    if half < 0.0:
        raise MeasureError(
            f"give or take must be 0 or more: {half:g} mm; it says how far off the length may be either way"
        )
    return half / (NORMAL_95 if shape == "normal" else HELD * sqrt(3.0))


def _held(half: float, reach: float, std: float) -> float:
    """Share of the sum of an even spread over -reach to reach and a normal one that lies within `half` of its centre."""
    ends = ((half + reach, 1.0), (half - reach, -1.0), (reach - half, -1.0), (-half - reach, 1.0))
    return std / (2.0 * reach) * sum(sign * _summed(end / std) for end, sign in ends)


def _summed(x: float) -> float:
    """The integral of the normal distribution function from minus infinity to x."""
    return 0.5 * x * (1.0 + erf(x / sqrt(2.0))) + exp(-0.5 * x * x) / sqrt(2.0 * pi)
