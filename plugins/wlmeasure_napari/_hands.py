"""What the hands do, with the mouse on the film or with keys anywhere in the window, becomes steps of the session. No Qt."""

from __future__ import annotations

from collections.abc import Callable, Generator
from typing import Any
from weakref import proxy

from napari.components import ViewerModel

from wlmeasure.record.draft import GAUGE_KEYS
from wlmeasure_napari._entries import begin_file, begin_gauge, enter_draft
from wlmeasure_napari._layers import Layers
from wlmeasure_napari._needs import need
from wlmeasure_napari._session import Session

__all__ = ["KEYS", "Hands"]

NEAR_SCREEN_PX = 9.0  # how near the cursor must be to take hold of a point
BESIDE_SCREEN_PX = 14.0  # how near a proposal a click must be to choose it
STILL_SCREEN_PX = 4.0  # a press that moves less is a click, not a drag of the view
NUDGE_PX = 0.25

KEYS = (
    ("S", "scale: click the file's stop, then its tip; where the stop is not seen say so under Scale"),
    ("F", "find the file by itself; Enter accepts what is found"),
    ("T", "trace the canal: click orifice, canal, apical end; with the tool in hand T places a point at the cursor"),
    ("Enter", "accept: what is placed, or else the proposal in focus (a canal after you have named it)"),
    ("arrow keys, click", "with no point chosen: the next proposal on the film, or the one that is clicked"),
    ("A", "accept all that is sure of the tooth in focus; each of its canals asks for its name"),
    ("Delete", "refuse the proposal in focus"),
    ("R", "click the coronal reference point"),
    ("N, Enter", "the next shaping file reached working length"),
    ("G, then S L H P", "the gauge of that size sat snug, loose, sHort of length, or went past"),
    ("Esc", "put the tool away, or the proposals"),
    ("Ctrl+Z / Ctrl+Y", "undo, redo"),
    ("arrow keys", "move the chosen point by a quarter pixel, as the film is seen"),
    ("Ctrl+D", "delete the chosen point"),
    ("Ctrl+click", "one more point on the canal of the chosen point"),
    ("Page Down, Page Up", "the next canal of the tooth, the one before"),
    ("Ctrl+S", "save the case"),
    ("0 to 9", "with no tool in hand: a reading of the canal in hand; go on typing, Enter records it"),
    ("Ctrl+O", "open a film"),
    ("C", "local contrast on the picture, on or off; never on what is measured"),
    ("W", "the working length as large as the window, for the far side of the chair; W or Esc puts it away"),
    ("?", "this list"),
    ("V", "the viewer's own panels, shown or hidden"),
    ("Tab", "from the film into the dock; Enter or Esc in a field goes back to the film; Space opens a drop-down"),
)


