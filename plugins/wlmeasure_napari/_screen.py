"""The window of `wlmeasure open`: canals on the left, the film, the step at hand on the right, and nothing of the viewer's own.

As a plugin in somebody's viewer the dock comes alone, and that viewer's panels are left as they are.
"""

from __future__ import annotations

from typing import Any

import napari
from qtpy.QtCore import QEvent, QObject
from qtpy.QtWidgets import QDockWidget, QMainWindow, QWidget

from wlmeasure_napari._dock import WorkingLengthDock
from wlmeasure_napari._strip import CanalStrip
from wlmeasure_napari._window import main_window, show_viewer_panels

__all__ = ["own_window"]


class _PutBack(QObject):
    """Shows the viewer's panels before its window closes: a viewer that remembers its layout would keep them hidden."""

    def __init__(self, window: QMainWindow) -> None:
        super().__init__(window)
        window.installEventFilter(self)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802  Qt's name
        # Asks nothing of this object: the last events of a window come when its Python half is already gone.
        if isinstance(watched, QMainWindow) and event.type() == QEvent.Type.Close:
            show_viewer_panels(watched, on=True)
        return False


def own_window(*, strip: bool = True, **options: Any) -> tuple[napari.Viewer, WorkingLengthDock]:
    """A viewer that shows a tooth and nothing else.

    Parameters
    ----------
    strip
        Whether the tooth's canals stand on the left; not in a walk through films, which may not name them.
    options
        Of the viewer, such as `show`.

    Returns
    -------
    viewer, dock
    """
    viewer = napari.Viewer(title="wlmeasure", show_welcome_screen=False, **options)
    frame, dock = viewer.window.add_plugin_dock_widget("wlmeasure", "Working length")
    assert isinstance(dock, WorkingLengthDock)
    _bare(frame)
    if strip:
        _bare(viewer.window.add_dock_widget(CanalStrip(viewer), name="Canals", area="left"))
    window = main_window(dock)
    assert window is not None
    show_viewer_panels(window, on=False)
    _PutBack(window)
    return viewer, dock


def _bare(frame: QDockWidget) -> None:
    """No title and no buttons to close it by: it is the screen."""
    frame.setTitleBarWidget(QWidget(frame))
