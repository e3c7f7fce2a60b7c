"""Where a session keeps its case until the clinician saves it: one file a session in the user's own state folder.

A session holds its draft by a lock that the system drops when the program ends, however it ends: what is held is open in
some window, what is free was left behind.
"""

from __future__ import annotations

import os
from pathlib import Path
from uuid import uuid4

from filelock import BaseFileLock, FileLock, Timeout
from platformdirs import user_state_path

from wlmeasure.errors import CaseError
from wlmeasure.record.case import SUFFIX

__all__ = ["discard", "drafts", "free_drafts", "hold", "is_draft", "new_draft"]

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


def _lock(path: Path) -> BaseFileLock:
    return FileLock(path.with_suffix(".lock"), timeout=0, thread_local=False)


def hold(path: Path) -> BaseFileLock:
    """Hold a draft for one session, until the lock is released or the program ends.

    Raises
    ------
    CaseError
        Another window has it.
    """
    lock = _lock(path)
    try:
        lock.acquire()
    except Timeout:
        raise CaseError(f"case must not be open twice: {path.name} is open in another window; go on there") from None
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
    path.with_suffix(".lock").unlink(missing_ok=True)
