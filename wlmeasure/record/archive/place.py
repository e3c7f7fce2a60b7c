"""Where an archive lies, and how it is opened: SQLite in one file, or a PostgreSQL server.

SQLite runs with a write-ahead log and a flush to the disk at every commit; the file is readable by its owner alone.
PostgreSQL is reached by pg8000, which is BSD-licensed and pure Python; the usual driver is LGPL and brings compiled copies of
client libraries along. It costs speed that nobody waits for here: a row is stored by a person's click.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import ssl
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from ipaddress import ip_address
from pathlib import Path
from secrets import token_hex
from typing import Any
from urllib.parse import quote

from attrs import frozen
from sqlalchemy import (
    URL,
    Connection,
    Engine,
    Select,
    column,
    create_engine,
    event,
    insert,
    inspect,
    make_url,
    select,
    table,
    text,
)
from sqlalchemy.exc import ArgumentError, DBAPIError, InterfaceError, SQLAlchemyError
from sqlalchemy.pool import QueuePool

from wlmeasure.errors import ArchiveError, NotWrittenError, one_line
from wlmeasure.image.file_content import regular_bytes
from wlmeasure.record.archive.chain import NOTHING
from wlmeasure.record.archive.tables import VERSION_TABLE, archives
from wlmeasure.whole_file import whole_file

__all__ = ["NEWEST", "VARIABLE", "Place", "opened", "place_of", "transaction"]

VARIABLE = "WLMEASURE_ARCHIVE"
NEWEST = "0001"  # the version of the tables; a test holds it equal to the newest migration
MIGRATIONS = Path(__file__).parent / "migrations"
VERSION_FOLDERS = (MIGRATIONS / "versions",)
WAIT_S = 10  # how long one writer waits for another one before it gives up (our parameter)
ASK_AGAIN_MS = 10  # SQLite waits 1, 2, 5 and 2 ms of these and is then asked anew (our parameter)
SILENCE_S = 60  # how long a server may say nothing before it counts as gone (our parameter)
ROOM = 2**16  # bytes that the log's index needs, twice: with less even a reader cannot open the file as usual
ADVISORY_LOCK = 0x776C6D65  # any number of our own: two programs must not migrate one database at once
QUERY = frozenset({"application_name", "password", "sslmode", "sslrootcert", "unix_sock"})

_MIGRATING = threading.Lock()  # alembic keeps what it works on in one place for all threads


@frozen
class Place:
    """Where an archive lies; `shown` is what messages may say of it, without a password."""

    url: URL
    shown: str
    path: Path | None = None

    @property
    def warning(self) -> str | None:
        """What every use must say: a server elsewhere that is believed unseen; else None."""
        mode = self.url.query.get("sslmode")
        if self.path is not None or _is_local(self.url) or mode not in ("require", "disable"):
            return None
        how = "without encryption" if mode == "disable" else "without looking at its certificate"
        return (
            f"archive {self.shown} is asked {how}: whoever answers in its place can read the password and every record; "
            "leave sslmode out, and name the practice's authority by sslrootcert"
        )


def place_of(archive: str | None = None) -> Place:
    """The place that was named, else the one of the environment, else a file in the user's own data folder.

    Parameters
    ----------
    archive
        A path, ``sqlite:///PATH`` or ``postgresql://USER@HOST/DATABASE``. A server that is not on this machine must speak
        TLS and show a certificate of its name: by the authorities of the system, or by those of a file where
        ``?sslrootcert=FILE`` names the practice's own. ``?sslmode=require`` encrypts and believes any certificate,
        ``?sslmode=disable`` goes without: then whoever answers may be sent the password, which `warning` says. A password
        is taken from the environment alone: other users of the machine can read a command line.

    Raises
    ------
    ArchiveError
        Not such an address, or with a password.
    """
    source = "--archive"
    if archive is None and os.environ.get(VARIABLE):
        source, archive = VARIABLE, os.environ[VARIABLE]
    if archive is None:
        from platformdirs import user_data_path

        path = user_data_path("wlmeasure", appauthor=False) / "archive.sqlite"
        return Place(URL.create("sqlite", database=str(path)), str(path), path)
    if "://" not in archive:
        path = Path(archive)
        return Place(URL.create("sqlite", database=archive), archive, path)
    try:
        url = make_url(archive)
    except (ArgumentError, ValueError):  # its own message may hold the password
        raise ArchiveError(f"{source} must be a path, sqlite:///PATH or postgresql://USER@HOST/DATABASE") from None
    if source == "--archive" and (url.password is not None or "password" in url.query):
        raise ArchiveError(
            f"--archive must hold no password, which other users could read: put the URL into {VARIABLE}"
        )
    if url.drivername == "sqlite" and url.database and url.database != ":memory:" and not url.query:
        return Place(url, url.database, Path(url.database))
    if url.drivername in ("postgresql", "postgresql+pg8000") and url.database:
        if url.port is not None and not 1 <= url.port <= 65535:
            raise ArchiveError(f"{source} must have a port of 1 to 65535: {url.port}")
        shown = f"postgresql://{url.host or 'localhost'}{f':{url.port}' if url.port else ''}/{url.database}"
        if unknown := sorted(
            set(url.query) - QUERY
        ):  # `host` there would lead elsewhere than what is checked and shown
            raise ArchiveError(
                f"{source} must have no {unknown[0][:40]!r} behind the question mark: {', '.join(sorted(QUERY))}"
            )
        return Place(url.set(drivername="postgresql+pg8000"), shown)
    raise ArchiveError(
        f"{source} must be a path, sqlite:///PATH or postgresql://USER@HOST/DATABASE: its kind is {url.drivername!r}"
    )


def opened(place: Place, *, create: bool) -> Engine:
    """An engine on an archive whose tables are of this version; older tables are brought up to date.

    Raises
    ------
    ArchiveError
        Nothing there and `create` is false; a file of something else; tables of a newer version; no access.
    """
    if place.path is not None and not place.path.exists() and create:
        _make_file(place)
    if place.path is not None:
        _check_file(place.path)
    only_read = place.path is not None and not create and not (_may_write(place.path) and _has_room(place.path))
    engine = _reading_engine(place.path) if only_read and place.path is not None else _engine(place)
    try:
        with transaction(engine, place, write=False) as connection:
            version = _version(connection)
        if version != NEWEST:
            if version is None and not create:
                raise _to_be_made(place) if place.path is None else _something_else(place)
            _bring_up_to_date(engine, place)
    except BaseException:
        engine.dispose()
        raise
    return engine


def _to_be_made(place: Place) -> ArchiveError:
    return ArchiveError(f"archive {place.shown} must be made first: `wlmeasure record add` makes it")


def _something_else(place: Place) -> ArchiveError:
    return ArchiveError(f"archive {place.shown} must be an archive: it is a database of something else")


def _check_file(path: Path) -> None:
    if not path.exists():
        raise ArchiveError(f"archive {path} must be made first: `wlmeasure record add` makes it")
    if not path.is_file():
        raise ArchiveError(f"archive {path} must be a file: it is a folder, device or pipe; name another place")
    if path.stat().st_size == 0:
        # What was cut off to nothing must not pass for an archive that holds nothing yet, nor become one.
        raise ArchiveError(
            f"archive {path} must be an archive: the file is empty; if it was one, take the last backup, else remove it"
        )


def _make_file(place: Place) -> None:
    """A new archive with its tables, for its owner alone; it gets its name only when it is whole, so none is ever half made."""
    path = place.path
    assert path is not None
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with whole_file(path, replace=False) as part:
            made = Place(URL.create("sqlite", database=str(part)), place.shown, part)
            try:
                engine = _engine(made)
                try:
                    _bring_up_to_date(engine, made)
                finally:
                    engine.dispose()
            finally:
                for rest in ("-wal", "-shm", "-journal"):
                    part.with_name(part.name + rest).unlink(missing_ok=True)
    except (OSError, NotWrittenError) as error:
        if path.is_file():  # another program was quicker
            return
        said = getattr(error, "strerror", None) or str(error).removeprefix(f"{path.name} cannot be written: ")
        raise ArchiveError(f"archive {path} cannot be made: {said}; name another place") from None


def _may_write(path: Path) -> bool:
    """Whether the file and the logs beside it can be written; not on a read-only disk, whoever asks."""
    mine = os.access in os.supports_effective_ids
    return all(os.access(one, os.W_OK, effective_ids=mine) for one in (path, path.absolute().parent))


def _has_room(path: Path) -> bool:
    return shutil.disk_usage(path.absolute().parent).free >= ROOM


def _reading_engine(path: Path) -> Engine:
    """An engine on a file that may only be read, or whose disk is full, with what its log holds.

    SQLite reads beside a writer where the log's index is there. Without an index nobody has the archive open: without a log the
    file is all there is; with one, file and log are copied, since the log has to be read into an index first.
    """
    log, index = (path.with_name(path.name + rest) for rest in ("-wal", "-shm"))
    here, how, copied = path, "mode=ro", None
    if not index.exists():
        if log.exists() and log.stat().st_size > 0:
            copied = tempfile.TemporaryDirectory(prefix="wlmeasure-")
            here, how = Path(copied.name) / path.name, "mode=rw"
            try:
                for source in (path, log):
                    shutil.copyfile(source, here.with_name(source.name))
            except OSError as error:
                copied.cleanup()
                said = error.strerror or error
                raise ArchiveError(
                    f"archive {path} cannot be read: its log cannot be copied: {said}; make room"
                ) from None
        else:
            how = "mode=ro&immutable=1"
    address = f"file:{quote(str(here.absolute()))}?{how}"

    def connect() -> sqlite3.Connection:
        return sqlite3.connect(address, uri=True, timeout=WAIT_S, check_same_thread=False)

    engine = create_engine("sqlite://", creator=connect, poolclass=QueuePool)
    _listen(engine)

    @event.listens_for(engine, "connect")
    def _(raw: Any, _: Any) -> None:
        raw.execute(
            "PRAGMA query_only = ON"
        )  # a copy could be written to, and what was said to be stored would go with it

    if copied is not None:
        event.listen(engine, "engine_disposed", lambda _: copied.cleanup())
    return engine


def _engine(place: Place) -> Engine:
    if place.path is not None:
        engine = create_engine(place.url, connect_args={"timeout": WAIT_S})
        _listen(engine)
        return engine
    url, options = _with_tls(place.url)
    engine = create_engine(url, connect_args={"timeout": SILENCE_S, **options}, pool_pre_ping=True)

    @event.listens_for(engine, "connect")
    def _(raw: Any, _: Any) -> None:
        cursor = raw.cursor()
        cursor.execute(f"SET lock_timeout = '{WAIT_S}s'")
        cursor.execute("SET synchronous_commit = on")  # a server may be set to answer before it has stored
        cursor.close()
        raw.commit()

    return engine


def _listen(engine: Engine) -> None:
    """What every connection to a SQLite file is told."""

    @event.listens_for(engine, "connect")
    def _(raw: Any, _: Any) -> None:
        raw.isolation_level = None  # the driver's own guesses at where a transaction begins are switched off
        raw.text_factory = _as_text
        raw.execute("PRAGMA synchronous = FULL")
        raw.execute("PRAGMA foreign_keys = ON")

    @event.listens_for(engine, "begin")
    def _(connection: Connection) -> None:
        raw: Any = connection.connection.driver_connection
        if connection.get_execution_options().get("wl_write"):
            _begin_writing(raw)
        else:
            raw.execute("BEGIN")


def _as_text(stored: bytes) -> str:
    """A text, also where somebody has put bytes there that are none: then its row is found, and not the reading broken off."""
    return stored.decode("utf-8", "surrogateescape")


def _begin_writing(raw: Any) -> None:
    """Ask for the lock before anything is read, so that what was read is still so when it is written.

    SQLite's own waiting asks ever more seldom, at last every 100 ms. Beside writers without a pause that starves: of eight
    such, five gave up after 10 s. Asked anew every few milliseconds, all of them get their turn.
    """
    give_up = time.monotonic() + WAIT_S
    raw.execute(f"PRAGMA busy_timeout = {ASK_AGAIN_MS}")
    try:
        while True:
            try:
                raw.execute("BEGIN IMMEDIATE")
                return
            except sqlite3.OperationalError as error:
                if "locked" not in str(error) or time.monotonic() > give_up:
                    raise
    finally:
        raw.execute(f"PRAGMA busy_timeout = {WAIT_S * 1000}")


def _is_local(url: URL) -> bool:
    """Whether nobody else can answer there: a socket, or an address of this machine's own."""
    host = url.host or ""
    if "unix_sock" in url.query or host in ("", "localhost"):
        return True
    try:
        return ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def _with_tls(url: URL) -> tuple[URL, dict[str, Any]]:
    query = dict(url.query)
    mode = query.pop("sslmode", "disable" if _is_local(url) else "verify-full")
    authority = query.pop("sslrootcert", None)
    if mode == "disable":
        return url.set(query=query), {}
    if mode not in ("require", "verify-full"):
        raise ArchiveError(f"sslmode must be disable, require or verify-full: {str(mode)[:40]!r}")
    try:
        known = None if authority is None else regular_bytes(Path(str(authority))).decode("ascii", "ignore")
        if known == "":  # with no authority named at all, the system's would count
            raise ValueError("empty")
        context = ssl.create_default_context(cadata=known)
    except (OSError, ValueError) as error:  # ssl's own errors are such too
        said = getattr(error, "strerror", None) or "it is something else"
        raise ArchiveError(
            f"sslrootcert must be a file of certificates (PEM): {said}; name that of the practice's authority"
        ) from None
    if mode == "require":
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    return url.set(query=query), {"ssl_context": context}


