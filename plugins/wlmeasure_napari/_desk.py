"""What lies before a session: one case with its films and its file, who works on it, and the question that stands. No Qt.

Opening, putting away and saving lose nothing and add nothing in silence: what a person has to decide becomes a
:class:`~wlmeasure_napari._offer.Question`, and until it is answered nothing is done about it.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Callable
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, Literal

from attrs import evolve
from psygnal import Signal

from wlmeasure.cli_output import usual_notation
from wlmeasure.errors import AmbiguousToothError, CaseError, FrameError, WlmeasureError, one_line
from wlmeasure.image.listing import FilmList, list_films
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.image.reading import read
from wlmeasure.record import edit
from wlmeasure.record.case import SUFFIX, Case, load_case
from wlmeasure.record.evaluate import CaseResult, evaluate, read_films
from wlmeasure.trade.tooth import Tooth, ToothReading
from wlmeasure_napari import _drafts
from wlmeasure_napari._differences import difference_words
from wlmeasure_napari._document import Change, ChangedError, Document, case_words, named
from wlmeasure_napari._drafts import OpenElsewhereError
from wlmeasure_napari._inputs import Inputs
from wlmeasure_napari._needs import lacking
from wlmeasure_napari._offer import (
    About,
    Choice,
    Offer,
    Question,
    case_beside,
    strangeness,
    surely_of_case,
    tooth_of_film,
    tooth_words,
)
from wlmeasure_napari._recent import remember

__all__ = ["Desk", "Job"]

Into = Literal["this case", "new case"]
Job = Callable[[], Any]
LATER = "Later"


def _grown_from(mine: Case, theirs: Case) -> bool:
    """Whether a case is an earlier state of mine as far as can be told: its name, its films and all of its entries are mine."""
    images = {(film.sha256, film.frame) for film in mine.films}
    return (
        (theirs.tooth, theirs.case_id) == (mine.tooth, mine.case_id)
        and all((film.sha256, film.frame) in images for film in theirs.films)
        and all(entry in mine.entries for entry in theirs.entries)
    )


def _tooth_choice(reading: ToothReading) -> str:
    """One tooth that a text may mean: its designation first, then its name, and the number it has in another notation."""
    words = f"{reading.tooth.designation}: {reading.tooth.name}"
    return words if reading.typed == f"ISO {reading.tooth.designation}" else f"{words} ({reading.typed})"


class Desk(ABC):
    """The case in hand, where it lies, and whose it is; what is measured on it is the session's (`_session`).

    Signals
    -------
    changed
        The case, its measures or the tool has changed.
    moved
        Only the preview under the cursor has changed.
    said
        (place, text): a message for the field of that name; an empty text takes it back.
    """

    changed = Signal()
    moved = Signal()
    said = Signal(str, str)

    def __init__(self) -> None:
        self._place = "canvas"
        self._news: tuple[str, str] | None = None
        self._initials = ""
        self._confirmed = True
        self.offer = Offer()
        self.notation = usual_notation()
        """The notation of teeth that a bare number or letter is read in; None while nobody has said which."""
        self._lay_out_empty()

    def _lay_out_empty(self) -> None:
        """All that belongs to one case, as it is before there is one: nothing of a case can be left for the next."""
        self.case: Case | None = None
        self.result: CaseResult | None = None
        self.tooth: Tooth | None = None
        self.film_id: str = "f1"
        self.canal_name = ""
        self.document = Document()
        self.inputs = Inputs()
        self.question: Question | None = None
        self.radiographs: dict[str, Radiograph] = {}
        self._paths: dict[str, Path] = {}
        self._known: dict[str, tuple[float | None, float | None]] = {}
        self._waiting: tuple[Radiograph, Path] | None = None
        self._film_asked: tuple[Radiograph, Path, str] | None = None  # the film that the question is about
        self._films_behind: list[tuple[Radiograph, Path, str]] = []  # opened while a question stood
        self._change_told: Change | None = None
        self._gone_at_save = False

    # ---- what the session does with it ---------------------------------------------------------------------------

    @abstractmethod
    def do(self, place: str, step: Callable[[], None]) -> None:
        """Take a step, or put it in line behind the job that is running."""

    @abstractmethod
    def run(self, words: str, job: Job, done: Callable[[Any], None]) -> None:
        """Run a long job that touches nothing of the session, and then `done` with what it gives."""

    @abstractmethod
    def choose_film(self, film_id: str) -> None:
        """Look at another film of the case."""

    @abstractmethod
    def _wonder(self) -> None:
        """Ask what the film in view leaves open, where nothing else is asked; take back what it leaves open no more."""

    @abstractmethod
    def _step(self, case: Case, *, after: Callable[[], None] | None = None, undoable: bool = True) -> None:
        """Measure the case, keep it, and only then take it over; `after` follows."""

    # ---- whose case, and who is working --------------------------------------------------------------------------

    @property
    def path(self) -> Path | None:
        """The file that holds the case as it is now: the draft, or the named file where nothing differs from it."""
        return self.document.where

    @property
    def saved_at(self) -> datetime | None:
        """When the case as it is now was written."""
        return self.document.written_at

    @property
    def initials(self) -> str:
        """Who is working; said once a session, and confirmed when the patient changes."""
        return self._initials

    @initials.setter
    def initials(self, text: str) -> None:
        self._initials, self._confirmed = text.strip(), True
        self.changed.emit()

    @property
    def confirmed(self) -> bool:
        """Whether the initials were said or confirmed for the case in hand."""
        return self._confirmed

    def confirm(self) -> None:
        """Yes, the same person is working on this case."""
        self.initials = self._initials

    @property
    def known_length_mm(self) -> float | None:
        """The known length that was typed for the film in view."""
        return self._known.get(self.film_id, (None, None))[0]

    @property
    def known_length_std_mm(self) -> float | None:
        """Its standard uncertainty."""
        return self._known.get(self.film_id, (None, None))[1]

    @property
    def film_ids(self) -> list[str]:
        """The films that can be looked at; one whose opening was undone is none of them."""
        return list(self.radiographs) if self.case is None else [film.id for film in self.case.films]

    def in_hand(self) -> tuple[Inputs, str, str]:
        """What a value that is typed now belongs to: it differs as soon as case, film or canal do."""
        return self.inputs, self.film_id, self.canal_name

    def head(self) -> str:
        """Tooth, case, saved or not."""
        if self.case is not None:
            return f"{case_words(self.case)} · {self.document.words}"
        if self._waiting is not None:
            return f"no tooth yet · {self._waiting[1].name} · not saved"
        return "No case open"

    # ---- opening and saving --------------------------------------------------------------------------------------

    def open_folder(self, path: str | Path) -> None:
        """Offer the films of a folder or DICOMDIR; none of them is opened.

        Raises
        ------
        WlmeasureError
            It is neither.
        """

        def done(found: FilmList) -> None:
            self.offer = Offer(films=found)
            self.changed.emit()

        self.run("Looking for films", lambda: list_films(Path(path).resolve()), done)

    def open_film(self, path: str | Path, *, frame: int | None = None, into: Into | None = None) -> None:
        """Take an image as the film of a new case, or, with a case in hand, ask whose film it is.

        A film whose header names the very patient and tooth of the case is added without a question. A file of several frames
        is asked about first.

        Parameters
        ----------
        path, frame
            The image, and which of its frames.
        into
            Where it is to go, for a caller who knows; None asks the person.

        Raises
        ------
        WlmeasureError
            The image cannot be read, or is in the case already.
        """
        path = Path(path).resolve()
        mine, asks = self.document.file, self.case is not None and into is None

        def job() -> tuple[Radiograph, str] | int:
            try:
                radiograph = read(path, frame=frame)
            except FrameError as error:
                if frame is not None:
                    raise
                return error.frames
            return radiograph, case_beside(path, radiograph.sha256, mine) if asks else ""

        def done(found: tuple[Radiograph, str] | int) -> None:
            if isinstance(found, int):
                self.offer = evolve(self.offer, path=path, frames=found)
                self.changed.emit()
            elif into is None:
                self._receive(found[0], path, found[1])
            else:
                self._put_in(found[0], path, into)

        self.run("Reading the film", job, done)

    def _receive(self, radiograph: Radiograph, path: Path, beside: str) -> None:
        """A film has come: begin a case with it, or find out whose it is."""
        if self.question is not None:
            self._films_behind.append((radiograph, path, beside))
            return
        self.offer = evolve(self.offer, path=None, frames=0, teeth=())
        self._film_asked = radiograph, path, beside
        name, case = path.name, self.case
        cancel = Choice("Cancel", lambda: None)
        if case is None:
            if self._waiting is None or self._waiting[1] == path:
                self._take_film(radiograph, path)
                return
            self._ask(
                "film",
                f"{self._waiting[1].name} is open and has no tooth yet.",
                Choice(f"{name} in its place", lambda: self._put_in(radiograph, path, "new case")),
                cancel,
                film=name,
            )
            return
        edit.with_film(case, radiograph, path)  # refused before anybody is asked
        films = {self._paths[film_id]: graph for film_id, graph in self.radiographs.items() if film_id in self.film_ids}
        if not beside and surely_of_case(radiograph, case, films.values()):
            self._take_film(radiograph, path)
            return
        odd = strangeness(radiograph, path, case, films, self.document.file)
        if beside:
            odd.append(f"it belongs to {beside}, which lies beside it")
        add = Choice(
            f"Add to {case.tooth}" + (" anyway" if odd else ""), lambda: self._put_in(radiograph, path, "this case")
        )
        new = Choice("New case with it", lambda: self._put_in(radiograph, path, "new case"))
        if odd:
            words = f"{name} looks like another patient's or tooth's: {'; '.join(odd)}."
            self._ask("film", words, new, add, cancel, film=name)
        else:
            self._ask(
                "film",
                f"Is {name} one more film of this tooth ({case_words(case)}), or a new case?",
                add,
                new,
                cancel,
                film=name,
            )

    def _put_in(self, radiograph: Radiograph, path: Path, into: Into) -> None:
        if into == "new case":
            self._put_away()
        self._take_film(radiograph, path)

    def _ask(self, about: About, text: str, *choices: Choice, film: str = "") -> None:
        """Put up a question; a film that another one was about is asked about after it."""
        if self.question is not None and self.question.about == "film" and self._film_asked is not None:
            self._films_behind.insert(0, self._film_asked)
        self.question = Question(text, choices, about, film)
        self.changed.emit()

    def _settle(self, *about: About) -> None:
        """What a question was about is settled in another way: it goes, and a film that waits is asked about as it is now."""
        question = self.question
        if question is None or question.about not in about:
            return
        behind, self._films_behind = self._films_behind, []
        if question.about == "film" and self._film_asked is not None:
            behind.insert(0, self._film_asked)
        self.question = None
        self._take_behind(behind)

    def _take_behind(self, behind: list[tuple[Radiograph, Path, str]]) -> None:
        for radiograph, path, beside in behind:
            self.do("canvas", partial(self._receive, radiograph, path, beside))
        self._wonder()
        self.changed.emit()

    def answer(self, words: str) -> None:
        """Answer the question that stands, by the words of a choice; films that came meanwhile are taken next.

        Raises
        ------
        WlmeasureError
            What was chosen is refused.
        """
        question = self.question
        if question is None:
            return
        chosen = next(choice for choice in question.choices if choice.words == words)
        behind, self._films_behind = self._films_behind, []
        self.question = None
        try:
            chosen.do()
        finally:
            self._take_behind(behind)

    def _take_film(self, radiograph: Radiograph, path: Path) -> None:
        self.offer = evolve(self.offer, path=None, frames=0, teeth=())
        if self.case is None:
            self._waiting = (radiograph, path)
            self.radiographs = {"f1": radiograph}
            self._paths = {"f1": path}
            prefilled = self.tooth is None
            tooth = tooth_of_film(radiograph) if self.tooth is None else self.tooth
            if tooth is not None:
                self._begin(tooth)
            else:
                self.offer = evolve(self.offer, teeth=radiograph.teeth)
                self.changed.emit()
            self._tell("tooth", tooth_words(radiograph, tooth, prefilled=prefilled))
            return
        new = edit.with_film(self.case, radiograph, path)
        film = new.films[-1]
        before = self.radiographs, self._paths
        self.radiographs = {**self.radiographs, film.id: radiograph}
        self._paths = {**self._paths, film.id: path}
        try:
            self._step(new)  # a film without points: nothing to trace, so it is done when this returns
        except WlmeasureError:
            self.radiographs, self._paths = before
            raise
        self.choose_film(film.id)
        self._tell("tooth", tooth_words(radiograph, self.tooth))

    def _tell(self, place: str, words: str) -> None:
        """Say something that is no refusal, after the step that it belongs to."""
        if self._place == place:
            self._news = (place, words)
        else:
            self.said.emit(place, words)

    def set_tooth(self, text: str) -> None:
        """The tooth in any of the trade's ways; starts the case when a film waits for it.

        Where a text may mean several teeth a question stands, and the notation of its answer is taken for all that is typed
        later.

        Raises
        ------
        TradeError
            No tooth.
        """
        try:
            self._set_tooth(Tooth.from_words(text, self.notation))
        except AmbiguousToothError as error:
            self._ask(
                "tooth",
                f"{one_line(text)[:40]} may be {len(error.candidates)} teeth: which one is meant?",
                *(Choice(_tooth_choice(reading), partial(self._mean, reading)) for reading in error.candidates),
                Choice("Type it anew", self.changed.emit),
            )

    def _mean(self, reading: ToothReading) -> None:
        self.notation = reading.notation
        self._set_tooth(reading.tooth)

    def _set_tooth(self, tooth: Tooth) -> None:
        if self.case is None and self._waiting is not None:
            self._begin(tooth)
        elif self.case is not None and self.case.tooth != tooth.designation:
            # A film is asked about by the case's tooth.
            self._step(edit.with_tooth(self.case, tooth.designation), after=lambda: self._settle("tooth", "film"))
        else:
            self.tooth = tooth
            self._settle("tooth")
            self.changed.emit()

    def _begin(self, tooth: Tooth) -> None:
        assert self._waiting is not None
        radiograph, path = self._waiting
        name = tooth.canal_names[0]
        case = edit.with_canal(edit.new_case(tooth.designation, radiograph, path), name)
        self._step(case, undoable=False)
        self._waiting = None
        self.offer = evolve(self.offer, teeth=())
        self._settle("tooth", "film")

    def rest(self) -> None:
        """Nobody looks at the session: another window may go on with its case."""
        self.document.release()

    def resume(self) -> None:
        """Looked at again; where another window has gone on with the case meanwhile, this one goes on with a copy."""
        if self.case is not None and (said := self.document.hold_again(self.case, self._paths)):
            self.said.emit("canvas", said)

    def open_case(self, path: str | Path, *, as_saved: bool = False) -> None:
        """Go on with a case file or a draft; the case in hand is put away, which loses nothing.

        Asks where another window has the file, and where unsaved changes of it were left behind, unless it is to be opened
        `as_saved`.

        Raises
        ------
        WlmeasureError
            The case or one of its films cannot be read.
        """
        path = Path(path).resolve()
        mine = path == self.document.file and not self.document.looked_at
        if path == self.document.draft:
            self._tell("canvas", "This case is open here already.")
            return
        if mine and not as_saved and self.document.draft is not None:
            self._ask(
                "case",
                f"{path.name} is open here, with unsaved changes.",
                Choice("Go on with them", lambda: None),
                Choice("Open as saved", lambda: self.open_case(path, as_saved=True)),
            )
            return
        left = [] if as_saved or _drafts.is_draft(path) else _drafts.drafts_of(path)
        if left:
            at = datetime.fromtimestamp(left[0].stat().st_mtime)

            def forget() -> None:
                for draft in left:
                    _drafts.discard(draft)
                self.open_case(path, as_saved=True)

            self._ask(
                "case",
                f"{path.name} has unsaved changes of {at:%Y-%m-%d %H:%M} that were left behind.",
                Choice("Go on with them", lambda: self.open_case(left[0])),
                Choice("Open as saved", lambda: self.open_case(path, as_saved=True)),
                Choice("Open as saved, forget them", forget),
            )
            return
        if mine:
            self._open(path, self.document.anew())
            return
        try:
            document = Document.at(path, instead_of=self.document)
        except OpenElsewhereError:
            if _drafts.is_draft(path):
                raise
            self._ask(
                "case",
                f"{path.name} is open in another window.",
                Choice("Look only", lambda: self.look_at(path)),
                Choice("Work on a copy", lambda: self.copy_of(path)),
                Choice("Cancel", lambda: None),
            )
            return
        self._open(path, document)

    def _in_hand_case(self) -> Case:
        assert self.case is not None
        return self.case

    def look_at(self, path: str | Path) -> None:
        """Show a case that another window has; no step is taken on it here.

        Raises
        ------
        WlmeasureError
            As :meth:`open_case`.
        """
        path = Path(path).resolve()
        self._open(path, Document.seen(path))

    def copy_of(self, path: str | Path) -> None:
        """Go on with a copy of a case file, in a draft without a name.

        Raises
        ------
        WlmeasureError
            As :meth:`open_case`.
        """
        self._open(Path(path).resolve(), Document())

    def open_walked(self, path: str | Path, *, known_length_mm: float | None = None) -> None:
        """A film of a walk: every step is kept in its own file, and the file's length may be given.

        Raises
        ------
        WlmeasureError
            As :meth:`open_case`.
        """
        path = Path(path).resolve()
        self._open(path, Document.walked(path), known_length_mm)

    def _open(self, path: Path, document: Document, known_length_mm: float | None = None) -> None:
        """Read a case and lay it out in place of the one in hand, which stays where it is if that fails."""

        def job() -> tuple[CaseResult, dict[str, Radiograph], dict[str, Path]]:
            try:
                case = load_case(path)
                radiographs = read_films(case)
                paths = {film.id: case.film_path(film).resolve() for film in case.films}
                films = tuple(evolve(film, path=str(paths[film.id])) for film in case.films)
                return evaluate(evolve(case, films=films, folder=Path()), radiographs), radiographs, paths
            except BaseException:
                document.release()
                raise

        def done(opened: tuple[CaseResult, dict[str, Radiograph], dict[str, Path]]) -> None:
            result, radiographs, paths = opened
            case = result.case
            try:
                if document.where is None:
                    document.keep(case, paths)
                else:
                    document.opened(case)
            except (CaseError, OSError):
                document.release()
                raise
            document.take_over(self.document)
            self._put_away()
            self.document, self.case, self.result = document, case, result
            self.radiographs, self._paths = radiographs, paths
            self.tooth = result.tooth
            self.film_id = case.films[0].id
            self.canal_name = case.canals[0].name if case.canals else ""
            if known_length_mm is not None:
                self._known = {film.id: (known_length_mm, None) for film in case.films}
            if self.document.file is not None and not self.document.looked_at:
                remember(self.document.file)
            self._wonder()
            self.changed.emit()

        self.run("Opening the case", job, done)

    def go_on_with(self, draft: Path) -> None:
        """Go on with a case that was not saved; asks first where another case or film is in hand.

        Raises
        ------
        WlmeasureError
            As :meth:`open_case`.
        """
        if self.case is None and self._waiting is None:
            self.open_case(draft)
            return
        left = load_case(draft)
        self._ask(
            "case",
            f"Put away {self.head()}, and go on with the unsaved {case_words(left)}?",
            Choice("Go on with it", lambda: self.open_case(draft)),
            Choice("Stay here", lambda: None),
        )

    def new_case(self) -> None:
        """Put the case in hand away, which stays in its file or draft, and begin empty."""
        self.close_case()

    def close_case(self) -> None:
        """Put the case in hand away: it stays in its file or draft, and nothing is in hand."""
        case, document = self.case, self.document
        self._put_away()
        if case is not None and document.draft is not None:
            self._tell("canvas", f"{case_words(case)}: {document.words}. Unsaved offers it again.")
        self.changed.emit()

    def put_away(self) -> None:
        """Nothing is in hand any more; the file of the case stays as it is."""
        self._put_away()
        self.changed.emit()

    def _put_away(self) -> None:
        waiting = [] if self.question is None or not self.question.film else [self.question.film]
        waiting += [path.name for _, path, _ in self._films_behind]
        if waiting:
            self._tell("canvas", f"{', '.join(waiting)}: not opened, since nobody had said whose film it is.")
        if self.case is not None or self._waiting is not None:
            self._confirmed = not self._initials
            self.offer = evolve(self.offer, path=None, frames=0, teeth=())
        self.document.release()
        self._lay_out_empty()

    def suggested(self) -> Path:
        """Where a case without a name is likely to be saved: beside its first film, under its case id or tooth."""
        case = self._in_hand_case()
        name = re.sub(r"[^\w.-]+", "-", case.case_id or "").strip("-.") or case.tooth
        return self._paths[case.films[0].id].parent / (name + SUFFIX)

    # ---- saving --------------------------------------------------------------------------------------------------

    def save(self) -> None:
        """Save to the named file; where somebody else has changed or removed it, nothing is written and a question stands.

        Raises
        ------
        CaseError
            There is no case, it has no name yet, or its file cannot be written.
        """
        if self.case is None:
            raise lacking(self, "case")
        if self.document.file is None:
            raise CaseError("case must be given a name first: save it under one")
        try:
            self.document.save(self.case, self._paths)
        except ChangedError as error:
            if error.change.kind == "gone" and self._gone_at_save:  # asked once already: this is the answer
                self._save_mine()
                return
            self._gone_at_save = error.change.kind == "gone"
            self._ask_whose(error.change)
            return
        self._saved()

    def _saved(self) -> None:
        assert self.document.file is not None
        self._change_told, self._gone_at_save = None, False
        self._settle("file")
        remember(self.document.file)
        self._tell("record", self.saved_words())
        self.changed.emit()

    def save_as(self, path: str | Path, *, over: bool = False) -> None:
        """Save under a name of the clinician's own, which Save writes from then on; the draft is forgotten.

        A file of that name that holds another case, or entries that this one has not, is asked about, unless it is to be
        written `over`.

        Raises
        ------
        CaseError
            There is no case, the file cannot be written, or another window has it.
        """
        if self.case is None:
            raise lacking(self, "case")
        new = named(path)
        if _drafts.is_draft(new):
            raise CaseError(f"{new.parent} must be left to drafts: choose another folder")
        if new == self.document.file and not self.document.looked_at:
            self.save()
            return
        if not over and new.exists():
            try:
                theirs = load_case(new)
                stands, grown = case_words(theirs), _grown_from(self.case, theirs)
            except CaseError:
                stands, grown = "something else", False
            if not grown:
                same = stands == case_words(self.case)
                held = "another case or record of the same name" if same else stands
                self._ask(
                    "file",
                    f"{new.name} is there already and holds {held}; yours is {case_words(self.case)}.",
                    Choice("Leave it", lambda: None),
                    Choice("Write over it", lambda: self.save_as(new, over=True)),
                )
                return
        self.document.save_as(self.case, self._paths, new)
        self._saved()

    def _keep(self, case: Case) -> None:
        """Write a step to the draft; what has happened to the named file meanwhile is said as soon as it is seen."""
        self.document.keep(case, self._paths)
        change = self.document.change(case)
        if change is not None and change != self._change_told and self.question is None:
            self._ask_whose(change, case)

    def _ask_whose(self, change: Change, case: Case | None = None) -> None:
        """The named file is not what it was: whose is to stay."""
        mine = self._in_hand_case() if case is None else case
        if change != self._change_told:
            self.document.keep_apart(mine, self._paths)  # what was read is not in the named file any more
        self._change_told = change
        later = Choice(LATER, lambda: None)
        if change.kind == "gone":
            self._ask("file", f"{change.words} Save it anew?", Choice("Save it anew", self._save_mine), later)
            return
        self._ask(
            "file",
            f"{change.words} Nothing was written.",
            Choice("Keep mine", self._save_mine),
            Choice("Take theirs", self._take_theirs),
            Choice("See both", lambda: self._see_both(change)),
            later,
        )

    def _save_mine(self) -> None:
        aside = self.document.set_theirs_aside()
        self.document.save(self._in_hand_case(), self._paths, over=True)
        self._saved()
        if aside is not None:
            self._tell("record", f"{self.saved_words()} Theirs is kept beside it as {aside.name}.")

    def _take_theirs(self) -> None:
        file = self.document.file
        assert file is not None
        self.document.keep_apart(self._in_hand_case(), self._paths)
        self.open_case(file, as_saved=True)

    def _see_both(self, change: Change) -> None:
        try:
            words = difference_words(self._in_hand_case(), self.document.theirs())
        except CaseError as error:
            words = str(error)
        self._ask_whose(change)
        assert self.question is not None
        self.question = evolve(self.question, text=f"{self.question.text}\n{words}")

    def as_saved(self) -> Case:
        """The case in hand as Save would write it.

        Raises
        ------
        CaseError
            There is none.
        """
        if self.case is None:
            raise lacking(self, "case")
        return self.document.as_saved(self.case, self._paths)

    def saved_words(self) -> str:
        """Where the case lies, and since when."""
        if self.case is None or self.document.written_at is None:
            return "Nothing to save yet."
        if self.document.file is None:
            return f"Kept at {self.document.written_at:%H:%M} as a draft; Save gives it a name."
        words = self.document.words
        return f"{words[:1].upper()}{words[1:]}." if not self.document.looked_at else f"{words}."
