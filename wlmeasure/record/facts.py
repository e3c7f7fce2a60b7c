"""The facts of each canal: what holds now, found in one place and read by every output.

Text, JSON, report, stops card, dock, DICOM and archive print these and look nothing up themselves, so that no two of them can
say different things. All of it follows from the geometry measured and from the log of entries.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, Literal

from attrs import frozen

from wlmeasure.decide.electronic import ElectronicLength
from wlmeasure.decide.ends import Risk
from wlmeasure.decide.filling import stop_setting_mm
from wlmeasure.decide.reconcile import WorkingLength
from wlmeasure.flags import Flag, catalogue
from wlmeasure.record.case import Entry
from wlmeasure.record.evaluate import CanalResult, CaseResult
from wlmeasure.record.progress import CanalProgress, case_progress
from wlmeasure.record.record import compare, record_of
from wlmeasure.record.stale import Stale
from wlmeasure.record.version1 import PROGRAM as FROM_VERSION_1

__all__ = ["SETTLED", "CanalFacts", "CaseFacts", "Stop", "case_facts", "decided_stop"]

SETTLED: Final = ("concordant", "ordinary anatomy", "film only", "reading only")
"""Statuses of a proposal that a stop may be set by while nothing is decided."""

ANOTHER_MM: Final = 0.1
"""From here on the film gives another length than when it was decided: the finest that a ruler is read to (our parameter). A
case whose paths are not stored is traced anew, and a better tracer moves an end by hundredths."""

_FLAGS = catalogue(
    {
        "decided-on-another-film-length": (
            "The film gives another length now than when it was decided: its trace, its marks or its scale have changed."
        ),
        "decided-from-another-point": (
            "The decided length does not count from the canal's present reference point, so no stop is set by it."
        ),
        "reference-not-named": "The coronal reference point is not named, so nothing says where a stop would rest.",
    }
)


@frozen
class Stop:
    """The length that stops are set by: `length_mm`, and what a ruler is set to for a file taken to it, rounded down.

    `whose` says whether a person decided it or the program proposes it; `by` and `at` are the decision's. `interval_mm` holds
    95 %, None where `std_mm` is.
    """

    length_mm: float
    setting_mm: float
    whose: Literal["decided", "proposed"]
    std_mm: float | None = None
    by: str | None = None
    at: str | None = None
    interval_mm: tuple[float, float] | None = None


@frozen(eq=False)
class CanalFacts:
    """What holds for one canal.

    Attributes
    ----------
    name, reference_point
        Of the canal; the coronal reference point in words, None where it was not named.
    readings, past_readings
        Entries of the readings that speak for the canal as it is now, and of those from before.
    electronic
        What `readings` say together; None without any.
    proposal
        The working length that follows from film and readings.
    decision
        The entry of the length that was decided, None without one.
    stop
        What stops are set by: the decision, else a settled proposal; None without one, and where a decision counts from another
        reference point than the canal's present one.
    stale
        Entries of the canal and of the whole tooth that no longer hold.
    treatment
        What the entries say by the rules of the trade; None where there are none.
    risk
        What the model says of the stop as it is set, or as it would be for the proposal, rounded down; None without a length.
    flags
        Remarks on the decision: what record, readings and films show together.
    """

    name: str
    reference_point: str | None
    readings: tuple[Entry, ...]
    past_readings: tuple[Entry, ...]
    electronic: ElectronicLength | None
    proposal: WorkingLength
    decision: Entry | None
    stop: Stop | None
    stale: tuple[Stale, ...] = ()
    treatment: CanalProgress | None = None
    flags: tuple[Flag, ...] = ()
    risk: Risk | None = None

    @property
    def settled(self) -> bool:
        """Whether the proposal may be taken as it stands.

        A film alone does not settle what readings spoke of before the canal was shaped: it was taken before that too.
        """
        return _settled(self.proposal, self.past_readings)


def _settled(proposal: WorkingLength, past_readings: tuple[Entry, ...]) -> bool:
    from_before = proposal.status == "film only" and bool(past_readings)
    return proposal.length_mm is not None and proposal.status in SETTLED and not from_before


@frozen(eq=False)
class CaseFacts:
    """The facts of every canal, the entries that no longer hold, and why a record cannot be followed, if it cannot."""

    canals: tuple[CanalFacts, ...]
    stale: tuple[Stale, ...] = ()
    fault: str | None = None

    def of(self, name: str) -> CanalFacts:
        """The facts of the canal of that name."""
        return next(canal for canal in self.canals if canal.name == name)


def case_facts(result: CaseResult) -> CaseFacts:
    """The facts of a measured case."""
    progress = case_progress(result.case)
    record, _ = record_of(result.case)
    treated = {canal.canal: canal for canal in progress.canals}
    differing = compare(result.case, result, same_mm=ANOTHER_MM) if result.case.entries else ()
    changed = {difference.entry.id for difference in differing}
    canals = tuple(
        CanalFacts(
            name=(name := canal.canal.name),
            reference_point=canal.canal.reference_point,
            readings=canal.readings,
            past_readings=canal.past_readings,
            electronic=canal.electronic,
            proposal=canal.working_length,
            decision=canal.decision,
            stop=(stop := _stop(canal)),
            stale=tuple(item for item in progress.stale if item.entry.canal in (None, name)),
            treatment=treated.get(name),
            flags=_remarks(canal, record.standing(name), changed),
            risk=_risk(canal.working_length, stop),
        )
        for canal in result.canals
    )
    return CaseFacts(canals, progress.stale, progress.fault)


def decided_stop(decision: Entry | None, reference_point: str | None) -> Stop | None:
    """What stops are set by where a length was decided; None where it was decided from another point than the canal's."""
    if decision is None or decision.length_mm is None or reference_point is None:
        return None  # nothing says where a stop would rest
    if decision.reference_point != reference_point:
        return None  # from another point, or nobody knows from which
    length = decision.length_mm
    setting, interval = stop_setting_mm(length), decision.length_interval_mm
    return Stop(length, setting, "decided", decision.length_std_mm, decision.by, decision.at, interval)


