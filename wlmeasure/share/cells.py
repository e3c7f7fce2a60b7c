"""Tables that a spreadsheet shows and never runs: the one way in which a CSV is written here, and its texts are read back.

A spreadsheet takes a cell for a formula by its first sign (OWASP, "CSV Injection": = + - @, tab, carriage return and the
full-width forms), after blanks and quotes that it drops. Where a comma is the decimal sign it parts lines at semicolons, on
import also at tabs and bars, so a formula may begin inside a text as well. An apostrophe before the sign makes it text.
Whatever Unicode takes for such a sign (NFKC) or for a mark without width counts as one.

A number stays a number, also one that is written as text. The first cell of a line is an exception: parted at semicolons,
``-5,1*...`` is one cell, and a formula where a comma is the decimal sign.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable
from itertools import islice
from typing import TextIO

__all__ = ["table_text", "text_cell", "text_of_cell", "write_rows"]

# All characters whose compatibility form (NFKC) begins with one of the four; the tests go through the whole of Unicode.
SIGNS = "=+\\-@\u207a\u207c\u208a\u208c\u2a75\u2a76\ufb29\ufe62\ufe63\ufe66\ufe6b\uff0b\uff0d\uff1d\uff20"
# Where a cell may begin: at separators, and at what some reader or other takes for the end of a line.
PARTS = ";|\t\n\v\f\r\x1c-\x1e\x85\u2028\u2029"
# What stands before the sign unseen: blanks, controls, format characters, fillers, selectors; and quotes, which are dropped.
UNSEEN = (
    '\x00-\x08\x0e-\x1b\x1f "\x7f-\x84\x86-\xa0\xad\u034f\u0600-\u0605\u061c\u06dd\u070f\u0890\u0891\u08e2\u115f\u1160'
    "\u1680\u17b4\u17b5\u180b-\u180f\u2000-\u200f\u202a-\u202f\u205f-\u206f\u3000\u3164\ufe00-\ufe0f\ufeff\uffa0\ufff0-\ufffb"
    "\U000110bd\U000110cd\U00013430-\U0001343f\U0001bca0-\U0001bca3\U0001d173-\U0001d17a\U000e0000-\U000e0fff"
)
_FORMULA = rf"'*[{UNSEEN}]*[{SIGNS}]"
_TOUCHED = re.compile(rf"[{SIGNS}\t\r\n\ud800-\udfff]")  # most texts hold none of these
_BEGIN = re.compile(rf"(?:^|(?<=[{PARTS}]))(?={_FORMULA})")
_GUARD = re.compile(rf"(?:^|(?<=[{PARTS}]))'(?={_FORMULA})")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?")


PLAIN = (float, int, type(None))


def text_cell(text: str, *, begins_line: bool = False) -> str:
    """`text` as a cell: an apostrophe before whatever a spreadsheet might run; :func:`text_of_cell` takes it off again.

    A tab or line end, which would part cells, becomes a blank, and half of a surrogate pair a question mark; all else is
    kept. A plain number (``-0.5``, ``+1``, ``2,5e3``) is left as it is, except where it `begins_line`.
    """
    if _TOUCHED.search(text) is None or (not begins_line and _NUMBER.fullmatch(text) is not None):
        return text
    whole = re.sub(r"[\t\r\n]+", " ", text).encode("utf-8", "replace").decode("utf-8")
    return _BEGIN.sub("'", whole)


def text_of_cell(cell: str) -> str:
    """The text that :func:`text_cell` made a cell of."""
    return _GUARD.sub("", cell) if "'" in cell else cell


def write_rows(file: TextIO, rows: Iterable[Iterable[object]]) -> None:
    """Write lines of a table to a file opened with ``newline=""``: texts guarded, None an empty cell, numbers as they are.

    Numbers come back exactly (``repr``); one that is to have fewer digits is given as text.
    """
    csv.writer(file, lineterminator="\n").writerows(map(_guarded, rows))


def table_text(rows: Iterable[Iterable[object]]) -> str:
    """The same as one text."""
    out = io.StringIO()
    write_rows(out, rows)
    return out.getvalue()


def _guarded(row: Iterable[object]) -> Iterable[object]:
    values = iter(row)
    cells: list[object] = [
        None if first is None else text_cell(str(first), begins_line=True) for first in islice(values, 1)
    ]
    return cells + [value if isinstance(value, PLAIN) else text_cell(str(value)) for value in values]
