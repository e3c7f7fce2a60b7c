"""Damage to case files: of the JSON's members, and of the text itself. Pure functions of bytes and a random generator."""

from __future__ import annotations

import copy
import json
from typing import Any

import numpy as np

from tests.fuzz.dicom_mutations import pick, torn

Rng = np.random.Generator

EVIL = (
    "=1+1",
    "\uff1d1+1",
    "@SUM(A1)",
    " -1",
    "\t=1",
    "<img src=x onerror=alert(1)>",
    "\x1b[2J",
    "\u202e",
    "\x00",
    "\ud800",
    "\u2028",
    "&amp;<b>",
    "{{7*7}}",
    "%s%n",
    "'; DROP TABLE cases;--",
    "a" * 5000,
    "",
)
NUMBERS = (0, -1, 1, 1e308, -1e308, 5e-324, 2**63, -(2**63), 10**400, 0.1, 21.5, 1000, -0.0, True, 60.0, 1e-9, 1e15)
OTHERS = (None, True, False, [], {}, "", "x", 0, 1.5, [[]], [1, 2, 3], {"kind": "known_file"}, [None], "NaN")
PATHS = (
    "../films/../films/../../../../etc/passwd",
    "/etc/passwd",
    "/dev/zero",
    "/dev/stdin",
    "/dev/tty",
    "/proc/self/mem",
    "/proc/kmsg",
    "/proc/self/environ",
    "/proc/kcore",
    "file:///etc/passwd",
    "https://example.org/film.png",
    "//server/share/film.png",
    "\\\\server\\share\\film.png",
    "C:\\film.png",
    "CON",
    "nul.png",
    "\\\\.\\PhysicalDrive0",
    "film\x00.png",
    ".",
    "..",
    "",
    "a" * 1000,
    "a/" * 400,
    "~/film.png",
    "fifo",
    "folder",
    "loop",
    "film.png/",
    "film.png/x",
    " ",
    "-rf",
    "|ls",
    "$(id)",
    "\ud800.png",
)
RAW = (
    b"\xef\xbb\xbf",
    b"\xff\xfe",
    b"\xff",
    b"\xc0\x80",
    b"\xed\xa0\x80",
    b"\x00",
    b"NaN",
    b"Infinity",
    b"-Infinity",
    b"1e999",
    b"-",
    b"0x1",
    b"1" * 5000,
    b"//c\n",
    b",",
    b"}",
    b"]",
    b"'",
    b'"',
    b"\\u0000",
    b"\\ud800",
    b"\x1b[31m",
)


def _places(value: Any, out: list[tuple[Any, Any]]) -> list[tuple[Any, Any]]:
    """Every (container, key) of a JSON value."""
    keys = list(value) if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ()
    for key in keys:
        out.append((value, key))
        _places(value[key], out)
    return out


def _named(case: Any, *names: str) -> list[tuple[Any, Any]]:
    return [(inside, key) for inside, key in _places(case, []) if key in names]


def _change(case: Any, rng: Rng) -> None:
    places = _places(case, [])
    if not places:
        return
    inside, key = pick(rng, places)
    kind = int(rng.integers(14))
    value = inside[key]
    if kind == 0:
        del inside[key]
    elif kind == 1:
        inside[key] = copy.deepcopy(pick(rng, OTHERS))
    elif kind == 2:
        inside[key] = pick(rng, NUMBERS)
    elif kind == 3:
        inside[key] = pick(rng, EVIL)
    elif kind == 4:
        other, name = pick(rng, places)
        inside[key] = copy.deepcopy(other[name])
    elif kind == 5 and isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e300:
        inside[key] = value * float(pick(rng, (-1.0, 0.0, 0.5, 1.001, 2.0, 10.0, 1e6, 1e-6)))
    elif kind == 6:
        owner = inside if isinstance(inside, dict) else case
        owner[pick(rng, (*EVIL, "extra", "folder", "__class__", "schema", "kind"))] = copy.deepcopy(
            pick(rng, (*OTHERS, *NUMBERS))
        )
    elif kind == 7:
        lists = [found for found in ([p[0][p[1]] for p in places]) if isinstance(found, list) and found]
        if lists:
            chosen = pick(rng, lists)
            chosen *= int(pick(rng, (0, 2, 3, 60)))
    elif kind == 8:
        films = _named(case, "path")
        if films:
            inside, key = pick(rng, films)
            inside[key] = pick(rng, PATHS)
    elif kind == 9:
        points = _named(case, "points_px", "clicks_px", "path_px")
        if points:
            inside, key = pick(rng, points)
            inside[key] = _points(inside[key], rng)
    elif kind == 10:
        _entries(case, rng)
    elif kind == 11 and isinstance(inside, list):
        inside.insert(key, copy.deepcopy(value))
    elif kind == 12:
        texts = [(a, b) for a, b in places if isinstance(a[b], str)]
        inside, key = pick(rng, texts) if texts else (inside, key)
        inside[key] = pick(rng, EVIL)
    else:
        case["canals"] = [
            copy.deepcopy(canal) | {"name": f"c{k}"}
            for k, canal in enumerate(case["canals"] if isinstance(case.get("canals"), list) else [])
            if isinstance(canal, dict)
        ]


