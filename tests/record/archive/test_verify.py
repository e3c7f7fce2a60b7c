"""Whoever changes the tables past the program is found, and what cannot be found without a receipt is found with one."""

import pytest
from attrs import evolve
from sqlalchemy import inspect, text

from wlmeasure.errors import ArchiveError
from wlmeasure.record.archive.chain import NOTHING, Receipt, Row, receipt_from_text, sealed
from wlmeasure.record.archive.tables import metadata
from wlmeasure.record.archive.verify import MOST_NAMED, checked, verify

WHO = {"by": "AB", "at": "2026-11-25T10:30:00"}


@pytest.fixture
def filled(archive, case, bare, note):
    """Rows 1-3: bench-1 and its entries e1, e2. Row 4: P-2. 5-6: n1, n2 of P-2. 7: e3 of bench-1. 8: P-2's second revision."""
    first = archive.add(case, **WHO).head
    other = archive.add(bare, **WHO).head
    for name in ("n1", "n2"):
        flagged = note(name, length_mm=21.0, status="caution", extra={"flags": [f"flag-{name}"]})
        other = archive.append("P-2", flagged, on=other, **WHO).head
    archive.append("bench-1", note("e3", note="last"), on=first, **WHO)
    archive.add(evolve(archive.load("P-2").case, tooth="36"), on=other, **WHO)
    assert verify(archive).findings == ()
    return archive


def swap(table, key, one, other, columns):
    """Statements that exchange some columns of two rows."""
    of_other = f"FROM {table} b WHERE b.{key} = CASE WHEN {table}.{key} = {one} THEN {other} ELSE {one} END"
    pairs = ", ".join(f"{c} = (SELECT b.{c} {of_other})" for c in columns)
    return f"UPDATE {table} SET {pairs} WHERE {key} IN ({one}, {other})"


ALL_BUT_PLACE = ("what", "stored_at", "stored_by", "content", "before", "case_before", "sha256")
GONE = "DELETE FROM wl_{} WHERE case_id = 'P-2'"
LAST_ENTRY_OF_BENCH_1 = (
    "UPDATE wl_cases SET rows = 3, entries = 2, entry_seq = 3, "
    "sha256 = (SELECT sha256 FROM wl_journal WHERE seq = 3) WHERE case_id = 'bench-1'"
)
TAMPERINGS = {
    "a length changed": ["UPDATE wl_journal SET content = replace(content, '22.0', '20.0') WHERE seq = 2"],
    "who stored it changed": ["UPDATE wl_journal SET stored_by = 'XY' WHERE seq = 6"],
    "when it was stored changed": ["UPDATE wl_journal SET stored_at = '2025-11-25T10:30:00' WHERE seq = 6"],
    "an old revision changed": ["UPDATE wl_journal SET content = replace(content, '\"46\"', '\"47\"') WHERE seq = 4"],
    "an entry taken out": ["DELETE FROM wl_entries WHERE seq = 5", "DELETE FROM wl_journal WHERE seq = 5"],
    "the first row taken out": ["DELETE FROM wl_journal WHERE seq = 1"],
    "the last row taken out": ["DELETE FROM wl_journal WHERE seq = 8"],
    "the last row of a case taken out, its head put back": [
        *["DELETE FROM wl_entries WHERE seq = 7", "DELETE FROM wl_journal WHERE seq = 7", LAST_ENTRY_OF_BENCH_1],
    ],
    "a whole case taken out": [
        *["DELETE FROM wl_entry_flags", "DELETE FROM wl_films WHERE case_id = 'P-2'", GONE.format("entries")],
        *[GONE.format("journal"), GONE.format("cases")],
    ],
    "two entries of a case exchanged": [swap("wl_journal", "seq", 5, 6, ("content",))],
    "two rows of a case exchanged whole": [swap("wl_journal", "seq", 5, 6, ALL_BUT_PLACE)],
    "entries exchanged between cases": [swap("wl_journal", "seq", 6, 7, ("content",))],
    "rows exchanged between cases": [swap("wl_journal", "seq", 6, 7, ALL_BUT_PLACE)],
    "a row given to another case": [
        "UPDATE wl_journal SET case_id = 'bench-1', case_seq = 5 WHERE seq = 6",
        "UPDATE wl_entries SET case_id = 'bench-1' WHERE seq = 6",
    ],
    "rows in another order": [
        *[f"UPDATE wl_journal SET seq = {a} WHERE seq = {b}" for a, b in ((-5, 5), (-6, 6), (6, -5), (5, -6))],
    ],
    "a row put in": [
        "INSERT INTO wl_journal SELECT 9, case_id, 5, what, stored_at, stored_by, replace(content, 'e3', 'e4'), sha256, "
        "sha256, sha256 FROM wl_journal WHERE seq = 7"
    ],
    "a row stored twice": [
        "INSERT INTO wl_journal SELECT 9, case_id, 5, what, stored_at, stored_by, content, before, case_before, sha256 "
        "FROM wl_journal WHERE seq = 7"
    ],
    "a flag taken out of the search": ["DELETE FROM wl_entry_flags WHERE code = 'flag-n1'"],
    "a film put into the search": ["INSERT INTO wl_films VALUES ('P-2', 'f')"],
    "an entry that nobody stored put into the search": [
        "INSERT INTO wl_entries SELECT 99, case_id, 'e9', kind, canal, day, status, length_mm, NULL FROM wl_entries "
        "WHERE seq = 5"
    ],
    "a case taken out of the list": ["DELETE FROM wl_cases WHERE case_id = 'P-2'"],
    "a case that nobody stored put into the list": [
        "INSERT INTO wl_cases SELECT 'P-3', tooth, rows, sha256, revisions, entries, revision_seq, entry_seq, opened_at, "
        "changed_at FROM wl_cases WHERE case_id = 'P-2'"
    ],
    "the archive's own row taken out": ["DELETE FROM wl_archive"],
    "everything taken out but the archive's own row": [
        *[f"DELETE FROM wl_{name}" for name in ("entry_flags", "films", "entries", "journal", "cases")],
    ],
}


