"""One row a canal with every definition: of paths by the thousand, and of cases carried through every step.

A row is the same whoever computed it: it depends on the path, its scale and the settings, and numbers are rounded to
`DIGITS`, far below what any of them is sure of.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import hypot, inf
from pathlib import Path
from typing import Any

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.calibration import CLICK_FLOOR_MM, CLICK_STD_PX
from wlmeasure.errors import WlmeasureError
from wlmeasure.measure.length import PATH, UNCOVERED_WHOLE_REL_STD
from wlmeasure.measure.many import FIGURES, ManyFigures, figures_of, measure_many
from wlmeasure.record.case import load_case
from wlmeasure.record.evaluate import CanalResult, CaseResult, TraceResult, evaluate
from wlmeasure.record.facts import CaseFacts, case_facts
from wlmeasure.record.films import MM_PER_PX_RANGE
from wlmeasure.share.path_set import Head, PathFeature
from wlmeasure.share.paths import Credit, case_name
from wlmeasure.share.result import canal_flags, canal_rows
from wlmeasure.study.path_lines import Bad
from wlmeasure.trace.centreline import LONGEST_MM

__all__ = ["ROW_COLUMNS", "TEXT_COLUMNS", "WHOLE_COLUMNS", "Columns", "Settings", "case_rows", "joined", "path_rows"]

Float64 = NDArray[np.float64]
Row = dict[str, Any]
Columns = dict[str, list[Any]]

DIGITS = 6
ROUGH_MM = 0.025  # a pixel of a path without a scale, only to measure its angles, which do not depend on it
SAME_END_MM = 1e-6
MOST_TIMES = (
    10.0  # our parameter: a line may be so much longer from point to point than a canal, as scattered points make it
)

ROW_COLUMNS = {
    "source": "File that the canal stands in, as it was named.",
    "place": "Its place in that file, counted from 1; of a list of vertices, of the line its stretch begins with.",
    "id": "The line's own id, where it has one.",
    "case": "Identifier of the case; of a result of a study the blinded name of its film.",
    "image": "Id of the image or film.",
    "tooth": "Tooth in the designation of ISO 3950.",
    "canal": "Name of the canal.",
    "annotator": "Who drew the line.",
    "session": "In which session; of a result of a study which of the observer's readings of that film, from 1.",
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
    "schneider_secondary_std_deg": "Standard uncertainty of it, degrees.",
    "weine_deg": "Angle between the tangents of the curve's two ends (Weine; Pruett's angle), degrees.",
    "weine_std_deg": "Standard uncertainty of it, degrees.",
    "weine_secondary_deg": "The same angle of the second curve of an S, degrees.",
    "long_axis_deg": "Angle between the long axes of the canal's two ends, degrees.",
    "turning_deg": "Sum of the sizes of the turns of all bends, degrees.",
    "turning_std_deg": "Standard uncertainty of it, degrees; an angle whose own is above 5 degrees is not determined.",
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
    "source", "id", "case", "image", "tooth", "canal", "annotator", "session", "method", "apical_end", "form", "status",
    "flags", "model",
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

    number: int
    source: str
    place: int
    feature: PathFeature
    path_mm: Float64
    pixel: tuple[float, float]
    rel_std: float
    scaled: bool


def path_rows(
    inputs: Iterable[tuple[str, Head, Iterable[PathFeature | Bad], int]], settings: Settings
) -> tuple[Columns, list[tuple[str, Bad]]]:
    """Rows of the canals among some lines of files, in their order, and the lines that cannot be measured.

    Each input is the file's name, its head, the lines, and the number of the first of them.
    """
    bad: list[tuple[int, str, Bad]] = []
    lines: list[_Line] = []
    number = 0
    for source, head, features, first in inputs:
        for place, feature in enumerate(features, first):
            number += 1
            if isinstance(feature, Bad):
                bad.append((number, source, feature))
            elif feature.kind == "canal":
                try:
                    lines.append(_in_mm(number, source, place, head, feature))
                except WlmeasureError as error:
                    bad.append((number, source, Bad(place, str(error), feature.id)))
    together: dict[float, list[_Line]] = {}
    for line in lines:
        said = line.feature.correlated_mm
        correlated = settings.correlated_mm if said is None else said
        together.setdefault(correlated if line.scaled else 0.0, []).append(line)
    parts: list[Columns] = []
    numbers: list[int] = []
    for correlated, some in together.items():
        kept, figures, refused = _measured(some, correlated, settings)
        parts.append(_columns(kept, figures))
        numbers += [line.number for line in kept]
        bad += [(line.number, line.source, Bad(line.place, why, line.feature.id)) for line, why in refused]
    refusals = [(source, one) for _, source, one in sorted(bad, key=lambda one: one[0])]
    table = parts[0] if len(parts) == 1 else joined(parts)
    if numbers != sorted(numbers):
        order = sorted(range(len(numbers)), key=numbers.__getitem__)
        table = {name: [column[k] for k in order] for name, column in table.items()}
    return table, refusals


def joined(parts: Sequence[Columns]) -> Columns:
    """The rows of several tables, one after another."""
    return {name: [value for part in parts for value in part[name]] for name in ROW_COLUMNS}


def _in_mm(number: int, source: str, place: int, head: Head, feature: PathFeature) -> _Line:
    """A canal in mm.

    Raises
    ------
    WlmeasureError
        What `measure` refuses too: a scale that is no radiograph's, a line without two ends.
    """
    scale = head.scale(feature)
    pixel = (ROUGH_MM, ROUGH_MM) if scale is None else (scale.mm_per_px_row, scale.mm_per_px_col)
    low, high = MM_PER_PX_RANGE
    # Coordinates that were millimetres to begin with are pixels of one millimetre.
    if not (pixel == (1.0, 1.0) or (low <= min(pixel) and max(pixel) <= high)):
        raise WlmeasureError(f"scale must be {low:g} to {high:g} mm per pixel: {pixel[0]:g} x {pixel[1]:g}; check it")
    path = feature.path_px * pixel
    if hypot(*(path[-1] - path[0]).tolist()) < SAME_END_MM:
        raise WlmeasureError("path must not end where it begins: a canal has two ends; check the order of the points")
    steps = np.diff(path, axis=0)
    length = float(np.hypot(steps[:, 0], steps[:, 1]).sum())
    # Before anything is measured: one point astray by a kilometre would take the memory of the machine, and all with it.
    if not length <= MOST_TIMES * LONGEST_MM:
        raise WlmeasureError(
            f"path must be at most {MOST_TIMES * LONGEST_MM:g} mm from point to point: {length:.4g} mm; look for a point astray"
        )
    return _Line(
        number, source, place, feature, path, pixel, 0.0 if scale is None else scale.rel_std or 0.0, scale is not None
    )


def _measured(
    lines: list[_Line], correlated: float, settings: Settings
) -> tuple[list[_Line], list[ManyFigures], list[tuple[_Line, str]]]:
    """Figures of some lines; where the arithmetic fails on one of them, it alone is left out, and why."""
    try:
        figures = measure_many(
            [line.path_mm for line in lines],
            scale_rel_std=np.array([line.rel_std for line in lines]),
            correlated_mm=correlated,
            compiled=settings.engine == "numba",
        )
    except (WlmeasureError, ArithmeticError, np.linalg.LinAlgError) as error:
        if len(lines) == 1:
            return [], [], [(lines[0], f"path cannot be measured: {error}")]
        each = [_measured([line], correlated, settings) for line in lines]
        kept = [line for some, _, _ in each for line in some]
        return kept, [one for _, found, _ in each for one in found], [one for _, _, bad in each for one in bad]
    lengths = figures.of["canal_mm"]
    long = {k for k, line in enumerate(lines) if line.scaled and not lengths[k] <= LONGEST_MM}
    if not long:
        return lines, [figures], []
    said = "length must be up to {:g} mm: {:.4g} mm; check scale and order of points"
    bad = [(lines[k], said.format(LONGEST_MM, lengths[k])) for k in sorted(long)]
    rest = [line for k, line in enumerate(lines) if k not in long]
    kept, found, more = _measured(rest, correlated, settings) if rest else ([], [], [])
    return kept, found, bad + more


def _columns(lines: list[_Line], figures: list[ManyFigures]) -> Columns:
    """The rows of measured lines."""
    count = len(lines)
    table: Columns = {name: [None] * count for name in ROW_COLUMNS}
    if not count:
        return table
    of = {name: np.concatenate([one.of[name] for one in figures]) for name in FIGURES}
    scaled = np.array([line.scaled for line in lines])
    for name in _WITHOUT_SCALE:
        of[name] = np.where(scaled, of[name], np.nan)
    pixel = np.array([line.pixel for line in lines])
    ends = np.array([line.path_mm[[0, 1, -2, -1]] for line in lines])
    first, last = ends[:, 1] - ends[:, 0], ends[:, 3] - ends[:, 2]
    crown = np.array([line.feature.reference_px or (np.nan, np.nan) for line in lines]) * pixel
    piece = ends[:, 0] - crown
    coronal = np.where(np.isnan(piece[:, 0]), 0.0, np.hypot(piece[:, 0], piece[:, 1]))
    first = np.where((coronal > 0.0)[:, None], np.nan_to_num(piece), first)
    of["coronal_mm"] = np.where(scaled, coronal, np.nan)
    of["length_mm"] = of["canal_mm"] + of["coronal_mm"]
    # The budget of `measure_length` for a canal along which no file of known length lies.
    rel = np.array([line.rel_std for line in lines])
    terms = (_click_std(first, pixel), _click_std(last, pixel), np.nan_to_num(of["path_std_mm"]))
    by_length = of["length_mm"] * np.hypot(rel, UNCOVERED_WHOLE_REL_STD)
    of["length_std_mm"] = np.sqrt(sum(term**2 for term in terms) + by_length**2)
    for name, values in of.items():
        table[name] = _plain(np.round(values, DIGITS))
    for axis, name in enumerate(SCALE):
        table[name] = _plain(np.where(scaled, pixel[:, axis], np.nan))
    for name in ("id", "case", "image", "tooth", "canal", "annotator", "session", "apical_end"):
        table[name] = [getattr(line.feature, name) for line in lines]
    table["method"] = [_method(line.feature) for line in lines]
    table["place"] = [line.place for line in lines]
    table["points"] = [len(line.path_mm) for line in lines]
    table["form"] = [form for one in figures for form in one.form]
    table["source"], table["model"] = [line.source for line in lines], ["paths"] * count
    return table


def _plain(values: Float64) -> list[Any]:
    """Numbers as a list; what is not determined, or has no end, is None."""
    missing = np.flatnonzero(~np.isfinite(values))
    plain: list[Any] = values.tolist()
    for k in missing.tolist():
        plain[k] = None
    return plain


def _click_std(step: Float64, pixel: Float64) -> Float64:
    """Standard uncertainty of an end click along a step (K, 2), mm, as `measure_length` has it."""
    along = np.hypot(step[:, 0], step[:, 1])
    still = along == 0.0
    across = np.hypot(step[:, 0] * pixel[:, 0], step[:, 1] * pixel[:, 1]) / np.where(still, 1.0, along)
    return np.maximum(CLICK_STD_PX * np.where(still, pixel.max(axis=1), across), CLICK_FLOOR_MM)


def _method(feature: PathFeature) -> str | None:
    return feature.method if feature.method_version is None else f"{feature.method or ''}/{feature.method_version}"


def case_rows(source: str, path: Path) -> Columns:
    """Rows of a case carried through every step on its films: one a canal and film."""
    result = evaluate(load_case(path))
    facts = case_facts(result)
    rows = [_case_row(source, place, result, facts, *found) for place, found in enumerate(canal_rows(result), 1)]
    return {name: [row[name] for row in rows] for name in ROW_COLUMNS}


def _case_row(
    source: str, place: int, result: CaseResult, facts: CaseFacts, canal: CanalResult, trace: TraceResult | None
) -> Row:
    credit = Credit().of(result.case)
    row: Row = {"source": source, "place": place, "case": case_name(result.case), "tooth": result.case.tooth}
    row |= {"annotator": credit.annotator, "session": credit.session}
    row |= {"canal": canal.canal.name, "model": "case"}
    row["flags"] = " ".join(flag.code for flag in canal_flags(canal, trace, facts.of(canal.canal.name))) or None
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
