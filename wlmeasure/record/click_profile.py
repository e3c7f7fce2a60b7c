"""How far one person's clicks are off, as a small file ``*.clicks.json`` that a case is given it from.

The file says what the case's member `clicks` says, and beside it what was seen in the repeats. `wlmeasure observers` writes
it, and a person may write one by hand.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

from attrs import frozen

from wlmeasure.errors import CaseError, NotWrittenError
from wlmeasure.image.file_content import first_bytes
from wlmeasure.record.case import Clicks
from wlmeasure.record.members import Nested, Number, Whole, extra_members, member, read_object, write_object
from wlmeasure.whole_file import write_whole

__all__ = ["CLICKS_SCHEMA", "CLICKS_SUFFIX", "ClickProfile", "load_clicks", "save_clicks"]

CLICKS_SCHEMA = "wlmeasure-clicks/1"
CLICKS_SUFFIX = ".clicks.json"
LARGEST_FILE = 2**16  # bytes; a profile has less than a thousand
PX = Number(least=0.0, most=1000.0)


@frozen
class ClickProfile:
    """A person's clicks, and what of their repeats they rest on.

    Attributes
    ----------
    clicks
        What a case takes.
    along_px, across_px
        Pooled standard deviation of repeats along and across the line, as it was seen; a length hangs on the first.
    freedom
        Its degrees of freedom.
    """

    clicks: Clicks = member(Nested(Clicks))
    along_px: float | None = member(PX, None)
    across_px: float | None = member(PX, None)
    freedom: int | None = member(Whole(1, 1_000_000), None)
    extra: dict[str, Any] = extra_members()


def load_clicks(path: str | os.PathLike[str]) -> ClickProfile:
    """Read a profile.

    Raises
    ------
    CaseError
        Not a file, not JSON, of another schema, or with a member that is missing or wrong; names the member.
    """
    path = Path(path)
    try:
        content = first_bytes(path, LARGEST_FILE + 1)
        if len(content) > LARGEST_FILE:
            raise CaseError(f"{path.name} must be at most {LARGEST_FILE} bytes: more; is it a profile of clicks?")
        data = json.loads(content.decode("utf-8-sig"))
    except OSError as error:
        raise CaseError(f"{path.name} cannot be read: {error.strerror or error}") from None
    except (ValueError, RecursionError):
        raise CaseError(
            f"{path.name} must be a profile of clicks: it is not JSON; `observers --clicks` writes one"
        ) from None
    schema = data.pop("schema", None) if isinstance(data, dict) else None
    if schema != CLICKS_SCHEMA:
        raise CaseError(
            f"{path.name}: schema must be {CLICKS_SCHEMA!r}: {str(schema)[:60]!r}; `observers --clicks` writes "
            "such a profile"
        )
    try:
        made: ClickProfile = read_object(ClickProfile, data, "")
    except CaseError as error:
        raise CaseError(f"{path.name}: {error}") from None
    return made


def save_clicks(profile: ClickProfile, path: str | os.PathLike[str]) -> None:
    """Write a profile whole or not at all.

    Raises
    ------
    CaseError
        The file cannot be written.
    """
    text = json.dumps({"schema": CLICKS_SCHEMA} | write_object(profile), indent=1, ensure_ascii=False) + "\n"
    try:
        write_whole(path, text)
    except NotWrittenError as error:
        raise CaseError(str(error)) from None
