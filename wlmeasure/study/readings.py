"""A table of readings: one row a subject, observer and repeat, as CSV that any spreadsheet writes.

Columns `subject`, `observer`, `value`; `repeat`, `definition`, `group` (of teeth), `unit`, `order` (place in the
observer's own order), `cluster`, `proposal` and `moved_mm` may be there; others are left alone. An empty value says that the
subject was read and gave none: a radius, say, that the points did not determine. Separated by comma, semicolon or tab; numbers
with a decimal point or a decimal comma.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from math import isfinite, nan
from pathlib import Path
from typing import Literal, get_args

from attrs import evolve, frozen

from wlmeasure.errors import StudyError
from wlmeasure.image.file_content import regular_bytes
from wlmeasure.share.cells import table_text, text_of_cell
from wlmeasure.words import typed_number

__all__ = [
    "COLUMNS",
    "Proposal",
    "Reading",
    "Readings",
    "checked_proposal",
    "load_readings",
    "readings_csv",
    "readings_from_csv",
]

LARGEST_TABLE = 256 * 2**20  # bytes; our parameter

COLUMNS = {
    "subject": "what was measured: a film and canal",
    "observer": "who measured it",
    "value": "the reading, in the unit of its definition; empty where it was read and not determined",
    "repeat": "1 for the observer's first reading of the subject",
    "definition": "what was measured on it, such as length_mm",
    "group": "group of teeth",
    "unit": "unit of the value",
    "order": "place of the film in the observer's own order",
    "cluster": "what belongs together, such as the canals of one tooth; empty where each subject stands alone",
    "proposal": "what became of a network's proposal that the observer was shown: unmoved, moved, or drawn new beside it; "
    "empty where none was shown",
    "moved_mm": "greatest distance of the observer's path from the proposed one, mm; empty where it is not known",
}
"""Name and meaning of every column, in the order in which they are written."""
NEEDED = ("subject", "observer", "value")
Proposal = Literal["", "unmoved", "moved", "drawn new"]


@frozen
class Reading:
    """One value. Where `proposal` says that the observer was shown a network's proposal first, it is no independent one."""

    subject: str
    observer: str
    value: float
    repeat: int = 1
    definition: str = ""
    group: str = ""
    unit: str = ""
    order: float | None = None
    cluster: str = ""
    proposal: Proposal = ""
    moved_mm: float | None = None


@frozen
class Readings:
    """All values of a table. Each subject, observer, repeat and definition stands once.

    `rows` are those with a value; `undetermined` those that were read and gave none, whose `value` is NaN.

    Raises
    ------
    StudyError
        One of them stands twice; a definition in two units.
    """

    rows: tuple[Reading, ...]
    undetermined: tuple[Reading, ...] = ()

    @property
    def every(self) -> tuple[Reading, ...]:
        return (*self.rows, *self.undetermined)

    def __attrs_post_init__(self) -> None:
        seen: set[tuple[str, str, int, str]] = set()
        units: dict[str, str] = {}
        for row in self.every:
            key = (row.subject, row.observer, row.repeat, row.definition)
            if key in seen:
                raise StudyError(
                    f"subject {row.subject!r} must have one reading {row.repeat} by {row.observer!r}: there are two; "
                    "number them in a column repeat"
                )
            seen.add(key)
            if units.setdefault(row.definition, row.unit) != row.unit:
                raise StudyError(
                    f"unit of {row.definition or 'the values'} must be one: {units[row.definition]!r} and {row.unit!r}"
                )

    @property
    def definitions(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(row.definition for row in self.every))

    @property
    def observers(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(row.observer for row in self.every))

    @property
    def subjects(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(row.subject for row in self.every))

    @property
    def groups(self) -> tuple[str, ...]:
        return tuple(sorted({row.group for row in self.every if row.group}))

    def of(self, *, definition: str | None = None, group: str | None = None) -> Readings:
        """Those of one definition, of one group of teeth."""

        def those(rows: tuple[Reading, ...]) -> tuple[Reading, ...]:
            return tuple(
                row
                for row in rows
                if (definition is None or row.definition == definition) and (group is None or row.group == group)
            )

        return Readings(those(self.rows), those(self.undetermined))

    @property
    def unaided(self) -> Readings:
        """Those whose observers were shown no proposal."""
        return Readings(*(tuple(row for row in rows if not row.proposal) for rows in (self.rows, self.undetermined)))

    @property
    def anchored(self) -> Readings:
        """Those whose observers were shown a proposal first."""
        return Readings(*(tuple(row for row in rows if row.proposal) for rows in (self.rows, self.undetermined)))

    def by_subject(self, observer: str) -> dict[str, list[Reading]]:
        """An observer's readings of each subject, first reading first."""
        out: dict[str, list[Reading]] = {}
        for row in sorted((r for r in self.rows if r.observer == observer), key=lambda r: r.repeat):
            out.setdefault(row.subject, []).append(row)
        return out

    def first(self, observer: str) -> dict[str, Reading]:
        """An observer's first reading of each subject, where it has a value: no later one stands for it."""
        number = min((row.repeat for row in self.every), default=1)
        return {row.subject: row for row in self.rows if row.observer == observer and row.repeat == number}

    def clusters(self) -> dict[str, str]:
        """What each subject belongs to; a subject that belongs to nothing is its own."""
        return {row.subject: row.cluster or f"\0{row.subject}" for row in self.every}


