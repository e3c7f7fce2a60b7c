"""Root canal instruments by ISO 3630-1: size, taper, colour, diameter n mm from the tip, tolerance.

The nominal size is the tip diameter in hundredths of a millimetre, the taper the growth of the diameter per millimetre:
D(n) = D0 + T n, up to the instrument's largest diameter. "25/.06" is size 25, taper 0.06.

Sources
-------
ISO 3630-1 (1992, 2008); sizes, colours, lengths and the 16 mm working part after Qualtrough, Satterthwaite & Morrow,
Principles of Operative Dentistry, 2005, and Kim et al., J Korean Acad Conserv Dent 2010;35(6). Tolerances from memory.
Instruments of other than uniform taper are class 4 of the draft ISO/DIS 3630-1:2026 and need their own table of
diameters.
Real instruments differ from nominal and stay within tolerance, so that neighbouring sizes can overlap (J Endod 2002,
"Clinical relevance of standardization of endodontic files dimensions according to the ISO 3630-1 specification").
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterable
from itertools import pairwise
from operator import index
from types import MappingProxyType
from typing import Final, SupportsIndex, TypeAlias

from attrs import field, frozen

from wlmeasure.errors import TradeError, check_finite, check_positive

__all__ = [
    "COLOURS",
    "EXAMPLE_SEQUENCE",
    "HALF_SIZES",
    "HAND_FILE_TAPER",
    "LENGTH_TOLERANCE_MM",
    "NOMINAL_LENGTHS_MM",
    "SIZES",
    "TAPER_LIMIT",
    "WORKING_PART_MM",
    "AnyInstrument",
    "Instrument",
    "TableInstrument",
    "colour",
    "diameter_tolerance_mm",
    "hand_file",
    "is_nominal_length",
    "neighbours_overlap",
    "next_size",
    "read_instrument_list",
    "size_words",
    "tip_diameter_mm",
]

COLOURS: Final = MappingProxyType(
    {6: "pink", 8: "grey", 10: "purple"}
    | dict.fromkeys((15, 45, 90), "white")
    | dict.fromkeys((20, 50, 100), "yellow")
    | dict.fromkeys((25, 55, 110), "red")
    | dict.fromkeys((30, 60, 120), "blue")
    | dict.fromkeys((35, 70, 130), "green")
    | dict.fromkeys((40, 80, 140), "black")
)
"""Handle colour of the sizes of ISO 3630-1."""

SIZES: Final = tuple(sorted(COLOURS))
"""The sizes of ISO 3630-1, 6 to 140."""

HALF_SIZES: Final = (12, 17, 22, 27, 32, 37)
"""Sizes in between that are sold; we know of no standard colour for them."""

HAND_FILE_TAPER: Final = 0.02
"""Taper of the standard hand file, mm of diameter per mm of length (ISO 3630-1)."""

WORKING_PART_MM: Final = 16.0
"""Least length of the tapered working part of a standard file (ISO 3630-1)."""

NOMINAL_LENGTHS_MM: Final = (21, 25, 28, 31)
"""Nominal lengths of hand files. Printed on the packet, not measured: ask for stop to tip on a ruler."""

LENGTH_TOLERANCE_MM: Final = 0.5
"""A file may be this much longer or shorter than its nominal length (ISO 3630-1, from memory)."""

_TOLERANCE_UP_TO_60_MM: Final = 0.02  # ISO 3630-1, from memory
_TOLERANCE_ABOVE_60_MM: Final = 0.04  # ISO 3630-1, from size 70, from memory

TAPER_LIMIT: Final = 0.25
"""A larger taper is taken for a slip, 4 or 6 written for .04 or .06. Our parameter."""

_ROUNDING_MM: Final = 1e-9  # hundredths of a millimetre are not exact in binary


def _whole(size: object) -> int:
    if isinstance(size, bool) or not isinstance(size, SupportsIndex) or index(size) <= 0:
        raise TradeError(f"size must be a whole number of 1/100 mm, such as 25: {size!r}")
    return index(size)


def _known(size: object, *, special: bool) -> int:
    number = _whole(size)
    if not special and number not in COLOURS and number not in HALF_SIZES:
        raise TradeError(
            f"size must be one of ISO 3630-1 ({_listed(SIZES)}) or a half size ({_listed(HALF_SIZES)}): {number}; "
            "mark the instrument as special if it is right"
        )
    return number


def _listed(sizes: tuple[int, ...]) -> str:
    return ", ".join(map(str, sizes))


def tip_diameter_mm(size: int, *, special: bool = False) -> float:
    """Nominal tip diameter D0 in mm; TradeError for a size that is not in :data:`SIZES` or :data:`HALF_SIZES`.

    With `special` any whole positive size is taken.
    """
    return _known(size, special=special) / 100


def colour(size: int) -> str | None:
    """Handle colour by ISO 3630-1, None for a half size; TradeError for a size the standard does not know."""
    return COLOURS.get(_known(size, special=False))


def diameter_tolerance_mm(size: int, *, special: bool = False) -> float:
    """Half-width of the tolerance on a diameter, mm: 0.02 up to size 60, 0.04 above (ISO 3630-1, from memory).

    The standard's steps are "60" and "70"; a special size in between gets the wider one.
    """
    return _TOLERANCE_UP_TO_60_MM if _known(size, special=special) <= 60 else _TOLERANCE_ABOVE_60_MM


def is_nominal_length(length_mm: float) -> bool:
    """Whether a length is exactly one of :data:`NOMINAL_LENGTHS_MM`.

    Such a figure was probably read from the packet, and is then good to :data:`LENGTH_TOLERANCE_MM` only.
    """
    length = check_positive(TradeError, "length_mm", length_mm)
    return any(abs(length - nominal) <= _ROUNDING_MM for nominal in NOMINAL_LENGTHS_MM)


def neighbours_overlap(size_a: int, size_b: int, *, tolerance_mm: float | None = None) -> bool:
    """Whether two instruments of different nominal size may have the same tip diameter within their tolerances.

    `tolerance_mm` replaces :func:`diameter_tolerance_mm` for both sizes. TradeError for an unknown size.
    """
    gap = abs(tip_diameter_mm(size_a) - tip_diameter_mm(size_b))
    if tolerance_mm is None:
        reach = diameter_tolerance_mm(size_a) + diameter_tolerance_mm(size_b)
    else:
        reach = 2 * check_positive(TradeError, "tolerance_mm", tolerance_mm)
    return gap <= reach + _ROUNDING_MM


def next_size(size: int) -> int | None:
    """The next larger size of ISO 3630-1 (half sizes are passed over), None after the last."""
    return next((larger for larger in SIZES if larger > _whole(size)), None)


def _check_within(distance_mm: float, working_part_mm: float) -> float:
    distance = check_finite(TradeError, "mm_from_tip", distance_mm)
    if not 0.0 <= distance <= working_part_mm + _ROUNDING_MM:
        raise TradeError(f"mm_from_tip must be on the working part, 0-{working_part_mm:g} mm: {distance:g}")
    return distance


def _tolerance_interval(diameter_mm: float, size: int, tolerance_mm: float | None) -> tuple[float, float]:
    if tolerance_mm is None:
        tolerance_mm = diameter_tolerance_mm(size, special=True)
    half = check_positive(TradeError, "tolerance_mm", tolerance_mm)
    return max(diameter_mm - half, 0.0), diameter_mm + half


def _taper_number(value: float) -> float:
    return check_finite(TradeError, "taper", value)


def _cap(value: float | None) -> float | None:
    return None if value is None else check_positive(TradeError, "max_diameter_mm", value)


def _working_part(value: float) -> float:
    return check_positive(TradeError, "working_part_mm", value)


@frozen
class Instrument:
    """An instrument of uniform taper: D(n) = min(D0 + T n, largest diameter).

    Parameters
    ----------
    size
        Nominal size, tip diameter in 1/100 mm.
    taper
        mm of diameter per mm of length, 0 to :data:`TAPER_LIMIT`; 0.06 for a ".06".
    max_diameter_mm
        Where the diameter stops growing; None when it does not.
    working_part_mm
        Length of the working part from the tip, mm.
    special
        Take a size that is neither in ISO 3630-1 nor a half size.

    Raises
    ------
    TradeError
        For an unknown size without `special`, a taper out of range, a largest diameter below the tip's, a length <= 0.
    """

    size: int = field(converter=_whole)
    taper: float = field(converter=_taper_number)
    max_diameter_mm: float | None = field(default=None, converter=_cap)
    working_part_mm: float = field(default=WORKING_PART_MM, converter=_working_part)
    special: bool = False

    def __attrs_post_init__(self) -> None:
        _known(self.size, special=self.special)
        if not 0.0 <= self.taper <= TAPER_LIMIT:
            raise TradeError(
                f"taper must be 0-{TAPER_LIMIT:g} mm per mm: {self.taper:g}; write 0.06 for a taper of 6 %"
            )
        if self.max_diameter_mm is not None and self.max_diameter_mm < self.tip_diameter_mm:
            raise TradeError(
                f"max_diameter_mm must not be below the tip's {self.tip_diameter_mm:.2f} mm: {self.max_diameter_mm:g}"
            )

    @property
    def tip_diameter_mm(self) -> float:
        """Nominal D0, mm."""
        return self.size / 100

    @property
    def label(self) -> str:
        """Such as ``"25/.06"`` or ``"25/.06 max 1.00"``; :func:`read_instrument_list` reads it back."""
        words = [size_words(self.size, self.taper)]
        if self.max_diameter_mm is not None:
            words.append(f"max {_text(self.max_diameter_mm)}")
        if self.working_part_mm != WORKING_PART_MM:
            words.append(f"working {_text(self.working_part_mm).removesuffix('.00')}")
        if self.special:
            words.append("special")
        return " ".join(words)

    def diameter_mm(self, mm_from_tip: float) -> float:
        """Nominal diameter in mm, `mm_from_tip` from the tip; TradeError outside the working part."""
        uncapped = self.tip_diameter_mm + self.taper * _check_within(mm_from_tip, self.working_part_mm)
        return uncapped if self.max_diameter_mm is None else min(uncapped, self.max_diameter_mm)

    def diameter_interval_mm(self, mm_from_tip: float, *, tolerance_mm: float | None = None) -> tuple[float, float]:
        """Least and greatest diameter within tolerance (default :func:`diameter_tolerance_mm`), mm."""
        return _tolerance_interval(self.diameter_mm(mm_from_tip), self.size, tolerance_mm)

    def mm_from_tip_at(self, diameter_mm: float) -> float | None:
        """First distance from the tip, in mm, at which the instrument is `diameter_mm` thick.

        0 when the tip is as thick already, None when the working part never gets so thick.
        """
        wanted = check_positive(TradeError, "diameter_mm", diameter_mm)
        missing = wanted - self.tip_diameter_mm
        if missing <= _ROUNDING_MM:
            return 0.0
        if self.taper == 0.0 or (self.max_diameter_mm is not None and wanted > self.max_diameter_mm + _ROUNDING_MM):
            return None
        distance = missing / self.taper
        return distance if distance <= self.working_part_mm + _ROUNDING_MM else None

    @property
    def cap_reached_mm(self) -> float | None:
        """Distance from the tip at which the largest diameter is reached, mm; None when it is not, or there is none."""
        return None if self.max_diameter_mm is None else self.mm_from_tip_at(self.max_diameter_mm)


def size_words(size: int, taper: float | None = None, *, special: bool | None = False) -> str:
    """How an instrument is written: "25/.04", "25" without a taper, "33/.05 special" where the size is none of the standard's.

    The taper has two decimals when they say it all, else every digit.
    """
    short = "" if taper is None else f"{taper:.2f}" if abs(taper - round(taper, 2)) < 1e-12 else f"{taper!r}"
    return f"{size:02d}{'/' if short else ''}{short.removeprefix('0')}{' special' if special else ''}"


def _checked_rows(rows: Iterable[Iterable[float]]) -> tuple[tuple[float, float], ...]:
    checked = []
    for row in rows:
        pair = tuple(row)
        if len(pair) != 2:
            raise TradeError(f"diameters_mm must be rows of (mm from the tip, diameter in mm): {pair!r}")
        distance = check_finite(TradeError, "diameters_mm distance", pair[0])
        checked.append((distance, check_positive(TradeError, "diameters_mm diameter", pair[1])))
    if len(checked) < 2 or checked[0][0] != 0.0 or any(b[0] <= a[0] for a, b in pairwise(checked)):
        distances = ", ".join(f"{mm:g}" for mm, _ in checked)
        raise TradeError(f"diameters_mm must have two or more rows with distances rising from 0: ({distances})")
    return tuple(checked)


@frozen
class TableInstrument:
    """An instrument of non-uniform taper, given by its own table; straight lines between the rows.

    Parameters
    ----------
    size
        Nominal size, tip diameter in 1/100 mm.
    diameters_mm
        Rows (mm from the tip, diameter in mm), at least two, distances rising from 0. The first diameter is the tip's
        and must agree with `size` within the tolerance. The last row ends the working part.
    special
        Take a size that is neither in ISO 3630-1 nor a half size.

    Raises
    ------
    TradeError
        For an unknown size without `special`, and for a table that is not as above.
    """

    size: int = field(converter=_whole)
    diameters_mm: tuple[tuple[float, float], ...] = field(converter=_checked_rows)
    special: bool = False

    def __attrs_post_init__(self) -> None:
        nominal = _known(self.size, special=self.special) / 100
        tolerance = diameter_tolerance_mm(self.size, special=True)
        if abs(self.tip_diameter_mm - nominal) > tolerance + _ROUNDING_MM:
            raise TradeError(
                f"diameters_mm must begin within {tolerance:g} mm of the {nominal:.2f} mm of size {self.size}: "
                f"{self.tip_diameter_mm:g}; correct the size or the table"
            )

    @property
    def tip_diameter_mm(self) -> float:
        """Diameter at the tip by the table, mm."""
        return self.diameters_mm[0][1]

    @property
    def working_part_mm(self) -> float:
        """Length that the table covers, mm."""
        return self.diameters_mm[-1][0]

    @property
    def label(self) -> str:
        """Such as ``"25 0:0.25 4:0.53 16:1.10"``; :func:`read_instrument_list` reads it back."""
        rows = " ".join(f"{_text(mm).removesuffix('.00')}:{_text(diameter)}" for mm, diameter in self.diameters_mm)
        return f"{self.size:02d} {rows}{' special' if self.special else ''}"

    def diameter_mm(self, mm_from_tip: float) -> float:
        """Diameter in mm, `mm_from_tip` from the tip; TradeError outside the table."""
        distance = _check_within(mm_from_tip, self.working_part_mm)
        after = min(bisect_right(self.diameters_mm, distance, key=lambda row: row[0]), len(self.diameters_mm) - 1)
        (mm_0, thin), (mm_1, thick) = self.diameters_mm[after - 1], self.diameters_mm[after]
        return thin + (thick - thin) * (distance - mm_0) / (mm_1 - mm_0)

    def diameter_interval_mm(self, mm_from_tip: float, *, tolerance_mm: float | None = None) -> tuple[float, float]:
        """Least and greatest diameter within tolerance (default :func:`diameter_tolerance_mm`), mm."""
        return _tolerance_interval(self.diameter_mm(mm_from_tip), self.size, tolerance_mm)

    def mm_from_tip_at(self, diameter_mm: float) -> float | None:
        """First distance from the tip, in mm, at which the instrument is `diameter_mm` thick.

        0 when the tip is as thick already, None when the table never gets so thick.
        """
        wanted = check_positive(TradeError, "diameter_mm", diameter_mm)
        if wanted <= self.tip_diameter_mm + _ROUNDING_MM:
            return 0.0
        for (mm_0, thin), (mm_1, thick) in pairwise(self.diameters_mm):
            if wanted <= thick + _ROUNDING_MM:
                return mm_0 + (mm_1 - mm_0) * min((wanted - thin) / (thick - thin), 1.0)
        return None


AnyInstrument: TypeAlias = Instrument | TableInstrument


def hand_file(size: int) -> Instrument:
    """A standard hand file: taper :data:`HAND_FILE_TAPER`; TradeError for an unknown size."""
    return Instrument(size, HAND_FILE_TAPER)


EXAMPLE_SEQUENCE: Final[tuple[AnyInstrument, ...]] = tuple(Instrument(size, 0.04) for size in (20, 25, 30, 35))
"""Only an example, 20/.04 25/.04 30/.04 35/.04: no recommendation and nobody's set.

