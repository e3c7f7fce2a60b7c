"""Walks through films one after the other: an observer's films of a study, or the worst disagreements of one. No Qt.

The observer's walk is blind: the session works on a file whose name tells nothing, begins every film from what the study
gives, and knows nothing of earlier results. What is begun stays in that file, so that a walk goes on where it was left.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Literal, Protocol

from filelock import BaseFileLock, FileLock, Timeout

from wlmeasure.errors import StudyError
from wlmeasure.record.case import Case, save_case
from wlmeasure.study.folder import progress, store_result, template, working_path
from wlmeasure.study.manifest import load_study
from wlmeasure.study.protocol import violations
from wlmeasure.study.worst import load_walk
from wlmeasure_napari._guide import Step
from wlmeasure_napari._session import Session

__all__ = ["Concealed", "ObserverWalk", "Walk", "WorstWalk"]

Concealed = Literal["openers", "names", "films", "entries", "scale", "metal", "measures"]
"""What a walk keeps out of sight: ways to other files, names, the choice of a film, the record, the scale's part, what
metal is on the film, measured values."""


class Walk(Protocol):
    """What the dock asks of a walk; `position` counts from 1 and is None at its end."""

    heading: str
    session: Session

    @property
    def position(self) -> int | None: ...
    @property
    def total(self) -> int: ...
    @property
    def conceals(self) -> frozenset[Concealed]: ...
    @property
    def title(self) -> str: ...
    @property
    def rules(self) -> str: ...

    def begin(self) -> None:
        """Go to the first film that is not done yet."""

    def go_on(self) -> None:
        """Done with this film: to the next one."""

    def next_step(self) -> Step:
        """What comes next."""

    def close(self) -> None:
        """Let another window go on."""


DONE = "All films are read. Thank you; the window can be closed."


class ObserverWalk:
    """One observer's films in the observer's own order.

    Parameters
    ----------
    session
        The viewer's session; it must have no case of its own.
    folder
        The study's folder.
    name
        The observer.

    Raises
    ------
    StudyError
        No such study or observer; the observer is at work in another window.
    """

    heading = "Study"

    def __init__(self, session: Session, folder: str | Path, name: str) -> None:
        self.session = session
        self.study = load_study(folder)
        self.observer = self.study.observer(name)
        self.hidden = frozenset(self.observer.hidden)
        self.position: int | None = None
        self._given: Case | None = None
        place = working_path(self.study, name, 1).parent
        place.mkdir(parents=True, exist_ok=True)
        self._lock: BaseFileLock = FileLock(place / ".lock", timeout=0, thread_local=False)
        try:
            self._lock.acquire()
        except Timeout:
            raise StudyError(
                f"observer must be at work in one window: {name} is in another; go on there, or close it"
            ) from None
        session.apical_end = self.study.protocol.apical_end
        session.asks_metal = self.study.protocol.metal == "observer"
        session.walker = name
        self._key = {} if "names" in self.hidden else self.study.key()

    def begin(self) -> None:
        """Go to the first film that is not read yet, as it was left."""
        self.position = progress(self.study, self.observer.name).next
        if self.position is None:
            self.session.put_away()
            return
        path = working_path(self.study, self.observer.name, self.position)
        self._given = template(self.study, self.observer.name, self.observer.tasks[self.position - 1], path)
        if not path.exists():
            save_case(self._given, path)
        self.session.open_walked(path)

    def go_on(self) -> None:
        """Store this film's result and go to the next film.

        Raises
        ------
        StudyError
            The result does not keep to the protocol; it says how, and nothing is stored.
        """
        case = self.session.case
        if self.position is None or case is None:
            return
        at = datetime.now().astimezone().replace(microsecond=0).isoformat()
        store_result(self.study, self.observer.name, self.position, case, at=at)
        working_path(self.study, self.observer.name, self.position).unlink(missing_ok=True)
        self.begin()

    def close(self) -> None:
        """Let another window go on."""
        self._lock.release()

    @property
    def title(self) -> str:
        """Which film of how many; its own name only where names are not hidden."""
        if self.position is None:
            return f"{self.total} of {self.total}"
        text = f"Film {self.position} of {self.total}"
        name = self._key.get(self.observer.tasks[self.position - 1].film)
        return text if name is None else f"{text}: {name}"

    @property
    def rules(self) -> str:
        """The protocol in words, and for who begins from proposals what is to be done with them."""
        words = self.study.protocol.words
        if self.study.protocol.begins_from_proposals(self.observer.name):
            words += " What a network proposed is shown: accept, mend or refuse it, and draw what is missing."
        return words

    @property
    def total(self) -> int:
        return len(self.observer.tasks)

    @property
    def conceals(self) -> frozenset[Concealed]:
        hidden: set[Concealed] = {"openers", "names", "films", "entries"}
        if not self.sets_scale:
            hidden.add("scale")
        if self.study.protocol.metal == "given":
            hidden.add("metal")
        if "measures" in self.hidden:
            hidden.add("measures")
        return frozenset(hidden)

    @property
    def sets_scale(self) -> bool:
        return self.study.protocol.scale == "observer"

    def next_step(self) -> Step:
        """As the session's, but for what is no part of a study: what is still missing, or that Next may be pressed."""
        if self.position is None:
            return Step(DONE, place="study")
        step = self.session.next_step(recorded=False)
        if step.place in ("", "foot", "film") or self.session.tool != "look" or self.session.proposal is not None:
            return step
        if step.place == "scale" and self.sets_scale:
            return step
        case = self.session.case
        if case is None or self._given is None:
            return step
        missing = violations(case, self._given, self.study.protocol)
        if step.place == "head" and (missing or self.session.first.asked):
            return step  # what was proposed, and is not answered
        for canal in case.canals:
            if not canal.traces:
                choose = "" if canal.name == self.session.canal_name else f"Choose canal {canal.name}, then "
                text = f"trace canal {canal.name}: press T, click the orifice, points along it and its apical end, press Enter."
                return Step(choose + text, place="canals")
        if missing:
            return Step(f"Not yet by the rules: {missing[0].text}.", place="canals")
        return Step("Press Next: the result is stored and the next film comes.", place="study")


