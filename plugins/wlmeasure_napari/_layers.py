"""What the viewer shows of a session: layers rebuilt from the case, so that deleting one loses nothing."""

from __future__ import annotations

from itertools import pairwise
from typing import Any
from weakref import proxy

import numpy as np
from napari.components import ViewerModel
from napari.layers import Image
from psygnal import Signal

from wlmeasure.image.display import local_contrast
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.image.view import View, from_view, view_affine, view_words
from wlmeasure.record.case import SUFFIX
from wlmeasure.share.figures import CANAL_COLOURS, FILE_COLOUR, canal_colours
from wlmeasure.trace.spline import arc_length
from wlmeasure_napari._glance import STOP, glances
from wlmeasure_napari._names import apical_boxes, place_names
from wlmeasure_napari._offer import is_film
from wlmeasure_napari._session import Session

__all__ = [
    "CANAL_SHARE",
    "FILE_COLOUR",
    "Layers",
    "canal_colour",
    "measured_lines",
    "pictured",
]

PENDING_COLOUR = "#f0e442"
CHOSEN_COLOUR = "#ffffff"
FILM, EARLIER, LINES, POINTS = "film", "earlier film", "measured", "points"
PROPOSED, FOCUS, MARKS, NAMES = "proposed", "in focus", "proposed points", "names"
STACK = (FILM, EARLIER, PROPOSED, FOCUS, LINES, NAMES, MARKS, POINTS)  # from the bottom
DELETED = "The film and what is measured on it are shown from the case: a layer of theirs that is deleted comes back."
MODE = "The film stays as it lies: the viewer's own modes, which move it or draw on it, are put back."
FOREIGN = "An image of another program lies beneath the film: what is measured is measured on the film alone."
REORDERED = "The film lies beneath what is measured on it: its layers are kept in that order."
# Widths as shares of the film's longer side, so that they are seen on the whole film. The file is the widest and shows on both
# sides of a canal that lies on it. A canal keeps its colour in hand or not, so the one in hand is the wider one.
FILE_SHARE, IN_HAND_SHARE, CANAL_SHARE = 1 / 150, 1 / 250, 1 / 420
PAN = "pan_zoom"
MARGIN = 0.05  # about a film that is shown whole
LABEL_PT = 12
LETTER_PX = (
    26.0,
    12.5,
)  # height of a line of such letters on the screen, and width of the widest usual name by its letters
MARK_PX = 8.0  # of a point that can be taken hold of, on the screen
HALO, RING_PX = "#000000", 1.5
RING = tuple((float(down), float(right)) for down in (-1, 0, 1) for right in (-1, 0, 1) if (down, right) != (0, 0))
CLEAR_MM = 3.0  # of a canal's end: no name may cover it
FILM_MM = 40.0  # longer side of a usual film, where there is no scale (our parameter)
# What is proposed is thin, dashed and hollow; what is in focus is thicker, dashed still, and has its name beside an arrow.
PROPOSED_SHARE, FOCUS_SHARE = 1 / 550, 1 / 260
SURE_DASH, DOUBTED_DASH = (
    (1 / 80, 1 / 130),
    (1 / 220, 1 / 110),
)  # drawn and left out; trusted, and to be looked at twice
ARROW = "\N{BLACK RIGHT-POINTING TRIANGLE}"
DASH = 16  # points of a path from one dash to the next: 0.4 mm


def pictured(radiograph: Radiograph, *, enhanced: bool) -> Any:
    """A film as it is shown, 8 bits."""
    picture = radiograph.displayed()
    return local_contrast(picture) if enhanced else picture


def measured_lines(session: Session, film_id: str) -> tuple[list[Any], list[str], list[float]]:
    """What is measured on one film: paths in pixels, with their colours and widths in pixels."""
    paths: list[Any] = []
    colours: list[str] = []
    widths: list[float] = []
    result = session.result
    if result is None:
        return paths, colours, widths
    film = next(film for film in result.films if film.film.id == film_id)
    line = float(max(film.radiograph.values.shape))
    known = [] if film.calibration is None else [line.path_px for line in film.calibration.lines]
    for path in [*known, *(file.path_px for file in film.unscaled_files)]:
        paths.append(np.asarray(path))
        colours.append(FILE_COLOUR)
        widths.append(FILE_SHARE * line)
    for canal in result.canals:
        for trace in canal.traces:
            if trace.trace.film == film_id:
                drawn = [path for piece, seen in trace.pieces for path in _dashed(piece, seen)]
                paths += drawn
                colours += [canal_colour(session, canal.canal.name)] * len(drawn)
                share = IN_HAND_SHARE if canal.canal.name == session.canal_name else CANAL_SHARE
                widths += [share * line] * len(drawn)
    return paths, colours, widths