def test_every_tampering_is_found(filled):
    """Each is undone before the next; they are more than the twelve kinds that were asked for."""
    sqlite = filled.place.path is not None
    past_keys = "PRAGMA defer_foreign_keys = ON" if sqlite else "SET LOCAL session_replication_role = replica"
    unfound = []
    with filled.engine.connect() as connection:
        for what, statements in TAMPERINGS.items():
            with connection.begin() as work:
                connection.execute(text(past_keys))
                counts = [connection.execute(text(statement)).rowcount for statement in statements]
                assert all(counts), what  # each statement changed something
                if not checked(connection).findings:
                    unfound.append(what)
                work.rollback()
    assert unfound == []
    assert verify(filled).findings == ()


def test_a_row_changed_with_its_own_hash_made_anew_is_found(filled, sql):
    """The row is sound in itself then, but the next one does not follow it."""
    forge(filled, sql, first=5, last=5)
    findings = verify(filled).findings
    assert findings[0].startswith("row 6 (case P-2, its row 3): does not follow the row before it in the archive")
    assert not any("is not what was stored" in finding for finding in findings)


def test_a_change_of_any_column_of_any_table_is_found(filled, sql):
    """Each column of each table in turn, changed and put back."""
    for table in metadata.sorted_tables:
        with filled.engine.connect() as connection:
            row = connection.execute(text(f"SELECT * FROM {table.name} ORDER BY 1 DESC LIMIT 1")).one()._mapping
        keys = [column.name for column in table.primary_key.columns]
        for column in inspect(filled.engine).get_columns(table.name):
            name, old = column["name"], row[column["name"]]
            if (table.name, name) == ("wl_archive", "id"):
                continue  # can be 1 only
            new = (
                f"'{old}x'"
                if isinstance(old, str)
                else "'x'"
                if old is None and name == "status"
                else f"{(old or 0) + 100}"
            )
            kept = {key: repr(row[key]) for key in keys}
            at, where = (
                "WHERE " + " AND ".join(f"{key} = {values[key]}" for key in keys)
                for values in (kept, kept | {name: new})
            )
            sql(f"UPDATE {table.name} SET {name} = {new} {at}")
            assert verify(filled).findings, (table.name, name)
            sql(f"UPDATE {table.name} SET {name} = {'NULL' if old is None else repr(old)} {where}")
            assert not verify(filled).findings, (table.name, name)


def forge(archive, sql, first, last):
    """Somebody who knows the program: row `first` gets another length, and rows up to `last` new hashes."""
    with archive.engine.connect() as connection:
        archive_id = connection.execute(text("SELECT archive_id FROM wl_archive")).scalar()
        rows = [Row(*row) for row in connection.execute(text("SELECT * FROM wl_journal ORDER BY seq"))]
    before, case_before, statements = NOTHING, {}, []
    for row in rows:
        if first <= row.seq <= last:
            content = row.content.replace("21.0", "19.0") if row.seq == first else row.content
            assert row.seq != first or content != row.content
            row = evolve(row, content=content, before=before, case_before=case_before.get(row.case_id, NOTHING))
            row = evolve(row, sha256=sealed(archive_id, row))
            statements.append(
                f"UPDATE wl_journal SET content = '{content}', before = '{row.before}', case_before = '{row.case_before}', "
                f"sha256 = '{row.sha256}' WHERE seq = {row.seq}"
            )
        before = case_before[row.case_id] = row.sha256
    sql(*statements, f"UPDATE wl_entries SET length_mm = 19.0 WHERE seq = {first}")
    if last >= len(rows):
        heads = [f"UPDATE wl_cases SET sha256 = '{sha}' WHERE case_id = '{name}'" for name, sha in case_before.items()]
        sql(*heads, f"UPDATE wl_archive SET sha256 = '{before}'")


