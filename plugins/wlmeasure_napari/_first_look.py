"""The first look: all that a network proposes on the film in view, shown at once for a person to accept, mend or refuse. No Qt.

What is seen on a film is held here until the first word about it, and then stands in the case with the answers
(`wlmeasure.record.answers`); undo takes both back. It belongs to one case: another begins with an empty one, so that a look
that is under way when its case is put away ends on none.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from math import dist, inf
from typing import Any, Literal

import numpy as np
from attrs import evolve, frozen

from wlmeasure.errors import CaseError, DetectError, WlmeasureError, one_line
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.points import polyline_feet
from wlmeasure.record import edit
from wlmeasure.record.answers import (
    accepted_canal,
    accepted_file,
    answered,
    answers,
    clicks_of,
    unanswered,
    with_proposed,
    with_refusal,
)
from wlmeasure.record.case import Accepted, Case, PlainFile, ProposedItem
from wlmeasure.trace.centreline import check_points
from wlmeasure_napari._needs import need

TYPE_CHECKING = False
if TYPE_CHECKING:
    from wlmeasure_napari._session import Session

__all__ = ["FirstLook", "count_words", "look_at", "undone_words", "upper_proposed"]

Point = tuple[float, float]
Key = tuple[str, int | None, bool]
KINDS = ("file", "canal", "root end", "reference point")
STOPPED = "This film was not looked at: mark by hand, or press Look."


@frozen
class Looked:
    """One film: under way, stopped or done; what was seen, or why nothing was."""

    state: Literal["under way", "stopped", "done"]
    items: tuple[ProposedItem, ...] = ()
    words: str = ""


def look_at(radiograph: Radiograph) -> tuple[ProposedItem, ...]:
    """All that the package's network proposes on a film: about a second, on whichever thread.

    Raises
    ------
    DetectError
        No weights, or none that run here; nothing is loaded then.
    """
    from wlmeasure.detect.look import look
    from wlmeasure.detect.network import shipped_network
    from wlmeasure.record.proposals import proposed_items

    network = shipped_network()
    return tuple(item for item, _ in proposed_items(look(radiograph, network=network), network.sha256))


def count_words(items: Sequence[ProposedItem]) -> str:
    """How many of each kind, such as "3 canals, 1 file"."""
    said = []
    for kind in ("canal", "file", "root end", "reference point"):
        count = sum(item.kind == kind for item in items)
        if count:
            said.append(f"{count} {kind}{'' if count == 1 else 's'}")
    return ", ".join(said)


def undone_words(before: Case, after: Case) -> str:
    """What was accepted or refused in one case and is not in another; "" where that is nothing."""

    def said(case: Case) -> dict[tuple[str, str], str]:
        return {
            (one.film, one.item.label): one.words
            for one in answers(case)
            if one.outcome != "not answered" and one.item.kind in KINDS
        }

    old, new = said(before), said(after)
    ends = {item.of for film in before.films for item in film.proposed if item.kind == "canal"}
    return ", ".join(words for key, words in old.items() if new.get(key) != words and key[1] not in ends)


class FirstLook:
    """What is proposed on the films of one case, and which of it is in focus."""

    looks = True  # whether a film is looked at by itself

    def __init__(self, session: Session) -> None:
        self._session = session
        self._seen: dict[Key, Looked] = {}
        self._focus: dict[Key, str] = {}  # label; "" where a person has put the focus away
        self._mended: dict[tuple[Key, str], tuple[Point, ...]] = {}
        self._asked: tuple[Key | None, tuple[str, ...]] = None, ()

    # ---- looking -------------------------------------------------------------------------------------------------

    @property
    def _key(self) -> Key | None:
        graph = self._session.radiograph
        return None if graph is None else (graph.sha256, graph.frame, graph.bright_is_dense)

    @property
    def asked(self) -> tuple[str, ...]:
        """Canals of the film in view that wait for their names, the first of them asked for."""
        return self._asked[1] if self._asked[0] == self._key else ()

    @asked.setter
    def asked(self, labels: tuple[str, ...]) -> None:
        self._asked = self._key, labels

    @property
    def _looked(self) -> Looked | None:
        key = self._key
        return None if key is None else self._seen.get(key)

    def _may(self) -> bool:
        """Whether the film in view is one to be looked at: not in a walk, nor where somebody has marked it already."""
        session = self._session
        if not self.looks or session.aside is None or session.busy or self._key is None:
            return False
        if session.document.is_walk or session.document.looked_at:
            return False
        if session.question is not None and session.question.about == "metal":
            return False
        case = session.case
        if case is None:
            return True
        film = case.film(session.film_id)
        traced = any(trace.film == film.id for canal in case.canals for trace in canal.traces)
        return not (film.proposed or film.scale or traced)

    def begin(self) -> None:
        """Look at the film in view, where it is one to be looked at and was not yet."""
        if self._looked is None and self._may():
            self._look()

    def again(self) -> None:
        """Look at a film that was not looked at, or whose look was stopped, on a person's word."""
        if self._may() and not self.under_way:
            self._look()

    def _look(self) -> None:
        session, key, graph = self._session, self._key, self._session.radiograph
        assert key is not None
        assert graph is not None
        assert session.aside is not None
        mine = self._seen[key] = Looked("under way")

        def finish(outcome: Callable[[], Any]) -> None:
            if session.first is not self or self._seen.get(key) is not mine:
                return  # the case was put away, or the look was stopped
            try:
                self._seen[key] = Looked("done", outcome())
            except DetectError as error:
                self._seen[key] = Looked("done", words=f"No first look: {one_line(error)}")
            except Exception as error:  # whatever OpenCV finds in a film: the hand needs no look
                told = one_line(error)[:200] if isinstance(error, WlmeasureError) else type(error).__name__
                self._seen[key] = Looked("done", words=f"The film could not be looked at ({told}): mark it by hand.")
            session.changed.emit()

        session.aside(lambda: look_at(graph), finish)
        session.changed.emit()

    def stop(self) -> None:
        """The look that is under way is not waited for."""
        key = self._key
        if key is not None and self.under_way:
            self._seen[key] = Looked("stopped", words=STOPPED)
            self._session.changed.emit()

    @property
    def under_way(self) -> bool:
        """Whether the film in view is being looked at."""
        looked = self._looked
        return looked is not None and looked.state == "under way"

    @property
    def line(self) -> str:
        """What the dock's foot says of the look."""
        if self.under_way:
            return "Looking at the film …"
        looked = self._looked
        if looked is None:
            return ""
        return looked.words or ("" if self.items or self._said else "Nothing is proposed on this film: mark by hand.")

    @property
    def stopped(self) -> bool:
        """Whether the look at the film in view was stopped."""
        looked = self._looked
        return looked is not None and looked.state == "stopped"

    # ---- what is proposed ----------------------------------------------------------------------------------------

    @property
    def all_items(self) -> tuple[ProposedItem, ...]:
        """Everything that was seen on the film in view: by the case, else by the look at it."""
        case, looked = self._session.case, self._looked
        stored = () if case is None else case.film(self._session.film_id).proposed
        return stored or (() if looked is None else looked.items)

    @property
    def _said(self) -> frozenset[str]:
        case = self._session.case
        return frozenset() if case is None else answered(case, self._session.film_id)

    @property
    def items(self) -> tuple[ProposedItem, ...]:
        """What is proposed and not answered, the tooth with a file or else in the middle first.

        A walk is never looked at (`_may`): there only what its case was given.
        """
        if not self.all_items:
            return ()
        from wlmeasure.detect.look import SAID

        least = {"root end": SAID["root_end"], "reference point": SAID["reference"]}
        every = self.all_items
        shown = [
            item
            for item in unanswered(every, self._said)
            if item.probability >= least.get(item.kind, SAID.get(item.kind, inf))
        ]
        first = self._first_tooth(every)

        def place(item: ProposedItem) -> tuple[bool, int, int, int]:
            tooth = self.tooth_of(item)
            away = 0 if tooth is None else abs(tooth - first)
            return tooth is None and item.kind != "file", away, tooth or 0, KINDS.index(item.kind)

        return tuple(sorted(shown, key=place))

    def tooth_of(self, item: ProposedItem) -> int | None:
        """Which tooth along the film an item belongs to; a file to that of its canal."""
        if item.kind != "file":
            return item.tooth_number
        return next((one.tooth_number for one in self.all_items if one.label == item.of), None)

    def _first_tooth(self, items: Sequence[ProposedItem]) -> int:
        session = self._session
        case = session.case
        taken = [item for item in items if item.label in self._said and (case is not None)]
        files = [item for item in items if item.kind == "file"]
        for item in (*taken, *files):
            tooth = self.tooth_of(item)
            if tooth is not None:
                return tooth
        graph = session.radiograph
        assert graph is not None
        middle = tuple(np.array(graph.values.shape) / 2.0)
        near = [
            (float(polyline_feet(middle, item.points_px).apart[0]), item.tooth_number)
            for item in items
            if item.kind == "canal" and item.tooth_number is not None
        ]
        return min(near, default=(0.0, 1))[1]

    @property
    def focus(self) -> ProposedItem | None:
        """The item that Enter accepts: none while a tool is in hand, or after Esc."""
        key, session = self._key, self._session
        if key is None or session.tool != "look":
            return None
        items = self.items
        if not items:
            return None
        label = self.asked[0] if self.asked else self._focus.get(key)
        if label is None:
            return None if self._said else items[0]
        return next((item for item in items if item.label == label), None)

    def choose(self, label: str) -> None:
        """Put the item of that label in focus; "" puts the focus away."""
        key = self._key
        if key is not None:
            self._focus[key] = label
        self._session.chosen = None
        self._session.changed.emit()

    def _go_on(self, tooth: int | None) -> None:
        """On to what is left of that tooth; another tooth's is not the person's to be led to."""
        left = [item for item in self.items if tooth is not None and self.tooth_of(item) == tooth]
        self.choose(left[0].label if left else "")

    def go(self, by: int) -> None:
        """The next item, or the one before."""
        items, focus = self.items, self.focus
        if focus is not None:
            self.choose(items[(items.index(focus) + by) % len(items)].label)

    def leave(self) -> bool:
        """Esc: points of the item in focus go back to where they were proposed, or else the focus goes; whether it did."""
        key, focus = self._key, self.focus
        if self.asked:
            self.asked = ()
        elif focus is not None and key is not None:
            if self._mended.pop((key, focus.label), None) is None:
                self._focus[key] = ""
        else:
            return False
        self._session.changed.emit()
        return True

    def choose_near(self, at: Point, within_px: float) -> bool:
        """Put the item in focus that lies nearest to a place, if one lies within that distance; whether one does."""
        near = min(
            ((float(polyline_feet(at, self._line(item)).apart[0]), item.label) for item in self.items),
            default=(inf, ""),
        )
        if near[0] > within_px or self._session.tool != "look":
            return False
        self.choose(near[1])
        return True

    # ---- its points ----------------------------------------------------------------------------------------------

    def mended(self, item: ProposedItem) -> tuple[Point, ...] | None:
        """The points of an item as a person has moved them; None where nobody has."""
        key = self._key
        return None if key is None else self._mended.get((key, item.label))

    def points(self, item: ProposedItem) -> tuple[Point, ...]:
        """The points of an item that can be moved, where they are now."""
        return self.mended(item) or clicks_of(item)

    def _line(self, item: ProposedItem) -> Any:
        return np.concatenate(self.pieces(item))

    def pieces(self, item: ProposedItem) -> list[Any]:
        """An item as lines: as proposed, and straight between points that were moved, until it is traced through them."""
        path, points, proposed = np.asarray(item.points_px), self.points(item), clicks_of(item)
        if self.mended(item) is None or len(path) < 3:
            return [path if self.mended(item) is None else np.asarray(points)]
        at = [int(np.argmin(np.hypot(*(path - point).T))) for point in proposed]
        made = []
        for k in range(len(points) - 1):
            still = points[k] == proposed[k] and points[k + 1] == proposed[k + 1]
            made.append(path[at[k] : at[k + 1] + 1] if still else np.asarray(points[k : k + 2]))
        return made

    def nearest(self, at: Point, within_px: float) -> int | None:
        """Which point of the item in focus lies nearest to a place, if one lies within that distance."""
        focus = self.focus
        if focus is None:
            return None
        near = min((dist(at, point), k) for k, point in enumerate(self.points(focus)))
        return near[1] if near[0] <= within_px else None

    def move(self, index: int, to: Point) -> None:
        """Put a point of the item in focus somewhere else; the item is proposed still.

        Raises
        ------
        WlmeasureError
            That lies outside the film.
        """
        focus, key, graph = self.focus, self._key, self._session.radiograph
        if focus is None or key is None or graph is None:
            return
        check_points([to], graph.values.shape, name="point", least=1)
        points = list(self.points(focus))
        points[index] = (round(float(to[0]), 3), round(float(to[1]), 3))
        self._mended[key, focus.label] = tuple(points)
        self._session.changed.emit()

    # ---- answers -------------------------------------------------------------------------------------------------

    def _begun(self) -> tuple[Case, str, str]:
        """The case with what is proposed in it, and whose word it is and when.

        Raises
        ------
        NeedError
            There is no case, or nobody has said who is working.
        """
        session = self._session
        need(session, "case")
        if not session.walker:
            need(session, "initials", "confirmed")
        assert session.case is not None
        case = with_proposed(session.case, session.film_id, self.all_items)
        return case, datetime.now().replace(microsecond=0).isoformat(), session.walker or session.initials

    def accept(self) -> None:
        """Accept the item in focus; a canal once a person has named it (`name`).

        Raises
        ------
        WlmeasureError
            Something is not there yet: the case, who is working, or the canal that a point belongs to.
        """
        focus = self.focus
        if focus is None:
            return
        if focus.kind == "canal":
            self._begun()
            self.asked = (focus.label,)
            self._session.changed.emit()
        elif focus.kind == "file":
            self._accept_files([focus])
        else:
            self._accept_point(focus)

    def accept_all(self) -> None:
        """Accept every trusted file of the tooth in focus at once, and ask for the names of its trusted canals in turn.

        Root ends come with their canals. No name, length or reference point is accepted so, and nothing of another tooth.

        Raises
        ------
        WlmeasureError
            Something is not there yet, or nothing of the tooth is trusted.
        """
        focus = self.focus
        if focus is None:
            return
        tooth = self.tooth_of(focus)
        mine = [item for item in self.items if item.trusted and self.tooth_of(item) == tooth]
        files, canals = ([item for item in mine if item.kind == kind] for kind in ("file", "canal"))
        if not files and not canals:
            raise CaseError(
                "nothing of this tooth is sure enough to be accepted all at once: look at each, Enter accepts it"
            )
        self._begun()
        self.asked = tuple(item.label for item in canals)
        if files:
            self._accept_files(files)
        else:
            self._session.changed.emit()

    def refuse(self) -> None:
        """The item in focus is none: it is not shown again.

        Raises
        ------
        WlmeasureError
            There is no case yet, or nobody has said who is working.
        """
        focus, session = self.focus, self._session
        if focus is None:
            return
        case, at, by = self._begun()
        tooth = self.tooth_of(focus)
        case = with_refusal(case, session.film_id, focus.label, at=at, by=by)
        session.take_case(case, lambda: self._go_on(tooth))

    def _accept_files(self, items: Sequence[ProposedItem]) -> None:
        session = self._session
        case, at, by = self._begun()
        for item in items:
            file = self._inside(accepted_file(item, self.mended(item), at=at, by=by))
            case = edit.with_scale(case, session.film_id, file)
        tooth = self.tooth_of(items[0])

        def taken() -> None:
            self._go_on(tooth)
            if len(items) == 1:
                session.renew_known_length()  # where it was typed before, for the file of this film

        session.take_case(case, taken)

    def _inside(self, file: PlainFile) -> PlainFile:
        """A shaft that leaves the picture is followed a little beyond it; what is accepted lies on the film."""
        graph = self._session.radiograph
        if graph is None or file.path_px is None:
            return file
        high = np.array(graph.values.shape) - 1.0
        kept = tuple(point for point in file.path_px if np.all((np.array(point) >= 0.0) & (point <= high)))
        return evolve(file, path_px=kept, points_px=(kept[0], kept[-1]))

    def _accept_point(self, item: ProposedItem) -> None:
        session = self._session
        case, at, by = self._begun()
        need(session, "canal", "trace")
        trace = session.trace
        assert trace is not None
        (point,) = self.points(item)
        said = evolve(trace, accepted=(*trace.accepted, Accepted(item=item.label, by=by, at=at)))
        name, tooth = session.canal_name, self.tooth_of(item)
        if item.kind == "root end":
            clicks = (*(said.clicks_px or said.path_px or ())[:-1], point)
            said = said.clicked(clicks)
        else:
            said = evolve(said, reference_px=point)
        session.take_case(edit.with_trace(case, name, said), lambda: self._go_on(tooth), takes_long="Measuring")

    @property
    def names(self) -> tuple[str, ...]:
        """Names that a canal may be given: those of the tooth that are not traced on the film in view."""
        return tuple(name for name in self._every_name() if not self._traced(name))

    def _every_name(self) -> tuple[str, ...]:
        case, tooth = self._session.case, self._session.tooth
        own = [] if case is None else [canal.name for canal in case.canals]
        if self._session.document.is_walk:  # a study asks for its own canals
            return tuple(own)
        return tuple(dict.fromkeys((*(() if tooth is None else tooth.canal_names), *own)))

    def _traced(self, name: str) -> bool:
        case, film = self._session.case, self._session.film_id
        if case is None:
            return False
        return any(trace.film == film for canal in case.canals if canal.name == name for trace in canal.traces)

    def name(self, label: str, text: str) -> None:
        """Accept the canal of that label, which waits for its name, under the name; usual ones may be typed in small letters.

        Raises
        ------
        WlmeasureError
            No name, or that of a canal that is traced on the film already; the canal is proposed still.
        """
        session = self._session
        item = self.is_asked()
        if item is None or item.label != label:
            raise CaseError(f"{label} must be asked for before it is named: choose it and press Enter")
        case, at, by = self._begun()
        typed = text.strip()
        if not typed:
            raise CaseError(f"name must be typed, such as {', '.join(self.names) or 'MB'}: which canal is it?")
        name = next((one for one in self._every_name() if one.casefold() == typed.casefold()), typed)
        if self._traced(name):
            raise CaseError(f"name must be that of another canal: {name} is traced on this film already")
        if all(canal.name != name for canal in case.canals):
            case = edit.with_canal(case, name)
        trace = accepted_canal(item, self.mended(item), session.film_id, session.apical_end, at=at, by=by)
        tooth = self.tooth_of(item)

        def taken() -> None:
            self.asked = self.asked[1:]
            session.choose_canal(name)
            self._go_on(tooth)

        session.take_case(edit.with_trace(case, name, trace), taken, takes_long="Measuring the canal")

    def is_asked(self) -> ProposedItem | None:
        """The canal whose name is asked for, of the film in view."""
        case = self._session.case
        if not self.asked or case is None:
            return None
        return next((item for item in self.items if item.label == self.asked[0]), None)


def upper_proposed(session: Session, file: PlainFile) -> Literal["stop", "unseen", "unsure"]:
    """What was proposed of the upper end of a file that was accepted: a stop in the picture, none, or none that is sure."""
    items = {item.label: item for item in session.first.all_items}
    item = items.get(file.accepted[0].item)
    if item is None:
        return "unsure"
    ends = [one for one in items.values() if one.kind == "upper end" and one.of == item.label]
    if item.begins == "seen" and ends and ends[0].trusted:
        return "stop"
    return "unsure" if item.begins == "seen" else "unseen"
