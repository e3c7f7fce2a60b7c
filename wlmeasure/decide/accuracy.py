"""How often lengths were near enough, which is how the trade reports the accuracy of a method."""

from __future__ import annotations

from collections.abc import Iterable
from math import sqrt

from attrs import frozen

from wlmeasure.decide._limits import EDGE_TOLERANCE_MM, check_not_negative
from wlmeasure.errors import DecideError, check_finite
from wlmeasure.measure.budget import NORMAL_95

__all__ = ["Share", "share_interval", "share_within"]


@frozen
class Share:
    """How many of some errors or differences are not larger than `within`, with the 95 % interval of that share."""

    within: float
    hits: int
    count: int
    interval: tuple[float, float]

    @property
    def value(self) -> float:
        """0 to 1."""
        return self.hits / self.count


def share_within(errors: Iterable[float], limit: float) -> Share:
    """Share of errors no larger than `limit` either way; one of 0.5 is within 0.5, however it is stored.

    Parameters
    ----------
    errors
        Measured less true lengths, or differences of two readings, in the unit of the limit.
    limit
        Of lengths 0.5 and 1.0 mm are customary.

    Raises
    ------
    DecideError
        No error at all, one that is not a finite number, or a negative limit.
    """
    size = check_not_negative("limit", limit)
    sizes = [abs(check_finite(DecideError, "error", error)) for error in errors]
    if not sizes:
        raise DecideError("errors must be at least one: none given")
    hits = sum(one <= size + EDGE_TOLERANCE_MM for one in sizes)
    return Share(size, hits, len(sizes), share_interval(hits, len(sizes)))


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
