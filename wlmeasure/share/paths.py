"""Traced paths for other programs: one JSON object in the shape of GeoJSON, pixels as the truth, millimetres derived.

"In the shape of": a GIS reader would take the numbers for degrees on the globe, so the file says what they are and its
members go beyond RFC 7946. COCO has no open polylines and shape tables of viewers lose scale and units; this keeps both.
"""

from __future__ import annotations

import json
from typing import Any

from numpy.typing import NDArray

from wlmeasure.record.evaluate import CanalResult, CaseResult, FilmResult, TraceResult

__all__ = ["PATHS_SCHEMA", "paths_json", "paths_text"]

PATHS_SCHEMA = "wlmeasure-paths/1"
SPACE = "image pixels; x = column, y = row; centre of the first pixel = 0,0"
DIGITS = 3  # of a pixel: 0.02 micrometres on a common detector


def paths_json(result: CaseResult) -> dict[str, Any]:
    """Every canal and known length of a case as a line string, with images and scales; JSON-ready.

    A film's file name may name the patient and is left out: an image is known by its id and SHA-256.
    """
    return {
        "schema": PATHS_SCHEMA,
        "type": "FeatureCollection",
        "coordinate_space": SPACE,
        "images": [_image(film) for film in result.films],
        "calibrations": [_scale(film) for film in result.films if film.calibration is not None],
        "features": [
            *(_file(film, k) for film in result.films if film.calibration for k in range(len(film.calibration.lines))),
            *(_canal(result, canal, trace) for canal in result.canals for trace in canal.traces),
        ],
    }


def paths_text(result: CaseResult) -> str:
    """The same as the text of a file."""
    return json.dumps(paths_json(result), ensure_ascii=False, allow_nan=False, separators=(",", ":")) + "\n"


def _image(film: FilmResult) -> dict[str, Any]:
    graph = film.radiograph
    return {
        "id": film.film.id,
        "sha256": graph.sha256,
        "rows": graph.rows,
        "cols": graph.cols,
        **({} if graph.frame is None else {"frame": graph.frame}),
        "stored_rows": graph.stored_rows,
        "stored_cols": graph.stored_cols,
        "orientation_applied": graph.orientation,
    }


def _scale(film: FilmResult) -> dict[str, Any]:
    scale = film.calibration
    assert scale is not None
    return {
        "image": film.film.id,
        "mm_per_px_row": scale.mm_per_px_row,
        "mm_per_px_col": scale.mm_per_px_col,
        "rel_std": scale.rel_std,
        "method": scale.method,
        "known_lengths_mm": [line.known_length_mm for line in scale.lines],
    }


def _feature(points_px: NDArray[Any], properties: dict[str, Any]) -> dict[str, Any]:
    line = [[round(float(col), DIGITS), round(float(row), DIGITS)] for row, col in points_px]
    return {"type": "Feature", "geometry": {"type": "LineString", "coordinates": line}, "properties": properties}


def _file(film: FilmResult, k: int) -> dict[str, Any]:
    assert film.calibration is not None
    line = film.calibration.lines[k]
    properties = {"kind": f"known {line.kind}", "image": film.film.id, "known_length_mm": line.known_length_mm}
    return _feature(line.path_px, properties)


def _canal(result: CaseResult, canal: CanalResult, trace: TraceResult) -> dict[str, Any]:
    length, bend = trace.length, trace.curvature
    reference = trace.trace.reference_px
    properties = {
        "kind": "canal",
        "image": trace.trace.film,
        "tooth": result.case.tooth,
        "canal": canal.canal.name,
        "apical_end": trace.trace.apical_end,
        "tracer": trace.path.tracer,
        "path_std_px": trace.path.centre_std_px,
        "reference": None if reference is None else [reference[1], reference[0]],
        "length_mm": length and length.length_mm,
        "length_std_mm": length and length.length_std_mm,
        "schneider_deg": bend and bend.schneider_deg,
        "radius_mm": bend and bend.pruett_radius_mm,
    }
    return _feature(trace.path.path_px, properties)
