"""A plain list of vertices that another program wrote: a CSV whose header says which column is the row and which the column.

`row, col` (also `row_px, col_px`, `y, x`, `axis-0, axis-1`) in either order, or `row_mm, col_mm` (`y_mm, x_mm`) where the
coordinates are millimetres. The points of one path stand together; a path is told from the next by the columns that name it.
A scale may be given by `mm_per_px`, or by `mm_per_px_row` and `mm_per_px_col`.
"""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from attrs import frozen

from wlmeasure.errors import ShareError, WlmeasureError
from wlmeasure.image.file_content import open_regular
from wlmeasure.share.cells import text_of_cell
from wlmeasure.share.path_set import MOST_POINTS, Head, PathFeature, PathScale, read_feature
from wlmeasure.study.path_lines import Bad, Stretch
from wlmeasure.words import typed_number

__all__ = ["vertices_features", "vertices_head", "vertices_stretches"]

ROW_COL = (
    ("row_px", "col_px"),
    ("row", "col"),
    ("row", "column"),
    ("y_px", "x_px"),
    ("y", "x"),
    ("axis-0", "axis-1"),
    ("row_mm", "col_mm"),
    ("y_mm", "x_mm"),
)
NAMES = {
    **{name: name for name in ("id", "case", "image", "tooth", "canal", "annotator", "session", "method", "status")},
    "path": "id",
    "index": "id",
    "trace": "id",
    "observer": "annotator",
    "film": "image",
}
"""Columns that name a path, and the member that each of them is; two that would be one member are joined."""
VERTEX = ("vertex", "vertex-index", "vertex_index", "point")
SCALE = ("mm_per_px_row", "mm_per_px_col")
LONGEST_LINE = 64 * 2**10  # bytes (our parameter)
MOST_SCALES = 100_000  # different scales in one file (our parameter)


@frozen
class _Form:
    """What the header says: delimiter, places of row and column, of the names, of the scale, of the vertex number."""

    delimiter: str
    row: int
    col: int
    in_mm: bool
    names: tuple[tuple[int, str], ...]
    scale: tuple[int, int] | None
    vertex: int | None
    start: int
    """Where the first line after the header begins, bytes."""


def _form(path: Path) -> _Form:
    with open_regular(path) as file:
        line = file.readline(LONGEST_LINE + 1)
    text = line.decode("utf-8-sig", "replace").rstrip("\r\n")
    delimiter = next((sign for sign in ("\t", ";") if sign in text), ",")
    header = [name.strip().lower() for name in next(csv.reader([text], delimiter=delimiter), [])]
    pair = next(((r, c) for r, c in ROW_COL if r in header and c in header), None)
    if pair is None:
        raise ShareError(
            f"{path.name} must name its coordinates in the header (row and col, or y and x, or row_mm and col_mm): "
            f"{', '.join(header)[:120]!r}"
        )
    scale: tuple[int, int] | None = None
    if "mm_per_px" in header:
        scale = (header.index("mm_per_px"),) * 2
    elif all(name in header for name in SCALE):
        scale = (header.index(SCALE[0]), header.index(SCALE[1]))
    return _Form(
        delimiter=delimiter,
        row=header.index(pair[0]),
        col=header.index(pair[1]),
        in_mm=pair[0].endswith("_mm"),
        names=tuple((k, NAMES[name]) for k, name in enumerate(header) if name in NAMES),
        scale=scale,
        vertex=next((header.index(name) for name in VERTEX if name in header), None),
        start=len(line),
    )


def vertices_head(path: Path) -> Head:
    """The scales of a list of vertices, each known by its two numbers; coordinates in mm are pixels of one millimetre."""
    form = _form(path)
    if form.in_mm:
        return Head(
            calibrations=(PathScale(id="1 1", mm_per_px_row=1.0, mm_per_px_col=1.0, method="coordinates in mm"),)
        )
    scales: dict[str, PathScale] = {}
    if form.scale is not None:
        for row in _rows(path, form, None):
            name = _scale_id(row, form)
            if name is not None and name not in scales:
                along, across = (float(part) for part in name.split())
                scales[name] = PathScale(id=name, mm_per_px_row=along, mm_per_px_col=across)
                if len(scales) > MOST_SCALES:
                    raise ShareError(
                        f"{path.name} must hold at most {MOST_SCALES} scales; write each film's into a file"
                    )
    return Head(calibrations=tuple(scales.values()))


def _scale_id(row: list[str], form: _Form) -> str | None:
    if form.in_mm:
        return "1 1"
    if form.scale is None or max(form.scale) >= len(row) or not row[form.scale[0]].strip():
        return None
    try:
        pair = [_number(row[k], form) for k in form.scale]
    except ValueError:
        return None
    return None if min(pair) <= 0.0 or not np.isfinite(pair).all() else f"{pair[0]!r} {pair[1]!r}"


