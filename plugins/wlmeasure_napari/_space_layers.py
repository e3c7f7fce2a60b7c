"""What the viewer shows of films in space: the fitted lines, the other film beside or over the one in view, the 3-D view.

Every layer is made from the session's result and goes with it, like those of `_layers`. No Qt.
"""

from __future__ import annotations

from typing import Any, Literal
from weakref import proxy

import numpy as np
from attrs import frozen
from napari.components import ViewerModel

from wlmeasure.errors import CaseError
from wlmeasure.image.view import view_words
from wlmeasure.record.films import FilmResult
from wlmeasure_napari._layers import CANAL_SHARE, Layers, canal_colour, measured_lines, pictured
from wlmeasure_napari._session import Session
from wlmeasure_napari._space import (
    Solid,
    asks,
    balls,
    fitted_px,
    frame_of,
    laid_as_shown,
    others,
    place_beside,
    place_over,
    size_as_shown,
    solid,
)

__all__ = ["SpaceLayers", "Way"]

Way = Literal["film", "beside", "over", "3-D"]
FITTED_COLOUR = "#ffffff"
LABEL_COLOUR = "#ffffff"
FITTED, OTHER, OTHER_LINES, NAMES = "in space", "other film", "other film: measured", "names of films"
SOLID, CROSS, DOTS = "canals in space", "sides", "ends and sides in words"
FITTED_SHARE = 0.3  # of a traced line's width, so that the traced one is seen on both sides
CROSS_COLOUR = "#9a9a9a"
TUBE_MM, CROWN_MM, DOT_MM, CROSS_MM, WORDS_BELOW_MM = 0.4, 0.15, 0.8, 0.06, 0.9
NAME_PT = 12
NAME_ABOVE = 0.04  # how far above its film a name stands, of the film's height
ENTRY_DEG = (0.0, 0.0, 15.0)  # as the first film, a little from above, so that the cross at the crown is seen


@frozen
class _Camera:
    """Where the view stood before it was changed."""

    film: str
    center: tuple[float, ...]
    zoom: float
    angles: tuple[float, ...]


