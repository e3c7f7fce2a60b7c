"""The archive of length records: cases with every revision of their content and every entry, never edited.

An archive holds no patient names: a case goes by the practice's own id. Writers do not wait for each other's screens: who
stores says which state of the case it was made from, and where the case has moved on meanwhile nothing is stored and the
caller is told (optimistic concurrency). Every row is chained to the one before (`chain`), and what is read is checked
against its own hash.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from types import TracebackType
from typing import Any

from attrs import asdict, evolve
from sqlalchemy import Connection, Engine, bindparam, delete, insert, select, update
from sqlalchemy import case as choose

from wlmeasure.errors import ArchiveConflictError, ArchiveError, CaseError, QuestionError
from wlmeasure.record import version1
from wlmeasure.record.archive.answers import Added, CaseLine, Search, Step, Stored
from wlmeasure.record.archive.chain import ENTRY, REVISION, Receipt, Row, canonical, is_sound, parsed
from wlmeasure.record.archive.place import Place, opened, place_of, transaction
from wlmeasure.record.archive.rows import Head, Tail, entry_from_content, entry_json
from wlmeasure.record.archive.tables import archives, cases, entries, entry_flags, films, journal
from wlmeasure.record.case import TIME, Case, Entry, case_from_json, case_to_json
from wlmeasure.record.members import Text
from wlmeasure.record.record import LengthRecord, in_the_future

__all__ = ["Archive", "identified", "open_archive", "recorded"]

MOST_TRIES = 100  # how often an entry is made anew because others were quicker (our parameter)


def open_archive(archive: str | None = None, *, create: bool = False) -> Archive:
    """The archive at that address (:func:`~wlmeasure.record.archive.place.place_of`); use it in a ``with`` block.

    Raises
    ------
    ArchiveError
        Not an archive, none there and `create` is false, of a newer version, or out of reach.
    """
    place = place_of(archive)
    return Archive(opened(place, create=create), place)


class Archive:
    """An open archive; may be used from several threads."""

    def __init__(self, engine: Engine, place: Place) -> None:
        self.engine = engine
        self.place = place

    def __enter__(self) -> Archive:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give back the connections."""
        self.engine.dispose()

    def add(self, case: Case, *, by: str, at: str, on: Head | None = None, confirmed: Collection[str] = ()) -> Added:
        """Store a case: a new one, or a new revision and the entries that the archive does not have yet.

        Parameters
        ----------
        case
            The case with its entries; must have a case_id.
        by, at
            Who stores, and when; a time such as 2026-11-25T10:30:00.
        on
            The state that the case was made from. Not needed for a new case, nor where only entries are new and all that
            the archive has are there.
        confirmed
            Codes of questions about the new entries, answered with yes.

        Raises
        ------
        QuestionError
            An entry dated later than `at`, the clock of who stores, that nobody has confirmed.
        ArchiveConflictError
            The case has changed since `on`, or `on` is needed.
        ArchiveError
            No case_id, or a new one with blanks around it; an entry that the archive has otherwise; the database cannot be
            written.
        CaseError
            Entries that are no length record.
        """
        case_id = _case_id(case)
        content = _content(case)
        _stamp(by, at)
        with transaction(self.engine, self.place, write=True) as connection:
            tail = _tail(connection, case_id)
            if tail.was.rows == 0:
                if on is not None:
                    raise ArchiveConflictError(f"case {case_id} is not in this archive; nothing was stored")
                if case_id != case_id.strip():
                    raise ArchiveError(f"case_id must not begin or end with a blank, which nobody sees: {case_id!r}")
                held, stored, old = None, frozenset[str](), False
            else:
                held, stored, old = _standing(connection, tail)
                _must_be_on(tail, on)
            known = () if held is None else held.entries
            kept = tuple(entry for entry in known if entry.id in stored)
            # What version 1 held in canals has ids of this reading alone: a later file of version 1 counts them otherwise.
            unsaid = [entry for entry in known if entry.id not in stored]
            fresh = _new_entries(case.entries, kept)
            same = held is not None and _content(held) == content
            told = [_without_place(entry) for entry in case.entries]
            lost = {entry.id for entry in unsaid if _without_place(entry) not in told}
            missing = lost | ({entry.id for entry in kept} - {entry.id for entry in case.entries})
            if on is None and held is not None and (missing or not same):
                why = (
                    f"has entries {', '.join(sorted(missing)[:5])}, this has not" if missing else "its content differs"
                )
                raise ArchiveConflictError(
                    f"case {case_id} is in the archive already, at row {tail.was.rows}, and {why}: look at it and say that "
                    "this was made from it; nothing was stored"
                )
            LengthRecord((*kept, *fresh))  # judged whole: times, ids, what supersedes what
            revise = not same or (old and (bool(lost) or any(entry not in unsaid for entry in fresh)))
            new = fresh if revise or not old else []
            _ask_about_time(new, at, confirmed)
            if revise:
                tail.push_revision(content, at, by)
            places = _places(connection, case_id, [entry.supersedes for entry in new])
            for entry in new:
                tail.push_entry(entry, at, by, places)
            _write(connection, tail, case if revise else None)
            return _added(tail, revise, new)

    def append(self, case_id: str, entry: Entry, *, by: str, at: str, on: Head) -> Added:
        """Store one entry more; its cost does not grow with the case.

        A case of version 1 becomes one of version 2 with it: what that version held in its canals is stored as entries.

        Raises
        ------
        ArchiveConflictError
            The case has changed since `on`.
        ArchiveError
            No such case, or the database cannot be written.
        QuestionError
            An entry dated later than `at` whose `confirmed` does not say that this is right.
        CaseError
            An entry that does not fit behind the others: its time, its id, what it supersedes or belongs before.
        """
        _stamp(by, at)
        with transaction(self.engine, self.place, write=True) as connection:
            tail = _tail(connection, case_id)
            if tail.was.rows == 0:
                raise ArchiveError(f"case {case_id} is not in this archive; nothing was stored")
            _must_be_on(tail, on)
            new, upgraded = [entry], None
            if _of_version_1(connection, tail):
                upgraded, stored, _ = _standing(connection, tail)
                new = [one for one in (*upgraded.entries, entry) if one.id not in stored]
                LengthRecord((*upgraded.entries, entry))
                tail.push_revision(_content(upgraded), at, by)
            named = [name for one in new for name in (one.id, one.supersedes, one.before)]
            places = _places(connection, case_id, named)
            if entry.id in places:
                raise CaseError(f"id must be used once: {entry.id!r} is in case {case_id} already; nothing was stored")
            if upgraded is None:
                # The rules of the record, judged on the only entries that they can concern: those that it names.
                rows = _rows(connection, journal.c.seq.in_(sorted(places.values())))
                before = [entry_from_content(_sound(row, tail.archive_id).content) for row in rows]
                LengthRecord((*(evolve(old, supersedes=None, before=None) for old in before), entry))
            _ask_about_time([entry], at, ())
            for one in new:
                tail.push_entry(one, at, by, places)
            _write(connection, tail, upgraded)
            return _added(tail, upgraded is not None, new)

    def load(self, case_id: str, revision: int | None = None) -> Stored:
        """A case with its entries: as it stands, or as it was before revision `revision` + 1 came.

        Raises
        ------
        ArchiveError
            No such case or revision; a row that is not what was stored.
        """
        with transaction(self.engine, self.place, write=False) as connection:
            tail = _tail(connection, case_id)
            if tail.was.rows == 0:
                raise ArchiveError(f"case must be one of the archive: {case_id!r}; `wlmeasure record list` shows them")
            is_revision = (journal.c.case_id == case_id) & (journal.c.what == REVISION)
            starts = list(
                connection.execute(select(journal.c.case_seq).where(is_revision).order_by(journal.c.case_seq)).scalars()
            )
            number = tail.revisions if revision is None else revision
            if not 1 <= number <= tail.revisions:
                raise ArchiveError(f"revision must be 1 to {tail.revisions} for case {case_id}: {number}")
            if len(starts) != tail.revisions:
                raise _lacking(case_id)
            until = tail.head.rows if number == tail.revisions else starts[number] - 1
            found = _rows(connection, is_revision, journal.c.case_seq == starts[number - 1])
            stored = _rows(
                connection, journal.c.case_id == case_id, journal.c.what == ENTRY, journal.c.case_seq <= until
            )
        for row in (*found, *stored):
            _sound(row, tail.archive_id)
        if until == tail.head.rows:
            last = max((*found, *stored), key=lambda row: row.case_seq)
            if len(stored) != tail.entries or Head(case_id, last.case_seq, last.sha256) != tail.head:
                raise _lacking(case_id)
        data = parsed(found[0].content)
        if stored:
            data["entries"] = [parsed(row.content) for row in stored]
        return Stored(case_from_json(data, name=f"case {case_id}"), tail.head, number, tail.changed_at)

    def history(self, case_id: str) -> tuple[Step, ...]:
        """Every row of a case, oldest first.

        Raises
        ------
        ArchiveError
            No such case; an entry that is not what was stored.
        """
        # The content of revisions may have megabytes, and is not shown here.
        content = choose((journal.c.what == ENTRY, journal.c.content), else_="")
        columns = [content if column.name == "content" else column for column in journal.columns]
        of_case = select(*columns).where(journal.c.case_id == case_id).order_by(journal.c.case_seq)
        with transaction(self.engine, self.place, write=False) as connection:
            archive_id = _tail(connection, case_id).archive_id
            rows = [Row(*found) for found in connection.execute(of_case)]
        if not rows:
            raise ArchiveError(f"case must be one of the archive: {case_id!r}; `wlmeasure record list` shows them")
        return tuple(
            Step(
                number=row.case_seq,
                what=row.what,
                stored_at=row.stored_at,
                stored_by=row.stored_by,
                receipt=Receipt(row.seq, row.sha256),
                entry=entry_from_content(_sound(row, archive_id).content) if row.what == ENTRY else None,
            )
            for row in rows
        )

    def cases(self, search: Search | None = None) -> tuple[CaseLine, ...]:
        """The cases of a search, by their id."""
        search = Search() if search is None else search
        c, e = cases.c, entries.c
        wanted = select(c.case_id, c.tooth, c.revisions, c.entries, c.rows, c.opened_at, c.changed_at).order_by(
            c.case_id
        )
        if search.tooth is not None:
            wanted = wanted.where(c.tooth == search.tooth)
        if search.film is not None:
            wanted = wanted.where(c.case_id.in_(select(films.c.case_id).where(films.c.sha256 == search.film)))
        of_entry = [
            *([e.status == search.status] if search.status is not None else []),
            *([e.kind == search.kind] if search.kind is not None else []),
            *([e.day >= search.since] if search.since is not None else []),
            *([e.day <= search.until] if search.until is not None else []),
        ]
        if search.flag is not None:
            of_entry.append(e.seq.in_(select(entry_flags.c.seq).where(entry_flags.c.code == search.flag)))
        if of_entry:
            wanted = wanted.where(c.case_id.in_(select(e.case_id).where(e.superseded_by.is_(None), *of_entry)))
        if search.most is not None:
            wanted = wanted.limit(search.most)
        with transaction(self.engine, self.place, write=False) as connection:
            return tuple(CaseLine(*found) for found in connection.execute(wanted))

    def head(self, case_id: str, row: int | None = None) -> Head:
        """The state of a case, without reading it; with `row`, only if it still is at that row.

        Raises
        ------
        ArchiveConflictError
            The case has changed since.
        ArchiveError
            No such case.
        """
        with transaction(self.engine, self.place, write=False) as connection:
            tail = _tail(connection, case_id)
        if row is not None:
            _must_be_on(tail, Head(case_id, row, tail.was.sha256))
        if tail.was.rows == 0:
            raise ArchiveError(f"case must be one of the archive: {case_id!r}; `wlmeasure record list` shows them")
        return tail.was

    def receipt(self) -> Receipt:
        """How many rows the archive has, and the hash of the last one."""
        with transaction(self.engine, self.place, write=False) as connection:
            found = connection.execute(select(archives.c.rows, archives.c.sha256)).one()
        return Receipt(found.rows, found.sha256)


