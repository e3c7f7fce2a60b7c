"""The figures of a report as drawings: annotated film, close-up of the apex, curvature profile.

Colours are told apart by colour-blind eyes (Okabe & Ito 2008); in black and white by width, dash and the canal's name.
"""

from __future__ import annotations

from math import floor

import cv2
import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike, NDArray

from wlmeasure.image.view import View, from_view, to_view, view_words, viewed
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.measure.curvature import CurvatureProfile
from wlmeasure.record.case import KnownFile
from wlmeasure.record.evaluate import CanalResult, CaseResult, FilmResult, TraceResult
from wlmeasure.record.facts import decided_stop
from wlmeasure.share.drawing import Area, Drawing, Ellipse, Label, Line, Picture, Shape, svg
from wlmeasure.share.result import first_point_words
from wlmeasure.trace.spline import arc_length

__all__ = [
    "CANAL_COLOURS",
    "FILE_COLOUR",
    "Shown",
    "apex_drawing",
    "canal_colours",
    "displayed_picture",
    "film_drawing",
    "film_picture",
    "picture_svg",
    "profile_drawing",
]

# Okabe & Ito 2008: told apart by colour-blind eyes.
CANAL_COLOURS = ("#e69f00", "#009e73", "#cc79a7", "#f0e442", "#d55e00")
FILE_COLOUR = "#56b4e9"
JPEG_QUALITY = 92
LONGEST_SIDE = 1600  # pixels of the embedded picture; a larger film is reduced, its coordinates stay

Drawn = tuple[CanalResult, TraceResult]


