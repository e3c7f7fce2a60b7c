"""Is an archive what was stored? Every row of the journal, both chains, and every table that follows from them.

One pass over the journal in the order of its rows, all at one moment. What such a check finds and what it cannot is said in
`chain`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from attrs import define, evolve, field, frozen
from sqlalchemy import Connection, Table, select

from wlmeasure.errors import CaseError, one_line
from wlmeasure.record.archive.archive import Archive
from wlmeasure.record.archive.chain import ENTRY, NOTHING, REVISION, Receipt, Row, ill_typed, parsed, sealed
from wlmeasure.record.archive.place import transaction
from wlmeasure.record.archive.rows import entry_columns, entry_from_content, flag_codes
from wlmeasure.record.archive.schema_check import schema_findings
from wlmeasure.record.archive.tables import archives, cases, entries, entry_flags, films, journal
from wlmeasure.record.case import case_from_json
from wlmeasure.record.record import LengthRecord

__all__ = ["Verdict", "checked", "verify"]

AT_ONCE = 200  # rows fetched together: a revision may have a megabyte
MOST_NAMED = 100  # findings told one by one; one fault may show in many rows (our parameter)


@frozen
class Verdict:
    """What `verify` found: nothing, if the archive is what was stored. `receipt` is for the next time, kept elsewhere."""

    findings: tuple[str, ...]
    receipt: Receipt
    cases: int
    entries: int
    revisions: int


def verify(archive: Archive, receipt: Receipt | None = None) -> Verdict:
    """Check a whole archive.

    Parameters
    ----------
    archive
        The archive.
    receipt
        An earlier receipt, kept outside: the row it names must still have that hash.

    Raises
    ------
    ArchiveError
        The database cannot be read.
    """
    with transaction(archive.engine, archive.place, write=False) as connection:
        return checked(connection, receipt)


def checked(connection: Connection, receipt: Receipt | None = None) -> Verdict:
    """The same on a connection, in the transaction that it is in."""
    of_schema = list(schema_findings(connection))
    if any(finding.endswith("is missing") and "index" not in finding for finding in of_schema):
        of_schema.append("schema: without that nothing else can be checked")
        return Verdict(tuple(map(one_line, of_schema)), Receipt(0, NOTHING), 0, 0, 0)
    own = connection.execute(select(archives)).all()
    check = _Check(str(own[0].archive_id) if own else "")
    for finding in of_schema:
        check.say(finding)
    if len(own) != 1:
        check.say(f"archive: must have one row of its own: it has {len(own)}")
    for row in _journal(connection):
        check.row(row)
        if receipt is not None and row.seq == receipt.rows and not str(row.sha256).startswith(receipt.sha256):
            check.say(f"receipt {receipt.rows}: the row has another hash: rows up to it were made anew")
    if receipt is not None and receipt.rows > check.last.rows:
        check.say(f"receipt {receipt.rows}: the archive ends at row {check.last.rows}: later rows were cut off")
    for ends in own:
        if (ends.rows, ends.sha256) != (check.last.rows, check.last.sha256):
            check.say(f"archive: must end at row {ends.rows}: the journal ends at row {check.last.rows} or otherwise")
    check.tables(connection)
    named = check.findings[:MOST_NAMED]
    if len(check.findings) > MOST_NAMED:
        named.append(f"and {len(check.findings) - MOST_NAMED} more")
    found = check.cases.values()
    return Verdict(
        tuple(named),
        check.last,
        len(found),
        sum(case.entries for case in found),
        sum(case.revisions for case in found),
    )


def _journal(connection: Connection) -> Iterator[Row]:
    last = None
    while True:
        query = select(journal).order_by(journal.c.seq).limit(AT_ONCE)
        rows = connection.execute(query if last is None else query.where(journal.c.seq > last)).all()
        for row in rows:
            yield Row(*row)
        if not rows:
            return
        last = rows[-1].seq


@define
class _CaseSoFar:
    """One case as the journal gives it, up to some row; the members that `wl_cases` has go by its names."""

    tooth: str = ""
    rows: int = 0
    sha256: str = NOTHING
    revisions: int = 0
    entries: int = 0
    revision_seq: int = 0
    entry_seq: int | None = None
    opened_at: str = ""
    changed_at: str = ""
    films: frozenset[str] = frozenset()
    ids: dict[str, int] = field(factory=dict)


def _short(value: object, most: int = 90) -> str:
    """Whatever stands in a column, as part of one line."""
    text = value if isinstance(value, str) else str(value) if isinstance(value, Exception | int) else repr(value)
    text = one_line(text)
    return text if len(text) <= most else text[: most - 3] + "..."


class _Check:
    def __init__(self, archive_id: str) -> None:
        self.archive_id = archive_id
        self.findings: list[str] = []
        self.last = Receipt(0, NOTHING)
        self.cases: dict[str, _CaseSoFar] = {}
        self.columns: dict[int, dict[str, Any]] = {}
        self.flags: set[tuple[int, str]] = set()

    def say(self, what: str) -> None:
        self.findings.append(one_line(what))

    def row(self, row: Row) -> None:
        """The next row of the journal."""
        where = f"row {row.seq} (case {_short(row.case_id)}, its row {_short(row.case_seq)})"
        for name in ill_typed(row):
            kind = "a number" if name == "case_seq" else "a text"
            self.say(f"{where}: {name} must be {kind}: it is {type(getattr(row, name)).__name__}")
            stand_in: Any = 0 if name == "case_seq" else ""
            row = evolve(row, **{name: stand_in})
        if row.seq != self.last.rows + 1:
            self.say(f"{where}: rows {self.last.rows + 1} to {row.seq - 1} are missing before it")
        elif row.before != self.last.sha256:
            self.say(f"{where}: does not follow the row before it in the archive")
        if row.sha256 != sealed(self.archive_id, row):
            self.say(f"{where}: is not what was stored")
        case = self.cases.setdefault(row.case_id, _CaseSoFar(opened_at=row.stored_at))
        if (row.case_seq, row.case_before) != (case.rows + 1, case.sha256):
            self.say(
                f"{where}: does not follow row {case.rows} of its case: rows are missing, moved or of another case"
            )
        self.last = Receipt(row.seq, row.sha256)
        case.rows, case.sha256, case.changed_at = row.case_seq, row.sha256, row.stored_at
        try:
            if row.what == REVISION:
                self._revision(row, case)
            elif row.what == ENTRY:
                self._entry(row, case)
            else:
                self.say(f"{where}: must be a revision or an entry: {row.what!r}")
        except (
            ValueError,
            LookupError,
            TypeError,
            AttributeError,
            RecursionError,
        ) as error:  # whatever stands there now
            self.say(f"{where}: cannot be read: {_short(error, 200)}")

    def _revision(self, row: Row, case: _CaseSoFar) -> None:
        case.revisions, case.revision_seq = case.revisions + 1, row.seq
        stored = case_from_json(parsed(row.content))
        case.tooth, case.films = stored.tooth, frozenset(film.sha256 for film in stored.films)
        if stored.case_id != row.case_id:
            raise CaseError(f"case_id is {stored.case_id!r}")

    def _entry(self, row: Row, case: _CaseSoFar) -> None:
        case.entries, case.entry_seq = case.entries + 1, row.seq
        entry = entry_from_content(row.content)
        columns = entry_columns(row)
        self.columns[row.seq] = columns
        self.flags |= {(row.seq, code) for code in flag_codes(parsed(row.content))}
        if entry.id in case.ids:
            raise CaseError(f"entry {entry.id} stands twice")
        if entry.supersedes is not None:
            self.columns[case.ids[entry.supersedes]]["superseded_by"] = row.seq
        if entry.before is not None and entry.before not in case.ids:
            raise CaseError(f"before must name an earlier entry: {entry.before!r}")
        case.ids[entry.id] = row.seq
        LengthRecord((evolve(entry, supersedes=None, before=None),))  # its time

    def tables(self, connection: Connection) -> None:
        """Every table that follows from the journal."""
        names = [column.name for column in cases.columns if column.name != "case_id"]
        made = {i: {name: getattr(case, name) for name in names} for i, case in self.cases.items()}
        stored = {
            row.case_id: {name: getattr(row, name) for name in names} for row in connection.execute(select(cases))
        }
        for case_id in sorted(made.keys() | stored.keys(), key=repr):
            if case_id not in made:
                self.say(f"case {_short(case_id)}: has no row in the journal: its rows are missing")
            elif case_id not in stored:
                self.say(f"case {_short(case_id)}: is missing from the list of cases")
            elif wrong := [name for name in names if made[case_id][name] != stored[case_id][name]]:
                self.say(
                    f"case {_short(case_id)}: {', '.join(wrong)} in the list of cases must be what the journal gives"
                )
        found = {row.seq: dict(row._mapping) for row in connection.execute(select(entries))}
        for seq in sorted(self.columns.keys() | found.keys()):
            if self.columns.get(seq) != found.get(seq):
                self.say(f"row {seq}: what is searched for of the entry must be what the journal gives")
        self._same(connection, entry_flags, self.flags)
        self._same(connection, films, {(i, sha256) for i, case in self.cases.items() for sha256 in case.films})

    def _same(self, connection: Connection, table: Table, made: set[Any]) -> None:
        for key in sorted(made ^ {tuple(row) for row in connection.execute(select(table))}, key=repr):
            self.say(f"{table.name}: {_short(key)} must be what the journal gives")
