"""Where a session keeps its case until the clinician saves it: one file a session in the user's own state folder."""

from __future__ import annotations

import os
from pathlib import Path
from uuid import uuid4

from platformdirs import user_state_path

from wlmeasure.record.case import SUFFIX

__all__ = ["discard", "drafts", "new_draft"]

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


def discard(path: Path) -> None:
    """Forget a draft."""
    path.unlink(missing_ok=True)
