"""Tables of an older version are brought up to date with every value kept, whole or not at all; newer ones are left alone.

There is one version so far. The next one is played: migrations that stand in this test follow the real ones.
"""

import copy
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from attrs import evolve
from sqlalchemy import text

from wlmeasure.errors import ArchiveConflictError, ArchiveError, CaseError
from wlmeasure.record.archive import place as place_module
from wlmeasure.record.archive.answers import Search
from wlmeasure.record.archive.archive import open_archive
from wlmeasure.record.archive.tables import VERSION_TABLE, metadata
from wlmeasure.record.archive.verify import verify
from wlmeasure.record.case import Entry, case_from_json, case_to_json, load_case
from wlmeasure.record.record import LengthRecord

REFERENCES = Path(__file__).resolve().parents[2] / "references"
WHO = {"by": "AB", "at": "2026-12-05T10:30:00"}
TABLES = ("wl_archive", "wl_journal", "wl_cases", "wl_entries", "wl_entry_flags", "wl_films")
NEXT = """
import sqlalchemy as sa
from alembic import op

revision, down_revision, branch_labels, depends_on = "9001", "{newest}", None, None


def upgrade():
    op.add_column("wl_cases", sa.Column("chair", sa.Text))
    op.execute("UPDATE wl_cases SET chair = 'first'")
    op.create_table("wl_later", sa.Column("id", sa.Integer, primary_key=True))
    {then}
"""


@pytest.fixture
def next_version(tmp_path, monkeypatch):
    """This program as it may be one day, with a migration more."""

    def next_version(then="pass"):
        (tmp_path / "versions").mkdir(exist_ok=True)
        newest = place_module.NEWEST if place_module.NEWEST != "9001" else "0001"
        (tmp_path / "versions" / "r9001_next.py").write_text(NEXT.format(newest=newest, then=then))
        folders = (place_module.MIGRATIONS / "versions", tmp_path / "versions")
        monkeypatch.setattr(place_module, "VERSION_FOLDERS", folders)
        monkeypatch.setattr(place_module, "NEWEST", "9001")

    return next_version


def content(address):
    """Every value of every table."""
    engine = place_module._engine(place_module.place_of(address))
    try:
        with engine.connect() as connection:
            return {
                name: [dict(row._mapping) for row in connection.execute(text(f"SELECT * FROM {name} ORDER BY 1, 2"))]
                for name in (*TABLES, VERSION_TABLE)
                if name != VERSION_TABLE
            } | {VERSION_TABLE: connection.execute(text(f"SELECT * FROM {VERSION_TABLE}")).scalar()}
    finally:
        engine.dispose()


@pytest.fixture
def older(address, case, bare):
    with open_archive(address, create=True) as archive:
        head = archive.add(case, **WHO).head
        archive.add(bare, **WHO)
        archive.add(archive.load("bench-1").case, on=head, **WHO)
        return content(address)


def test_the_version_is_that_of_the_newest_migration():
    config = Config()
    config.set_main_option("script_location", str(place_module.MIGRATIONS))
    assert ScriptDirectory.from_config(config).get_current_head() == place_module.NEWEST


def test_the_migrations_make_the_tables_that_the_program_uses(archive):
    """Columns, types, keys and indexes, as Alembic compares them."""
    with archive.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE, "compare_type": True})
        assert compare_metadata(context, metadata) == []


def test_an_older_archive_opens_with_every_value_equal(older, address, next_version, case):
    next_version()
    with open_archive(address) as archive:
        assert archive.load("bench-1").case == case
        # Tables of a version that this program does not know are none of its own.
        assert [
            finding for finding in verify(archive).findings if "later" not in finding and "chair" not in finding
        ] == []
    now = content(address)
    assert now.pop(VERSION_TABLE) == "9001"
    assert {row.pop("chair") for row in now["wl_cases"]} == {"first"}
    assert now == {name: rows for name, rows in older.items() if name != VERSION_TABLE}


def test_a_migration_that_fails_leaves_the_archive_as_it_was(older, address, next_version, monkeypatch):
    """In its middle, after it has changed tables; then it succeeds."""
    next_version("op.execute('UPDATE nowhere SET x = 1')")
    with pytest.raises(ArchiveError, match=r"cannot be used: .*nowhere.*; nothing was stored"):
        open_archive(address)
    assert content(address) == older
    next_version()
    open_archive(address).close()
    assert content(address)[VERSION_TABLE] == "9001"


