"""Tables of an older version are brought up to date with every value kept, whole or not at all; newer ones are left alone.

There is one version so far. The next one is played: migrations that stand in this test follow the real ones.
"""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import text

from wlmeasure.errors import ArchiveError
from wlmeasure.record.archive import place as place_module
from wlmeasure.record.archive.answers import Search
from wlmeasure.record.archive.archive import open_archive
from wlmeasure.record.archive.tables import VERSION_TABLE, metadata
from wlmeasure.record.archive.verify import verify
from wlmeasure.record.case import case_to_json

REFERENCES = Path(__file__).resolve().parents[2] / "references"
WHO = {"by": "AB", "at": "2026-11-25T10:30:00"}
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
        assert not verify(archive).findings
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


def test_an_archive_as_version_0001_wrote_it_opens_with_every_value_equal(tmp_path):
    """Kept as SQL, written once and never again: whatever the tables become, it must open."""
    path = tmp_path / "archive.sqlite"
    with closing(sqlite3.connect(path)) as raw:
        raw.executescript((REFERENCES / "archive_version_0001.sql").read_text(encoding="utf-8"))
    wanted = json.loads((REFERENCES / "archive_version_0001.json").read_text(encoding="utf-8"))
    with open_archive(str(path)) as archive:
        assert {line.case_id: case_to_json(archive.load(line.case_id).case) for line in archive.cases()} == wanted
        assert archive.load("bench-1", revision=1).case.tooth == "47"
        assert [line.case_id for line in archive.cases(Search(flag="a-flag"))] == ["P-2"]
        verdict = verify(archive)
        assert (verdict.findings, verdict.cases, verdict.entries, verdict.revisions) == ((), 2, 3, 3)
