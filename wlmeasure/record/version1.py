"""Case files of version 1, read and brought to version 2 in memory; the file itself is left alone.

Version 1 kept readings and the decision in each canal, and again among the entries. Here both become entries, where they are
not entries already. Where the two said different things neither is taken for true: a note in the log says so, and the length
has to be decided again. Readings had no time; they are placed before what they led to.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final, get_args

from attrs import fields, frozen

from wlmeasure.decide.electronic import Mark
from wlmeasure.errors import CaseError
from wlmeasure.record.kinds import KIND_TABLE
from wlmeasure.record.members import (
    Choice,
    Each,
    Nested,
    Number,
    Text,
    Whole,
    extra_members,
    member,
    read_object,
)

__all__ = ["NOT_RECORDED", "PROGRAM", "SCHEMA", "UNNAMED", "upgraded"]

SCHEMA: Final = "wlmeasure-case/1"
UNNAMED: Final = "reference cusp or edge"
"""What the viewer wrote in version 1 for a reference point that nobody had named."""
NOT_RECORDED: Final = "not recorded"
"""Who entered a reading of version 1, which did not keep it."""
PROGRAM: Final = "wlmeasure, from version 1"
"""Who made the entries that a file of version 1 did not hold; its notes name what contradicted itself."""
SAME_MM: Final = 1e-6  # the same figure, written twice

Json = Any
TEXTS = (
    "id",
    "kind",
    "at",
    "by",
    "canal",
    "other_canal",
    "supersedes",
    "before",
    "inputs_sha256",
)  # of an entry, if any


@frozen
class _Reading:
    length_mm: float = member(Number(least=1.0, most=60.0))
    mark: str = member(Choice(get_args(Mark)))
    file_size: int | None = member(Whole(6, 140), None)
    conditions: tuple[str, ...] = member(Each(Text(longest=100), most=20), ())
    extra: dict[str, Any] = extra_members()


@frozen
class _Decision:
    length_mm: float = member(Number(least=1.0, most=60.0))
    by: str = member(Text(longest=80))
    at: str = member(Text(longest=40))
    reason: str | None = member(Text(longest=1000), None)
    extra: dict[str, Any] = extra_members()


@frozen
class _Canal:
    """The members of a canal that version 2 has no place for there, and those that tell it apart."""

    name: str = member(Text(longest=40))
    reference_point: str = member(Text())
    electronic_readings: tuple[_Reading, ...] = member(Each(Nested(_Reading), most=100), ())
    decision: _Decision | None = member(Nested(_Decision), None)
    extra: dict[str, Any] = extra_members()


def upgraded(data: Mapping[str, Json]) -> dict[str, Json]:
    """The same case as JSON of version 2; `data` is not changed.

    Raises
    ------
    CaseError
        A canal, reading or decision that version 1 would have refused; names the member.
    """
    canals = data.get("canals")
    entries = data.get("entries")
    if any(name in data and not isinstance(data[name], list) for name in ("canals", "entries")):
        return {**data, "schema": "wlmeasure-case/2"}  # reading it says which member is wrong
    log = list(entries or ())
    if not all(isinstance(one, dict) and all(isinstance(one.get(name), str | None) for name in TEXTS) for one in log):
        return {**data, "schema": "wlmeasure-case/2"}
    ids = _free_ids({entry["id"] for entry in log if isinstance(entry.get("id"), str)})
    new: list[dict[str, Json]] = []
    kept = []
    for k, canal in enumerate(canals or ()):
        known: _Canal = read_object(_Canal, canal, f"canals[{k}]")
        left = {name: value for name, value in canal.items() if name not in ("electronic_readings", "decision")}
        point = None if known.reference_point == UNNAMED else known.reference_point
        kept.append(left | {"reference_point": point})
        new += _readings(known, point, log, ids)
        new += _decision(known, point, log, ids)
    out = {**data, "schema": "wlmeasure-case/2"}
    if canals is not None:
        out["canals"] = kept
    new += _removed({canal["name"] for canal in kept}, log, ids)
    if new:
        out["entries"] = [*(entries or ()), *new]
    return out


def _removed(names: set[str], log: Sequence[dict[str, Json]], ids: Iterator[str]) -> list[dict[str, Json]]:
    """An entry for each canal that the log knows and the case does not, so that no later canal of that name inherits it.

    Version 1 took a canal out, or gave it another name, without a word in the log.
    """
    known = dict.fromkeys(entry["canal"] for entry in log if isinstance(entry.get("canal"), str))
    return [
        {"id": next(ids), "kind": "canal removed", "at": _last_time(log), "by": PROGRAM, "canal": name}
        for name in known
        if name not in names
    ]


def _last_time(log: Sequence[dict[str, Json]]) -> str | None:
    return next((entry["at"] for entry in reversed(log) if isinstance(entry.get("at"), str)), None)


def _unknown(extra: dict[str, Json]) -> dict[str, Json]:
    """Members that version 1 did not know, under names that mean nothing else in an entry."""
    from wlmeasure.record.case import Entry  # which reads this module

    taken = {attribute.name for attribute in fields(Entry)}
    return {f"version_1_{name}" if name in taken else name: value for name, value in extra.items()}


def _free_ids(used: set[str]) -> Iterator[str]:
    """Ids for what becomes an entry, the same each time the file is read."""
    number = 0
    while True:
        number += 1
        if f"u{number}" not in used:
            yield f"u{number}"


def _of_canal(log: Sequence[dict[str, Json]], canal: str, kind: str) -> list[int]:
    return [k for k, entry in enumerate(log) if entry.get("kind") == kind and entry.get("canal") == canal]


def _readings(
    canal: _Canal, point: str | None, log: Sequence[dict[str, Json]], ids: Iterator[str]
) -> list[dict[str, Json]]:
    """The canal's readings as entries, before what they led to or before what made them old."""
    led_to = _of_canal(log, canal.name, "electronic length")[-1:]
    if not led_to:
        ends = [k for k, entry in enumerate(log) if _ends_readings(entry, canal.name)]
        led_to = sorted([*_of_canal(log, canal.name, "decided working length")[:1], *ends[:1]])[:1]
    place = {"before": log[led_to[0]].get("id")} if led_to else {}
    out = []
    for reading in canal.electronic_readings:
        entry = {
            "id": next(ids),
            "kind": "electronic reading",
            "by": NOT_RECORDED,
            "canal": canal.name,
            "reference_point": point,
            "length_mm": reading.length_mm,
            "size": reading.file_size,
            "finding": reading.mark,
            "conditions": list(reading.conditions),
            "program": PROGRAM,
        }
        given = {name: value for name, value in (entry | place).items() if value not in (None, [])}
        out.append(given | _unknown(reading.extra))
    return out