def canal_colour(session: Session, name: str) -> str:
    """The one colour of a canal in a case, as report and cards have it."""
    return CANAL_COLOURS[0] if session.result is None else canal_colours(session.result).get(name, CANAL_COLOURS[0])


def _dashed(piece: Any, seen: bool) -> list[Any]:
    """A piece of a path as lines: whole where the canal is seen, dashes where nothing stands out."""
    if seen or len(piece) < DASH:
        return [piece]
    return [piece[k : k + DASH // 2 + 1] for k in range(0, len(piece) - 1, DASH)]


def dashes(path: Any, drawn: float, left_out: float) -> Any:
    """A line as dashes, each of straight steps (N, 2, 2): where it begins, and how far it goes."""
    line = np.asarray(path, np.float64)
    along = arc_length(line)
    if len(line) < 2 or along[-1] <= 0.0:
        return np.zeros((0, 2, 2))
    made = []
    for start in np.arange(0.0, along[-1], drawn + left_out):
        end = min(start + drawn, along[-1])
        at = np.concatenate([[start], along[(along > start) & (along < end)], [end]])
        points = np.column_stack([np.interp(at, along, line[:, axis]) for axis in (0, 1)])
        made.append(np.stack([points[:-1], np.diff(points, axis=0)], axis=1))
    return np.concatenate(made)


class Layers:
    """The layers of one session on one viewer: the film in view, the measured lines, the points.

    They are locked, so that the viewer's own button does not delete them. One that is deleted all the same, or put out of
    order, is made up for by the next `refresh`.

    Signals
    -------
    disturbed
        (words): a person has deleted a layer of ours, laid them in another order, laid an image on them or turned a mode on.
    brought
        (layer): a layer that came from a file of ours, by the viewer's own ways to open one.
    """

    disturbed = Signal(str)
    brought = Signal(object)

    def __init__(self, viewer: ViewerModel, session: Session) -> None:
        self._viewer: ViewerModel = proxy(viewer)  # a seat must not keep its viewer alive
        self._ours: dict[str, Any] = {}  # by our own names, whatever a person calls them
        self._guarded = [self._ours]
        self._session = session
        self._shown: tuple[str, bool, bool] | None = None
        self._names: tuple[tuple[str, Any, str], ...] = ()  # words, place (row, col) on the film, colour
        self._marks: list[Any] = []  # points (row, col) that no name may cover
        self._dashed: tuple[Any, ...] | None = None  # what of the proposals is shown as it is now
        self.enhanced = False  # local contrast, for the eye alone
        self.inverted = False
        self.labelled = False  # whether canals are named on the film, with the stop that was decided
        self.faded = 0.5  # opacity of the earlier film over this one
        self._adding = self._ordering = False
        self._view = View()  # of the film when it was last shown
        self._said = ""
        viewer.layers.events.inserted.connect(self._on_inserted)
        viewer.layers.events.removed.connect(self._on_removed)
        viewer.layers.events.reordered.connect(self._on_reordered)
        viewer.scene.camera.events.zoom.connect(self._on_zoom)

    def guard(self, ours: dict[str, Any]) -> None:
        """More layers that are missed when a person deletes them; who takes one away forgets it here first."""
        self._guarded.append(ours)

    def add_image(self, picture: Any, **members: Any) -> Any:
        """An image layer of ours: one that comes in any other way is somebody else's."""
        self._adding = True
        try:
            return self._viewer.add_image(picture, **members)
        finally:
            self._adding = False

    def _on_inserted(self, event: Any) -> None:
        layer = event.value
        path = layer.source.path
        if self._adding:
            return
        if path is not None and (str(path).endswith(SUFFIX) or (isinstance(layer, Image) and is_film(path))):
            self.brought.emit(layer)
        elif isinstance(layer, Image) and self.film_layer() is not None:
            self.disturbed.emit(FOREIGN)

    def _over_film(self) -> list[Any]:
        """Images of somebody else's that hide the film."""
        film = self.film_layer()
        if film is None:
            return []
        ours = [layer for known in self._guarded for layer in known.values()]
        layers = list(self._viewer.layers)
        above = layers[layers.index(film) + 1 :]
        return [layer for layer in above if isinstance(layer, Image) and all(layer is not one for one in ours)]

    def _on_mode(self, event: Any) -> None:
        if str(event.source.mode) != PAN:
            self.disturbed.emit(MODE)

    def _on_removed(self, event: Any) -> None:
        if any(event.value is layer for ours in self._guarded for layer in ours.values()):
            self.disturbed.emit(DELETED)

    def _on_zoom(self, _event: Any = None) -> None:
        if self._names:
            self._place_names()

    def _on_reordered(self, _event: Any = None) -> None:
        if not self._ordering and not self._in_order():
            self.disturbed.emit(REORDERED)

    def _stack(self) -> list[Any]:
        """Ours that are there, from the bottom."""
        return [layer for name in STACK if (layer := self._mine(name)) is not None]

    def _in_order(self) -> bool:
        places = [self._viewer.layers.index(layer) for layer in self._stack()]
        return places == sorted(places) and not self._over_film()

    def _put_in_order(self) -> None:
        """Each above the one that it must be seen on; what a person has put between or over them stays there."""
        self._ordering = True
        try:
            self._order()
        finally:
            self._ordering = False

    def _order(self) -> None:
        layers = self._viewer.layers
        for layer in self._over_film():
            # The viewer gives up units altogether where two layers have different ones.
            layer.scale, layer.units = self.film_layer().scale, self.film_layer().units
            layers.move(layers.index(layer), 0)
        for below, above in pairwise(self._stack()):
            if layers.index(above) < layers.index(below):
                layers.move(layers.index(above), layers.index(below) + 1)

    def film_layer(self) -> Any:
        """The image layer of the film in view, or None."""
        return self._mine(FILM)

    def points_layer(self) -> Any:
        """The layer of the points that can be taken hold of, or None."""
        return self._mine(POINTS)

    def seen(self, on: bool) -> None:
        """Show our layers, or put them out of sight as they are."""
        for name in self._ours:
            layer = self._mine(name)
            if layer is not None:
                layer.visible = on

    def _mine(self, name: str) -> Any:
        layer = self._ours.get(name)
        return layer if layer in self._viewer.layers else None

    def to_pixel(self, world: tuple[float, ...]) -> tuple[float, float] | None:
        """A place on the canvas in pixels (row, col) of the film; None without a film, or while the view is in 3-D."""
        layer = self.film_layer()
        if layer is None or self._viewer.dims.ndisplay != 2:
            return None
        row, col = layer.world_to_data(world)[-2:]
        return float(row), float(col)

    def seen_to_film(self, rows: float, cols: float) -> tuple[float, float]:
        """A step down and to the right as the film is seen, in pixels of the film as it is stored."""
        end, start = from_view([(rows, cols), (0.0, 0.0)], (1, 1), self.view)
        return float(end[0] - start[0]), float(end[1] - start[1])

    @property
    def view(self) -> View:
        """How the film in view is laid before the eye."""
        case = self._session.case
        return View() if case is None else case.film(self._session.film_id).shown_as

    @property
    def words(self) -> str:
        """What the picture is that the file is not: turned, mirrored, with local contrast, inverted."""
        more = ("local contrast" if self.enhanced else "", "inverted" if self.inverted else "")
        return ", ".join(word for word in (view_words(self.view), *more) if word)

    def pixels(self, screen: float) -> float:
        """How many film pixels that many screen pixels are, at the present zoom."""
        layer = self.film_layer()
        return screen / (self._viewer.scene.camera.zoom * float(max(layer.scale[-2:]))) if layer is not None else screen

    def refresh(self) -> None:
        """Show the case as it is now; a film means nothing in 3-D and is made up for when the view comes back."""
        if self._session.radiograph is None:
            self._remove_all()
            return
        if self._viewer.dims.ndisplay != 2:
            return
        self._show_film()
        self._show_earlier()
        self._show_lines()
        self._show_points()
        self._show_proposed()
        self._show_names()
        self._say_how_shown()
        if not self._in_order():
            self._put_in_order()
        for layer in self._ours.values():
            layer.locked = True
            if str(layer.mode) != PAN:
                layer.mode = PAN
        if self._session.tool != "look":  # no point is placed on what is not seen
            for name in (FILM, POINTS):
                self._ours[name].visible = True
        # Points and shapes have keys of their own, which come before the viewer's; the film has none of ours.
        self._viewer.layers.selection.active = self.film_layer()

    def _remove_all(self) -> None:
        """No film in hand: nothing of the last one stays to be seen."""
        gone = [self._mine(name) for name in self._ours]
        self._ours.clear()
        self._shown = None
        self._say_how_shown()
        for layer in gone:
            if layer is not None:
                self._viewer.layers.remove(layer)

    def _say_how_shown(self) -> None:
        """On the picture itself, so that no screenshot goes without the words."""
        if self._viewer.dims.ndisplay != 2:
            return  # the text is that of the view in 3-D
        words = self.words if self.film_layer() is not None else ""
        overlay = self._viewer.canvas.overlays.text
        if words:
            overlay.text, overlay.position, overlay.visible = words, "top_left", True
        elif self._said:
            overlay.text, overlay.visible = "", False
        self._said = words

    def _frame(self) -> dict[str, Any]:
        """Scale, place and unit that all layers share: millimetres once there is a scale, else square-looking pixels."""
        film, graph = self._session.film, self._session.radiograph
        if film is not None and film.calibration is not None:
            scale, unit = film.calibration.mm_per_px, "mm"
        else:
            ratio = 1.0 if graph is None else graph.col_over_row
            scale, unit = (1.0, ratio if film is None else film.col_over_row), "pixel"
        shape = (1, 1) if graph is None else (graph.rows, graph.cols)
        return {"scale": scale, "units": (unit, unit), "affine": view_affine(shape, scale, self.view)}

    def _set_frame(self, layer: Any) -> None:
        frame = self._frame()
        if tuple(layer.scale) != tuple(frame["scale"]):
            layer.scale = frame["scale"]
        if not np.array_equal(layer.affine.affine_matrix, frame["affine"]):
            layer.affine = frame["affine"]
        layer.units = frame["units"]

    def _show_film(self) -> None:
        radiograph = self._session.radiograph
        assert radiograph is not None
        wanted = (radiograph.sha256, radiograph.bright_is_dense, self.enhanced)
        before = None if self._shown is None else self._shown[0]
        camera = self._viewer.scene.camera
        center, zoom, view = tuple(camera.center), float(camera.zoom), self.view
        layer = self.film_layer()
        restored = layer is None and before is not None
        if layer is None or wanted != self._shown:
            # At full depth, so that a person's own window finds more greys in it, and not the same ones further apart.
            picture, limits = radiograph.at_full_depth()
            if self.enhanced:
                picture, limits = pictured(radiograph, enhanced=True), (0.0, 255.0)
            if layer is None:
                layer = self._ours[FILM] = self.add_image(picture, name=FILM, contrast_limits=limits, **self._frame())
                layer.events.mode.connect(self._on_mode)
                self._to_bottom(layer)
            else:
                layer.data = picture
            layer.contrast_limits_range = min(float(picture.min()), limits[0]), max(float(picture.max()), limits[1])
            layer.contrast_limits = limits
            self._shown = wanted
        layer.colormap = "gray_r" if self.inverted else "gray"
        framed, middle = (tuple(layer.scale[-2:]), layer.units), layer.world_to_data(center[-2:])
        # All at once: the viewer draws whenever a layer comes or goes, and complains of two units that it then finds.
        for one in self._stack():
            self._set_frame(one)
        turned, self._view = view != self._view, view
        if before is None:
            self._viewer.reset_view()
        elif before != radiograph.sha256:
            case = self._session.case
            same_case = case is not None and any(film.sha256 == before for film in case.films)
            self.look_at_end(zoom if same_case and framed[1] == layer.units else 0.0)
        elif restored:  # the viewer shows a first layer whole
            camera.center, camera.zoom = center, zoom
        elif turned:  # a film that lies otherwise is looked at anew
            self._viewer.reset_view(margin=MARGIN, layers=[layer])
        else:
            self._keep_view(middle, framed[0], tuple(layer.scale[-2:]))

    def look_at_end(self, zoom: float) -> None:
        """Bring the apical end of the canal in hand into view, as near as `zoom`; the whole film if it is not traced there."""
        layer, trace = self.film_layer(), self._session.trace
        if layer is None:
            return
        self._viewer.reset_view(margin=MARGIN, layers=[layer])
        camera = self._viewer.scene.camera
        points = () if trace is None else trace.clicks_px or trace.path_px or ()
        if points and zoom > camera.zoom / (1.0 - MARGIN):
            low, high = (np.asarray(corner)[-2:] for corner in layer.extent.world)
            half = 0.5 * (high - low) * camera.zoom / (1.0 - MARGIN) / zoom  # of the canvas, at least
            end = np.clip(
                layer.data_to_world(points[-1])[-2:], low + half, high - half
            )  # no more beside the film than needed
            camera.zoom = zoom
            camera.center = (*camera.center[:-2], *end)

    def _show_earlier(self) -> None:
        """The earlier film, laid on this one, as long as its marks are looked at; `faded` says how much of it is seen."""
        carried = self._session.carried
        layer = self._mine(EARLIER)
        if carried is None:
            self._ours.pop(EARLIER, None)
            if layer is not None:
                self._viewer.layers.remove(layer)
            return
        if layer is None:
            layer = self._ours[EARLIER] = self.add_image(
                carried.picture, name=EARLIER, contrast_limits=(0, 255), **self._frame()
            )
            at = self._viewer.layers.index(layer)
            if at > 1:
                self._viewer.layers.move(at, 1)  # over the film, under lines and points
        elif layer.data is not carried.picture:
            layer.data = carried.picture
        layer.colormap = "gray_r" if self.inverted else "gray"
        layer.opacity = self.faded
        self._set_frame(layer)

    def fade(self, share: float) -> None:
        """How much of the earlier film is seen, 0 to 1."""
        self.faded = share
        layer = self._mine(EARLIER)
        if layer is not None:
            layer.opacity = share

    def _keep_view(self, middle: Any, before: tuple[float, ...], now: tuple[float, ...]) -> None:
        """When pixels become millimetres the same place stays in view at the same size."""
        if before == now:
            return
        camera = self._viewer.scene.camera
        camera.center = (*camera.center[:-2], *self.film_layer().data_to_world(middle)[-2:])
        camera.zoom *= before[0] / now[0]

    def _to_bottom(self, layer: Any) -> None:
        at = self._viewer.layers.index(layer)
        if at:
            self._viewer.layers.move(at, 0)

    def _layer(self, name: str, make: Any) -> Any:
        if self._mine(name) is None:
            self._ours[name] = make(name=name, **self._frame())
        return self._ours[name]

    def _show_lines(self) -> None:
        layer = self._layer(LINES, self._viewer.add_shapes)
        self._set_frame(layer)
        paths, colours, widths = measured_lines(self._session, self._session.film_id)
        layer.data = []
        if paths:
            # Lines of equal height are drawn in no order at all, and flicker where they cross.
            heights = [int(colour != FILE_COLOUR) for colour in colours]
            layer.add_paths(paths, edge_color=colours, edge_width=widths, z_index=heights)
            layer.opacity = 1.0
        layer.editable = False  # new data make it editable again

    def _show_points(self) -> None:
        layer = self._layer(POINTS, self._viewer.add_points)
        self._set_frame(layer)
        session = self._session
        handles = session.handles()
        proposed = [] if session.carried is None else session.carried.reference
        pending = [*session.pending, *proposed]
        points = [point for _, point in handles] + pending
        colours = [
            CHOSEN_COLOUR
            if handle == session.chosen
            else FILE_COLOUR
            if handle.role in ("scale", "rest")
            else canal_colour(session, handle.canal)
            for handle, _ in handles
        ] + [PENDING_COLOUR] * len(pending)
        symbols = ["disc"] * len(points)
        trace = session.trace_result
        if trace is not None and trace.sharpest_px is not None:  # a mark, no handle
            points.append(trace.sharpest_px)
            colours.append(canal_colour(session, session.canal_name))
            symbols.append("diamond")
        layer.data = np.array(points, dtype=float).reshape(-1, 2)
        layer.selected_data = set()
        if points:
            radiograph = session.radiograph
            assert radiograph is not None
            usual = max(radiograph.values.shape) / 110.0
            layer.size = [1.8 * usual if symbol == "diamond" else usual for symbol in symbols]
            layer.border_color = colours
            layer.face_color = "transparent"
            layer.border_width = 0.18
            layer.symbol = symbols
        layer.editable = False

    def _show_proposed(self) -> None:
        """What a network proposes on the film in view; nothing of it is there where nothing is."""
        first, graph = self._session.first, self._session.radiograph
        items = first.items
        if not items or graph is None:
            for name in (PROPOSED, FOCUS, MARKS):
                self._drop(name)
            self._dashed = None
            return
        now = (
            *(graph.sha256, graph.frame, None if first.focus is None else first.focus.label),
            *((item.label, first.mended(item)) for item in items),
        )
        if now == self._dashed and self._mine(MARKS) is not None:
            for name in (PROPOSED, FOCUS, MARKS):
                if self._mine(name) is not None:
                    self._set_frame(self._mine(name))
            return
        self._dashed = now
        longest, focus = float(max(graph.values.shape)), first.focus
        lines: dict[str, list[tuple[Any, str]]] = {PROPOSED: [], FOCUS: []}
        marks: list[tuple[Any, str, str, float]] = []  # place, colour, sign, size
        for item in items:
            dash = SURE_DASH if item.trusted else DOUBTED_DASH
            colour = {"file": FILE_COLOUR, "canal": CANAL_COLOURS[0]}.get(item.kind, CHOSEN_COLOUR)
            if len(item.points_px) > 1:
                pieces = [dashes(piece, *(share * longest for share in dash)) for piece in first.pieces(item)]
                lines[FOCUS if item is focus else PROPOSED] += [(piece, colour) for piece in pieces]
            points = first.points(item)
            sign = "diamond" if item.kind == "reference point" else "disc"
            size = longest / (80.0 if item is focus else 150.0)
            shown = points if item is focus else dict.fromkeys((points[0], points[-1]))
            marks += [(point, colour, sign, size) for point in shown]
        for name, drawn in lines.items():
            self._show_dashes(name, drawn, longest * (FOCUS_SHARE if name == FOCUS else PROPOSED_SHARE))
        layer = self._layer(MARKS, self._viewer.add_points)
        self._set_frame(layer)
        layer.data = np.array([mark[0] for mark in marks], dtype=float).reshape(-1, 2)
        layer.selected_data = set()
        layer.size = [mark[3] for mark in marks]
        layer.border_color = [mark[1] for mark in marks]
        layer.face_color = "transparent"
        layer.border_width = 0.12
        layer.symbol = [mark[2] for mark in marks]
        layer.editable = False

    def _show_dashes(self, name: str, drawn: list[tuple[Any, str]], width: float) -> None:
        """A new layer each time that something else is shown: the viewer's vectors do not take another number of them."""
        steps = np.concatenate([piece for piece, _ in drawn]) if drawn else np.zeros((0, 2, 2))
        self._drop(name)
        if len(steps):
            colours = [colour for piece, colour in drawn for _ in range(len(piece))]
            self._ours[name] = self._viewer.add_vectors(
                steps, name=name, vector_style="line", edge_color=colours, edge_width=width, **self._frame()
            )

    def _drop(self, name: str) -> None:
        layer = self._mine(name)
        self._ours.pop(name, None)
        if layer is not None:
            self._viewer.layers.remove(layer)

    def _show_names(self) -> None:
        """Canals beside their reference points, or else their first clicks, each with the stop that somebody has decided.

        What of the proposals is in focus has its words beyond its apical end, where a film is darker than about a crown.
        """
        session, names = self._session, []
        if self.labelled:
            handles = session.handles()
            for glance in glances(session.result, session.facts):
                own = [(handle.role, point) for handle, point in handles if handle.canal == glance.canal]
                marked = [point for role, point in own if role == "reference"] or [point for _, point in own]
                if marked:
                    number = f"{STOP} {glance.number}" if glance.decided and glance.number else ""
                    said = ", ".join(text for text in (number, glance.word if glance.state == "again" else "") if text)
                    names.append((f"{glance.canal}  {said}".strip(), marked[0], "white"))
        focus, graph = session.first.focus, session.radiograph
        if focus is not None and graph is not None:
            points = session.first.points(focus)
            beyond = max(graph.values.shape) / 40.0 * (-1.0 if points[-1][0] < points[0][0] else 1.0)
            end = (points[-1][0] + beyond, points[-1][1])
            names.append((f"{ARROW} {focus.label}, {'sure' if focus.trusted else 'look twice'}", end, PENDING_COLOUR))
        self._names = tuple(names)
        items = [point for item in session.first.items for point in session.first.points(item)]
        self._marks = [*(point for _, point in session.handles()), *session.pending, *items]
        self._place_names()

    def _ends_of_canals(self) -> list[Any]:
        """The lines of all canals on the film in view, traced and proposed."""
        session = self._session
        traced = [] if session.result is None else [t for c in session.result.canals for t in c.traces]
        lines = [trace.path.path_px for trace in traced if trace.trace.film == session.film_id]
        proposed = [
            piece for item in session.first.items if item.kind == "canal" for piece in session.first.pieces(item)[-1:]
        ]
        return [np.asarray(line, np.float64) for line in (*lines, *proposed) if len(line) > 1]

    def _place_names(self) -> None:
        """Put the names where they cover no other and no apical end at the present zoom; their letters keep their size."""
        film = self.film_layer()
        if film is None or self._viewer.dims.ndisplay != 2 or not (self._names or self._mine(NAMES)):
            return
        layer = self._layer(NAMES, self._viewer.add_points)
        self._set_frame(layer)
        pixel = 1.0 / self._viewer.scene.camera.zoom  # of the screen, in the world

        def in_world(points: Any) -> Any:
            return np.array([film.data_to_world(point)[-2:] for point in points])

        corners = film.extent.world[:, -2:]
        mm = float(np.ptp(corners, axis=0).max()) / FILM_MM if str(layer.units[-1]) == "pixel" else 1.0
        taken = [
            box
            for line in self._ends_of_canals()
            for box in apical_boxes(in_world(line), CLEAR_MM * mm, LETTER_PX[0] / 3.0 * pixel)
        ]
        mark = MARK_PX * pixel
        for row, col in in_world(self._marks) if self._marks else ():
            taken.append((row - mark, col - mark, row + mark, col + mark))
        sizes = [(LETTER_PX[0] * pixel, (1 + len(text)) * LETTER_PX[1] * pixel) for text, _, _ in self._names]
        places = in_world([at for _, at, _ in self._names]) if self._names else []
        wanted = [
            (row, col) if colour == PENDING_COLOUR else (row, col + width / 2.0 + mark)  # beyond an end, else beside
            for (row, col), (_, width), (_, _, colour) in zip(places, sizes, self._names, strict=True)
        ]
        middles = place_names(sizes, wanted, taken, (*corners[0], *corners[1]))
        # The viewer's letters have no outline: each is drawn dark all about, and then in its colour.
        copies = [(turn, HALO) for turn in RING] + [((0.0, 0.0), "")]
        drawn = [
            (
                film.world_to_data((row + RING_PX * pixel * down, col + RING_PX * pixel * right))[-2:],
                text,
                dark or colour,
            )
            for down_right, dark in copies
            for (row, col), (text, _, colour) in zip(middles, self._names, strict=True)
            for down, right in (down_right,)
        ]
        layer.data = np.array([place for place, _, _ in drawn], dtype=float).reshape(-1, 2)
        layer.selected_data = set()
        layer.features = {"label": [text for _, text, _ in drawn]}
        layer.face_color = layer.border_color = "transparent"
        layer.size = 1.0
        if drawn:
            colours = [colour for _, _, colour in drawn]
            layer.text = {"string": "{label}", "size": LABEL_PT, "color": colours, "anchor": "center"}
        layer.editable = False
