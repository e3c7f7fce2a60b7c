"""Instruments in the shaped canal: how thick they are, where a gauge binds in their shape, how a bend strains them.

Diameters are nominal, D(n) = D0 + T n up to the largest diameter, with the standard's tolerance as an interval; real
instruments differ from nominal (J Endod 2002, "Clinical relevance of standardization of endodontic files dimensions
according to the ISO 3630-1 specification"; Kim et al., Restor Dent Endod 2014;39:7-11). Millimetres from the tip.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import hypot, inf, isfinite

from attrs import frozen

from wlmeasure.decide._limits import check_not_negative
from wlmeasure.decide.advice import advice
from wlmeasure.errors import DecideError, check_finite, check_positive
from wlmeasure.flags import Flag
from wlmeasure.trade.instruments import HAND_FILE_TAPER, AnyInstrument, diameter_tolerance_mm, tip_diameter_mm

__all__ = ["Bind", "Strain", "bend_strain", "bind_distance", "diameters_along"]

ROUNDING_MM = 1e-9  # hundredths of a millimetre are not exact in binary


@frozen
class Bind:
    """Where a hand file binds at its tip in a canal shaped by one instrument.

    `short_mm` is how far short of the shaped end, None where the file passes or nothing is determined. `interval_mm` is what
    the tolerances of the two tips leave of it; `passes` says that the nominal file is thinner than the shaped end.
    """

    short_mm: float | None
    interval_mm: tuple[float, float] | None
    passes: bool
    may_pass: bool


def bind_distance(shaped_by: AnyInstrument, gauge_size: int, *, gauge_taper: float = HAND_FILE_TAPER) -> Bind:
    """Distance short of the shaped end at which a hand file's tip binds: x = (g/100 - D0) / T.

    Parameters
    ----------
    shaped_by
        The instrument that the canal has the shape of, its tip at the shaped end.
    gauge_size, gauge_taper
        Size and taper of the hand file. Where the canal does not taper more than the file, the file binds along its side
        and no distance follows from its tip: nothing is determined.

    Notes
    -----
    The tip tolerances of both (ISO 3630-1, from memory) add in quadrature and are divided by the taper at that place: about
    0.03/T mm, half a millimetre at .06. So "snug" and "the next size about 1 mm short" is evidence, the exact distance is not.

    Raises
    ------
    WlmeasureError
        A size that is not a whole number, a taper below 0.
    """
    tip = tip_diameter_mm(gauge_size, special=True)
    taper = check_not_negative("gauge_taper", gauge_taper)
    slack = hypot(diameter_tolerance_mm(gauge_size, special=True), diameter_tolerance_mm(shaped_by.size, special=True))
    missing = tip - shaped_by.tip_diameter_mm
    may_pass = missing < slack - ROUNDING_MM
    if missing < -ROUNDING_MM:
        return Bind(None, None, True, may_pass)
    short = shaped_by.mm_from_tip_at(tip)
    if short is None:
        return Bind(None, None, False, may_pass)
    local = _local_taper(shaped_by, short)
    if local <= taper + ROUNDING_MM:
        return Bind(None, None, False, may_pass)
    half = slack / local
    return Bind(short, (max(short - half, 0.0), short + half), False, may_pass)


def _local_taper(instrument: AnyInstrument, mm_from_tip: float) -> float:
    """Growth of the diameter just before a place on the instrument (just after it at the tip), mm per mm."""
    step = min(0.01, instrument.working_part_mm / 2.0)
    low = max(mm_from_tip - step, 0.0)
    return (instrument.diameter_mm(low + step) - instrument.diameter_mm(low)) / step


def diameters_along(
    instruments: Iterable[AnyInstrument], at_mm: Iterable[float]
) -> tuple[tuple[AnyInstrument, tuple[float | None, ...]], ...]:
    """Nominal diameters (mm) that each instrument gives the canal, `at_mm` from its apical end.

    None where the instrument's working part does not reach so far. Raises :class:`DecideError` for a distance below 0.
    """
    places = [check_not_negative("at_mm", place) for place in at_mm]
    return tuple(
        (
            instrument,
            tuple(
                instrument.diameter_mm(place) if place <= instrument.working_part_mm + ROUNDING_MM else None
                for place in places
            ),
        )
        for instrument in instruments
    )


@frozen
class Strain:
    """Surface strain of a file at a bend, as a fraction (0.055 is 5.5 %), with the interval of what is known.

    `value` is None where the radius was not determined; the interval's upper end is infinite where the radius may be 0.
    """

    value: float | None
    interval: tuple[float, float]
    diameter_mm: float
    flags: tuple[Flag, ...] = (advice("strain-compares"),)


def bend_strain(
    instrument: AnyInstrument,
    mm_from_tip: float,
    radius_mm: float | None,
    *,
    radius_interval_mm: tuple[float, float] | None = None,
) -> Strain | None:
    """Strain of an instrument that follows a bend: e = d / (2 r), bending of a round section.

    Parameters
    ----------
    instrument, mm_from_tip
        The file and the distance of the bend from its tip; None is returned where its working part does not reach there.
    radius_mm
        Radius of the centre line; None where it was not determined.
    radius_interval_mm
        Its 95 % interval; the radius itself where left out. The upper end may be infinite.

    The diameter's tolerance enters the interval. Used with Pruett's radius in papers on fatigue (from memory). It compares
    files in one canal; it predicts no fracture. Raises :class:`DecideError` for a radius that is not > 0, an interval that
    does not hold it, or neither given.
    """
    distance = check_not_negative("mm_from_tip", mm_from_tip)
    if radius_mm is None and radius_interval_mm is None:
        raise DecideError("radius_mm or radius_interval_mm must be given: neither is")
    radius = None if radius_mm is None else check_positive(DecideError, "radius_mm", radius_mm)
    low, high = (radius, radius) if radius_interval_mm is None else radius_interval_mm
    low = check_not_negative("radius_interval_mm low", low if low is not None else 0.0)
    high = inf if high is None or not isfinite(high) else check_finite(DecideError, "radius_interval_mm high", high)
    if not low <= high or (radius is not None and not low - ROUNDING_MM <= radius <= high + ROUNDING_MM):
        raise DecideError(f"radius_interval_mm must hold the radius: {low:g} to {high:g}, {radius_mm!r}")
    if distance > instrument.working_part_mm + ROUNDING_MM:
        return None
    thin, thick = instrument.diameter_interval_mm(distance)
    diameter = instrument.diameter_mm(distance)
    return Strain(
        value=None if radius is None else diameter / (2.0 * radius),
        interval=(thin / (2.0 * high), inf if low == 0.0 else thick / (2.0 * low)),
        diameter_mm=diameter,
    )
