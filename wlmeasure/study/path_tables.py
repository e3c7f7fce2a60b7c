"""Paths as tables: a folder with canals.csv, vertices.csv, images.csv, calibrations.csv and columns.csv, which says in one
sentence what every column means; and plain lists of vertices that another program wrote.

Numbers are written with all their digits, so that nothing is lost on the way back. No cell holds a line end.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterable, Iterator
from itertools import islice, pairwise
from pathlib import Path
from typing import Any, BinaryIO

import attrs
import numpy as np

from wlmeasure.errors import ShareError
from wlmeasure.image.file_content import open_regular, regular_bytes
from wlmeasure.record.members import Each, Number, Pair, Whole
from wlmeasure.share.cells import text_of_cell, write_rows
from wlmeasure.share.columns import (
    CALIBRATION_COLUMNS,
    CANAL_COLUMNS,
    IMAGE_COLUMNS,
    VERTEX_COLUMNS,
)
from wlmeasure.share.path_set import (
    Head,
    PathFeature,
    PathImage,
    PathScale,
    dumps,
    head_from_json,
    head_to_json,
    read_feature,
)
from wlmeasure.study.path_lines import Bad, Stretch, parse_json
from wlmeasure.words import typed_number

__all__ = [
    "feature_cells",
    "is_table",
    "table_features",
    "table_head",
    "table_stretches",
    "write_table",
]

CANALS, VERTICES, IMAGES, SCALES, COLUMNS = (
    "canals.csv",
    "vertices.csv",
    "images.csv",
    "calibrations.csv",
    "columns.csv",
)
LARGEST_SMALL = 256 * 2**20  # images.csv and calibrations.csv are read whole (our parameter)
BLOCK = 4 * 2**20
MOST_VERTICES = 2_000_000  # in one stretch (our parameter): 32 MB

_KINDS = {a.name: a.metadata["kind"] for a in attrs.fields(PathFeature) if "kind" in a.metadata}


def is_table(path: Path) -> bool:
    """Whether a folder holds such tables."""
    return (path / CANALS).is_file() and (path / VERTICES).is_file()


def feature_cells(feature: PathFeature) -> dict[str, Any]:
    """Plain values by column name, None where there is none; without `path`, `vertices` and the points."""
    cells: dict[str, Any] = {}
    for name in _KINDS:
        if name == "reference_px":
            row, col = feature.reference_px or (None, None)
            cells["reference_row_px"], cells["reference_col_px"] = row, col
        else:
            cells[name] = getattr(feature, name)
    cells["other"] = dumps(feature.extra) if feature.extra else None
    return cells


def feature_of_cells(path_px: object, cells: dict[str, Any]) -> PathFeature:
    """A feature of plain values by column name."""
    members = {name: value for name, value in cells.items() if name in _KINDS and value is not None}
    row, col = cells.get("reference_row_px"), cells.get("reference_col_px")
    if row is not None or col is not None:
        members["reference"] = (row, col)
    return read_feature(path_px, members | _other(cells))


def _other(cells: dict[str, Any]) -> dict[str, Any]:
    text = cells.get("other")
    if not text:
        return {}
    value = parse_json(text.encode("utf-8"), "other")
    if not isinstance(value, dict):
        raise ShareError(f"other must be a JSON object: {text[:60]!r}")
    return value


def write_table(folder: Path, head: Head, features: Iterable[PathFeature]) -> int:
    """Write the tables into `folder`, which must be there and empty; returns how many lines there are."""
    small = ((IMAGES, IMAGE_COLUMNS, head.images), (SCALES, CALIBRATION_COLUMNS, head.calibrations))
    for name, columns, values in small:
        with (folder / name).open("w", encoding="utf-8", newline="") as file:
            write_rows(file, [columns])
            for value in values:
                cells = {column: getattr(value, column) for column in columns if column != "other"}
                cells["other"] = dumps(value.extra) if value.extra else None
                write_rows(file, [[_cell(cells[column]) for column in columns]])
    with (folder / COLUMNS).open("w", encoding="utf-8", newline="") as file:
        write_rows(file, [("table", "column", "meaning")])
        for name, columns in (
            (CANALS, CANAL_COLUMNS),
            (VERTICES, VERTEX_COLUMNS),
            (IMAGES, IMAGE_COLUMNS),
            (SCALES, CALIBRATION_COLUMNS),
        ):
            write_rows(file, ((name, column, meaning) for column, meaning in columns.items()))
    count = 0
    with (
        (folder / CANALS).open("w", encoding="utf-8", newline="") as canals,
        (folder / VERTICES).open("w", encoding="utf-8", newline="") as vertices,
    ):
        write_rows(canals, [CANAL_COLUMNS])
        vertices.write(",".join(VERTEX_COLUMNS) + "\n")
        for count, feature in enumerate(features, 1):
            cells = {"path": count, "vertices": len(feature.path_px)} | feature_cells(feature)
            write_rows(canals, [[_cell(cells[column]) for column in CANAL_COLUMNS]])
            vertices.writelines(
                f"{count},{k},{row!r},{col!r}\n" for k, (row, col) in enumerate(feature.path_px.tolist())
            )
    return count


def _cell(value: Any) -> Any:
    if isinstance(value, tuple):
        return dumps(list(value)) if value else None
    return value


def _value(name: str, text: str, kind: Any) -> Any:
    """A plain value of a cell; the members' own rules are checked where the value is made."""
    if text == "":
        return None
    if isinstance(kind, Each):
        return parse_json(text.encode("utf-8"), name)
    if not isinstance(kind, Number | Whole | Pair):
        return text_of_cell(text)
    return _number(name, text)


