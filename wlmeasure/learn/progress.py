"""A student's markings over time: a small table that every marking adds a line to."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

from attrs import astuple, frozen

from wlmeasure.errors import LearnError
from wlmeasure.learn.answers import bounded
from wlmeasure.learn.mark import Marks
from wlmeasure.share.cells import table_text, text_of_cell
from wlmeasure.whole_file import alone, write_whole

__all__ = ["Step", "add_step", "first_markings", "marked_before", "step_of"]

COLUMNS = (
    "at",
    "exercise",
    "answers",
    "mean_mm",
    "mean_size_mm",
    "within_0.5",
    "within_1.0",
    "stated",
    "held",
    "score_mm",
)
LARGEST = 4 * 2**20  # bytes


@frozen
class Step:
    """One marking: when, which exercise, how many answers, mean error with sign, mean size of the error, mm."""

    at: str
    exercise: str
    answers: int
    mean_mm: float
    mean_size_mm: float
    within_half: int
    within_one: int
    stated: int = 0
    held: int = 0
    score_mm: float | None = None


def step_of(marks: Marks, at: str) -> Step:
    """The line of one marking."""
    held = marks.calibration
    return Step(
        at, marks.exercise.id, len(marks.marked), round(marks.mean_mm, 4), round(marks.mean_size_mm, 4),
        marks.within_half, marks.within_one, 0 if held is None else held.stated, 0 if held is None else held.held,
        None if held is None else round(held.mean_score_mm, 4),
    )  # fmt: skip


def add_step(path: str | Path, step: Step) -> tuple[Step, ...]:
    """Add a marking to the table at `path`, made where it does not exist; all of it, oldest first.

    The same exercise may be worked again: every marking is a line of its own, and the first of them counts
    (:func:`first_markings`).

    Raises
    ------
    LearnError
        The file is no such table; it is left as it is.
    NotWrittenError
        It cannot be written.
    """
    path = Path(path)
    with alone(path):  # two markings at once are two lines
        steps = (*_load(path), step)
        write_whole(path, table_text([COLUMNS, *map(astuple, steps)]))
    return steps


def first_markings(steps: Sequence[Step]) -> tuple[Step, ...]:
    """The markings that are progress: the first of each exercise. A marking shows the truth, so what follows is no estimate."""
    first: dict[str, Step] = {}
    for step in steps:
        first.setdefault(step.exercise, step)
    return tuple(first.values())


def marked_before(steps: Sequence[Step]) -> bool:
    """Whether the exercise of the last marking was marked before."""
    return bool(steps) and any(step.exercise == steps[-1].exercise for step in steps[:-1])


def _load(path: Path) -> tuple[Step, ...]:
    if not path.exists():
        return ()
    try:
        rows = list(csv.reader(io.StringIO(bounded(path, LARGEST, "progress").decode("utf-8-sig"))))
        if not rows or tuple(rows[0]) != COLUMNS:
            raise LearnError(f"progress must be a table of this program: {path.name} is none; name a new file")
        return tuple(
            Step(r[0], r[1], int(r[2]), float(r[3]), float(r[4]), int(r[5]), int(r[6]), int(r[7]), int(r[8]),
                 float(r[9]) if r[9] else None)
            for r in ([text_of_cell(cell) for cell in row] for row in rows[1:])
        )  # fmt: skip
    except (OSError, UnicodeDecodeError, csv.Error, IndexError) as error:
        raise LearnError(f"progress cannot be read: {path.name}: {error}") from None
    except LearnError:
        raise
    except ValueError:
        raise LearnError(f"progress must hold numbers in its rows: {path.name} is damaged; name a new file") from None
