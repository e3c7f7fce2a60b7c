"""The case files that were opened or saved last, remembered beside the drafts. No Qt."""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path

from wlmeasure.errors import NotWrittenError
from wlmeasure.whole_file import write_whole
from wlmeasure_napari import _drafts

__all__ = ["recent", "remember"]

KEPT = 10


def _list() -> Path:
    return _drafts.folder() / "recent.json"


def _stored() -> list[Path]:
    try:
        names = json.loads(_list().read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return []
    return [Path(name) for name in names if isinstance(name, str)] if isinstance(names, list) else []


def remember(path: Path) -> None:
    """Put a file first; a list that cannot be written costs nobody a case."""
    paths = [path, *(old for old in _stored() if old != path)][: 3 * KEPT]  # some may be gone when it is read
    with suppress(OSError, NotWrittenError):
        write_whole(_list(), json.dumps([str(one) for one in paths]))


def recent() -> list[Path]:
    """The files that are still there, the last one first."""
    return [path for path in _stored() if path.is_file()][:KEPT]
