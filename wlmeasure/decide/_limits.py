"""What counts as a length in this room: accepted limits, the usual range, the tolerance at an edge."""

from __future__ import annotations

from typing import Final

from wlmeasure.errors import DecideError, check_finite

__all__ = ["ACCEPTED_MM", "EDGE_TOLERANCE_MM", "USUAL_MM", "check_length", "check_not_negative", "is_unusual"]

ACCEPTED_MM: Final = (1.0, 60.0)
"""Outside this a length is a slip of the pen or a wrong unit, never a canal (our parameter)."""

USUAL_MM: Final = (10.0, 33.0)
"""Outside this a length is kept and flagged; a short primary canal (9.8 mm and less) may be, and is only flagged (ours)."""

EDGE_TOLERANCE_MM: Final = 1e-9
"""A value this near an edge counts as on it: 21.0 - 20.5 typed in decimals may differ from 0.5 in the last bits."""


def check_length(field: str, value: float) -> float:
    """Return `value` as a float, or raise :class:`DecideError` when it is not 1 to 60 mm."""
    number = check_finite(DecideError, field, value)
    low, high = ACCEPTED_MM
    if not low <= number <= high:
        raise DecideError(f"{field} must be {low:g} to {high:g} mm: {number:g}; check the entry and its unit")
    return number


def check_not_negative(field: str, value: float) -> float:
    """Return `value` as a float, or raise :class:`DecideError` when it is not finite and >= 0."""
    number = check_finite(DecideError, field, value)
    if number < 0.0:
        raise DecideError(f"{field} must be >= 0: {number:g}; give its size without a sign")
    return number


def is_unusual(length_mm: float) -> bool:
    """Whether a length lies outside the usual range of 10 to 33 mm."""
    return not USUAL_MM[0] <= length_mm <= USUAL_MM[1]
