"""Where a session keeps its case until the clinician saves it: one file a session in the user's own state folder.

A session holds its draft by a lock that the system drops when the program ends, however it ends: what is held is open in
some window, what is free was left behind. A note beside a draft says which file it belongs to, if a person has named one;
that file is held by a lock in this folder too, since not every network share knows locks.
"""

from __future__ import annotations

import hashlib
import json
import os
from contextlib import suppress
from pathlib import Path
from uuid import uuid4

from attrs import frozen
from filelock import BaseFileLock, FileLock, Timeout
from platformdirs import user_state_path

from wlmeasure.errors import CaseError, NotWrittenError
from wlmeasure.image.file_content import first_bytes
from wlmeasure.record.case import LARGEST_FILE, SUFFIX
from wlmeasure.whole_file import write_whole

__all__ = [
    "OpenElsewhereError",
    "Origin",
    "discard",
    "drafts",
    "drafts_of",
    "folder",
    "free_drafts",
    "hold",
    "hold_file",
    "is_draft",
    "new_draft",
    "note_origin",
    "origin_of",
]

VARIABLE = "WLMEASURE_DRAFTS"  # another folder, for a shared machine or a test


def folder() -> Path:
    """The folder of the drafts, made private to the user if it is not there."""
    named = os.environ.get(VARIABLE)
    path = Path(named) if named else user_state_path("wlmeasure") / "drafts"
    path.mkdir(parents=True, exist_ok=True, mode=0o700)
    return path


def new_draft() -> Path:
    """A name no other session uses."""
    return folder() / f"{uuid4().hex}{SUFFIX}"


def drafts() -> list[Path]:
    """Cases that were not saved by hand, the newest first."""
    return sorted(folder().glob(f"*{SUFFIX}"), key=lambda path: path.stat().st_mtime, reverse=True)


def is_draft(path: Path) -> bool:
    """Whether a case lies among the drafts."""
    return path.parent == folder()


class OpenElsewhereError(CaseError):
    """Another window has the case."""


@frozen
class Origin:
    """The file that a draft belongs to, and the SHA-256 of its bytes when the draft was begun."""

    file: Path
    sha256: str


def _note(draft: Path) -> Path:
    return draft.with_name(draft.name.removesuffix(SUFFIX) + ".of.json")


def note_origin(draft: Path, origin: Origin | None) -> None:
    """Note beside a draft which file it belongs to; None for one that nobody has named."""
    if origin is None:
        _note(draft).unlink(missing_ok=True)
    else:
        try:
            write_whole(_note(draft), json.dumps({"file": str(origin.file), "sha256": origin.sha256}))
        except NotWrittenError as error:
            raise CaseError(str(error)) from None


def origin_of(draft: Path) -> Origin | None:
    """The file that a draft belongs to; None where nobody has named one, or the note is lost."""
    try:
        noted = json.loads(_note(draft).read_text(encoding="utf-8"))
        return Origin(Path(noted["file"]), str(noted["sha256"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def drafts_of(file: Path) -> list[Path]:
    """Unsaved changes of a file that no window holds and that are newer than the file, the newest first.

    Those that were begun on the very bytes that the file holds are newer, whatever the clocks say: a share has its own. Others
    go by the clock; older ones were left when the file was saved since, and stay among the unsaved cases.
    """
    there = file.exists()
    saved = file.stat().st_mtime_ns if there else 0
    held = hashlib.sha256(first_bytes(file, LARGEST_FILE + 1)).hexdigest() if there else ""
    mine = [
        (draft, origin) for draft in free_drafts() if (origin := origin_of(draft)) is not None and origin.file == file
    ]
    return [draft for draft, origin in mine if origin.sha256 == held or draft.stat().st_mtime_ns > saved]


def _lock(path: Path) -> BaseFileLock:
    return FileLock(path.with_suffix(".lock"), timeout=0, thread_local=False)


def hold(path: Path) -> BaseFileLock:
    """Hold a draft for one session, until the lock is released or the program ends.

    Raises
    ------
    OpenElsewhereError
        Another window has it.
    """
    lock = _lock(path)
    try:
        lock.acquire()
    except Timeout:
        raise OpenElsewhereError(
            f"case must not be open twice: {path.name} is open in another window; go on there"
        ) from None
    return lock


def hold_file(path: Path) -> BaseFileLock:
    """Hold a named case file for one session, as :func:`hold` does a draft.

    Raises
    ------
    OpenElsewhereError
        Another window has it.
    """
    place = folder() / "open"
    place.mkdir(exist_ok=True, mode=0o700)
    name = hashlib.sha256(os.path.normcase(path.resolve()).encode()).hexdigest()[:32]
    lock = FileLock(place / f"{name}.lock", timeout=0, thread_local=False)
    try:
        lock.acquire()
    except Timeout:
        raise OpenElsewhereError(f"case must not be open twice: {path.name} is open in another window") from None
    return lock


def free_drafts() -> list[Path]:
    """The drafts that no session holds: what a program that ended too early left behind."""
    free = []
    for path in drafts():
        lock = _lock(path)
        try:
            with lock:
                free.append(path)
        except Timeout:
            continue
    return free


def discard(path: Path) -> None:
    """Forget a draft."""
    path.unlink(missing_ok=True)
    _note(path).unlink(missing_ok=True)
    with suppress(PermissionError):  # some systems keep a file that is open
        path.with_suffix(".lock").unlink(missing_ok=True)
