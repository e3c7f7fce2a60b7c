"""Films of one tooth over time in words, as JSON, as tables and as drawings."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wlmeasure.errors import CaseError
from wlmeasure.image.view import viewed
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.record.over_time import CarriedMark, Comparison, Shift
from wlmeasure.share.drawing import Drawing, Ellipse, Line, Shape, svg
from wlmeasure.share.figures import CANAL_COLOURS, Shown, displayed_picture, film_picture
from wlmeasure.share.page import Block, Figure, Heading, Key, Page, PageFile, Remarks, Row, Table
from wlmeasure.share.page_file import page_file
from wlmeasure.trace.edges import edges_of, square_grid

__all__ = [
    "checker_drawing",
    "comparison_file",
    "comparison_json",
    "comparison_text",
    "outline_drawing",
    "over_time_blocks",
    "over_time_json",
    "over_time_lines",
    "shift_words",
]

OUTLINE_COLOUR, MARK_COLOUR = "#56b4e9", CANAL_COLOURS[0]
TILE_MM = 3.0
"""Side of a tile of the board, mm: a root crosses several; our parameter."""
GRID_MM, LINES_MM = 0.1, 1.5
"""Step of the grid on which outlines are found, and the shortest outline that is drawn, mm; our parameters."""
EDGES = (280, 480)
"""Strength (sum of both parts, 1000 at the most or 1414 askew) to which an edge is followed, and from which it is begun; our
parameters."""


def shift_words(shift: Shift, earlier: str, later: str) -> str:
    """One sentence: what was marked on the later film, and where it lies from what the earlier one had."""
    half = NORMAL_95 * shift.coronal_std_mm
    if shift.seen:
        along = (
            f"lies {abs(shift.coronal_mm):.1f} ± {half:.1f} mm {'coronal' if shift.coronal_mm > 0.0 else 'apical'} of"
        )
    else:
        along = f"lies within what is uncertain ({shift.coronal_mm:+.1f} ± {half:.1f} mm, + is coronal) of"
    return (
        f"canal {shift.canal}: the {shift.now} marked on {later} {along} where {earlier} had the {shift.was} "
        f"({shift.sideways_mm:.1f} ± {NORMAL_95 * shift.sideways_std_mm:.1f} mm to the side)"
    )


def _mark_words(mark: CarriedMark) -> str:
    row, col = mark.at_px
    std = "no scale" if mark.std_mm is None else f"± {NORMAL_95 * mark.std_mm:.1f} mm"
    return f"canal {mark.canal}: {mark.mark} carried to row {row:.1f}, column {col:.1f} ({std})"


def over_time_lines(comparison: Comparison) -> list[str]:
    """The comparison as lines of a record."""
    one, other, found = comparison.earlier.film.id, comparison.later.film.id, comparison.registration
    head = f"Over time: {one} on {other}"
    if not found.fits:
        return [f"{head}: {found.verdict}", f"  ! {found.why[:1].upper()}{found.why[1:]}."]
    lines = [
        f"{head}: fits; {100 * found.explained:.0f} % of the edges explained, {found.residual_mm:.2f} mm left on the outline, "
        f"turned by {found.turn_deg:.1f} degrees, scale {found.scale:.3f}"
    ]
    return lines + [f"  {shift_words(shift, one, other)}" for shift in comparison.shifts]


def comparison_text(comparison: Comparison) -> str:
    """The whole comparison as text, carried marks included."""
    lines = over_time_lines(comparison)
    lines += [f"  {_mark_words(mark)}" for mark in comparison.carried]
    if comparison.carried:
        lines.append("  Carried marks are proposals: look at each before it is used.")
    if comparison.registration.fits:
        lines.append("± is the half-width of the 95 % interval.")
    return "\n".join(lines) + "\n"


def comparison_json(comparison: Comparison) -> dict[str, Any]:
    """The comparison as JSON-ready values; pixels are (row, col), absent figures null."""
    found = comparison.registration
    return {
        "from": comparison.earlier.film.id,
        "to": comparison.later.film.id,
        "verdict": found.verdict,
        "why": found.why or None,
        "transform": [[float(f"{v:.10g}") for v in row] for row in found.a_to_b.tolist()],
        "explained": round(found.explained, 3),
        "residual_mm": round(found.residual_mm, 4),
        "turn_deg": round(found.turn_deg, 3),
        "scale": round(found.scale, 4),
        "anisotropy": round(found.anisotropy, 4),
        "perspective_per_mm": round(found.perspective_per_mm, 6),
        "carried": [
            {
                "canal": mark.canal,
                "mark": mark.mark,
                "at_px": [round(v, 2) for v in mark.at_px],
                "covariance_px": [[round(v, 3) for v in row] for row in mark.covariance_px.tolist()],
                "std_mm": None if mark.std_mm is None else round(mark.std_mm, 3),
            }
            for mark in comparison.carried
        ],
        "shifts": [
            {
                "canal": shift.canal,
                "mark": shift.mark,
                "was": shift.was,
                "now": shift.now,
                "coronal_mm": round(shift.coronal_mm, 3),
                "coronal_std_mm": round(shift.coronal_std_mm, 3),
                "coronal_interval_mm": [round(v, 3) for v in shift.interval_mm],
                "sideways_mm": round(shift.sideways_mm, 3),
                "sideways_std_mm": round(shift.sideways_std_mm, 3),
            }
            for shift in comparison.shifts
        ],
    }


def over_time_json(comparisons: tuple[Comparison, ...]) -> list[dict[str, Any]]:
    """All comparisons of a case."""
    return [comparison_json(one) for one in comparisons]


def over_time_blocks(comparisons: tuple[Comparison, ...]) -> list[Block]:
    """A small table for the report; nothing where no two films have a canal in common."""
    if not comparisons:
        return []
    rows, refused = [], []
    for one in comparisons:
        ids = one.earlier.film.id, one.later.film.id
        if not one.registration.fits:
            refused.append(f"{ids[0]} on {ids[1]}: {one.registration.verdict}; {one.registration.why}.")
        for shift in one.shifts:
            rows.append(
                (
                    f"{ids[0]} to {ids[1]}, {shift.canal}",
                    shift.was if shift.was == shift.now else f"{shift.was}, then {shift.now}",
                    f"{shift.coronal_mm:+.1f} ± {NORMAL_95 * shift.coronal_std_mm:.1f}",
                    f"{shift.sideways_mm:.1f} ± {NORMAL_95 * shift.sideways_std_mm:.1f}",
                )
            )
    blocks: list[Block] = [Heading(2, "Films over time")]
    if rows:
        head = ("Films, canal", "Mark", "Coronal of where it was, mm", "To the side, mm")
        blocks.append(Table(tuple(rows), head, (2, 3), named=True))
    return [*blocks, Remarks(tuple(refused))]


def comparison_file(comparison: Comparison, name: str, *, made_at: str, program: str) -> PageFile:
    """The comparison as a picture (.svg: the earlier outline on the later film) or a page (.html, .pdf).

    Raises
    ------
    CaseError
        Another ending, or films that do not fit.
    """
    if name.lower().endswith(".svg"):
        return PageFile((svg(outline_drawing(comparison, height_px=1200)) + "\n").encode())
    if not name.lower().endswith((".html", ".htm", ".pdf")):
        raise CaseError(f"a picture's name must end in .svg, .html or .pdf: {name}")
    one, other = comparison.earlier.film, comparison.later.film
    drawings = (
        Figure(
            outline_drawing(comparison),
            f"Film {other.id} with the outlines of film {one.id}.",
            (Key(OUTLINE_COLOUR, f"edges of {one.id}"), Key(MARK_COLOUR, "carried marks, 95 %")),
        ),
        Figure(checker_drawing(comparison), f"Tiles of film {one.id} (laid on it) and of film {other.id} by turns."),
    )
    lines = comparison_text(comparison).splitlines()
    page = Page(
        f"Film {one.id} on film {other.id}",
        f"Made {made_at}.",
        (Row(tuple((figure,) for figure in drawings)), Table(tuple((line.strip(),) for line in lines))),
        footer=f"{made_at}; {program}",
    )
    return page_file(name, lambda: page)


def outline_drawing(comparison: Comparison, height_px: int = 620) -> Drawing:
    """The later film with the edges of the earlier one and the carried marks on it.

    Raises
    ------
    CaseError
        The films do not fit.
    """
    _must_fit(comparison)
    film, shown = comparison.later, Shown(comparison.later)
    shapes: list[Shape] = [film_picture(film)]
    for line in _outlines(comparison):
        seen = shown.at(line)
        shapes.append(Line(tuple((float(c), float(r)) for r, c in seen), OUTLINE_COLOUR, 1.4, opacity=0.9))
    for mark in comparison.carried:
        row, col = (float(v) for v in shown.one(mark.at_px))
        half = NORMAL_95 * np.sqrt(np.diag(mark.covariance_px))
        high, wide = half[::-1] if shown.on_its_side else half
        shapes.append(Ellipse(col, row, float(wide), float(high), stroke=MARK_COLOUR, width=2.0))
    return shown.drawing(shapes, height_px, f"Film {film.film.id} with outlines of film {comparison.earlier.film.id}")


def checker_drawing(comparison: Comparison, height_px: int = 620) -> Drawing:
    """Tiles of the later film and of the earlier one, laid on it, by turns: an outline that breaks at a tile does not fit.

    Raises
    ------
    CaseError
        The films do not fit.
    """
    _must_fit(comparison)
    film = comparison.later
    below, above = film.radiograph.displayed(), laid_picture(comparison)
    rows, cols = below.shape
    size = film.calibration.mm_per_px if film.calibration is not None else comparison.registration.b_mm_per_px
    tiles = np.floor_divide(np.arange(rows) * size[0], TILE_MM)[:, None] + np.floor_divide(
        np.arange(cols) * size[1], TILE_MM
    )
    board = np.where(tiles % 2 == 0, below, above).astype(np.uint8)
    words = f"Films {comparison.earlier.film.id} and {film.film.id} in tiles by turns"
    return Shown(film).drawing([displayed_picture(viewed(board, film.film.shown_as))], height_px, words)


def laid_picture(comparison: Comparison) -> NDArray[np.uint8]:
    """The earlier film as it is displayed, on the pixels of the later one; black beyond its rim."""
    rows, cols = comparison.later.radiograph.values.shape
    swap = np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])  # cv2 counts (x, y)
    matrix = swap @ comparison.registration.a_to_b @ swap
    picture = cv2.warpPerspective(
        comparison.earlier.radiograph.displayed(), matrix, (cols, rows), flags=cv2.INTER_LINEAR
    )
    return np.asarray(picture, np.uint8)


def _must_fit(comparison: Comparison) -> None:
    found = comparison.registration
    if not found.fits:
        raise CaseError(
            f"film {comparison.earlier.film.id} must fit film {comparison.later.film.id} to be drawn on it: "
            f"{found.verdict}; {found.why}"
        )


def _outlines(comparison: Comparison) -> list[NDArray[np.float64]]:
    """Edges of the earlier film as lines of (row, col) on the later one."""
    found = comparison.registration
    grid, step = square_grid(comparison.earlier.radiograph, GRID_MM, found.a_mm_per_px)
    rows, cols = (np.asarray(1000.0 * part, np.int16) for part in np.moveaxis(edges_of(grid, GRID_MM), -1, 0))
    lines = []
    for contour in cv2.findContours(cv2.Canny(cols, rows, *EDGES), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)[0]:
        if len(contour) * GRID_MM < 2.0 * LINES_MM:  # a contour goes there and back
            continue
        thin = cv2.approxPolyDP(contour, 0.5, True)[:, 0, ::-1].astype(np.float64)
        if len(thin) > 1:
            at = (np.vstack([thin, thin[:1]]) + 0.5) * step - 0.5
            lines.append(found.to_b(at))
    return lines
