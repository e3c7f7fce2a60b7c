"""Case difficulty by curvature and the count of factors, for the record and for teaching.

After the case difficulty assessment form of the American Association of Endodontists (2022). The form leaves the edge
values open; here exactly 10 and exactly 30 degrees are both "moderate".
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, Literal, get_args

from wlmeasure.errors import DecideError, check_finite

__all__ = [
    "HIGH_ABOVE_DEG",
    "MODERATE_FACTORS_FOR_HIGH",
    "MODERATE_FROM_DEG",
    "Difficulty",
    "case_difficulty",
    "curvature_difficulty",
]

Difficulty = Literal["low", "moderate", "high"]

MODERATE_FROM_DEG: Final = 10.0
"""American Association of Endodontists 2022: low is below 10 degrees."""

HIGH_ABOVE_DEG: Final = 30.0
"""American Association of Endodontists 2022, the upper line from memory: high is above 30 degrees."""

MODERATE_FACTORS_FOR_HIGH: Final = 3
"""American Association of Endodontists 2022: three or more moderate factors make a case high."""

_EDGE_TOLERANCE_DEG: Final = 1e-9  # an angle this near an edge counts as on it; arctangents differ in the last bits


def curvature_difficulty(
    angle_deg: float,
    *,
    s_shaped: bool = False,
    moderate_from_deg: float = MODERATE_FROM_DEG,
    high_above_deg: float = HIGH_ABOVE_DEG,
) -> Difficulty:
    """Difficulty of a canal by its angle of curvature in degrees; an S-shaped canal is high (from memory of the form).

    Raises :class:`DecideError` for a negative angle or limits out of order.
    """
    angle = check_finite(DecideError, "angle_deg", angle_deg)
    if angle < 0.0:
        raise DecideError(f"angle_deg must be >= 0: {angle:g}; give the size of the bend without a sign")
    if not 0.0 <= moderate_from_deg <= high_above_deg:
        raise DecideError(
            f"moderate_from_deg must be 0 to high_above_deg: {moderate_from_deg:g}, {high_above_deg:g}; order them"
        )
    if s_shaped or angle > high_above_deg + _EDGE_TOLERANCE_DEG:
        return "high"
    return "moderate" if angle >= moderate_from_deg - _EDGE_TOLERANCE_DEG else "low"


def case_difficulty(
    factors: Iterable[Difficulty], *, moderate_factors_for_high: int = MODERATE_FACTORS_FOR_HIGH
) -> Difficulty:
    """Difficulty of a case from the levels of its factors.

    Low: only low factors; moderate: some moderate, fewer than `moderate_factors_for_high`; high: that many, or at least
    one high. Raises :class:`DecideError` for no factor at all (nothing assessed is not "low") or for an unknown level.
    """
    levels = [str(level) for level in factors]
    if not levels:
        raise DecideError("factors must hold at least one level: none given; assess at least the curvature")
    for level in levels:
        if level not in get_args(Difficulty):
            raise DecideError(f"factor must be low, moderate or high: {level!r}")
    if moderate_factors_for_high < 1:
        raise DecideError(f"moderate_factors_for_high must be >= 1: {moderate_factors_for_high}")
    moderate = levels.count("moderate")
    if "high" in levels or moderate >= moderate_factors_for_high:
        return "high"
    return "moderate" if moderate else "low"
