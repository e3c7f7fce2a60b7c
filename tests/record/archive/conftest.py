"""Archives on SQLite and on PostgreSQL; every test that asks for one runs on both."""

import importlib.util
import os
import shutil
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

import pytest
from attrs import evolve

from wlmeasure.record.archive.archive import open_archive
from wlmeasure.record.case import Entry, case_from_json

REFERENCES = Path(__file__).resolve().parents[2] / "references"
AT = "2026-11-25T10:30:00"


def load(name):
    spec = importlib.util.spec_from_file_location(name, REFERENCES / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


postgres_server = load("postgres_server")


@pytest.fixture(scope="session")
def server():
    if postgres_server.programs() is None:
        why = "PostgreSQL is not installed; run.py installs Debian's package"
        (pytest.fail if os.environ.get("CI") else pytest.skip)(why)
    with postgres_server.running() as server:
        yield server


@pytest.fixture(scope="module")
def own_server(server):
    """One that may crash without harm to other tests; `server` says where there is none."""
    with postgres_server.running() as own:
        yield own


@pytest.fixture(params=["sqlite", "postgresql"])
def backend(request):
    return request.param


@pytest.fixture
def new_address(backend, request, tmp_path):
    """Addresses of archives that are not there yet."""
    count, used = iter(range(100)), []
    # Every storing waits for the disk; where files can lie in memory, the tests need not wait with it.
    memory = Path("/dev/shm")
    folder = tempfile.mkdtemp(prefix="wl-", dir=memory if os.access(memory, os.W_OK) else tmp_path)

    def new_address():
        if backend == "sqlite":
            return f"{folder}/archive{next(count)}.sqlite"
        used.append(server.new_database())
        return server.address(used[-1])

    server = request.getfixturevalue("server") if backend == "postgresql" else None
    yield new_address
    shutil.rmtree(folder)
    if server is not None:
        server.used += used


@pytest.fixture
def address(new_address):
    return new_address()


@pytest.fixture
def archive(address):
    with open_archive(address, create=True) as archive:
        yield archive


@pytest.fixture
def case(full):
    """Every member that version 1 names; its id is bench-1, and it has entries e1 and e2 (supersedes e1)."""
    return case_from_json(full)


@pytest.fixture
def bare(case):
    """The same without entries, as case P-2."""
    return evolve(case, case_id="P-2", entries=())


@pytest.fixture
def note():
    def note(name, **members):
        members = {"kind": "note", "at": "2026-11-25T10:32:00", "by": "AB", "canal": "MB"} | members
        return Entry(id=name, **members)

    return note


@pytest.fixture
def sql(archive):
    """Statements of somebody who may write to the database, past the program; their foreign keys hold nobody up."""

    def sql(*statements):
        if archive.place.path is not None:
            with closing(sqlite3.connect(archive.place.path)) as raw:
                for statement in statements:
                    raw.execute(statement)
                raw.commit()
            return
        raw = archive.engine.raw_connection()
        try:
            cursor = raw.cursor()
            for statement in ("SET LOCAL session_replication_role = replica", *statements):
                cursor.execute(statement)
            raw.commit()
        finally:
            raw.close()

    return sql


@pytest.fixture
def writer():
    return load("archive_writer")
