"""What Alembic runs to bring a database to another version, on the connection that `place` hands over.

The connection is in a transaction already, which ends outside: a version is reached whole or not at all.
"""

from __future__ import annotations

from alembic import context

from wlmeasure.record.archive.tables import VERSION_TABLE, metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    version_table=VERSION_TABLE,
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