def recorded(
    archive: Archive, case_id: str, make: Callable[[Stored], Entry], *, by: str, at: str, tries: int = MOST_TRIES
) -> Added:
    """Append an entry made from the case as it stands, made anew as often as somebody else was quicker.

    Only for entries that hold whatever came in between, such as a note or a reading: a decision is for a person to repeat.

    Raises
    ------
    ArchiveConflictError
        Somebody was quicker `tries` times.
    """
    for left in reversed(range(tries)):
        stored = archive.load(case_id)
        try:
            return archive.append(case_id, make(stored), by=by, at=at, on=stored.head)
        except ArchiveConflictError:
            if not left:
                raise
    raise ArchiveError(f"tries must be >= 1: {tries}")


def identified(case: Case, case_id: str | None) -> Case:
    """The case under an id, where it has none.

    Raises
    ------
    CaseError
        It has another one.
    """
    if case_id is None or case.case_id == case_id:
        return case
    if case.case_id is not None:
        raise CaseError(f"case_id must be {case.case_id!r}, which the case has already: {case_id!r}")
    return evolve(case, case_id=case_id)


def _case_id(case: Case) -> str:
    if case.case_id is None:
        raise ArchiveError("case_id must be given: the archive knows a case by the practice's own id, never by a name")
    return case.case_id


