"""An uncertainty budget: named terms, their sum, and the interval that holds 95 %.

Terms are independent and add in quadrature (JCGM 100:2008, 5.1.2). The interval is not twice that sum wherever one term is
spread evenly: a length read to a division of a ruler lies anywhere within half of it and nowhere beyond, so that 1.96 standard
deviations of it would hold all of it and more than is said. The largest such term is taken exactly, all else together as
normal (JCGM 101:2008 propagates distributions by Monte Carlo; this sum of two has a closed form).

A term may be one-sided: most often nothing, else a figure that is too long and never too short. Its standard uncertainty is
then the rms distance from the figure, and the interval lies farther below the figure than above it. The largest such term is
taken exactly too: the closed form of the others, averaged over it, which is closed again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import erf, exp, hypot, pi, sqrt
from typing import Final, Literal

from attrs import frozen

from wlmeasure.calibration import UNSEATED_MM, UNSEATED_RMS_MM, UNSEATED_SHARE
from wlmeasure.errors import MeasureError, check_finite

__all__ = [
    "NORMAL_95",
    "ONE_SIDED_RMS",
    "Shape",
    "Term",
    "half_width_mm",
    "one_sided_mm",
    "reach_mm",
    "std_of_half_width_mm",
    "total_std_mm",
]

NORMAL_95 = 1.959964  # half-width of a 95 % interval in standard deviations

Shape = Literal["normal", "rectangular", "one-sided"]

ONE_SIDED_SHARE: Final = UNSEATED_SHARE
"""How often a one-sided error is there at all: the only one there is, a stop that may not have been seated."""

ONE_SIDED_FROM: Final = UNSEATED_MM[0] / UNSEATED_MM[1]
"""Where it is there it lies evenly between this share of its reach and all of it."""

ONE_SIDED_RMS: Final = UNSEATED_RMS_MM / UNSEATED_MM[1]
"""Its rms over its reach, 0.441: the standard uncertainty of a one-sided term that reaches 1 mm."""

HELD = 0.95
NARROW = 1e-6  # a term this much smaller than the other one is left out of the sum of the two
NARROW_SIDE = 1e-4  # the same beside a one-sided term, where the closed form takes differences twice
HALVINGS = 50
FARTHEST = 8.0  # standard deviations of a normal spread: nothing that is asked for lies beyond


@frozen
class Term:
    """One named part of an uncertainty: its standard uncertainty in mm, whether other lengths on the film share it, and how
    its errors are spread. A one-sided error only ever makes the figure too long, by `std_mm` over `ONE_SIDED_RMS` at most.
    """

    term: str
    std_mm: float
    shared: bool = False
    shape: Shape = "normal"

    @property
    def half_mm(self) -> float:
        """Half-width of the 95 % interval that this term alone would make, mm."""
        return half_width_mm((self,))

    @property
    def reach_mm(self) -> tuple[float, float]:
        """How far the 95 % interval that this term alone would make lies below and above the figure, mm."""
        return reach_mm((self,))


def total_std_mm(terms: Sequence[Term]) -> float:
    """Combined standard uncertainty, mm."""
    return hypot(*(term.std_mm for term in terms))


def one_sided_mm(terms: Sequence[Term]) -> float:
    """How much too long the figure may be by its one-sided terms together, mm; 0 without one."""
    return sum(term.std_mm / ONE_SIDED_RMS for term in terms if term.shape == "one-sided")


def half_width_mm(terms: Sequence[Term]) -> float:
    """Half of the width of the interval that holds 95 % of what the sum may be, mm; see :func:`reach_mm`."""
    below, above = reach_mm(terms)
    return 0.5 * (below + above)


def reach_mm(terms: Sequence[Term], *, held: float = HELD) -> tuple[float, float]:
    """How far the interval of a length lies below and above its figure, mm.

    Without a one-sided term both are the half-width about the figure that holds `held` of the errors. With one, what the
    figure exceeds the truth by is spread to one side, and as much is left out below the interval as above it.

    Parameters
    ----------
    terms
        The budget.
    held
        Share that the interval holds.
    """
    even = max((term.std_mm for term in terms if term.shape == "rectangular"), default=0.0)
    slid = max((term.std_mm for term in terms if term.shape == "one-sided"), default=0.0)
    total = total_std_mm(terms)
    rest = sqrt(max(total**2 - even**2 - slid**2, 0.0))
    if slid <= NARROW_SIDE * total:
        half = _half(hypot(rest, slid), even, held)
        return half, half
    return _two_sides(rest, even, slid, total, held)


def _half(std: float, even: float, held: float) -> float:
    """Half-width of a normal spread and an even one of standard uncertainty `even`."""
    total = hypot(std, even)
    if even <= NARROW * total:
        return total * (NORMAL_95 if held == HELD else _solved(lambda x: erf(x / sqrt(2.0)), held, 0.0, FARTHEST))
    reach = even * sqrt(3.0)
    if std <= NARROW * reach:
        return held * reach
    return _solved(lambda half: _held(half, reach, std), held, 0.0, reach + FARTHEST * std)


def _solved(share: Callable[[float], float], wanted: float, low: float, high: float) -> float:
    """Where a rising share has the value `wanted`, by halving."""
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if share(middle) < wanted else (low, middle)
    return 0.5 * (low + high)


def _two_sides(rest: float, even: float, slid: float, total: float, held: float) -> tuple[float, float]:
    """Quantiles of the truth about the figure: a normal and an even spread, less the one-sided error."""
    std = max(rest, NARROW_SIDE * total)  # a step as good as sharp
    reach, far = even * sqrt(3.0), slid / ONE_SIDED_RMS
    near = ONE_SIDED_FROM * far
    others = _Sum(std, reach if reach > NARROW_SIDE * total else 0.0)

    def below(x: float) -> float:
        """Share of the truth that lies less than `x` above the figure."""
        return (1.0 - ONE_SIDED_SHARE) * others.share(x) + ONE_SIDED_SHARE * others.mean_share(x + near, x + far)

    left_out, most = 0.5 * (1.0 - held), reach + FARTHEST * std
    low, high = (_solved(below, share, -most - far, most) for share in (left_out, 1.0 - left_out))
    return -low, high


@frozen
class _Sum:
    """A normal spread and an even one over -reach to reach: the share below a value, and its mean over a stretch."""

    std: float
    reach: float

    def share(self, x: float) -> float:
        if self.reach == 0.0:
            return _below(x / self.std)
        a, b = (x + self.reach) / self.std, (x - self.reach) / self.std
        return self.std / (2.0 * self.reach) * (_summed(a) - _summed(b))

    def mean_share(self, low: float, high: float) -> float:
        if self.reach == 0.0:
            return self.std / (high - low) * (_summed(high / self.std) - _summed(low / self.std))
        ends = ((high + self.reach, 1.0), (low + self.reach, -1.0), (high - self.reach, -1.0), (low - self.reach, 1.0))
        twice = sum(sign * _summed_twice(end / self.std) for end, sign in ends)
        return self.std**2 / (2.0 * self.reach * (high - low)) * twice


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


def _below(x: float) -> float:
    """The normal distribution function."""
    return 0.5 * (1.0 + erf(x / sqrt(2.0)))


def _summed(x: float) -> float:
    """The integral of the normal distribution function from minus infinity to x."""
    return x * _below(x) + exp(-0.5 * x * x) / sqrt(2.0 * pi)


def _summed_twice(x: float) -> float:
    """The integral of that one."""
    return 0.5 * ((x * x + 1.0) * _below(x) + x * exp(-0.5 * x * x) / sqrt(2.0 * pi))
