"""A student's walk through the films of an exercise, and the replay of what was answered. No Qt.

The student works on a case file of the exercise's own folder, so that a walk goes on where it was left. What the program
measures is out of sight until the student's own estimate is committed.
"""

from __future__ import annotations

from pathlib import Path

from attrs import evolve
from filelock import BaseFileLock, FileLock, Timeout

from wlmeasure.errors import LearnError
from wlmeasure.learn.answers import SIDES, Answer, commit_answer, committed_answers
from wlmeasure.learn.exercise import ANSWER_FILE, ASKED, ASKED_SECOND, Item, SecondFilm, load_exercise
from wlmeasure.learn.pages import given_words, second_words
from wlmeasure.record.case import Angulation, Canal, Case, Film, save_case
from wlmeasure.words import typed_number
from wlmeasure_napari._guide import Step
from wlmeasure_napari._session import Session
from wlmeasure_napari._study import Concealed

__all__ = ["ExerciseWalk"]

WORKING = "working"
FIRST, SECOND = "first film", "second film"
ANY_TOOTH = "11"
"""A case names a tooth; an exercise that names none does not show it either."""
DONE = "All films are answered. Have them marked with: wlmeasure learn mark"


class ExerciseWalk:
    """A student's films in order.

    Parameters
    ----------
    session
        The viewer's session; it must have no case of its own.
    folder
        The exercise's folder.

    Raises
    ------
    LearnError
        No such exercise; it is being worked on in another window.
    """

    heading = "Exercise"

    def __init__(self, session: Session, folder: str | Path) -> None:
        self.session = session
        self.folder = Path(folder)
        self.exercise = load_exercise(folder)
        self.position: int | None = None
        self.committed: Answer | None = None
        (self.folder / WORKING).mkdir(exist_ok=True)
        self._lock: BaseFileLock = FileLock(self.folder / WORKING / ".lock", timeout=0, thread_local=False)
        try:
            self._lock.acquire()
        except Timeout:
            raise LearnError("exercise must be worked on in one window: it is open in another; go on there") from None
        session.apical_end = "apical foramen"

    @property
    def item(self) -> Item:
        """The film in hand."""
        assert self.position is not None
        return self.exercise.items[self.position - 1]

    @property
    def second(self) -> SecondFilm | None:
        """The second film of the tooth in hand."""
        return None if self.position is None else self.item.second_film

    def begin(self) -> None:
        """Go to the first film that is not answered yet, as it was left."""
        done = {answer.film for answer in committed_answers(self.folder / ANSWER_FILE)}
        left = [k for k, item in enumerate(self.exercise.items, 1) if item.film not in done]
        self.position, self.committed = (left[0] if left else None), None
        if self.position is None:
            self.session.put_away()
            return
        path = self.folder / WORKING / f"{Path(self.item.film).stem}.wl.json"
        if not path.exists():
            save_case(_template(self.item, path), path)
        self.session.open_walked(path, known_length_mm=self.item.scale.known_file_mm)

    def commit_typed(self, length: str, low: str, high: str, difference: str = "", side: str = "") -> None:
        """Commit what was typed; `difference` and `side` are of a second film.

        Raises
        ------
        LearnError
            A field that is no number, an interval that does not hold the length, a side that is asked for and not given.
        """
        numbers = [_number(name, text) for name, text in (("length", length), ("from", low), ("to", high))]
        if numbers[0] is None:
            raise LearnError("length must be given in mm: it is empty")
        if (numbers[1] is None) != (numbers[2] is None):
            raise LearnError("from and to must both be given or both be left empty")
        interval = None if numbers[1] is None or numbers[2] is None else (numbers[1], numbers[2])
        if self.second is not None and self.second.asks_side and not side:
            raise LearnError(f"side must be chosen before the answer stands: {', '.join(SIDES)}")
        self.commit(numbers[0], interval, _number("difference", difference), side or None)

    def commit(
        self,
        length_mm: float,
        interval_mm: tuple[float, float] | None,
        difference_mm: float | None = None,
        side: str | None = None,
    ) -> None:
        """Write the estimate, with the path where one is traced, into the table of answers; it stands.

        Raises
        ------
        LearnError
            The film is answered already, the length or its interval cannot be.
        """
        if self.position is None:
            return
        answer = Answer(self.item.film, length_mm, interval_mm, self._path_px(), difference_mm, side)
        films = [item.film for item in self.exercise.items]
        commit_answer(self.folder / ANSWER_FILE, answer, films, shifted=self.exercise.shifted)
        self.committed = answer
        self.session.changed.emit()

    def _path_px(self) -> list[tuple[float, float]] | None:
        """From the coronal reference point along the accepted path, where the student traced one on the first film."""
        case, canal = self.session.case, self.session.canal
        traces = () if case is None or canal is None else canal.traces
        trace = next((one for one in traces if case is not None and one.film == case.films[0].id), None)
        if trace is None or trace.path_px is None:
            return None
        return ([] if trace.reference_px is None else [trace.reference_px]) + list(trace.path_px)

    def go_on(self) -> None:
        """The next film.

        Raises
        ------
        LearnError
            This one is not answered yet.
        """
        if self.position is not None and self.committed is None:
            raise LearnError("estimate must be committed first: type it and press Commit")
        self.begin()

    def close(self) -> None:
        """Let another window go on."""
        self._lock.release()

    @property
    def total(self) -> int:
        return len(self.exercise.items)

    @property
    def conceals(self) -> frozenset[Concealed]:
        hidden: set[Concealed] = {"openers", "names", "entries"}
        if self.second is None:
            hidden.add("films")
        if self.committed is None:
            hidden.add("measures")
        return frozenset(hidden)

    @property
    def title(self) -> str:
        if self.position is None:
            return f"{self.total} of {self.total}"
        return f"Film {self.position} of {self.total}"

    @property
    def rules(self) -> str:
        if self.position is None:
            return ""
        told = f"{ASKED}\n\nCanal: {self.item.where}. From: {self.item.reference_point}.\n\n{given_words(self.item)}"
        if self.second is None:
            return told
        return f"{told}\n\n{ASKED_SECOND}\n\n{second_words(self.item)} Film in view, below, shows either."

    @property
    def committed_words(self) -> str:
        """The answer as given, once it is."""
        if self.committed is None:
            return ""
        text = f"Your answer: {self.committed.length_mm:g} mm"
        if self.committed.interval_mm is not None:
            text += f", {self.committed.interval_mm[0]:g} to {self.committed.interval_mm[1]:g} mm"
        if self.committed.difference_mm is not None:
            text += f"; {self.committed.difference_mm:+g} mm on the second film"
        if self.committed.side is not None:
            text += f"; {self.committed.side}"
        return f"{text}. What the program measures on your marks is shown below; the marking tells what is true."

    def next_step(self) -> Step:
        """As the session's while something is being drawn, else what the exercise waits for."""
        if self.position is None:
            return Step(DONE, place="study")
        step = self.session.next_step(recorded=False)
        if step.place in ("", "foot", "film") or self.session.tool != "look" or self.session.proposal is not None:
            return step
        if self.committed is not None:
            return Step("Press Next for the next film.", place="study")
        if self.session.trace is None:
            return Step(
                "Estimate the length. To measure along the canal, press T and click orifice, canal and foramen, then Enter; "
                "R marks the coronal reference point, F the file.",
                place="study",
            )
        return Step("Type your estimate and its interval, then press Commit.", place="study")


