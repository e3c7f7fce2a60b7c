"""What stands in a database beside an archive's own tables, and could change or hide what it holds.

A trigger rewrites what is stored, a view or a rule shows something else than the table, a column carries what no hash covers.
On SQLite the file is the archive's alone, so anything else in it is named; a PostgreSQL database may be shared, so there only
what sits on the archive's tables, or goes by a name like theirs, is.
"""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import Connection, bindparam, inspect, text

from wlmeasure.record.archive.tables import VERSION_TABLE, metadata

__all__ = ["schema_findings"]

PREFIX = "wl_"
_ON_TABLES = """
SELECT 'trigger' AS kind, t.tgname AS name, c.relname AS owner FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid
 WHERE NOT t.tgisinternal AND c.relname IN :tables AND pg_table_is_visible(c.oid)
UNION ALL SELECT 'rule', r.rulename, c.relname FROM pg_rewrite r JOIN pg_class c ON c.oid = r.ev_class
 WHERE c.relname IN :tables AND pg_table_is_visible(c.oid)
UNION ALL SELECT 'policy', p.polname, c.relname FROM pg_policy p JOIN pg_class c ON c.oid = p.polrelid
 WHERE c.relname IN :tables AND pg_table_is_visible(c.oid)
ORDER BY 1, 2, 3
"""
_OF_LIKE_NAMES = """
SELECT c.relkind::text AS kind, c.relname AS name FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
 WHERE left(c.relname, 3) = 'wl_' AND c.relkind IN ('r', 'v', 'm', 'p', 'f', 'i') AND n.nspname = current_schema()
ORDER BY 1, 2
"""
_KINDS = {"r": "table", "v": "view", "m": "view", "p": "table", "f": "table", "i": "index"}


def schema_findings(connection: Connection) -> Iterator[str]:
    """What is there and does not belong to an archive, or belongs to it and is not there; one line each."""
    tables = [*metadata.tables, VERSION_TABLE]
    if connection.dialect.name == "sqlite":
        # Not by the library, which leaves out what SQLite itself would.
        found = connection.exec_driver_sql(
            "SELECT type, name, tbl_name FROM sqlite_master WHERE name NOT LIKE 'sqlite\\_%' ESCAPE '\\' ORDER BY 1, 2"
        ).all()
        things = {(str(kind), str(name)): str(owner) for kind, name, owner in found}
    else:
        like = connection.execute(text(_OF_LIKE_NAMES)).all()
        things = {(_KINDS[kind], name): "" for kind, name in like if _KINDS[kind] != "index"}
        on = connection.execute(text(_ON_TABLES).bindparams(bindparam("tables", expanding=True)), {"tables": tables})
        things |= {(kind, name): owner for kind, name, owner in on}
    own = {("table", name) for name in tables}
    if connection.dialect.name == "sqlite":
        own |= {("index", str(index.name)) for table in metadata.tables.values() for index in table.indexes}
    for kind, name in sorted(things.keys() - own):
        owner = things[kind, name]
        yield f"schema: {kind} {name!r}{f' on {owner}' if owner and owner != name else ''} is none of the archive's"
    for kind, name in sorted(own - things.keys()):
        yield f"schema: {kind} {name!r} of the archive is missing"
    look = inspect(connection)
    for name, table in metadata.tables.items():
        if ("table", name) not in things:
            continue
        there = {str(column["name"]) for column in look.get_columns(name)}
        wanted = set(table.columns.keys())
        for column in sorted(there - wanted):
            yield f"schema: column {column!r} of {name} is none of the archive's"
        for column in sorted(wanted - there):
            yield f"schema: column {column!r} of {name} is missing"
