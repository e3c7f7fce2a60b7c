"""A tooth by its ISO 3950 designation, and what is usual for it: names, canals, length.

Two digits alone do not name a tooth: "11" is the upper right central incisor in ISO 3950 and the upper left canine in
the Universal system. So the system is always named where a tooth is made (:meth:`Tooth.from_iso3950`,
:meth:`Tooth.from_universal`, :meth:`Tooth.from_palmer`), or asked for where a person types it (:meth:`Tooth.from_words`), and
only the ISO 3950 designation is kept.

Sources
-------
ISO 3950:2016 (quadrants 1-4 permanent and 5-8 primary, second digit from the midline distally). Other notations:
:mod:`wlmeasure.trade.notation`. Canal names: common practice. Lengths: see :data:`WHEELER_MM`, :data:`BLACK_MM`,
:data:`PRIMARY_CROWN_PLUS_ROOT_MM` and :data:`PRIMARY_CANAL_MM`.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from attrs import Attribute, field, frozen

from wlmeasure.errors import AmbiguousToothError, TradeError, check_finite, check_positive, one_line
from wlmeasure.trade.notation import CORNERS, QUADRANT_LETTERS, UNIVERSAL, UNIVERSAL_OF, meanings, of_palmer

__all__ = [
    "BLACK_MM",
    "HARD_QUESTION_MM",
    "PRIMARY_CANAL_MM",
    "PRIMARY_CROWN_PLUS_ROOT_MM",
    "PRIMARY_HARD_QUESTION_MM",
    "USUAL_LENGTH_BAND_MM",
    "WHEELER_MM",
    "TableLength",
    "Tooth",
    "ToothReading",
    "UsualLength",
]

USUAL_LENGTH_BAND_MM: Final = 5.0
"""Warn when a length differs more than this from the usual length. Our parameter."""

HARD_QUESTION_MM: Final = (10.0, 33.0)
"""Permanent teeth: a length outside is asked about, whatever the tables say. Our parameter."""

PRIMARY_HARD_QUESTION_MM: Final = (6.0, 25.0)
"""Primary teeth: the same. Our parameter.

The permanent teeth's 10 mm would question ordinary canals: the mean working length of the buccal canals of primary
upper first molars is 9.8 mm (Sruthi, Gurunathan & Subramanian, ijrps.com article 3205, abstract; 380 records, age 2-6).
"""

_TableKey = tuple[bool, int]  # (upper jaw, position)


def _by_jaw(upper: tuple[float, ...], lower: tuple[float, ...]) -> Mapping[_TableKey, float]:
    jaws = ((True, upper), (False, lower))
    return MappingProxyType({(is_upper, n): mm for is_upper, row in jaws for n, mm in enumerate(row, start=1)})


WHEELER_MM: Final = _by_jaw(
    # The upper first and second molar are given as a range (buccal and lingual root), 19.5-20.5 and 18-19: the midpoint
    # is taken.
    upper=(23.5, 22.0, 27.0, 22.5, 22.5, (19.5 + 20.5) / 2, (18.0 + 19.0) / 2, 17.5),
    # Lower molars from memory.
    lower=(21.5, 23.5, 27.0, 22.5, 22.5, 21.5, 20.0, 18.0),
)
"""Crown plus root of the permanent teeth, Wheeler/Ash: specifications for carving teeth, not measured means.

Key (upper jaw, position), value mm. Read in an oral anatomy course (dentdoctor.tripod.com/Oral_Anatomy), lower molars
from memory. A range in the source is kept as its midpoint.
"""

BLACK_MM: Final = _by_jaw(
    upper=(22.5, 22.0, 26.5, 20.6, 21.5, 20.8, 20.0, 17.1),
    lower=(20.7, 21.1, 25.6, 21.6, 22.3, 21.0, 19.8, 18.5),
)
"""Total length of the permanent teeth, G. V. Black, Descriptive Anatomy of the Human Teeth, 1902 (from memory)."""

PRIMARY_CROWN_PLUS_ROOT_MM: Final = _by_jaw(
    upper=(6.0 + 10.0, 5.6 + 11.4, 6.5 + 13.5, 5.1 + 10.0, 5.7 + 11.0),
    lower=(5.0 + 9.0, 5.2 + 10.0, 6.0 + 11.5, 6.0 + 9.8, 5.5 + 11.3),
)
"""Crown plus root of the primary teeth before resorption.

