"""What shaping and gauging say: how far a file stopped short, how a hand file sat, what the working length did meanwhile.

All lengths are mm from one coronal reference point. A file's insertion length is only as good as that point and the
working length it is compared with; nothing here rescales one to another. What is returned is advice of the trade, with
the rule it came from; where the practice names no rule, that is what is said. Nothing is rounded here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final, Literal, get_args

from attrs import field, fields, frozen

from wlmeasure.decide._limits import EDGE_TOLERANCE_MM, check_length, check_not_negative
from wlmeasure.decide.advice import advice
from wlmeasure.errors import DecideError, TradeError, check_finite
from wlmeasure.flags import Flag
from wlmeasure.trade.instruments import AnyInstrument, next_size, tip_diameter_mm

__all__ = [
    "CHANGE_INFO_UP_TO_MM",
    "LARGE_FORAMEN_SIZE",
    "NEXT_SHORT_BY_MM",
    "OPEN_APEX_SIZE",
    "USUAL_CONSTRICTION_SIZES",
    "ApicalSize",
    "Gauge",
    "GaugeFinding",
    "Gauging",
    "LengthChange",
    "Room",
    "ShapingRules",
    "Shortfall",
    "apical_size",
    "gauging",
    "length_change",
    "next_instrument",
    "shortfall",
    "usual_constriction",
]

Room = Literal["past length", "at length", "no rule", "enough room", "back to the previous file"]
GaugeFinding = Literal["snug", "loose", "short", "past"]
GaugeVerdict = Literal["shaped", "shape larger", "gauge again"]
Change = Literal["none", "info", "measure again"]

NEXT_SHORT_BY_MM: Final = 0.5
"""The next larger hand file stops at least this much short where the gauged one is snug (our parameter; with diameters
0.02 mm off, where a file binds in a .06 canal is uncertain by half a millimetre)."""

USUAL_CONSTRICTION_SIZES: Final = (20, 45)
"""Hand file sizes that a molar's constriction takes: 0.22-0.33 (narrow) by 0.31-0.47 mm (wide), Wolf et al. 2017,
PMC5709546. Read as a check of plausibility only."""

LARGE_FORAMEN_SIZE: Final = 50
"""Nothing snug up to here is a large foramen (our parameter; 0.50 mm or more is unusual after Wolf et al. 2017)."""

OPEN_APEX_SIZE: Final = 100
"""An apex is called open only where a gauge above this passes: 1 mm, from the apex line of the case difficulty
assessment form of the American Association of Endodontists (2022)."""

CHANGE_INFO_UP_TO_MM: Final = 0.5
"""A change of working length up to this is told, a larger one advises measuring again (our parameter, one division of a
ruler). Published means: 0.17 shorter (Schroeder, Walton & Rivera, J Endod 2002), 0.22 to 0.48 (Davis, Marshall &
Baumgartner, J Endod 2002;28:438-442), 0.33 to 0.77 (Kumar & Khambete, ENDO 2013;7:113-119)."""


@frozen
class ShapingRules:
    """Bounds of the shortfall rule, mm short of the working length.

    "At length" is our parameter; the others are common practice without a published source, which names nothing between
    `at_length_within_mm` and `enough_from_mm`, nor between `enough_up_to_mm` and `back_from_mm`. The practice says "5 to 6
    or more"; the smaller figure is taken, since it asks for more room sooner.
    """

    at_length_within_mm: float = 0.5
    enough_from_mm: float = 1.0
    enough_up_to_mm: float = 3.0
    back_from_mm: float = 5.0

    def __attrs_post_init__(self) -> None:
        bounds = [check_not_negative(name, value) for name, value in self.as_parameters()]
        if bounds != sorted(bounds):
            raise DecideError(f"shaping bounds must rise: {bounds}; order them from at length to back")

    def as_parameters(self) -> tuple[tuple[str, float], ...]:
        return tuple((item.name, getattr(self, item.name)) for item in fields(type(self)))

    def row(self, short_mm: float) -> int:
        """The row of the rule, 0 (past length) to 5 (back); rows 2 and 4 are those without a rule."""
        if short_mm < -EDGE_TOLERANCE_MM:
            return 0
        if short_mm <= self.at_length_within_mm + EDGE_TOLERANCE_MM:
            return 1
        if short_mm < self.enough_from_mm - EDGE_TOLERANCE_MM:
            return 2
        if short_mm <= self.enough_up_to_mm + EDGE_TOLERANCE_MM:
            return 3
        return 4 if short_mm < self.back_from_mm - EDGE_TOLERANCE_MM else 5


_ROOMS: Final[tuple[tuple[Room, tuple[str, ...]], ...]] = (
    ("past length", ("file-past-length",)),
    ("at length", ("file-at-length",)),
    ("no rule", ("shortfall-no-rule", "never-press")),
    ("enough room", ("room-enough", "never-press")),
    ("no rule", ("shortfall-no-rule", "never-press")),
    ("back to the previous file", ("room-too-little", "never-press")),
)


@frozen
class Shortfall:
    """How far short of the working length a file stopped (mm, negative when past it), and what is made of it.

    `sure` says whether the whole 95 % interval of the shortfall lies in one row of the rule.
    """

    short_mm: float
    room: Room
    row: int
    sure: bool = True
    flags: tuple[Flag, ...] = ()
    parameters: tuple[tuple[str, float], ...] = ()


def shortfall(
    working_length_mm: float,
    reached_mm: float,
    *,
    std_mm: float = 0.0,
    rules: ShapingRules | None = None,
    coverage_factor: float = 1.959964,
) -> Shortfall:
    """What the place where a shaping file stops says of the room before it (common practice, no published source).

    Parameters
    ----------
    working_length_mm, reached_mm
        Working length and the file's insertion length from the same coronal reference point, 1 to 60 mm.
    std_mm
        Standard uncertainty of their difference; enters `sure` only.
    rules
        The bounds; :class:`ShapingRules` by default. An edge within 1e-9 mm belongs to "at length", to "enough room" and
        to "back to the previous file".
    coverage_factor
        Standard uncertainties in the half-width of the interval.

    Raises :class:`DecideError` for lengths that cannot be.
    """
    rule = ShapingRules() if rules is None else rules
    short = check_length("working_length_mm", working_length_mm) - check_length("reached_mm", reached_mm)
    half = check_not_negative("coverage_factor", coverage_factor) * check_not_negative("std_mm", std_mm)
    row = rule.row(short)
    room, codes = _ROOMS[row]
    sure = rule.row(short - half) == row == rule.row(short + half)
    doubtful = not sure and row >= 2  # at length, a ruler's own uncertainty reaches over both edges
    return Shortfall(
        short_mm=short,
        room=room,
        row=row,
        sure=sure,
        flags=tuple(advice(code) for code in (*codes, *(("shortfall-near-edge",) if doubtful else ()))),
        parameters=(*rule.as_parameters(), ("std_mm", std_mm), ("coverage_factor", coverage_factor)),
    )


def _gauge_size(size: int) -> int:
    try:
        tip_diameter_mm(size, special=True)
    except TradeError as error:
        raise DecideError(f"gauge {error}") from None
    return int(size)


@frozen
class Gauge:
    """One hand file taken passively to the apical part: its size, how it sat, and its insertion length (mm)."""

    size: int = field(converter=_gauge_size)
    finding: GaugeFinding = field()
    length_mm: float | None = field(default=None)

    def __attrs_post_init__(self) -> None:
        if self.finding not in get_args(GaugeFinding):
            raise DecideError(f"finding must be one of {', '.join(get_args(GaugeFinding))}: {self.finding!r}")
        if self.length_mm is not None:
            check_length("gauge length_mm", self.length_mm)

    def seat(self, working_length_mm: float, at_length_within_mm: float) -> tuple[GaugeFinding, bool]:
        """How it sat once the length is held against the working length, and whether the two contradict each other.

        A file that stopped short is "short" whatever it felt like. One that went farther past than `at_length_within_mm` is
        "past".
        """
        if self.length_mm is None:
            return self.finding, False
        short = working_length_mm - self.length_mm
        if short > at_length_within_mm + EDGE_TOLERANCE_MM:
            return "short", self.finding != "short"
        if short < -at_length_within_mm - EDGE_TOLERANCE_MM:
            return "past", self.finding in ("snug", "short")
        # At length: "short" is taken at its word, since a gauge that is not valid asks for the milder step.
        return self.finding, self.finding == "short"


@frozen
class Gauging:
    """What one gauge says: `apical_size` where it sat snug at length, `next_instrument` where more shaping is advised."""

    verdict: GaugeVerdict
    apical_size: int | None
    next_size: int | None
    next_instrument: AnyInstrument | None = None
    flags: tuple[Flag, ...] = ()
    parameters: tuple[tuple[str, float], ...] = ()


def next_instrument(instruments: Iterable[AnyInstrument], size: int) -> AnyInstrument | None:
    """The first instrument of the list, in its order, that is larger than `size` at the tip; None when there is none."""
    return next((instrument for instrument in instruments if instrument.size > size), None)


def usual_constriction(size: int, *, usual_sizes: tuple[int, int] = USUAL_CONSTRICTION_SIZES) -> tuple[Flag, ...]:
    """Whether an apical size is one that a constriction usually has; a remark where it is not."""
    low, high = usual_sizes
    if low <= _gauge_size(size) <= high:
        return ()
    return (advice("apical-size-large" if size > high else "apical-size-small"),)


def gauging(
    working_length_mm: float,
    gauge: Gauge,
    instruments: Sequence[AnyInstrument] = (),
    *,
    shaped_size: int | None = None,
    at_length_within_mm: float = 0.5,
    usual_sizes: tuple[int, int] = USUAL_CONSTRICTION_SIZES,
) -> Gauging:
    """What a hand file of the last shaping file's size says (common practice, no published source).

    Snug at length: shaped. Loose at length or past it: shape with the next larger file and gauge with the hand file of its
    size. Stopped short: no answer about the foramen; recapitulate and gauge again.

    Parameters
    ----------
    working_length_mm
        1 to 60 mm.
    gauge
        The hand file and how it sat.
    instruments
        The user's list, in order of use, from which the next larger file comes; without one the next size of ISO 3630-1 is
        named alone.
    shaped_size
        Size of the last shaping file at length; that of the gauge where left out. A thinner gauge says little, and a
        thicker one that sits snug asks for a file of its size.
    at_length_within_mm
        What counts as at length, either way (our parameter).
    usual_sizes
        As :func:`usual_constriction`.

    Raises
    ------
    DecideError
        Lengths or sizes that cannot be.
    """
    working = check_length("working_length_mm", working_length_mm)
    within = check_not_negative("at_length_within_mm", at_length_within_mm)
    shaped = gauge.size if shaped_size is None else _gauge_size(shaped_size)
    seat, contradicts = gauge.seat(working, within)
    flags = [advice("gauge-contradicts")] if contradicts else []
    parameters = (("at_length_within_mm", within),)
    larger: AnyInstrument | None
    size: int | None
    if seat == "short":
        return Gauging("gauge again", None, None, None, (*flags, advice("gauge-not-valid")), parameters)
    if gauge.size < shaped:
        return Gauging("gauge again", None, shaped, None, (*flags, advice("gauge-thinner")), parameters)
    if seat == "snug" and gauge.size == shaped:
        flags += [advice("gauge-snug"), *usual_constriction(gauge.size, usual_sizes=usual_sizes)]
        return Gauging("shaped", gauge.size, None, None, tuple(flags), parameters)
    if seat == "snug":
        flags += [advice("gauge-thicker"), *usual_constriction(gauge.size, usual_sizes=usual_sizes)]
        larger, size = next_instrument(instruments, gauge.size - 1), gauge.size
    else:
        flags.append(advice("gauge-past" if seat == "past" else "gauge-loose"))
        larger = next_instrument(instruments, gauge.size)
        size = next_size(gauge.size) if larger is None else larger.size
    if instruments and larger is None:
        flags.append(advice("no-larger-instrument"))
    apical = gauge.size if seat == "snug" else None
    return Gauging("shape larger", apical, size, larger, tuple(flags), parameters)


@frozen
class ApicalSize:
    """The apical size that several gauges show together.

    `size` is the largest that sat snug at length, None where none did. `confirmed` where the next larger gauge stopped short
    by enough. `next_gauge` is the size still to try, None where the picture is complete.
    """

    size: int | None
    confirmed: bool
    next_gauge: int | None
    flags: tuple[Flag, ...] = ()
    parameters: tuple[tuple[str, float], ...] = ()


def apical_size(
    working_length_mm: float,
    gauges: Sequence[Gauge],
    *,
    next_short_by_mm: float = NEXT_SHORT_BY_MM,
    at_length_within_mm: float = 0.5,
    large_foramen_size: int = LARGE_FORAMEN_SIZE,
    open_apex_size: int = OPEN_APEX_SIZE,
) -> ApicalSize:
    """The apical size from a row of hand files, small to large (our rule, from what gauging is).

    A gauge snug at working length while the one of the next size stops at least `next_short_by_mm` short is the apical size;
    a still larger one that stops short confirms nothing. Where all pass, gauge on; nothing snug up to `large_foramen_size`
    is a large foramen, and only where a gauge above `open_apex_size` passes is the apex called open. A later gauge of a size
    replaces an earlier one.

    Raises
    ------
    DecideError
        No gauge at all, or one that stops short or sits snug while a larger one goes farther: they contradict each other.
    """
    working = check_length("working_length_mm", working_length_mm)
    within = check_not_negative("at_length_within_mm", at_length_within_mm)
    limit = check_not_negative("next_short_by_mm", next_short_by_mm)
    if not gauges:
        raise DecideError(
            "gauges must hold at least one gauge: none given; gauge with the last shaping file's size first"
        )
    parameters = (
        ("next_short_by_mm", limit),
        ("at_length_within_mm", within),
        ("large_foramen_size", float(large_foramen_size)),
        ("open_apex_size", float(open_apex_size)),
    )
    rows = sorted({gauge.size: gauge for gauge in gauges}.values(), key=lambda gauge: gauge.size)
    seats = [gauge.seat(working, within)[0] for gauge in rows]
    flags = [advice("gauge-contradicts")] if any(gauge.seat(working, within)[1] for gauge in rows) else []
    order = {"past": 0, "loose": 0, "snug": 1, "short": 2}
    ranks = [order[seat] for seat in seats]
    if ranks != sorted(ranks):
        raise DecideError(
            f"gauges must not go farther as they grow: {', '.join(f'{g.size} {s}' for g, s in zip(rows, seats, strict=True))}; "
            "gauge again"
        )
    if "snug" in seats:
        k = ranks.index(2) - 1 if 2 in ranks else len(ranks) - 1  # a thinner one that is snug too binds by its side
        found = rows[k].size
        flags += usual_constriction(found)
        if k + 1 == len(rows):
            return ApicalSize(found, False, next_size(found), (*flags, advice("gauge-next-untried")), parameters)
        following, next_standard = rows[k + 1], next_size(found)
        if next_standard is not None and following.size > next_standard:
            return ApicalSize(found, False, next_standard, (*flags, advice("gauge-next-untried")), parameters)
        reached = following.length_mm
        short = seats[k + 1] == "short" and (reached is None or working - reached >= limit - EDGE_TOLERANCE_MM)
        return ApicalSize(
            found, short, None, tuple(flags) if short else (*flags, advice("gauge-next-not-short")), parameters
        )
    largest_past = max((g.size for g, rank in zip(rows, ranks, strict=True) if rank == 0), default=None)
    if largest_past is None:
        return ApicalSize(None, False, None, (*flags, advice("gauge-not-valid")), parameters)
    if largest_past > open_apex_size:
        flags.append(advice("gauge-open-apex"))
    elif largest_past >= large_foramen_size:
        flags.append(advice("foramen-large"))
    between = next_size(largest_past)
    if between in {gauge.size for gauge in rows}:
        return ApicalSize(None, False, None, (*flags, advice("gauge-between")), parameters)
    return ApicalSize(None, False, between, (*flags, advice("gauge-on")), parameters)


@frozen
class LengthChange:
    """A working length measured again: `change_mm` is the new less the old, negative when shorter."""

    change_mm: float
    advice: Change
    flags: tuple[Flag, ...] = ()
    parameters: tuple[tuple[str, float], ...] = ()


def length_change(before_mm: float, after_mm: float, *, info_up_to_mm: float = CHANGE_INFO_UP_TO_MM) -> LengthChange:
    """What a change of working length during treatment asks for; on average it grows shorter as the canal straightens.

    Both lengths are from the same coronal reference point. Raises :class:`DecideError`.
    """
    change = check_finite(
        DecideError, "change", check_length("after_mm", after_mm) - check_length("before_mm", before_mm)
    )
    limit = check_not_negative("info_up_to_mm", info_up_to_mm)
    parameters = (("info_up_to_mm", limit),)
    if abs(change) <= EDGE_TOLERANCE_MM:
        return LengthChange(change, "none", (), parameters)
    flags = [advice("length-grew")] if change > 0.0 else []
    if abs(change) <= limit + EDGE_TOLERANCE_MM:
        return LengthChange(change, "info", (*flags, advice("length-changed")), parameters)
    return LengthChange(change, "measure again", (*flags, advice("length-changed-much")), parameters)
