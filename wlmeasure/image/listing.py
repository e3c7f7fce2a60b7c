"""The films of a folder or of a DICOMDIR as a list: tooth, date, size, from headers alone; no pixel is decoded.

A DICOMDIR is hostile input as any file is: a name in it that leaves its folder, by `..`, an absolute path or a link, is
refused. In a folder, links to folders are not followed.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from attrs import frozen

from wlmeasure.errors import ImageError
from wlmeasure.image.file_content import MAX_FILE_BYTES, file_content, first_bytes
from wlmeasure.image.radiograph import printable
from wlmeasure.image.reading import content_kind

__all__ = ["FilmList", "ListedFilm", "list_films"]

MAX_FILES = 5000
"""Files looked at in one folder or DICOMDIR; a few hundred are a large folder of one patient (our parameter)."""
MAX_DEPTH = 8
"""Folders within folders; an exported medium has patient, study and series, which are three (our parameter)."""
HEAD_BYTES = 1024


@frozen
class ListedFilm:
    """One film of a list; `refused` says in one line why it cannot be opened, and is empty where nothing stands against it.

    Attributes
    ----------
    path
        Where it lies.
    name
        The same from the listed folder on, fit to be shown.
    teeth
        ISO 3950 designations of the teeth that its header names.
    date
        Day of the exposure by its header, as ISO 8601; of the file where the header has none.
    date_is_of_file
        Whether `date` is only the file's.
    rows, cols, frames
        Size in pixels as stored, and how many pictures there are.
    """

    path: Path
    name: str
    format: str
    teeth: tuple[str, ...] = ()
    date: str | None = None
    date_is_of_file: bool = False
    rows: int = 0
    cols: int = 0
    frames: int = 1
    refused: str = ""


@frozen
class FilmList:
    """Films, the newest first, then those without a date of their own and those that cannot be opened; other files; remarks."""

    films: tuple[ListedFilm, ...]
    others: int
    notes: tuple[str, ...] = ()


def list_films(place: str | os.PathLike[str], *, max_files: int = MAX_FILES) -> FilmList:
    """The films of a folder and the folders in it, or those that a DICOMDIR lists.

    Raises
    ------
    ImageError
        Nothing is there, or it is another file.
    """
    given = Path(place)
    notes: list[str] = []
    if given.is_dir():
        folder, found = given, _walked(given, max_files, notes)
    elif given.is_file():
        folder, found = given.parent, _of_directory(given, max_files, notes)
    else:
        raise ImageError(
            f"{printable(given.name or given)} must be a folder or a DICOMDIR: nothing there; check the name"
        )
    films, others = [], 0
    for path, fault in found:
        listed = _refused(path, folder, "", fault) if fault else _listed(path, folder)
        if listed is None:
            others += 1
        else:
            films.append(listed)
    films.sort(key=lambda film: film.name)
    films.sort(key=lambda film: film.date or "", reverse=True)
    films.sort(key=lambda film: (bool(film.refused), film.date_is_of_file))
    return FilmList(tuple(films), others, tuple(notes))


def _walked(folder: Path, max_files: int, notes: list[str]) -> Iterator[tuple[Path, str]]:
    """Regular files in a folder, with what stands against each; hidden ones are left out."""
    seen = 0
    for at, folders, names in os.walk(folder):
        inside = len(Path(at).relative_to(folder).parts)
        folders[:] = sorted(name for name in folders if not name.startswith(".")) if inside < MAX_DEPTH else []
        for name in sorted(names):
            path = Path(at) / name
            if name.startswith(".") or not path.is_file():
                continue
            if seen == max_files:
                notes.append(f"only the first {max_files} files were looked at; name a folder further down")
                return
            seen += 1
            yield path, ""


def _of_directory(path: Path, max_files: int, notes: list[str]) -> Iterator[tuple[Path, str]]:
    """Files that a DICOMDIR lists, with what stands against each."""
    from wlmeasure.image.dicom import directory_records

    name = printable(path.name)
    try:
        records = directory_records(path)
    except ImageError as error:
        raise ImageError(f"{name}: {error}") from error
    if records is None:
        raise ImageError(
            f"{name} must be a folder or a DICOMDIR: it is another file; wlmeasure read FILE reads an image"
        )
    if len(records) > max_files:
        notes.append(f"only the first {max_files} of {len(records)} images were looked at")
    root = path.parent.resolve()
    return (_placed(root, path.parent, parts) for parts in records[:max_files])


def _placed(root: Path, folder: Path, parts: tuple[str, ...]) -> tuple[Path, str]:
    """Where the parts of a name lead, and the fault if that is nowhere or outside the folder."""
    words = printable("/".join(parts), 60)
    if any(not part or part in (".", "..") or set(part) & set("/\\:\0") for part in parts):
        return folder, f"{words}: name in the DICOMDIR must stay in its folder"
    path = folder
    for part in parts:
        path = _child(path, part)
    try:
        inside = path.resolve().is_relative_to(root)
    except (OSError, RuntimeError):  # links in a circle
        inside = False
    if not inside:
        return folder, f"{words}: name in the DICOMDIR must stay in its folder; it leads outside by a link"
    if not path.is_file():
        return path, f"{words}: file that the DICOMDIR lists is not there"
    return path, ""


def _child(folder: Path, name: str) -> Path:
    """The entry of that name; media are often mounted with names in small letters."""
    path = folder / name
    return path if path.exists() else folder / name.lower() if (folder / name.lower()).exists() else path


def _refused(path: Path, folder: Path, kind: str, why: str) -> ListedFilm:
    return ListedFilm(path, _name(path, folder), kind, refused=why)


def _name(path: Path, folder: Path) -> str:
    return printable(path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.name)


def _listed(path: Path, folder: Path) -> ListedFilm | None:
    """One film by its header; None for a file that is no picture."""
    from datetime import datetime  # kept off the start-up path

    kind = ""
    try:
        status = path.stat()
        head = first_bytes(path, HEAD_BYTES)
        try:
            kind = content_kind(head)
        except ImageError:
            return None
        if status.st_size > MAX_FILE_BYTES:
            raise ImageError(f"file must be at most {MAX_FILE_BYTES} bytes: {status.st_size}; it is not one radiograph")
        day = datetime.fromtimestamp(status.st_mtime).date().isoformat()
        if kind == "DICOM":
            from wlmeasure.image.dicom import read_dicom_header

            header = read_dicom_header(path, size=status.st_size)
            if header is None:
                return None
            of_file = header.date is None
            size = header.rows, header.cols, header.frames
            return ListedFilm(path, _name(path, folder), kind, header.teeth, header.date or day, of_file, *size)
        from wlmeasure.image.headers import read_header

        picture = read_header(file_content(path), kind)
        return ListedFilm(path, _name(path, folder), kind, (), day, True, picture.rows, picture.cols)
    except ImageError as error:
        return _refused(path, folder, kind, str(error))
    except OSError as error:
        return _refused(path, folder, kind, f"file cannot be opened: {error.strerror or printable(error)}")
