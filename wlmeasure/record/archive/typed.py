"""One entry from what a person types: a kind, a canal and the values of any members."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from attrs import fields

from wlmeasure.errors import CaseError, check_finite
from wlmeasure.record.case import Case, Entry
from wlmeasure.record.edit import with_entry
from wlmeasure.record.members import Choice, Number, Text, Whole, read_object
from wlmeasure.record.record import KINDS, LengthRecord
from wlmeasure.words import typed_number

__all__ = ["typed_entry"]

OURS = ("id", "kind", "at", "by", "canal")  # given by other words than member=value


def typed_entry(
    case: Case,
    kind: str,
    canal: str | None,
    members: Sequence[str],
    *,
    at: str,
    by: str,
    confirmed: Sequence[str] = (),
    now: str | None = None,
) -> Entry:
    """The entry that comes next in a case's record, completed and checked as one from the viewer is.

    Parameters
    ----------
    case
        The case with its entries, for the entry's id and its canals' reference points.
    kind, canal
        One of the kinds of the length record, and a canal of the case; no canal for an entry about the whole tooth.
    members
        Other members of an entry, each as ``name=value``; a number may have a decimal comma. An unknown name is refused.
    at, by
        When and by whom, written into the entry.
    confirmed
        Codes of questions that the record has about the entry, answered with yes.
    now
        The time of this computer's clock, so that an entry dated in the future is asked about.

    Raises
    ------
    CaseError
        An unknown kind, canal or member, a value that the member cannot have, a quantity that the kind needs or does not
        have, a question that was not answered.
    """
    if kind not in KINDS:
        raise CaseError(f"kind must be one of {', '.join(KINDS)}: {kind!r}")
    of_case = {one.name: one for one in case.canals}
    if canal is not None and canal not in of_case:
        raise CaseError(f"canal must be one of the case ({', '.join(of_case) or 'it has none'}): {canal!r}")
    kinds = {a.metadata["json"] or a.name: a.metadata["kind"] for a in fields(Entry) if "kind" in a.metadata}
    values: dict[str, Any] = {}
    for given in members:
        name, mark, text = given.partition("=")
        name = name.strip()
        if not mark or name not in kinds or name in OURS:
            raise CaseError(
                f"--set must be one of {', '.join(n for n in kinds if n not in OURS)} = a value: {given[:80]!r}"
            )
        if name in values:
            raise CaseError(f"--set {name} must be given once: it is given twice")
        values[name] = _value(name, kinds[name], text.strip())
    own = {"id": LengthRecord(case.entries).next_id(), "kind": kind, "at": at, "by": by}
    entry: Entry = read_object(Entry, own | ({} if canal is None else {"canal": canal}) | values, "")
    return with_entry(case, entry, confirmed=confirmed, now=now).entries[-1]


def _value(name: str, kind: Any, text: str) -> Any:
    if isinstance(kind, (Text, Choice)):
        return text
    if isinstance(kind, (Number, Whole)):
        try:
            number = check_finite(CaseError, name, typed_number(text.removesuffix("mm").strip().replace(",", ".")))
        except ValueError:
            raise CaseError(f"{name} must be a number such as 21.5: {text[:40]!r}") from None
        return int(number) if isinstance(kind, Whole) and number.is_integer() else number
    try:
        return json.loads(text)
    except ValueError:
        raise CaseError(f"{name} must be JSON, such as [1, 2]: {text[:40]!r}") from None
