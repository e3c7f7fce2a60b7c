"""A case as the lines of a path file: every canal and every known length on every film."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import suppress
from typing import Any

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.calibration import Calibration, KnownLine, calibrate_lines
from wlmeasure.errors import CaseError, ShareError
from wlmeasure.measure.curvature import CurvatureEstimate
from wlmeasure.measure.length import LengthEstimate, path_noise
from wlmeasure.record.case import Case, Film, KnownFile, KnownObject
from wlmeasure.record.evaluate import CanalResult, CaseResult, FilmResult, TraceResult
from wlmeasure.record.films import clicks_on, known_line, std_px_of
from wlmeasure.record.record import record_of
from wlmeasure.share.path_set import (
    NAME,
    PATHS_SCHEMA,
    Head,
    PathFeature,
    PathImage,
    PathScale,
    dumps,
    feature_to_json,
    head_to_json,
)
from wlmeasure.trace.centreline import CORRELATED_MM, GIVEN_PATH

__all__ = ["PATHS_SCHEMA", "Credit", "PathSet", "case_name", "paths_json", "paths_of", "paths_text", "stored_paths"]

DIGITS = 3  # of a pixel: 0.02 micrometres on a common detector
DECIDED, PROPOSED = "decided", "measured"


@frozen
class Credit:
    """Who drew the lines of a case, in which session; and whether images are called by their file names too."""

    annotator: str | None = None
    session: str | None = None
    file_names: bool = False

    def of(self, case: Case) -> Credit:
        """What is not given here, as a result of a study says it of itself: whose reading it is, and the observer's which."""
        said = _study_said(case)
        return evolve(
            self, annotator=self.annotator or said.get("observer"), session=self.session or said.get("repeat")
        )


def case_name(case: Case) -> str | None:
    """The case's identifier; of a result of a study the blinded name of its film."""
    return case.case_id or _study_said(case).get("film")


def _study_said(case: Case) -> dict[str, str]:
    """What a result of a study says of itself, as words; a file may hold anything there."""
    said = case.extra.get("study")
    if not isinstance(said, dict):
        return {}
    found = {}
    for name in ("observer", "film", "repeat"):
        value = said.get(name)
        with suppress(CaseError):
            found[name] = NAME.read(f"{value:d}" if name == "repeat" and type(value) is int else value, name)
    return found


@frozen(eq=False)
class PathSet:
    """The lines of one case."""

    head: Head
    features: tuple[PathFeature, ...]


def paths_of(result: CaseResult, credit: Credit | None = None) -> PathSet:
    """Every known length and canal of a measured case.

    A film's file name may name the patient and is left out unless `credit` asks for it: an image is known by its id, its
    SHA-256 and, where it is a DICOM image, its SOP Instance UID.
    """
    credit = (credit or Credit()).of(result.case)
    head = Head(
        images=tuple(_image(result, film, credit) for film in result.films),
        calibrations=tuple(_scale(film) for film in result.films if film.calibration is not None),
    )
    return PathSet(head, tuple(_features(result, credit)))


def paths_json(result: CaseResult, credit: Credit | None = None) -> dict[str, Any]:
    """The same as one JSON-ready object."""
    made = paths_of(result, credit)
    return head_to_json(made.head) | {"features": [feature_to_json(feature) for feature in made.features]}


def paths_text(result: CaseResult, credit: Credit | None = None) -> str:
    """The same as the text of a file, one feature a line."""
    made = paths_of(result, credit)
    lines = ",\n".join(dumps(feature_to_json(feature)) for feature in made.features)
    return dumps(head_to_json(made.head))[:-1] + f',"features":[\n{lines}\n]}}\n'


def stored_paths(case: Case) -> tuple[PathSet, list[ShareError]]:
    """The paths that a case file stores, without its films: they are neither read nor checked.

    A scale is had from known lengths alone, since a spacing claim stands in the image; pixels whose shape the case does not
    state are taken as square. What has no stored path comes back as errors.
    """
    images, scales, features, errors = [], [], [], []
    for k, film in enumerate(case.films):
        images.append(PathImage(id=film.id, sha256=film.sha256, rows=film.rows, cols=film.cols))
        lines = _stored_lines(film)
        if lines:
            off = std_px_of(clicks_on(case, film))
            made = calibrate_lines(lines, col_over_row=film.col_over_row or 1.0, click_std_px=off)
            scales.append(_path_scale(film.id, made))
        elif film.scale:
            errors.append(ShareError(f"films[{k}].scale must hold a known length with a stored path to be used unseen"))
        features += [_known(line, film.id, case_name(case), Credit().of(case)) for line in lines]
    head = Head(images=tuple(images), calibrations=tuple(scales))
    record, _ = record_of(case)
    credit = Credit().of(case)
    for k, canal in enumerate(case.canals):
        for m, trace in enumerate(canal.traces):
            if trace.path_px is None:
                errors.append(ShareError(f"canals[{k}].traces[{m}] must hold path_px to be used without its film"))
                continue
            features.append(
                PathFeature(
                    path_px=trace.path_px,
                    case=case_name(case),
                    annotator=credit.annotator,
                    session=credit.session,
                    image=trace.film,
                    calibration=next((scale.id for scale in scales if scale.image == trace.film), None),
                    tooth=case.tooth,
                    canal=canal.name,
                    **_made_by(trace.tracer or GIVEN_PATH),
                    status=PROPOSED if record.decision(canal.name) is None else DECIDED,
                    apical_end=trace.apical_end,
                    reference_px=trace.reference_px,
                    path_std_px=trace.path_std_px,
                    # Of a path that nobody says was traced nothing is known; its points may be clicks.
                    correlated_mm=None if trace.tracer is None else CORRELATED_MM,
                )
            )
    return PathSet(head, tuple(features)), errors