def _number(name: str, text: str) -> float:
    try:
        return typed_number(text)
    except ValueError:
        raise ShareError(f"{name} must be a number: {text[:40]!r}") from None


def table_head(folder: Path) -> Head:
    """Images and scales of a folder of tables; a table that is not there is an empty one."""
    members = head_to_json(Head())
    for name, key, cls in ((IMAGES, "images", PathImage), (SCALES, "calibrations", PathScale)):
        path = folder / name
        if not path.is_file():
            continue
        if path.stat().st_size > LARGEST_SMALL:
            raise ShareError(f"{name} must be at most {LARGEST_SMALL >> 20} MB: {path.stat().st_size >> 20} MB")
        kinds = {a.name: a.metadata["kind"] for a in attrs.fields(cls) if "kind" in a.metadata}
        rows = _rows(path)
        for k, cells in enumerate(rows, 2):
            try:
                value = {c: _value(c, text, kinds[c]) for c, text in cells.items() if c in kinds}
                members[key].append({c: v for c, v in value.items() if v is not None} | _other(_text_cells(cells)))
            except ShareError as error:
                raise ShareError(f"{name}, line {k}: {error}") from None
    return head_from_json(members)


def _text_cells(cells: dict[str, str]) -> dict[str, Any]:
    return {"other": text_of_cell(cells["other"])} if cells.get("other") else {}


def _rows(path: Path) -> Iterator[dict[str, str]]:
    with open_regular(path) as raw, io.TextIOWrapper(raw, encoding="utf-8-sig", newline="") as file:
        yield from _records(csv.reader(file), path.name)


def _records(rows: Iterator[list[str]], name: str, header: list[str] | None = None) -> Iterator[dict[str, str]]:
    try:
        if header is None:
            header = next(rows, [])
        for row in rows:
            if row:
                yield dict(zip(header, row, strict=False))
    except (csv.Error, UnicodeDecodeError) as error:
        raise ShareError(f"{name} must be a table of UTF-8 text with commas: {error}") from None


def table_features(folder: Path, stretch: tuple[Stretch, Stretch] | None = None) -> Iterator[PathFeature | Bad]:
    """The features of a folder of tables, or of a stretch of both canals.csv and vertices.csv.

    Raises
    ------
    ShareError
        The tables do not belong together: vertices must stand in the order of canals.csv.
    """
    canals, vertices = folder / CANALS, folder / VERTICES
    header = _header(canals)
    missing = [name for name in ("path", "vertices") if name not in header]
    if missing:
        raise ShareError(f"{CANALS} must have a column {missing[0]}: it has {', '.join(header)[:200]}")
    if _header(vertices) != list(VERTEX_COLUMNS):
        raise ShareError(
            f"{VERTICES} must have the columns {', '.join(VERTEX_COLUMNS)}: {', '.join(_header(vertices))[:200]}"
        )
    with open_regular(canals) as rows, open_regular(vertices) as points:
        if stretch is None:
            rows.readline(), points.readline()
            records = _records(csv.reader(line.decode("utf-8") for line in rows), CANALS, header)
        else:
            rows.seek(stretch[0].offset), points.seek(stretch[1].offset)
            text = rows.read(stretch[0].size).decode("utf-8")
            records = _records(csv.reader(io.StringIO(text, newline="")), CANALS, header)
        for place, cells in enumerate(records, 1 if stretch is None else stretch[0].first):
            count = _count(cells)
            lines = list(islice(points, count))
            yield _table_feature(place, cells, lines, count)
        if stretch is None and points.readline().strip():
            raise ShareError(f"{VERTICES} must end with the last path of {CANALS}: it has vertices left over")