def test_a_chain_made_anew_whole_is_found_by_an_earlier_receipt_alone(filled, sql):
    """The limit of any such chain, said plainly: without a secret or a receipt this cannot be found."""
    receipt = filled.receipt()
    early = Receipt(4, filled.history("P-2")[0].receipt.sha256)
    forge(filled, sql, first=5, last=8)
    assert verify(filled).findings == ()
    assert verify(filled, receipt).findings == ("receipt 8: the row has another hash: rows up to it were made anew",)
    assert verify(filled, early).findings == ()  # the rows up to that receipt are what they were


def test_an_older_copy_put_in_the_place_of_an_archive_is_found_by_a_receipt_alone(archive, case, note):
    older = archive.add(case, **WHO)
    later = Receipt(older.receipt.rows + 1, "a" * 64)  # as it would have been printed after one entry more
    assert verify(archive).findings == ()
    assert verify(archive, older.receipt).findings == ()
    assert verify(archive, later).findings == ("receipt 4: the archive ends at row 3: later rows were cut off",)


def test_what_is_no_case_is_a_finding_not_a_fault(filled, sql):
    for content in (
        "",
        "{",
        "[]",
        "null",
        '"x"',
        "{}",
        '{"schema":"wlmeasure-case/1"}',
        '{"schema":"wlmeasure-case/2"}',
        '{"id":"e1","at":7}',
        "1" * 5000,
    ):
        sql(f"UPDATE wl_journal SET content = '{content}' WHERE seq IN (4, 6)")
        findings = verify(filled).findings
        assert [f for f in findings if f.startswith("row 4") and "is not what was stored" in f]
        assert [f for f in findings if f.startswith("row 6") and "cannot be read" in f]
    sql("UPDATE wl_journal SET what = 'other' WHERE seq = 6")
    assert any("must be a revision or an entry: 'other'" in finding for finding in verify(filled).findings)


def test_a_long_list_of_findings_is_cut(archive, case, note, sql):
    entries = tuple(note(f"x{k}") for k in range(MOST_NAMED + 20))
    archive.add(evolve(case, entries=entries), **WHO)
    sql("UPDATE wl_journal SET stored_by = 'XY'")
    findings = verify(archive).findings
    assert (len(findings), findings[-1]) == (MOST_NAMED + 1, "and 21 more")


def test_a_receipt_typed_from_paper():
    sha256 = "0123456789abcdef" * 4
    assert receipt_from_text(f"8:{sha256}") == Receipt(8, sha256)
    assert receipt_from_text(" 8 : 0123 4567\n89AB cdef ") == Receipt(8, sha256[:16])
    assert receipt_from_text(str(Receipt(12, sha256))) == Receipt(12, sha256)
    for wrong in ("", "8", "8:", f"8:{sha256[:15]}", f"8:{sha256}0", f"x:{sha256}", "8:0123456789abcdeg"):
        with pytest.raises(ArchiveError, match="receipt must be a number, a colon and 16 to 64 hexadecimal digits"):
            receipt_from_text(wrong)


DEEP = "[" * 100_000 + "]" * 100_000
CONTENTS = {
    "a blob as content": (
        "UPDATE wl_journal SET content = x'00ff41' WHERE seq = 2",
        "content must be a text: it is bytes",
    ),
    "bytes that are no text": (
        "UPDATE wl_journal SET stored_by = CAST(x'41ff1b5b324a' AS TEXT) WHERE seq = 2",
        "is not what was stored",
    ),
    "a blob as case": ("UPDATE wl_journal SET case_id = x'00' WHERE seq = 2", "case_id must be a text: it is bytes"),
    "a text as a number": (
        "UPDATE wl_journal SET case_seq = 'two' WHERE seq = 2",
        "case_seq must be a number: it is str",
    ),
    "a number as a text": ("UPDATE wl_journal SET sha256 = x'31' WHERE seq = 2", "sha256 must be a text: it is bytes"),
    "brackets 100 000 deep": (f"UPDATE wl_journal SET content = '{DEEP}' WHERE seq = 2", "nested too deeply"),
    "no JSON": ("UPDATE wl_journal SET content = '{\"a\":' WHERE seq = 2", "content must be JSON"),
    "JSON of something else": ("UPDATE wl_journal SET content = '[1]' WHERE seq = 2", "cannot be read"),
    "a number of 5000 digits": (f"UPDATE wl_journal SET content = '{'9' * 5000}' WHERE seq = 2", "cannot be read"),
    "an escape code": ("UPDATE wl_journal SET what = 'x\x1b[2J\x07' WHERE seq = 2", "must be a revision or an entry"),
}