def _stored_lines(film: Film) -> list[KnownLine]:
    lines = []
    for scale in film.scale:
        if not isinstance(scale, KnownFile | KnownObject) or not scale.gives_scale:
            continue
        path: object = scale.points_px
        if isinstance(scale, KnownFile) and scale.trace_kind == "clicks":
            path = scale.path_px
        if path is not None:
            lines.append(known_line(scale, path, film.col_over_row or 1.0)[0])
    return lines


def _image(result: CaseResult, film: FilmResult, credit: Credit) -> PathImage:
    graph = film.radiograph
    return PathImage(
        id=film.film.id,
        file_name=result.case.film_path(film.film).name if credit.file_names else None,
        sha256=graph.sha256,
        sop_instance_uid=_uid(result, film),
        rows=graph.rows,
        cols=graph.cols,
        frame=graph.frame,
        stored_rows=graph.stored_rows,
        stored_cols=graph.stored_cols,
        orientation_applied=graph.orientation,
    )


def _uid(result: CaseResult, film: FilmResult) -> str | None:
    if film.radiograph.format != "DICOM":
        return None
    from wlmeasure.image.dicom import read_data_set

    header = read_data_set(result.case.film_path(film.film), sha256=film.film.sha256)
    uid = str(header.get("SOPInstanceUID", "")).strip(" \0")
    return uid if re.fullmatch("[0-9.]{1,64}", uid) else None


def _scale(film: FilmResult) -> PathScale:
    scale = film.calibration
    assert scale is not None
    return _path_scale(film.film.id, scale)


def _path_scale(image: str, scale: Calibration) -> PathScale:
    return PathScale(
        id=image,
        image=image,
        mm_per_px_row=scale.mm_per_px_row,
        mm_per_px_col=scale.mm_per_px_col,
        rel_std=scale.rel_std,
        method=scale.method,
        # A known length lies beside the canal or in it, and so in its plane.
        plane="patient" if scale.claim is None else scale.claim.plane,
        known_lengths_mm=tuple(line.known_length_mm for line in scale.lines),
    )


def _features(result: CaseResult, credit: Credit) -> Iterator[PathFeature]:
    for film in result.films:
        if film.calibration is not None:
            for line in film.calibration.lines:
                yield _known(line, film.film.id, case_name(result.case), credit)
    for canal in result.canals:
        for trace in canal.traces:
            yield _canal(result, canal, trace, credit)


def _made_by(tracer: str) -> dict[str, Any]:
    """Method and version of a tracer's name, ``name/version``."""
    name, _, version = tracer.partition("/")
    return {"method": name, "method_version": version or None}


def _rounded(points_px: NDArray[Any]) -> NDArray[Any]:
    return np.round(points_px, DIGITS)


def _known(line: KnownLine, image: str, case: str | None, credit: Credit) -> PathFeature:
    return PathFeature(
        path_px=_rounded(line.path_px),
        kind=f"known {line.kind}",
        case=case,
        image=image,
        annotator=credit.annotator,
        session=credit.session,
        known_length_mm=line.known_length_mm,
    )


def _canal(result: CaseResult, canal: CanalResult, trace: TraceResult, credit: Credit) -> PathFeature:
    calibration = trace.film.calibration
    return PathFeature(
        path_px=_rounded(trace.path.path_px),
        case=case_name(result.case),
        image=trace.trace.film,
        calibration=None if calibration is None else trace.trace.film,
        tooth=result.case.tooth,
        canal=canal.canal.name,
        annotator=credit.annotator,
        session=credit.session,
        **_made_by(trace.path.tracer),
        status=PROPOSED if canal.decision is None else DECIDED,
        apical_end=trace.trace.apical_end,
        reference_px=None if trace.start_px is None else (float(trace.start_px[0]), float(trace.start_px[1])),
        path_std_px=trace.path.centre_std_px,
        correlated_mm=None if calibration is None else path_noise(trace.path, calibration).correlation_mm,
        **_figures(trace.length, trace.curvature),
    )


def _figures(length: LengthEstimate | None, bend: CurvatureEstimate | None) -> dict[str, Any]:
    found: dict[str, Any] = {}
    if length is not None:
        found |= {"length_mm": length.length_mm, "length_std_mm": length.length_std_mm, "canal_mm": length.canal_mm}
        found["known_length_mm"] = None if length.gap is None else length.gap.known_mm
    if bend is not None:
        low, high = bend.pruett_radius_interval_mm or (None, None)
        found |= {
            "schneider_deg": bend.schneider_deg,
            "schneider_std_deg": bend.schneider_std_deg,
            "weine_deg": bend.weine_deg,
            "long_axis_deg": bend.long_axis_deg,
            "luiten_deg": bend.luiten_deg,
            "canal_access_deg": bend.canal_access.angle_deg,
            "turning_deg": bend.total_turning_deg,
            "radius_mm": bend.pruett_radius_mm,
            "radius_low_mm": low,
            # An interval without an upper end has none in the file either: JSON knows no infinity.
            "radius_high_mm": None if high is None or not np.isfinite(high) else high,
            "min_radius_mm": bend.min_radius_mm,
        }
    return found
