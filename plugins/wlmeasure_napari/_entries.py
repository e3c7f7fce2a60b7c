"""What is entered into the length record during a session: drafts that two keys record, and the form's entries. No Qt."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from attrs import evolve

from wlmeasure.decide.electronic import Mark
from wlmeasure.errors import CaseError, QuestionError
from wlmeasure.record import edit
from wlmeasure.record.draft import Draft, next_file, next_gauge
from wlmeasure.record.kinds import KIND_TABLE
from wlmeasure.record.record import CLOCKS_APART, QUESTIONS, LengthRecord
from wlmeasure_napari._session import Session

__all__ = ["add_reading", "begin_file", "begin_gauge", "enter", "enter_draft", "repeat_reading", "strike_out"]


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
    if session.unaccepted:
        raise CaseError("points on the film must be accepted (Enter) or dropped (Esc) before anything is entered")
    draft = make(session.case, session.canal_name)  # refused, it leaves the tool in hand
    session.cancel()
    session.draft = draft
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
    session.check_confirmed()
    if not by:
        raise CaseError("initials must be entered first: the record says who entered what")
    kind = KIND_TABLE.get(draft.kind)
    canal = session.canal_name or None
    if canal is None and (kind is None or not kind.whole_tooth):
        raise CaseError(f"canal must be added before a {draft.kind} is entered for it")
    if (
        canal is not None
        and kind is not None
        and kind.from_reference
        and edit.canal_of(case, canal).reference_point is None
    ):
        raise CaseError(f"reference point of canal {canal} must be named first: a length counts from it")
    record = LengthRecord(case.entries)
    now = _clock()
    entry = draft.entry(record, canal=canal, by=by, at=_at(record, now), **more)
    question = evolve(edit.completed_entry(case, entry), at=None)
    confirmed = QUESTIONS if session.asked == question else ()
    try:
        grown = edit.with_entry(case, entry, confirmed=confirmed, now=now)
    except QuestionError as error:
        session.asked = question
        raise CaseError(f"{error.words} If it is right, enter it once more; nothing was entered") from error
    session.asked = None
    session.take_entries(grown.entries)


def add_reading(
    session: Session, length_mm: float, mark: Mark, file_size: int | None = None, conditions: tuple[str, ...] = ()
) -> None:
    """Record one electronic reading of the canal in hand, as :func:`enter` does."""
    size, special = (None, False) if file_size is None else edit.typed_size(str(file_size))
    draft = Draft("electronic reading", size=size, special=special or None, length_mm=length_mm, finding=mark)
    enter(session, draft, conditions=conditions)


def repeat_reading(session: Session) -> None:
    """Record the last reading of the canal in hand once more: the device said the same again.

    Raises
    ------
    CaseError
        There is none of the canal as it is now.
    """
    facts = session.canal_facts
    if facts is None or not facts.readings:
        raise CaseError("reading must be entered once before it can be repeated")
    last = facts.readings[-1]
    draft = Draft("electronic reading", last.size, None, last.special, last.length_mm, last.finding)
    enter(session, draft, conditions=last.conditions)


def strike_out(session: Session, entry_id: str | None = None) -> None:
    """Take an entry that stands out of use, the last one where none is named: a note stands in its place and says so.

    Raises
    ------
    CaseError
        The record is empty, the entry stands no more, or the initials are not confirmed.
    """
    case = session.case
    if case is None or not LengthRecord(case.entries).standing():
        raise CaseError("record must hold an entry before one can be struck out: it is empty")
    record = LengthRecord(case.entries)
    session.check_confirmed()
    last = record.standing()[-1]
    by = session.initials.strip() or last.by
    made = edit.struck_out(case, entry_id or last.id, at=_at(record, _clock()), by=by)
    session.take_entries(made.entries)


def _clock() -> str:
    return datetime.now().replace(microsecond=0).isoformat()


def _at(record: LengthRecord, now: str) -> str:
    """Now, or the last entry's time where another computer's clock is a little ahead; a date in the future is nobody's."""
    times = [entry.at for entry in record.standing() if entry.at is not None]
    if not times or times[-1][:19] <= now:
        return now
    ahead = datetime.fromisoformat(times[-1]).replace(tzinfo=None) - datetime.fromisoformat(now)
    return times[-1] if ahead <= CLOCKS_APART else now
