"""Plots of agreement as frozen shapes: differences against means, each observer's deviations, distances, ends, drift.

Observers are told apart by the form of their marks as well as by colour (Okabe & Ito 2008).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, radians, sin

import cv2
import numpy as np
from numpy.typing import NDArray

from wlmeasure.image.radiograph import Radiograph
from wlmeasure.share.drawing import Area, Drawing, Ellipse, Label, Line, Picture, Shape
from wlmeasure.share.page import Key
from wlmeasure.share.plot import Axes, Mark, mark, ticks
from wlmeasure.study.collect import DrawnPath
from wlmeasure.study.path_agreement import PLACES, PathAgreement
from wlmeasure.study.readings import Readings
from wlmeasure.study.summary import Pair, Summary

__all__ = [
    "differences_plot",
    "distances_plot",
    "ends_plot",
    "film_plot",
    "observer_colours",
    "observer_keys",
    "observers_plot",
    "order_plot",
]

# Okabe & Ito 2008, without the yellow that is lost on white paper.
COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#e69f00", "#56b4e9")
MARKS: tuple[Mark, ...] = ("disc", "square", "triangle", "diamond", "ring", "cross")
INK, BAND = "#222222", "#d7e3ec"
WIDTH, HEIGHT = 430, 270
LEFT, RIGHT, TOP, BOTTOM = 52, 96, 14, 44
MARGIN_MM = 2.0  # of the film around the paths of a worst film (our parameter)
LONGEST_SIDE = 900  # pixels of that picture


def observer_colours(observers: Sequence[str]) -> dict[str, tuple[str, Mark]]:
    """A colour and a mark for each observer, the same on every plot."""
    count = len(COLOURS)
    return {name: (COLOURS[k % count], MARKS[(k + k // count) % len(MARKS)]) for k, name in enumerate(observers)}


def observer_keys(observers: Sequence[str]) -> tuple[Key, ...]:
    """What the colours mean."""
    return tuple(Key(colour, name) for name, (colour, _) in observer_colours(observers).items())


def _words(values: Sequence[float]) -> list[str]:
    step = abs(values[1] - values[0]) if len(values) > 1 else 1.0
    digits = 0 if step >= 1.0 else 1 if step >= 0.1 else 2 if step >= 0.01 else 3
    return [f"{value + 0.0:.{digits}f}".replace("-", "\u2212") for value in values]


def _axes(
    x: tuple[float, float], y: tuple[float, float], *, right: float = RIGHT, height: int = HEIGHT
) -> tuple[Axes, list[Shape]]:
    axes = Axes(LEFT, WIDTH - right, TOP, height - BOTTOM, *x, *y)
    rows = ticks(*y, 7)
    return axes, axes.rows(rows, _words(rows), 0.0 if any(abs(v) < 1e-12 for v in rows) else None)


def _padded(values: Sequence[float], share: float = 0.06) -> tuple[float, float]:
    low, high = min(values), max(values)
    room = share * (high - low) or max(0.5, 0.05 * abs(high))
    return low - room, high + room


def differences_plot(pair: Pair, unit: str) -> Drawing:
    """Difference against mean of two observers, with bias, limits of agreement, and their 95 % intervals as bands."""
    limits = pair.limits
    x = _padded(pair.means)
    edges = [*limits.low_interval, *limits.high_interval, *pair.differences, 0.0]
    axes, shapes = _axes(x, _padded(edges))
    across = ticks(*x, 6)
    shapes += axes.columns(across, _words(across))
    for low, high in (limits.low_interval, limits.bias_interval, limits.high_interval):
        corners = (
            (axes.left, axes.y(low)),
            (axes.right, axes.y(low)),
            (axes.right, axes.y(high)),
            (axes.left, axes.y(high)),
        )
        shapes.append(Area(corners, BAND, 0.8))
    for value, words, dash in (
        (limits.low, "bias \u2212 1.96 SD", (6.0, 4.0)),
        (limits.bias, "bias", ()),
        (limits.high, "bias + 1.96 SD", (6.0, 4.0)),
    ):
        y = axes.y(value)
        shapes.append(Line(((axes.left, y), (axes.right, y)), INK, 1.4, dash))
        shapes.append(Label(axes.right + 4, y - 3, words, size=10.5))
        shapes.append(Label(axes.right + 4, y + 10, _fixed(value, unit), size=10.5))
    for mean, difference in zip(pair.means, pair.differences, strict=True):
        shapes += mark("ring", axes.x(mean), axes.y(difference), COLOURS[0], 3.2)
    name = f", {unit}" if unit else ""
    shapes += axes.titles(f"mean of the two{name}", f"{pair.first} \u2212 {pair.second}{name}", WIDTH, HEIGHT)
    return Drawing(
        (0.0, 0.0, WIDTH, HEIGHT),
        WIDTH,
        HEIGHT,
        tuple(shapes),
        f"Difference of {pair.first} and {pair.second} against mean",
    )


def _fixed(value: float, unit: str) -> str:
    return f"{value:.{1 if unit == 'deg' else 2}f}".replace("-", "\u2212")


def observers_plot(readings: Readings, summary: Summary) -> Drawing:
    """Every first reading's deviation from its subject's mean, observer by observer, with bias and its interval."""
    first = {name: {s: row.value for s, row in readings.first(name).items()} for name in summary.observers}
    complete = [s for s in readings.subjects if all(s in own for own in first.values())]
    means = {s: float(np.mean([own[s] for own in first.values()])) for s in complete}
    off = {name: [first[name][s] - means[s] for s in complete] for name in summary.observers}
    every = [v for values in off.values() for v in values]
    axes, shapes = _axes((-0.5, len(off) - 0.5), _padded([*every, 0.0]), right=12)
    styles = observer_colours(summary.observers)
    own = {one.observer: one for one in summary.own}
    for k, (name, values) in enumerate(off.items()):
        colour, kind = styles[name]
        for m, value in enumerate(values):  # side by side in a fixed pattern, so that the picture is the same each time
            shift = 0.22 * (((m * 7) % 11) / 5.0 - 1.0)
            shapes += mark(kind, axes.x(k + shift), axes.y(value), colour, 3.0)
        interval, bias = own[name].bias_interval, own[name].bias
        if interval is not None and bias is not None:
            low, high = (axes.y(v) for v in interval)
            shapes.append(Line(((axes.x(k), low), (axes.x(k), high)), INK, 3.0))
            shapes.append(Line(((axes.x(k) - 14, axes.y(bias)), (axes.x(k) + 14, axes.y(bias))), INK, 2.2))
    shapes += axes.columns(range(len(off)), list(off))
    name = f", {summary.unit}" if summary.unit else ""
    shapes += axes.titles("observer", f"from the mean of all{name}", WIDTH, HEIGHT)
    return Drawing((0.0, 0.0, WIDTH, HEIGHT), WIDTH, HEIGHT, tuple(shapes), "Deviation of every observer from the mean")


def order_plot(readings: Readings, summary: Summary) -> Drawing | None:
    """Repeated readings' deviation from the observer's own mean of that subject, over the order; None without an order."""
    styles = observer_colours(summary.observers)
    points = []
    for name in summary.observers:
        for rows in readings.by_subject(name).values():
            placed = [(row.order, row.value) for row in rows if row.order is not None]
            if len(placed) > 1:
                mean = float(np.mean([value for _, value in placed]))
                points += [(name, order, value - mean) for order, value in placed]
    if not points:
        return None
    x = _padded([order for _, order, _ in points], 0.03)
    axes, shapes = _axes(x, _padded([*(v for *_, v in points), 0.0]), right=12)
    across = ticks(*x, 7)
    shapes += axes.columns(across, _words(across))
    for name, order, value in points:
        colour, kind = styles[name]
        shapes += mark(kind, axes.x(order), axes.y(value), colour, 3.0)
    for own in summary.own:
        if own.drift is not None:
            mine = [order for name, order, _ in points if name == own.observer]
            middle = float(np.mean(mine))
            line = tuple((axes.x(at), axes.y(own.drift.per_reading * (at - middle))) for at in (min(mine), max(mine)))
            shapes.append(Line(line, styles[own.observer][0], 1.8))
    name = f", {summary.unit}" if summary.unit else ""
    shapes += axes.titles("place in the observer's order", f"from own mean of the subject{name}", WIDTH, HEIGHT)
    return Drawing((0.0, 0.0, WIDTH, HEIGHT), WIDTH, HEIGHT, tuple(shapes), "Repeated readings over the order")


def distances_plot(found: PathAgreement) -> Drawing:
    """Distance between two observers' paths along the canal: mean, and what 95 of 100 stay below."""
    axes, shapes = _axes((0.0, 100.0), (0.0, max(0.1, 1.08 * float(found.high_mm.max()))), right=22)
    shapes += axes.columns((0.0, 25.0, 50.0, 75.0, 100.0), ("0 %", "25 %", "50 %", "75 %", "100 %"))
    for values, dash, colour in ((found.high_mm, (5.0, 4.0), COLOURS[1]), (found.mean_mm, (), COLOURS[0])):
        line = tuple((axes.x(100.0 * float(p)), axes.y(float(v))) for p, v in zip(PLACES, values, strict=True))
        shapes.append(Line(line, colour, 2.0, dash))
    shapes += axes.titles("from the start to the apical end", "distance between two paths, mm", WIDTH, HEIGHT)
    return Drawing((0.0, 0.0, WIDTH, HEIGHT), WIDTH, HEIGHT, tuple(shapes), "Distance between paths along the canal")


