"""The length record: append-only, each entry saying which length, from which point, how sure, who, when, on what.

An entry is never edited; a later one supersedes it. An entry made from a measurement carries the hash of the inputs it was
made from, so that it can be recomputed and compared for as long as the case file and the films exist.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime

from attrs import evolve, frozen

from wlmeasure.errors import CaseError, TradeError
from wlmeasure.flags import Flag
from wlmeasure.record.case import Case, Entry, case_digest
from wlmeasure.record.kinds import KIND_TABLE, QUANTITIES, EntryKind
from wlmeasure.trade.instruments import tip_diameter_mm

TYPE_CHECKING = False
if TYPE_CHECKING:  # an archive needs the record's rules, not the measuring with all that it loads
    from wlmeasure.record.evaluate import CanalResult, CaseResult
    from wlmeasure.record.spatial import SpatialResult

__all__ = ["CENTIMETRES_BELOW_MM", "KINDS", "Difference", "LengthRecord", "compare", "entries_from"]

KINDS = tuple(KIND_TABLE)
CENTIMETRES_BELOW_MM = 4.0  # our parameter: no file goes so little deep from a cusp, and no canal has 4 cm
ROOT_ENDS = ("radiographic apex", "open apex")  # statuses of a film length that say where the root ends
EDGE_MM = 1e-9  # lengths typed in decimals may differ in the last bits
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

    def with_entry(
        self, entry: Entry, *, canals: Collection[str] | None = None, confirmed: Collection[str] = ()
    ) -> LengthRecord:
        """The record with one entry more; this one is unchanged.

        Parameters
        ----------
        entry
            The entry, checked by the row of its kind in :data:`~wlmeasure.record.kinds.KIND_TABLE`.
        canals
            Names of the tooth's canals; not checked when left out.
        confirmed
            Codes of :meth:`questions` that the person answered with yes; those that were asked are kept in the entry.

        Raises
        ------
        CaseError
            A kind that this version does not write; a quantity that its kind needs or does not have; a size that is not in
            the standard and not called special; a canal that is not there; a question that was not answered; or an entry
            that does not fit behind the last one.
        """
        rule = KIND_TABLE.get(entry.kind)
        if rule is None:
            raise CaseError(f"kind must be one of {', '.join(KINDS)}: {entry.kind!r}")
        self._check_links(entry, rule, canals)
        _check_quantities(entry, rule)
        asked = self.questions(entry)
        for question in asked:
            if question.code not in (*confirmed, *entry.confirmed):
                raise CaseError(f"{question.text} If it is right, confirm {question.code!r}; nothing was entered")
        kept = tuple(question.code for question in asked)
        return LengthRecord((*self.entries, entry if kept == entry.confirmed else evolve(entry, confirmed=kept)))

    def questions(self, entry: Entry) -> tuple[Flag, ...]:
        """What has to be asked before an entry is taken: it may be right, and is more likely a slip."""
        out = []
        for name in ("length_mm", "level_mm"):
            value = getattr(entry, name)
            if value is not None and value < CENTIMETRES_BELOW_MM:
                out.append(
                    Flag(
                        "length-in-centimetres",
                        f"{name} must be a length in millimetres: {value:g} mm? Or {10.0 * value:g} mm?",
                    )
                )
        apex = self.apex_mm(entry.canal, entry.reference_point)
        rule = KIND_TABLE.get(entry.kind)
        bounded = rule is not None and rule.bounded
        if bounded and apex is not None and entry.length_mm is not None and entry.length_mm > apex + EDGE_MM:
            out.append(
                Flag(
                    "length-beyond-apex",
                    f"length_mm must not lie beyond the radiographic apex, at {apex:.2f} mm: {entry.length_mm:g} mm?",
                )
            )
        return tuple(out)

    def apex_mm(self, canal: str | None, reference_point: str | None) -> float | None:
        """Length to the radiographic apex as far as the record knows it: the shortest that a standing film entry gives.

        Only entries from the same reference point are compared; None where there is none.
        """
        known = []
        for entry in self.standing(canal):
            if entry.length_mm is None or canal is None or entry.reference_point != reference_point:
                continue
            if entry.kind == "film length" and entry.status in ROOT_ENDS:
                known.append(entry.length_mm)
            elif entry.kind == "trial file film" and entry.distance_mm is not None:
                known.append(entry.length_mm + entry.distance_mm)
        return min(known, default=None)

    def _check_links(self, entry: Entry, rule: EntryKind, canals: Collection[str] | None) -> None:
        if entry.canal is None and not rule.whole_tooth:
            raise CaseError(f"canal must be named for an entry of kind {entry.kind!r}: it holds for one canal")
        for name, value in (("canal", entry.canal), ("other_canal", entry.other_canal)):
            if canals is not None and value is not None and value not in canals:
                raise CaseError(
                    f"{name} must be one of the tooth ({', '.join(canals) or 'none yet'}): {value!r}; add it first"
                )
        if entry.other_canal is not None and entry.other_canal == entry.canal:
            raise CaseError(f"other_canal must be another canal than the entry's own: {entry.other_canal!r}")
        ids = {earlier.id for earlier in self.entries}
        for name in entry.rests_on:
            if name not in ids:
                raise CaseError(f"rests_on must name earlier entries: {name!r} is none")
        for earlier in self.entries:
            if entry.supersedes is not None and earlier.supersedes == entry.supersedes:
                raise CaseError(
                    f"supersedes must name an entry that still stands: {entry.supersedes!r} was superseded by {earlier.id!r}; "
                    "correct that one"
                )

    def next_id(self) -> str:
        """An id that no entry has."""
        used = {entry.id for entry in self.entries}
        number = len(self.entries) + 1
        while f"e{number}" in used:
            number += 1
        return f"e{number}"

    def standing(self, canal: str | None = None) -> tuple[Entry, ...]:
        """Entries that no later one supersedes, of one canal or of all; with a canal, not those of the whole tooth."""
        gone = {entry.supersedes for entry in self.entries if entry.supersedes is not None}
        return tuple(e for e in self.entries if e.id not in gone and (canal is None or e.canal == canal))

    def places(self) -> dict[str, int]:
        """Where each entry, by its id, belongs in the treatment: its own place, or that of the entry it corrects.

        A correction is written later than it happened, and an old film measured again is an old film. A decision belongs
        where it was taken, and an electronic length where its readings changed.
        """
        known: dict[str, Entry] = {}
        places: dict[str, int] = {}
        for k, entry in enumerate(self.entries):
            places[entry.id], known[entry.id] = k, entry
            earlier = None if entry.supersedes is None else known[entry.supersedes]
            if earlier is None or earlier.kind != entry.kind:
                continue
            taken_anew = entry.kind in KIND_TABLE and KIND_TABLE[entry.kind].role == "decision"
            same = (entry.length_mm, entry.length_std_mm) == (earlier.length_mm, earlier.length_std_mm)
            if not taken_anew and (entry.kind != "electronic length" or same):
                places[entry.id] = places[earlier.id]
        return places

    def in_order(self, canal: str | None = None) -> tuple[Entry, ...]:
        """Standing entries of one canal or of all in the order of the treatment (:meth:`places`)."""
        places = self.places()
        return tuple(sorted(self.standing(canal), key=lambda entry: places[entry.id]))

    def current(self, canal: str) -> Entry | None:
        """The length that holds for a canal: the last standing decision, else the last standing proposal."""
        standing = self.standing(canal)
        for kind in ("decided working length", "proposed working length"):
            of_kind = [entry for entry in standing if entry.kind == kind]
            if of_kind:
                return of_kind[-1]
        return None


def _check_quantities(entry: Entry, rule: EntryKind) -> None:
    """Refuse an entry that lacks what its kind needs or holds what its kind has no place for."""
    for name in QUANTITIES:
        value = getattr(entry, name)
        if value is None and name in rule.needs:
            raise CaseError(f"{name} must be given for an entry of kind {entry.kind!r}: {rule.words}")
        if value is not None and name not in rule.may_hold:
            has = ", ".join(rule.may_hold) or "none"
            raise CaseError(
                f"{name} must be left out of an entry of kind {entry.kind!r}, which may hold {has}: {value!r}"
            )
    if entry.finding is not None and entry.finding not in rule.findings:
        raise CaseError(f"finding must be one of {', '.join(rule.findings)} for {entry.kind!r}: {entry.finding!r}")
    if rule.from_reference and entry.reference_point is None:
        raise CaseError(f"reference_point must be named for an entry of kind {entry.kind!r}: a length counts from it")
    if entry.kind == "reference point changed" and entry.reference_point is None:
        raise CaseError("reference_point must be named for an entry of kind 'reference point changed': the new one")
    if rule.rescales_film and entry.film_sha256 is None:
        raise CaseError(f"film_sha256 must be given for an entry of kind {entry.kind!r}: it says which film")
    if entry.length_std_mm is not None and entry.length_mm is None:
        raise CaseError("length_std_mm must stand beside a length_mm: there is none")
    if entry.distance_std_mm is not None and entry.distance_mm is None:
        raise CaseError("distance_std_mm must stand beside a distance_mm: there is none")
    if entry.size is not None:
        try:
            tip_diameter_mm(entry.size, special=entry.special is True)
        except TradeError as error:
            raise CaseError(f'{error}: write "{entry.size} special"') from None


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
    entered twice. The proposal rests on the film and electronic lengths of its canal, the decision on the proposal.

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
        made: dict[str, list[str]] = {"measurement": [], "decision": []}
        for figure in _figures(canal, result.spatial):
            standing = [entry for entry in record.standing(canal.canal.name) if figure.matches(entry)]
            decision = canal.canal.decision if figure.kind == "decided working length" else None
            note = None if decision is None else f"decided {decision.at}: {decision.reason or 'no reason given'}"
            known = bool(standing) and standing[-1].inputs_sha256 == digest and standing[-1].note in (note, None)
            entry_id = standing[-1].id if known else record.next_id()
            role = KIND_TABLE[figure.kind].role
            rests_on = made["decision" if figure.kind == "decided working length" else "measurement"]
            if known:
                made[role].append(entry_id)
                continue
            record = record.with_entry(
                Entry(
                    id=entry_id,
                    kind=figure.kind,
                    at=at,
                    by=by if decision is None else decision.by,
                    canal=canal.canal.name,
                    reference_point=canal.canal.reference_point,
                    length_mm=figure.length_mm,
                    length_std_mm=figure.std_mm,
                    status=figure.status,
                    film_sha256=figure.film_sha256,
                    other_films_sha256=figure.other_films_sha256,
                    inputs_sha256=digest,
                    program=program,
                    rests_on=() if role == "measurement" else tuple(rests_on),
                    supersedes=standing[-1].id if standing else None,
                    note=note,
                ),
                # What stands in the case was measured or decided already; its doubts are flags of the measurement.
                confirmed=("length-beyond-apex", "length-in-centimetres"),
            )
            made[role].append(entry_id)
    return record


@frozen
class _Figure:
    """One length of one canal that can stand in the record."""

    kind: str
    length_mm: float | None
    std_mm: float | None
    status: str | None
    film_sha256: str | None = None
    other_films_sha256: tuple[str, ...] = ()

    def matches(self, entry: Entry) -> bool:
        mine = (self.kind, self.film_sha256, self.other_films_sha256)
        return (entry.kind, entry.film_sha256, entry.other_films_sha256) == mine


def _figures(canal: CanalResult, spatial: SpatialResult | None) -> list[_Figure]:
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
    # Last: no proposal rests on it.
    for one in () if spatial is None else spatial.canals:
        shown = {t.trace.film: t for t in canal.traces}
        films = [shown[film] for film in spatial.films if film in shown] if spatial is not None else []
        if one.name == canal.canal.name and len(films) > 1:
            first, *others = (t.film.film.sha256 for t in films)
            end = films[0].trace.apical_end
            out.append(_Figure("length in space", one.length_mm, one.length_std_mm, end, first, tuple(others)))
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
            for figure in _figures(canal, result.spatial)
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