class Hands:
    """Connects one viewer's canvas to one session while the dock is open.

    Attributes
    ----------
    keys
        What each key does; the window hands them over whatever in it has the focus, but for text that is being typed.
    """

    def __init__(self, viewer: ViewerModel, session: Session, layers: Layers) -> None:
        self._viewer: ViewerModel = proxy(viewer)  # a seat must not keep its viewer alive
        self._session = session
        self._layers = layers
        self._inside = True
        self.keys: dict[str, Callable[[], None]] = {
            "S": lambda: self._do(lambda: self._key("s")),
            "L": lambda: self._do(lambda: self._key("l")),
            "H": lambda: self._do(lambda: self._key("h")),
            "P": lambda: self._do(lambda: self._key("p")),
            "N": lambda: self._do(lambda: begin_file(session)),
            "G": lambda: self._do(lambda: begin_gauge(session)),
            "F": lambda: self._do(session.find_file),
            "T": self._trace_key,
            "Enter": self._enter_key,
            "R": lambda: self._do(lambda: session.take("reference")),
            "A": lambda: self._do(lambda: session.first.accept_all()),
            "Del": lambda: self._do(lambda: session.first.refuse()),
            "Esc": lambda: session.do("canvas", self._escape),
            "Ctrl+Z": lambda: self._do(session.undo),
            "Ctrl+Y": lambda: self._do(session.redo),
            "Ctrl+D": lambda: self._do(session.delete_chosen),
            "Up": lambda: self._arrow(-NUDGE_PX, 0.0),
            "Down": lambda: self._arrow(NUDGE_PX, 0.0),
            "Left": lambda: self._arrow(0.0, -NUDGE_PX),
            "Right": lambda: self._arrow(0.0, NUDGE_PX),
            "C": self._contrast,
            "PageDown": lambda: session.do("canal", lambda: session.go_to_canal(1)),
            "PageUp": lambda: session.do("canal", lambda: session.go_to_canal(-1)),
        }

    def connect(self) -> None:
        """Take the mouse."""
        if self._on_press not in self._viewer.mouse_drag_callbacks:
            self._viewer.mouse_drag_callbacks.append(self._on_press)
            self._viewer.mouse_move_callbacks.append(self._on_move)

    def disconnect(self) -> None:
        """Give the mouse back to the viewer."""
        if self._on_press in self._viewer.mouse_drag_callbacks:
            self._viewer.mouse_drag_callbacks.remove(self._on_press)
            self._viewer.mouse_move_callbacks.remove(self._on_move)

    def _do(self, step: Callable[[], None]) -> None:
        """A step on the film; none while a question stands, which may be about another patient's film."""

        def answered() -> None:
            need(self._session, "answered")
            step()

        self._session.do("canvas", answered)

    def _key(self, key: str) -> None:
        """S, L, H and P say how a gauge sat while one is offered; else S takes the tool for the scale."""
        draft = self._session.draft
        if draft is not None and draft.kind == "apical gauging":
            enter_draft(self._session, GAUGE_KEYS[key])
        elif key == "s":
            self._session.take("file")

    def _enter_key(self) -> None:
        """While a question stands and nothing is placed, Enter asks for nothing: the line says already what comes next."""
        if self._session.question is None or self._session.tool != "look":
            self._do(self._accept)

    def _accept(self) -> None:
        if self._session.draft is not None:
            enter_draft(self._session)
        elif self._session.first.focus is not None:
            self._session.first.accept()
        else:
            self._session.accept()

    def _escape(self) -> None:
        if self._session.tool != "look" or self._session.draft is not None or not self._session.first.leave():
            self._session.cancel()

    def _arrow(self, rows: float, cols: float) -> None:
        """The chosen point moves; where none is, the focus goes to the next proposal or the one before."""
        if self._session.chosen is None:
            self._do(lambda: self._session.first.go(1 if rows + cols > 0.0 else -1))
        else:
            self._nudge(rows, cols)

    def _nudge(self, rows: float, cols: float) -> None:
        """Up is up on the screen, however the film lies."""
        self._do(lambda: self._session.move_chosen(*self._layers.seen_to_film(rows, cols)))

    def _contrast(self) -> None:
        """For the eye alone: it is no step, and nothing keeps it from being looked at."""
        self._layers.enhanced = not self._layers.enhanced
        self._session.changed.emit()

    def _trace_key(self) -> None:
        session, at = self._session, self._session.cursor  # where the cursor is now, and not when a running job is done

        def step() -> None:
            if session.tool in ("canal", "file") and at is not None:
                session.click(at)
            else:
                session.take("canal")

        self._do(step)

    def pointer(self, inside: bool) -> None:
        """Whether the pointer is over the film."""
        left, self._inside = self._inside and not inside, inside
        if left:
            self._session.leave()

    def _on_move(self, _viewer: ViewerModel, event: Any) -> None:
        at = self._layers.to_pixel(event.position)
        if at is not None and self._inside:  # the viewer passes a move on when it comes to it: the pointer may be gone
            self._session.hover(at)

    def _on_press(self, _viewer: ViewerModel, event: Any) -> Generator[None, None, None]:
        at = self._layers.to_pixel(event.position)
        if at is None or event.button != 1:
            return
        session = self._session
        looking = session.tool == "look" and not session.busy and session.question is None
        handle = session.nearest(at, self._layers.pixels(NEAR_SCREEN_PX)) if looking else None
        if handle is not None:
            yield from self._drag(lambda: session.choose(handle), lambda to: session.move(handle, to), at, event)
            return
        mark = session.first.nearest(at, self._layers.pixels(NEAR_SCREEN_PX)) if looking else None
        if mark is not None:
            yield from self._drag(lambda: None, lambda to: session.first.move(mark, to), at, event)
            return
        moved = False
        yield
        while event.type == "mouse_move":
            now = self._layers.to_pixel(event.position)
            moved = moved or now is None or self._far(at, now)
            yield
        if moved:
            return
        if (
            "Control" in event.modifiers
            and session.tool == "look"
            and session.chosen is not None
            and session.chosen.canal
        ):
            canal = session.chosen.canal
            self._do(lambda: session.insert(canal, at))
        else:
            self._do_click(at)

    def _do_click(self, at: tuple[float, float]) -> None:
        def step() -> None:
            if self._session.tool != "look":
                need(self._session, "answered")
            elif self._session.first.choose_near(at, self._layers.pixels(BESIDE_SCREEN_PX)):
                return
            self._session.click(at)

        self._session.do("canvas", step)

    def _far(self, one: tuple[float, float], other: tuple[float, float]) -> bool:
        limit = self._layers.pixels(STILL_SCREEN_PX)
        return abs(one[0] - other[0]) > limit or abs(one[1] - other[1]) > limit

    def _drag(
        self,
        choose: Callable[[], None],
        move: Callable[[tuple[float, float]], None],
        start: tuple[float, float],
        event: Any,
    ) -> Generator[None, None, None]:
        """Choose a point, and move it if the mouse moves; the view stays still meanwhile."""
        session = self._session
        self._viewer.scene.camera.mouse_pan = False
        try:
            choose()
            to = None
            yield
            while event.type == "mouse_move":
                now = self._layers.to_pixel(event.position)
                if now is not None and (to is not None or self._far(start, now)):
                    to = now
                    session.hover(now)
                yield
            if to is not None:
                end = to
                self._do(lambda: move(end))
        finally:
            self._viewer.scene.camera.mouse_pan = True