@frozen(eq=False)
class Shown:
    """One film as it is looked at, turned and mirrored as its case says: what is drawn on it is drawn in these pixels."""

    film: FilmResult

    @property
    def view(self) -> View:
        return self.film.film.shown_as

    @property
    def words(self) -> str:
        """How it lies, in words; empty for a film as it is stored."""
        return view_words(self.view)

    @property
    def on_its_side(self) -> bool:
        """Whether its rows are seen as columns."""
        return self.view.quarter_turns % 2 == 1

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns as they are seen."""
        rows, cols = self.film.radiograph.values.shape
        return (cols, rows) if self.on_its_side else (rows, cols)

    @property
    def ratio(self) -> float:
        """Column spacing over row spacing as they are seen."""
        return 1.0 / self.film.col_over_row if self.on_its_side else self.film.col_over_row

    @property
    def mm_per_px(self) -> tuple[float, float] | None:
        """Row and column spacing as they are seen; None without a scale."""
        if self.film.calibration is None:
            return None
        row, col = self.film.calibration.mm_per_px
        return (col, row) if self.on_its_side else (row, col)

    def at(self, points_px: ArrayLike) -> NDArray[np.float64]:
        """Points (N, 2) of the stored film, (row, col), where they are seen."""
        return to_view(points_px, self.film.radiograph.values.shape, self.view)

    def on_film(self, seen_px: ArrayLike) -> NDArray[np.float64]:
        """The way back: where points (N, 2) that are seen lie on the stored film."""
        return from_view(seen_px, self.film.radiograph.values.shape, self.view)

    def one(self, point_px: ArrayLike) -> NDArray[np.float64]:
        """One point (2,), the same way."""
        return np.asarray(self.at(np.asarray(point_px, np.float64)[None])[0], np.float64)

    def drawing(self, shapes: list[Shape], height_px: int, label: str) -> Drawing:
        """The whole film with shapes on it, and how it lies written in its upper corner."""
        rows, cols = self.shape
        if self.words:
            shapes = [*shapes, Label(0.03 * cols, 0.05 * rows, self.words, 14.0, colour="#fff", halo="#000")]
        width = height_px * cols * self.ratio / rows
        return Drawing((-0.5, -0.5, cols, rows), width, height_px, tuple(shapes), label, is_film=True)


def canal_colours(result: CaseResult) -> dict[str, str]:
    """One colour a canal, the same on every film and figure of a case."""
    return {c.canal.name: CANAL_COLOURS[k % len(CANAL_COLOURS)] for k, c in enumerate(result.canals)}


def picture_svg(result: CaseResult, film: FilmResult) -> str:
    """One annotated film as an SVG file of its own, with the film inside."""
    drawn = [(canal, trace) for canal in result.canals for trace in canal.traces if trace.film is film]
    return svg(film_drawing(film, drawn, film_picture(film), canal_colours(result), height_px=1200)) + "\n"


def film_picture(film: FilmResult) -> Picture:
    """The film as it is shown, in the pixels of :class:`Shown`, at most :data:`LONGEST_SIDE` pixels long."""
    return displayed_picture(viewed(film.radiograph.displayed(), film.film.shown_as))


def displayed_picture(picture: NDArray[np.uint8], longest_px: int = LONGEST_SIDE) -> Picture:
    """A film (rows, cols) as a JPEG in pixel coordinates, reduced to `longest_px` where it is longer."""
    rows, cols = picture.shape
    factor = min(1.0, longest_px / max(rows, cols))
    smaller = cv2.resize(
        picture, (max(1, round(cols * factor)), max(1, round(rows * factor))), interpolation=cv2.INTER_AREA
    )
    _, jpeg = cv2.imencode(".jpg", smaller, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    # (0, 0) is the centre of the first pixel, so the picture begins half a pixel before it.
    return Picture(jpeg.tobytes(), -0.5, -0.5, cols, rows)


def _xy(points: NDArray[np.float64]) -> tuple[tuple[float, float], ...]:
    """(row, col) points as (x, y), at most some 400 of them, both ends among them."""
    keep = max(1, len(points) // 400)
    return tuple((float(c), float(r)) for r, c in np.vstack([points[:-1:keep], points[-1:]]))


def _line(points: NDArray[np.float64], colour: str, width: float, dash: tuple[float, ...] = ()) -> list[Shape]:
    """A line on a film: dark rim below, so that it shows on metal too."""
    xy = _xy(points)
    return [Line(xy, "#000", width + 1.6, opacity=0.55), Line(xy, colour, width, dash)]


def _ring(point: NDArray[np.float64], colour: str, radius: float, ratio: float) -> Shape:
    row, col = point
    return Ellipse(float(col), float(row), radius / ratio, radius, stroke=colour, width=2.0)


def _bar(point: NDArray[np.float64], along: NDArray[np.float64], colour: str, half: float, ratio: float) -> Shape:
    """A bar across a line from end to end of `along`: upright where that lies on its side, else level."""
    row, col = (float(v) for v in point)
    down, right = np.abs(along[-1] - along[0])
    if right * ratio > down:
        return Line(((col, row - half), (col, row + half)), colour, 2.5)
    return Line(((col - half / ratio, row), (col + half / ratio, row)), colour, 2.5)


def _marks(film: FilmResult, canals: list[Drawn], size: float, width: float, colours: dict[str, str]) -> list[Shape]:
    shown = Shown(film)
    ratio = shown.ratio
    parts: list[Shape] = []
    if film.calibration is not None:
        for line in film.calibration.lines:
            # Wide, below the canal's thin line, so that a file lying in the canal shows on both sides of it.
            known = shown.at(line.path_px)
            is_file = line.kind == "file"
            parts += _line(known, FILE_COLOUR, 2.6 * width if is_file else width)
            if is_file:
                parts.append(_bar(known[0], known, FILE_COLOUR, 3.0 * size, ratio))
            else:  # a thin line from dot to dot: it has no stop
                parts += [
                    Ellipse(float(col), float(row), 0.6 * size / ratio, 0.6 * size, fill=FILE_COLOUR)
                    for row, col in known[[0, -1]]
                ]
            if len(film.calibration.lines) > 1:  # each number at its own file
                row, col = (float(v) for v in known[0])
                words = f"{line.known_length_mm:g} mm"
                parts.append(Label(col + 3.4 * size / ratio, row + size, words, 12.0, colour=FILE_COLOUR, halo="#000"))
    for scale, _, foot in film.files:
        if foot is not None and isinstance(scale, KnownFile) and scale.reference_px is not None:
            # Square to the shaft, from what the stop rested on to where the known length begins.
            rested = shown.one(scale.reference_px)
            parts += _line(np.vstack([rested, shown.one(foot.foot_px)]), FILE_COLOUR, width, (2.0, 3.0))
            parts.append(_ring(rested, FILE_COLOUR, 0.7 * size, ratio))
    for file in film.unscaled_files:
        parts += _line(shown.at(file.path_px), FILE_COLOUR, 2.6 * width)
    for canal, trace in canals:
        colour = colours[canal.canal.name]
        path = shown.at(trace.path.path_px)
        if trace.trace.reference_px is not None:
            reference = shown.one(trace.trace.reference_px)
            if trace.trace.crown_px is not None:
                # From a cusp beside the shaft it goes over to where the stop was, and the length counts from there.
                start = reference if trace.start_px is None else shown.one(trace.start_px)
                over = [] if np.array_equal(start, reference) else [start]
                parts += _line(np.vstack([reference, *over, path[:1]]), colour, width, (2.0, 5.0))
            parts.append(_bar(reference, path, colour, 3.0 * size, ratio))
        for piece, seen in trace.pieces:
            parts += _line(shown.at(piece), colour, width, () if seen else (3.0, 4.0))
        parts.append(_ring(path[-1], colour, size, ratio))
        parts += _working_length_dot(canal, trace, colour, 0.55 * size)
        if len(canals) > 1:
            row, col = (float(v) for v in path[-1])
            parts.append(
                Label(
                    col + 1.6 * size / ratio,
                    row + 2.2 * size,
                    canal.canal.name,
                    13.0,
                    colour=colour,
                    halo="#000",
                    bold=True,
                )
            )
    return parts


def _working_length_dot(canal: CanalResult, trace: TraceResult, colour: str, radius: float) -> list[Shape]:
    """Where along the traced canal the working length ends, decided or else proposed; nothing where it cannot be shown."""
    held, length, calibration = canal.working_length.length_mm, trace.length, trace.film.calibration
    if canal.decision is not None:
        stop = decided_stop(canal.decision, canal.canal.reference_point)
        held = None if stop is None else stop.length_mm
    if held is None or length is None or calibration is None or trace.lacks_reference:
        return []
    along = arc_length(calibration.to_mm(trace.path.path_px))
    at = length.on_trace_mm(held)
    if not 0.0 <= at <= along[-1]:
        return []
    shown = Shown(trace.film)
    row, col = shown.one([np.interp(at, along, trace.path.path_px[:, axis]) for axis in (0, 1)])
    return [Ellipse(float(col), float(row), radius / shown.ratio, radius, stroke=colour, width=2.0, fill="#fff")]


def film_drawing(
    film: FilmResult, canals: list[Drawn], picture: Picture, colours: dict[str, str], height_px: int = 620
) -> Drawing:
    """The whole film, as it is shown, with file, canals, reference points, apical ends and a scale bar of whole millimetres."""
    shown = Shown(film)
    rows, cols = shown.shape
    shapes: list[Shape] = [picture, *_marks(film, canals, rows / 110.0, 1.8, colours)]
    if shown.mm_per_px is not None:
        shapes += _scale_bar(shown.mm_per_px[1], rows, cols)
    names = ", ".join(canal.canal.name for canal, _ in canals) or "no canal"
    return shown.drawing(shapes, height_px, f"Film {film.film.id} with {names} drawn on it")


def _scale_bar(mm_per_px: float, rows: int, cols: int) -> list[Shape]:
    """A bar along a row of pixels in the lower left corner: 5 mm, or 1 mm on a small film."""
    mm = 5 if 5.0 / mm_per_px < 0.6 * cols else 1
    end = cols * 0.04 + mm / mm_per_px
    y, x, tick = rows * 0.97, cols * 0.04, rows * 0.008
    shapes: list[Shape] = []
    for colour, width in (("#000", 4.5), ("#fff", 2.0)):
        shapes += [
            Line(((x, y - tick), (x, y + tick)), colour, width),
            Line(((x, y), (end, y)), colour, width),
            Line(((end, y - tick), (end, y + tick)), colour, width),
        ]
    return [*shapes, Label(end + cols * 0.02, y + rows * 0.008, f"{mm} mm", 14.0, colour="#fff", halo="#000")]


def apex_drawing(
    canal: CanalResult, trace: TraceResult, picture: Picture, colour: str, side_mm: float = 5.0, side_px: int = 240
) -> Drawing | None:
    """Close-up of the apical end of one canal, `side_mm` square, from the same picture; None without a scale."""
    film, shown = trace.film, Shown(trace.film)
    if shown.mm_per_px is None:
        return None
    row, col = (float(v) for v in shown.one(trace.path.path_px[-1]))
    high, wide = (side_mm / size for size in shown.mm_per_px)
    x, y = col - 0.5 * wide, row - 0.6 * high
    shapes: list[Shape] = [picture, *_marks(film, [(canal, trace)], high / 26.0, 1.5, {canal.canal.name: colour})]
    if shown.words:
        shapes.append(Label(x + 0.04 * wide, y + 0.09 * high, shown.words, 12.0, colour="#fff", halo="#000"))
    label = f"Close-up of the apical end, {side_mm:g} mm wide"
    return Drawing((x, y, wide, high), side_px, side_px, tuple(shapes), label, is_film=True)


def profile_drawing(trace: TraceResult, colour: str, width: int = 420, height: int = 190) -> Drawing | None:
    """Curvature along the canal from the orifice, with its 95 % band and the fitted bends below; None without a scale."""
    curvature, calibration = trace.curvature, trace.film.calibration
    if curvature is None or calibration is None:
        return None
    profile: CurvatureProfile = curvature.profile
    total = float(arc_length(calibration.to_mm(trace.path.path_px))[-1])
    left, right, top, bottom = 46, 14, 14, 40
    band = NORMAL_95 * profile.std_per_mm
    reach = max(0.1, float((np.abs(profile.per_mm) + band).max()))
    ticks = 0.1 if reach < 0.35 else 0.2 if reach < 0.9 else 0.5
    reach = (floor(reach / ticks) + 1) * ticks
    low = -reach if float(profile.per_mm.min()) < -0.25 * reach else -0.25 * reach
    high = reach if float(profile.per_mm.max()) > 0.25 * reach else 0.25 * reach

    def x(mm: float) -> float:
        return left + (width - left - right) * mm / total

    def y(value: float) -> float:
        return top + (height - top - bottom) * (high - value) / (high - low)

    parts: list[Shape] = []
    for k, (first, last) in enumerate(curvature.model.bends):
        begin, end = (float(curvature.model.breaks_mm[at]) for at in (2 * first, 2 * last + 1))
        corners = ((x(begin), top), (x(end), top), (x(end), height - bottom), (x(begin), height - bottom))
        parts.append(Area(corners, "#e7ebef", title=f"fitted bend {k + 1}: {begin:.1f} to {end:.1f} mm"))
    value = floor(low / ticks) * ticks
    while value <= high + 1e-9:
        if value >= low - 1e-9:
            strong = abs(value) < 1e-9
            parts.append(Line(((left, y(value)), (width - right, y(value))), "#8a929b" if strong else "#dde2e7"))
            parts.append(Label(left - 6, y(value) + 4, f"{abs(value):.1f}", anchor="end"))
        value += ticks
    for mm in range(0, int(total) + 1, 2 if total < 15 else 4):
        parts.append(Label(x(mm), height - bottom + 15, f"{mm}", anchor="middle"))
    lower, middle, upper = (
        [(x(float(a)), y(float(v))) for a, v in zip(profile.at_mm, profile.per_mm + shift, strict=True)]
        for shift in (-band, 0.0 * band, band)
    )
    parts.append(Area((*upper, *lower[::-1]), colour, 0.25))
    parts.append(Line(tuple(middle), "#222", 1.6))
    if curvature.min_radius_at_mm is not None and curvature.form != "I":
        k = profile.sharpest
        parts.append(Ellipse(x(float(profile.at_mm[k])), y(float(profile.per_mm[k])), 3.5, 3.5, fill="#222"))
    parts.append(Label((left + width - right) / 2, height - 8, f"mm from {first_point_words(trace)}", anchor="middle"))
    parts.append(Label(12, (top + height - bottom) / 2, "curvature, 1/mm", anchor="middle", turn_deg=-90.0))
    return Drawing((0.0, 0.0, width, height), width, height, tuple(parts), "Curvature along the canal")
