"""Making an exercise: films with sealed truth, from phantoms or from a teacher's own films and key."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from wlmeasure.errors import CaseError, LearnError
from wlmeasure.image.file_content import file_content
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.image.reading import read
from wlmeasure.learn.answers import answers_text, bounded
from wlmeasure.learn.exercise import (
    ANSWER_FILE,
    Exercise,
    Given,
    Item,
    ItemTruth,
    TakenReading,
    save_exercise,
)
from wlmeasure.learn.key_cells import number_cell, points_cell, with_second
from wlmeasure.learn.phantom_items import phantom_item, shifted_item
from wlmeasure.phantom.anatomy import LEVELS
from wlmeasure.share.cells import text_of_cell
from wlmeasure.share.deidentify import picture_alone
from wlmeasure.whole_file import write_whole

__all__ = ["MOST_FILMS", "exercise_from_films", "exercise_from_phantoms"]

MOST_FILMS = 200
LARGEST_KEY = 16 * 2**20  # bytes
KEY_COLUMNS = ("film", "canal", "where", "reference_point", "length_mm", "mm_per_px_row", "mm_per_px_col")


def exercise_from_phantoms(
    folder: str | Path,
    count: int,
    seed: int,
    level: str,
    *,
    views: int = 1,
    made_at: str,
    password: str | None = None,
) -> Iterator[Path]:
    """Write an exercise of `count` phantoms into a new or empty folder; yields each film's path, one a second.

    Film k depends on `seed` and k alone, and is none of the films that the same seed gives as a dataset. The truth is sealed
    after the last film. With 2 `views` every item has a second film of the same tooth, the tube shifted; many then ask which
    of two canals lies buccal.

    Raises
    ------
    LearnError
        A count that is not 1 to 200, views that are not 1 or 2, a folder that holds something, a password without its
        extra.
    PhantomError
        An unknown level.
    """
    if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= MOST_FILMS:
        raise LearnError(f"count must be 1 to {MOST_FILMS}: {count!r}")
    if isinstance(seed, bool) or not isinstance(seed, int) or seed < 0:
        raise LearnError(f"seed must be a whole number >= 0: {seed!r}")
    # A film of several teeth would need a sentence that says which one is meant.
    known = [name for name, grade in LEVELS.items() if not grade.many]
    if level not in known:
        raise LearnError(f"level must be one of {', '.join(known)}: {level!r}")
    if isinstance(views, bool) or views not in (1, 2):
        raise LearnError(f"views must be 1 or 2: {views!r}")
    folder = _empty(folder)
    items, truths = [], []
    for k in range(count):
        name = f"film_{k + 1:02d}"
        if views == 1:
            rng = np.random.default_rng([seed, k, int.from_bytes(b"learn", "big")])
            item, truth, films = phantom_item(rng, f"{name}.png", level)
        else:
            rng = np.random.default_rng([seed, k, int.from_bytes(b"shifted", "big")])
            item, truth, films = shifted_item(rng, (f"{name}_a.png", f"{name}_b.png"), level)
        for film, data in films.items():
            write_whole(folder / film, data, private=False)
            yield folder / film
        items.append(item)
        truths.append(truth)
    _finish(folder, items, truths, made_at, password)


def exercise_from_films(
    folder: str | Path, films: Sequence[str | Path], key: str | Path, *, made_at: str, password: str | None = None
) -> Iterator[Path]:
    """Write an exercise of a teacher's own films; yields each film's copy.

    Films are copied under names of our own and as their picture alone, so that neither a file's name nor what it says beside
    the picture tells a student whose it is or what is on it.

    Parameters
    ----------
    folder
        New or empty.
    films
        Image files that this program reads.
    key
        CSV with one row a film and the columns ``film`` (file name), ``canal``, ``where``, ``reference_point``, ``length_mm``
        (what is true: reference point to 0.5 mm short of the foramen), ``mm_per_px_row``, ``mm_per_px_col``, one of
        ``known_file_mm`` and ``magnification``, and, where known, ``tooth`` (ISO 3950),
        ``reading_mm`` with ``mark``, ``path`` and ``file_path``
        (``row col; row col; ...``): with a path the marking can say what kind of error an answer shows. A tooth with a
        second film, its tube shifted, has it in ``second_film``, with ``shift_deg``, ``mesial_to``, ``tube`` (empty where it
        is not told), ``difference_mm`` or ``second_path``, where there are other pixels or there is another scale
        ``second_mm_per_px_row``, ``second_mm_per_px_col``, ``second_known_file_mm``, ``second_magnification``, and, where it is
        asked on which side of the other canal the file lies, ``side``.
    made_at, password
        Time in ISO 8601; what the truth is encrypted with, None to leave it packed only.

    Raises
    ------
    LearnError
        A film without a row, a row without a film, a cell that is not what its column needs.
    ImageError
        A film that cannot be read.
    """
    rows = _key_rows(Path(key))
    paths = {Path(film).name: film for film in films}
    if len(paths) < len(films):
        raise LearnError("films must each have a name of their own: the key knows them by it")
    keyed = [*rows, *(row["second_film"] for row in rows.values() if row.get("second_film"))]
    if missing := [name for name in paths if name not in keyed] + [name for name in keyed if name not in paths]:
        raise LearnError(f"key must have one row for each film: {missing[0][:60]!r} stands in only one of both")
    folder = _empty(folder)
    items, truths = [], []
    for k, own in enumerate((name for name in paths if name in rows), 1):
        row = rows[own]
        pair = [own, *([row["second_film"]] if row.get("second_film") else [])]
        copies = []
        for one, letter in zip(pair, ("_a", "_b") if pair[1:] else ("",), strict=True):
            content, suffix = picture_alone(file_content(Path(paths[one])))
            copies.append(f"film_{k:02d}{letter}{suffix}")
            write_whole(folder / copies[-1], content, private=False)
        graphs = [read(folder / copy) for copy in copies]
        try:
            item, truth = _key_item(row, copies[0], graphs[0])
            if pair[1:]:
                item, truth = with_second(item, truth, row, copies[1], graphs[1])
        except CaseError as error:
            raise LearnError(f"key, film {own[:60]!r}: {error}") from None
        items.append(item)
        truths.append(truth)
        yield from (folder / copy for copy in copies)
    _finish(folder, items, truths, made_at, password)


def _key_rows(path: Path) -> dict[str, dict[str, str]]:
    try:
        table = list(csv.DictReader(io.StringIO(bounded(path, LARGEST_KEY, "key").decode("utf-8-sig"))))
    except (OSError, UnicodeDecodeError, csv.Error):
        raise LearnError(f"key must be a CSV table in UTF-8: {path.name} cannot be read as one") from None
    for name in KEY_COLUMNS:
        if not table or name not in table[0]:
            raise LearnError(f"key must have rows and the columns {', '.join(KEY_COLUMNS)}: {name} is missing")
    rows: dict[str, dict[str, str]] = {}
    for row in table:
        cells = {
            name: text_of_cell((cell or "").strip()).strip() for name, cell in row.items() if isinstance(name, str)
        }
        if cells["film"] in rows:
            raise LearnError(f"key must have one row for each film: {cells['film'][:60]!r} stands twice")
        rows[cells["film"]] = cells
    return rows


def _key_item(row: dict[str, str], name: str, graph: Radiograph) -> tuple[Item, ItemTruth]:
    def number(column: str) -> Any:
        return number_cell(row, column)

    def points(column: str) -> Any:
        return points_cell(row, column)

    reading = number("reading_mm")
    item = Item(
        film=name, sha256=graph.sha256, rows=graph.rows, cols=graph.cols, canal=row["canal"], where=row["where"],
        tooth=row.get("tooth") or None,
        reference_point=row["reference_point"],
        scale=Given(
            mm_per_px_row=number("mm_per_px_row"), mm_per_px_col=number("mm_per_px_col"),
            known_file_mm=number("known_file_mm"), magnification=number("magnification"),
        ),
        reading=None if reading is None else TakenReading(length_mm=reading, mark=row.get("mark", "")),
    )  # fmt: skip
    truth = ItemTruth(film=name, length_mm=number("length_mm"), path_px=points("path"), file_px=points("file_path"))
    return item, truth


def _empty(folder: str | Path) -> Path:
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise LearnError(f"folder must be new or empty: {folder.name} holds something; choose another")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _finish(folder: Path, items: list[Item], truths: list[ItemTruth], made_at: str, password: str | None) -> None:
    digest = hashlib.sha256("".join(item.sha256 for item in items).encode()).hexdigest()[:32]
    exercise = Exercise(id=digest, made_at=made_at, items=tuple(items))
    table = answers_text({}, [item.film for item in items], shifted=exercise.shifted)
    write_whole(folder / ANSWER_FILE, table, private=False)
    save_exercise(folder, exercise, tuple(truths), password)
