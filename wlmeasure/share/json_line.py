"""JSON for a terminal or a pipe: one line in which no character does anything but show."""

from __future__ import annotations

import json

__all__ = ["json_line"]


def json_line(value: object) -> str:
    """`value` as one line of JSON, letters of all alphabets as they are.

    Controls of terminals, marks that turn the writing round and half surrogates (a file name that is no text has them) are
    escaped: JSON alone escapes only the first 32 characters, and a terminal takes U+009B for the begin of a command.
    """
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else json.dumps(c)[1:-1] for c in text)  # these stand inside texts only