def ends_plot(found: PathAgreement, observers: Sequence[str]) -> Drawing:
    """Every apical end about its canal's mean end, with the ellipse that holds 95 of 100; the canal runs upwards."""
    side = 300
    reach = 1.1 * max(max(abs(a), abs(c)) for _, a, c in found.ends)
    if found.ellipse is not None:
        reach = max(reach, 1.1 * found.ellipse.half_axes_mm[0])
    reach = max(reach, 0.05)
    axes = Axes(LEFT, LEFT + side - 70.0, TOP, TOP + side - 70.0, -reach, reach, -reach, reach)
    rows = ticks(-reach, reach, 7)
    shapes = axes.rows(rows, _words(rows), 0.0) + axes.columns(rows, _words(rows))
    styles = observer_colours(observers)
    for name, along, across in found.ends:
        colour, kind = styles[name]
        shapes += mark(kind, axes.x(across), axes.y(along), colour, 3.0)
    if found.ellipse is not None:
        long, short = found.ellipse.half_axes_mm
        turn = radians(found.ellipse.turn_deg)
        rim = []
        for t in np.linspace(0.0, 2.0 * np.pi, 73):
            a, b = long * cos(t), short * sin(t)
            along, across = a * cos(turn) - b * sin(turn), a * sin(turn) + b * cos(turn)
            rim.append((axes.x(across), axes.y(along)))
        shapes.append(Line(tuple(rim), INK, 1.6))
    shapes += axes.titles("across the canal, mm", "longer is up, mm", side, side)
    return Drawing((0.0, 0.0, side, side), side, side, tuple(shapes), "Scatter of the apical ends")