def _stamp(by: str, at: str) -> None:
    Text(longest=80).read(by, "by")
    TIME.read(at, "at")


def _ask_about_time(new: Iterable[Entry], at: str, confirmed: Collection[str]) -> None:
    """A wrong clock orders nothing here, the chain does; but who dates an entry in the future has mostly mistyped."""
    for entry in new:
        asked = in_the_future(entry, at)
        if asked is not None and asked.code not in (*confirmed, *entry.confirmed):
            raise QuestionError(f"entry {entry.id}: {asked.text}", (asked.code,))


def _content(case: Case) -> str:
    data = case_to_json(case)
    data.pop("entries", None)
    return canonical(data)


def _must_be_on(tail: Tail, on: Head | None) -> None:
    if on is not None and on != tail.head:
        raise ArchiveConflictError(
            f"case {tail.head.case_id} has changed since you opened it: it was at row {on.rows}, it is at row "
            f"{tail.head.rows} (stored {tail.changed_at}); nothing was stored; read it again and repeat the change"
        )


def _new_entries(given: Sequence[Entry], known: Sequence[Entry]) -> list[Entry]:
    stored = {entry.id: entry for entry in known}
    for entry in given:
        if entry.id in stored and entry_json(stored[entry.id]) != entry_json(entry):
            raise ArchiveConflictError(
                f"entry {entry.id} stands otherwise in the archive: an entry is never edited, a later one supersedes it; "
                "nothing was stored"
            )
    return [entry for entry in given if entry.id not in stored]


