"""What goes out of an archive and comes in: case files, and copies of the whole archive.

Case files carry the content as it stands and every entry; what they do not carry is the chain and the earlier revisions of
the content. A backup carries all of it, and is itself an archive: a SQLite file with the same rows and the same receipt,
from SQLite and PostgreSQL alike.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

from attrs import frozen
from sqlalchemy import Connection, delete, insert, select, tuple_

from wlmeasure.errors import ArchiveError, NotWrittenError, WlmeasureError
from wlmeasure.image.file_content import first_bytes
from wlmeasure.record.archive.answers import Added
from wlmeasure.record.archive.archive import Archive, open_archive
from wlmeasure.record.archive.place import Place, opened, place_of, transaction
from wlmeasure.record.archive.tables import archives, cases, entries, entry_flags, films, journal
from wlmeasure.record.archive.verify import Verdict, verify
from wlmeasure.record.case import SUFFIX, load_case, save_case
from wlmeasure.whole_file import whole_file

__all__ = ["Imported", "backup", "export", "import_files", "is_backup", "restore"]

TABLES = (archives, journal, cases, entries, entry_flags, films)  # a table behind those that it refers to
AT_ONCE = 200  # rows copied together: a revision may have a megabyte


@frozen
class Imported:
    """What became of one case file: what was stored of it, or why nothing was."""

    path: Path
    added: Added | None
    error: str | None = None


def export(archive: Archive, folder: str | os.PathLike[str]) -> Iterator[Path]:
    """Write every case as a case file into a new or empty folder; yields each path when it is written.

    The films stay where they are, and their paths stay what they were: relative to the case file that was stored.

    Raises
    ------
    ArchiveError
        A folder that holds something; a row that is not what was stored.
    CaseError
        A file that cannot be written.
    """
    folder = Path(folder)
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise ArchiveError(f"folder must be empty: {folder} holds something; nothing is written over")
    except OSError as error:
        raise ArchiveError(f"folder {folder} cannot be used: {error.strerror or error}") from None
    used: set[str] = set()
    for line in archive.cases():
        name = quote(line.case_id, safe=" ").replace(".", "%2E")  # no id leads out of the folder
        while name.lower() in used:  # two ids that some file systems would take for one name
            name += "~"
        used.add(name.lower())
        path = folder / f"{name}{SUFFIX}"
        save_case(archive.load(line.case_id).case, path)
        yield path


def import_files(archive: Archive, paths: Iterable[str | os.PathLike[str]], *, by: str, at: str) -> Iterator[Imported]:
    """Store case files, or all ``*.wl.json`` of folders; one that cannot be stored does not stop the others.

    Yields
    ------
    Imported
        For each file, once it is stored or refused: of what the archive has already nothing is stored twice.
    """
    for given in map(Path, paths):
        for path in sorted(given.glob(f"*{SUFFIX}")) if given.is_dir() else [given]:
            try:
                added = archive.add(load_case(path), by=by, at=at)
            except WlmeasureError as error:
                yield Imported(path, None, str(error))
            else:
                yield Imported(path, added)


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
        with whole_file(path, replace=False, private=True) as part:
            try:
                return _copied(archive, part)
            finally:
                for rest in ("-wal", "-shm"):
                    part.with_name(part.name + rest).unlink(missing_ok=True)
    except NotWrittenError as error:
        raise ArchiveError(f"backup: {error}") from None
    except (OSError, sqlite3.Error) as error:
        reason = error.strerror if isinstance(error, OSError) else None
        raise ArchiveError(f"backup {path} cannot be written: {reason or error}") from None


def _copied(archive: Archive, part: Path) -> Verdict:
    if archive.place.path is not None:
        _copy_file(archive.place, part)
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


def _copy_file(place: Place, part: Path) -> None:
    try:
        with closing(sqlite3.connect(str(place.path))) as source, closing(sqlite3.connect(str(part))) as target:
            source.backup(target)
    except sqlite3.Error as error:
        raise ArchiveError(f"backup of {place.shown} cannot be made: {error}") from None


def _copy_rows(archive: Archive, part: Path) -> None:
    place = place_of(str(part.absolute()))
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
