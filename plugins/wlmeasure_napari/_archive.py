"""Storing a session's case in the archive of length records. No Qt."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from attrs import evolve

from wlmeasure.errors import ArchiveConflictError, CaseError, QuestionError
from wlmeasure.record.archive import check_installed
from wlmeasure_napari._needs import lacking, need
from wlmeasure_napari._session import Session

__all__ = ["store"]


def store(session: Session, case_id: str = "") -> None:
    """Store the case in hand with its record, as Save would write it.

    The archive is the one of the environment, else the user's own file.

    The first time it gets the practice's own id. Where somebody else has stored the case meanwhile nothing is stored; told
    so, a person who stores once more makes theirs the next revision, and the archive keeps both. Likewise where an entry
    is dated in the future: storing once more says that it is right.

    Raises
    ------
    WlmeasureError
        No case, no initials, no id, another id than the case has; the archive is out of reach, or the case has moved on there.
    """
    case, by = session.case, session.initials.strip()
    if case is None or session.path is None:
        raise lacking(session, "case")
    need(session, "confirmed", "initials")
    check_installed()
    undone = session.stored_entries - {entry.id for entry in case.entries}
    if undone:
        raise CaseError(
            f"entries {', '.join(sorted(undone))} must stay: they are stored in the archive and were undone here; redo them, "
            "and strike out what was a mistake; nothing was stored"
        )
    wanted = case_id.strip() or case.case_id
    if wanted is None:
        raise lacking(session, "case id")
    if case.case_id is None:
        session.edit_case(lambda now: evolve(now, case_id=wanted))
    elif case.case_id != wanted:
        raise CaseError(f"case id must be {case.case_id!r}, which the case has already: {wanted!r}")
    stored, on = session.as_saved(), session.stored_at_head
    answered, session.asked_by_archive = session.asked_by_archive, None
    confirmed = answered[1] if answered is not None and answered[0] == stored.entries else ()
    at = datetime.now().astimezone().replace(microsecond=0).isoformat()

    def job() -> Any:
        from wlmeasure.record.archive.archive import open_archive

        with open_archive(create=True) as archive:
            try:
                return archive.add(stored, by=by, at=at, on=on, confirmed=confirmed)
            except QuestionError as question:
                return question
            except ArchiveConflictError as conflict:
                return conflict, archive.head(wanted)

    def done(outcome: Any) -> None:
        if isinstance(outcome, QuestionError):
            session.asked_by_archive = stored.entries, outcome.codes
            raise CaseError(f"{outcome.words} Nothing was stored; if it is right, store once more")
        if isinstance(outcome, tuple):
            conflict, session.stored_at_head = outcome
            raise ArchiveConflictError(
                f"{conflict}. Look at it first; storing once more adds yours as the next revision"
            )
        session.stored_at_head = outcome.head
        session.stored_entries = frozenset(entry.id for entry in stored.entries)
        session.announce(
            "record", f"Stored in the archive as {wanted}, row {outcome.head.rows}; receipt {outcome.receipt}"
        )

    session.run("Storing in the archive", job, done)
