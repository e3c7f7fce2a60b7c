"""Any number of cases and paths recomputed into one table: by one process, by several, or by a Dask cluster that is there.

The inputs are cut into chunks that depend on nothing but the inputs, a chunk is computed from its file alone, and the table is
the chunks in their order: so it is the same whoever computed them, byte for byte with the same engine. A finished chunk is a
file in a folder beside the table, named by what it was computed from, and appears whole or not at all. A run that was killed
goes on where it stopped; the table appears when all is done.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from importlib.util import find_spec
from itertools import chain
from pathlib import Path
from typing import Any

from attrs import asdict, frozen

from wlmeasure import __version__
from wlmeasure.errors import ShareError, WlmeasureError
from wlmeasure.image.file_content import open_regular
from wlmeasure.measure.batch import share_processors
from wlmeasure.record.case import LARGEST_FILE, SUFFIX
from wlmeasure.share.cells import table_text
from wlmeasure.share.paths import Credit
from wlmeasure.study.path_files import PARQUET, case_paths, find_inputs
from wlmeasure.study.path_lines import LINES, ONE_OBJECT, Bad, Stretch, lines_features, lines_head, lines_stretches
from wlmeasure.study.path_parquet import arrow, parquet_features, parquet_head, parquet_stretches
from wlmeasure.study.path_tables import table_features, table_head, table_stretches
from wlmeasure.study.path_vertices import vertices_features, vertices_head, vertices_stretches
from wlmeasure.study.rows import (
    ROW_COLUMNS,
    TEXT_COLUMNS,
    WHOLE_COLUMNS,
    Columns,
    Settings,
    case_rows,
    joined,
    path_rows,
)
from wlmeasure.study.spread import check_workers, spread
from wlmeasure.whole_file import keep, whole_file, whole_folder, write_whole

__all__ = ["CHUNK", "Summary", "engine_here", "tabulate"]

CHUNK = 16384  # canals computed at once (our parameter): enough to share the cost of a call, within 150 MB of memory
CHUNK_BYTES = 32 * 2**20  # of text in one chunk
VERTEX_BYTES = 60  # of text in one line of a list of vertices, to cut it into chunks
CASES, UNSEEN_CASES = 8, 512  # cases in one chunk, with their films and without
ERROR_COLUMNS = ("source", "place", "id", "reason")


@frozen
class Chunk:
    """Some neighbouring canals of one file, or some cases; `reason` where the whole file cannot be used.

    `key` is the hash of all that its rows depend on. `count` is how many canals it has, about. `folder` is where names that are
    not absolute count from: a worker of a cluster may stand elsewhere.
    """

    number: int
    key: str
    kind: str
    paths: tuple[str, ...]
    stretch: tuple[Stretch, ...] = ()
    count: int = 0
    reason: str = ""
    folder: str = ""


@frozen
class Done:
    """What came of a chunk, as the bytes of its part of the table and of its errors."""

    table: bytes
    errors: bytes
    rows: int
    bad: int


@frozen
class Summary:
    """A finished table: canals in it, what was left out, which engine computed, chunks taken over from an earlier run."""

    rows: int
    bad: int
    engine: str
    chunks: int
    resumed: int
    errors: Path


def engine_here() -> str:
    """Numba where it is installed, else numpy."""
    return "numpy" if find_spec("numba") is None else "numba"


def tabulate(
    given: Sequence[str | Path],
    out: Path,
    *,
    workers: int = 1,
    scheduler: str | None = None,
    settings: Settings | None = None,
    chunk: int = CHUNK,
    on_plan: Callable[[int, int], None] | None = None,
    on_done: Callable[[int], None] | None = None,
) -> Summary:
    """Compute the table of all canals of the inputs.

    Parameters
    ----------
    given
        Case files, path files, Parquet files, tables, lists of vertices, and folders of them.
    out
        ``*.csv``, or ``*.parquet`` for a new folder of Parquet files.
    workers
        Processes on this computer; 1 computes in this one.
    scheduler
        Address of a Dask scheduler instead. Its workers need this package and the same files under the same names.
    settings
        Engine and assumptions; the fastest engine that is installed.
    chunk
        Canals computed at once.
    on_plan, on_done
        Called with all canals and those of chunks that are there already, and after each chunk with its canals.

    Returns
    -------
    Summary
        Errors stand in a file beside the table, one line each.

    Raises
    ------
    ShareError
        No input, an output that cannot be written, a worker that was killed.
    """
    settings = settings or Settings(engine_here())
    if isinstance(chunk, bool) or not isinstance(chunk, int) or not 1 <= chunk <= 10**6:
        raise ShareError(f"chunk must be 1 to 1000000: {chunk!r}")
    check_workers(workers)
    if settings.engine not in ("numba", "numpy"):
        raise ShareError(f"engine must be numba or numpy: {settings.engine!r}")
    parquet = out.name.endswith(PARQUET)
    if not parquet and not out.name.endswith(".csv"):
        raise ShareError(f"--out must end in .csv, or in {PARQUET} for a folder of them: {out.name}")
    if parquet:
        arrow()
        if out.exists() and (not out.is_dir() or any(out.iterdir())):
            raise ShareError(f"--out must be a new or empty folder: {out} holds something")
    inputs = find_inputs(given)
    keep(inputs)
    if out.resolve() in {path.resolve() for path in inputs}:
        raise ShareError(f"--out must be a new file: {out} is an input")
    parts = out.with_name(f".{out.name}.parts")
    parts.mkdir(parents=True, exist_ok=True)
    plan = list(_plan(inputs, settings, chunk, "parquet" if parquet else "csv"))
    write_whole(parts / "manifest.json", _manifest(plan, settings))
    waiting = [one for one in plan if not _is_done(parts, one)]
    if on_plan is not None:
        total = sum(one.count for one in plan)
        on_plan(total, total - sum(one.count for one in waiting))
    work = partial(compute, settings=settings, parquet=parquet)
    for one, done in spread(work, waiting, workers=workers, scheduler=scheduler):
        write_whole(_part(parts, one, "errors.csv"), done.errors)
        write_whole(_part(parts, one, "table"), done.table)  # last: it says that the chunk is done
        if on_done is not None:
            on_done(one.count)
    rows, bad = _assembled(parts, plan, out, parquet)
    shutil.rmtree(parts)
    return Summary(
        rows, bad, settings.engine, len(plan), len(plan) - len(waiting), out.with_name(f"{out.stem}.errors.csv")
    )


def _plan(inputs: Sequence[Path], settings: Settings, most: int, form: str) -> Iterator[Chunk]:
    """The chunks of all inputs in their order."""
    cases: list[Path] = []
    number, here = 0, str(Path.cwd())

    def keyed(
        kind: str, paths: Sequence[Path], digest: str, stretch: tuple[Stretch, ...], count: int, reason: str = ""
    ) -> Chunk:
        nonlocal number
        number += 1
        names = tuple(str(path) for path in paths)
        said = [__version__, form, asdict(settings), kind, names, digest, [asdict(one) for one in stretch], reason]
        key = hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()
        return Chunk(number - 1, key, kind, names, stretch, count, reason, here)

    def cases_chunk() -> Iterator[Chunk]:
        if cases:
            digest = hashlib.sha256()
            for path in cases:
                with open_regular(path) as file:  # one that is too large is refused when it is read
                    digest.update(hashlib.sha256(file.read(LARGEST_FILE)).digest())
            yield keyed("case", cases, digest.hexdigest(), (), len(cases))
            cases.clear()

    for path in inputs:
        if path.name.endswith(SUFFIX):
            cases.append(path)
            if len(cases) == min(UNSEEN_CASES if settings.paths_only else CASES, most):
                yield from cases_chunk()
            continue
        yield from cases_chunk()
        try:
            kind, digest, stretches = _stretches(path, most)
        except (WlmeasureError, OSError, UnicodeDecodeError) as error:
            yield keyed("refused", [path], "", (), 0, " ".join(str(error).split()))
            continue
        for stretch in stretches:
            yield keyed(kind, [path], digest, stretch, stretch[0].count)
    yield from cases_chunk()


def _stretches(path: Path, most: int) -> tuple[str, str, Sequence[tuple[Stretch, ...]]]:
    """Kind of a file, its hash, and where its chunks stand."""
    if path.is_dir():
        return "table", *table_stretches(path, most)
    if path.name.endswith((ONE_OBJECT, LINES)):
        lines_head(path)
        digest, found = lines_stretches(path, most, CHUNK_BYTES)
        return "lines", digest, [(one,) for one in found]
    if path.name.endswith(PARQUET):
        digest, found = parquet_stretches(path, most)
        return "parquet", digest, [(one,) for one in found]
    vertices_head(path)
    digest, found = vertices_stretches(path, min(CHUNK_BYTES, most * VERTEX_BYTES))
    return "vertices", digest, [(one,) for one in found]


def compute(chunk: Chunk, settings: Settings, parquet: bool, processes: int) -> Done:
    """Rows and errors of one chunk; run by a worker.

    Raises
    ------
    MeasureError
        The engine is not installed where it runs.
    """
    if settings.engine == "numba":
        share_processors(processes)
    parts: list[Columns] = []
    bad: list[tuple[str, Bad]] = []
    inputs = []
    for name in chunk.paths:
        try:
            if chunk.kind == "refused":
                bad.append((name, Bad(0, chunk.reason)))
            elif chunk.kind == "case" and not settings.paths_only:
                parts.append(case_rows(name, Path(chunk.folder, name)))
            else:
                head, features, first = _read(chunk, Path(chunk.folder, name), settings)
                inputs.append((name, head, _guarded(features), first))
        except (WlmeasureError, OSError, UnicodeDecodeError, ArithmeticError, RecursionError) as error:
            bad.append((name, Bad(0, str(error))))
    if inputs:
        table, refused = path_rows(inputs, settings)
        parts.append(table)
        bad = [one for name in chunk.paths for one in [*bad, *refused] if one[0] == name]
    lines = table_text((name, one.place or None, one.id, " ".join(one.reason.split())) for name, one in bad)
    columns = parts[0] if len(parts) == 1 else joined(parts)
    rows = zip(*columns.values(), strict=True)
    content = _parquet_bytes(columns) if parquet else table_text(rows).encode("utf-8")
    return Done(content, lines.encode("utf-8"), len(columns["place"]), len(bad))


def _read(chunk: Chunk, path: Path, settings: Settings) -> tuple[Any, Iterable[Any], int]:
    """Head, lines and the number of the first line of a chunk."""
    if chunk.kind == "case":
        paths = case_paths(path, Credit(), paths_only=settings.paths_only)
        return paths.head, paths.features(), 1
    if chunk.kind == "table":
        rows, points = chunk.stretch
        return table_head(path), table_features(path, (rows, points)), rows.first
    (stretch,) = chunk.stretch
    if chunk.kind == "lines":
        return lines_head(path), lines_features(path, stretch), stretch.first
    if chunk.kind == "parquet":
        return parquet_head(path), parquet_features(path, stretch), stretch.first
    return vertices_head(path), vertices_features(path, stretch), stretch.first


def _guarded(features: Iterable[Any]) -> Iterator[Any]:
    """The lines up to where the file itself is broken."""
    try:
        yield from features
    except (WlmeasureError, OSError, UnicodeDecodeError) as error:
        yield Bad(0, str(error))


def _parquet_bytes(table: Columns) -> bytes:
    pa = arrow()
    kinds = {name: pa.string() for name in TEXT_COLUMNS} | {name: pa.int64() for name in WHOLE_COLUMNS}
    schema = pa.schema(
        [
            pa.field(name, kinds.get(name, pa.float64()), metadata={"meaning": text})
            for name, text in ROW_COLUMNS.items()
        ]
    )
    arrays = [pa.array(table[name], schema.field(name).type) for name in ROW_COLUMNS]
    out = pa.BufferOutputStream()
    pa.parquet.write_table(pa.table(arrays, schema=schema), out, compression="zstd")
    return bytes(out.getvalue())


def _manifest(plan: Sequence[Chunk], settings: Settings) -> bytes:
    """What the folder beside the table is, for a person who finds it after a kill."""
    said = {
        "schema": "wlmeasure-batch/1",
        "program": __version__,
        "settings": asdict(settings),
        "chunks": [[one.number, one.key, list(one.paths)] for one in plan],
    }
    return json.dumps(said, ensure_ascii=False, indent=1).encode("utf-8")


def _part(parts: Path, chunk: Chunk, what: str) -> Path:
    return parts / f"{chunk.number:06d}-{chunk.key[:32]}.{what}"


def _is_done(parts: Path, chunk: Chunk) -> bool:
    """Whether a chunk was computed by an earlier run, without errors: those may have been mended since."""
    errors = _part(parts, chunk, "errors.csv")
    return _part(parts, chunk, "table").is_file() and errors.is_file() and errors.stat().st_size == 0


def _assembled(parts: Path, plan: Sequence[Chunk], out: Path, parquet: bool) -> tuple[int, int]:
    """The table and what stands beside it, of all chunks in their order; counts of rows and errors."""
    meanings = table_text([("column", "meaning"), *ROW_COLUMNS.items()])
    _stream(out.with_name(f"{out.stem}.columns.csv"), [meanings.encode("utf-8")])
    errors = (_part(parts, one, "errors.csv").read_bytes() for one in plan)
    bad = _stream(out.with_name(f"{out.stem}.errors.csv"), chain([_line(ERROR_COLUMNS)], errors)) - 1
    if not parquet:
        tables = (_part(parts, one, "table").read_bytes() for one in plan)
        rows = _stream(out, chain([_line(tuple(ROW_COLUMNS))], tables)) - 1
        return rows, bad
    pa = arrow()
    rows = 0
    with whole_folder(out) as folder:
        for one in plan:
            part = _part(parts, one, "table")
            rows += pa.parquet.read_metadata(part).num_rows
            shutil.copyfile(part, folder / f"part-{one.number:06d}{PARQUET}")
    return rows, bad


def _line(cells: tuple[str, ...]) -> bytes:
    return (",".join(cells) + "\n").encode("utf-8")


def _stream(out: Path, pieces: Iterable[bytes]) -> int:
    """Write a text file of many pieces, whole or not at all; returns how many lines it has."""
    lines = 0
    with whole_file(out) as temporary, temporary.open("wb") as file:
        for piece in pieces:
            file.write(piece)
            lines += piece.count(b"\n")
    return lines
