"""The journal, the heads of its chain, and what is searched for.

Written out, not taken from `tables`: a version that was once released stays what it was.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

WORD = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """From an empty database."""
    op.create_table(
        "wl_archive",
        sa.Column(
            "id", sa.Integer, sa.CheckConstraint("id = 1", name="wl_archive_one"), primary_key=True, autoincrement=False
        ),
        sa.Column("archive_id", WORD, nullable=False),
        sa.Column("rows", NUMBER, nullable=False),
        sa.Column("sha256", WORD, nullable=False),
    )
    op.create_table(
        "wl_cases",
        sa.Column("case_id", WORD, primary_key=True),
        sa.Column("tooth", WORD, nullable=False),
        sa.Column("rows", NUMBER, nullable=False),
        sa.Column("sha256", WORD, nullable=False),
        sa.Column("revisions", NUMBER, nullable=False),
        sa.Column("entries", NUMBER, nullable=False),
        sa.Column("revision_seq", NUMBER, nullable=False),
        sa.Column("entry_seq", NUMBER),
        sa.Column("opened_at", WORD, nullable=False),
        sa.Column("changed_at", WORD, nullable=False),
    )
    op.create_index("ix_wl_cases_tooth", "wl_cases", ["tooth"])
    op.create_table(
        "wl_journal",
        sa.Column("seq", NUMBER, primary_key=True, autoincrement=False),
        sa.Column("case_id", WORD, nullable=False),
        sa.Column("case_seq", NUMBER, nullable=False),
        sa.Column("what", WORD, nullable=False),
        sa.Column("stored_at", WORD, nullable=False),
        sa.Column("stored_by", WORD, nullable=False),
        sa.Column("content", WORD, nullable=False),
        sa.Column("before", WORD, nullable=False),
        sa.Column("case_before", WORD, nullable=False),
        sa.Column("sha256", WORD, nullable=False),
        sa.UniqueConstraint("case_id", "case_seq", name="wl_journal_case"),
    )
    op.create_table(
        "wl_entries",
        sa.Column("seq", NUMBER, sa.ForeignKey("wl_journal.seq"), primary_key=True, autoincrement=False),
        sa.Column("case_id", WORD, nullable=False),
        sa.Column("entry_id", WORD, nullable=False),
        sa.Column("kind", WORD, nullable=False),
        sa.Column("canal", WORD, nullable=False),
        sa.Column("day", WORD, nullable=False),
        sa.Column("status", WORD),
        sa.Column("length_mm", sa.Float(precision=53)),
        sa.Column("superseded_by", NUMBER),
        sa.UniqueConstraint("case_id", "entry_id", name="wl_entries_case"),
    )
    op.create_index("wl_entries_status", "wl_entries", ["status"])
    op.create_index("wl_entries_day", "wl_entries", ["day"])
    op.create_table(
        "wl_entry_flags",
        sa.Column("seq", NUMBER, sa.ForeignKey("wl_entries.seq"), primary_key=True, autoincrement=False),
        sa.Column("code", WORD, primary_key=True),
    )
    op.create_index("wl_entry_flags_code", "wl_entry_flags", ["code"])
    op.create_table(
        "wl_films",
        sa.Column("case_id", WORD, sa.ForeignKey("wl_cases.case_id"), primary_key=True),
        sa.Column("sha256", WORD, primary_key=True),
    )
    op.create_index("wl_films_sha256", "wl_films", ["sha256"])
