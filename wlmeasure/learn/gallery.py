"""One tooth, exposed in several ways, and the length that each way of measuring gives.

Nothing is clicked here: every path is the true one as the film shows it, so that what is left is geometry alone. What clicks
add is drawn from many clicks and given apart.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.image.radiograph import Radiograph
from wlmeasure.learn.exercise import SHORT_MM
from wlmeasure.phantom.make import Phantom, make_phantom
from wlmeasure.share.cautions import CAUTIONS
from wlmeasure.share.drawing import Drawing, Label, Line, Shape
from wlmeasure.share.figures import displayed_picture
from wlmeasure.share.page import Block, Bullets, Figure, Heading, Page, Row, Table, Text
from wlmeasure.share.plot import STRONG, Axes, Mark, mark, ticks
from wlmeasure.trace.spline import arc_length

__all__ = ["METHODS", "Exposure", "gallery", "gallery_page", "lengths_drawing"]

Float64 = NDArray[np.float64]

METHODS = (
    "straight line, detector's scale",
    "along the canal, detector's scale",
    "straight line, file's scale",
    "along the canal, file's scale",
)
MARKS: tuple[Mark, ...] = ("cross", "ring", "triangle", "disc")
COLOURS = ("#d55e00", "#cc79a7", "#56b4e9", "#009e73")  # Okabe & Ito 2008
CLICK_STD_MM = 0.3
"""How far an end is clicked off, either way on the film, one standard deviation; our parameter, a hasty hand."""
CLICK_TRIALS = 2000
SIZE_PX = (1200, 800)

TOOTH: dict[str, Any] = {
    "roots": 1, "shape": "C", "upper": False, "cap": False, "restoration": False, "clamp": False, "tip_short_mm": 2.0,
    "out_of_plane": False, "scatter": 0.1, "size_px": SIZE_PX, "spacing_mm": (0.03, 0.03), "bits": 12, "tone": "linear",
}  # fmt: skip
SQUARE: dict[str, Any] = {
    "tilt_deg": (0.0, 0.0), "technique": "paralleling", "source_detector_mm": 350.0, "object_detector_mm": 8.0,
}  # fmt: skip
EXPOSURES: tuple[tuple[str, dict[str, Any]], ...] = (
    ("square to tooth and detector", {}),
    ("detector far from the tooth", {"object_detector_mm": 30.0}),
    ("tube near, detector far", {"source_detector_mm": 220.0, "object_detector_mm": 30.0}),
    ("tube 20° too steep, detector parallel to the tooth", {"tilt_deg": (20.0, 0.0)}),
    ("tube 20° too steep, detector square to the beam", {"tilt_deg": (20.0, 0.0), "technique": "square"}),
    ("tube shifted 25° sideways", {"tilt_deg": (0.0, 25.0)}),
    ("the bend turned 45° towards the tube", {"out_of_plane": 45.0}),
    ("the bend straight towards the tube", {"out_of_plane": 90.0}),
)


@frozen(eq=False)
class Exposure:
    """One film of the gallery.

    Attributes
    ----------
    lengths_mm
        What each of :data:`METHODS` gives, mm, each 0.5 mm short of the foramen as the truth is.
    click_std_mm
        What clicking both ends adds to the last method, one standard deviation.
    """

    words: str
    picture: NDArray[np.uint8]
    true_mm: float
    lengths_mm: tuple[float, ...]
    magnification: float
    click_std_mm: float


def gallery(seed: int) -> tuple[Exposure, ...]:
    """The tooth of that seed in every exposure of the gallery; a second each.

    Raises PhantomError for a seed that is negative.
    """
    return tuple(
        _exposure(words, make_phantom(seed, "clear", **(TOOTH | SQUARE | changed)), seed)
        for words, changed in EXPOSURES
    )


def _exposure(words: str, phantom: Phantom, seed: int) -> Exposure:
    canal, file = phantom.truth.canals[0], phantom.truth.file
    assert file is not None  # asked for
    detector = np.array(phantom.mm_per_px)
    path = np.vstack([canal.reference_px, canal.path_px]) * detector
    scale = file.stop_to_tip_mm / float(arc_length(file.path_px * detector)[-1])
    along, chord = float(arc_length(path)[-1]), float(np.hypot(*(path[-1] - path[0])))
    clicks = np.random.default_rng(seed).standard_normal((CLICK_TRIALS, 2, 2)) * CLICK_STD_MM
    # First order: a click changes the length by how far it lies along the path at its end.
    ends = [_unit(path[0] - path[1]), _unit(path[-1] - path[-2])]
    shift = sum(clicks[:, k] @ ends[k] for k in (0, 1))
    values = phantom.image
    picture = Radiograph.from_array(values, bright_is_dense=True).displayed()
    return Exposure(
        words,
        picture,
        canal.total_mm - SHORT_MM,
        tuple(v - SHORT_MM for v in (chord, along, chord * scale, along * scale)),
        float(np.mean(canal.magnification)),
        float(np.std(shift)) * scale,
    )


def _unit(step: Float64) -> Float64:
    return np.asarray(step / np.hypot(*step))


def lengths_drawing(exposures: tuple[Exposure, ...], width: float = 860.0) -> Drawing:
    """The error of each method on each exposure; a bar for what clicks add to the last one (95 %)."""
    errors = np.array([[v - one.true_mm for v in one.lengths_mm] for one in exposures])
    low, high = min(-1.0, float(errors.min())) - 0.2, max(1.0, float(errors.max())) + 0.2
    step, top, left = 34.0, 14.0, 330.0
    bottom = top + step * len(exposures)
    height = bottom + 62.0
    axes = Axes(left, width - 16.0, top, bottom, low, high, 0.0, 1.0)
    shapes: list[Shape] = []
    for value in ticks(low, high, 10):
        x = axes.x(value)
        shapes.append(Line(((x, top), (x, bottom)), STRONG if abs(value) < 1e-9 else "#dde2e7"))
        shapes.append(Label(x, bottom + 15.0, f"{value:+g}" if abs(value) > 1e-9 else "0", anchor="middle"))
    for k, one in enumerate(exposures):
        y = top + step * (k + 0.5)
        shapes.append(Label(left - 10.0, y + 4.0, one.words, anchor="end"))
        half = 1.96 * one.click_std_mm
        last = float(errors[k, -1])
        shapes.append(Line(((axes.x(last - half), y), (axes.x(last + half), y)), COLOURS[-1], 4.0, opacity=0.35))
        for method in range(len(METHODS)):
            shapes += mark(MARKS[method], axes.x(float(errors[k, method])), y, COLOURS[method])
    shapes.append(Label((axes.left + axes.right) / 2, bottom + 34.0, "measured less true length, mm", anchor="middle"))
    x = 16.0
    for method, words in enumerate(METHODS):
        shapes += mark(MARKS[method], x, height - 12.0, COLOURS[method])
        shapes.append(Label(x + 11.0, height - 8.0, words))
        x += 212.0
    label = "Error of four ways of measuring on eight exposures of one tooth"
    return Drawing((0.0, 0.0, width, height), width, height, tuple(shapes), label)


def gallery_page(exposures: tuple[Exposure, ...], *, made_at: str, program: str) -> Page:
    """The gallery as a page: the plot, a table, and the films."""
    head = ("exposure", "magnified", "true", "line, detector", "canal, detector", "line, file", "canal, file")
    rows = tuple(
        (one.words, f"{one.magnification:.3f}", f"{one.true_mm:.2f}", *(f"{v:.2f}" for v in one.lengths_mm))
        for one in exposures
    )
    blocks: list[Block] = [
        Text(
            "One synthetic tooth with one curved canal, exposed in eight ways. Every path is the true one as the film shows "
            f"it, 0.5 mm short of the foramen, so the errors are geometry alone; a hasty hand ({CLICK_STD_MM:g} mm a click, "
            "one standard deviation) adds what the pale bar shows (95 %)."
        ),
        Figure(lengths_drawing(exposures), ""),
        Bullets(
            (
                "A detector's scale is too large by the magnification, and lengths come out long.",
                "A straight line is short by what the bend adds.",
                "A file of known length in the same canal mends magnification and most of the angulation at once.",
                "A bend towards the tube is lost to the film: only what the file passes is mended by it.",
            )
        ),
        Heading(2, "The figures, mm"),
        Table(rows, head, numbers=tuple(range(1, len(head)))),
        Heading(2, "The films", new_sheet=True),
    ]
    for k in range(0, len(exposures), 3):
        blocks.append(Row(tuple(_cell(one) for one in exposures[k : k + 3])))
    blocks += [Heading(2, "Cautions"), Bullets(CAUTIONS)]
    return Page("What an exposure does to a length", "One tooth, eight films", tuple(blocks), f"{made_at}; {program}")


def _cell(one: Exposure) -> tuple[Block, ...]:
    rows, cols = one.picture.shape
    height = 300.0
    box = (-0.5, -0.5, float(cols), float(rows))
    film = Drawing(box, height * cols / rows, height, (displayed_picture(one.picture, 500),), one.words, is_film=True)
    return (Figure(film, one.words),)
