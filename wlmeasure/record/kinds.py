"""The kinds of entry a length record takes: one row each, saying what it needs, what it may hold and what it means.

The table is the whole vocabulary. :meth:`~wlmeasure.record.record.LengthRecord.with_entry` checks an entry by its row, the
record's cautions and its words are read from it, and a screen can build its form from it. Reading a case file does not ask
the table: an entry of a kind that this version does not know is kept.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import Final, Literal

from attrs import frozen

__all__ = ["FINDING_WORDS", "KIND_TABLE", "QUANTITIES", "EntryKind", "Role"]

Role = Literal["estimate", "measurement", "computed", "decision", "insertion", "event", "note"]

QUANTITIES: Final = (
    *("length_mm", "length_std_mm", "length_below_mm", "length_above_mm"),
    *("size", "special", "taper", "finding", "conditions", "passes"),
    *("distance_mm", "distance_std_mm", "level_mm", "extent_mm", "other_canal", "proposed"),
)
"""Members of an entry that its kind must allow. All others, such as film, note and what it rests on, fit every kind."""


@frozen
class EntryKind:
    """One row of the table.

    Parameters
    ----------
    words
        What the entry is, as it begins a line.
    role
        "estimate", "measurement" and "decision" are lengths from the reference point that others rest on; "computed" is what
        version 1 stored though it follows from them; "insertion" is how far an instrument or cone went, compared with such a
        length; "event" is what happened.
    needs, allows
        Quantities (:data:`QUANTITIES`) without which it says nothing, and those it may hold besides.
    findings
        The words that `finding` may be.
    length_words, distance_words
        What `length_mm` and `distance_mm` are in it.
    whole_tooth
        Whether it may stand without a canal, and then holds for all of them.
    bounded
        Whether a length beyond the radiographic apex is asked about: something went or goes there.
    shapes
        Whether it changes the canal's course, so that lengths measured before it may no longer hold.
    moves_reference
        Whether lengths from the reference point no longer hold after it.
    rescales_film
        Whether what was measured on its film no longer holds after it.
    of_shape
        Whether it describes the shape of the apical part, so that shaping on makes it old.
    on_ruler
        Whether its length is the distance from stop to tip, read on a ruler.
    from_version_1
        Whether only records of version 1 hold it; no new entry is made of it.
    """

    words: str
    role: Role
    needs: tuple[str, ...] = ()
    allows: tuple[str, ...] = ()
    findings: tuple[str, ...] = ()
    length_words: str = "at"
    distance_words: str = ""
    whole_tooth: bool = False
    bounded: bool = False
    shapes: bool = False
    moves_reference: bool = False
    rescales_film: bool = False
    of_shape: bool = False
    on_ruler: bool = False
    from_version_1: bool = False

    @property
    def from_reference(self) -> bool:
        """Whether its length counts from the coronal reference point, which it then names."""
        return "length_mm" in self.needs

    @property
    def may_hold(self) -> tuple[str, ...]:
        """Every quantity it may hold."""
        return (*self.needs, *self.allows)


_LENGTH = ("length_std_mm",)
_SIDES = ("length_below_mm", "length_above_mm")
_FILE = ("size", "special", "taper")

KIND_TABLE: Final = MappingProxyType(
    {
        # What the length is thought, measured and decided to be.
        "preoperative estimate": EntryKind(
            "preoperative estimate of the tooth's length", "estimate", ("length_mm",), _LENGTH, whole_tooth=True
        ),
        "trial file film": EntryKind(
            "trial file on the film",
            "measurement",
            ("length_mm", "distance_mm"),
            (*_LENGTH, "distance_std_mm", *_FILE),
            length_words="with its stop at",
            distance_words="of the radiographic apex",
            on_ruler=True,
        ),
        "film length": EntryKind("length on the film", "measurement", ("length_mm",), (*_LENGTH, *_SIDES)),
        "length in space": EntryKind("length from several films", "measurement", ("length_mm",), _LENGTH),
        "electronic reading": EntryKind(
            "electronic reading",
            "measurement",
            ("length_mm", "finding"),
            (*_LENGTH, "size", "special", "conditions"),
            ("foramen", "constriction", "beyond"),
            on_ruler=True,
        ),
        # These two are computed from what stands; records of version 1 hold them, and they count for nothing there.
        "electronic length": EntryKind(
            "electronic length of the readings", "computed", (), ("length_mm", *_LENGTH), from_version_1=True
        ),
        "proposed working length": EntryKind(
            "proposed working length", "computed", (), ("length_mm", *_LENGTH), from_version_1=True
        ),
        "decided working length": EntryKind(
            "decided working length", "decision", ("length_mm",), (*_LENGTH, "proposed"), bounded=True
        ),
        # What was done in the canal.
        "glide path": EntryKind(
            "glide path",
            "insertion",
            ("size", "length_mm", "finding"),
            (*_LENGTH, "special", "taper", "passes"),
            ("reproducible", "not reproducible"),
            length_words="to",
            bounded=True,
            on_ruler=True,
        ),
        "coronal flaring": EntryKind(
            "coronal flaring",
            "event",
            (),
            (*_FILE, "length_mm", *_LENGTH, "passes"),
            length_words="to",
            whole_tooth=True,
            shapes=True,
        ),
        "shaping file": EntryKind(
            "shaping file",
            "insertion",
            ("size", "taper", "length_mm"),
            (*_LENGTH, "special", "passes"),
            length_words="to",
            bounded=True,
            shapes=True,
            on_ruler=True,
        ),
        "irrigation and recapitulation": EntryKind(
            "irrigated and recapitulated",
            "event",
            (),
            ("size", "special", "length_mm", *_LENGTH),
            length_words="to",
            whole_tooth=True,
        ),
        "patency": EntryKind(
            "patency",
            "insertion",
            ("finding",),
            ("size", "special", "length_mm", *_LENGTH),
            ("patent", "not patent"),
            length_words="to",
            on_ruler=True,
        ),
        "apical gauging": EntryKind(
            "apical gauging",
            "insertion",
            ("size", "length_mm", "finding"),
            (*_LENGTH, "special", "taper"),
            ("snug", "loose", "short", "past"),
            of_shape=True,
            on_ruler=True,
        ),
        "cone fit": EntryKind(
            "master cone",
            "insertion",
            ("size", "length_mm", "finding"),
            (*_LENGTH, "special", "taper"),
            ("resistance", "no resistance"),
            bounded=True,
            of_shape=True,
            on_ruler=True,
        ),
        "filling check": EntryKind(
            "end of the filling",
            "event",
            ("distance_mm",),
            ("distance_std_mm",),
            distance_words="of the radiographic apex",
        ),
        # What was met in the canal. A level is where it lies, a depth from the reference point.
        "block": EntryKind("block", "event", ("level_mm",), ("finding",), ("passed", "not passed")),
        "ledge": EntryKind("ledge", "event", ("level_mm",), ("finding",), ("bypassed", "not bypassed")),
        "perforation": EntryKind("perforation", "event", ("level_mm",), ("finding",), ("open", "closed")),
        "separated fragment": EntryKind(
            "separated fragment",
            "event",
            ("level_mm", "extent_mm", "finding"),
            _FILE,
            ("bypassed", "not bypassed", "removed"),
        ),
        "old filling removed": EntryKind(
            "old filling removed", "event", ("finding",), ("level_mm",), ("in whole", "in part"), shapes=True
        ),
        "canals joining": EntryKind(
            "canals join",
            "event",
            ("other_canal", "finding"),
            ("distance_mm", "distance_std_mm", "level_mm"),
            ("owns the apex", "ends in the other"),
            distance_words="of the apex",
        ),
        # What takes the ground from under earlier lengths.
        "reference point changed": EntryKind(
            "reference point changed", "event", (), (), whole_tooth=True, moves_reference=True
        ),
        "cusp shortened": EntryKind(
            "cusp shortened or lost", "event", (), ("extent_mm",), whole_tooth=True, moves_reference=True
        ),
        # What happens to a canal's name. Entries are never edited; the log knows whose an older entry is.
        "canal renamed": EntryKind("canal renamed", "event", ("other_canal",)),
        "canal removed": EntryKind("canal taken out of the case", "event"),
        "film calibrated anew": EntryKind(
            "film calibrated anew", "event", (), (), whole_tooth=True, rescales_film=True
        ),
        "note": EntryKind("note", "note", (), ("length_mm", *_LENGTH), whole_tooth=True),
    }
)
"""Every kind this version writes, by the word that stands in the case file."""

FINDING_WORDS: Final = MappingProxyType(
    {
        "foramen": "at the foramen mark",
        "constriction": "at the constriction mark",
        "beyond": "the device shows beyond the foramen",
        "past": "goes past",
        "short": "stops short",
        "resistance": "resists withdrawal",
        "no resistance": "does not resist withdrawal",
        "owns the apex": "this canal owns the apex",
        "ends in the other": "the other canal owns the apex",
    }
)
"""How a finding reads in a line; those not listed read as they stand."""
