"""Start the viewer with the dock, on the files named."""

from __future__ import annotations

import sys

import napari

from wlmeasure_napari._dock import WorkingLengthDock


def main(files: list[str]) -> None:
    """Open a window, put the dock beside the canvas, open the files, and run until the window is closed."""
    viewer = napari.Viewer(title="wlmeasure")
    _, dock = viewer.window.add_plugin_dock_widget("wlmeasure", "Working length")
    assert isinstance(dock, WorkingLengthDock)
    for file in files:
        dock.open_path(file)
    napari.run()


if __name__ == "__main__":
    main(sys.argv[1:])