def _stop(canal: CanalResult) -> Stop | None:
    point, proposal = canal.canal.reference_point, canal.working_length
    if canal.decision is not None:
        return decided_stop(canal.decision, point)
    if point is None or proposal.length_mm is None or not _settled(proposal, canal.past_readings):
        return None
    setting = stop_setting_mm(proposal.length_mm)
    return Stop(proposal.length_mm, setting, "proposed", proposal.std_mm, interval_mm=proposal.interval_mm)


def _risk(proposal: WorkingLength, stop: Stop | None) -> Risk | None:
    """Of the stop, else of what it would be: the length that is said is the one that is set, not the one before rounding."""
    if stop is not None:
        return proposal.risk_of(stop.setting_mm)
    return None if proposal.length_mm is None else proposal.risk_of(stop_setting_mm(proposal.length_mm))


def _remarks(canal: CanalResult, standing: Iterable[Entry], changed: set[str]) -> tuple[Flag, ...]:
    """Remarks on the length that holds; `changed` are ids of entries that the films give another figure for now."""
    decision, point = canal.decision, canal.canal.reference_point
    codes = []
    if point is None and (decision is not None or canal.working_length.length_mm is not None):
        codes.append("reference-not-named")
    elif decision is not None and decision.reference_point != point:
        codes.append("decided-from-another-point")
    if decision is not None and changed & set(decision.rests_on):
        codes.append("decided-on-another-film-length")
    undecided = () if decision is not None else standing
    torn = [entry.note for entry in undecided if entry.kind == "note" and entry.by == FROM_VERSION_1]
    on_decision = [flag for flag in canal.working_length.flags if flag.code.startswith("decided-")]
    return (
        *(Flag("two-decisions", note) for note in torn if note is not None),
        *(_FLAGS[code] for code in codes),
        *on_decision,
    )
