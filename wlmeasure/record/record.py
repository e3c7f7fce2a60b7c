"""The length record: append-only, each entry saying which length, from which point, how sure, who, when, on what.

An entry is never edited; a later one supersedes it. An entry made from a measurement carries the hash of the inputs it was
made from, so that it can be recomputed and compared for as long as the case file and the films exist.
"""

from __future__ import annotations

from datetime import datetime

from attrs import frozen

from wlmeasure.errors import CaseError
from wlmeasure.record.case import Case, Entry, case_digest

TYPE_CHECKING = False
if TYPE_CHECKING:  # an archive needs the record's rules, not the measuring with all that it loads
    from wlmeasure.record.evaluate import CanalResult, CaseResult

__all__ = ["KINDS", "Difference", "LengthRecord", "compare", "entries_from"]

KINDS = ("film length", "electronic length", "proposed working length", "decided working length", "note")
SAME_MM = 1e-6  # floating-point differences between machines; a nanometre


@frozen
class LengthRecord:
    """Entries in the order they were made.

    Raises
    ------
    CaseError
        An entry out of time order, an id used twice, an entry that supersedes one that is not there before it.
    """

    entries: tuple[Entry, ...] = ()

    def __attrs_post_init__(self) -> None:
        seen: dict[str, Entry] = {}
        last = None
        for k, entry in enumerate(self.entries):
            at = _time(entry, k)
            if entry.id in seen:
                raise CaseError(f"entries[{k}].id must be used once: {entry.id!r} stands twice")
            if last is not None and _before(at, last):
                raise CaseError(f"entries[{k}].at must not be before the entry above it: {entry.at}")
            if entry.supersedes is not None and entry.supersedes not in seen:
                raise CaseError(f"entries[{k}].supersedes must name an earlier entry: {entry.supersedes!r}")
            seen[entry.id] = entry
            last = at

    def with_entry(self, entry: Entry) -> LengthRecord:
        """The record with one entry more; this one is unchanged.

        Raises
        ------
        CaseError
            A kind that this version does not write, or an entry that does not fit behind the last one.
        """
        if entry.kind not in KINDS:
            raise CaseError(f"kind must be one of {', '.join(KINDS)}: {entry.kind!r}")
        return LengthRecord((*self.entries, entry))

    def next_id(self) -> str:
        """An id that no entry has."""
        used = {entry.id for entry in self.entries}
        number = len(self.entries) + 1
        while f"e{number}" in used:
            number += 1
        return f"e{number}"

    def standing(self, canal: str | None = None) -> tuple[Entry, ...]:
        """Entries that no later one supersedes, of one canal or of all."""
        gone = {entry.supersedes for entry in self.entries if entry.supersedes is not None}
        return tuple(e for e in self.entries if e.id not in gone and (canal is None or e.canal == canal))

    def current(self, canal: str) -> Entry | None:
        """The length that holds for a canal: the last standing decision, else the last standing proposal."""
        standing = self.standing(canal)
        for kind in ("decided working length", "proposed working length"):
            of_kind = [entry for entry in standing if entry.kind == kind]
            if of_kind:
                return of_kind[-1]
        return None


def _time(entry: Entry, k: int) -> datetime:
    try:
        at = datetime.fromisoformat(entry.at)
    except ValueError:
        raise CaseError(f"entries[{k}].at must be a date and time such as 2026-11-25T10:30:00: {entry.at!r}") from None
    return at


def _before(one: datetime, other: datetime) -> bool:
    if one.tzinfo is not None and other.tzinfo is not None:
        return one < other
    # A time without a zone is the practice's own; it is compared as it stands.
    return one.replace(tzinfo=None) < other.replace(tzinfo=None)


def entries_from(result: CaseResult, record: LengthRecord, *, at: str, by: str, program: str) -> LengthRecord:
    """The record with what was measured on a case: film, readings, proposal and decision of every canal.

    A proposal supersedes the standing one of the same canal; a figure that stands already, from the same inputs, is not
    entered twice.

    Parameters
    ----------
    result
        What :func:`~wlmeasure.record.evaluate.evaluate` returned.
    record
        The record so far.
    at, by, program
        When, by whom and with which version, written into every entry.

    Raises
    ------
    CaseError
        A time before the last entry.
    """
    digest = case_digest(result.case)
    for canal in result.canals:
        for figure in _figures(canal):
            standing = [entry for entry in record.standing(canal.canal.name) if figure.matches(entry)]
            if standing and standing[-1].inputs_sha256 == digest:
                continue
            decision = canal.canal.decision if figure.kind == "decided working length" else None
            record = record.with_entry(
                Entry(
                    id=record.next_id(),
                    kind=figure.kind,
                    at=at,
                    by=by if decision is None else decision.by,
                    canal=canal.canal.name,
                    reference_point=canal.canal.reference_point,
                    length_mm=figure.length_mm,
                    length_std_mm=figure.std_mm,
                    status=figure.status,
                    film_sha256=figure.film_sha256,
                    inputs_sha256=digest,
                    program=program,
                    supersedes=standing[-1].id if standing else None,
                    note=None if decision is None else f"decided {decision.at}: {decision.reason or 'no reason given'}",
                )
            )
    return record


@frozen
class _Figure:
    """One length of one canal that can stand in the record."""

    kind: str
    length_mm: float | None
    std_mm: float | None
    status: str | None
    film_sha256: str | None = None

    def matches(self, entry: Entry) -> bool:
        return entry.kind == self.kind and entry.film_sha256 == self.film_sha256


def _figures(canal: CanalResult) -> list[_Figure]:
    out = [
        _Figure("film length", t.length.length_mm, t.length.length_std_mm, t.trace.apical_end, t.film.film.sha256)
        for t in canal.traces
        if t.length is not None
    ]
    if canal.electronic is not None:
        readings = canal.electronic
        out.append(_Figure("electronic length", readings.length_mm, readings.std_mm, readings.status))
    working = canal.working_length
    out.append(_Figure("proposed working length", working.length_mm, working.std_mm, working.status))
    if canal.canal.decision is not None:
        out.append(_Figure("decided working length", canal.canal.decision.length_mm, None, None))
    return out


@frozen
class Difference:
    """A stored figure that a new measurement does not give.

    `reason` is ``inputs changed`` where the case is not the one the entry was made from, else ``figure differs``.
    """

    entry: Entry
    length_mm: float | None
    reason: str


def compare(case: Case, result: CaseResult, *, same_mm: float = SAME_MM) -> tuple[Difference, ...]:
    """Recompute the standing entries of a case from its stored inputs and list those that differ.

    Parameters
    ----------
    case
        The case with its entries.
    result
        A new evaluation of it.
    same_mm
        Largest difference that is still the same figure.
    """
    digest = case_digest(case)
    found = []
    for entry in LengthRecord(case.entries).standing():
        if entry.inputs_sha256 is None:
            continue
        fresh = [
            figure.length_mm
            for canal in result.canals
            if canal.canal.name == entry.canal
            for figure in _figures(canal)
            if figure.matches(entry)
        ]
        length = fresh[0] if fresh else None
        same = (length is None) == (entry.length_mm is None) and (
            length is None or entry.length_mm is None or abs(length - entry.length_mm) <= same_mm
        )
        if not same:
            reason = "figure differs" if entry.inputs_sha256 == digest else "inputs changed"
            found.append(Difference(entry, length, reason))
    return tuple(found)