def test_a_newer_archive_is_left_alone(older, address, next_version, monkeypatch):
    with monkeypatch.context() as later:
        later.setattr(place_module, "NEWEST", "9001")
        next_version()
        open_archive(address).close()
    newer = content(address)
    monkeypatch.setattr(place_module, "NEWEST", "0001")
    monkeypatch.setattr(place_module, "VERSION_FOLDERS", (place_module.MIGRATIONS / "versions",))
    for create in (False, True):
        with pytest.raises(
            ArchiveError, match="must be of version 0001 or older: '9001'; it comes from a newer wlmeasure"
        ):
            open_archive(address, create=create)
    assert content(address) == newer


@pytest.fixture
def kept(tmp_path):
    """The archive that version 0001 wrote, kept as SQL: two cases of version 1, bench-1 with a revision before its last."""
    path = tmp_path / "archive.sqlite"
    with closing(sqlite3.connect(path)) as raw:
        raw.executescript((REFERENCES / "archive_version_0001.sql").read_text(encoding="utf-8"))
    return str(path)


WANTED = json.loads((REFERENCES / "archive_version_0001.json").read_text(encoding="utf-8"))


def test_an_archive_as_version_0001_wrote_it_opens_with_every_value_equal(kept):
    """Written once and never again: whatever tables and cases become, it must open."""
    with open_archive(kept) as archive:
        before = archive.receipt()
        found = {line.case_id: archive.load(line.case_id).case for line in archive.cases()}
        assert found == {name: case_from_json(body) for name, body in WANTED.items()}
        for name, body in WANTED.items():  # what no upgrade touches, as JSON
            now = case_to_json(found[name])
            assert [now[part] for part in ("tooth", "case_id", "films")] == [
                body[p] for p in ("tooth", "case_id", "films")
            ]
            assert now["entries"][: len(body["entries"])] == body["entries"]
            assert [canal.get("traces") for canal in now["canals"]] == [canal.get("traces") for canal in body["canals"]]
        assert archive.load("bench-1", revision=1).case.tooth == "47"
        assert [line.case_id for line in archive.cases(Search(flag="a-flag"))] == ["P-2"]
        verdict = verify(archive)
        assert (verdict.findings, verdict.cases, verdict.entries, verdict.revisions) == ((), 2, 3, 3)
        assert archive.receipt() == before  # reading stores nothing


def test_storing_an_unchanged_case_of_version_1_stores_nothing(kept):
    with open_archive(kept) as archive:
        before = archive.receipt()
        for on in (None, archive.load("bench-1").head):
            added = archive.add(archive.load("bench-1").case, on=on, **WHO)
            assert (added.new_revision, added.new_entries) == (False, ())
        assert archive.receipt() == before


def reading(record, **more):
    return Entry(
        id=record.next_id(), kind="electronic reading", at="2026-12-02T10:00:00", by="AB", canal="MB",
        reference_point="mesiobuccal cusp tip", length_mm=21.0, finding="foramen", **more,
    )  # fmt: skip


@pytest.mark.parametrize("way", ["one entry", "the whole case"])
def test_an_archive_of_version_1_goes_on_growing(kept, way):
    """One entry more makes it a case of version 2: what stood in its canals becomes entries, once, and keeps its place."""
    with open_archive(kept) as archive:
        stored = archive.load("bench-1")
        old = stored.case.entries
        made = reading(LengthRecord(old))
        if way == "one entry":
            added = archive.append("bench-1", made, on=stored.head, **WHO)
        else:
            added = archive.add(evolve(stored.case, entries=(*old, made)), on=stored.head, **WHO)
        assert (added.new_revision, added.new_entries) == (True, ("u1", "u2", made.id))
        now = archive.load("bench-1")
        assert now.case.entries == (*old, made)
        assert (now.case.canals, now.case.films) == (stored.case.canals, stored.case.films)
        assert LengthRecord(now.case.entries).places() == LengthRecord((*old, made)).places()
        assert not verify(archive).findings
        # From here on it grows by one row an entry, and an entry of version 1 can be superseded.
        gone = Entry(id="n2", kind="note", at="2026-12-02T10:05:00", by="AB", canal="MB", supersedes="u2")
        last = archive.append("bench-1", gone, on=now.head, **WHO)
        assert (last.new_revision, last.new_entries, last.head.rows) == (False, ("n2",), now.head.rows + 1)
        assert LengthRecord(archive.load("bench-1").case.entries).decision("MB") is None
        assert archive.load("bench-1", revision=1).case.tooth == "47"
        assert archive.load("bench-1", revision=2).case == stored.case
        assert archive.load("P-2").case == case_from_json(WANTED["P-2"])
        assert not verify(archive).findings


