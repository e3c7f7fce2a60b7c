"""From the gauged canal to the filling: cone fit, stop settings, and where the filling ends.

Lengths are mm from the coronal reference point. A stop setting is the one figure that is rounded, and only ever down.
"""

from __future__ import annotations

from math import floor
from typing import Final, Literal

from attrs import frozen

from wlmeasure.decide._limits import EDGE_TOLERANCE_MM, check_length, check_not_negative
from wlmeasure.decide.advice import advice
from wlmeasure.errors import DecideError, check_finite, check_positive
from wlmeasure.flags import Flag

__all__ = [
    "ADEQUATE_FROM_MM",
    "ADEQUATE_UP_TO_MM",
    "CONE_SHORT_UP_TO_MM",
    "RULER_STEP_MM",
    "STOP_ALLOWANCES_MM",
    "ConeFit",
    "FillingLength",
    "StopSetting",
    "cone_fit",
    "filling_length",
    "limit_words",
    "stop_setting_mm",
    "stop_settings",
]

ConeVerdict = Literal["fits", "short", "beyond", "not fitted"]
FillingClass = Literal["adequate", "short", "long", "near"]

RULER_STEP_MM: Final = 0.5
"""Division of an endodontic ruler, mm (common practice, no source)."""

CONE_SHORT_UP_TO_MM: Final = 0.5
"""A master cone that resists withdrawal fits up to this short of working length (common practice, no source)."""

ADEQUATE_UP_TO_MM: Final = 2.0
"""A filling that ends farther short of the radiographic apex is short. Liang et al. 2012, PMC3501171."""

ADEQUATE_FROM_MM: Final = 0.0
"""A filling may end this near the radiographic apex. 0 in Liang et al. 2012; 0.5 in Int J Dent 2015:135120, Table 2."""

STOP_ALLOWANCES_MM: Final[dict[str, float]] = {
    "shaping file": 0.0,
    "master cone": 0.0,
    "irrigation needle": 2.0,
    "heated plugger": 5.0,
}
"""How far short of working length each thing's stop is set (common practice, no source; needle and plugger from memory).
Users replace the table."""


@frozen
class ConeFit:
    """How the master cone sits: `short_mm` of working length, negative beyond."""

    short_mm: float
    verdict: ConeVerdict
    flags: tuple[Flag, ...] = ()
    parameters: tuple[tuple[str, float], ...] = ()


def cone_fit(
    working_length_mm: float, cone_mm: float, *, resists: bool, short_up_to_mm: float = CONE_SHORT_UP_TO_MM
) -> ConeFit:
    """Whether the master cone of the gauged size fits (common practice, no published source).

    It goes to working length with resistance to withdrawal, its tip up to `short_up_to_mm` short and never beyond. The length
    speaks before the resistance: a cone beyond or short is said to be so whether or not it resists. Raises
    :class:`DecideError`.
    """
    short = check_length("working_length_mm", working_length_mm) - check_length("cone_mm", cone_mm)
    limit = check_not_negative("short_up_to_mm", short_up_to_mm)
    parameters = (("short_up_to_mm", limit),)
    if short < -EDGE_TOLERANCE_MM:
        return ConeFit(short, "beyond", (advice("cone-beyond"),), parameters)
    if short > limit + EDGE_TOLERANCE_MM:
        return ConeFit(short, "short", (advice("cone-short"),), parameters)
    if not resists:
        return ConeFit(short, "not fitted", (advice("cone-no-resistance"),), parameters)
    return ConeFit(short, "fits", (), parameters)


@frozen
class FillingLength:
    """Where a filling ends: `short_mm` of the radiographic apex, negative beyond it."""

    short_mm: float
    verdict: FillingClass
    flags: tuple[Flag, ...] = ()
    parameters: tuple[tuple[str, float], ...] = ()


def filling_length(
    short_mm: float, *, adequate_from_mm: float = ADEQUATE_FROM_MM, adequate_up_to_mm: float = ADEQUATE_UP_TO_MM
) -> FillingLength:
    """Length class of a filling by the distance of its end from the radiographic apex, measured on the film.

    Beyond the apex is long; from `adequate_from_mm` up to `adequate_up_to_mm` short of it, adequate; farther, short; between
    the apex and a lower limit above 0, "near". It classes length alone: voids and density are not seen here, and an
    adequate length is no outcome (success 86.5 % within 2 mm, 85.5 % shorter, 70.8 % over: Kojima et al., as cited in
    evidence summaries). Raises :class:`DecideError`.
    """
    short = check_finite(DecideError, "short_mm", short_mm)
    low, high = check_not_negative("adequate_from_mm", adequate_from_mm), adequate_up_to_mm
    if check_not_negative("adequate_up_to_mm", high) < low:
        raise DecideError(f"adequate_from_mm must be 0 to adequate_up_to_mm: {low:g}, {high:g}; order them")
    parameters = (("adequate_from_mm", low), ("adequate_up_to_mm", high))
    if short < -EDGE_TOLERANCE_MM:
        return FillingLength(short, "long", (advice("filling-long"),), parameters)
    if short > high + EDGE_TOLERANCE_MM:
        return FillingLength(short, "short", (advice("filling-short"),), parameters)
    if short < low - EDGE_TOLERANCE_MM:
        return FillingLength(short, "near", (advice("filling-near"),), parameters)
    return FillingLength(short, "adequate", (), parameters)


def stop_setting_mm(length_mm: float, *, step_mm: float = RULER_STEP_MM) -> float:
    """The stop setting on a ruler: rounded down, never up, to its step.

    A length within 1e-9 steps of a division counts as on it: 21.0 computed in binary may miss it by the last bits.
    """
    return floor(length_mm / step_mm + 1e-9) * step_mm


def limit_words(length_mm: float) -> str:
    """A length that an instrument is set by, to 0.1 mm: rounded down, never up."""
    return f"{floor(length_mm * 10.0 + 1e-9) / 10.0:.1f} mm"


@frozen
class StopSetting:
    """Where the stop of one thing is set: working length less its allowance, rounded down to the ruler's step (mm)."""

    name: str
    allowance_mm: float
    setting_mm: float


def stop_settings(
    working_length_mm: float, allowances_mm: dict[str, float] | None = None, *, step_mm: float = RULER_STEP_MM
) -> tuple[StopSetting, ...]:
    """Stop settings of instruments, cone, needle and plugger, none rounded up.

    Parameters
    ----------
    working_length_mm
        1 to 60 mm.
    allowances_mm
        How far short of it each is set; :data:`STOP_ALLOWANCES_MM` by default.
    step_mm
        The ruler's division.

    Raises
    ------
    DecideError
        An allowance below 0 or as long as the working length.
    """
    working = check_length("working_length_mm", working_length_mm)
    step = check_positive(DecideError, "step_mm", step_mm)
    out = []
    for name, value in (STOP_ALLOWANCES_MM if allowances_mm is None else allowances_mm).items():
        allowance = check_not_negative(f"allowance of {name}", value)
        setting = stop_setting_mm(working - allowance, step_mm=step)
        if setting <= 0.0:
            raise DecideError(
                f"allowance of {name} must leave a setting: {allowance:g} of {working:g} mm; check the allowance"
            )
        out.append(StopSetting(name, allowance, setting))
    return tuple(out)