def _points(old: Any, rng: Rng) -> Any:
    count = int(pick(rng, (0, 1, 2, 3, 50, 2000, 20_000)))
    kind = int(rng.integers(6))
    if kind == 0:
        return [[10.0, 10.0]] * count
    if kind == 1:
        return (rng.random((count, 2)) * 900).round(2).tolist()
    if kind == 2:
        return np.stack([np.linspace(20, 800, count), np.full(count, 120.0)], axis=1).tolist()
    if kind == 3 and isinstance(old, list):
        return [
            p
            if rng.random() < 0.5
            else [v * float(pick(rng, (1.0, 1.0001, -1.0, 1e9))) if isinstance(v, float) else v for v in p]
            if isinstance(p, list)
            else p
            for p in old
        ]
    if kind == 4 and isinstance(old, list):
        return [p for p in old for _ in range(2)]
    return [[float(pick(rng, (0.0, -0.5, 1e-12, 1e9, 499.99, 20.0))) for _ in range(2)] for _ in range(min(count, 50))]


def _entries(case: Any, rng: Rng) -> None:
    """Entries of the record: repeated with new ids, thousands of them, superseding each other in a circle."""
    entries = case.get("entries") if isinstance(case, dict) else None
    if not isinstance(entries, list) or not entries:
        return
    kind = int(rng.integers(3))
    if kind == 0:
        many = int(pick(rng, (30, 400, 3000)))
        case["entries"] = [
            copy.deepcopy(entries[k % len(entries)]) | {"id": f"e{k}"}
            for k in range(many)
            if isinstance(entries[k % len(entries)], dict)
        ]
    else:
        a, b = pick(rng, entries), pick(rng, entries)
        if isinstance(a, dict) and isinstance(b, dict) and "id" in b:
            a["supersedes" if kind == 1 else "rests_on"] = b["id"] if kind == 1 else [b["id"]] * 3


def _text_damage(text: bytes, rng: Rng) -> bytes:
    kind = int(rng.integers(8))
    at = int(rng.integers(len(text) + 1))
    if kind == 0:
        return text[:at] + pick(rng, RAW) + text[at:]
    if kind == 1:
        return text[:at] + pick(rng, (b"[", b'{"a":', b"[[],")) * int(pick(rng, (20, 900, 100_000))) + text[at:]
    if kind == 2:
        return text[:at]
    if kind == 3:
        return torn(text, rng)
    if kind == 4:  # a member twice
        return text.replace(b'"tooth"', b'"tooth": "11", "tooth"', 1)
    if kind == 5:
        return text.replace(b"1", pick(rng, (b"1" * 400, b"NaN", b"1e400", b"-1", b"01")), int(rng.integers(1, 4)))
    if kind == 6:
        return text.decode("utf-8", "replace").encode(str(pick(rng, ("utf-16", "utf-32", "utf-8-sig", "utf-16-be"))))
    filler = pick(rng, (b"[],", b"{},", b"0,", b'"",', b"[[0,0],[1,1]],"))
    many = filler * int(pick(rng, (100, 50_000, 900_000)))
    return text.replace(b"{", b'{"unknown": [' + many + b"0],", 1)


def case(seed: bytes, rng: Rng) -> bytes:
    """The bytes of one damaged case file."""
    if rng.random() < 0.25:
        return _text_damage(seed, rng)
    value = json.loads(seed)
    for _ in range(int(pick(rng, (1, 1, 1, 2, 4)))):
        _change(value, rng)
    try:
        text = json.dumps(value, ensure_ascii=bool(rng.random() < 0.5), indent=int(rng.integers(2)) or None)
        content = text.encode("utf-8", "surrogatepass")
    except (RecursionError, ValueError):
        return seed
    return _text_damage(content, rng) if rng.random() < 0.1 else content
