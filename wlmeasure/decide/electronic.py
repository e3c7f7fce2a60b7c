"""Electronic readings: their mark, their repeats, whether they agree, and the constriction length they give.

The mark matters. The foramen mark (0.0, apex) is where the file touches the ligament; the constriction mark is the
maker's estimate, not a calibrated half millimetre (Jung, Yoon, Lee & Lee, J Endod 2011). "beyond" is no length at all,
only a bound. Nothing is rounded here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import fsum, hypot, sqrt
from typing import Final, Literal, get_args

from attrs import field, frozen

from wlmeasure.decide._limits import EDGE_TOLERANCE_MM, check_length, check_not_negative, is_unusual
from wlmeasure.decide.flags import flag
from wlmeasure.errors import DecideError, check_positive
from wlmeasure.flags import Flag, merge

__all__ = [
    "CONDITIONS",
    "CONDITION_STD_MM",
    "DEVICE_STD_MM",
    "MINIMUM_REPEATS",
    "RULER_STD_MM",
    "SPAN_LIMIT_MM",
    "WITHDRAW_MM",
    "ElectronicLength",
    "ElectronicMark",
    "ElectronicReading",
    "ElectronicStatus",
    "Mark",
    "electronic_length",
]

Mark = Literal["foramen", "constriction", "beyond"]
ElectronicMark = Literal["foramen", "constriction", "mixed", "none"]
ElectronicStatus = Literal["stable", "unstable", "not established", "none"]

CONDITIONS: Final = (
    "wide foramen",
    "blockage",
    "perforation",
    "open apex",
    "bleeding",
    "metal contact",
    "wet",
    "dry",
    "leakage",
    "retreatment material",
    "fracture",
    "vital tissue",
    "low battery",
    "loose file",
)
"""Conditions that a flag of their own explains. Wide foramen and loose file: BDJ Open 2020, s41405-020-00052-3;
blockage: Abdelsalam & Hashem, J Endod 2020; the others from memory. Any other text is kept and flagged as not in the
list."""

WITHDRAW_MM: Final = 0.5
"""From the foramen reading back to the constriction, 0.5 to 1.0 mm; common practice."""

MINIMUM_REPEATS: Final = 3
"""Readings needed before their agreement means anything (our parameter)."""

SPAN_LIMIT_MM: Final = 0.5
"""Largest accepted difference between repeats (our parameter)."""

RULER_STD_MM: Final = 0.5 / sqrt(12.0)
"""A ruler read to 0.5 mm: rectangular over one division, 0.144 mm."""

DEVICE_STD_MM: Final = 0.25
"""What repeating cannot remove from one device in one canal (from memory; constriction marks were 0.26 to 0.36 mm off
in Lucena et al., Int Endod J 2014;47:246-256)."""

CONDITION_STD_MM: Final = 0.25
"""Added once, in quadrature, where any condition was noted: as much again as the device (our parameter)."""


def _reading_mm(value: float) -> float:
    return check_length("reading length_mm", value)


def _plain_words(values: Iterable[str]) -> tuple[str, ...]:
    if isinstance(values, str):
        raise DecideError(f"conditions must be a list of texts, not one text: {values!r}")
    words = []
    for value in values:
        if not isinstance(value, str) or not value.strip():
            raise DecideError(f"condition must be a text: {value!r}; leave it out when there is nothing to note")
        plain = " ".join(value.replace("-", " ").replace("_", " ").casefold().split())
        words.append(plain if plain in CONDITIONS else value.strip())
    return tuple(words)


@frozen
class ElectronicReading:
    """One reading typed in by the clinician.

    `length_mm` from the coronal reference point to the file tip, 1 to 60 mm; `mark` foramen, constriction or beyond;
    `file_size` the ISO size of the file in it; `conditions` known words of :data:`CONDITIONS` or free text. Raises
    :class:`DecideError`.
    """

    length_mm: float = field(converter=_reading_mm)
    mark: Mark = field()
    file_size: int | None = field(default=None)
    conditions: tuple[str, ...] = field(default=(), converter=_plain_words)

    def __attrs_post_init__(self) -> None:
        if self.mark not in get_args(Mark):
            raise DecideError(f"mark must be foramen, constriction or beyond: {self.mark!r}; 0.0 and apex are foramen")
        if self.file_size is not None and (
            isinstance(self.file_size, bool) or not isinstance(self.file_size, int) or self.file_size <= 0
        ):
            raise DecideError(f"file_size must be a whole ISO size such as 15: {self.file_size!r}")

    def constriction_mm(self, withdraw_mm: float = WITHDRAW_MM) -> float | None:
        """The length to the constriction, mm: a foramen reading less `withdraw_mm`, a constriction reading as it is.

        None for one beyond the foramen.
        """
        if self.mark == "beyond":
            return None
        return self.length_mm - withdraw_mm if self.mark == "foramen" else self.length_mm


@frozen
class ElectronicLength:
    """What the readings of one canal say together (mm from the coronal reference point).

    `length_mm` is the length to the constriction, the median of the usable readings, None without any; `foramen_mm` the
    median of the foramen readings; `beyond_mm` the shortest length at which the device showed beyond; `shortest_mm` the
    shortest reading brought to the constriction; `n` and `span_mm` count and spread the usable readings. Only `status`
    "stable" makes `length_mm` an electronic length: "not established" is a count, "unstable" a spread. `readings` are what it
    was made from, by length.
    """

    length_mm: float | None
    std_mm: float | None
    mark: ElectronicMark
    status: ElectronicStatus
    foramen_mm: float | None = None
    n: int = 0
    span_mm: float | None = None
    shortest_mm: float | None = None
    beyond_mm: float | None = None
    withdraw_mm: float = WITHDRAW_MM
    conditions: tuple[str, ...] = ()
    flags: tuple[Flag, ...] = ()
    parameters: tuple[tuple[str, float], ...] = ()
    readings: tuple[ElectronicReading, ...] = ()

    def __attrs_post_init__(self) -> None:
        if self.mark not in get_args(ElectronicMark) or self.status not in get_args(ElectronicStatus):
            raise DecideError(f"mark and status must be words of this room: {self.mark!r}, {self.status!r}")
        if (self.length_mm is None) != (self.std_mm is None):
            raise DecideError(
                f"length_mm and std_mm must both be given or both absent: {self.length_mm!r}, {self.std_mm!r}"
            )
        if (self.length_mm is None) != (self.status == "none"):
            raise DecideError(
                f"status must be none exactly where there is no length: {self.status!r}, {self.length_mm!r}"
            )
        if self.length_mm is not None and self.std_mm is not None:
            check_positive(DecideError, "electronic length_mm", self.length_mm)
            check_positive(DecideError, "electronic std_mm", self.std_mm)

    @property
    def ceiling_mm(self) -> float | None:
        """The longest constriction length the readings support.

        The median when stable, else the shortest reading; never past what a "beyond" reading leaves.
        """
        own = self.length_mm if self.status == "stable" else self.shortest_mm
        known = [value for value in (own, self.length_mm, self.beyond_limit_mm) if value is not None]
        return min(known, default=None)

    @property
    def beyond_limit_mm(self) -> float | None:
        """Where the constriction must end if the device showed beyond at `beyond_mm`."""
        return None if self.beyond_mm is None else self.beyond_mm - self.withdraw_mm


def electronic_length(
    readings: Sequence[ElectronicReading],
    *,
    withdraw_mm: float = WITHDRAW_MM,
    minimum_repeats: int = MINIMUM_REPEATS,
    span_limit_mm: float = SPAN_LIMIT_MM,
    ruler_std_mm: float = RULER_STD_MM,
    device_std_mm: float = DEVICE_STD_MM,
    condition_std_mm: float = CONDITION_STD_MM,
) -> ElectronicLength:
    """Constriction length from repeated readings of one canal.

    A foramen reading is shortened by `withdraw_mm`; a constriction reading is used as it is, never shortened again; a
    "beyond" reading gives no length but bounds the others. The median of what is left is the length. Its standard
    uncertainty is the repeats' standard deviation over sqrt(n), with ruler and device as a floor that repeating does
    not lower; a single reading takes the accepted span as rectangular instead.

    A "beyond" reading shorter than the rest by more than `span_limit_mm` contradicts them: unstable.
    Raises :class:`DecideError` for parameters that cannot be.
    """
    withdraw = check_not_negative("withdraw_mm", withdraw_mm)
    span_limit = check_not_negative("span_limit_mm", span_limit_mm)
    floor = hypot(check_not_negative("ruler_std_mm", ruler_std_mm), check_not_negative("device_std_mm", device_std_mm))
    check_positive(DecideError, "floor of ruler_std_mm and device_std_mm", floor)
    if minimum_repeats < 1:
        raise DecideError(f"minimum_repeats must be >= 1: {minimum_repeats}")
    at_foramen = [reading.length_mm for reading in readings if reading.mark == "foramen"]
    beyond = [reading.length_mm for reading in readings if reading.mark == "beyond"]
    usable = [length for reading in readings if (length := reading.constriction_mm(withdraw)) is not None]
    at_constriction = len(usable) > len(at_foramen)
    if any(length <= 0.0 for length in usable):
        raise DecideError(f"withdraw_mm must be shorter than every foramen reading: {withdraw:g} mm")
    conditions = tuple(dict.fromkeys(text for reading in readings for text in reading.conditions))
    noted = [
        flag(f"condition-{text.replace(' ', '-')}" if text in CONDITIONS else "condition-other") for text in conditions
    ]
    flags = [flag("length-unusual")] if any(is_unusual(reading.length_mm) for reading in readings) else []
    if beyond:
        flags.append(flag("reading-beyond"))
    parameters = (
        ("withdraw_mm", withdraw),
        ("minimum_repeats", float(minimum_repeats)),
        ("span_limit_mm", span_limit),
        ("ruler_std_mm", ruler_std_mm),
        ("device_std_mm", device_std_mm),
        ("condition_std_mm", condition_std_mm),
    )
    beyond_mm = min(beyond, default=None)
    if not usable:
        absent = [flag("no-usable-reading")] if readings else []
        return ElectronicLength(
            None,
            None,
            mark="none",
            status="none",
            beyond_mm=beyond_mm,
            withdraw_mm=withdraw,
            conditions=conditions,
            flags=merge(absent, flags, noted),
            parameters=parameters,
            readings=_in_order(readings),
        )

    length = _median(usable)
    span = max(usable) - min(usable)
    n = len(usable)
    repeat_std = _repeat_std(usable) / sqrt(n) if n > 1 else span_limit / sqrt(12.0)
    condition_std = check_not_negative("condition_std_mm", condition_std_mm) if conditions else 0.0
    foramen_mm = _median(at_foramen) if at_foramen else None
    spread = span > span_limit + EDGE_TOLERANCE_MM
    farthest = length if foramen_mm is None else max(length, foramen_mm)
    contradicted = beyond_mm is not None and beyond_mm < farthest - span_limit - EDGE_TOLERANCE_MM
    status: ElectronicStatus = "stable"
    if n < minimum_repeats:
        status = "not established"
        flags.append(flag("too-few-readings"))
    elif spread or contradicted:
        status = "unstable"
    if spread:
        flags.append(flag("reading-unstable"))
    if contradicted:
        flags.append(flag("beyond-contradicts"))
    mixed = bool(at_foramen) and at_constriction
    if mixed:
        flags.append(flag("marks-mixed"))
    if at_constriction:
        flags.append(flag("mark-not-calibrated"))
    return ElectronicLength(
        length_mm=length,
        std_mm=hypot(repeat_std, floor, condition_std),
        mark="mixed" if mixed else "foramen" if at_foramen else "constriction",
        status=status,
        foramen_mm=foramen_mm,
        n=n,
        span_mm=span,
        shortest_mm=min(usable),
        beyond_mm=beyond_mm,
        withdraw_mm=withdraw,
        conditions=conditions,
        flags=merge(flags, noted),
        parameters=parameters,
        readings=_in_order(readings),
    )


def _in_order(readings: Sequence[ElectronicReading]) -> tuple[ElectronicReading, ...]:
    """By what they say: in whatever order they were taken, they say the same together."""
    return tuple(sorted(readings, key=lambda one: (one.length_mm, one.mark, one.file_size or 0, one.conditions)))


# Importing `statistics` for these two lines would cost the command line some 10 ms at every start.
def _median(values: Sequence[float]) -> float:
    ordered = sorted(values)
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else (ordered[middle - 1] + ordered[middle]) / 2.0


def _repeat_std(values: Sequence[float]) -> float:
    mean = fsum(values) / len(values)
    return sqrt(fsum((value - mean) ** 2 for value in values) / (len(values) - 1))
