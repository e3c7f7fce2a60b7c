"""The line drawn under the moving cursor.

The one place that goes below napari's public interface: a bare line on the canvas is redrawn in a quarter of the time of a
Shapes layer, which alone keeps the cursor from lagging behind. Where the canvas is not as expected, a layer of vectors does it.
"""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
from napari.components import ViewerModel

__all__ = ["LiveLine", "live_line"]

COLOUR = "#f0e442"
LAYER = "preview"


class LiveLine(Protocol):
    """A line in pixels (row, col) of one layer; an empty one is hidden."""

    def show(self, points: list[tuple[float, float]]) -> None: ...

    def remove(self) -> None: ...


class _CanvasLine:
    """A bare visual beside the image's own node and under its transform: the image's place and scale, above all layers."""

    def __init__(self, node: Any) -> None:
        from vispy.scene.visuals import Line

        # The image's transform, in (col, row), is one object that napari updates in place.
        self._line = Line(parent=node.parent, color=COLOUR, width=2.5, antialias=True)
        self._line.transform = node.transform
        self._line.order = 10**6
        self._line.visible = False

    def show(self, points: list[tuple[float, float]]) -> None:
        if len(points) < 2:
            self._line.visible = False
            return
        self._line.set_data(np.asarray(points, np.float32)[:, ::-1] + 0.5)
        self._line.visible = True

    def remove(self) -> None:
        self._line.parent = None


class _LayerLine:
    """The public way: a Vectors layer, one vector a step, in half the time of a Shapes layer."""

    def __init__(self, viewer: ViewerModel, film: Any) -> None:
        self._viewer = viewer
        self._film = film
        self._layer: Any = None

    def show(self, points: list[tuple[float, float]]) -> None:
        there = self._layer is not None and self._layer in self._viewer.layers
        if len(points) < 2:
            if there:
                self._layer.visible = False
            return
        line = np.asarray(points, float)
        steps = np.stack([line[:-1], np.diff(line, axis=0)], axis=1)
        if not there:
            self._layer = self._viewer.add_vectors(
                steps,
                name=LAYER,
                vector_style="line",
                edge_color=COLOUR,
                edge_width=max(self._film.data.shape) / 600.0,
                scale=self._film.scale,
                units=self._film.units,
                affine=self._film.affine.affine_matrix,
            )
            self._viewer.layers.selection.active = self._film  # which has no keys of its own
            return
        if tuple(self._layer.scale) != tuple(self._film.scale):
            self._layer.scale, self._layer.units = self._film.scale, self._film.units
        if not np.array_equal(self._layer.affine.affine_matrix, self._film.affine.affine_matrix):
            self._layer.affine = self._film.affine.affine_matrix
        self._layer.data = steps
        self._layer.visible = True

    def remove(self) -> None:
        if self._layer in self._viewer.layers:
            self._viewer.layers.remove(self._layer)


def live_line(viewer: ViewerModel, film: Any) -> LiveLine:
    """A line over the film's layer, drawn the quick way where that is possible."""
    try:
        node = viewer.window._qt_viewer.canvas.layer_to_visual[film].node
        return _CanvasLine(node)
    except Exception:
        return _LayerLine(viewer, film)
