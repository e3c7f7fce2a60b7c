"""A curve in space drawn from three sides, all on one scale."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from wlmeasure.points import frozen_array
from wlmeasure.share.drawing import Drawing, Ellipse, Label, Line, Shape
from wlmeasure.share.plot import STRONG

__all__ = ["SpaceLine", "sides_drawing"]

Float64 = NDArray[np.float64]

MARGIN, GAP, TITLE = 14.0, 26.0, 20.0
NARROWEST = 118.0  # of a view, so that its title has room
BAR_MM = 5.0


@frozen(eq=False)
class SpaceLine:
    """A line in the tooth's frame, (N, 3) mm: x mesiodistal, y towards the tube (buccal), z to the crown."""

    points_mm: Float64 = field(converter=frozen_array)
    colour: str
    width: float = 2.0
    dash: tuple[float, ...] = ()


def sides_drawing(
    lines: Sequence[SpaceLine],
    label: str,
    titles: tuple[str, str, str] = ("as the tube sees it", "from the side", "along the tooth"),
    width: float = 560.0,
    tallest: float = 360.0,
) -> Drawing:
    """`lines` from the tube (x and z), from the side (y and z) and along the tooth (x and y), with a bar of 5 mm.

    A millimetre is equally long in all three; the last point of each line, its apical end, is dotted.
    """
    views = ((0, 2), (1, 2), (0, 1))
    every = np.vstack([line.points_mm for line in lines])
    low, high = every.min(axis=0), every.max(axis=0)
    span = np.maximum(high - low, 2.0)
    middle = 0.5 * (low + high)
    wide = float(sum(span[across] for across, _ in views))
    scale = min((width - 2 * MARGIN - 2 * GAP) / wide, (tallest - 2 * MARGIN - 2 * TITLE) / float(span.max()))
    room = [max(float(span[across]) * scale, NARROWEST) for across, _ in views]
    height = float(span.max()) * scale + 2 * MARGIN + 2 * TITLE
    shapes: list[Shape] = []
    left = 0.5 * (width - 2 * GAP - sum(room))
    for (across, up), title, space in zip(views, titles, room, strict=True):
        centre = left + 0.5 * space
        base = TITLE + MARGIN + 0.5 * float(span.max()) * scale
        shapes.append(Label(centre, 14.0, title, anchor="middle"))
        for line in lines:
            xy = [
                (float(centre + (p[across] - middle[across]) * scale), float(base - (p[up] - middle[up]) * scale))
                for p in line.points_mm
            ]
            shapes.append(Line(tuple(xy), line.colour, line.width, line.dash))
            shapes.append(Ellipse(*xy[-1], 3.0, 3.0, fill=line.colour))
        left += space + GAP
    y = height - 12.0
    shapes.append(Line(((MARGIN, y), (MARGIN + BAR_MM * scale, y)), STRONG, 2.5))
    shapes.append(Label(MARGIN + BAR_MM * scale + 6.0, y + 4.0, f"{BAR_MM:g} mm"))
    return Drawing((0.0, 0.0, width, height), width, height, tuple(shapes), label)
