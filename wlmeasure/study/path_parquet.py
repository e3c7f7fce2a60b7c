"""Paths as Parquet: one row a line, its points as two list columns, images and scales in the file's own metadata.

The columns are those of canals.csv and carry the same sentence each, so that a reader finds the meaning in the file. zstd,
and row groups that one worker takes at once. Needs pyarrow, an extra.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import Any

import attrs
import numpy as np

from wlmeasure.errors import ShareError, WlmeasureError
from wlmeasure.image.file_content import open_regular
from wlmeasure.record.members import Number
from wlmeasure.share.columns import CANAL_COLUMNS, VERTEX_COLUMNS
from wlmeasure.share.path_set import Head, PathFeature, dumps, head_from_json, head_to_json
from wlmeasure.study.path_lines import Bad, Stretch, parse_json
from wlmeasure.study.path_tables import feature_cells, feature_of_cells

__all__ = ["arrow", "parquet_features", "parquet_head", "parquet_stretches", "write_parquet"]

HEAD_KEY = b"wlmeasure"
GROUP = 4096  # lines in a row group (our parameter): 6 MB of points
LARGEST_GROUP = 64 * 2**20  # bytes of a row group, or of a chunk of them, before compression (our parameter)
BLOCK = 4 * 2**20
POINTS = ("row_px", "col_px")
NUMBERS = {a.name for a in attrs.fields(PathFeature) if isinstance(a.metadata.get("kind"), Number)} | {
    "reference_row_px",
    "reference_col_px",
}
COLUMNS = {name: text for name, text in CANAL_COLUMNS.items() if name not in ("path", "vertices")}


def arrow() -> Any:
    """The module pyarrow with its Parquet part.

    Raises
    ------
    ShareError
        It is not installed.
    """
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        raise ShareError('Parquet needs an extra that is not installed: run pip install "wlmeasure[study]"') from None
    return pyarrow


def _schema(pa: Any, head: Head) -> Any:
    fields = [
        pa.field(name, pa.float64() if name in NUMBERS else pa.string(), metadata={"meaning": text})
        for name, text in COLUMNS.items()
    ]
    fields += [pa.field(name, pa.list_(pa.float64()), metadata={"meaning": VERTEX_COLUMNS[name]}) for name in POINTS]
    return pa.schema(fields, metadata={HEAD_KEY: dumps(head_to_json(head)).encode("utf-8")})


def write_parquet(path: Path, head: Head, features: Iterable[PathFeature]) -> int:
    """Write lines to one Parquet file; returns how many there are."""
    pa = arrow()
    schema = _schema(pa, head)
    count = 0
    features = iter(features)
    with pa.parquet.ParquetWriter(path, schema, compression="zstd") as writer:
        while some := list(islice(features, GROUP)):
            cells = [feature_cells(feature) for feature in some]
            arrays = [pa.array([row[name] for row in cells], schema.field(name).type) for name in COLUMNS]
            ends = np.cumsum([0, *(len(feature.path_px) for feature in some)]).astype(np.int32)
            points = np.concatenate([feature.path_px for feature in some])
            arrays += [pa.ListArray.from_arrays(ends, np.ascontiguousarray(points[:, axis])) for axis in (0, 1)]
            writer.write_batch(pa.record_batch(arrays, schema=schema))
            count += len(some)
    return count


@lru_cache(maxsize=4)
def _opened(path: Path, size: int, modified_ns: int) -> tuple[Any, Head]:
    pa = arrow()
    try:
        open_regular(path).close()  # the library itself would wait for a pipe
        metadata = pa.parquet.read_metadata(path)
        schema = metadata.schema.to_arrow_schema()
    except (pa.ArrowException, OSError) as error:
        raise ShareError(f"{path.name} must be a Parquet file: {' '.join(str(error).split())[:120]}") from None
    for name in POINTS:
        kind = schema.field(name).type if name in schema.names else None
        if kind is None or not (pa.types.is_list(kind) or pa.types.is_large_list(kind)):
            raise ShareError(
                f"{path.name} must have the list columns {' and '.join(POINTS)}: {', '.join(schema.names)[:120]}"
            )
    said = (schema.metadata or {}).get(HEAD_KEY)
    return metadata, Head() if said is None else head_from_json(parse_json(said, path.name))


def _open(path: Path) -> tuple[Any, Head]:
    said = path.stat()
    return _opened(path, said.st_size, said.st_mtime_ns)


def parquet_head(path: Path) -> Head:
    """Images and scales of a Parquet file; without our metadata it has none."""
    return _open(path)[1]


def parquet_features(path: Path, stretch: Stretch | None = None) -> Iterator[PathFeature | Bad]:
    """The lines of a Parquet file, or of the row groups of a stretch."""
    pa = arrow()
    metadata, _ = _open(path)
    groups = range(metadata.num_row_groups)
    if stretch is not None:
        groups = range(stretch.offset, stretch.offset + stretch.size)
    place = 0 if stretch is None else stretch.first - 1
    with pa.parquet.ParquetFile(path, metadata=metadata) as file:
        wanted = [name for name in (*COLUMNS, *POINTS) if name in file.schema_arrow.names]
        for group in groups:
            _check_group(path, metadata, group)
            try:
                table = file.read_row_group(group, columns=wanted, use_threads=False)
            except (pa.ArrowException, OSError) as error:
                raise ShareError(f"{path.name}, row group {group}: {' '.join(str(error).split())[:120]}") from None
            for found in _rows(pa, table):
                place += 1
                try:
                    yield feature_of_cells(*found)
                except WlmeasureError as error:
                    name = found[1].get("id")
                    yield Bad(place, str(error), None if name is None else str(name)[:200])


def _rows(pa: Any, table: Any) -> Iterator[tuple[Any, dict[str, Any]]]:
    table = table.combine_chunks()
    lists = [table.column(name).combine_chunks() for name in POINTS]
    flat = [np.asarray(one.values.cast(pa.float64()).to_numpy(zero_copy_only=False), np.float64) for one in lists]
    ends = [one.offsets.to_numpy() for one in lists]
    plain = {}
    for name in table.column_names:
        if name in POINTS or table.column(name).null_count == table.num_rows:
            continue
        column = table.column(name)
        # Another program may have stored a tooth or a session as a number.
        plain[name] = (column if name in NUMBERS else column.cast(pa.string())).to_pylist()
    for k in range(table.num_rows):
        rows, cols = (values[end[k] : end[k + 1]] for values, end in zip(flat, ends, strict=True))
        points = np.column_stack([rows, cols]) if len(rows) == len(cols) else (rows.tolist(), cols.tolist())
        yield points, {name: values[k] for name, values in plain.items()}


def _check_group(path: Path, metadata: Any, group: int) -> None:
    size = metadata.row_group(group).total_byte_size
    if size > LARGEST_GROUP:
        raise ShareError(
            f"{path.name} must have row groups of at most {LARGEST_GROUP >> 20} MB: group {group} has {size >> 20} MB; write "
            f"it again with row groups of {GROUP} rows"
        )


def parquet_stretches(path: Path, most: int) -> tuple[str, list[Stretch]]:
    """SHA-256 of the file, and its row groups in stretches of about `most` lines."""
    metadata, _ = _open(path)
    digest = hashlib.sha256()
    with open_regular(path) as file:
        while block := file.read(BLOCK):
            digest.update(block)
    stretches: list[Stretch] = []
    first, begin, count, size = 1, 0, 0, 0
    for group in range(metadata.num_row_groups):
        _check_group(path, metadata, group)
        count += metadata.row_group(group).num_rows
        size += metadata.row_group(group).total_byte_size
        after = 0 if group == metadata.num_row_groups - 1 else metadata.row_group(group + 1).total_byte_size
        if count >= most or size + after > LARGEST_GROUP or not after:
            stretches.append(Stretch(first, count, begin, group + 1 - begin))
            first, begin, count, size = first + count, group + 1, 0, 0
    return digest.hexdigest(), stretches
