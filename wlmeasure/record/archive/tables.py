"""The tables of an archive.

`wl_journal` is the truth: every revision and every entry, in the order they were stored, chained by hash. All other tables
follow from it (the heads of the chain, and what is searched for) and are held equal to it by `verify`. The names begin
with wl, so that an archive may share a PostgreSQL database with other programs.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)

__all__ = ["VERSION_TABLE", "archives", "cases", "entries", "entry_flags", "films", "journal", "metadata"]

VERSION_TABLE = "wl_version"

metadata = MetaData()
# Byte order on both: a search or a sorting must not depend on the language of a server.
WORD = Text().with_variant(Text(collation="C"), "postgresql")
# SQLite numbers its rows by a column of this type alone; elsewhere 2**31 rows might be too few one day.
NUMBER = BigInteger().with_variant(Integer(), "sqlite")

archives = Table(
    "wl_archive",
    metadata,
    Column("id", Integer, CheckConstraint("id = 1", name="wl_archive_one"), primary_key=True, autoincrement=False),
    Column("archive_id", WORD, nullable=False),
    Column("rows", NUMBER, nullable=False),
    Column("sha256", WORD, nullable=False),
)

cases = Table(
    "wl_cases",
    metadata,
    Column("case_id", WORD, primary_key=True),
    Column("tooth", WORD, nullable=False, index=True),
    Column("rows", NUMBER, nullable=False),
    Column("sha256", WORD, nullable=False),
    Column("revisions", NUMBER, nullable=False),
    Column("entries", NUMBER, nullable=False),
    Column("revision_seq", NUMBER, nullable=False),
    Column("entry_seq", NUMBER),
    Column("opened_at", WORD, nullable=False),
    Column("changed_at", WORD, nullable=False),
)

journal = Table(
    "wl_journal",
    metadata,
    Column("seq", NUMBER, primary_key=True, autoincrement=False),
    Column("case_id", WORD, nullable=False),
    Column("case_seq", NUMBER, nullable=False),
    Column("what", WORD, nullable=False),
    Column("stored_at", WORD, nullable=False),
    Column("stored_by", WORD, nullable=False),
    Column("content", WORD, nullable=False),
    Column("before", WORD, nullable=False),
    Column("case_before", WORD, nullable=False),
    Column("sha256", WORD, nullable=False),
    UniqueConstraint("case_id", "case_seq", name="wl_journal_case"),
)

entries = Table(
    "wl_entries",
    metadata,
    Column("seq", NUMBER, ForeignKey("wl_journal.seq"), primary_key=True, autoincrement=False),
    Column("case_id", WORD, nullable=False),
    Column("entry_id", WORD, nullable=False),
    Column("kind", WORD, nullable=False),
    Column("canal", WORD, nullable=False),
    Column("day", WORD, nullable=False),
    Column("status", WORD),
    Column("length_mm", Float(precision=53)),
    Column("superseded_by", NUMBER),
    UniqueConstraint("case_id", "entry_id", name="wl_entries_case"),
    Index("wl_entries_status", "status"),
    Index("wl_entries_day", "day"),
)

entry_flags = Table(
    "wl_entry_flags",
    metadata,
    Column("seq", NUMBER, ForeignKey("wl_entries.seq"), primary_key=True, autoincrement=False),
    Column("code", WORD, primary_key=True),
    Index("wl_entry_flags_code", "code"),
)

films = Table(
    "wl_films",
    metadata,
    Column("case_id", WORD, ForeignKey("wl_cases.case_id"), primary_key=True),
    Column("sha256", WORD, primary_key=True),
    Index("wl_films_sha256", "sha256"),
)