def load_readings(path: str | Path, *, unit: str = "") -> Readings:
    """Read a table from a CSV file; `unit` is for values whose table names none.

    Raises
    ------
    StudyError
        Not a table, or a bad row: names the row and the column.
    OSError
        The file cannot be read.
    """
    path = Path(path)
    if path.stat().st_size > LARGEST_TABLE:
        raise StudyError(f"{path.name} must be at most {LARGEST_TABLE} bytes: {path.stat().st_size}")
    try:
        text = regular_bytes(path).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise StudyError(f"{path.name} must be UTF-8 text: save the table as CSV UTF-8") from None
    try:
        return readings_from_csv(text, unit=unit)
    except StudyError as error:
        raise StudyError(f"{path.name}: {error}") from None


def readings_from_csv(text: str, *, unit: str = "") -> Readings:
    """The same from the text of the file.

    Raises
    ------
    StudyError
        As `load_readings`.
    """
    header = text.split("\n", 1)[0]
    separator = max(";,\t", key=header.count)
    try:
        lines = list(csv.reader(io.StringIO(text), delimiter=separator))
    except csv.Error as error:
        raise StudyError(f"table must be CSV: {error}") from None
    if not lines:
        raise StudyError("table must have a first row with the names of its columns: it is empty")
    names = [name.strip().lower() for name in lines[0]]
    for name in NEEDED:
        if name not in names:
            raise StudyError(f"columns must be subject, observer and value at least: there is no {name}")
    for name in COLUMNS:
        if names.count(name) > 1:
            raise StudyError(f"column {name} must stand once: it stands {names.count(name)} times")
    rows: list[Reading] = []
    counts: dict[tuple[str, str, str], int] = {}
    for number, cells in enumerate(lines[1:], start=2):
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(names):
            raise StudyError(
                f"row {number} must have {len(names)} cells as the first row has: it has {len(cells)}"
                + ("; put a value with a decimal comma in quotes" if separator == "," else "")
            )
        row = _row(dict(zip(names, cells, strict=True)), number, unit)
        if "repeat" not in names:  # rows of the same subject by the same observer are repeats in their order
            key = (row.subject, row.observer, row.definition)
            counts[key] = counts.get(key, 0) + 1
            row = evolve(row, repeat=counts[key])
        rows.append(row)
    found = tuple(row for row in rows if row.value == row.value)
    if not found:
        raise StudyError("table must hold a reading: it has none below its first row")
    return Readings(found, tuple(row for row in rows if row.value != row.value))


def _row(cells: dict[str, str], number: int, unit: str) -> Reading:
    text = {name: _plain(cells.get(name, "")) for name in COLUMNS}
    for name in ("subject", "observer"):
        if not text[name]:
            raise StudyError(f"row {number}: {name} must not be empty")
    repeat = _number(text["repeat"] or "1", number, "repeat")
    if repeat != int(repeat) or repeat < 1:
        raise StudyError(f"row {number}: repeat must be a whole number from 1: {text['repeat']!r}")
    return Reading(
        text["subject"],
        text["observer"],
        _number(text["value"], number, "value") if text["value"] else nan,
        int(repeat),
        text["definition"],
        text["group"],
        text["unit"] or unit,
        _number(text["order"], number, "order") if text["order"] else None,
        text["cluster"],
        checked_proposal(text["proposal"], f"row {number}: "),
        _number(text["moved_mm"], number, "moved_mm") if text["moved_mm"] else None,
    )


def checked_proposal(text: str, where: str = "") -> Proposal:
    """The text as one of :data:`Proposal`; StudyError, which begins with `where`, for any other."""
    known: tuple[Proposal, ...] = get_args(Proposal)
    for one in known:
        if text == one:
            return one
    raise StudyError(f"{where}proposal must be empty or one of {', '.join(known[1:])}: {text[:40]!r}")


def _plain(cell: str) -> str:
    """A cell without blanks, and without the quote that keeps a spreadsheet from running it."""
    return text_of_cell(cell.strip()).strip()


def _number(text: str, number: int, name: str) -> float:
    plain = text.replace("\u2212", "-")
    if plain.count(",") == 1 and "." not in plain:
        plain = plain.replace(",", ".")
    try:
        value = typed_number(plain)
    except ValueError:
        raise StudyError(f"row {number}: {name} must be a number such as 20.5 or 20,5: {text[:40]!r}") from None
    if not isfinite(value) or "_" in plain:
        raise StudyError(f"row {number}: {name} must be a finite number: {text[:40]!r}")
    return value


def readings_csv(rows: Iterable[Reading]) -> str:
    """The table as CSV with every column; read again it gives the same readings: values come back exactly."""
    cells = (
        (one.subject, one.observer, one.value if one.value == one.value else None, one.repeat, one.definition, one.group,
         one.unit, None if one.order is None else f"{one.order:g}", one.cluster, one.proposal or None, one.moved_mm)
        for one in rows
    )  # fmt: skip
    return table_text([COLUMNS, *cells])
