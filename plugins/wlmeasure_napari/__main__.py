"""Start the viewer with the dock: on the files named, or on the films of a study, an exercise or a list of disagreements."""

from __future__ import annotations

import argparse
import sys

import napari
from qtpy.QtWidgets import QApplication

from wlmeasure.errors import WlmeasureError
from wlmeasure_napari._exercise import ExerciseWalk
from wlmeasure_napari._replay import marked_film, replay
from wlmeasure_napari._screen import own_window
from wlmeasure_napari._study import ObserverWalk, Walk, WorstWalk


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
    parser.add_argument("--exercise")
    parser.add_argument("--replay", nargs=2)
    parser.add_argument("--film")
    given = parser.parse_args(words)
    if (given.study is None) != (given.observer is None):
        raise WlmeasureError("--study and --observer must be given together: whose films of which study")
    if given.replay is not None:
        show_replay(given.replay[0], given.replay[1], given.film)
        return
    if sum((bool(given.files), *(one is not None for one in (given.study, given.walk, given.exercise)))) > 1:
        raise WlmeasureError(
            "files, --study, --walk and --exercise must not be given together: open one after the other"
        )
    viewer, dock = own_window(strip=not (given.study or given.walk or given.exercise))
    try:
        walk: Walk | None = None
        if given.study is not None:
            walk = ObserverWalk(dock.session, given.study, given.observer)
        elif given.walk is not None:
            walk = WorstWalk(dock.session, given.walk)
        elif given.exercise is not None:
            walk = ExerciseWalk(dock.session, given.exercise)
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


def show_replay(exercise: str, answers: str, film: str | None) -> None:
    """A window with the student's path and the true canal of one film, in 3-D.

    Raises
    ------
    WlmeasureError
        Exercise or answers that cannot be read, an answer without a path.
    """
    from wlmeasure.cli_learn import password
    from wlmeasure.learn.answers import load_answers
    from wlmeasure.learn.exercise import load_exercise, open_seal
    from wlmeasure.learn.mark import mark

    told = load_exercise(exercise)
    marked = marked_film(mark(told, open_seal(exercise, told, password()), load_answers(answers)), film)
    viewer = napari.Viewer(title=f"wlmeasure: {marked.item.film}")
    replay(viewer, marked)
    QApplication.processEvents()  # the window has its size only then
    viewer.reset_view()
    napari.run()


if __name__ == "__main__":
    main(sys.argv[1:])