def _template(item: Item, path: Path) -> Case:
    """The case that a student begins a film with: the film and its canal, nothing marked."""
    film = Film(
        id="f1", path=f"../{item.film}", sha256=item.sha256, rows=item.rows, cols=item.cols,
        col_over_row=item.scale.mm_per_px_col / item.scale.mm_per_px_row,
    )  # fmt: skip
    films = [film]
    if (second := item.second_film) is not None:
        films[0] = evolve(film, id=FIRST)
        films.append(
            Film(
                id=SECOND if second.tube is None else f"{SECOND}, tube to {second.tube}",
                path=f"../{second.film}", sha256=second.sha256, rows=second.rows, cols=second.cols,
                col_over_row=second.scale.mm_per_px_col / second.scale.mm_per_px_row,
                angulation=Angulation(tube_shift=second.tube),
            )
        )  # fmt: skip
    canal = Canal(name=item.canal, reference_point=item.reference_point, traces=())
    return Case(tooth=item.tooth or ANY_TOOTH, films=tuple(films), canals=(canal,), folder=path.parent)


def _number(name: str, text: str) -> float | None:
    if not text.strip():
        return None
    try:
        return typed_number(text.replace(",", "."))
    except ValueError:
        raise LearnError(f"{name} must be a number in mm: {text[:40]!r}") from None