An oral anatomy course table (dentdoctor.tripod.com/Oral_Anatomy, page 4) that names no source; the upper central
incisor (6 + 10 = 16) is confirmed by a second text, the others are not.
"""

PRIMARY_CANAL_MM: Final = _by_jaw(upper=(14.33, 14.00, 16.07), lower=(15.41, 15.00, 16.38))
"""Canal length to the apex of extracted primary front teeth without resorption, means of 3 to 20 teeth each.

Pintor et al., Creative Education 2018;9:77-83 (abstract). No such figures are known to us for whole primary molars.
"""

_PERMANENT_TABLES: Final = (
    ("Wheeler/Ash, carving specifications", WHEELER_MM),
    ("Black 1902 (from memory)", BLACK_MM),
)
_PRIMARY_TABLES: Final = (
    ("crown plus root before resorption, oral anatomy course table", PRIMARY_CROWN_PLUS_ROOT_MM),
    ("Pintor et al. 2018, measured canals", PRIMARY_CANAL_MM),
)

_PERMANENT_NAMES: Final = (
    "central incisor",
    "lateral incisor",
    "canine",
    "first premolar",
    "second premolar",
    "first molar",
    "second molar",
    "third molar",
)
_PRIMARY_NAMES: Final = (
    "primary central incisor",
    "primary lateral incisor",
    "primary canine",
    "primary first molar",
    "primary second molar",
)

# Common practice (from memory), the usual ones first. That about half of the primary upper second molars have a second
# mesiobuccal canal, and that primary lower molars mostly have two mesial and sometimes two distal ones, was read in
# a summary of studies.
_SINGLE: Final = ("single",)
_SINGLE_OR_LABIAL_LINGUAL: Final = ("single", "B", "L")
_UPPER_MOLAR: Final = ("MB1", "MB2", "DB", "P")
_LOWER_MOLAR: Final = ("MB", "ML", "D", "DB", "DL", "MM")
_PERMANENT_CANALS: Final[Mapping[bool, tuple[tuple[str, ...], ...]]] = {
    True: (_SINGLE, _SINGLE, _SINGLE, ("B", "P", "single"), ("single", "B", "P"), *[_UPPER_MOLAR] * 3),
    False: (*[_SINGLE_OR_LABIAL_LINGUAL] * 5, *[_LOWER_MOLAR] * 3),
}
_PRIMARY_CANALS: Final[Mapping[bool, tuple[tuple[str, ...], ...]]] = {
    True: (_SINGLE, _SINGLE, _SINGLE, ("MB", "DB", "P"), ("MB1", "MB2", "DB", "P")),
    False: (_SINGLE, _SINGLE, _SINGLE, ("MB", "ML", "D", "DB", "DL"), ("MB", "ML", "D", "DB", "DL")),
}

_QUADRANT_WORDS: Final = ("upper right", "upper left", "lower left", "lower right")

_ROUNDING_MM: Final = 1e-9  # a length typed exactly on a limit is inside it, whatever binary fractions say


def _length(value: float) -> float:
    return check_positive(TradeError, "length_mm", value)


@frozen
class TableLength:
    """The length of one kind of tooth in one published table, in mm."""

    length_mm: float = field(converter=_length)
    table: str


@frozen
class UsualLength:
    """What the published tables say of a tooth's length; a bound for sanity, never an estimate for a patient.

    The figures are of whole teeth (or whole canals); a working length is 0.5-2 mm shorter, far inside the band of
    :data:`USUAL_LENGTH_BAND_MM`.
    """

    tables: tuple[TableLength, ...] = field()

    @tables.validator
    def _has_a_table(self, _: Attribute[tuple[TableLength, ...]], tables: tuple[TableLength, ...]) -> None:
        if not tables:
            raise TradeError("usual length needs at least one table: give one, or use None for an unknown length")

    @property
    def mean_mm(self) -> float:
        """Plain mean of the tables, mm."""
        return sum(table.length_mm for table in self.tables) / len(self.tables)

    @property
    def sources(self) -> tuple[str, ...]:
        """The tables' names, for the record."""
        return tuple(table.table for table in self.tables)


@frozen
class ToothReading:
    """One tooth that a typed text may mean, and the notation in which it does."""

    notation: str
    tooth: Tooth

    @property
    def typed(self) -> str:
        """The text that means this tooth and no other, such as ``"ISO 46"``, ``"Universal 30"`` or ``"LR6"``."""
        if self.notation == "Palmer":
            return self.tooth.palmer_letters
        return f"Universal {self.tooth.universal}" if self.notation == "Universal" else f"ISO {self.tooth.designation}"

    @property
    def words(self) -> str:
        """For a button or a line, such as ``"Universal 30, lower right first molar"``."""
        return f"{self.typed}, {self.tooth.name}"