def _count(cells: dict[str, str]) -> int:
    """How many lines of vertices.csv a path has: where the next one begins hangs on it, so that it must be right."""
    text = cells.get("vertices", "").strip().removesuffix(".0")
    if not text.isdecimal() or not text.isascii() or len(text) > 7:
        raise ShareError(f"{CANALS}: vertices must be a whole number for each path: {text[:40]!r}")
    return int(text)


def _header(path: Path) -> list[str]:
    with open_regular(path) as file:
        line = file.readline(2**20).decode("utf-8-sig", "replace")
    return next(csv.reader([line.rstrip("\r\n")]), [])


def _table_feature(place: int, cells: dict[str, str], lines: list[bytes], count: int) -> PathFeature | Bad:
    try:
        plain = {name: _value(name, text, _KINDS.get(name, _COLUMN_KINDS.get(name))) for name, text in cells.items()}
        number = f"{cells['path']},".encode()
        if len(lines) != count or not all(line.startswith(number) for line in lines):
            raise ShareError(
                f"{VERTICES} must hold {count} vertices of path {cells['path']} at its place, in the order of {CANALS}"
            )
        table = [line.split(b",") for line in lines]
        if [row[1] for row in table] != [b"%d" % k for k in range(count)]:
            raise ShareError(f"{VERTICES} must count the vertices of path {cells['path']} from 0 without a gap")
        if any(b"_" in line for line in lines):  # Python's own reading would take 2_1 for 21
            raise ShareError(f"{VERTICES} must hold numbers: path {cells['path']} has an underscore")
        points = np.array([(float(row[2]), float(row[3])) for row in table]).reshape(-1, 2)
        return feature_of_cells(points, plain)
    except (ValueError, IndexError, KeyError) as error:
        return Bad(place, str(error), text_of_cell(cells.get("id", "")) or None)


_COLUMN_KINDS = {name: Number() for name in ("reference_row_px", "reference_col_px", "path", "vertices")}


def table_stretches(folder: Path, most: int) -> tuple[str, list[tuple[Stretch, Stretch]]]:
    """SHA-256 of the tables, and their features in stretches of both tables."""
    digest = hashlib.sha256()
    for name in (IMAGES, SCALES):
        if (folder / name).is_file():
            digest.update(regular_bytes(folder / name))
    counts = []
    for cells in _rows(folder / CANALS):
        counts.append(_count(cells))
    firsts, points_in = [0], 0
    for k, number in enumerate(counts):
        if k > firsts[-1] and (k - firsts[-1] == most or points_in + number > MOST_VERTICES):
            firsts.append(k)
            points_in = 0
        points_in += number
    firsts.append(len(counts))
    summed = np.concatenate([[0], np.cumsum(counts, dtype=np.int64)])
    with open_regular(folder / CANALS) as file:
        canal_at = _line_starts(file, digest, [1 + first for first in firsts])
    with open_regular(folder / VERTICES) as file:
        vertex_at = _line_starts(file, digest, [1 + int(summed[first]) for first in firsts])
    stretches = []
    for k, (first, after) in enumerate(pairwise(firsts)):
        rows = Stretch(first + 1, after - first, canal_at[k], canal_at[k + 1] - canal_at[k])
        points = Stretch(first + 1, after - first, vertex_at[k], vertex_at[k + 1] - vertex_at[k])
        stretches.append((rows, points))
    return digest.hexdigest(), stretches


def _line_starts(file: BinaryIO, digest: Any, lines: list[int]) -> list[int]:
    """Where each of some lines (counted from 0, ascending) begins; the end of the file where it has fewer."""
    starts, passed, at, k = [], 0, 0, 0
    while block := file.read(BLOCK):
        digest.update(block)
        ends = at + 1 + np.flatnonzero(np.frombuffer(block, np.uint8) == 10)
        while k < len(lines) and lines[k] <= passed + len(ends):
            starts.append(0 if lines[k] == 0 else int(ends[lines[k] - passed - 1]))
            k += 1
        passed += len(ends)
        at += len(block)
    return starts + [at] * (len(lines) - len(starts))
