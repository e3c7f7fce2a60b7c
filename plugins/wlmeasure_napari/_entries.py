"""What is entered into the length record during a session: drafts that two keys record, and the form's entries. No Qt."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from attrs import evolve

from wlmeasure.errors import CaseError
from wlmeasure.record import edit
from wlmeasure.record.case import Entry
from wlmeasure.record.draft import Draft, next_file, next_gauge
from wlmeasure.record.kinds import KIND_TABLE
from wlmeasure.record.record import LengthRecord
from wlmeasure_napari._session import Session

__all__ = ["begin_file", "begin_gauge", "enter", "enter_draft", "strike_out"]


def begin_file(session: Session) -> None:
    """Offer the next shaping file at working length; Enter records it.

    Raises
    ------
    CaseError
        No working length holds yet.
    """
    _begin(session, next_file)


def begin_gauge(session: Session) -> None:
    """Offer gauging with the hand file of the size shaped to; one key says how it sat and records it.

    Raises
    ------
    CaseError
        No working length holds yet, or nothing was shaped to it.
    """
    _begin(session, next_gauge)


def _begin(session: Session, make: Any) -> None:
    if session.case is None or session.canal is None:
        raise CaseError("canal must be added before anything is entered for it")
    session.cancel()
    session.draft = make(session.case, session.canal_name)
    session.changed.emit()


def enter_draft(session: Session, finding: str | None = None) -> None:
    """Record the draft that is offered."""
    if session.draft is None:
        return
    draft = session.draft if finding is None else evolve(session.draft, finding=finding)
    enter(session, draft)


def enter(session: Session, draft: Draft, **more: Any) -> None:
    """Record an entry for the canal in hand, or for the whole tooth where the kind is one of the tooth.

    An entry about which the record has a question is taken the second time it is entered unchanged.

    Raises
    ------
    CaseError
        No initials, a quantity that the kind needs, a question.
    """
    case, by = session.case, session.initials.strip()
    if case is None:
        raise CaseError("case must hold a film and a tooth before anything is entered in its record")
    if not by:
        raise CaseError("initials must be entered first: the record says who entered what")
    kind = KIND_TABLE.get(draft.kind)
    canal = session.canal_name or None
    if canal is None and (kind is None or not kind.whole_tooth):
        raise CaseError(f"canal must be added before a {draft.kind} is entered for it")
    record = LengthRecord(case.entries)
    entry = edit.completed_entry(case, draft.entry(record, canal=canal, by=by, at=_now(record), **more))
    asked = entry if session.asked is None else evolve(entry, at=session.asked.at)
    confirmed = tuple(q.code for q in record.questions(entry)) if asked == session.asked else ()
    try:
        grown = edit.with_entry(case, entry, confirmed=confirmed)
    except CaseError as error:
        if record.questions(entry) and not confirmed:
            session.asked = entry
            words = " ".join(question.text for question in record.questions(entry))
            raise CaseError(f"{words} If it is right, enter it once more; nothing was entered") from error
        raise
    session.asked = None
    session.take_entries(grown.entries)


def strike_out(session: Session) -> None:
    """Take the last entry that stands out of use: a note stands in its place and says so; nothing is deleted."""
    case = session.case
    if case is None or not LengthRecord(case.entries).standing():
        raise CaseError("record must hold an entry before one can be struck out: it is empty")
    record = LengthRecord(case.entries)
    last = record.standing()[-1]
    draft = Draft("note")
    by = session.initials.strip() or last.by
    note = draft.entry(record, canal=last.canal, by=by, at=_now(record), supersedes=last.id, note="entered by mistake")
    session.take_entries(record.with_entry(note).entries)


def _now(record: LengthRecord) -> str:
    """Now, or the last entry's time where a clock was set back since: the record's order is that of writing."""
    now = datetime.now().replace(microsecond=0).isoformat()
    last: Entry | None = record.entries[-1] if record.entries else None
    return now if last is None or last.at[:19] <= now else last.at
