"""The length record: append-only, each entry saying which length, from which point, how sure, who, when, on what.

It is the only place where readings and decisions stand. An entry is never edited; a later one supersedes it. What holds now
is a query over the entries: :meth:`LengthRecord.readings`, :meth:`LengthRecord.decision`. An entry made from a measurement
carries the hash of the inputs it was made from, so that it can be recomputed and compared for as long as the case file and the
films exist.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import datetime, timedelta
from functools import cached_property
from typing import Final

from attrs import evolve, frozen

from wlmeasure.decide.electronic import ElectronicLength, ElectronicReading, electronic_length
from wlmeasure.errors import CaseError, QuestionError, TradeError
from wlmeasure.flags import Flag
from wlmeasure.measure.budget import reach_mm
from wlmeasure.record.case import Case, Entry, Proposed, case_digest
from wlmeasure.record.kinds import KIND_TABLE, QUANTITIES, EntryKind
from wlmeasure.trade.instruments import tip_diameter_mm

TYPE_CHECKING = False
if TYPE_CHECKING:  # an archive needs the record's rules, not the measuring with all that it loads
    from wlmeasure.measure.length import LengthEstimate
    from wlmeasure.record.evaluate import CanalResult, CaseResult, TraceResult
    from wlmeasure.record.spatial import SpatialResult

__all__ = [
    "CENTIMETRES_BELOW_MM",
    "CLOCKS_APART",
    "KINDS",
    "QUESTIONS",
    "Difference",
    "LengthRecord",
    "compare",
    "decided",
    "heard",
    "in_the_future",
    "measured_entries",
    "record_of",
]

KINDS = tuple(kind for kind, row in KIND_TABLE.items() if not row.from_version_1)
CENTIMETRES_BELOW_MM = 4.0  # our parameter: no file goes so little deep from a cusp, and no canal has 4 cm
ROOT_ENDS = ("radiographic apex", "open apex")  # statuses of a film length that say where the root ends
EDGE_MM = 1e-9  # lengths typed in decimals may differ in the last bits
SAME_MM = 1e-6  # floating-point differences between machines; a nanometre
QUESTIONS: Final = ("length-in-centimetres", "length-beyond-apex", "in-the-future", "before-the-last")
"""Every question that :meth:`LengthRecord.with_entry` may ask."""
CLOCKS_APART: Final = timedelta(minutes=10)
"""How far ahead of this computer's clock another one may be before its time is asked about (our parameter)."""


