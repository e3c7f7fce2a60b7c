"""How often lengths were near enough, which is how the trade reports the accuracy of a method."""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt

from wlmeasure.decide._limits import EDGE_TOLERANCE_MM, check_not_negative
from wlmeasure.errors import DecideError, check_finite
from wlmeasure.measure.budget import NORMAL_95

__all__ = ["share_interval", "share_within"]


def share_within(errors_mm: Sequence[float], limit_mm: float) -> float:
    """Share of errors no larger than `limit_mm` either way, 0 to 1.

    Parameters
    ----------
    errors_mm
        Measured less true lengths, mm.
    limit_mm
        0.5 and 1.0 are customary.

    Raises
    ------
    DecideError
        No error at all, one that is not a finite number, or a negative limit.
    """
    limit = check_not_negative("limit_mm", limit_mm)
    if not errors_mm:
        raise DecideError("errors_mm must hold at least one error: none given")
    near = sum(abs(check_finite(DecideError, "error", error)) <= limit + EDGE_TOLERANCE_MM for error in errors_mm)
    return near / len(errors_mm)


def share_interval(hits: int, of: int) -> tuple[float, float]:
    """95 % interval of a share of which `hits` in `of` were seen, 0 to 1 (Wilson, J Am Stat Assoc 1927;22:209-212).

    Raises DecideError for counts that are not 0 <= hits <= of, of >= 1.
    """
    if not (0 <= hits <= of and of >= 1):
        raise DecideError(f"hits must be 0 to the number of trials, which is 1 or more: {hits} of {of}")
    z2 = NORMAL_95**2
    middle = hits + z2 / 2.0
    half = NORMAL_95 * sqrt(hits * (of - hits) / of + z2 / 4.0)
    return max((middle - half) / (of + z2), 0.0), min((middle + half) / (of + z2), 1.0)