@contextmanager
def transaction(engine: Engine, place: Place, *, write: bool) -> Iterator[Connection]:
    """One transaction: all of it is stored when the block ends, or nothing. Readers see one moment.

    Raises
    ------
    ArchiveError
        What the database or the connection to it said, in one line; it says whether anything was stored.
    """
    outcome = "; nothing was stored" if write else ""
    try:
        with engine.connect() as connection:
            if write:
                connection = connection.execution_options(wl_write=True)
            elif engine.dialect.name == "postgresql":
                connection = connection.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
            with connection.begin() as work:
                yield connection
                if write and place.path is None:
                    outcome = "; whether it was stored is not known: look with `wlmeasure record history` first"
                work.commit()
    except (SQLAlchemyError, sqlite3.Error, OSError) as error:
        raise ArchiveError(f"archive {place.shown} {_said(error, place)}{outcome}") from None


def _said(error: Exception, place: Place) -> str:
    """What went wrong and what to do, without statements and values: those may be anybody's."""
    refused = _tls_words(error)
    if refused is not None:
        return refused
    original = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    words = original.args[0] if original.args else ""
    # Where a server refuses a connection, pg8000 stumbles on closing it, and its answer is left behind that stumble.
    behind: BaseException | None = original
    while isinstance(behind, OSError) or type(behind).__name__ == "InterfaceError":
        behind = None if behind is None else behind.__context__
    if behind is not None and behind.args and isinstance(behind.args[0], dict):
        words = behind.args[0]
    if isinstance(words, dict):  # pg8000 gives the server's answer by its letters: C the code, M the message
        code, words = str(words.get("C", "")), str(words.get("M", ""))
        if code == "55P03":
            return f"is locked by another program for more than {WAIT_S} s: try again"
        if code == "53100":
            return "has no room left on the server's disk"
        if code in ("57P01", "57P02", "57P03", "08006", "08003"):
            return f"has gone away: {words}"
        return f"cannot be used: {words}"
    said = " ".join(str(words).split())[:200] or type(original).__name__
    full = "cannot be written: the disk is full; make room first"
    known = {
        "database is locked": f"is locked by another program for more than {WAIT_S} s: try again",
        "disk is full": full,
        "disk I/O error": "cannot be read or written: the disk answers with an error; check it and the last backup",
        "readonly database": "cannot be written: file, folder or disk is read-only; change that or name another place",
        "unable to open": "cannot be opened: its folder must exist and be open to you",
        "not a database": "must be an archive: the file is no SQLite database",
        "malformed": "is damaged: the database file is malformed; take the last backup",
    }
    for words_of_sqlite, ours in known.items():
        if isinstance(original, sqlite3.Error) and words_of_sqlite in said:
            # SQLite has other words too for a disk without room, for its log's index and for what was opened to be read.
            no_room = place.path is not None and words_of_sqlite in ("disk I/O error", "readonly database")
            return full if no_room and place.path is not None and not _has_room(place.path) else ours
    # pg8000 calls it an InterfaceError when a connection breaks or is refused.
    away = isinstance(error, InterfaceError) or (isinstance(error, DBAPIError) and error.connection_invalidated)
    if isinstance(original, OSError) or away:
        return f"has gone away or is out of reach: {said}"
    return f"cannot be used: {said}"


