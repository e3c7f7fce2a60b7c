"""What an archive is asked and what it answers."""

from __future__ import annotations

from datetime import date

from attrs import frozen

from wlmeasure.errors import ArchiveError
from wlmeasure.record.archive.chain import Receipt
from wlmeasure.record.archive.rows import Head
from wlmeasure.record.case import Case, Entry

__all__ = ["Added", "CaseLine", "Search", "Step", "Stored"]


@frozen
class Stored:
    """A case as it stands in the archive, and the state that a change of it must name."""

    case: Case
    head: Head
    revision: int
    changed_at: str


@frozen
class Added:
    """What one storing did: the case's new state, the revision it stands at, and what was new."""

    head: Head
    revision: int
    new_revision: bool
    new_entries: tuple[str, ...]
    receipt: Receipt


@frozen
class CaseLine:
    """One case in a list."""

    case_id: str
    tooth: str
    revisions: int
    entries: int
    rows: int
    opened_at: str
    changed_at: str


@frozen
class Step:
    """One row of a case's history; `entry` is None for a revision of its content."""

    number: int
    what: str
    stored_at: str
    stored_by: str
    receipt: Receipt
    entry: Entry | None = None


@frozen
class Search:
    """Which cases: all that is given must hold. Status, kind, flag and days are those of one standing entry.

    `since` and `until` are days, both included, as the entry's own time says. `film` is the SHA-256 of a film.
    """

    tooth: str | None = None
    status: str | None = None
    kind: str | None = None
    flag: str | None = None
    since: str | None = None
    until: str | None = None
    film: str | None = None
    most: int | None = None

    def __attrs_post_init__(self) -> None:
        for name in ("since", "until"):
            value = getattr(self, name)
            try:
                ok = value is None or date.fromisoformat(value).isoformat() == value
            except ValueError:
                ok = False
            if not ok:
                raise ArchiveError(f"{name} must be a day such as 2026-11-25: {value!r}")
        if self.most is not None and self.most < 1:
            raise ArchiveError(f"most must be >= 1: {self.most}")