class SpaceLayers:
    """The layers of films in space on one viewer.

    Attributes
    ----------
    way
        The film alone, with another one beside or over it, or the canals in 3-D.
    other
        The other film; where it is none of the case, the first one that is not in view.
    fitted
        Whether the fitted lines are drawn back on the films.
    opacity
        Of the other film where it lies over the one in view.
    concealed
        A walk keeps all of it out of sight.
    """

    def __init__(self, viewer: ViewerModel, session: Session, layers: Layers) -> None:
        self._viewer: ViewerModel = proxy(viewer)  # a seat must not keep its viewer alive
        self._session = session
        self._layers = layers
        self._ours: dict[str, Any] = {}
        self._drawn: dict[str, tuple[Any, ...]] = {}  # what each layer was last made from
        self._was: _Camera | None = None
        self._shown: Way = "film"
        self._case_of: Any = None
        self._turning = False
        self.way: Way = "film"
        self.other = ""
        self.fitted = True
        self.opacity = 0.5
        self.concealed = False
        viewer.dims.events.ndisplay.connect(self._on_ndisplay)
        layers.guard(self._ours)

    # ---- what is asked for ---------------------------------------------------------------------------------------

    @property
    def offered(self) -> bool:
        """Whether the case asks for it and nothing forbids it."""
        return not self.concealed and self._session.radiograph is not None and asks(self._session.case)

    @property
    def turns(self) -> bool:
        """Whether there is something to turn in 3-D."""
        result = self._session.result
        return self.offered and result is not None and result.spatial is not None and bool(result.spatial.canals)

    def show(self, way: Way) -> None:
        """Change what the canvas shows; the session's listeners are told.

        Raises
        ------
        CaseError
            In 3-D points that are placed on the film and not accepted would be out of sight.
        """
        if way == "3-D" and self._session.unaccepted:
            raise CaseError("points on the film must be accepted (Enter) or dropped (Esc) before the view is turned")
        if way == "3-D" and self._session.tool != "look":
            self._session.cancel()  # a tool is for the film
        self.way = way
        self._session.changed.emit()

    def refresh(self) -> None:
        """Show the films in space as they are now; after `Layers.refresh`."""
        session = self._session
        first = None if session.case is None else session.case.films[0].sha256
        tool_on_3d = self.way == "3-D" and (session.tool != "look" or not self.turns)
        if not self.offered or first != self._case_of or tool_on_3d:
            self.way = "film"
        self._case_of = first
        around = others(session.case, session.film_id)
        if self.other not in around:
            self.other = around[0] if around else ""
        if self.way != self._shown:
            self._turn(self._shown, self.way)
        if self.way == "3-D":
            self._layers.seen(False)
            self._show_solid()
        elif self._viewer.dims.ndisplay == 2:
            self._show_fitted()
            self._show_other()
        film = self._layers.film_layer()
        if film is not None and self._viewer.layers.selection.active is not film:
            self._viewer.layers.selection.active = film

    # ---- the view ------------------------------------------------------------------------------------------------

    def _turn(self, before: Way, now: Way) -> None:
        """From one way to another: what the camera and the canvas need."""
        camera = self._viewer.scene.camera
        if before in ("film", "over") and now in ("beside", "3-D"):
            self._was = _Camera(self._session.film_id, tuple(camera.center), camera.zoom, tuple(camera.angles))
        self._shown = now
        if (before == "3-D") != (now == "3-D"):
            self._canvas(in_3d=now == "3-D")
        if now in ("film", "over") and self._was is not None and before in ("beside", "3-D"):
            if self._was.film == self._session.film_id:
                camera.center, camera.zoom, camera.angles = self._was.center, self._was.zoom, self._was.angles
            else:
                camera.angles = self._was.angles
                self._layers.look_at_end(self._was.zoom)
            self._was = None

    def _canvas(self, *, in_3d: bool) -> None:
        # In 2-D the viewer would give layers of three axes a slider, which takes room from the canvas; the other film's
        # lines could not be changed in 3-D.
        self._remove(*(FITTED, OTHER, OTHER_LINES, NAMES) if in_3d else (SOLID, CROSS, DOTS))
        self._layers.seen(not in_3d)
        self._turning = True
        self._viewer.dims.ndisplay = 3 if in_3d else 2
        self._turning = False
        if not in_3d:
            self._layers.refresh()
        overlays = self._viewer.canvas.overlays
        overlays.scale_bar.visible = in_3d
        overlays.text.visible = in_3d
        if not in_3d:
            overlays.text.text = ""

    def _on_ndisplay(self, _event: Any = None) -> None:
        """Back in 2-D, by us or by a person with the viewer's own button."""
        if self._viewer.dims.ndisplay != 2 or self._turning:
            return
        ours, self.way = self._shown == "3-D", "film" if self._shown == "3-D" else self.way
        self._layers.refresh()
        self.refresh()  # the dock may be closed
        if ours:
            self._session.changed.emit()

    # ---- layers --------------------------------------------------------------------------------------------------

    def _mine(self, name: str) -> Any:
        layer = self._ours.get(name)
        return layer if layer is not None and layer in self._viewer.layers else None

    def _remove(self, *names: str) -> None:
        for name in names:
            layer = self._mine(name)
            self._ours.pop(name, None)
            self._drawn.pop(name, None)
            if layer is not None:
                self._viewer.layers.remove(layer)

    def _stands(self, name: str, *made_from: Any) -> bool:
        """Whether the layer is there and was made from the very same things; one that was not is taken away."""
        known = self._drawn.get(name, ())
        same = len(known) == len(made_from) and all(
            a is b or (isinstance(a, str | tuple | float | bool) and a == b)
            for a, b in zip(known, made_from, strict=True)
        )
        if same and self._mine(name) is not None:
            return True
        self._remove(name)
        self._drawn[name] = made_from
        return False

    def _add(self, name: str, layer: Any, at: int | None = None) -> None:
        """Take a layer for our own; `at` counts from the bottom."""
        self._ours[name] = layer
        layer.locked = True
        if at is not None:
            self._viewer.layers.move(self._viewer.layers.index(layer), at)

    def _frame(self) -> dict[str, Any]:
        film = self._layers.film_layer()
        return {"scale": tuple(film.scale[-2:]), "units": film.units, "affine": film.affine.affine_matrix}

    def _show_fitted(self) -> None:
        """The fitted canals on the film in view, over its traced lines and beneath its points."""
        session = self._session
        result = session.result
        lines = fitted_px(result.spatial, session.film_id) if self.offered and self.fitted and result else {}
        if not lines:
            self._remove(FITTED)
            return
        frame = self._frame()
        if self._stands(FITTED, result and result.spatial, session.film_id, frame["scale"], *frame["affine"].flat):
            return
        width = FITTED_SHARE * CANAL_SHARE * max(self._layers.film_layer().data.shape)
        layer = self._viewer.add_shapes(
            list(lines.values()),
            shape_type="path",
            name=FITTED,
            edge_color=FITTED_COLOUR,
            face_color="transparent",
            edge_width=width,
            **frame,
        )
        layer.editable = False
        self._add(FITTED, layer)
        self._points_on_top()

    def _points_on_top(self) -> None:
        points = self._layers.points_layer()
        layers = self._viewer.layers
        if points is not None and layers.index(points) != len(layers) - 1:
            layers.move(layers.index(points), len(layers))

    def _film(self, film_id: str) -> FilmResult | None:
        result = self._session.result
        return None if result is None else next((film for film in result.films if film.film.id == film_id), None)

    def _show_other(self) -> None:
        """The other film with its own lines, beside or over the film in view; nothing on it can be taken hold of."""
        session, result = self._session, self._session.result
        film, shown = self._film(self.other), session.film
        if self.way not in ("beside", "over") or film is None or shown is None or result is None:
            self._remove(OTHER, OTHER_LINES, NAMES)
            return
        scale = frame_of(film, shown)
        beside = self.way == "beside"
        place = (place_beside if beside else place_over)(result, film, shown)
        affine = laid_as_shown(film, shown)
        affine[:2, 2] += place
        frame = {"scale": scale, "affine": affine, "units": self._layers.film_layer().units}
        looks = (self._layers.enhanced, self._layers.inverted)
        before = self._drawn.get(OTHER, ())
        if not self._stands(OTHER, film.radiograph, scale, *affine.flat, looks, self.way, session.film_id):
            picture = pictured(film.radiograph, enhanced=self._layers.enhanced)
            layer = self._layers.add_image(
                picture,
                name=OTHER,
                contrast_limits=(0, 255),
                colormap="gray_r" if self._layers.inverted else "gray",
                **frame,
            )
            self._add(OTHER, layer, 1)
        self._ours[OTHER].opacity = 1.0 if beside else self.opacity
        self._show_other_lines(film, frame)
        self._show_names(film, shown, place)
        if beside and before[-2:] != (self.way, session.film_id):
            self._viewer.reset_view(layers=[self._layers.film_layer(), self._ours[OTHER], self._ours[NAMES]])

    def _show_other_lines(self, film: FilmResult, frame: dict[str, Any]) -> None:
        session, result = self._session, self._session.result
        assert result is not None
        made_from = (result, session.canal_name, self.other, frame["scale"], *frame["affine"].flat, self.fitted)
        if self._stands(OTHER_LINES, *made_from):
            return
        paths, colours, widths = measured_lines(session, film.film.id)
        back = list(fitted_px(result.spatial, film.film.id).values()) if self.fitted else []
        paths += back
        colours += [FITTED_COLOUR] * len(back)
        widths += [FITTED_SHARE * CANAL_SHARE * max(film.radiograph.values.shape)] * len(back)
        if not paths:
            self._remove(OTHER_LINES)
            return
        heights = list(range(len(paths)))  # lines of equal height are drawn in no order at all
        layer = self._viewer.add_shapes(
            paths,
            shape_type="path",
            name=OTHER_LINES,
            edge_color=colours,
            face_color="transparent",
            edge_width=widths,
            z_index=heights,
            **frame,
        )
        layer.editable = False
        self._add(OTHER_LINES, layer, 2)

    def _show_names(self, film: FilmResult, shown: FilmResult, place: tuple[float, float]) -> None:
        """Which film is which, above each."""
        if self.way != "beside":
            self._remove(NAMES)
            return
        own = self._frame()
        sizes = [size_as_shown(one, shown) for one in (shown, film)]
        places = [np.array([-NAME_ABOVE * size[0], 0.5 * size[1]]) for size in sizes]
        places[1] += place
        words = view_words(film.film.shown_as)
        if self._stands(NAMES, film.film.id, shown.film.id, words, *np.ravel(places)):
            return
        layer = self._viewer.add_points(
            np.array(places),
            name=NAMES,
            units=own["units"],
            size=0.0,
            face_color="transparent",
            border_color="transparent",
            text={
                "string": [f"{shown.film.id}: in view", f"{film.film.id}: to compare{words and ', '}{words}"],
                "color": LABEL_COLOUR,
                "size": NAME_PT,
            },
        )
        layer.editable = False
        self._add(NAMES, layer)
        self._points_on_top()

    # ---- 3-D -----------------------------------------------------------------------------------------------------

    def _show_solid(self) -> None:
        session, result = self._session, self._session.result
        made_from = (None if result is None else result.spatial, session.canal_name)
        fresh = self._mine(SOLID) is None
        if self._stands(SOLID, *made_from) and self._mine(DOTS) is not None:
            return
        self._remove(SOLID, CROSS, DOTS)
        self._drawn[SOLID] = made_from
        shown = solid(result)
        assert shown is not None  # `turns` asks for it
        away = "away" in str(self._viewer.scene.camera.orientation[0]).lower()
        out = np.array([-1.0 if away else 1.0, 1.0, 1.0])
        self._add(SOLID, self._tubes(shown, out))
        if shown.cross:
            arms = [arm * out for arm in shown.cross]
            layer = self._viewer.add_shapes(
                arms, shape_type="path", name=CROSS, edge_color=CROSS_COLOUR, edge_width=CROSS_MM, units="mm"
            )
            layer.editable = False
            self._add(CROSS, layer)
        self._add(DOTS, self._words(shown, out))
        self._viewer.canvas.overlays.text.text = shown.words
        self._viewer.canvas.overlays.text.position = "top_left"
        if fresh:
            self._viewer.scene.camera.angles = ENTRY_DEG
            self._viewer.reset_view(layers=[self._ours[SOLID], self._ours[DOTS]], reset_camera_angle=False)

    def _tubes(self, shown: Solid, out: Any) -> Any:
        """The canals as rows of balls, round from every side, which a path of the viewer is not; one more at each end."""
        rows: list[tuple[Any, str, float]] = [(balls(line), name, TUBE_MM) for name, line in shown.lines.items()]
        rows += [(balls(line), name, CROWN_MM) for name, line in shown.crowns.items()]
        rows += [(label.place_mm[None], label.canal, DOT_MM * label.size) for label in shown.labels if label.size]
        layer = self._viewer.add_points(
            np.vstack([places for places, _, _ in rows]) * out,
            name=SOLID,
            face_color=[canal_colour(self._session, name) for places, name, _ in rows for _ in places],
            border_color="transparent",
            border_width=0.0,
            size=[size for places, _, size in rows for _ in places],
            shading="spherical",
            units="mm",
        )
        layer.editable = False
        return layer

    def _words(self, shown: Solid, out: Any) -> Any:
        layer = self._viewer.add_points(
            np.array([label.place_mm for label in shown.labels]) * out,
            name=DOTS,
            face_color="transparent",
            border_color="transparent",
            size=DOT_MM,
            text={
                "string": [label.words for label in shown.labels],
                "color": LABEL_COLOUR,
                "size": NAME_PT,
                "translation": [0.0, WORDS_BELOW_MM, 0.0],
            },
            units="mm",
        )
        layer.editable = False
        return layer
