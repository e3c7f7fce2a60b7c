"""The readings of a published study computed again from its paths alone, without films, results or manifest."""

from __future__ import annotations

import csv
import io
from math import nan
from pathlib import Path
from typing import Any

from attrs import frozen

from wlmeasure.calibration import CLICK_STD_PX, Calibration
from wlmeasure.errors import StudyError
from wlmeasure.image.file_content import regular_bytes
from wlmeasure.measure.curvature import CurvatureEstimate
from wlmeasure.measure.length import Gap, LengthEstimate, measure_length
from wlmeasure.record.evaluate import angles_of_path, curvature_of_path
from wlmeasure.share.cells import text_of_cell
from wlmeasure.share.path_set import Head, PathFeature
from wlmeasure.study.collect import UNITS, sorted_readings
from wlmeasure.study.path_lines import Bad
from wlmeasure.study.path_tables import is_table, table_features, table_head
from wlmeasure.study.protocol import figure_value, load_protocol
from wlmeasure.study.readings import Reading, Readings, checked_proposal
from wlmeasure.trace.centreline import CanalTrace

__all__ = [
    "BETWEEN",
    "CLICK_STD",
    "COL_OVER_ROW",
    "GAP",
    "MOVED",
    "PROPOSAL",
    "Measured",
    "measured_again",
    "rebuilt_readings",
]

BETWEEN = "; "  # what parts the canals of a film in the table of films
GAP, COL_OVER_ROW, CLICK_STD = "gap_mm", "col_over_row", "click_std_px"
"""Members of a published canal beyond those of a path file: the stretch added to a known length; a pixel's width over its
height, of a canal on a film without a scale; how far its clicks may be off, where its case said so."""
PROPOSAL, MOVED = "proposal", "moved_mm"
"""What became of a proposal that the observer was shown, and by how much it was moved: the proposed path is not published."""


@frozen
class Measured:
    """What was measured on a published path."""

    length: LengthEstimate | None
    curvature: CurvatureEstimate | None
    angles: Any


def measured_again(head: Head, feature: PathFeature) -> Measured:
    """Length and bends of one published path, by what stands beside it.

    Raises
    ------
    StudyError
        A path that does not say how uncertain it is.
    """
    if feature.path_std_px is None:
        raise StudyError(f"path {feature.id} must say how uncertain it is (path_std_px): this is no published study's")
    tracer = (
        feature.method or "" if feature.method_version is None else f"{feature.method or ''}/{feature.method_version}"
    )
    path = CanalTrace(feature.path_px, feature.path_px[[0, -1]], tracer, feature.path_std_px)
    scale = head.scale(feature)
    if scale is None:
        return Measured(None, None, angles_of_path(path, float(feature.extra.get(COL_OVER_ROW, 1.0))))
    terms = (("scale", scale.rel_std or 0.0),)
    calibration = Calibration(scale.mm_per_px_row, scale.mm_per_px_col, terms, "object of known size")
    off = float(feature.extra.get(CLICK_STD, CLICK_STD_PX))
    curvature = curvature_of_path(path, calibration, click_std_px=off)
    length: LengthEstimate | None = None
    gap = feature.extra.get(GAP)
    if gap is not None and feature.known_length_mm is not None:
        length = LengthEstimate(None, None, (), gap=Gap(feature.known_length_mm, float(gap), nan))
    elif feature.length_mm is not None:
        length = measure_length(path, calibration, reference_px=feature.reference_px, click_std_px=off)
    return Measured(length, curvature, curvature.model)


def rebuilt_readings(folder: str | Path) -> Readings:
    """All values of a published study from the tables in its folder `paths` and the rules in ``protocol.json``.

    Raises
    ------
    StudyError
        Not a published study.
    ShareError
        A path that cannot be read.
    """
    folder = Path(folder)
    paths = folder / "paths"
    if not (folder / "protocol.json").is_file() or not is_table(paths):
        raise StudyError(f"{folder.name} must be a published study: there is no protocol.json, or no paths/canals.csv")
    protocol = load_protocol(folder / "protocol.json")
    head = table_head(paths)
    features = []
    for feature in table_features(paths):
        if isinstance(feature, Bad):
            raise StudyError(f"paths: path {feature.place}: {feature.reason}")
        features.append(feature)
    films = {cells["film"]: cells for cells in _cells(folder / "films.csv")}
    orders = {(c["observer"], c["film"], c["repeat"]): float(c["order"]) for c in _cells(folder / "assignments.csv")}
    rows = []
    for feature in features:
        found = measured_again(head, feature)
        film, observer, repeat = str(feature.image), str(feature.annotator), str(feature.session)
        one_canal = len(films[film]["canals"].split(BETWEEN)) == 1
        for name in protocol.definitions:
            value = figure_value(name, found.length, found.curvature, found.angles)
            rows.append(
                Reading(
                    film if one_canal else f"{film} {feature.canal}",
                    observer,
                    nan if value is None else value,
                    int(repeat),
                    name,
                    films[film]["group"],
                    UNITS[name.rsplit("_", 1)[1]],
                    orders[observer, film, repeat],
                    film,
                    checked_proposal(str(feature.extra.get(PROPOSAL, ""))),
                    None if feature.extra.get(MOVED) is None else float(feature.extra[MOVED]),
                )
            )
    return sorted_readings(rows, protocol.definitions)


def _cells(path: Path) -> list[dict[str, str]]:
    try:
        rows = list(csv.DictReader(io.StringIO(regular_bytes(path).decode("utf-8-sig"))))
        return [{name: text_of_cell(cell) for name, cell in row.items()} for row in rows]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise StudyError(f"{path.name} must be a table of a published study: {error}") from None
