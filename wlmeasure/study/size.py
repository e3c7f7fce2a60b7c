"""How many subjects a planned study needs for a correlation, limits of agreement or a repeatability of a wanted precision.

Sources. Bonett, Stat Med 2002;21:1331-1335 (intraclass correlation; from memory, held to simulated intervals by the tests);
Bland & Altman 1986 (standard error of a limit, sqrt(3 / n) standard deviations; 100 subjects give about 0.34 of them);
the standard error of a standard deviation, 1 / sqrt(2 x degrees of freedom) of it.
"""

from __future__ import annotations

from math import ceil

from wlmeasure.errors import MeasureError, check_finite, check_positive
from wlmeasure.measure.budget import NORMAL_95

__all__ = ["subjects_for_icc", "subjects_for_limits", "subjects_for_repeatability"]

MOST_SUBJECTS = 1e9  # our parameter: beyond it a wish was mistyped
FEW_OBSERVERS_FROM = 0.7  # Bonett's addition of 5 times the correlation holds for two observers from here


def subjects_for_icc(icc: float, width: float, observers: int) -> int:
    """Subjects for a 95 % interval of the intraclass correlation that is `width` wide from end to end.

    Parameters
    ----------
    icc
        Expected correlation of single readings, 0 to 1.
    width
        Of the whole interval, 0 to 1.
    observers
        Who each read all subjects, two or more.

    Raises
    ------
    MeasureError
        A value out of its range.
    """
    if not 0.0 <= check_finite(MeasureError, "icc", icc) < 1.0:
        raise MeasureError(f"icc must be 0 or more and below 1: {icc:g}")
    if not 0.0 < check_finite(MeasureError, "width", width) < 1.0:
        raise MeasureError(f"width must lie between 0 and 1: {width:g}")
    k = _count(observers, "observers")
    of_width = (1.0 - icc) ** 2 * (1.0 + (k - 1) * icc) ** 2 / (k * (k - 1))
    needed = _whole(8.0 * of_width, NORMAL_95 / width) + 1.0
    if k == 2 and icc >= FEW_OBSERVERS_FROM:
        needed += 5.0 * icc
    return ceil(needed - 1e-9)


def _whole(factor: float, ratio: float) -> float:
    """``factor * ratio**2``, where that is a number that anybody could want subjects of.

    Raises
    ------
    MeasureError
        More than :data:`MOST_SUBJECTS`, or more than a number can hold.
    """
    needed = factor * min(ratio, 1e100) ** 2
    if needed > MOST_SUBJECTS:
        raise MeasureError(
            f"precision must be within reach: it needs more than {MOST_SUBJECTS:g} subjects; ask for less"
        )
    return needed


def subjects_for_limits(std: float, half_width: float) -> int:
    """Subjects for a 95 % interval of either limit of agreement that reaches `half_width` to both sides.

    Parameters
    ----------
    std
        Expected standard deviation of the differences.
    half_width
        In the same unit.

    Raises
    ------
    MeasureError
        A value that is not positive.
    """
    check_positive(MeasureError, "std", std)
    check_positive(MeasureError, "half_width", half_width)
    return max(2, ceil(_whole(3.0, NORMAL_95 * (std / half_width)) - 1e-9))


def subjects_for_repeatability(relative: float, repeats: int) -> int:
    """Subjects for a within-subject standard deviation known to `relative` of itself (95 %), each read `repeats` times.

    Raises
    ------
    MeasureError
        A value out of its range.
    """
    if not 0.0 < check_finite(MeasureError, "relative", relative) < 1.0:
        raise MeasureError(f"relative must lie between 0 and 1: {relative:g}")
    k = _count(repeats, "repeats")
    return max(2, ceil(_whole(1.0 / (2.0 * (k - 1)), NORMAL_95 / relative) - 1e-9))


def _count(value: int, name: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 2:
        raise MeasureError(f"{name} must be a whole number from 2: {value!r}")
    return value
