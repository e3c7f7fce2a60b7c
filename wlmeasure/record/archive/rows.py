"""What a storing adds: the next rows of the journal, and what of them is searched for."""

from __future__ import annotations

from typing import Any

from attrs import evolve, frozen

from wlmeasure.record.archive.chain import ENTRY, NOTHING, REVISION, Receipt, Row, canonical, parsed, sealed
from wlmeasure.record.case import Entry
from wlmeasure.record.members import read_object, write_object

__all__ = ["Head", "Tail", "entry_columns", "entry_from_content", "entry_json", "flag_codes"]


@frozen
class Head:
    """The state of one case: how many rows it has and the hash of the last one. A change names the one it was made on."""

    case_id: str
    rows: int
    sha256: str


def entry_json(entry: Entry) -> str:
    """An entry as the journal keeps it."""
    return canonical(write_object(entry))


def entry_from_content(content: str) -> Entry:
    """The entry of a row's content.

    Raises
    ------
    CaseError
        It is none.
    """
    entry: Entry = read_object(Entry, parsed(content), "")
    return entry


def flag_codes(content: Any) -> tuple[str, ...]:
    """The codes of an entry's member `flags`, a list of codes or of objects with a code; none without it."""
    flags = content.get("flags")
    found = [flag.get("code") if isinstance(flag, dict) else flag for flag in flags] if isinstance(flags, list) else []
    return tuple(sorted({code for code in found if isinstance(code, str) and "\0" not in code}))


def entry_columns(row: Row) -> dict[str, Any]:
    """What is searched for in an entry's row."""
    data = parsed(row.content)
    return {
        "seq": row.seq,
        "case_id": row.case_id,
        "entry_id": data["id"],
        "kind": data["kind"],
        "canal": data.get("canal", ""),  # none: the whole tooth
        "day": data.get("at", "")[:10],  # none: the time was not recorded
        "status": data.get("status"),
        "length_mm": data.get("length_mm"),
        "superseded_by": None,
    }


class Tail:
    """The ends of both chains while one storing adds rows to them."""

    def __init__(self, archive_id: str, end: Receipt, head: Head) -> None:
        self.archive_id = archive_id
        self.rows, self.sha256 = end.rows, end.sha256
        self.was = self.head = head
        self.revisions = self.entries = 0
        self.revision_seq = 0
        self.entry_seq: int | None = None
        self.changed_at = ""
        self.new: list[Row] = []
        self.new_entries: list[dict[str, Any]] = []
        self.new_flags: list[dict[str, Any]] = []
        self.superseded: dict[int, int] = {}

    @classmethod
    def of(cls, archive: Any, case_id: str, case: Any | None) -> Tail:
        """The ends as the archive's row and the case's row give them; `case` is None for a case that is not there."""
        end = Receipt(archive.rows, archive.sha256)
        if case is None:
            return cls(archive.archive_id, end, Head(case_id, 0, NOTHING))
        tail = cls(archive.archive_id, end, Head(case_id, case.rows, case.sha256))
        tail.revisions, tail.entries = case.revisions, case.entries
        tail.revision_seq, tail.entry_seq = case.revision_seq, case.entry_seq
        tail.changed_at = case.changed_at
        return tail

    def _push(self, what: str, content: str, at: str, by: str) -> Row:
        row = Row(
            seq=self.rows + 1,
            case_id=self.head.case_id,
            case_seq=self.head.rows + 1,
            what=what,
            stored_at=at,
            stored_by=by,
            content=content,
            before=self.sha256,
            case_before=self.head.sha256,
            sha256="",
        )
        row = evolve(row, sha256=sealed(self.archive_id, row))
        self.rows, self.sha256 = row.seq, row.sha256
        self.head = Head(row.case_id, row.case_seq, row.sha256)
        self.changed_at = at
        self.new.append(row)
        return row

    def push_revision(self, content: str, at: str, by: str) -> None:
        """One revision of the case's content more."""
        self.revision_seq = self._push(REVISION, content, at, by).seq
        self.revisions += 1

    def push_entry(self, entry: Entry, at: str, by: str, places: dict[str, int]) -> None:
        """One entry more; `places` knows the row of an entry that it supersedes, and learns its own."""
        row = self._push(ENTRY, entry_json(entry), at, by)
        self.entry_seq = places[entry.id] = row.seq
        self.entries += 1
        self.new_entries.append(entry_columns(row))
        self.new_flags += [{"seq": row.seq, "code": code} for code in flag_codes(write_object(entry))]
        if entry.supersedes is not None:
            self.superseded[places[entry.supersedes]] = row.seq

    def case_values(self) -> dict[str, Any]:
        """The case's row as it is now."""
        return {
            "rows": self.head.rows,
            "sha256": self.head.sha256,
            "revisions": self.revisions,
            "entries": self.entries,
            "revision_seq": self.revision_seq,
            "entry_seq": self.entry_seq,
            "changed_at": self.changed_at,
        }
