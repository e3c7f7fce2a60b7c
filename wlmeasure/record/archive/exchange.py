"""What goes out of an archive and comes in: case files, and copies of the whole archive.

Case files carry the content as it stands and every entry; what they do not carry is the chain and the earlier revisions of
the content. A list of their hashes lies beside them, and its receipt, kept elsewhere, shows whether list or files were
changed. A backup carries all of it, and is itself an archive: a SQLite file with the same rows and the same receipt, from
SQLite and PostgreSQL alike.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
from collections.abc import Collection, Iterable, Iterator
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

from attrs import frozen
from sqlalchemy import Connection, delete, insert, select, tuple_

from wlmeasure.errors import ArchiveError, NotWrittenError, WlmeasureError, one_line
from wlmeasure.image.file_content import first_bytes
from wlmeasure.record.archive.answers import Added
from wlmeasure.record.archive.archive import Archive, open_archive
from wlmeasure.record.archive.chain import Receipt, canonical, parsed
from wlmeasure.record.archive.place import opened, place_of, transaction
from wlmeasure.record.archive.tables import archives, cases, entries, entry_flags, films, journal
from wlmeasure.record.archive.verify import Verdict, verify
from wlmeasure.record.case import LARGEST_FILE, SUFFIX, load_case, save_case
from wlmeasure.whole_file import whole_file, write_whole

__all__ = [
    "LIST_NAME",
    "ExportReceipt",
    "Exported",
    "Imported",
    "backup",
    "export",
    "import_files",
    "is_backup",
    "restore",
]

TABLES = (archives, journal, cases, entries, entry_flags, films)  # a table behind those that it refers to
LIST_NAME = "export.json"  # beside the case files of an export; no case file, by its name
LIST_SCHEMA = "wlmeasure-export/1"
LARGEST_LIST = 100_000_000  # bytes (our parameter): half a million cases
LONGEST_NAME = 200  # bytes of a file's name before its ending: file systems take 255
AT_ONCE = 200  # rows copied together: a revision may have a megabyte


@frozen
class Imported:
    """What became of one case file: what was stored of it, or why nothing was."""

    path: Path
    added: Added | None
    error: str | None = None


@frozen
class Exported:
    """What became of one case: its file, or why there is none."""

    case_id: str
    path: Path | None
    error: str | None = None


@frozen
class ExportReceipt:
    """How many files an export has, and the hash over all of them: kept elsewhere, it shows every later change to them."""

    files: int
    sha256: str

    def __str__(self) -> str:
        return f"{self.files}:{self.sha256}"


def export(archive: Archive, folder: str | os.PathLike[str]) -> Iterator[Exported | ExportReceipt]:
    """Write every case as a case file into a new or empty folder; yields each once it is written, and at last the receipt.

    A case that cannot be written does not stop the others. The films stay where they are, and their paths stay what they were:
    relative to the case file that was stored. A list of the files with their hashes (:data:`LIST_NAME`) is written last.

    Raises
    ------
    ArchiveError
        A folder that holds something, or cannot be used.
    NotWrittenError
        The list cannot be written.
    """
    folder = Path(folder)
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise ArchiveError(f"folder must be empty: {folder} holds something; nothing is written over")
    except OSError as error:
        raise ArchiveError(f"folder {folder} cannot be used: {error.strerror or error}") from None
    used: set[str] = set()
    hashes: dict[str, str] = {}
    for line in archive.cases():
        case_id = str(line.case_id)
        path = folder / _own_name(case_id, used)
        try:
            save_case(archive.load(line.case_id).case, path)
            hashes[path.name] = hashlib.sha256(path.read_bytes()).hexdigest()
        except (WlmeasureError, OSError) as error:
            yield Exported(case_id, None, str(error))
        else:
            yield Exported(case_id, path)
    said = {"schema": LIST_SCHEMA, "archive": str(archive.receipt()), "files": hashes}
    write_whole(folder / LIST_NAME, json.dumps(said, indent=1, ensure_ascii=False) + "\n")
    yield _receipt_of(hashes)


def _own_name(case_id: str, used: set[str]) -> str:
    """A file name for a case: no id leads out of the folder, and no two are one name where capitals count alike."""
    name = quote(case_id, safe=" ", errors="replace").replace(".", "%2E")
    if len(name) > LONGEST_NAME:
        name = f"{name[: LONGEST_NAME - 17]}~{hashlib.sha256(case_id.encode('utf-8', 'replace')).hexdigest()[:16]}"
    while name.lower() in used:
        name += "~"
    used.add(name.lower())
    return f"{name}{SUFFIX}"


def _receipt_of(hashes: dict[str, str]) -> ExportReceipt:
    return ExportReceipt(len(hashes), hashlib.sha256(canonical(hashes).encode("utf-8", "replace")).hexdigest())


def _listed(folder: Path) -> dict[str, str] | None:
    """The hashes that the list of an export holds; None where the folder has none.

    Raises
    ------
    ArchiveError
        A list that cannot be read.
    """
    path = folder / LIST_NAME
    if not os.path.lexists(path):
        return None
    try:
        found = parsed(first_bytes(path, LARGEST_LIST).decode("utf-8"))
        hashes = found["files"] if found["schema"] == LIST_SCHEMA else None
    except (OSError, ValueError, LookupError, TypeError):
        hashes = None
    if not isinstance(hashes, dict) or not all(isinstance(one, str) for one in hashes.values()):
        raise ArchiveError(f"{path} must be the list that the export wrote: it is something else; nothing was stored")
    return hashes


def import_files(
    archive: Archive,
    paths: Iterable[str | os.PathLike[str]],
    *,
    by: str,
    at: str,
    confirmed: Collection[str] = (),
    receipt: Receipt | None = None,
) -> Iterator[Imported]:
    """Store case files, or all ``*.wl.json`` of folders; one that cannot be stored does not stop the others.

    A file of an export is held against the list that lies beside it: one that was changed since is refused.

    Parameters
    ----------
    archive, paths, by, at
        Where to, what, who stores it and when.
    confirmed
        Codes of questions about their entries, answered with yes.
    receipt
        That of an export, kept elsewhere: each folder must be the one it was given for, its list included.

    Yields
    ------
    Imported
        For each file, once it is stored or refused: of what the archive has already nothing is stored twice.

    Raises
    ------
    ArchiveError
        A folder is not the export that the receipt is of, or its list cannot be read.
    """
    given = [Path(path) for path in paths]
    lists = {path: _listed(path if path.is_dir() else path.parent) for path in given}
    if receipt is not None:
        for path, hashes in lists.items():
            made = None if hashes is None else _receipt_of(hashes)
            if made is None or made.files != receipt.rows or not made.sha256.startswith(receipt.sha256):
                raise ArchiveError(f"{path} must be the export of receipt {receipt}: it is not; nothing was stored")
    for place, hashes in lists.items():
        files = sorted(place.glob(f"*{SUFFIX}")) if place.is_dir() else [place]
        for path in files:
            try:
                yield Imported(path, _imported(archive, path, hashes, by=by, at=at, confirmed=confirmed))
            except WlmeasureError as error:
                yield Imported(path, None, str(error))
        for name in sorted(set(hashes or ()) - {path.name for path in files}) if place.is_dir() else ():
            yield Imported(place / one_line(name), None, "is on the list of the export and is not there")


def _imported(
    archive: Archive, path: Path, hashes: dict[str, str] | None, *, by: str, at: str, confirmed: Collection[str]
) -> Added:
    if hashes is not None:
        try:
            found = hashlib.sha256(first_bytes(path, LARGEST_FILE + 1)).hexdigest()
        except OSError as error:
            raise ArchiveError(f"cannot be read: {error.strerror or error}") from None
        if path.name not in hashes:
            raise ArchiveError("is not on the list of the export that it lies in; import it from another folder")
        if hashes[path.name] != found:
            raise ArchiveError("is not what was exported: it was changed since, or the list was")
    return archive.add(load_case(path), by=by, at=at, confirmed=confirmed)


def backup(archive: Archive, path: str | os.PathLike[str]) -> Verdict:
    """Copy a whole archive, while others may write to it, into a new SQLite file, and verify the copy.

    Returns
    -------
    Verdict
        What :func:`~wlmeasure.record.archive.verify.verify` says of the copy. Findings are those of the archive itself.

    Raises
    ------
    ArchiveError
        The file is there already, or cannot be written; then none is left behind.
    """
    path = Path(path)
    if path.exists():
        raise ArchiveError(f"backup must go to a new file: {path} is there already")
    if not path.parent.is_dir():
        raise ArchiveError(f"backup {path} cannot be written: its folder must exist")
    try:
        with whole_file(path, replace=False) as part:
            try:
                return _copied(archive, part)
            finally:
                for rest in ("-wal", "-shm"):
                    part.with_name(part.name + rest).unlink(missing_ok=True)
    except NotWrittenError as error:
        raise ArchiveError(f"backup: {error}") from None
    except (OSError, sqlite3.Error) as error:
        reason = error.strerror if isinstance(error, OSError) else None
        raise ArchiveError(f"backup {path} of {archive.place.shown} cannot be made: {reason or error}") from None


def _copied(archive: Archive, part: Path) -> Verdict:
    if archive.place.path is not None:
        _copy_file(archive, part)
    else:
        _copy_rows(archive, part)
    with open_archive(str(part.absolute())) as copy:
        verdict = verify(copy)
    with closing(sqlite3.connect(str(part))) as raw:
        raw.execute("PRAGMA journal_mode = DELETE")  # one file alone, that opens from a read-only disk too
    return verdict


def is_backup(path: str | os.PathLike[str]) -> bool:
    """Whether a path is a SQLite file, by its first bytes, and no case file."""
    try:
        return first_bytes(Path(path), 16) == b"SQLite format 3\0"
    except OSError:
        return False


def restore(archive: Archive, path: str | os.PathLike[str]) -> Verdict:
    """Copy a backup, chain and all, into an archive that holds nothing yet, on SQLite or PostgreSQL.

    Raises
    ------
    ArchiveError
        The archive holds something; the backup is none or is not what was stored.
    """
    with open_archive(str(path)) as source:
        verdict = verify(source)
        if verdict.findings:
            raise ArchiveError(f"backup {path} is not what was stored: {verdict.findings[0]}; nothing was restored")
        with (
            transaction(source.engine, source.place, write=False) as reading,
            transaction(archive.engine, archive.place, write=True) as writing,
        ):
            if writing.execute(select(archives.c.rows).with_for_update()).scalar() != 0:
                raise ArchiveError(
                    f"archive {archive.place.shown} must hold nothing yet: it has rows; restore into a new one"
                )
            _copy(reading, writing)
    return verdict


def _copy_file(archive: Archive, part: Path) -> None:
    # By the archive's own connection: another one cannot be opened where there is no room, which is when a copy is wanted.
    with closing(archive.engine.raw_connection()) as source, closing(sqlite3.connect(str(part))) as target:
        own = source.driver_connection
        assert isinstance(own, sqlite3.Connection)
        own.backup(target)


def _copy_rows(archive: Archive, part: Path) -> None:
    place = place_of(str(part.absolute()))
    part.unlink()  # an archive is made whole, never out of an empty file
    engine = opened(place, create=True)
    try:
        with (
            transaction(archive.engine, archive.place, write=False) as reading,
            transaction(engine, place, write=True) as writing,
        ):
            _copy(reading, writing)
    finally:
        engine.dispose()


def _copy(reading: Connection, writing: Connection) -> None:
    writing.execute(delete(archives))
    for table in TABLES:
        key = list(table.primary_key.columns)
        query = select(table).order_by(*key).limit(AT_ONCE)
        rows = reading.execute(query).all()
        while rows:
            writing.execute(insert(table), [dict(row._mapping) for row in rows])
            last = [rows[-1]._mapping[column] for column in key]
            rows = reading.execute(query.where(tuple_(*key) > tuple_(*last))).all()
