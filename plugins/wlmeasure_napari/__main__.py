"""Start the viewer with the dock: on the files named, on an observer's films of a study, or on a list of disagreements."""

from __future__ import annotations

import argparse
import sys

import napari

from wlmeasure.errors import WlmeasureError
from wlmeasure_napari._dock import WorkingLengthDock
from wlmeasure_napari._study import ObserverWalk, WorstWalk


def main(words: list[str]) -> None:
    """Open a window, put the dock beside the canvas, open what was asked for, and run until the window is closed.

    Raises
    ------
    WlmeasureError
        A study or list that is none, an observer who is at work in another window.
    """
    parser = argparse.ArgumentParser(prog="wlmeasure open")
    parser.add_argument("files", nargs="*")
    parser.add_argument("--study")
    parser.add_argument("--observer")
    parser.add_argument("--walk")
    given = parser.parse_args(words)
    if (given.study is None) != (given.observer is None):
        raise WlmeasureError("--study and --observer must be given together: whose films of which study")
    if sum((bool(given.files), given.study is not None, given.walk is not None)) > 1:
        raise WlmeasureError("files, --study and --walk must not be given together: open one after the other")
    viewer = napari.Viewer(title="wlmeasure")
    _, dock = viewer.window.add_plugin_dock_widget("wlmeasure", "Working length")
    assert isinstance(dock, WorkingLengthDock)
    try:
        walk: ObserverWalk | WorstWalk | None = None
        if given.study is not None:
            walk = ObserverWalk(dock.session, given.study, given.observer)
        elif given.walk is not None:
            walk = WorstWalk(dock.session, given.walk)
    except WlmeasureError:
        viewer.close()
        raise
    if walk is not None:
        dock.begin_walk(walk)
    for file in given.files:
        dock.open_path(file)
    napari.run()
    if walk is not None:
        walk.close()


if __name__ == "__main__":
    main(sys.argv[1:])
