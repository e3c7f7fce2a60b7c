"""One measuring session on one viewer: the case as it grows, its history, what the tools do. No Qt, no layers.

The case is the document. Every step makes a new case from the old one, measures it, keeps it in the session's draft, and only
then says that it has changed; undo goes back to the case before. The file that a person named changes by Save alone
(`_document`). What the screen shows is made from the case (`_layers`), so a layer that somebody deletes loses nothing.

Reading and tracing may run on another thread (`work`). Until they are done further steps wait in line, none is lost.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from contextlib import contextmanager
from datetime import datetime
from threading import Thread
from typing import Any, Literal

import numpy as np
from attrs import evolve, frozen

from wlmeasure import __version__
from wlmeasure.decide.filling import limit_words
from wlmeasure.decide.methods import ApicalEnd
from wlmeasure.detect.tracing import maps_at_hand, tracing_maps
from wlmeasure.errors import CaseError, QuestionError, WlmeasureError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.image.view import View
from wlmeasure.record import edit
from wlmeasure.record.case import (
    FILES,
    Canal,
    Case,
    Entry,
    FileTaper,
    KnownFile,
    KnownObject,
    PlainFile,
    Spacing,
    StopSeated,
    Trace,
)
from wlmeasure.record.draft import Draft
from wlmeasure.record.evaluate import (
    CanalResult,
    CaseResult,
    FilmResult,
    TraceResult,
    accept_paths,
    evaluate,
)
from wlmeasure.record.facts import SETTLED, CanalFacts, CaseFacts, case_facts
from wlmeasure.record.over_time import with_carried
from wlmeasure.record.record import EDGE_MM, QUESTIONS, LengthRecord, decided
from wlmeasure.trace.centreline import check_points
from wlmeasure.trace.find_file import FileProposal, find_files
from wlmeasure.trace.live import LivePath
from wlmeasure.words import in_words, without_address
from wlmeasure_napari._desk import Desk, Job
from wlmeasure_napari._first_look import FirstLook, undone_words, upper_proposed
from wlmeasure_napari._guide import Step, next_step, state_of
from wlmeasure_napari._inputs import Inputs
from wlmeasure_napari._needs import Need, NeedError, lacking, need
from wlmeasure_napari._offer import Choice
from wlmeasure_napari._over_time import Proposal, propose
from wlmeasure_napari._upper_end import Said, Upper, at_rim, canal_point, file_as_said, last_file, size_of, upper_of

__all__ = ["Handle", "Session", "Tool"]

Point = tuple[float, float]
Tool = Literal["look", "file", "rest", "object", "canal", "reference"]

UNDO_STEPS = 200
ROUGH_MM_PER_PX = 0.025  # before there is a scale; sizes the live path's filters only
SMALL_PX = 72  # longer side of a film on a button
SAID_TO_MM = 0.1  # lengths are said to it, a proposal rounded down: a decision within it is no other length
FITTING = "Putting the films together"
RESTED = "the edge or cusp that the stop rested on"
ENDS = {"file": ("the stop", "the tip", RESTED), "object": ("one end", "the other end")}


@frozen
class Handle:
    """A point that can be taken hold of: what it belongs to, and which point of it."""

    role: Literal["scale", "rest", "canal", "reference"]
    index: int
    scale: int = 0
    canal: str = ""


def _now() -> str:
    return datetime.now().replace(microsecond=0).isoformat()


def _to_trace(items: Iterable[Any]) -> bool:
    """Whether any of them has clicks through which no path was traced yet."""
    return any(
        item.path_px is None and (isinstance(item, Trace) or item.trace_kind == "clicks")
        for item in items
        if isinstance(item, Trace | FILES)
    )


def _small(shown: Any) -> Any:
    """A displayed film small enough for the button of an answer."""
    step = max(1, -(-max(shown.shape) // SMALL_PX))
    return np.ascontiguousarray(shown[::step, ::step])


def _in_space(case: Case) -> Any:
    """What a fit of the films in space rests on; None for a case that has none."""
    films = tuple(evolve(film, view=None) for film in case.films if film.angulation is not None)
    return (films, tuple((canal.name, canal.traces) for canal in case.canals)) if len(films) > 1 else None


def _clicked(trace: Trace, clicks: tuple[Point, ...]) -> Trace:
    """The trace with other clicks, to be traced anew."""
    return _by_hand(trace.clicked(clicks), "apical end", "path")


def _by_hand(trace: Trace, *marks: str) -> Trace:
    """The trace with those marks no longer noted as carried over: a person has placed them."""
    if trace.carried is None:
        return trace
    left = tuple(mark for mark in trace.carried.marks if mark not in marks)
    return evolve(trace, carried=evolve(trace.carried, marks=left) if left else None)


class Session(Desk):
    """The case, its history and the tool in hand; opening, saving and whose case it is are the desk's (`_desk`)."""

    def __init__(self) -> None:
        self.apical_end: ApicalEnd = "radiographic apex"  # of a canal traced for the first time
        self.asks_metal = True  # whether a film whose grey scale is in doubt is asked about; not where a study gives it
        self.walker = ""  # the observer whose walk through a study it is: whose word an answer to a proposal is
        self._laid: list[list[Point]] = []  # the live path as it was from each pending point to the next
        self.work: Callable[[Job, Callable[[Job], None]], None] | None = None
        """Where long jobs run: takes a job, and what to hand its outcome to on the session's own thread. None: at once."""
        self.aside: Callable[[Job, Callable[[Job], None]], None] | None = None
        """Where films are looked at, beside all other steps; None: no film is."""
        self.busy = ""
        self._coming: Upper | None = None  # what was said of a file's upper end, while that is being measured
        self._later: deque[tuple[str, Callable[[], None]]] = deque()
        self._refused: dict[str, tuple[Need | None, tuple[Inputs, str, str]]] = {}
        super().__init__()

    def _lay_out_empty(self) -> None:
        super()._lay_out_empty()
        self.first = FirstLook(self)
        self.cursor: Point | None = None
        self._said: dict[str, dict[Point | None, Said]] = {}  # of a film's files, by their tips; None: one to be placed
        self._objects: dict[str, tuple[float, float | None]] = {}  # length and uncertainty of a film's known object
        self._metal_asked = ""  # the film about whose grey scale the question is
        self.draft: Draft | None = None
        self.asked: Any = None  # what a question was asked about; the same once more is a yes
        self.stored_at_head: Any = None  # the state in the archive that this case was stored at, or came from
        self.stored_entries: frozenset[str] = frozenset()  # ids of the entries that were stored there
        self.asked_by_archive: Any = (
            None  # entries that it asked about, and the codes: storing them once more answers yes
        )
        self._facts: tuple[CaseResult, CaseFacts] | None = None
        self._undo: list[tuple[Case, str, str]] = []  # the case, with the canal and the film in hand
        self._redo: list[tuple[Case, str, str]] = []
        self.tool: Tool = "look"
        self.pending: list[Point] = []
        self.live: list[Point] = []
        self.proposal: FileProposal | None = None
        self.carried: Proposal | None = None
        self._live: LivePath | None = None
        self.chosen: Handle | None = None

    # ---- steps and history ---------------------------------------------------------------------------------------

    def do(self, place: str, step: Callable[[], None]) -> None:
        """Take a step, or put it in line behind the job that is running; a refusal becomes a message at `place`."""
        if self.busy:
            self._later.append((place, step))
            return
        self._place, self._news = place, None  # a step that was refused said no news; they are not the next one's
        with self.telling(place):
            step()

    @property
    def measuring(self) -> bool:
        """Whether a step is being measured beside the window: every figure shown is still the last one."""
        return self.busy in ("Tracing", FITTING) or self.busy.startswith("Measuring")

    def run(self, words: str, job: Job, done: Callable[[Any], None], refused: Callable[[], None] | None = None) -> None:
        """Run a long job that touches nothing of the session, and then `done` with what it gives.

        A refusal of either is said where the step was taken, after `refused`.
        """
        if self.work is None:
            with self._taken_back(refused):
                done(job())
            return
        place = self._place

        def finish(outcome: Job) -> None:
            self.busy = ""
            with self.telling(place), self._taken_back(refused):
                done(outcome())
            self.changed.emit()
            while self._later and not self.busy:
                self.do(*self._later.popleft())

        self.busy = words
        self.changed.emit()
        self.work(job, finish)

    def _step(
        self,
        case: Case,
        *,
        after: Callable[[], None] | None = None,
        refused: Callable[[], None] | None = None,
        undoable: bool = True,
        takes_long: str = "",
    ) -> None:
        """Measure, save, and only then take over the new case; one that `takes_long` says so and keeps nobody from working."""
        radiographs, old, before = self.radiographs, self.case, self.result

        def job() -> CaseResult:
            result = evaluate(case, radiographs, before=before, in_space=False)
            accepted = edit.with_file_tips(accept_paths(result), result, old)
            # What is shown is what the saved case gives.
            done_with = accepted == case and _in_space(case) is None
            return result if done_with else evaluate(accepted, radiographs, before=result)

        def done(result: CaseResult) -> None:
            self._keep(result.case)
            if undoable and self.case is not None:
                self._undo.append((self.case, self.canal_name, self.film_id))
                del self._undo[:-UNDO_STEPS]
            self._redo.clear()
            self._take(result)
            if after is not None:
                after()

        if any(_to_trace(film.scale) for film in case.films) or any(_to_trace(canal.traces) for canal in case.canals):
            self.run("Tracing", job, done, refused)
        elif self._fits_anew(case):
            self.run(FITTING, job, done, refused)
        elif takes_long:
            self.run(takes_long, job, done, refused)
        else:
            with self._taken_back(refused):
                done(job())

    @contextmanager
    def _taken_back(self, refused: Callable[[], None] | None) -> Any:
        """Where the step is refused, `refused` takes back what led to it."""
        try:
            yield
        except WlmeasureError:
            if refused is not None:
                refused()
            raise

    def _fits_anew(self, case: Case) -> bool:
        """Whether films are put together in space that were not, or not so: a third of a second."""
        basis = _in_space(case)
        return basis is not None and (self.case is None or basis != _in_space(self.case))

    def _take(self, result: CaseResult) -> None:
        case = result.case
        old = () if self.case is None else self.case.canals
        if (
            case != self.case
        ):  # what was asked or offered was so of another case: its canals may have other names by now
            self.asked = self.draft = None
        self.case, self.result = case, result
        self.tooth = result.tooth
        names = [canal.name for canal in case.canals]
        renamed = {was.name: now for was, now in zip(old, names, strict=False)} if len(old) == len(names) else {}
        for was, now in renamed.items():
            self.inputs.rename("canal", was, now)
        self.inputs.forget_all_but("canal", names)
        films = [film.id for film in case.films]
        self.inputs.forget_all_but("film", films)
        of_films: tuple[dict[str, Any], ...] = (self._known, self._said, self._objects)
        for kept in of_films:
            for gone in kept.keys() - set(films):
                del kept[gone]
        if self.canal_name not in names and self.canal_name in renamed:
            self.canal_name = renamed[self.canal_name]  # the points on it stay its own
        elif self.canal_name not in names:
            self._turn_to(names[0] if names else "", self.film_id)
        if all(film.id != self.film_id for film in case.films):
            self._turn_to(self.canal_name, case.films[0].id)
        if self.chosen is not None and self.chosen not in dict(self.handles()):
            self.chosen = None
        if (self.tool == "reference" and self.trace is None) or (self.tool == "rest" and self._file_at is None):
            self.tool = "look"
        self._wonder()
        self.changed.emit()

    def _ask(self, *args: Any, **kwargs: Any) -> None:
        """What was offered before a question came is offered no more: Enter may mean the question by now."""
        self.draft = self.asked = None
        super()._ask(*args, **kwargs)

    def undo(self) -> None:
        """Back to the case before the last step; while points are being placed, the last of them is taken back."""
        if self.pending:
            self.pending.pop()
            self._laid = self._laid[: max(0, len(self.pending) - 1)]
            self.proposal = self.carried = None
            self._anchor()
            self.changed.emit()
        elif self._undo and self.case is not None:
            self._go(self._undo, self._redo)

    def redo(self) -> None:
        """Forward again to the case that undo left."""
        if self._redo and self.case is not None:
            self._go(self._redo, self._undo)

    def _go(self, source: list[tuple[Case, str, str]], target: list[tuple[Case, str, str]]) -> None:
        assert self.case is not None
        case, canal_name, film_id = source[-1]
        radiographs, before = self.radiographs, self.result

        def job() -> CaseResult:
            return evaluate(case, radiographs, before=before)

        def done(result: CaseResult) -> None:
            assert self.case is not None
            self._keep(case)
            source.pop()
            target.append((self.case, self.canal_name, self.film_id))
            undone = undone_words(self.case, case), undone_words(case, self.case)
            self._turn_to(canal_name, film_id)
            self.chosen = None
            self._take(result)
            if said := [f"{what}: {words}." for what, words in zip(("Undone", "Again"), undone, strict=True) if words]:
                self._tell(self._place, " ".join(said))

        if self._fits_anew(case):
            self.run(FITTING, job, done)
        else:
            done(job())

    @property
    def can_undo(self) -> bool:
        return bool(self.pending or self._undo)

    @property
    def can_redo(self) -> bool:
        return bool(self._redo)

    @contextmanager
    def telling(self, place: str) -> Any:
        """Turn a refusal into a message at `place`; a step that is refused changes nothing."""
        try:
            yield
        except WlmeasureError as error:
            self._refused[place] = (error.need if isinstance(error, NeedError) else None, self.in_hand())
            self.said.emit(place, in_words(without_address(str(error))))
        except OSError as error:
            self._refused[place] = None, self.in_hand()
            self.said.emit(place, f"{error.filename or 'file'}: {error.strerror or error}")
        else:
            news, self._news = self._news, None
            self._refused.pop(place, None)
            self.said.emit(place, news[1] if news is not None and news[0] == place else "")
        self._check_refusals()

    def withdraw(self, place: str) -> None:
        """What was refused at a place is being mended there: its message has had its time."""
        if self._refused.pop(place, None) is not None:
            self.said.emit(place, "")

    def _check_refusals(self) -> None:
        """A refusal goes with its cause: what was missing is there, or case, film or canal in hand are others."""
        for place, (missing, meant) in list(self._refused.items()):
            gone = meant != self.in_hand() if missing is None else missing.met(self)
            if gone:
                del self._refused[place]
                self.said.emit(place, "")

    # ---- what is in hand -----------------------------------------------------------------------------------------

    @property
    def radiograph(self) -> Radiograph | None:
        """The film in view, its grey scale as a person has said that it is."""
        film = self.film
        return self.radiographs.get(self.film_id) if film is None else film.radiograph

    @property
    def film(self) -> FilmResult | None:
        if self.result is None:
            return None
        return next((film for film in self.result.films if film.film.id == self.film_id), None)

    @property
    def canal(self) -> Canal | None:
        if self.case is None:
            return None
        return next((canal for canal in self.case.canals if canal.name == self.canal_name), None)

    @property
    def canal_result(self) -> CanalResult | None:
        """Everything measured on the chosen canal."""
        if self.result is None:
            return None
        return next((c for c in self.result.canals if c.canal.name == self.canal_name), None)

    @property
    def facts(self) -> CaseFacts | None:
        """What holds for each canal, as every output says it."""
        if self.result is None:
            return None
        if self._facts is None or self._facts[0] is not self.result:
            self._facts = self.result, case_facts(self.result)
        return self._facts[1]

    @property
    def canal_facts(self) -> CanalFacts | None:
        """What holds for the chosen canal."""
        facts, canal = self.facts, self.canal_result
        return None if facts is None or canal is None else facts.of(canal.canal.name)

    @property
    def trace(self) -> Trace | None:
        """The chosen canal's trace on the film in view."""
        canal = self.canal
        return None if canal is None else next((t for t in canal.traces if t.film == self.film_id), None)

    @property
    def trace_result(self) -> TraceResult | None:
        """What that trace gives."""
        canal = self.canal_result
        return None if canal is None else next((t for t in canal.traces if t.trace.film == self.film_id), None)

    def choose_canal(self, name: str) -> None:
        """Work on another canal."""
        if name != self.canal_name:
            self._turn_to(name, self.film_id)
            self.changed.emit()

    def choose_film(self, film_id: str) -> None:
        """Look at another film of the case."""
        if film_id != self.film_id and film_id in self.film_ids:
            self._turn_to(self.canal_name, film_id)
            self._wonder()
            self.changed.emit()

    def _turn_to(self, canal_name: str, film_id: str) -> None:
        """Another canal or film is in hand: points placed for the one before are none of this one's, and go with a word."""
        if (canal_name, film_id) == (self.canal_name, self.film_id):
            return
        now = f"film {film_id} is in view" if film_id != self.film_id else f"canal {canal_name} is in hand"
        self._say_dropped(now)
        if film_id != self.film_id:
            self.cursor = None  # a place on the other film
        if self.canal_name and canal_name != self.canal_name:
            for said in self._said.values():
                said.pop(None, None)  # the file that it was said of was to be placed in the other canal
        self.canal_name, self.film_id = canal_name, film_id
        self._drop_tool()

    @property
    def unaccepted(self) -> bool:
        """Whether something is put up on the film that is neither accepted nor dropped yet."""
        return bool(self.pending) or self.proposal is not None

    def _say_dropped(self, now: str) -> None:
        if not self.unaccepted:
            return
        count = len(self.pending)
        what = f"canal {self.canal_name}" if self.tool == "canal" else "the scale"
        points = "What was proposed for" if not count else "1 point for" if count == 1 else f"{count} points for"
        were = "was" if count < 2 else "were"
        self._tell(
            self._place, f"{points} {what} on film {self.film_id} {were} not accepted and {were} dropped: {now}."
        )

    @property
    def stop_px(self) -> Point | None:
        """The stop of a known file on the film in view, which often rests on the reference point of the canal it lies in."""
        trace = self.trace
        if self.case is None or trace is None:
            return None
        scales = self.case.film(self.film_id).scale
        files = [scale for scale in scales if isinstance(scale, KnownFile) and upper_of(scale) == "stop"]
        mine = [file for file in files if file.points_px[-1] == trace.file_tip_px]
        return mine[-1].points_px[0] if mine else None

    @property
    def begins_outside(self) -> bool:
        """Whether the length on the film in view begins beyond the picture: the upper end of the canal's file lies there."""
        case, trace = self.case, self.trace
        if case is None or trace is None:
            return False
        scales = case.film(self.film_id).scale
        if trace.file_tip_px is None:
            at = last_file(case, self.film_id)
            files = [] if at is None else [scales[at]]
        else:
            files = [one for one in scales if isinstance(one, FILES) and one.points_px[-1] == trace.file_tip_px]
        return any(isinstance(file, FILES) and upper_of(file) == "out of the picture" for file in files[-1:])

    @property
    def asked_about(self) -> Literal["", "reading", "decision", "entry"]:
        """What the record has a question about that was asked once, of the canal in hand."""
        asked = self.asked
        if isinstance(asked, Entry):
            if asked.canal not in (None, self.canal_name):
                return ""
            return "reading" if asked.kind == "electronic reading" else "entry"
        return "decision" if asked is not None and asked[0] == self.canal_name else ""

    def next_step(self, *, recorded: bool = True) -> Step:
        """What comes next; in a walk through films, whose work goes into no length record, without what only that needs."""
        return next_step(evolve(state_of(self), recorded=recorded))

    # ---- how the film is shown -----------------------------------------------------------------------------------

    def turn(self, quarters: int) -> None:
        """Turn the film in view clockwise as it is seen, by quarters; what is measured on it stays as it is."""
        self.edit_case(
            lambda case: edit.with_view(case, self.film_id, case.film(self.film_id).shown_as.turned(quarters))
        )

    def set_upright(self) -> None:
        """Turn the film in view so that the crown of a lower tooth lies up, or the root of an upper one.

        Raises
        ------
        NeedError
            Neither canal nor file is traced on it.
        """
        need(self, "case", "line")
        assert self.result is not None
        view = edit.upright_view(self.result, self.film_id)
        assert view is not None
        if view == self._in_hand_case().film(self.film_id).shown_as:
            self._tell(self._place, "The tooth stands upright already.")
        self._show_as(self.film_id, view)

    def mirror(self) -> None:
        """Mirror the film in view, once a person has said yes; one that is mirrored is shown as it is again.

        Raises
        ------
        NeedError
            There is no case, or another question stands.
        """
        need(self, "case", "answered")
        film_id = self.film_id
        if self._in_hand_case().film(film_id).shown_as.mirrored:
            self._mirror(film_id, False)
            return
        self._ask(
            "mirror",
            f"Mirror film {film_id}? Left and right change places for the eye alone, and every picture of it says mirrored.",
            Choice("Mirror it", lambda: self._mirror(film_id, True)),
            Choice("Leave it", lambda: None),
        )

    def _mirror(self, film_id: str, mirrored: bool) -> None:
        if film_id in self.film_ids:  # as it is turned when the answer comes
            self._show_as(film_id, evolve(self._in_hand_case().film(film_id).shown_as, mirrored=mirrored))

    def _show_as(self, film_id: str, view: View) -> None:
        case = self._in_hand_case()
        if case.film(film_id).shown_as != view:
            self._step(edit.with_view(case, film_id, view))

    def set_metal(self, metal: str | None) -> None:
        """A person's word on the grey scale of the film in view: metal is "bright" or "dark"; None leaves it to the file."""
        self.edit_case(lambda case: edit.with_metal(case, self.film_id, metal))

    def _wonder(self) -> None:
        film = self.film
        doubtful = film is not None and film.radiograph.polarity_doubt
        asks = doubtful and self.asks_metal and not self.document.looked_at
        about = self.film_id if asks else ""
        if self.question is not None and self.question.about == "metal" and self._metal_asked != about:
            self._settle("metal")
        if about and self.question is None:
            self._metal_asked = about
            assert film is not None
            shown = _small(film.radiograph.displayed())
            self._ask(
                "metal",
                f"{film.film.name} has a bright rim, where most films are black. How does metal (files, crowns) look on it?",
                Choice("Metal looks bright here: leave it so", lambda: self.set_metal("bright"), shown),
                Choice("Metal looks dark here: invert it", lambda: self.set_metal("dark"), np.invert(shown)),
            )

    # ---- tools on the film ---------------------------------------------------------------------------------------

    def take(self, tool: Tool) -> None:
        """Take a tool in hand, or put it away.

        Raises
        ------
        CaseError
            There is no film, tooth or canal for it yet.
        """
        if tool != "look":
            if self.case is None:
                raise lacking(self, "case")
            if tool in ("canal", "reference"):
                need(self, "canal")
            if tool == "reference":
                need(self, "trace")
        if tool == self.tool and self.pending and self.proposal is None and self.carried is None:
            return  # taken up once more, it goes on with the points it has
        self._say_dropped("another tool is in hand" if tool != self.tool else "it begins anew")
        self._drop_tool()
        self.tool = tool
        if tool == "canal":
            self._look_ahead()
        self.changed.emit()

    def find_file(self) -> None:
        """Look for a file on the film and put its stop and tip up for acceptance; `accept` takes them.

        Where no stop is seen, the next click is taken for it.

        Raises
        ------
        CaseError
            There is no film yet, or no file with a tip is found on it.
        """
        radiograph, film = self.radiograph, self.film
        if self.case is None or radiograph is None:
            raise lacking(self, "case")
        proposed = [item for item in self.first.items if item.kind == "file"]
        if proposed:  # the first look has found it: one proposal, in one form
            self._drop_tool()
            self.first.choose(proposed[0].label)
            return
        size = None if film is None or film.calibration is None else film.calibration.mm_per_px
        self.run("Looking for the file", lambda: find_files(radiograph, mm_per_px=size), self._propose)

    def _propose(self, found: tuple[FileProposal, ...]) -> None:
        tipped = [p for p in found if p.tip_px is not None]
        if not tipped:
            raise CaseError(
                "file must show its tip to be found: nothing on the film looks like one; press S and click it"
            )
        self._say_dropped("a file was looked for")
        self._drop_tool()
        self.tool = "file"
        self.proposal = tipped[0]  # the surest one
        ends = (self.proposal.stop_px, self.proposal.tip_px)
        graph, path = self.radiograph, self.proposal.path_px
        assert graph is not None
        # A shaft that leaves the picture is followed a little beyond it.
        inside = path[np.all((path >= 0.0) & (path <= np.array(graph.values.shape) - 1.0), axis=1)]
        first = (float(inside[0, 0]), float(inside[0, 1]))
        if ends[0] is None and self._said_here.upper is None and at_rim(graph, first):
            self._say(upper="reference")  # the shaft leaves the picture, and its stop with it
        if ends[0] is None and self._said_here.upper not in (None, "stop"):
            ends = (inside[0], ends[1])
        if ends[0] is not None:
            self.pending = [(float(end[0]), float(end[1])) for end in ends if end is not None]
        self.live = [(float(row), float(col)) for row, col in self.proposal.path_px]
        self.changed.emit()

    def carry_over(self, earlier: str, *, path: bool = False) -> None:
        """Lay an earlier film on the one in view and put its marks of the canal in hand up for acceptance; `accept` takes them.

        Raises
        ------
        CaseError
            The films do not fit, or the canal was not traced on that one.
        """
        result, canal, film_id = self.result, self.canal_name, self.film_id
        if result is None:
            raise lacking(self, "case")

        def done(found: Proposal) -> None:
            self._say_dropped("an earlier film was laid on this one")
            self._drop_tool()
            self.carried = found
            if found.trace is not None:
                self.tool, self.pending = "canal", found.points
            else:
                self.announce("canal", found.words)
            self.changed.emit()

        self.run("Laying the films on one another", lambda: propose(result, canal, earlier, film_id, path=path), done)

    def _drop_tool(self) -> None:
        self.tool = "look"
        self.pending = []
        self.live, self._laid = [], []
        self.proposal = self.carried = None
        self.draft = None
        self._live = None
        self.chosen = None
        self._settle("upper end")  # of points that are dropped

    def cancel(self) -> None:
        """Put the tool away; points not yet accepted are forgotten, and what was asked about is not meant."""
        self._drop_tool()
        self.asked = None
        self.changed.emit()

    def click(self, at: Point) -> None:
        """Place a point with the tool in hand.

        Raises
        ------
        WlmeasureError
            The step that the point completes is refused.
        """
        if self.tool == "look" or self.case is None:
            return
        assert self.radiograph is not None
        check_points([at], self.radiograph.values.shape, name="point", least=1)
        if self.tool == "reference":
            self._set_reference(at)
            return
        if self.tool == "rest":
            self._rest_on(at)
            return
        if self.carried is not None and self.carried.trace is not None:
            self.pending, self._laid, self.carried = [], [], None  # placed by hand from here on
        if self.pending and self.pending[-1] == at:
            return
        if self.proposal is not None and not self.pending and self.proposal.tip_px is not None:
            row, col = self.proposal.tip_px
            self.pending = [at, (float(row), float(col))]  # the stop of a file whose tip is found
            self.changed.emit()
            return
        if self.tool in ENDS and len(self.pending) == self._wanted:
            self.pending, self._laid, self.proposal = [], [], None
            self._anchor()
        placed, laid = list(self.pending), list(self._laid)
        beside = self.tool in ENDS and len(self.pending) == 2  # what the stop rested on lies beside the shaft
        if self.pending and not beside:
            self._laid.append([self.pending[-1], at] if self._live is None else self._path_to(at))
        self.pending.append(at)
        if self.tool in ENDS and len(self.pending) >= 2:
            self._live = None  # both ends stand, and the cursor moves neither
            if self.proposal is None:
                self.live = []
                self._try_known_length(refused=lambda: self._unclick(placed, laid))
            else:
                self.changed.emit()
            return
        self._anchor()
        self.changed.emit()

    def _unclick(self, placed: list[Point], laid: list[list[Point]]) -> None:
        """The click that was refused is none: the points are those before it, and the next click is another try."""
        self.pending, self._laid = placed, laid
        if len(placed) < 2:
            self._anchor()
        self.changed.emit()

    def _anchor(self) -> None:
        self.live = []
        self._live = None
        if self.tool in ("canal", "file") and self.pending and self.radiograph is not None:
            kind: Literal["canal", "file"] = "canal" if self.tool == "canal" else "file"
            traced = () if self.film is None or kind == "file" else self.film.file_traces
            files = [file.path_px for file in traced]
            size = self._rough_mm_per_px()
            maps = maps_at_hand(self.radiograph, size) if kind == "canal" else None
            self._live = LivePath(self.radiograph, self.pending[-1], kind, size, files=files, maps=maps)

    def _look_ahead(self) -> None:
        """The maps that canals are traced with, computed while a person looks for the first click: half a second, once a film.

        Whoever needs them before waits for them, but for the line under the cursor, which does without.
        """
        if self.radiograph is not None and maps_at_hand(self.radiograph, self._rough_mm_per_px()) is None:
            job = Thread(target=tracing_maps, args=(self.radiograph, self._rough_mm_per_px()), daemon=True)
            job.start()

    def _rough_mm_per_px(self) -> tuple[float, float]:
        film = self.film
        if film is not None and film.calibration is not None:
            return film.calibration.mm_per_px
        return ROUGH_MM_PER_PX, ROUGH_MM_PER_PX * (1.0 if film is None else film.col_over_row)

    def hover(self, at: Point) -> None:
        """The cursor is there: renew the preview."""
        self.cursor = at
        if self._live is not None and self.radiograph is not None:
            rows, cols = self.radiograph.values.shape
            self.live = self._path_to((min(max(at[0], 0.0), rows - 1.0), min(max(at[1], 0.0), cols - 1.0)))
        self.moved.emit()

    def _path_to(self, at: Point) -> list[Point]:
        assert self._live is not None
        return [(float(row), float(col)) for row, col in self._live.path_to(at)]

    def leave(self) -> None:
        """The cursor is on the film no longer; what is placed stays to be seen."""
        self.cursor = None
        if self._live is not None:
            self.live = []
        self.moved.emit()

    @property
    def preview(self) -> list[Point]:
        """The line through the points that are placed, and on to the cursor: it stays until they are accepted or dropped."""
        return [point for piece in self._laid for point in piece] + self.live

    def accept(self) -> None:
        """Accept the points placed so far.

        Raises
        ------
        WlmeasureError
            They are not enough, or no line can be traced through them.
        """
        if self.tool == "rest" or (self.tool == "file" and self._wanted == 3 and len(self.pending) == 2):
            if self.rested_px is None:
                raise CaseError(f"known length must begin somewhere: click {RESTED}, or say that it is not seen")
            if self.tool == "rest":
                self._rest_on(self.rested_px)
                return
            self.pending.append(self.rested_px)
        if self.tool in ENDS and len(self.pending) == self._wanted:
            if self._placed_length()[0] is None and not (self.tool == "file" and self.upper_end == "no length"):
                raise lacking(self, "object's length" if self.tool == "object" else "known length")
            self._try_known_length()
        elif self.tool in ENDS:
            raise CaseError(f"known length must have both ends: click {ENDS[self.tool][len(self.pending)]}")
        elif self.tool == "reference":
            if self.stop_px is None:
                raise CaseError(
                    "reference point must be clicked: no file's stop lies on this film to take its place from"
                )
            self._set_reference(self.stop_px)
        elif self.tool == "canal":
            self._accept_canal()

    def _accept_canal(self) -> None:
        assert self.case is not None
        if len(self.pending) < 2:
            raise CaseError("clicks must be at least the orifice and the apical end: place another point")
        clicks = tuple(self.pending)
        if self.carried is not None and self.carried.trace is not None:
            self._step(with_carried(self.case, self.carried.canal, self.carried.trace), after=self._traced)
            return
        if self.trace is None:
            trace = Trace(film=self.film_id, clicks_px=clicks, apical_end=self.apical_end)
        else:
            trace = _clicked(self.trace, clicks)
        self._step(edit.with_trace(self.case, self.canal_name, trace), after=self._traced)

    def _traced(self) -> None:
        """From the canal on to its reference point, without which its length is none; Esc leaves it for later."""
        self._drop_tool()
        unmarked = self.trace is not None and self.trace.reference_px is None
        if unmarked and not self.begins_outside and not self.document.is_walk:
            self.tool = "reference"
        self.changed.emit()

    def _set_reference(self, at: Point) -> None:
        assert self.case is not None
        if self.trace is None:  # undone while the tool was in hand
            raise lacking(self, "trace")
        if self.begins_outside and self.radiograph is not None and at_rim(self.radiograph, at):
            raise CaseError(
                "reference point must be seen: this is the film's rim, and it was said that the file's upper end is out of the "
                "picture; its name under Canals is enough, or say under Scale that the edge is seen"
            )
        self._step(
            edit.with_trace(
                self.case, self.canal_name, _by_hand(evolve(self.trace, reference_px=at), "reference point")
            ),
            after=self.cancel,
        )

    def set_known_length(self, length_mm: float, std_mm: float | None) -> None:
        """The length of the file (stop to tip) on the film in view, before or after its ends are clicked.

        Raises
        ------
        CaseError
            A length or uncertainty that no file has.
        """
        # Refused here, beside its field, and not at the next click.
        KnownObject(points_px=((0.0, 0.0), (1.0, 0.0)), known_length_mm=length_mm, known_length_std_mm=std_mm)
        self._known[self.film_id] = length_mm, std_mm
        try:
            if self.proposal is not None:
                return  # a proposal is accepted by itself, never by the way
            if self.tool == "file" and len(self.pending) == self._wanted:
                self._try_known_length()
            elif self.case is not None and self.tool not in ENDS:
                self.renew_known_length()
        finally:  # shown with what it led to: beside the new length nothing says that there is none
            self.changed.emit()

    @property
    def object_length_mm(self) -> float | None:
        """The length of the known object that was typed for the film in view."""
        return self._objects.get(self.film_id, (None, None))[0]

    def set_object_length(self, length_mm: float, std_mm: float | None) -> None:
        """The length of a known object on the film in view, between its two ends, before or after they are clicked.

        Raises
        ------
        CaseError
            A length or uncertainty that none has.
        """
        KnownObject(points_px=((0.0, 0.0), (1.0, 0.0)), known_length_mm=length_mm, known_length_std_mm=std_mm)
        self._objects[self.film_id] = length_mm, std_mm
        self.changed.emit()
        if self.tool == "object" and len(self.pending) == self._wanted:
            self._try_known_length()
        elif self.case is not None and self.tool not in ENDS:
            scales = self.case.film(self.film_id).scale
            at = next((k for k in reversed(range(len(scales))) if isinstance(scales[k], KnownObject)), None)
            if at is not None:
                self._renew(at, length_mm, std_mm)

    def _placed_length(self) -> tuple[float | None, float | None]:
        """Length and uncertainty of what is being placed: a file or an object, each with its own."""
        if self.tool == "object":
            return self._objects.get(self.film_id, (None, None))
        return self.known_length_mm, self.known_length_std_mm

    def _try_known_length(self, *, refused: Callable[[], None] | None = None) -> None:
        """Take the points that are placed, once nothing is missing; a file that begins at the film's rim is asked about."""
        assert self.case is not None
        if self._asks_upper_end():
            return
        upper = self.upper_end if self.tool == "file" else "stop"
        length, std = self._placed_length()
        if len(self.pending) < self._wanted or (length is None and upper != "no length"):
            self.changed.emit()
            return
        points = tuple(self.pending[:2])
        scale: FILES | KnownObject
        after = self.cancel
        if self.tool == "file":
            rested = self.pending[2] if upper == "reference" else None
            plain = PlainFile(points_px=points, trace_kind="clicks")
            size, taper = self._said_here.size
            scale = file_as_said(
                plain,
                upper,
                length_mm=length,
                std_mm=std,
                reference_px=rested,
                seated=self._said_here.seated,
                size=size,
                taper=taper,
            )
            after = self._file_placed
        else:
            assert length is not None
            scale = KnownObject(points_px=points, known_length_mm=length, known_length_std_mm=std)
        self._step(
            edit.with_scale(self.case, self.film_id, self._in_so_many_words(scale)), after=after, refused=refused
        )

    def _file_placed(self) -> None:
        """Whether its stop was seated, and its size, were said of this file; the next on the film begins without."""
        said = self._said_here
        self._say(seated=None, size=(None, None))
        self.cancel()
        self._say(seated=said.seated, size=said.size)

    # ---- the upper end of a file's known length ------------------------------------------------------------------

    @property
    def _said_here(self) -> Said:
        """What was said of the file that is being placed, else of the one that is spoken of on the film in view."""
        return self._said.get(self.film_id, {}).get(self._tip_spoken_of, Said())

    def _say(self, **members: Any) -> None:
        self._said.setdefault(self.film_id, {})[self._tip_spoken_of] = evolve(self._said_here, **members)

    @property
    def _tip_spoken_of(self) -> Point | None:
        file = None if self.tool == "file" else self._file
        return None if file is None else file.points_px[-1]

    @property
    def _file_at(self) -> int | None:
        """Which scale of the film in view is the file that is spoken of: the chosen one, else the last."""
        if self.case is None:
            return None
        if self.chosen is not None and self.chosen.role in ("scale", "rest"):
            scales = self.case.film(self.film_id).scale
            if isinstance(scales[self.chosen.scale], FILES):
                return self.chosen.scale
        return last_file(self.case, self.film_id)

    @property
    def _file(self) -> FILES | None:
        at = self._file_at
        scale = None if self.case is None or at is None else self.case.film(self.film_id).scale[at]
        return scale if isinstance(scale, FILES) else None

    @property
    def upper_end(self) -> Upper:
        """How the upper end is known, of the file that is being placed, else of the one that stands on the film in view."""
        if self._coming is not None:  # the case has it once the result is there; no list says something else till then
            return self._coming
        if self.tool == "rest":
            return "reference"
        file = None if self.tool == "file" else self._file
        return self._said_here.upper or "stop" if file is None else upper_of(file)

    @property
    def stop_seated(self) -> StopSeated | None:
        """Whether the stop was seen to rest on its reference point at exposure; None: not known."""
        file = None if self.tool in ("file", "rest") else self._file
        return file.stop_seated if isinstance(file, KnownFile) else self._said_here.seated

    @property
    def rested_px(self) -> Point | None:
        """The reference point that is marked already for the canal that the file lies in: the stop rested on the same.

        Where the edge was said to be out of the picture, a mark from that time is none that anybody saw the stop rest on.
        """
        if self.case is None:
            return None
        trace, file = self.trace, self._file if self.tool == "rest" else None
        if file is not None and upper_of(file) == "out of the picture":
            return self._rested_before(file)
        tip = (
            self.pending[1] if file is None and len(self.pending) > 1 else None if file is None else file.points_px[-1]
        )
        found = None if tip is None else canal_point(self.case, self.film_id, tip)
        if found is not None or trace is None:
            return found
        of_this = self.tool == "file" or trace.file_tip_px in (None, tip)  # a file that stands may lie in another canal
        return trace.reference_px if of_this else None

    def _rested_before(self, file: FILES) -> Point | None:
        """The mark of the file's canal where it was made as what the stop of that very file rested on."""
        assert self.case is not None
        tip = file.points_px[-1]
        marked = canal_point(self.case, self.film_id, tip)
        return marked if self._said_here.rested_px == marked else None

    @property
    def _wanted(self) -> int:
        """How many points the tool in hand places for a known length."""
        return 3 if self.tool == "file" and self.upper_end == "reference" else 2

    def say_upper_end(self, upper: Upper) -> None:
        """How the upper end of the known length is known, of the file that is being placed or of the one that stands.

        Where the mark of the file's canal was made as what its stop rested on, that is taken; else it is to be clicked, or a
        mark of the canal's taken by Enter.

        Raises
        ------
        WlmeasureError
            There is no case yet; a length is needed and was not typed; what was said does not go with the points.
        """
        if self.case is None:
            raise lacking(self, "case")
        self._settle("upper end")
        self._say(upper=upper)
        file, at = self._file, self._file_at
        if self.tool == "file":
            del self.pending[2:]
            if self.proposal is None and len(self.pending) == 2:
                self._try_known_length()
            else:
                self.changed.emit()
            return
        if file is not None and at is not None and self.tool != "rest" and self._in_so_many_words(file) != file:
            self._say_of(file, at, upper, None)
            return
        if file is None or at is None or (upper == upper_of(file) and self.tool != "rest"):
            self.changed.emit()
            return
        if upper == upper_of(file):
            self.cancel()
            return
        if upper != "no length" and not isinstance(file, KnownFile) and self.known_length_mm is None:
            raise lacking(self, "known length")
        rested = self._rested_before(file) if upper == "reference" else None
        if upper == "reference" and rested is None:
            self._drop_tool()
            self.tool = "rest"
            self.changed.emit()
            return
        self._say_of(file, at, upper, rested)

    def say_seated(self, seated: StopSeated | None) -> None:
        """Whether the stop was seen to rest on its reference point at exposure."""
        self._say(seated=seated)
        file, at = self._file, self._file_at
        placing = self.tool in ("file", "rest")
        if not placing and at is not None and isinstance(file, KnownFile) and file.stop_seated != seated:
            self.edit_case(lambda case: edit.with_scale(case, self.film_id, evolve(file, stop_seated=seated), at=at))
        else:
            self.changed.emit()

    def say_slid(self) -> None:
        """The stop was seen not to rest on its reference point: the file's length gives no scale, its canal still follows it.

        Raises
        ------
        WlmeasureError
            There is no case yet.
        """
        if self.case is not None:
            self._say(seated=None)
        self.say_upper_end("no length")
        self.announce(
            self._place,
            "The stop had slid, so the file's length begins nowhere that is seen: it gives no scale. Take another known "
            "length, or a new film with the stop in place.",
        )

    @property
    def file_size(self) -> tuple[int | None, float | None]:
        """Size (1/100 mm) and taper of the file of unknown length that is spoken of; None where they were not said."""
        file = None if self.tool == "file" else self._file
        return self._said_here.size if file is None else size_of(file)

    def say_size(self, size: int | None, taper: float | None) -> None:
        """The size, and perhaps the taper, of a file whose length is not known: its thickness then gives an estimate.

        Raises
        ------
        WlmeasureError
            There is no case yet; no file has that size or taper, or the one on the film cannot have it.
        """
        if self.case is None:
            raise lacking(self, "case")
        file, at = self._file, self._file_at
        if size is not None:  # refused here, beside its field, and not at the next click
            FileTaper(points_px=((0.0, 0.0), (1.0, 0.0)), trace_kind="clicks", file_size=size, taper=taper)
        if self.tool == "file" or file is None or at is None or upper_of(file) != "no length":
            self._say(size=(size, taper))
            self.changed.emit()
            return
        if size_of(file) != (size, taper):
            said = file_as_said(file, "no length", length_mm=None, std_mm=None, size=size, taper=taper)
            self._step(edit.with_scale(self.case, self.film_id, said, at=at))
        self._say(size=(size, taper))

    def _say_of(self, file: FILES, at: int, upper: Upper, rested: Point | None) -> None:
        assert self.case is not None
        if isinstance(file, KnownFile) and file.reference_px is not None:
            self._say(rested_px=file.reference_px)
        size, taper = self._said_here.size
        said = file_as_said(
            file,
            upper,
            length_mm=self.known_length_mm,
            std_mm=self.known_length_std_mm,
            reference_px=rested,
            seated=self._said_here.seated,
            size=size,
            taper=taper,
        )
        said_so = self._in_so_many_words(said)
        self._coming = upper

        def settled() -> None:
            self._coming = None

        def taken() -> None:
            settled()
            self.cancel()

        try:
            self._step(edit.with_scale(self.case, self.film_id, said_so, at=at), after=taken, refused=settled)
        except Exception:
            settled()
            raise

    def _in_so_many_words(self, scale: FILES | KnownObject) -> FILES | KnownObject:
        """A file whose stop was said to lie at the film's rim says so in the case: without a word no length rests on it."""
        graph, said = self.radiograph, self._said_here.upper == "stop"
        if not said or graph is None or not isinstance(scale, KnownFile) or scale.upper_end is not None:
            return scale
        return evolve(scale, upper_end="stop") if at_rim(graph, scale.points_px[0]) else scale

    def _rest_on(self, at: Point) -> None:
        """The edge or cusp is marked that the stop of the file on the film in view rested on."""
        file, index = self._file, self._file_at
        if file is None or index is None:
            raise CaseError("file must be placed first: press S, click the shaft at its upper end, then the tip")
        self._say_of(file, index, "reference", at)

    def _asks_upper_end(self) -> bool:
        """Ask where the first point of a file lies at the film's rim, and nobody has said yet that its stop is there."""
        graph = self.radiograph
        asks = self.tool == "file" and len(self.pending) == 2 and self._said_here.upper is None
        if not asks or self.proposal is not None or graph is None or not at_rim(graph, self.pending[0]):
            return False
        self._ask_upper_end("The file begins at the edge of the film. Where does its known length begin?")
        return True

    def _ask_upper_end(self, words: str) -> None:
        there = (
            "The stop is there, where I clicked" if self.tool == "file" else "The stop is there, where the line begins"
        )
        self._ask(
            "upper end",
            words,
            Choice(there, lambda: self.say_upper_end("stop")),
            Choice("The stop is not seen: I click what it rested on", lambda: self.say_upper_end("reference")),
            Choice("Neither is in the picture", lambda: self.say_upper_end("out of the picture")),
        )

    def renew_known_length(self) -> None:
        """A length typed again is a correction of the last file of known length on this film."""
        if self.case is None or self.known_length_mm is None:
            return
        at = last_file(self.case, self.film_id)
        file = None if at is None else self.case.film(self.film_id).scale[at]
        # The length of a file that has none may be unknown still: one that was typed may be of another.
        if at is not None and isinstance(file, KnownFile):
            self._renew(at, self.known_length_mm, self.known_length_std_mm)
        elif isinstance(file, PlainFile) and self.wants_length:
            self._length_of_accepted(file)

    @property
    def wants_length(self) -> bool:
        """Whether the last file of the film in view was accepted as it was proposed, and nobody has spoken of its length."""
        at = None if self.case is None else last_file(self.case, self.film_id)
        file = None if self.case is None or at is None else self.case.film(self.film_id).scale[at]
        if not isinstance(file, PlainFile) or not file.accepted:
            return False
        return self._said.get(self.film_id, {}).get(file.points_px[-1], Said()).upper is None

    def _length_of_accepted(self, file: PlainFile) -> None:
        """The length of a file that was accepted begins at its stop where that is seen; else a person says where."""
        seen = upper_proposed(self, file)
        if seen == "stop" and self.radiograph is not None and not at_rim(self.radiograph, file.points_px[0]):
            self.say_upper_end("stop")
        elif seen == "unseen":
            self.say_upper_end("reference")
        else:
            self._ask_upper_end("It is not sure where the known length of this file begins. Is its stop seen?")

    def _renew(self, at: int, length_mm: float, std_mm: float | None) -> None:
        assert self.case is not None
        old = self.case.film(self.film_id).scale[at]
        assert isinstance(old, KnownFile | KnownObject)
        new = evolve(old, known_length_mm=length_mm, known_length_std_mm=std_mm)
        if new != old:
            self._step(edit.with_scale(self.case, self.film_id, new, at=at))

    def use_spacing(self, claim: str, magnification: float | None) -> None:
        """Take a spacing that the image claims, knowingly."""
        self.edit_case(
            lambda case: edit.with_scale(case, self.film_id, Spacing(claim=claim, magnification=magnification))
        )

    def set_angulation(self, **members: Any) -> None:
        """How the film in view was taken (members of `Angulation`); None takes one away."""
        if self.case is None:
            raise lacking(self, "case")
        case = edit.with_angulation(self.case, self.film_id, **members)
        if case != self.case:
            self._step(case)

    def remove_scale(self, at: int) -> None:
        """Forget one known length or spacing."""
        self.edit_case(lambda case: edit.without_scale(case, self.film_id, at))

    # ---- points already placed -----------------------------------------------------------------------------------

    def handles(self) -> list[tuple[Handle, Point]]:
        """Every point on the film in view that can be moved."""
        if self.case is None:
            return []
        found: list[tuple[Handle, Point]] = []
        traces = [trace for canal in self.case.canals for trace in canal.traces if trace.film == self.film_id]
        marked = [trace.reference_px for trace in traces]  # what a stop rested on is the same point, and moved with it
        for k, scale in enumerate(self.case.film(self.film_id).scale):
            if not isinstance(scale, Spacing):
                found += [(Handle("scale", i, scale=k), point) for i, point in enumerate(scale.points_px)]
            if isinstance(scale, KnownFile) and scale.reference_px not in (None, *marked):
                assert scale.reference_px is not None
                found.append((Handle("rest", 0, scale=k), scale.reference_px))
        for canal in self.case.canals:
            for trace in canal.traces:
                if trace.film != self.film_id:
                    continue
                clicks = trace.clicks_px or ()
                found += [(Handle("canal", i, canal=canal.name), point) for i, point in enumerate(clicks)]
                if trace.reference_px is not None:
                    found.append((Handle("reference", 0, canal=canal.name), trace.reference_px))
        return found

    def nearest(self, at: Point, within_px: float) -> Handle | None:
        """The handle nearest to a point, if it lies within that distance."""
        near = [((p[0] - at[0]) ** 2 + (p[1] - at[1]) ** 2, handle) for handle, p in self.handles()]
        best = min(near, key=lambda item: item[0], default=None)
        return best[1] if best is not None and best[0] <= within_px**2 else None

    def choose(self, handle: Handle | None) -> None:
        """Choose a point, for the arrow keys and for deleting."""
        if handle is not None and handle.canal:
            self._turn_to(handle.canal, self.film_id)
        self.chosen = handle
        self.changed.emit()

    def move_chosen(self, rows: float, cols: float) -> None:
        """Move the chosen point by a fraction of a pixel."""
        if self.chosen is None:
            return
        at = dict(self.handles()).get(self.chosen)
        if at is not None:
            self.move(self.chosen, (at[0] + rows, at[1] + cols))

    def move(self, handle: Handle, to: Point) -> None:
        """Put a point somewhere else.

        Raises
        ------
        WlmeasureError
            The new place is refused; the point stays where it was.
        """
        self._replace(handle, [to], after=lambda: self.choose(handle))

    def insert(self, canal: str, at: Point) -> None:
        """One click more along a traced canal, between the two that it lies between."""
        assert self.case is not None
        trace = next(t for t in edit.canal_of(self.case, canal).traces if t.film == self.film_id)
        clicks = edit.with_point(trace.clicks_px or (), at)
        self._step(edit.with_trace(self.case, canal, _clicked(trace, clicks)))

    def delete_chosen(self) -> None:
        """Take the chosen point away; a canal or file with too few points left goes as a whole."""
        if self.chosen is not None:
            handle, self.chosen = self.chosen, None
            self._replace(handle, [])

    def _replace(self, handle: Handle, points: list[Point], after: Callable[[], None] | None = None) -> None:
        case = self.case
        assert case is not None
        if handle.role == "scale":
            scale = case.film(self.film_id).scale[handle.scale]
            assert not isinstance(scale, Spacing)
            new = (*scale.points_px[: handle.index], *points, *scale.points_px[handle.index + 1 :])
            if len(new) < 2:
                self._step(edit.without_scale(case, self.film_id, handle.scale), after=after)
                return
            moved = evolve(scale, points_px=new)
            if isinstance(moved, FILES):
                moved = evolve(moved, path_px=None, tracer=None)
            self._step(edit.with_scale(case, self.film_id, moved, at=handle.scale), after=after)
            return
        if handle.role == "rest":
            file = case.film(self.film_id).scale[handle.scale]
            assert isinstance(file, KnownFile)
            ends: Upper = "reference" if points else "out of the picture"
            said = file_as_said(
                file, ends, length_mm=None, std_mm=None, reference_px=next(iter(points), None), seated=file.stop_seated
            )
            self._step(edit.with_scale(case, self.film_id, said, at=handle.scale), after=after)
            return
        canal = edit.canal_of(case, handle.canal)
        trace = next(t for t in canal.traces if t.film == self.film_id)
        if handle.role == "reference":
            marked = _by_hand(evolve(trace, reference_px=points[0] if points else None), "reference point")
            self._step(edit.with_trace(case, handle.canal, marked), after=after)
            return
        clicks = trace.clicks_px or ()
        new = (*clicks[: handle.index], *points, *clicks[handle.index + 1 :])
        if len(new) < 2:
            self._step(edit.without_trace(case, handle.canal, self.film_id), after=after)
        else:
            self._step(edit.with_trace(case, handle.canal, _clicked(trace, new)), after=after)

    # ---- canals, readings, decision ------------------------------------------------------------------------------

    def announce(self, place: str, text: str) -> None:
        """Say something at a place of the dock that is no refusal; it stays until the next step there."""
        self._news = (place, text)

    def edit_case(self, change: Callable[[Case], Case], after: Callable[[], None] | None = None) -> None:
        """One step more: the case changed so, measured and saved."""
        if self.case is None:
            raise lacking(self, "case")
        self._step(change(self.case), after=after)

    def take_case(self, case: Case, after: Callable[[], None], *, takes_long: str = "") -> None:
        """One step more, whose case is made already."""
        self._step(case, after=after, takes_long=takes_long)

    def usual_name(self) -> str:
        """Name of a canal that the tooth may have besides; a number where its usual ones are all there."""
        used = set() if self.case is None else {canal.name for canal in self.case.canals}
        usual = [] if self.tooth is None else [name for name in self.tooth.canal_names if name not in used]
        return usual[0] if usual else f"canal {len(used) + 1}"

    def go_to_canal(self, by: int) -> None:
        """Work on the next canal of the tooth, or the one before (`by` -1); round from the last to the first."""
        names = [] if self.case is None else [canal.name for canal in self.case.canals]
        if self.canal_name in names:
            self.choose_canal(names[(names.index(self.canal_name) + by) % len(names)])

    def add_canal(self, name: str, reference_point: str | None = None) -> None:
        """One canal more, and work on it."""
        name = name.strip()
        self.edit_case(lambda case: edit.with_canal(case, name, reference_point), after=lambda: self.choose_canal(name))

    def rename_canal(self, name: str, reference_point: str | None) -> None:
        """Another name or reference point for the canal in hand."""
        old, name = self.canal_name, name.strip()
        at, by = _now(), self._who(old)
        self.edit_case(
            lambda case: edit.renamed_canal(case, old, name, (reference_point or "").strip() or None, at=at, by=by),
            after=lambda: self.choose_canal(name),
        )

    def delete_canal(self) -> None:
        """Take the canal in hand away."""
        name, at, by = self.canal_name, _now(), self._who(self.canal_name)
        self.edit_case(lambda case: edit.without_canal(case, name, at=at, by=by))

    def _who(self, canal: str) -> str:
        """Who is working, where the record has to say who did it: it holds entries of that canal.

        Raises
        ------
        CaseError
            Nobody has said so.
        """
        if self.case is not None and LengthRecord(self.case.entries).standing(canal):
            need(self, "confirmed", "initials")
        return self.initials

    def set_end(self, **members: Any) -> None:
        """What the trace ends at, and how well it is seen (`apical_end`, `apex_visibility`)."""
        trace = self.trace
        if trace is None:
            raise lacking(self, "trace")
        if any(getattr(trace, name) != value for name, value in members.items()):
            self.edit_case(lambda case: edit.with_trace(case, self.canal_name, evolve(trace, **members)))

    def decide(self, length_mm: float, by: str, reason: str) -> None:
        """Record what the clinician decided.

        Raises
        ------
        CaseError
            No case, initials or named reference point; a question, which the same decision once more answers with yes.
        """
        need(self, "confirmed")
        if self.case is None or self.result is None:
            raise lacking(self, "case")
        by, at = by.strip(), _now()
        if not by:
            raise lacking(self, "initials")
        self.initials = by
        need(self, "canal", "point")
        question = (self.canal_name, length_mm, by)
        try:
            record = decided(
                self.result,
                self.canal_name,
                length_mm,
                at=at,
                by=by,
                program=f"wlmeasure {__version__}",
                reason=reason.strip() or None,
                confirmed=QUESTIONS if self.asked == question else (),
                now=at,
            )
        except QuestionError as error:
            self.ask_once_more(question)
            raise CaseError(f"{error.words} If it is right, decide it once more; nothing was entered") from error
        longest = self._proposed_at_most()
        if self.asked != question and longest is not None and length_mm > longest + SAID_TO_MM + EDGE_MM:
            self.ask_once_more(question)
            raise CaseError(
                f"decided {length_mm:g} mm is longer than what film and readings propose, {limit_words(longest)}: is it meant? "
                "If it is right, decide it once more; nothing was entered"
            )
        self.asked = None
        self.take_entries(record.entries)

    def typed(self, about: Literal["reading", "decision", "entry"], length: str) -> None:
        """A length is typed where a question was asked about another one, or taken out: that question is answered."""
        if self.asked_about != about or self.draft is not None:
            return
        meant = self.asked.length_mm if isinstance(self.asked, Entry) else self.asked[1]
        try:
            same = meant == (edit.typed_number(length, "length") if length.strip() else None)
        except CaseError:
            same = False
        if not same:
            self.asked = None
            self.changed.emit()

    def _proposed_at_most(self) -> float | None:
        """The proposed working length of the canal in hand; where none is settled, what it is not to pass until it is."""
        found = self.canal_result
        if found is None:
            return None
        working = found.working_length
        settled = working.length_mm is not None and working.status in SETTLED
        return working.length_mm if settled else working.ceiling_mm

    def ask_once_more(self, about: Any) -> None:
        """Something that was entered is asked about; entered once more unchanged it is meant."""
        self.asked = about
        self.changed.emit()

    def take_entries(self, entries: tuple[Entry, ...]) -> None:
        """Take over a longer record."""

        def entered() -> None:
            self.draft = None
            self.changed.emit()

        self.edit_case(lambda case: evolve(case, entries=entries), after=entered)

    def proposed_mm(self) -> float | None:
        """The proposed working length of the canal in hand."""
        found = self.canal_result
        return None if found is None else found.working_length.length_mm
