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
from wlmeasure_napari._needs import lacking, need
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
    if session.case is None:
        raise lacking(session, "case")
    need(session, "answered", "canal", "accepted", "decision")
    draft = make(session.case, session.canal_name)  # refused, it leaves the tool in hand
    session.cancel()
    session.draft = draft
    session.changed.emit()


def enter_draft(session: Session, finding: str | None = None) -> None:
    """Record the draft that is offered."""
    need(session, "answered")
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
        raise lacking(session, "case")
    need(session, "confirmed", "initials")
    kind = KIND_TABLE.get(draft.kind)
    canal = session.canal_name or None
    if kind is None or not kind.whole_tooth:
        need(session, "canal")
    if canal is not None and kind is not None and kind.from_reference:
        need(session, "point")
    record = LengthRecord(case.entries)
    now = _clock()
    entry = draft.entry(record, canal=canal, by=by, at=_at(record, now), **more)
    question = evolve(edit.completed_entry(case, entry), at=None)
    confirmed = QUESTIONS if session.asked == question else ()
    try:
        grown = edit.with_entry(case, entry, confirmed=confirmed, now=now)
    except QuestionError as error:
        session.ask_once_more(question)
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
    need(session, "reading")
    facts = session.canal_facts
    assert facts is not None
    last = facts.readings[-1]
    draft = Draft("electronic reading", last.size, None, last.special, last.length_mm, last.finding)
    enter(session, draft, conditions=last.conditions)


def strike_out(session: Session, entry_id: str | None = None) -> None:
    """Take an entry that stands out of use: a note stands in its place and says so.

    Where none is named it is the last one of the canal in hand or of the whole tooth, as the dock shows them; what struck out
    another entry or changed a name is none that can be meant.

    Raises
    ------
    CaseError
        There is no such entry, it stands no more, or the initials are not confirmed.
    """
    case = session.case
    if case is None:
        raise lacking(session, "case")
    need(session, "entry", "confirmed", "initials")
    record = LengthRecord(case.entries)
    meant = [e for e in record.standing() if e.canal in (None, session.canal_name)]
    meant = [e for e in meant if e.kind != "canal renamed" and not (e.kind == "note" and e.supersedes is not None)]
    if entry_id is None and not meant:
        raise lacking(session, "entry")
    wanted = entry_id or meant[-1].id
    made = edit.struck_out(case, wanted, at=_at(record, _clock()), by=session.initials)
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
