"""What two versions of a case file differ in, in plain words: tooth, case id, films, canals, and every entry. No Qt."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from wlmeasure.record.case import Case, case_to_json
from wlmeasure.share.timeline import entry_words
from wlmeasure_napari._document import case_words

__all__ = ["difference_words"]

LONGEST = 100  # of one value in a line: more is named, not printed
NAMES = ("name", "id", "film")  # what a thing of a list is called by


def difference_words(mine: Case, theirs: Case) -> str:
    """One line for each thing that only one of two versions holds, yours first; the case is named where they differ in it."""
    lines = [f"Yours: {case_words(mine)}. Theirs: {case_words(theirs)}."]
    ours, others = list(_things(mine)), list(_things(theirs))
    lines += [f"only yours: {line}" for line in ours if line not in others]
    lines += [f"only theirs: {line}" for line in others if line not in ours]
    if len(lines) == 1:
        lines.append("Nothing that is measured or entered differs.")
    return "\n".join(lines)


def _things(case: Case) -> Iterator[str]:
    body = case_to_json(case)
    for film in body["films"]:
        film.pop("path", None)  # where it lies is no difference in what it shows
        film.pop("proposed", None)  # nobody entered it
        yield (name := f"film {film.pop('id')}")
        yield from _lines(name, film)
    for canal in body.get("canals", ()):
        yield (name := f"canal {canal.pop('name')}")
        yield from _lines(name, canal)
    yield from _lines("clicks", body.get("clicks"))
    yield from _lines("instruments", body.get("instrument_list"))
    for entry in case.entries:
        yield entry_words(entry)


def _lines(of: str, value: Any) -> Iterator[str]:
    """Every value under a name, as `what, which: value`; a list of points or numbers is one value."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _lines(f"{of}, {key.replace('_', ' ')}", item)
    elif isinstance(value, list) and value and all(isinstance(item, dict) for item in value):
        for k, item in enumerate(value, 1):
            called = next((str(item[name]) for name in NAMES if name in item), str(k))
            yield from _lines(f"{of} {called}", {key: kept for key, kept in item.items() if key not in NAMES})
    elif value not in (None, [], {}):
        text = value if isinstance(value, str) else json.dumps(value)
        # Points that differ are told apart by a number made from them, since nobody compares them by eye.
        yield f"{of}: {text if len(text) <= LONGEST else f'{len(value)} points or letters, {_mark(text)}'}"


def _mark(text: str) -> str:
    from zlib import crc32

    return f"no. {crc32(text.encode()):08x}"