Users replace it by the list of the instruments they have (:func:`read_instrument_list`).
"""

_NUMBER: Final = r"\d+(?:[.,]\d+)?|[.,]\d+"
_UNIFORM: Final = re.compile(
    rf"(?P<size>\d+)\s*/\s*(?P<taper>{_NUMBER})(?:\s+max\s+(?P<max>{_NUMBER}))?(?:\s+working\s+(?P<working>{_NUMBER}))?"
    r"(?P<special>\s+special)?",
    re.IGNORECASE,
)
_TABLE: Final = re.compile(
    rf"(?P<size>\d+)(?P<rows>(?:\s+(?:{_NUMBER}):(?:{_NUMBER}))+)(?P<special>\s+special)?", re.IGNORECASE
)


def read_instrument_list(text: str) -> tuple[AnyInstrument, ...]:
    """Read a user's list of instruments, one a line, in the order of use.

    ::

        25/.06                     size and taper; 25/06 and 25/0,06 are the same
        25/.06 max 1.00            the diameter stops growing at 1.00 mm
        20/.10 working 10          the working part is 10 mm long instead of 16
        33/.05 special             a size that is not in ISO 3630-1
        25 0:0.25 4:0.53 16:1.10   a table: mm from the tip, diameter in mm

    Empty lines and what follows a ``#`` are passed over.

    Raises
    ------
    TradeError
        For the first line that is not an instrument, with its number; and for a list without any.
    """
    instruments = []
    for number, line in enumerate(text.splitlines(), start=1):
        entry = line.partition("#")[0].strip()
        if not entry:
            continue
        try:
            instruments.append(_read_instrument(entry))
        except TradeError as error:
            raise TradeError(f"instrument list, line {number}: {error}") from error
    if not instruments:
        raise TradeError("instrument list must name at least one instrument: it is empty; write lines such as 25/.06")
    return tuple(instruments)


def _read_instrument(entry: str) -> AnyInstrument:
    if match := _UNIFORM.fullmatch(entry):
        return Instrument(
            size=int(match["size"]),
            taper=_taper(match["taper"]),
            max_diameter_mm=_number(match["max"]) if match["max"] else None,
            working_part_mm=_number(match["working"]) if match["working"] else WORKING_PART_MM,
            special=match["special"] is not None,
        )
    if match := _TABLE.fullmatch(entry):
        rows = [tuple(map(_number, row.split(":"))) for row in match["rows"].split()]
        return TableInstrument(size=int(match["size"]), diameters_mm=rows, special=match["special"] is not None)
    raise TradeError(
        f"must be size/taper such as '25/.06' or '25/.06 max 1.00', or a table '25 0:0.25 16:1.10': {entry!r}"
    )


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def _taper(text: str) -> float:
    # "25/06" is how the standard's codes write a taper of 6 %; no instrument tapers by 6 mm per mm.
    return int(text) / 100 if re.fullmatch(r"\d\d", text) else _number(text)


def _text(millimetres: float) -> str:
    """Two decimals when they say it all, else every digit, so that a label can be read back."""
    short = f"{millimetres:.2f}"
    return short if float(short) == millimetres else repr(millimetres)
