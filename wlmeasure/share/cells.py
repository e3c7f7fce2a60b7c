"""Text as a cell of a table that a spreadsheet will show and never run.

A spreadsheet takes a cell for a formula by its first sign, after blanks and quotes that it drops, and in some languages by
the full-width form of that sign. Where a comma is the decimal sign it parts cells at semicolons, so a formula may begin
inside a text as well. An apostrophe before the sign makes it text (OWASP, "CSV Injection"; DDE calls begin the same way).
"""

from __future__ import annotations

import re

__all__ = ["text_cell"]

_SIGNS = "=+\\-@\uff1d\uff0b\uff0d\uff20"
_BEGIN = re.compile(rf"(^|[;,\t\r\n])([\s\"\u200b-\u200f\ufeff]*)(?=[{_SIGNS}])")


def text_cell(value: object) -> str:
    """`value` as a cell; None is an empty one. A tab or line end, which would part cells, becomes a blank."""
    text = "" if value is None else str(value)
    text = _BEGIN.sub(r"\1\2'", text)
    return re.sub(r"[\t\r\n\v\f\x1c-\x1e\x85\u2028\u2029]+", " ", text)
