"""Cells of a teacher's key, and the second film that a row of it may have.

Members are checked where they are declared, so that a cell may be None here: the message names the member.
"""

from __future__ import annotations

from typing import Any

from attrs import evolve

from wlmeasure.errors import CaseError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.learn.exercise import Given, Item, ItemTruth, SecondFilm, SecondTruth
from wlmeasure.learn.parallax import film_length_mm

__all__ = ["number_cell", "points_cell", "with_second"]


def number_cell(row: dict[str, str], column: str) -> Any:
    """The number in a cell; None for an empty one. Raises CaseError."""
    cell = row.get(column, "")
    try:
        return float(cell.replace(",", ".")) if cell else None
    except ValueError:
        raise CaseError(f"{column} must be a number: {cell[:40]!r}") from None


def points_cell(row: dict[str, str], column: str) -> Any:
    """The points in a cell; None for an empty one. Raises CaseError."""
    cell = row.get(column, "")
    try:
        return [[float(v) for v in pair.split()] for pair in cell.split(";") if pair.strip()] if cell else None
    except ValueError:
        raise CaseError(f"{column} must be 'row col; row col; ...' in pixels: {cell[:40]!r}") from None


def with_second(
    item: Item, truth: ItemTruth, row: dict[str, str], name: str, graph: Radiograph
) -> tuple[Item, ItemTruth]:
    """An item and its truth with the second film of its row; pixels and scale are the first film's where none are given.

    Raises CaseError for a cell that is not what its column needs.
    """
    given = item.scale
    length, grown = number_cell(row, "second_known_file_mm"), number_cell(row, "second_magnification")
    if length is None and grown is None:
        length, grown = given.known_file_mm, given.magnification
    film = SecondFilm(
        film=name,
        sha256=graph.sha256,
        rows=graph.rows,
        cols=graph.cols,
        scale=Given(
            mm_per_px_row=number_cell(row, "second_mm_per_px_row") or given.mm_per_px_row,
            mm_per_px_col=number_cell(row, "second_mm_per_px_col") or given.mm_per_px_col,
            known_file_mm=length,
            magnification=grown,
        ),
        shift_deg=number_cell(row, "shift_deg"),
        mesial_to=row.get("mesial_to", ""),
        tube=row.get("tube") or None,
        asks_side=bool(row.get("side")),
    )
    known = SecondTruth(
        difference_mm=number_cell(row, "difference_mm") or 0.0,
        path_px=points_cell(row, "second_path"),
        file_px=points_cell(row, "second_file_path"),
        tube=film.tube,
        side=row.get("side") or None,
    )
    if not row.get("difference_mm"):
        lengths = film_length_mm(item, truth), film_length_mm(film, known)
        if lengths[0] is None or lengths[1] is None:
            raise CaseError(
                "difference_mm must be given where the canal's path is not known on both films: it is empty"
            )
        known = evolve(known, difference_mm=round(lengths[1] - lengths[0], 4))
    return evolve(item, second_film=film), evolve(truth, second=known)