def _without_place(entry: Entry) -> Entry:
    """What an entry says, without what counts it."""
    return evolve(entry, id="-", before=None)


def _tail(connection: Connection, case_id: str) -> Tail:
    """The ends of both chains. A writer holds the archive's row from here on, so that all rows have one order."""
    locked = select(archives)
    if connection.get_execution_options().get("wl_write"):
        locked = locked.with_for_update()
    archive = connection.execute(locked).first()
    if archive is None:
        raise ArchiveError("archive lacks its own row: run `wlmeasure record verify`, or take the last backup")
    found = connection.execute(select(cases).where(cases.c.case_id == case_id)).first()
    for ends in (archive, found):
        if ends is not None and not (isinstance(ends.rows, int) and isinstance(ends.sha256, str)):
            raise ArchiveError("archive's ends are not what was stored: run `wlmeasure record verify`")
    return Tail.of(archive, case_id, found)


def _rows(connection: Connection, *conditions: Any) -> list[Row]:
    return [Row(*found) for found in connection.execute(select(journal).where(*conditions).order_by(journal.c.seq))]


def _sound(row: Row, archive_id: str) -> Row:
    """The row, if it is what was stored."""
    if not is_sound(archive_id, row):
        raise ArchiveError(
            f"case {row.case_id}: row {row.case_seq} ({row.what}) is not what was stored: run `wlmeasure record verify`"
        )
    return row