def _tls_words(error: BaseException) -> str | None:
    """What is wrong with the server's certificate or its TLS, where that is what stopped us."""
    behind: BaseException | None = error
    while behind is not None:
        if isinstance(behind, ssl.SSLCertVerificationError):
            return (
                f"must show a certificate that can be verified: {one_line(behind.verify_message)[:120]}; nothing was sent to "
                "it; name the practice's authority by ?sslrootcert=FILE"
            )
        if isinstance(behind, ssl.SSLError):
            return f"must speak TLS as asked: {one_line(behind.reason or behind)[:120]}"
        if behind.args and behind.args[0] == "Server refuses SSL":
            return (
                "must speak TLS, which it refuses: have it switched on, or say ?sslmode=disable where the line is secured "
                "otherwise"
            )
        behind = behind.__cause__ or behind.__context__
    return None


def _version(connection: Connection) -> str | None:
    if not inspect(connection).has_table(VERSION_TABLE):
        return None
    stored: Select[Any] = select(column("version_num")).select_from(table(VERSION_TABLE))
    found = connection.execute(stored).scalar()
    return None if found is None else str(found)


def _bring_up_to_date(engine: Engine, place: Place) -> None:
    with _MIGRATING:
        _migrated(engine, place)


def _migrated(engine: Engine, place: Place) -> None:
    from alembic import command  # only needed here, and not quick to import
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.set_main_option("path_separator", "newline")
    folders = "\n".join(str(folder) for folder in VERSION_FOLDERS)
    config.set_main_option("version_locations", folders.replace("%", "%%"))
    if place.path is not None:
        _log_ahead(place)
    with transaction(engine, place, write=True) as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": ADVISORY_LOCK})
        version = _version(connection)  # again: another program may have been quicker
        known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
        if version is not None and version not in known:
            raise ArchiveError(
                f"archive {place.shown} must be of version {NEWEST} or older: {version!r}; it comes from a newer wlmeasure, "
                "update this one"
            )
        if version is None and place.path is not None and inspect(connection).get_table_names():
            raise _something_else(place)
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
        if connection.execute(select(archives.c.id)).first() is None:
            first = {"id": 1, "archive_id": token_hex(16), "rows": 0, "sha256": NOTHING}
            connection.execute(insert(archives).values(first))


def _log_ahead(place: Place) -> None:
    """Switch a SQLite file to the write-ahead log, which it keeps: readers and a writer do not wait for each other."""
    try:
        with closing(sqlite3.connect(str(place.path), timeout=WAIT_S)) as raw:
            raw.execute("PRAGMA journal_mode = WAL")
    except sqlite3.Error as error:
        if "locked" not in str(error):  # somebody else is just doing it
            raise ArchiveError(f"archive {place.shown} {_said(error, place)}; nothing was stored") from None
