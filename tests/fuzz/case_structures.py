"""Case files that are sound JSON with sound-looking members in a wrong arrangement: what a program that edits cases may leave.

Unlike `case_mutations`, which breaks values and text, this moves whole parts: lists that are null, references in circles, films
and canals twice or under each other's names, entries out of order, members of one kind of object in another.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from typing import Any

import numpy as np

from tests.fuzz.dicom_mutations import pick

Rng = np.random.Generator


def _objects(value: Any) -> list[dict[str, Any]]:
    """Every object of a JSON value, itself included."""
    found = [value] if isinstance(value, dict) else []
    inside = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return found + [one for item in inside for one in _objects(item)]


def _lists(case: dict[str, Any], *names: str) -> list[list[Any]]:
    return [
        one[name]
        for one in _objects(case)
        for name in names
        if isinstance(one.get(name), list) and one[name] and isinstance(one[name][0], dict)
    ]


def _null(case: dict[str, Any], rng: Rng) -> None:
    owner = pick(rng, _objects(case))
    if owner:
        owner[pick(rng, list(owner))] = pick(rng, (None, [], {}, [[]], [None], {"0": None}))


def _twice(case: dict[str, Any], rng: Rng) -> None:
    """An item once more, under its own name or another one."""
    chosen = pick(rng, _lists(case, "films", "canals", "traces", "scale", "entries") or [[{}]])
    item = copy.deepcopy(pick(rng, chosen))
    for name in ("id", "name"):
        if name in item and rng.random() < 0.6:
            item[name] = f"{item[name]}x"
    chosen.insert(int(rng.integers(len(chosen) + 1)), item)


def _shuffled(case: dict[str, Any], rng: Rng) -> None:
    chosen = pick(rng, _lists(case, "films", "canals", "traces", "scale", "entries") or [[{}]])
    order = rng.permutation(len(chosen)).tolist()
    chosen[:] = [chosen[k] for k in order]


def _names_swapped(case: dict[str, Any], rng: Rng) -> None:
    """What refers by name now means another one, or itself."""
    name = str(
        pick(rng, ("id", "name", "film", "canal", "supersedes", "before", "sha256", "film_sha256", "reference_point"))
    )
    owners = [one for one in _objects(case) if name in one]
    if len(owners) > 1:
        a, b = pick(rng, owners), pick(rng, owners)
        a[name], b[name] = copy.deepcopy(b[name]), copy.deepcopy(a[name])
    if owners and rng.random() < 0.3:
        pick(rng, owners)[name] = copy.deepcopy(pick(rng, owners)[name])


def _moved(case: dict[str, Any], rng: Rng) -> None:
    """A member goes from one object into another."""
    owners = _objects(case)
    source, target = pick(rng, owners), pick(rng, owners)
    if source:
        name = pick(rng, list(source))
        target[name] = copy.deepcopy(source[name])
        if rng.random() < 0.5 and target is not source:
            del source[name]


def _merged(case: dict[str, Any], rng: Rng) -> None:
    owners = _objects(case)
    pick(rng, owners).update(copy.deepcopy(pick(rng, owners)))


def _wrapped(case: dict[str, Any], rng: Rng) -> None:
    """A value in a list, an item in place of its list, an object as the list of its values."""
    owner = pick(rng, _objects(case))
    if not owner:
        return
    name = pick(rng, list(owner))
    value = owner[name]
    kind = int(rng.integers(4))
    if kind == 0:
        owner[name] = [value]
    elif kind == 1 and isinstance(value, list) and value:
        owner[name] = value[0]
    elif kind == 2 and isinstance(value, dict):
        owner[name] = list(value.values())
    elif kind == 3 and isinstance(value, list):
        owner[name] = {str(k): item for k, item in enumerate(value)}


def _entries(case: dict[str, Any], rng: Rng) -> None:
    """A log of its own making: every kind, links forward and back, canals renamed into each other, odd clocks."""
    canals = [canal["name"] for canal in case.get("canals") or [] if isinstance(canal, dict) and "name" in canal] or [
        "MB"
    ]
    names = [*map(str, canals), "gone", "new"]
    kinds = (
        *("film length", "length in space", "electronic reading", "decided working length", "note", "canal renamed"),
        *("canal removed", "reference point changed", "trial file film", "apical size", "shaping file", "master cone"),
        *("filling", "preoperative estimate", "flared", "patency file", "scale corrected", "wish"),
    )
    log: list[dict[str, Any]] = []
    for k in range(int(rng.integers(1, 40))):
        entry: dict[str, Any] = {"id": f"e{k}", "kind": str(pick(rng, kinds)), "by": "AB"}
        times = ("2026-03-16T10:00:00", "2062-01-01T00:00:00", "1970-01-01", "2026-03-16T10:00:00+14:00", None)
        if rng.random() < 0.95:
            entry["at"] = pick(rng, times)
        if rng.random() < 0.8:
            entry["canal"] = str(pick(rng, names))
        if rng.random() < 0.3:
            entry["other_canal"] = str(pick(rng, names))
        for name in ("supersedes", "before"):
            if rng.random() < 0.25:
                entry[name] = f"e{int(rng.integers(0, max(1, k + (rng.random() < 0.05) * 3)))}"
        for name, values in (
            ("length_mm", (0.1, 2.0, 19.5, 21.0, 59.0)),
            ("length_std_mm", (0.0, 0.2, 9.0)),
            ("size", (6, 10, 25, 140)),
            ("finding", ("foramen", "constriction", "beyond", "fits", "adequate")),
            ("reference_point", ("mesiobuccal cusp tip", "x")),
            ("status", ("radiographic apex", "open apex", "caution")),
            ("distance_mm", (-1.0, 0.0, 1.5)),
            ("rests_on", (["e0"], [], ["e0", "e1"])),
        ):
            if rng.random() < 0.35:
                entry[name] = copy.deepcopy(pick(rng, values))
        log.append(entry)
    case["entries"] = log


def _joined(case: dict[str, Any], rng: Rng) -> None:
    """Canals that join in a circle, or one that is not there."""
    canals = [canal for canal in case.get("canals") or [] if isinstance(canal, dict)]
    for canal in canals:
        if rng.random() < 0.7:
            other = pick(rng, [*canals, {"name": "gone"}])
            canal["joins"] = {"canal": other.get("name"), "at_mm": float(pick(rng, (0.0, 2.0, 90.0)))}


def _carried(case: dict[str, Any], rng: Rng) -> None:
    """Marks that a trace says it carried over from a film, which may be its own."""
    for trace in [one for items in _lists(case, "traces") for one in items if isinstance(one, dict)]:
        films = [film.get("id") for film in case.get("films") or [] if isinstance(film, dict)] or ["f1"]
        trace["carried"] = {"film": pick(rng, films), "apex_std_px": 1.0, "method": "x"}


def _deep(case: dict[str, Any], rng: Rng) -> None:
    value: Any = "x"
    for _ in range(int(pick(rng, (2, 15, 60, 300)))):
        value = [value] if rng.random() < 0.5 else {"a": value}
    pick(rng, _objects(case))[str(pick(rng, ("extra", "note", "films", "zz")))] = value


CHANGES: tuple[Callable[[dict[str, Any], Rng], None], ...] = (
    *(_null, _twice, _shuffled, _names_swapped, _moved, _merged, _wrapped, _entries, _joined, _carried, _deep),
)


def structure(seed: bytes, rng: Rng) -> bytes:
    """The bytes of one case file in a wrong arrangement."""
    value = json.loads(seed)
    for _ in range(int(pick(rng, (1, 1, 2, 3, 6)))):
        pick(rng, CHANGES)(value, rng)
    return json.dumps(value).encode()