@frozen(kw_only=True)
class Tooth:
    """One tooth, permanent or primary.

    Parameters
    ----------
    designation
        ISO 3950: quadrant digit (1-4 permanent, 5-8 primary; upper right, upper left, lower left, lower right) and
        position from the midline (1-8 permanent, 1-5 primary), such as ``"46"``.

    Raises
    ------
    TradeError
        When the designation is not one of the 52 of ISO 3950.
    """

    designation: str = field()

    @designation.validator
    def _is_iso3950(self, _: Attribute[str], designation: object) -> None:
        if not isinstance(designation, str) or designation not in UNIVERSAL_OF:
            raise TradeError(
                "tooth must be an ISO 3950 designation, 11-18 to 41-48 or primary 51-55 to 81-85, as text: "
                f"{designation!r}; name the system if it is another (Universal, Palmer)"
            )

    @classmethod
    def from_iso3950(cls, text: str) -> Tooth:
        """Read an ISO 3950 (FDI) designation such as ``"46"`` or ``"85"``; TradeError when there is no such tooth."""
        return cls(designation=text.strip() if isinstance(text, str) else text)

    @classmethod
    def from_universal(cls, text: str) -> Tooth:
        """Read a Universal number ``"1"``-``"32"`` or primary letter ``"A"``-``"T"``; TradeError for anything else."""
        designation = UNIVERSAL.get(text.strip().upper()) if isinstance(text, str) else None
        if designation is None:
            raise TradeError(
                f"tooth must be a Universal number 1-32 or primary letter A-T, as text: {text!r}; "
                "check the notation system"
            )
        return cls(designation=designation)

    @classmethod
    def from_palmer(cls, text: str) -> Tooth:
        """Read Palmer notation, by corner (``"6┐"``, ``"└E"``) or by quadrant letters (``"LR6"``, ``"ULE"``).

        The chart is seen facing the patient: the corner's upright is the midline, its level line the biting plane. So
        ``6┘`` upper right, ``└6`` upper left, ``┌6`` lower left, ``6┐`` lower right; primary teeth A-E. Square
        brackets are refused: they do not tell the upper jaw from the lower. TradeError for anything else, too.
        """
        typed = text.strip().upper() if isinstance(text, str) else ""
        designation = of_palmer(typed)
        if designation is None:
            raise TradeError(
                "tooth must be in Palmer notation, a corner ┘ └ ┌ ┐ or UR UL LL LR with 1-8 or A-E, "
                f"such as '6┐' or 'LR6': {text!r}; check the notation system"
            )
        return cls(designation=designation)

    @classmethod
    def from_words(cls, text: str, notation: str | None = None) -> Tooth:
        """Read what a person types, in any of the trade's ways; a file's designation is read by :meth:`from_iso3950`.

        ``46``, ``30``, ``#30``, ``Universal 30``, ``K``, ``LR6``, ``Palmer LR6``, ``6┐``, ``4.6``, ``FDI 46``, ``lower
        right first molar``; capitals, blanks and full-width digits do not matter.

        Parameters
        ----------
        text
            What was typed.
        notation
            The one of :data:`~wlmeasure.trade.notation.NOTATIONS` that this person or practice always uses: a bare number
            or letter is read in it alone. None: a bare one that several notations know is asked about.

        Raises
        ------
        AmbiguousToothError
            Several teeth may be meant; `candidates` are what to choose from.
        TradeError
            No tooth.
        """
        found = cls.readings(text, notation)
        if len({one.tooth for one in found}) == 1:
            return found[0].tooth
        choice = " or ".join(f"{one.typed} ({one.tooth.name})" for one in found)
        raise AmbiguousToothError(f"tooth {one_line(text)!r} may mean {len(found)} teeth: type {choice}", found)

    @classmethod
    def readings(cls, text: str, notation: str | None = None) -> tuple[ToothReading, ...]:
        """All that a typed text may mean, as :meth:`from_words` reads it; at least one, TradeError for no tooth."""
        return tuple(ToothReading(name, cls(designation=one)) for name, one in meanings(text, notation))

    @property
    def quadrant(self) -> int:
        """First digit: 1-4 permanent, 5-8 primary."""
        return int(self.designation[0])

    @property
    def position(self) -> int:
        """Second digit: 1 at the midline, up to 8 (5 in primary teeth)."""
        return int(self.designation[1])

    @property
    def is_primary(self) -> bool:
        return self.quadrant > 4

    @property
    def is_upper(self) -> bool:
        return self._corner < 2

    @property
    def is_right(self) -> bool:
        """Whether it stands on the patient's right."""
        return self._corner in (0, 3)

    @property
    def _corner(self) -> int:
        return (self.quadrant - 1) % 4

    @property
    def universal(self) -> str:
        """Universal number ``"1"``-``"32"``, or letter ``"A"``-``"T"`` of a primary tooth."""
        return UNIVERSAL_OF[self.designation]

    @property
    def palmer(self) -> str:
        """Palmer notation with the quadrant's corner, such as ``"6┐"``; the convention is :meth:`from_palmer`'s."""
        corner = CORNERS[self._corner]
        return f"{self._palmer_place}{corner}" if self.is_right else f"{corner}{self._palmer_place}"

    @property
    def palmer_letters(self) -> str:
        """Palmer notation where no corner can be typed or printed, such as ``"LR6"`` or ``"ULE"``."""
        return f"{QUADRANT_LETTERS[self._corner]}{self._palmer_place}"

    @property
    def _palmer_place(self) -> str:
        return "ABCDE"[self.position - 1] if self.is_primary else str(self.position)

    @property
    def name(self) -> str:
        """In words, such as ``"lower right first molar"``."""
        names = _PRIMARY_NAMES if self.is_primary else _PERMANENT_NAMES
        return f"{_QUADRANT_WORDS[self._corner]} {names[self.position - 1]}"

    @property
    def canal_names(self) -> tuple[str, ...]:
        """Names in use for the canals of this tooth, the usual ones first: suggestions, a canal may have any name.

        B buccal or labial, L lingual, P palatal, M mesial, D distal, MM middle mesial.
        """
        canals = _PRIMARY_CANALS if self.is_primary else _PERMANENT_CANALS
        return canals[self.is_upper][self.position - 1]

    @property
    def usual_length(self) -> UsualLength:
        """The tables' lengths of this tooth, from one or two tables."""
        tables = _PRIMARY_TABLES if self.is_primary else _PERMANENT_TABLES
        key = (self.is_upper, self.position)
        return UsualLength(tuple(TableLength(mm[key], table) for table, mm in tables if key in mm))

    def length_doubt(
        self,
        length_mm: float,
        *,
        band_mm: float = USUAL_LENGTH_BAND_MM,
        hard_range_mm: tuple[float, float] | None = None,
    ) -> str | None:
        """Return a sentence when `length_mm` is unusual for this tooth, else None. It never blocks anything.

        Parameters
        ----------
        length_mm
            Tooth or working length, mm.
        band_mm
            A length further than this from :attr:`usual_length` gives a text that begins with ``"unusual length"``. A
            primary tooth is never called too short by this: its roots resorb.
        hard_range_mm
            A length outside gives a text that begins with ``"doubtful length"`` and asks. None:
            :data:`HARD_QUESTION_MM`, or :data:`PRIMARY_HARD_QUESTION_MM` for a primary tooth.

        Raises
        ------
        TradeError
            When a length is not finite and positive, or the range is empty.
        """
        length = check_positive(TradeError, "length_mm", length_mm)
        band = check_positive(TradeError, "band_mm", band_mm)
        if hard_range_mm is None:
            hard_range_mm = PRIMARY_HARD_QUESTION_MM if self.is_primary else HARD_QUESTION_MM
        low, high = (check_finite(TradeError, "hard_range_mm", limit) for limit in hard_range_mm)
        if low >= high:
            raise TradeError(f"hard_range_mm must rise: ({low:g}, {high:g})")
        tooth = f"tooth {self.designation} ({self.name})"
        if not low - _ROUNDING_MM <= length <= high + _ROUNDING_MM:
            return (
                f"doubtful length: {length:.1f} mm for {tooth} is outside {low:g}-{high:g} mm; "
                "are the tooth, the scale and both end points right?"
            )
        usual = self.usual_length.mean_mm
        too_long, too_short = length - usual > band + _ROUNDING_MM, usual - length > band + _ROUNDING_MM
        if too_long or (too_short and not self.is_primary):
            return (
                f"unusual length: {length:.1f} mm for {tooth} is more than {band:g} mm from the usual {usual:.1f} mm "
                f"({'; '.join(self.usual_length.sources)}); check the tooth, the scale and both end points"
            )
        return None
