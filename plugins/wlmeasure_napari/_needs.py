"""What a step needs to be there first, and the words that say so; the words go as soon as the thing is there. No Qt."""

from __future__ import annotations

from collections.abc import Callable
from types import MappingProxyType
from typing import Any, Final

from attrs import frozen

from wlmeasure.errors import CaseError
from wlmeasure.record import edit
from wlmeasure.record.facts import decided_stop
from wlmeasure.record.record import record_of

TYPE_CHECKING = False
if TYPE_CHECKING:
    from wlmeasure_napari._session import Session

__all__ = ["NEEDS", "Need", "NeedError", "lacking", "need"]


@frozen
class Need:
    """One thing that has to be there: what is said while it is not, and whether it is."""

    words: str
    met: Callable[[Session], bool]


class NeedError(CaseError):
    """Something is not there yet; `need` says whether it is by now."""

    def __init__(self, missing: Need, words: str) -> None:
        super().__init__(words)
        self.need = missing


def _settled(session: Session) -> bool:
    facts = session.canal_facts
    return facts is not None and facts.settled


def _has_case_id(session: Session) -> bool:
    typed = session.inputs.get("case", "", "case id") or ""
    return bool(typed.strip()) or (session.case is not None and session.case.case_id is not None)


NEEDS: Final = MappingProxyType(
    {
        "film": Need(
            "film and tooth must be there first: open a film and enter the tooth",
            lambda s: s.case is not None or bool(s.radiographs),
        ),
        "case": Need(
            "tooth must be entered first, such as 46: what is measured is kept with it", lambda s: s.case is not None
        ),
        "canal": Need("canal must be added first: press Add under Canals", lambda s: s.canal is not None),
        "point": Need(
            "reference point of canal {canal} must be named first: a length counts from it",
            lambda s: s.canal is not None and s.canal.reference_point is not None,
        ),
        "trace": Need(
            "canal must be traced on this film first: press T, click orifice and apical end",
            lambda s: s.trace is not None,
        ),
        "line": Need(
            "canal or file must be traced on this film first: upright is judged by where it points",
            lambda s: s.result is not None and edit.upright_view(s.result, s.film_id) is not None,
        ),
        "initials": Need(
            "initials must be entered first, under Working: the record says who did it", lambda s: bool(s.initials)
        ),
        "confirmed": Need(
            "initials must be confirmed for this case: is it still {who}? Press Confirm, or type others",
            lambda s: s.confirmed,
        ),
        "known length": Need(
            "known length must be entered first: the file's length from stop to tip, in mm",
            lambda s: s.known_length_mm is not None,
        ),
        "object's length": Need(
            "object's length must be entered first: its own, between the two points, in mm",
            lambda s: s.object_length_mm is not None,
        ),
        "reading": Need(
            "reading must be entered once before it can be repeated",
            lambda s: s.canal_facts is not None and bool(s.canal_facts.readings),
        ),
        "entry": Need(
            "record must hold an entry before one can be struck out: it is empty",
            lambda s: s.case is not None and bool(record_of(s.case)[0].standing()),
        ),
        "proposal": Need("proposal must be settled before it can be taken: read again, or decide your own", _settled),
        "accepted": Need(
            "points on the film must be accepted (Enter) or dropped (Esc) before anything is entered",
            lambda s: not s.unaccepted,
        ),
        "answered": Need(
            "question at the foot of the dock must be answered first: press one of its buttons",
            lambda s: s.question is None,
        ),
        "decision": Need(
            "length must be decided first, from the reference point that canal {canal} has now",
            lambda s: (f := s.canal_facts) is not None and decided_stop(f.decision, f.reference_point) is not None,
        ),
        "case id": Need("case id must be entered first: the practice's own, no names", _has_case_id),
        "stop": Need(
            "length for the chart must be decided first, from a named reference point",
            lambda s: s.canal_facts is not None and s.canal_facts.stop is not None,
        ),
    }
)
"""By the name that a step asks for it."""


def lacking(session: Any, name: str) -> NeedError:
    """The refusal that says so; where a case is lacking, whether that is for a film or for the tooth of one."""
    one = NEEDS["film" if name == "case" and not NEEDS["film"].met(session) else name]
    return NeedError(one, one.words.format(canal=session.canal_name, who=session.initials))


def need(session: Any, *names: str) -> None:
    """Refuse a step for the first of these that is not there.

    Raises
    ------
    NeedError
        One is not there.
    """
    for name in names:
        if not NEEDS[name].met(session):
            raise lacking(session, name)
