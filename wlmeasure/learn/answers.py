"""A student's answers: a table (CSV) filled in by hand, or the file that the viewer writes.

One row a film: ``film``, ``length_mm``, ``low_mm`` and ``high_mm`` (the interval), and ``path``, the line that was measured
along, as ``row col; row col; ...`` in pixels from the coronal reference point to the apical end. Interval and path may be
left out. Where an exercise has second films there are two columns more: ``difference_mm``, how much longer the canal is on
the second film than on the first, and ``side``, where the file lies: buccal, lingual or cannot tell; both may be left out.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path

from attrs import field, frozen

from wlmeasure.errors import LearnError, NotWrittenError, check_finite
from wlmeasure.image.file_content import first_bytes
from wlmeasure.points import as_points
from wlmeasure.share.cells import table_text, text_of_cell
from wlmeasure.whole_file import write_whole
from wlmeasure.words import typed_number

__all__ = [
    "COLUMNS",
    "SHIFTED_COLUMNS",
    "SIDES",
    "Answer",
    "answers_text",
    "bounded",
    "commit_answer",
    "committed_answers",
    "load_answers",
]

COLUMNS = ("film", "length_mm", "low_mm", "high_mm", "path")
SHIFTED_COLUMNS = ("difference_mm", "side")
SIDES = ("buccal", "lingual", "cannot tell")
LARGEST_TABLE = 16 * 2**20  # bytes
LONGEST_PATH = 100_000  # points
SHORTEST_MM, LONGEST_MM = 1.0, 60.0  # as everywhere: no canal is shorter or longer

Path_px = tuple[tuple[float, float], ...]


def _length(value: float) -> float:
    length = check_finite(LearnError, "length_mm", value)
    if not SHORTEST_MM <= length <= LONGEST_MM:
        raise LearnError(f"length_mm must be {SHORTEST_MM:g} to {LONGEST_MM:g}: {length:g}")
    return length


def _difference(value: float | None) -> float | None:
    if value is not None and not abs(check_finite(LearnError, "difference_mm", value)) <= LONGEST_MM:
        raise LearnError(f"difference_mm must be at most {LONGEST_MM:g} in size: {value:g}")
    return value


def _side(value: str | None) -> str | None:
    word = None if value is None else " ".join(value.split()).lower()
    if word is not None and word not in SIDES:
        raise LearnError(f"side must be one of {', '.join(SIDES)}: {word[:40]!r}")
    return word


def _path(value: object) -> Path_px | None:
    if value is None:
        return None
    points = as_points(LearnError, "path", value, least=2)
    if len(points) > LONGEST_PATH:
        raise LearnError(f"path must hold at most {LONGEST_PATH} points: {len(points)}")
    if (points == points[0]).all():
        raise LearnError("path must have a length: all its points are one")
    return tuple((float(row), float(col)) for row, col in points)


@frozen
class Answer:
    """What a student committed for one film: `length_mm`, the interval it was given, and the path measured along (row, col).

    Of a second film also `difference_mm`, how much longer the canal is on it, and the `side` on which the file lies.

    Raises
    ------
    LearnError
        A length out of 1 to 60 mm, an interval that does not hold it, a path of fewer than two points, a side that is none.
    """

    film: str
    length_mm: float = field(converter=_length)
    interval_mm: tuple[float, float] | None = None
    path_px: Path_px | None = field(default=None, converter=_path)
    difference_mm: float | None = field(default=None, converter=_difference)
    side: str | None = field(default=None, converter=_side)

    def __attrs_post_init__(self) -> None:
        if self.interval_mm is None:
            return
        low, high = (check_finite(LearnError, name, v) for name, v in zip(COLUMNS[2:4], self.interval_mm, strict=True))
        if not low <= self.length_mm <= high:
            raise LearnError(f"low_mm and high_mm must hold length_mm: {low:g}, {high:g} and {self.length_mm:g}")


def bounded(path: Path, most: int, what: str) -> bytes:
    """The bytes of a file of ours that anybody may have put there.

    Raises
    ------
    OSError
        It cannot be read, or is no regular file.
    LearnError
        It has more than `most` bytes; the message names `what`.
    """
    data = first_bytes(path, most + 1)
    if len(data) > most:
        raise LearnError(f"{what} must be at most {most} bytes: {path.name} is larger")
    return data


def load_answers(path: str | Path) -> tuple[Answer, ...]:
    """The answers of a table; rows without a length are films that were not answered.

    Comma or semicolon between cells, decimal point or (with semicolons) decimal comma.

    Raises
    ------
    LearnError
        Not such a table; names the row and the column.
    """
    found = _load(Path(path))
    if not found:
        raise LearnError(f"answers must hold at least one length: {Path(path).name} holds none; fill in length_mm")
    return found


def committed_answers(path: str | Path) -> tuple[Answer, ...]:
    """As :func:`load_answers`, but a table without any answer yet, or that is not there, is no error."""
    return _load(Path(path)) if Path(path).exists() else ()


def commit_answer(path: str | Path, answer: Answer, films: Sequence[str], *, shifted: bool = False) -> None:
    """Add an answer to the table, which is written whole or not at all; its rows are those of `films`, in that order.

    `shifted`: with the columns of second films.

    Raises
    ------
    LearnError
        The film is answered already, the table cannot be read or written.
    """
    path = Path(path)
    answers = {one.film: one for one in committed_answers(path)}
    if answer.film in answers:
        raise LearnError(f"film must be answered once: {answer.film} is answered already")
    answers[answer.film] = answer
    try:
        write_whole(path, answers_text(answers, films, shifted=shifted))
    except NotWrittenError as error:
        raise LearnError(f"answers: {error}") from None


def _load(path: Path) -> tuple[Answer, ...]:
    try:
        text = bounded(path, LARGEST_TABLE, "answers").decode("utf-8-sig")
    except OSError as error:
        raise LearnError(f"answers cannot be read: {path.name}: {error.strerror}") from None
    except UnicodeDecodeError:
        raise LearnError(f"answers must be UTF-8 text: {path.name} is not; save the table as CSV (UTF-8)") from None
    first = text.split("\n", 1)[0]
    separator = ";" if first.count(";") > first.count(",") else ","
    csv.field_size_limit(LARGEST_TABLE)
    rows = csv.reader(io.StringIO(text), delimiter=separator, strict=True)
    try:
        head = [cell.strip().lower() for cell in next(rows, [])]
        for name in COLUMNS[:2]:
            if head.count(name) != 1:
                raise LearnError(f"answers must have the columns {', '.join(COLUMNS)}: {name} is not there once")
        found: dict[str, Answer] = {}
        for number, cells in enumerate(rows, 2):
            row = {name: text_of_cell(cell.strip()).strip() for name, cell in zip(head, cells, strict=False)}
            if not row.get("length_mm"):
                if named := next((name for name in SHIFTED_COLUMNS if row.get(name)), None):
                    raise LearnError(f"row {number}: length_mm must be given with {named}: it is empty")
                continue
            answer = _answer(row, number)
            if answer.film in found:
                raise LearnError(f"row {number}: film must stand once: {answer.film[:60]!r} stands twice")
            found[answer.film] = answer
    except csv.Error as error:
        raise LearnError(f"answers must be a CSV table: {error}") from None
    return tuple(found.values())


def _answer(row: dict[str, str], number: int) -> Answer:
    try:
        bounds = [_number(row.get(name, ""), name) for name in COLUMNS[2:4]]
        length = _number(row["length_mm"], "length_mm")
        assert length is not None  # empty cells were passed over
        if (bounds[0] is None) != (bounds[1] is None):
            raise LearnError("low_mm and high_mm must both be given or both be left out")
        interval = None if bounds[0] is None or bounds[1] is None else (bounds[0], bounds[1])
        cell = row.get("path", "")
        points = None if not cell else [_point(pair) for pair in cell.split(";") if pair.strip()]
        difference = _number(row.get("difference_mm", ""), "difference_mm")
        return Answer(row["film"], length, interval, points, difference, row.get("side") or None)
    except LearnError as error:
        raise LearnError(f"row {number}: {error}") from None


def _number(cell: str, name: str) -> float | None:
    if not cell:
        return None
    try:
        return typed_number(cell.replace(",", "."))
    except ValueError:
        raise LearnError(f"{name} must be a number: {cell[:40]!r}") from None


def _point(pair: str) -> tuple[float, float]:
    try:
        row, col = (typed_number(cell) for cell in pair.split())
    except ValueError:
        raise LearnError(f"path must be pairs 'row col' with ';' between them: {pair[:40]!r}") from None
    return row, col


def answers_text(answers: Mapping[str, Answer], films: Sequence[str], *, shifted: bool = False) -> str:
    """A table with a row for each of `films`; one without an answer has its name alone. `shifted`: see `commit_answer`."""
    head = (*COLUMNS, *SHIFTED_COLUMNS) if shifted else COLUMNS
    return table_text([head, *(_row(film, answers.get(film))[: len(head)] for film in films)])


def _row(film: str, one: Answer | None) -> tuple[str | None, ...]:
    if one is None:
        return film, *[None] * (len(COLUMNS) + len(SHIFTED_COLUMNS) - 1)
    low, high = (None, None) if one.interval_mm is None else (f"{v:.6g}" for v in one.interval_mm)
    path = None if one.path_px is None else "; ".join(f"{row:.3f} {col:.3f}" for row, col in one.path_px)
    difference = None if one.difference_mm is None else f"{one.difference_mm:.6g}"
    return film, f"{one.length_mm:.6g}", low, high, path, difference, one.side