@frozen
class LengthRecord:
    """Entries in the order they were written, which is what counts; a wrong clock may have dated one otherwise.

    Raises
    ------
    CaseError
        A time that is none, an id used twice, an entry that supersedes or belongs before one that is not there before it.
    """

    entries: tuple[Entry, ...] = ()

    def __attrs_post_init__(self) -> None:
        seen: set[str] = set()
        for k, entry in enumerate(self.entries):
            if entry.at is not None:
                _time(entry.at, f"entries[{k}].at")
            if entry.id in seen:
                raise CaseError(f"entries[{k}].id must be used once: {entry.id!r} stands twice")
            for name in ("supersedes", "before"):
                if getattr(entry, name) is not None and getattr(entry, name) not in seen:
                    raise CaseError(f"entries[{k}].{name} must name an earlier entry: {getattr(entry, name)!r}")
            seen.add(entry.id)

    def with_entry(
        self,
        entry: Entry,
        *,
        canals: Collection[str] | None = None,
        confirmed: Collection[str] = (),
        now: str | None = None,
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
        now
            The time of this computer's clock, so that an entry dated in the future is asked about.

        Raises
        ------
        CaseError
            A kind that this version does not write; a quantity that its kind needs or does not have; a size that is not in
            the standard and not called special; a canal that is not there; or an entry without a time, or that does not fit
            behind the others.
        QuestionError
            A question that was not answered.
        """
        rule = KIND_TABLE.get(entry.kind)
        if rule is None or rule.from_version_1:
            raise CaseError(f"kind must be one of {', '.join(KINDS)}: {entry.kind!r}")
        self._check_links(entry, rule, canals)
        _check_quantities(entry, rule)
        if entry.at is None:
            raise CaseError("at must be given: an entry says when it was made")
        asked = self.questions(entry, now=now)
        unanswered = [question for question in asked if question.code not in (*confirmed, *entry.confirmed)]
        if unanswered:
            raise QuestionError(" ".join(q.text for q in unanswered), tuple(q.code for q in unanswered))
        kept = tuple(question.code for question in asked)
        return LengthRecord((*self.entries, entry if kept == entry.confirmed else evolve(entry, confirmed=kept)))

    def questions(self, entry: Entry, *, now: str | None = None) -> tuple[Flag, ...]:
        """What has to be asked before an entry is taken: it may be right, and is more likely a slip."""
        out = self._questions_of_time(entry, now)
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

    def _questions_of_time(self, entry: Entry, now: str | None) -> list[Flag]:
        """An entry dated in the future, or before what was written before it; one dated wrongly locks nothing."""
        if entry.at is None:
            return []
        if now is not None and (ahead := in_the_future(entry, now)) is not None:
            return [ahead]
        at = _time(entry.at, "at")
        clock = None if now is None else _time(now, "now")
        earlier = [_time(e.at, "at") for e in self.standing() if e.at is not None]
        if clock is not None:
            earlier = [time for time in earlier if not _before(clock + CLOCKS_APART, time)]
        if earlier and _before(at, earlier[-1]):
            return [
                Flag("before-the-last", f"at lies before the entry above it, of {earlier[-1].isoformat()}: {entry.at}?")
            ]
        return []

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
        names = (("canal", entry.canal), ("other_canal", entry.other_canal))
        for name, value in () if entry.kind in ("canal renamed", "canal removed") else names:
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
        old = next((earlier for earlier in self.present if earlier.id == entry.supersedes), None)
        if old is not None and old.canal != entry.canal and None not in (old.canal, entry.canal):
            raise CaseError(
                f"supersedes must name an entry of the same canal: {entry.supersedes!r} is of {old.canal}, this one of "
                f"{entry.canal}"
            )
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

    @cached_property
    def present(self) -> tuple[Entry, ...]:
        """The entries under the names that their canals have now, without those of canals taken out of the case."""
        if not any(entry.kind in ("canal renamed", "canal removed") for entry in self.entries):
            return self.entries
        named: list[Entry] = []
        for entry in self.entries:
            if entry.kind == "canal renamed" and entry.canal is not None and entry.other_canal is not None:
                named = [_under_name(e, entry.other_canal, entry.canal) for e in named]
            elif entry.kind == "canal removed" and entry.canal is not None:
                named = [e for e in named if e.canal != entry.canal]
                continue
            named.append(entry)
        return tuple(named)

    def standing(self, canal: str | None = None) -> tuple[Entry, ...]:
        """Entries that no later one supersedes, of one canal or of all; with a canal, not those of the whole tooth."""
        gone = self._superseded
        return tuple(e for e in self.present if e.id not in gone and (canal is None or e.canal == canal))

    @cached_property
    def _superseded(self) -> frozenset[str]:
        return frozenset(entry.supersedes for entry in self.entries if entry.supersedes is not None)

    def places(self) -> dict[str, int]:
        """Where each entry, by its id, belongs in the treatment, counted from 0: mostly where it was written.

        A correction belongs behind what it corrects, whatever kind was meant, and an old film measured again is an old film;
        what was written down late belongs before the entry that it names. A decision belongs where it was taken.
        """
        return dict(self._places)

    @cached_property
    def _places(self) -> dict[str, int]:
        after: dict[str | None, str | None] = {None: None}  # a ring of ids in order; None is its beginning and its end
        ahead: dict[str | None, str | None] = {None: None}
        for entry in self.entries:
            kind = KIND_TABLE.get(entry.kind)
            taken_anew = kind is not None and kind.role == "decision"
            if entry.before is not None:
                left = ahead[entry.before]
            elif entry.supersedes is not None and not taken_anew:
                left = entry.supersedes
            else:
                left = ahead[None]
            right = after[left]
            after[left] = ahead[right] = entry.id
            after[entry.id], ahead[entry.id] = right, left
        places: dict[str, int] = {}
        at = after[None]
        while at is not None:
            places[at] = len(places)
            at = after[at]
        return places

    def in_order(self, canal: str | None = None) -> tuple[Entry, ...]:
        """Standing entries of one canal or of all in the order of the treatment (:meth:`places`)."""
        return tuple(sorted(self.standing(canal), key=lambda entry: self._places[entry.id]))

    def decision(self, canal: str, *, before: int | None = None) -> Entry | None:
        """The working length that holds for a canal, or held before a place in the treatment (:meth:`places`).

        The last decision that was made, in the order of the treatment. Taking it back brings no earlier one back, whether or
        not it was said that the earlier one was superseded.
        """
        places = self._places
        made = [e for e in self.present if before is None or places[e.id] < before]
        gone = {e.supersedes for e in made} if before is not None else self._superseded
        taken = [e for e in made if e.canal == canal and e.kind == "decided working length" and e.length_mm is not None]
        corrected = {e.supersedes for e in taken}
        last = max((e for e in taken if e.id not in corrected), key=lambda e: places[e.id], default=None)
        return None if last is None or last.id in gone else last

    def readings(self, canal: str, reference_point: str | None) -> tuple[tuple[Entry, ...], tuple[Entry, ...]]:
        """The standing electronic readings of a canal: those that speak for it as it is now, and those from before.

        A reading belongs to the canal as it was: what shapes the canal or moves the reference point begins a new group, and
        a reading from another reference point than the canal's present one speaks for nothing.
        """
        now: list[Entry] = []
        past: list[Entry] = []
        for entry in self.in_order():
            if entry.canal not in (None, canal):
                continue
            rule = KIND_TABLE.get(entry.kind)
            if rule is not None and (rule.shapes or rule.moves_reference):
                past, now = past + now, []
            elif entry.canal == canal and _is_reading(entry):
                (now if entry.reference_point == reference_point else past).append(entry)
        return tuple(now), tuple(past)

    def before_shaping(self, canal: str, reference_point: str | None) -> tuple[tuple[Entry, ...], bool]:
        """The readings that count from the present reference point but are from before the canal was last shaped, and whether
        it was shaped at all since the point was last moved: such a reading still speaks for the canal, but for a longer one.
        """
        before: list[Entry] = []
        now: list[Entry] = []
        shaped = False
        for entry in self.in_order():
            if entry.canal not in (None, canal):
                continue
            rule = KIND_TABLE.get(entry.kind)
            if rule is not None and rule.moves_reference:
                before, now, shaped = [], [], False
            elif rule is not None and rule.shapes:
                before, now, shaped = before + now, [], True
            elif entry.canal == canal and _is_reading(entry) and entry.reference_point == reference_point:
                now.append(entry)
        return tuple(before), shaped

    def end_changed(self, canal: str) -> bool:
        """Whether the record holds what makes a root's end unlike those that were published: a perforation that was not closed,
        or an old filling taken out.
        """
        standing = self.standing(canal)
        perforations = [entry for entry in standing if entry.kind == "perforation"]
        again = any(entry.kind == "old filling removed" for entry in standing)
        return again or (bool(perforations) and perforations[-1].finding != "closed")


READ_AT = KIND_TABLE["electronic reading"].findings


def _is_reading(entry: Entry) -> bool:
    """Whether an entry is an electronic reading; a stranger's file may hold one that says nothing."""
    return entry.kind == "electronic reading" and entry.length_mm is not None and entry.finding in READ_AT


def heard(entries: Iterable[Entry]) -> ElectronicLength | None:
    """What the electronic readings among the entries say together; None where none of them is a reading.

    The entries are of one canal in one state (:func:`~wlmeasure.decide.electronic.electronic_length`).
    """
    made = [
        ElectronicReading(entry.length_mm, entry.finding, entry.size, entry.conditions)  # type: ignore[arg-type]
        for entry in entries
        if _is_reading(entry)
    ]
    return electronic_length(made) if made else None


def _under_name(entry: Entry, old: str, new: str) -> Entry:
    """The entry where a canal goes by another name; the entry of a renaming itself keeps the name that was."""
    if entry.canal == old:
        entry = evolve(entry, canal=new)
    return evolve(entry, other_canal=new) if entry.other_canal == old and entry.kind != "canal renamed" else entry


def record_of(case: Case) -> tuple[LengthRecord, str | None]:
    """The record of a case, and why it cannot be followed: then it is an empty one, and nothing in it counts."""
    try:
        return LengthRecord(case.entries), None
    except CaseError as error:  # a file from elsewhere; its films can be measured all the same
        return LengthRecord(), str(error)


def _check_quantities(entry: Entry, rule: EntryKind) -> None:
    """Refuse an entry that lacks what its kind needs or holds what its kind has no place for."""
    for name in QUANTITIES:
        value = getattr(entry, name)
        if value in (None, ()) and name in rule.needs:
            raise CaseError(f"{name} must be given for an entry of kind {entry.kind!r}: {rule.words}")
        if value not in (None, ()) and name not in rule.may_hold:
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
    if (entry.length_below_mm is None) != (entry.length_above_mm is None):
        raise CaseError("length_below_mm and length_above_mm must stand together: one of them is missing")
    if entry.distance_std_mm is not None and entry.distance_mm is None:
        raise CaseError("distance_std_mm must stand beside a distance_mm: there is none")
    if entry.size is not None:
        try:
            tip_diameter_mm(entry.size, special=entry.special is True)
        except TradeError as error:
            raise CaseError(f'{error}: write "{entry.size} special"') from None


def in_the_future(entry: Entry, now: str) -> Flag | None:
    """The question about an entry that is dated later than `now`, a clock's time, by more than :data:`CLOCKS_APART`."""
    if entry.at is None or not _before(_time(now, "now") + CLOCKS_APART, _time(entry.at, "at")):
        return None
    return Flag("in-the-future", f"at must not lie in the future: {entry.at}, and it is {now}?")


def _time(text: str, where: str) -> datetime:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        raise CaseError(f"{where} must be a date and time such as 2026-11-25T10:30:00: {text!r}") from None


def _before(one: datetime, other: datetime) -> bool:
    if one.tzinfo is not None and other.tzinfo is not None:
        return one < other
    # A time without a zone is the practice's own; it is compared as it stands.
    return one.replace(tzinfo=None) < other.replace(tzinfo=None)


def measured_entries(
    result: CaseResult,
    record: LengthRecord,
    *,
    at: str,
    by: str,
    program: str,
    canals: Collection[str] | None = None,
) -> LengthRecord:
    """The record with the lengths that were measured on films; a figure that stands already is not entered again.

    Parameters
    ----------
    result
        What :func:`~wlmeasure.record.evaluate.evaluate` returned.
    record
        The record so far.
    at, by, program
        When, by whom and with which version, written into every entry.
    canals
        Of which canals; of all when left out.

    Raises
    ------
    CaseError
        As :meth:`LengthRecord.with_entry`.
    """
    digest = case_digest(result.case)
    for canal in result.canals:
        name = canal.canal.name
        if canals is not None and name not in canals:
            continue
        for figure in _figures(canal, result.spatial):
            standing = [entry for entry in record.standing(name) if figure.matches(entry)]
            if standing and figure.gives(standing[-1]):
                continue
            record = record.with_entry(
                Entry(
                    id=record.next_id(),
                    kind=figure.kind,
                    at=at,
                    by=by,
                    canal=name,
                    reference_point=canal.canal.reference_point,
                    length_mm=figure.length_mm,
                    length_std_mm=figure.std_mm,
                    length_below_mm=figure.below_mm,
                    length_above_mm=figure.above_mm,
                    status=figure.status,
                    film_sha256=figure.film_sha256,
                    other_films_sha256=figure.other_films_sha256,
                    inputs_sha256=digest,
                    program=program,
                    supersedes=standing[-1].id if standing else None,
                ),
                confirmed=QUESTIONS,  # what was measured has its doubts as flags of the measurement
            )
    return record


def decided(
    result: CaseResult,
    canal: str,
    length_mm: float,
    *,
    at: str,
    by: str,
    program: str,
    reason: str | None = None,
    confirmed: Collection[str] = (),
    now: str | None = None,
) -> LengthRecord:
    """The record of a case with a decision on one canal, the film lengths it rests on, and what was proposed at that time.

    Raises
    ------
    CaseError
        No such canal, one without a named reference point, or a question of :meth:`LengthRecord.with_entry`.
    """
    found = next((one for one in result.canals if one.canal.name == canal), None)
    if found is None:
        raise CaseError(f"canal must be one of the case: {canal!r}; add it first")
    if found.canal.reference_point is None:
        raise CaseError(f"reference point of canal {canal} must be named first: a length counts from it")
    record, fault = record_of(result.case)
    if fault is not None:
        raise CaseError(f"record cannot be followed, so nothing is entered in it: {fault}")
    record = measured_entries(result, record, at=at, by=by, program=program, canals=[canal])
    films = [e.id for e in record.standing(canal) if any(f.matches(e) for f in _figures(found, None))]
    working, old = found.working_length, record.decision(canal)
    readings, _ = record.readings(canal, found.canal.reference_point)
    entry = Entry(
        id=record.next_id(),
        kind="decided working length",
        at=at,
        by=by,
        canal=canal,
        reference_point=found.canal.reference_point,
        length_mm=length_mm,
        program=program,
        rests_on=(*films, *(reading.id for reading in readings))[-100:],
        supersedes=None if old is None else old.id,
        proposed=Proposed(status=working.status, length_mm=working.length_mm, length_std_mm=working.std_mm),
        note=reason,
    )
    return record.with_entry(entry, confirmed=confirmed, now=now)


@frozen
class _Figure:
    """One length of one canal that can stand in the record."""

    kind: str
    length_mm: float | None
    std_mm: float | None
    status: str | None
    film_sha256: str | None = None
    other_films_sha256: tuple[str, ...] = ()
    below_mm: float | None = None
    above_mm: float | None = None

    def matches(self, entry: Entry) -> bool:
        """Whether an entry is of the same thing."""
        mine = (self.kind, self.film_sha256, self.other_films_sha256)
        return (entry.kind, entry.film_sha256, entry.other_films_sha256) == mine

    def gives(self, entry: Entry) -> bool:
        """Whether an entry holds the same figure, to the same end.

        How far its interval reaches is not asked: it follows from the same inputs, and entries from before it was kept stand.
        """
        pairs = ((self.length_mm, entry.length_mm), (self.std_mm, entry.length_std_mm))
        near = all(
            (one is None) == (other is None) and (one is None or other is None or abs(one - other) <= SAME_MM)
            for one, other in pairs
        )
        return near and self.status == entry.status


def _figures(canal: CanalResult, spatial: SpatialResult | None) -> list[_Figure]:
    """The lengths that count from the canal's reference point; without it on a film there is none."""
    out = [_on_film(t, t.length) for t in canal.traces if t.length is not None and not t.lacks_reference]
    for one in () if spatial is None else spatial.canals:
        shown = {t.trace.film: t for t in canal.traces}
        films = [shown[film] for film in spatial.films if film in shown] if spatial is not None else []
        if one.name == canal.canal.name and len(films) > 1 and not any(t.lacks_reference for t in films):
            first, *others = (t.film.film.sha256 for t in films)
            end = films[0].trace.apical_end
            out.append(_Figure("length in space", one.length_mm, one.length_std_mm, end, first, tuple(others)))
    return out


def _on_film(trace: TraceResult, length: LengthEstimate) -> _Figure:
    below, above = reach_mm(length.budget) if length.too_long_mm > 0.0 else (None, None)
    return _Figure(
        "film length",
        length.length_mm,
        length.length_std_mm,
        trace.trace.apical_end,
        trace.film.film.sha256,
        below_mm=below,
        above_mm=above,
    )


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
    record, _ = record_of(case)
    for entry in record.standing():
        if entry.inputs_sha256 is None or entry.kind not in ("film length", "length in space"):
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