def _number(text: str, form: _Form) -> float:
    return typed_number(text.replace(",", ".") if form.delimiter != "," else text)


def _rows(path: Path, form: _Form, stretch: Stretch | None) -> Iterator[list[str]]:
    """Cells of each line; the file is read line by line, and no cell holds a line end."""
    with open_regular(path) as file:
        file.seek(form.start if stretch is None else stretch.offset)
        end = None if stretch is None else stretch.offset + stretch.size
        at = file.tell()

        def lines() -> Iterator[str]:
            nonlocal at
            while end is None or at < end:
                line = file.readline(LONGEST_LINE + 1)
                if not line:
                    return
                if len(line) > LONGEST_LINE:
                    raise ShareError(f"{path.name} must have lines of at most {LONGEST_LINE >> 10} kB; is it a table?")
                at += len(line)
                yield line.decode("utf-8", "replace")

        try:
            yield from (row for row in csv.reader(lines(), delimiter=form.delimiter) if row)
        except csv.Error as error:
            raise ShareError(f"{path.name} must be a table: {error}") from None


def _key(row: list[str], form: _Form) -> tuple[str, ...]:
    return tuple(row[k] if k < len(row) else "" for k, _ in form.names)


def vertices_features(path: Path, stretch: Stretch | None = None) -> Iterator[PathFeature | Bad]:
    """The paths of a list of vertices, or of a stretch of it that begins with a path."""
    form = _form(path)
    place, key = 0 if stretch is None else stretch.first - 1, None
    rows: list[list[str]] = []
    seen: set[tuple[str, ...]] = set()
    for row in _rows(path, form, stretch):
        now = _key(row, form)
        if key is not None and now != key:
            place += 1
            yield _feature(rows, key, form, place, seen)
            rows = []
        key = now
        if len(rows) <= MOST_POINTS:  # one too many is enough to refuse it
            rows.append(row)
    if key is not None:
        yield _feature(rows, key, form, place + 1, seen)


def _feature(
    rows: list[list[str]], key: tuple[str, ...], form: _Form, place: int, seen: set[tuple[str, ...]]
) -> PathFeature | Bad:
    members: dict[str, Any] = {}
    for (_, name), cell in zip(form.names, key, strict=True):
        if cell.strip():
            text = text_of_cell(cell.strip())
            members[name] = f"{members[name]} {text}" if name in members else text
    try:
        if key in seen:
            raise ShareError("points of one path must stand together: it has come before")
        seen.add(key)
        points = np.array([(_number(row[form.row], form), _number(row[form.col], form)) for row in rows])
        if form.vertex is not None:
            order = [_number(row[form.vertex], form) for row in rows]
            if any(after <= before for before, after in pairwise(order)):
                raise ShareError("vertex must count up along the path: sort the lines")
        members["calibration"] = _scale_id(rows[0], form)
        if form.scale is not None and any(_scale_id(row, form) != members["calibration"] for row in rows):
            raise ShareError("mm_per_px must be one scale along a path: it changes")
        return read_feature(points, members)
    except (ValueError, IndexError) as error:
        said = str(error) if isinstance(error, WlmeasureError) else "points must be numbers: a cell is none"
        return Bad(place, said, str(members["id"])[:200] if "id" in members else None)


def vertices_stretches(path: Path, most_bytes: int) -> tuple[str, list[Stretch]]:
    """SHA-256 of the file, and stretches of about `most_bytes` that begin where a path does; `first` counts their lines."""
    form = _form(path)
    digest = hashlib.sha256()
    stretches: list[Stretch] = []
    begin, first, lines = form.start, 1, 0
    key: tuple[str, ...] | None = None
    with open_regular(path) as file:
        digest.update(file.read(form.start))
        at = form.start
        for line in iter(lambda: file.readline(LONGEST_LINE + 1), b""):
            if len(line) > LONGEST_LINE:
                raise ShareError(f"{path.name} must have lines of at most {LONGEST_LINE >> 10} kB; is it a table?")
            digest.update(line)
            if at - begin >= most_bytes and line.strip():
                row = next(csv.reader([line.decode("utf-8", "replace")], delimiter=form.delimiter))
                if key is None:
                    key = _key(row, form)
                elif _key(row, form) != key:
                    stretches.append(Stretch(first, lines, begin, at - begin))
                    begin, first, lines, key = at, first + lines, 0, None
            at += len(line)
            lines += 1
    if at > begin:
        stretches.append(Stretch(first, lines, begin, at - begin))
    return digest.hexdigest(), stretches
