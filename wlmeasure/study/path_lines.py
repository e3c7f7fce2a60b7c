"""Path files read and written line by line: memory is bounded by the longest line, not by the number of paths.

Both layouts of :mod:`wlmeasure.share.path_set` begin with a line for the head and have a line for each feature. A file in one
object whose features do not stand on lines of their own, as another program writes it, is read whole where it is small.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from attrs import frozen

from wlmeasure.errors import ShareError, WlmeasureError
from wlmeasure.image.file_content import open_regular, regular_bytes
from wlmeasure.share.path_set import (
    Head,
    PathFeature,
    dumps,
    feature_from_json,
    feature_to_json,
    head_from_json,
    head_to_json,
)

__all__ = [
    "LINES",
    "ONE_OBJECT",
    "Bad",
    "Stretch",
    "lines_features",
    "lines_head",
    "lines_stretches",
    "parse_json",
    "write_lines",
]

ONE_OBJECT, LINES = ".wlpaths.json", ".wlpaths.jsonl"

# Bounds of what is taken into memory at once (our parameters).
LONGEST_LINE = 16 * 2**20  # bytes: a line of 100,000 points has 4 MB
LONGEST_HEAD = 128 * 2**20
LARGEST_WHOLE = 64 * 2**20  # a file that is not one feature a line
BLOCK = 4 * 2**20


@frozen
class Bad:
    """A path that cannot be used: its place in the file, counted from 1, its id where it has one, and why."""

    place: int
    reason: str
    id: str | None = None


@frozen
class Stretch:
    """Some neighbouring paths of a file: the first of them, how many, and where they stand in bytes (or in row groups)."""

    first: int
    count: int
    offset: int
    size: int


def parse_json(content: bytes, where: str) -> Any:
    """JSON from bytes, by the fast parser where it is installed.

    Raises
    ------
    ShareError
        No JSON, no UTF-8, numbers that are not finite, nested too deep.
    """
    try:
        try:
            from orjson import loads
        except ImportError:
            return _loads(content)
        return loads(content)
    except (ValueError, RecursionError) as error:
        raise ShareError(f"{where} must be JSON: {' '.join(str(error).split())[:120]}") from None


def _loads(content: bytes) -> Any:
    def refuse(name: str) -> None:
        raise ValueError(f"{name} is no JSON number")

    return json.loads(content.decode("utf-8"), parse_constant=refuse)


def write_lines(file: BinaryIO, head: Head, features: Iterable[PathFeature], *, one_object: bool) -> int:
    """Write a path file in either layout; returns how many features it has."""
    start = dumps(head_to_json(head))
    file.write((f'{start[:-1]},"features":[' if one_object else start).encode("utf-8"))
    count = 0
    for feature in features:
        file.write((",\n" if one_object and count else "\n").encode("ascii"))
        file.write(_feature_line(feature))
        count += 1
    file.write(b"\n]}\n" if one_object else b"\n")
    return count


def _feature_line(feature: PathFeature) -> bytes:
    value = feature_to_json(feature)
    try:
        from orjson import dumps as fast
    except ImportError:
        return dumps(value).encode("utf-8")
    try:
        return fast(value)
    except TypeError:  # a whole number of more than 64 bits in a member that is only kept
        return dumps(value).encode("utf-8")


@frozen
class _Opening:
    """Head of a file, and where the line after it begins; `whole` where it is not one feature a line."""

    head: Head
    offset: int
    whole: bool


@lru_cache(maxsize=4)
def _opening(path: Path, size: int, modified_ns: int) -> _Opening:
    with open_regular(path) as file:
        line = file.readline(LONGEST_HEAD + 1)
        if len(line) > LONGEST_HEAD:
            raise ShareError(
                f"{path.name} must begin with a head of at most {LONGEST_HEAD >> 20} MB: it has no line end"
            )
        text = line.rstrip().removeprefix(b"\xef\xbb\xbf")
        if text.endswith(b'"features":['):
            return _Opening(head_from_json(parse_json(text + b"]}", path.name)), len(line), False)
        if path.name.endswith(LINES):
            return _Opening(head_from_json(parse_json(text, f"{path.name}, line 1,")), len(line), False)
    if size > LARGEST_WHOLE:
        raise ShareError(
            f"{path.name} must be at most {LARGEST_WHOLE >> 20} MB where it is not one feature a line: {size >> 20} MB; "
            f"write it as {LINES}"
        )
    return _Opening(head_from_json(parse_json(regular_bytes(path).removeprefix(b"\xef\xbb\xbf"), path.name)), 0, True)


def _opened(path: Path) -> _Opening:
    said = path.stat()
    return _opening(path, said.st_size, said.st_mtime_ns)


def lines_head(path: Path) -> Head:
    """The head of a path file."""
    return _opened(path).head


def lines_features(path: Path, stretch: Stretch | None = None) -> Iterator[PathFeature | Bad]:
    """The features of a path file, or of a stretch of it; one that cannot be used comes as `Bad`.

    Raises
    ------
    ShareError
        The file as a whole is no path file, is cut short, or has a line that is longer than any path.
    """
    opened = _opened(path)
    if opened.whole:
        value = parse_json(regular_bytes(path).removeprefix(b"\xef\xbb\xbf"), path.name)
        found = value.get("features")
        if not isinstance(found, list):
            raise ShareError(f"{path.name}: features must be a list")
        for k, item in enumerate(found, 1):
            yield _feature(item, k)
        return
    with open_regular(path) as file:
        file.seek(opened.offset if stretch is None else stretch.offset)
        end = None if stretch is None else stretch.offset + stretch.size
        place = 1 if stretch is None else stretch.first
        closed = not path.name.endswith(ONE_OBJECT)
        while end is None or file.tell() < end:
            line = file.readline(LONGEST_LINE + 1)
            if not line:
                break
            if len(line) > LONGEST_LINE:
                raise ShareError(
                    f"{path.name}: path {place} must be at most {LONGEST_LINE >> 20} MB of text; thin the line"
                )
            text = line.strip()
            if text == b"]}":
                closed = True
                break
            text = text.removesuffix(b",")
            if text:
                yield _line(text, place)
            place += 1
        if end is None and not closed:
            raise ShareError(f"{path.name} must end with ]}}: it is cut short after {place - 1} paths")


def _line(text: bytes, place: int) -> PathFeature | Bad:
    try:
        value = parse_json(text, "the line")
    except ShareError as error:
        return Bad(place, str(error))
    return _feature(value, place)


def _feature(value: Any, place: int) -> PathFeature | Bad:
    try:
        return feature_from_json(value)
    except WlmeasureError as error:
        name = value.get("id") if isinstance(value, dict) else None
        return Bad(place, str(error), str(name)[:200] if isinstance(name, str | int) else None)


def lines_stretches(path: Path, most: int, most_bytes: int) -> tuple[str, list[Stretch]]:
    """SHA-256 of a path file, and its features in stretches of up to `most`, which do not depend on anything but the file.

    Raises
    ------
    ShareError
        As for `lines_features`.
    """
    opened = _opened(path)
    digest = hashlib.sha256()
    stretches: list[Stretch] = []
    if opened.whole:
        content = regular_bytes(path)
        digest.update(content)
        found = parse_json(content.removeprefix(b"\xef\xbb\xbf"), path.name).get("features")
        return digest.hexdigest(), [Stretch(1, len(found) if isinstance(found, list) else 0, 0, 0)]
    first, begin, count, at, last = 1, opened.offset, 0, 0, b""
    with open_regular(path) as file:
        while block := file.read(BLOCK):
            digest.update(block)
            ends = at + 1 + np.flatnonzero(np.frombuffer(block, np.uint8) == 10)
            for end in ends[ends > opened.offset].tolist():
                count += 1
                if count == most or end - begin >= most_bytes:
                    stretches.append(Stretch(first, count, begin, end - begin))
                    first, begin, count = first + count, end, 0
            if at + len(block) - begin > LONGEST_LINE + most_bytes:
                raise ShareError(
                    f"{path.name}: path {first} must be at most {LONGEST_LINE >> 20} MB of text; thin the line"
                )
            at += len(block)
            last = (last + block)[-64:]
    tail = last.rstrip()
    if not path.name.endswith(LINES) and not tail.endswith(b"]}"):
        raise ShareError(f"{path.name} must end with ]}}: it is cut short")
    if at > begin:
        stretches.append(Stretch(first, max(count, 1), begin, at - begin))
    return digest.hexdigest(), stretches