def film_plot(
    radiograph: Radiograph,
    paths: Sequence[DrawnPath],
    observers: Sequence[str],
    height_px: int = 380,
    *,
    ends_only: bool = False,
) -> Drawing:
    """The film around the paths of one canal, each observer's path in a colour of its own, its end as a ring.

    With `ends_only` no more of it than the apical ends.
    """
    every = np.vstack([path.path_px[-1:] if ends_only else path.path_px for path in paths])
    scale = next((np.asarray(path.mm_per_px) for path in paths if path.mm_per_px is not None), None)
    room = np.array([40.0, 40.0]) if scale is None else MARGIN_MM / scale
    shape = radiograph.values.shape
    low = np.maximum(np.floor(every.min(axis=0) - room), 0).astype(int)
    high = np.minimum(np.ceil(every.max(axis=0) + room) + 1, shape).astype(int)
    ratio = radiograph.col_over_row if scale is None else float(scale[1] / scale[0])
    rows, cols = high - low
    picture = radiograph.displayed()[low[0] : high[0], low[1] : high[1]]
    box = (float(low[1]) - 0.5, float(low[0]) - 0.5, float(cols), float(rows))
    shapes: list[Shape] = [Picture(_jpeg(picture), *box)]
    styles = observer_colours(observers)
    ring = float(rows) / height_px * 5.0
    for path in paths:
        colour = styles[path.observer][0]
        line = tuple((float(c), float(r)) for r, c in _thinned(path.path_px))
        shapes += [Line(line, "#000", 3.2, opacity=0.55), Line(line, colour, 1.8)]
        row, col = (float(v) for v in path.path_px[-1])
        shapes.append(Ellipse(col, row, ring / ratio, ring, stroke=colour, width=2.0))
    width = height_px * cols * ratio / rows
    return Drawing(box, width, height_px, tuple(shapes), f"Paths of {paths[0].subject}", is_film=True)


def _thinned(points: NDArray[np.float64]) -> NDArray[np.float64]:
    keep = max(1, len(points) // 200)
    return np.vstack([points[:-1:keep], points[-1:]])


def _jpeg(picture: NDArray[np.uint8]) -> bytes:
    rows, cols = picture.shape
    factor = min(1.0, LONGEST_SIDE / max(rows, cols))
    size = (max(1, round(cols * factor)), max(1, round(rows * factor)))
    _, jpeg = cv2.imencode(
        ".jpg", cv2.resize(picture, size, interpolation=cv2.INTER_AREA), [cv2.IMWRITE_JPEG_QUALITY, 88]
    )
    return jpeg.tobytes()