class WorstWalk:
    """The cases of a list (`wlmeasure observers STUDY --walk DIR`), each with every observer's path; nothing is hidden."""

    heading = "Disagreements"
    conceals: frozenset[Concealed] = frozenset()

    def __init__(self, session: Session, path: str | Path) -> None:
        self.session = session
        self.items = load_walk(path)
        if not self.items:
            raise StudyError("list must hold a case: it is empty")
        self.position: int | None = 1

    def begin(self) -> None:
        """Open the case in hand."""
        if self.position is not None:
            self.session.open_walked(self.items[self.position - 1][0])

    def go_on(self) -> None:
        """The next case; after the last one the walk is done. Every step was saved when it was made."""
        if self.position is not None and self.position < len(self.items):
            self.position += 1
            self.begin()
        else:
            self.position = None
            self.session.changed.emit()

    def go_back(self) -> None:
        """The case before."""
        if self.position is None:
            self.position = len(self.items)
        elif self.position > 1:
            self.position -= 1
        self.begin()

    def close(self) -> None:
        """Nothing is held."""

    @property
    def total(self) -> int:
        return len(self.items)

    @property
    def title(self) -> str:
        if self.position is None:
            return f"{self.total} of {self.total}"
        return f"Case {self.position} of {self.total}: {self.items[self.position - 1][1]}"

    @property
    def rules(self) -> str:
        return "Every observer's path is a canal. Add a canal of your own to settle it; each step is saved."

    def next_step(self) -> Step:
        if self.position is None:
            return Step("All cases are seen.", place="study")
        step = self.session.next_step(recorded=False)
        if step.place in ("", "foot") or (step.place == "canals" and self.session.tool != "look"):
            return step
        return Step("Compare the paths; press Next for the next case.", place="study")
