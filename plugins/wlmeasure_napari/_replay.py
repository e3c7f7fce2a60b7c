"""Replay of an answer: the student's path beside the true canal, turned in the viewer's 3-D view. No Qt."""

from __future__ import annotations

from textwrap import wrap
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wlmeasure.errors import LearnError
from wlmeasure.learn.mark import Marked, Marks
from wlmeasure.learn.pages import OWN_COLOUR, TRUTH_COLOUR, error_words
from wlmeasure.learn.space import lifted_mm, true_mm

__all__ = ["marked_film", "replay", "viewer_mm"]

WIDTH_MM = 0.12
WORDS_WIDE = 60  # characters of a line on the canvas


def marked_film(marks: Marks, film: str | None) -> Marked:
    """The marked answer to show: that of `film`, or the one that is farthest off.

    Raises
    ------
    LearnError
        No answer for that film, or none with a path and a truth in space.
    """
    shown = [
        one for one in marks.marked
        if one.answer.path_px is not None and one.truth.space is not None and film in (None, one.item.film)
    ]  # fmt: skip
    if not shown:
        which = "an answer" if film is None else f"film {film}"
        raise LearnError(f"{which} must have a path, and its truth must be known in space, to be shown in 3-D")
    return max(shown, key=lambda one: abs(one.error_mm))


def viewer_mm(points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """The tooth's frame (x mesiodistal, y to the tube, z to the crown) as the viewer's: depth, down, right; (N, 3) mm."""
    x, y, z = points_mm.T
    return np.column_stack([-y, -z, x])


def replay(viewer: Any, marked: Marked) -> None:
    """Put both lines into an empty viewer and turn to 3-D; a dot stands at every apical end, words say what was wrong."""
    truth = true_mm(marked.truth)
    assert truth is not None  # `marked_film` asks for it
    own = lifted_mm(marked.item, marked.truth, marked.answer.path_px)
    for name, line, colour in (("truth", truth, TRUTH_COLOUR), ("yours", own, OWN_COLOUR)):
        points = viewer_mm(line)
        viewer.add_shapes(
            [points],
            shape_type="path",
            name=name,
            edge_color=colour,
            face_color="transparent",
            edge_width=WIDTH_MM,
            units="mm",
        )
        viewer.add_points(
            points[-1:], name=f"{name}: end", face_color=colour, border_color=colour, size=4 * WIDTH_MM, units="mm"
        )
    viewer.dims.ndisplay = 3
    overlays = viewer.canvas.overlays
    overlays.scale_bar.visible = True
    overlays.text.text = "\n".join(wrap(f"{marked.item.film}: {error_words(marked)}", WORDS_WIDE))
    overlays.text.position = "top_left"
    overlays.text.visible = True
    viewer.reset_view()