def _ends_readings(entry: dict[str, Json], canal: str) -> bool:
    kind = KIND_TABLE.get(entry["kind"]) if isinstance(entry.get("kind"), str) else None
    return kind is not None and (kind.shapes or kind.moves_reference) and entry.get("canal") in (None, canal)


def _decision(
    canal: _Canal, point: str | None, log: Sequence[dict[str, Json]], ids: Iterator[str]
) -> list[dict[str, Json]]:
    """The canal's decision as an entry where the log has none; a note where canal and log say different things.

    Version 1 entered what a canal held with the hash of its inputs. Where the log has such a decision and the canal none, the
    canal is another one of the same name: deleted and added again, or renamed. One that was entered by hand holds.
    """
    held = canal.decision
    known = _of_canal(log, canal.name, "decided working length")
    if not known:
        if held is None:
            return []
        _check_time(held.at, f"decision.at of canal {canal.name}")
        later = [entry for entry in log if isinstance(entry.get("at"), str) and entry["at"][:19] > held.at[:19]]
        entry = {
            "id": next(ids),
            "kind": "decided working length",
            "at": held.at,
            "by": held.by,
            "canal": canal.name,
            "reference_point": point,
            "length_mm": held.length_mm,
            "program": PROGRAM,
            "before": later[0].get("id") if later else None,
            "note": held.reason,
        }
        return [{name: value for name, value in entry.items() if value is not None} | _unknown(held.extra)]
    gone = {entry.get("supersedes") for entry in log}
    standing = [log[k] for k in known if log[k].get("id") not in gone]
    last = standing[-1] if standing else None
    if held is None and (last is None or last.get("inputs_sha256") is None):
        return []
    if held is not None:
        if last is not None and _same(last.get("length_mm"), held.length_mm):
            return []
        taken_back = [log[k] for k in known if log[k].get("id") in gone]
        if last is None and any(_same(entry.get("length_mm"), held.length_mm) for entry in taken_back):
            return []  # the log took it back; the canal's own copy was left behind
    mine = "none" if held is None else f"{held.length_mm:g} mm by {held.by}, {held.at[:16]},"
    said = "none that stands" if last is None else f"{last.get('length_mm')} mm by {last.get('by')} ({last.get('id')})"
    many = "two decisions" if held is not None else "a decision that the canal does not have,"
    note = {
        "id": next(ids),
        "kind": "note",
        "at": _last_time(log),
        "by": PROGRAM,
        "canal": canal.name,
        "supersedes": None if last is None else last.get("id"),
        "note": (
            f"The file of version 1 held {many} for canal {canal.name}: {mine} with the canal; {said} among the entries. "
            "Neither is taken over: decide the length again."
        ),
    }
    return [{name: value for name, value in note.items() if value is not None}]


def _same(one: Json, other: float) -> bool:
    return isinstance(one, int | float) and abs(one - other) <= SAME_MM


def _check_time(at: str, where: str) -> None:
    from datetime import datetime

    try:
        datetime.fromisoformat(at)
    except ValueError:
        raise CaseError(f"{where} must be a date and time such as 2026-11-25T10:30: {at!r}") from None
    if re.match(r"\d{4}-\d{2}-\d{2}T", at) is None:
        raise CaseError(f"{where} must be a date and time such as 2026-11-25T10:30: {at!r}")