@pytest.mark.parametrize(("statement", "words"), CONTENTS.values(), ids=CONTENTS)
def test_whatever_stands_in_a_row_it_is_named(filled, backend, sql, statement, words):
    if backend == "postgresql" and ("x'" in statement or "'two'" in statement):
        pytest.skip("its columns take no other kind")
    sql(statement)
    findings = verify(filled).findings
    assert any(finding.startswith("row 2 (case ") for finding in findings), findings
    assert any(words in finding for finding in findings), findings
    assert all(finding.isprintable() for finding in findings)
    with pytest.raises(ArchiveError, match="verify"):
        filled.load("bench-1")


ODD_TABLES = {
    "a blob in the list of cases": "UPDATE wl_cases SET case_id = x'00' WHERE case_id = 'P-2'",
    "a text as a count": "UPDATE wl_cases SET rows = 'many' WHERE case_id = 'P-2'",
    "a blob as a flag": "UPDATE wl_entry_flags SET code = x'00' WHERE code = 'flag-n1'",
    "a blob as a film": "UPDATE wl_films SET sha256 = CAST(sha256 AS BLOB) WHERE rowid = 1",
    "a text as a length": "UPDATE wl_entries SET length_mm = 'long' WHERE seq = 5",
    "a text as the end": "UPDATE wl_archive SET rows = 'eight'",
    "a blob as the archive's name": "UPDATE wl_archive SET archive_id = x'00'",
}


@pytest.mark.parametrize("statement", ODD_TABLES.values(), ids=ODD_TABLES)
def test_whatever_stands_in_the_other_tables_it_is_named(filled, backend, sql, statement, capsys):
    if backend == "postgresql":
        pytest.skip("its columns take no other kind")
    sql(statement)
    assert verify(filled).findings
    from wlmeasure.cli import main

    for word in ("verify", "list"):
        assert main(["record", word, "--archive", str(filled.place.path)]) in (0, 1)
        assert "fault of the program" not in capsys.readouterr().err


SCHEMA = {
    "trigger": (
        ["CREATE TRIGGER shorter AFTER INSERT ON wl_entries BEGIN UPDATE wl_entries SET length_mm = 1; END"],
        [
            "CREATE FUNCTION f() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NEW; END'",
            "CREATE TRIGGER shorter BEFORE INSERT ON wl_entries FOR EACH ROW EXECUTE FUNCTION f()",
        ],
        "trigger 'shorter' on wl_entries",
    ),
    "view": (["CREATE VIEW wl_shown AS SELECT 1 AS a"], None, "view 'wl_shown'"),
    "column": (["ALTER TABLE wl_cases ADD COLUMN note TEXT"], None, "column 'note' of wl_cases"),
    "table": (["CREATE TABLE wl_more (a INTEGER)"], None, "table 'wl_more'"),
    "table of another name": (["CREATE TABLE more (a INTEGER)"], [], "table 'more'"),
    "a table gone": (["DROP TABLE wl_entry_flags"], None, "table 'wl_entry_flags' of the archive is missing"),
}


@pytest.mark.parametrize(("sqlite", "postgresql", "words"), SCHEMA.values(), ids=SCHEMA)
def test_what_was_added_to_the_tables_is_found(filled, backend, sql, sqlite, postgresql, words):
    statements = sqlite if backend == "sqlite" or postgresql is None else postgresql
    if not statements:
        pytest.skip("a PostgreSQL database may be shared with other programs")
    sql(*statements)
    findings = verify(filled).findings
    assert any(words in finding for finding in findings), findings


def test_no_escape_code_reaches_the_terminal(filled, backend, sql, capsys):
    from wlmeasure.cli import main

    if backend == "postgresql":
        pytest.skip("the words are the same")
    sql(
        "UPDATE wl_cases SET case_id = 'x\x1b[2J' WHERE case_id = 'P-2'",
        "UPDATE wl_journal SET stored_by = 'y\x1b]0;\x07'",
    )
    for words in (["list"], ["verify"], ["history", "bench-1"], ["show", "bench-1"]):
        main(["record", *words, "--archive", str(filled.place.path)])
        said = capsys.readouterr()
        assert all(line.isprintable() for line in (said.out + said.err).splitlines()), words