def test_the_first_entry_more_may_supersede_what_stood_in_a_canal(kept):
    with open_archive(kept) as archive:
        stored = archive.load("bench-1")
        gone = Entry(id="n2", kind="note", at="2026-12-02T10:05:00", by="AB", canal="MB", supersedes="u2")
        archive.append("bench-1", gone, on=stored.head, **WHO)
        assert LengthRecord(archive.load("bench-1").case.entries).decision("MB") is None
        with pytest.raises(CaseError, match="id must be used once: 'u1'"):
            archive.append("bench-1", evolve(gone, id="u1", supersedes=None), on=archive.load("bench-1").head, **WHO)
        assert not verify(archive).findings


def test_the_molar_of_version_1_keeps_its_meaning_through_an_archive(address):
    """Readings from before flaring stay readings from before it, whatever is entered later."""
    molar = load_case(REFERENCES / "version_1" / "cases" / "molar.wl.json")
    record = LengthRecord(molar.entries)
    point = molar.canals[0].reference_point
    now, past = (tuple(e.id for e in part) for part in record.readings("MB", point))
    with open_archive(address, create=True) as archive:
        head = archive.add(molar, **WHO).head
        assert archive.load("demo-molar").case == molar
        archive.append("demo-molar", evolve(reading(record), reference_point=point), on=head, **WHO)
        grown = LengthRecord(archive.load("demo-molar").case.entries)
        assert not verify(archive).findings
    assert tuple(e.id for e in grown.readings("MB", point)[0]) == (*now, record.next_id())
    assert tuple(e.id for e in grown.readings("MB", point)[1]) == past
    assert {e.before for e in grown.entries if e.id.startswith("u")} == {"e8", "e12", "e16"}


def later_of(case_id, *lengths_mm):
    """The file of a case as version 1 left it later, with readings more in its first canal."""
    body = copy.deepcopy(WANTED[case_id])
    body["canals"][0].setdefault("electronic_readings", [])
    body["canals"][0]["electronic_readings"] += [{"length_mm": one, "mark": "foramen"} for one in lengths_mm]
    return case_from_json(body)


def test_a_later_file_of_version_1_goes_into_the_archive_of_an_earlier_one(kept):
    """Its readings are counted anew when it is read: the same id is another reading, which was stored nowhere."""
    mine = later_of("bench-1", 20.5, 20.6)
    with open_archive(kept) as archive:
        held = archive.load("bench-1")
        assert {e.id for e in mine.entries} > {e.id for e in held.case.entries}
        added = archive.add(mine, on=held.head, **WHO)
        assert added.new_revision
        assert archive.load("bench-1").case == mine
        assert not verify(archive).findings
        assert archive.add(mine, **WHO).new_entries == ()


def test_a_file_of_version_1_without_a_reading_that_the_archive_has_must_say_what_it_was_made_from(kept):
    more, mine = later_of("bench-1", 20.5), case_from_json(WANTED["bench-1"])
    with open_archive(kept) as archive:
        body = {**WANTED["bench-1"], "canals": [{**c, "electronic_readings": []} for c in WANTED["bench-1"]["canals"]]}
        less = case_from_json(body)
        assert len(less.entries) < len(mine.entries) < len(more.entries)
        with pytest.raises(ArchiveConflictError, match="this has not"):
            archive.add(less, **WHO)
        archive.add(less, on=archive.load("bench-1").head, **WHO)
        assert archive.load("bench-1").case == less
        assert archive.load("bench-1", revision=2).case == mine
