"""How often lengths were near enough, which is how the trade reports the accuracy of a method."""

from __future__ import annotations

from collections.abc import Sequence

from wlmeasure.decide._limits import EDGE_TOLERANCE_MM, check_not_negative
from wlmeasure.errors import DecideError, check_finite

__all__ = ["share_within"]


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