def _lacking(case_id: str) -> ArchiveError:
    return ArchiveError(f"case {case_id} lacks rows that were stored: run `wlmeasure record verify`")


def _of_version_1(connection: Connection, tail: Tail) -> bool:
    """Whether the last revision of a case was stored as version 1 has it; the database looks, so that nothing is read."""
    mark = f'"schema":"{version1.SCHEMA}"'
    query = select(journal.c.seq).where(
        journal.c.seq == tail.revision_seq, journal.c.content.contains(mark, autoescape=True)
    )
    return connection.execute(query).first() is not None


def _standing(connection: Connection, tail: Tail) -> tuple[Case, frozenset[str], bool]:
    """The case as it stands, the ids of its stored entries, and whether its last revision is of version 1.

    Entries that are not among the stored ones are what version 1 held in its canals.
    """
    wanted = (journal.c.seq == tail.revision_seq) | (
        (journal.c.case_id == tail.head.case_id) & (journal.c.what == ENTRY)
    )
    rows = [_sound(row, tail.archive_id) for row in _rows(connection, wanted)]
    data: dict[str, Any] = next((parsed(row.content) for row in rows if row.what == REVISION), {})
    entries = [parsed(row.content) for row in rows if row.what == ENTRY]
    case = case_from_json(data | ({"entries": entries} if entries else {}), name=f"case {tail.head.case_id}")
    return case, frozenset(entry["id"] for entry in entries), data.get("schema") == version1.SCHEMA


def _places(connection: Connection, case_id: str, ids: Iterable[str | None]) -> dict[str, int]:
    """The row of each of those entries that the case has."""
    wanted = {i for i in ids if i is not None}
    if not wanted:
        return {}
    c = entries.c
    query = select(c.entry_id, c.seq).where(c.case_id == case_id, c.entry_id.in_(bindparam("ids", expanding=True)))
    return {found.entry_id: found.seq for found in connection.execute(query, {"ids": sorted(wanted)})}


def _write(connection: Connection, tail: Tail, revised: Case | None) -> None:
    """Put the new rows of `tail` into the tables; `revised` is the case where its content is new."""
    if not tail.new:
        return
    connection.execute(insert(journal), [asdict(row) for row in tail.new])
    case_id, values = tail.head.case_id, tail.case_values()
    if revised is not None:
        values["tooth"] = revised.tooth
    if tail.was.rows == 0:
        connection.execute(insert(cases).values(case_id=case_id, opened_at=tail.changed_at, **values))
    else:
        connection.execute(update(cases).where(cases.c.case_id == case_id).values(**values))
    if revised is not None:
        connection.execute(delete(films).where(films.c.case_id == case_id))
        hashes = sorted({film.sha256 for film in revised.films})
        connection.execute(insert(films), [{"case_id": case_id, "sha256": sha256} for sha256 in hashes])
    if tail.new_entries:
        connection.execute(insert(entries), tail.new_entries)
    if tail.new_flags:
        connection.execute(insert(entry_flags), tail.new_flags)
    for old, new in tail.superseded.items():
        connection.execute(update(entries).where(entries.c.seq == old).values(superseded_by=new))
    connection.execute(update(archives).values(rows=tail.rows, sha256=tail.sha256))


def _added(tail: Tail, new_revision: bool, new: Sequence[Entry]) -> Added:
    ids = tuple(entry.id for entry in new)
    return Added(tail.head, tail.revisions, new_revision, ids, Receipt(tail.rows, tail.sha256))
