"""One row a canal with every definition: of paths by the thousand, and of cases carried through every step.

A row is the same whoever computed it: it depends on the path, its scale and the settings, and numbers are rounded to
`DIGITS`, far below what any of them is sure of.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import hypot, inf
from pathlib import Path
from typing import Any

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.calibration import CLICK_FLOOR_MM, CLICK_STD_PX
from wlmeasure.errors import WlmeasureError
from wlmeasure.measure.length import PATH, UNCOVERED_WHOLE_REL_STD
from wlmeasure.measure.many import FIGURES, figures_of, measure_many
from wlmeasure.record.case import load_case
from wlmeasure.record.evaluate import CanalResult, CaseResult, TraceResult, evaluate
from wlmeasure.record.films import MM_PER_PX_RANGE
from wlmeasure.share.path_set import Head, PathFeature
from wlmeasure.share.result import canal_flags, canal_rows
from wlmeasure.study.path_lines import Bad
from wlmeasure.trace.centreline import LONGEST_MM

__all__ = ["ROW_COLUMNS", "TEXT_COLUMNS", "Settings", "case_rows", "path_rows"]

Float64 = NDArray[np.float64]
Row = dict[str, Any]

DIGITS = 6
ROUGH_MM = 0.025  # a pixel of a path without a scale, only to measure its angles, which do not depend on it
SAME_END_MM = 1e-6

ROW_COLUMNS = {
    "source": "File that the canal stands in, as it was named.",
    "place": "Its place in that file, counted from 1; of a list of vertices, of the line its stretch begins with.",
    "id": "The line's own id, where it has one.",
    "case": "Identifier of the case.",
    "image": "Id of the image or film.",
    "tooth": "Tooth in the designation of ISO 3950.",
    "canal": "Name of the canal.",
    "annotator": "Who drew the line.",
    "session": "In which session or repeat.",
    "method": "What made the line.",
    "apical_end": "What the line ends at.",
    "points": "Points of the line.",
    "mm_per_px_row": "Millimetres from one row to the next; empty where there is no scale, and then all millimetres are.",
    "mm_per_px_col": "Millimetres from one column to the next.",
    "length_mm": "Coronal reference point (or the line's begin) to apical end along the canal, mm.",
    "length_std_mm": "Standard uncertainty of it, mm; of a path as of a canal along which no file of known length lies.",
    "coronal_mm": "Straight piece from the coronal reference point to the orifice, mm.",
    "canal_mm": "Orifice to apical end along the canal, mm: along the line's points, or a smooth line through clicks.",
    "fitted_mm": "The same along the fitted model, mm; points that scatter lengthen canal_mm and not this one.",
    "path_std_mm": "Standard uncertainty of that by errors across the path, mm.",
    "form": "I straight, J apical curve, C whole-length curve, S two opposite curves.",
    "schneider_deg": "Schneider's angle, degrees; of the first curve of an S.",
    "schneider_std_deg": "Standard uncertainty of it by the scatter of the points, degrees.",
    "schneider_secondary_deg": "Schneider's angle of the second curve of an S, degrees.",
    "weine_deg": "Angle between the tangents of the curve's two ends (Weine; Pruett's angle), degrees.",
    "weine_std_deg": "Standard uncertainty of it, degrees.",
    "weine_secondary_deg": "The same angle of the second curve of an S, degrees.",
    "long_axis_deg": "Angle between the long axes of the canal's two ends, degrees.",
    "turning_deg": "Sum of the sizes of all turns, degrees.",
    "arc_deg": "Turn of the one fitted arc, before a turn below 5 degrees is called straight, degrees.",
    "radius_mm": "Pruett's radius, mm; empty where the points do not determine it.",
    "radius_low_mm": "Lower end of its 95 % interval, mm.",
    "radius_high_mm": "Upper end of its 95 % interval, mm; empty where it has none.",
    "radius_secondary_mm": "Radius of the second curve of an S, mm.",
    "radius_secondary_low_mm": "Lower end of its 95 % interval, mm.",
    "radius_secondary_high_mm": "Upper end of its 95 % interval, mm; empty where it has none.",
    "begin_mm": "Where the curve begins, from the orifice, mm.",
    "tail_mm": "Length of the straight part behind the last curve, mm.",
    "luiten_deg": "Angle between the first 2 mm and the last 1 mm (Luiten), degrees.",
    "canal_access_deg": "Canal access angle (Gunday), degrees.",
    "access_height_mm": "Curvature height of the canal access construction, mm.",
    "access_distance_mm": "Curvature distance of the canal access construction, mm.",
    "estrela_radius_mm": "Radius through three points on two chords of 6 mm (Estrela), mm.",
    "backman_deg_per_mm": "Angle over radius (Backman), degrees per mm.",
    "misfit_mm": "Root mean square distance of the points from the fitted model, mm.",
    "working_length_mm": "Proposed working length of a case, mm; empty for a path.",
    "working_length_std_mm": "Standard uncertainty of it, mm.",
    "status": "What film and readings of a case say together.",
    "flags": "Codes of all remarks of a case.",
    "model": "What the figures come from: paths (all alike, fast) or case (every step on the film).",
}
"""Name of every column of the table, and what it means."""
TEXT_COLUMNS = (
    "source", "id", "case", "image", "tooth", "canal", "annotator", "session", "method", "apical_end", "form", "status", "flags",
    "model",
)  # fmt: skip
WHOLE_COLUMNS = ("place", "points")
SCALE = ("mm_per_px_row", "mm_per_px_col")
_WITHOUT_SCALE = [name for name in FIGURES if not name.endswith("_deg") or name == "luiten_deg"]


@frozen
class Settings:
    """How a table is computed. `correlated_mm` is for lines that do not say it themselves; `engine` is numba or numpy."""

    engine: str = "numpy"
    correlated_mm: float = 0.0
    paths_only: bool = False


@frozen(eq=False)
class _Line:
    """A canal about to be measured: its path in mm and what its scale is."""

    place: int
    feature: PathFeature
    path_mm: Float64
    pixel: tuple[float, float]
    rel_std: float
    scaled: bool
    coronal_mm: float


def path_rows(
    source: str, head: Head, features: Iterable[PathFeature | Bad], settings: Settings, first: int = 1
) -> tuple[list[Row], list[Bad]]:
    """Rows of the canals among some lines of a file, in their order, and the lines that cannot be measured."""
    bad: list[Bad] = []
    lines: list[_Line] = []
    for place, feature in enumerate(features, first):
        if isinstance(feature, Bad):
            bad.append(feature)
        elif feature.kind == "canal":
            try:
                lines.append(_in_mm(place, head, feature))
            except WlmeasureError as error:
                bad.append(Bad(place, str(error), feature.id))
    rows: dict[int, Row] = {}
    together: dict[float, list[int]] = {}
    for k, line in enumerate(lines):
        said = line.feature.correlated_mm
        correlated = settings.correlated_mm if said is None else said
        together.setdefault(correlated if line.scaled else 0.0, []).append(k)
    for correlated, chosen in together.items():
        figures, refused = _figures([lines[k] for k in chosen], correlated, settings)
        for k, row in zip(chosen, figures, strict=True):
            if row is not None:
                rows[k] = _path_row(source, lines[k], row)
        bad += refused
    return [rows[k] for k in sorted(rows)], sorted(bad, key=lambda one: one.place)


def _figures(lines: list[_Line], correlated: float, settings: Settings) -> tuple[list[Row | None], list[Bad]]:
    """Figures of some lines; where the arithmetic fails on one of them, it alone is left out."""
    try:
        figures = measure_many(
            [line.path_mm for line in lines],
            scale_rel_std=np.array([line.rel_std for line in lines]),
            correlated_mm=correlated,
            compiled=settings.engine == "numba",
        )
    except (WlmeasureError, ArithmeticError, np.linalg.LinAlgError) as error:
        if len(lines) == 1:
            return [None], [Bad(lines[0].place, f"path cannot be measured: {error}", lines[0].feature.id)]
        each = [_figures([line], correlated, settings) for line in lines]
        return [row for rows, _ in each for row in rows], [one for _, bad in each for one in bad]
    values = {name: np.round(column, DIGITS).tolist() for name, column in figures.of.items()}
    return [
        {name: column[k] for name, column in values.items()} | {"form": form} for k, form in enumerate(figures.form)
    ], []


def _in_mm(place: int, head: Head, feature: PathFeature) -> _Line:
    """A canal in mm.

    Raises
    ------
    WlmeasureError
        What `measure` refuses too: a scale that is no radiograph's, a line without a length or without two ends.
    """
    scale = head.scale(feature)
    pixel = (ROUGH_MM, ROUGH_MM) if scale is None else (scale.mm_per_px_row, scale.mm_per_px_col)
    path = feature.path_px * pixel
    low, high = MM_PER_PX_RANGE
    # Coordinates that were millimetres to begin with are pixels of one millimetre.
    if not (pixel == (1.0, 1.0) or (low <= min(pixel) and max(pixel) <= high)):
        raise WlmeasureError(f"scale must be {low:g} to {high:g} mm per pixel: {pixel[0]:g} x {pixel[1]:g}; check it")
    steps = path[1:] - path[:-1]
    length = float(np.sqrt(np.einsum("ij,ij->i", steps, steps)).sum())
    if not (length > 0.0 and (scale is None or length <= LONGEST_MM)):
        raise WlmeasureError(
            f"length must be up to {LONGEST_MM:g} mm: {length:.4g} mm; check scale and order of points"
        )
    if hypot(*(path[-1] - path[0]).tolist()) < SAME_END_MM:
        raise WlmeasureError("path must not end where it begins: a canal has two ends; check the order of the points")
    coronal = 0.0
    if feature.reference_px is not None:
        coronal = hypot(*(np.asarray(feature.reference_px) * pixel - path[0]).tolist())
    return _Line(
        place, feature, path, pixel, 0.0 if scale is None else scale.rel_std or 0.0, scale is not None, coronal
    )


def _path_row(source: str, line: _Line, row: Row) -> Row:
    feature = line.feature
    row |= {name: getattr(feature, name) for name in ("id", "case", "image", "tooth", "canal", "annotator", "session")}
    row |= {"source": source, "place": line.place, "method": _method(feature), "apical_end": feature.apical_end}
    row |= {"points": len(line.path_mm), "model": "paths"}
    if not line.scaled:
        for name in _WITHOUT_SCALE:
            row[name] = None
        return _clean(row)
    length = row["canal_mm"] + line.coronal_mm
    row["mm_per_px_row"], row["mm_per_px_col"] = line.pixel
    row["coronal_mm"], row["length_mm"] = round(line.coronal_mm, DIGITS), round(length, DIGITS)
    row["length_std_mm"] = round(_length_std(line, length, row["path_std_mm"]), DIGITS)
    return _clean(row)


def _method(feature: PathFeature) -> str | None:
    return feature.method if feature.method_version is None else f"{feature.method or ''}/{feature.method_version}"


def _length_std(line: _Line, length: float, path_std: float) -> float:
    """The budget of `measure_length` for a canal along which no file of known length lies, mm."""
    path = line.path_mm
    first, last = (path[1] - path[0]).tolist(), (path[-1] - path[-2]).tolist()
    if line.coronal_mm > 0.0 and line.feature.reference_px is not None:
        first = (path[0] - np.asarray(line.feature.reference_px) * line.pixel).tolist()
    ends = [_click_std(step, line.pixel) for step in (first, last)]
    path_std = 0.0 if path_std != path_std else path_std
    return hypot(*ends, path_std, line.rel_std * length, UNCOVERED_WHOLE_REL_STD * length)


def _click_std(step: list[float], pixel: tuple[float, float]) -> float:
    along = hypot(*step)
    size = max(pixel) if along == 0.0 else hypot(step[0] * pixel[0], step[1] * pixel[1]) / along
    return max(CLICK_STD_PX * size, CLICK_FLOOR_MM)


def case_rows(source: str, path: Path) -> list[Row]:
    """Rows of a case carried through every step on its films: one a canal and film."""
    result = evaluate(load_case(path))
    return [
        _case_row(source, place, result, canal, trace) for place, (canal, trace) in enumerate(canal_rows(result), 1)
    ]


def _case_row(source: str, place: int, result: CaseResult, canal: CanalResult, trace: TraceResult | None) -> Row:
    row: Row = {"source": source, "place": place, "case": result.case.case_id, "tooth": result.case.tooth}
    row |= {"canal": canal.canal.name, "model": "case"}
    row["flags"] = " ".join(flag.code for flag in canal_flags(canal, trace)) or None
    if trace is None or trace is canal.basis:
        working = canal.working_length
        row |= {
            "working_length_mm": working.length_mm,
            "working_length_std_mm": working.std_mm,
            "status": working.status,
        }
    if trace is None:
        return _clean(row)
    row |= {"image": trace.trace.film, "method": trace.path.tracer, "apical_end": trace.trace.apical_end}
    row["points"] = len(trace.path.path_px)
    if trace.curvature is not None:
        row |= figures_of(trace.curvature) | {"form": trace.curvature.form}
    length, scale = trace.length, trace.film.calibration
    if scale is not None:
        row["mm_per_px_row"], row["mm_per_px_col"] = scale.mm_per_px
    if length is not None:
        row |= {"length_mm": length.length_mm, "length_std_mm": length.length_std_mm}
        row |= {"coronal_mm": length.coronal_mm, "canal_mm": length.canal_mm}
        row["path_std_mm"] = sum(term.std_mm for term in length.budget if term.term == PATH)
    return _clean({n: round(v, DIGITS) if isinstance(v, float) and n not in SCALE else v for n, v in row.items()})


def _clean(row: Row) -> Row:
    """All columns in their order; what is not determined, or has no end, is None."""
    return {
        name: None if (value := row.get(name)) is None or value != value or value == inf else value
        for name in ROW_COLUMNS
    }
