"""The chain of hashes that ties the rows of an archive together.

Every row of the journal is sealed with the SHA-256 of its content, its places (in the archive and in its case) and the
hashes of the row before it in the archive and in the case. The last hash stands beside the count in the archive's own row,
and another one in each case's row.

What this finds without a secret: any row that was changed, taken out, put in, moved or given to another case, a tail that
was cut off, a case that was deleted. What it cannot find alone: somebody who may write to the database and computes every
later hash anew, or puts an older copy of the whole database in its place. A :class:`Receipt`, printed on paper or kept
elsewhere, finds that too: it names a row and its hash.
"""

from __future__ import annotations

import hashlib
import json
import re
from typing import Any

from attrs import asdict, frozen

from wlmeasure.errors import ArchiveError, one_line

__all__ = [
    "ENTRY",
    "NOTHING",
    "REVISION",
    "Receipt",
    "Row",
    "canonical",
    "ill_typed",
    "is_sound",
    "parsed",
    "receipt_from_text",
    "sealed",
]

FORMAT = "wlmeasure-journal/1"
NOTHING = "0" * 64  # stands where there is no row before
REVISION, ENTRY = "revision", "entry"
SHORTEST_HASH = (
    16  # hexadecimal digits of a receipt typed from paper: 64 bit, nothing that chance meets (our parameter)
)


@frozen
class Row:
    """One row of the journal: a revision of a case's content, or an entry of its length record.

    `seq` counts the rows of the archive and `case_seq` those of the case, both from 1. `content` is canonical JSON;
    `before` and `case_before` are the hashes of the row before in the archive and in the case.
    """

    seq: int
    case_id: str
    case_seq: int
    what: str
    stored_at: str
    stored_by: str
    content: str
    before: str
    case_before: str
    sha256: str


@frozen
class Receipt:
    """How many rows an archive had and the hash of the last one: enough to find every later change to them."""

    rows: int
    sha256: str

    def __str__(self) -> str:
        return f"{self.rows}:{self.sha256}"


def receipt_from_text(text: str) -> Receipt:
    """A receipt as it was printed; the first 16 digits of the hash are enough, blanks in it are left out.

    Raises
    ------
    ArchiveError
        Not a number, a colon and hexadecimal digits.
    """
    found = re.fullmatch(rf"([0-9]{{1,15}}):([0-9a-f]{{{SHORTEST_HASH},64}})", "".join(text.split()).lower())
    if found is None:
        raise ArchiveError(
            f"receipt must be a number, a colon and {SHORTEST_HASH} to 64 hexadecimal digits: {text[:90]!r}; copy it as printed"
        )
    return Receipt(int(found[1]), found[2])


def ill_typed(row: Row) -> tuple[str, ...]:
    """The columns that hold no value of their kind: SQLite takes anything anywhere from who writes past the program."""
    return tuple(
        name
        for name, value in asdict(row).items()
        if not isinstance(value, int if name in ("seq", "case_seq") else str)
    )


def is_sound(archive_id: str, row: Row) -> bool:
    """Whether a row is what was stored, whatever stands in it now."""
    return not ill_typed(row) and row.sha256 == sealed(archive_id, row)


def parsed(content: str) -> Any:
    """The JSON of a row's content.

    Raises
    ------
    ArchiveError
        Not JSON, or nested too deeply to be anything that was stored.
    """
    try:
        return json.loads(content)
    except RecursionError:
        raise ArchiveError("content must be what was stored: its brackets are nested too deeply") from None
    except (ValueError, TypeError) as error:
        raise ArchiveError(f"content must be JSON: {one_line(error)[:100]}") from None


def canonical(value: Any) -> str:
    """JSON in one form only: members sorted, no blanks, nothing escaped that need not be."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def sealed(archive_id: str, row: Row) -> str:
    """SHA-256, in hexadecimal, that a row of that archive must have: of the canonical JSON of a list of its members."""
    members = [
        *(FORMAT, archive_id, row.seq, row.case_id, row.case_seq, row.what),
        *(row.stored_at, row.stored_by, row.content, row.before, row.case_before),
    ]
    return hashlib.sha256(canonical(members).encode("utf-8", "surrogatepass")).hexdigest()
