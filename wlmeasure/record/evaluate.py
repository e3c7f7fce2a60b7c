"""One case carried through every step: file traced, scale, canals, lengths, curvature, readings, working length.

The only place where the rooms of the core meet. It reads the films (checking that they are the ones the case was made
on), and it changes nothing: the same case and films give the same result.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import hypot

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.calibration import (
    CLICK_STD_PX,
    RULER_STD_MM,
    Calibration,
    KnownLine,
    calibrate_lines,
    calibrate_spacing,
    implied_magnification,
    magnification_flags,
)
from wlmeasure.decide.difficulty import Difficulty, curvature_difficulty
from wlmeasure.decide.electronic import ElectronicLength, ElectronicReading, electronic_length
from wlmeasure.decide.methods import RadiographicLength, radiographic_length
from wlmeasure.decide.reconcile import WorkingLength, reconcile
from wlmeasure.errors import CalibrationError, CaseError, StaleCaseError, WlmeasureError
from wlmeasure.flags import Flag, catalogue, merge
from wlmeasure.image.radiograph import Radiograph, SpacingClaim
from wlmeasure.image.reading import read
from wlmeasure.measure.curvature import CurvatureEstimate, fit_canal, measure_curvature
from wlmeasure.measure.length import LengthEstimate, measure_length, path_noise
from wlmeasure.measure.line_arc import LineArc, Noise
from wlmeasure.record.case import Canal, Case, Film, KnownFile, KnownObject, Spacing, Trace
from wlmeasure.trace.centreline import CanalTrace, check_points, given_path, trace_line
from wlmeasure.trace.spline import arc_length
from wlmeasure.trade.tooth import Tooth

__all__ = ["CanalResult", "CaseResult", "FilmResult", "TraceResult", "accept_paths", "evaluate", "read_films"]

Float64 = NDArray[np.float64]

TYPICAL_CANAL_MM = 13.0  # only to size the tracer's filters on a film without any scale
SEAT_MM = 0.5  # our parameter: how far apart two places may be that should be one
MM_PER_PX_RANGE = (0.003, 0.5)  # a pixel outside is no radiograph's: detectors have 0.015 to 0.06 mm

_FLAGS = catalogue(
    {
        "no-scale": "This film has no scale, so it gives angles and no millimetres.",
        "length-doubtful": "The length is far from the usual length of this tooth; check scale, tooth and points.",
        "canal-joins": "This canal joins another one; the shared end belongs to the canal it joins.",
        "stop-off-reference": "The file's stop does not touch the coronal reference point; its length is not the canal's.",
        "tip-off-canal": "The file's tip lies beside the traced canal; check both.",
        "apex-at-edge": "The traced canal ends at the edge of the film; the apex may lie outside it.",
        "nothing-seen-in-depth": "One film shows a bend only in its own plane; the true bend is usually sharper.",
    }
)


@frozen(eq=False)
class FilmResult:
    """One film: its picture, its scale, and what was remarked."""

    film: Film
    radiograph: Radiograph
    calibration: Calibration | None
    file_traces: tuple[CanalTrace, ...]
    magnification: float | None
    flags: tuple[Flag, ...]

    @property
    def col_over_row(self) -> float:
        return _ratio(self.film, self.radiograph)


@frozen(eq=False)
class TraceResult:
    """One canal on one film.

    `tip_to_end_mm` is the distance along the canal from the file's tip to the end of the trace, positive when short.
    `retraced_mm` is how much longer a new tracing of the stored clicks is than the stored path, where that was asked for.
    On a film without a scale `angles` alone is measured.
    """

    trace: Trace
    film: FilmResult
    path: CanalTrace
    angles: LineArc
    length: LengthEstimate | None = None
    curvature: CurvatureEstimate | None = None
    difficulty: Difficulty | None = None
    tip_to_end_mm: float | None = None
    retraced_mm: float | None = None
    radiographic: RadiographicLength | None = None
    flags: tuple[Flag, ...] = ()


@frozen(eq=False)
class CanalResult:
    """One canal: what each film gives, what the readings give, and the working length of both.

    `basis` is the trace whose length entered the working length: the one with the smallest uncertainty. Where no film
    gives a length it is the first trace, and None for a canal with readings alone.
    """

    canal: Canal
    traces: tuple[TraceResult, ...]
    basis: TraceResult | None
    electronic: ElectronicLength | None
    working_length: WorkingLength
    flags: tuple[Flag, ...]


@frozen(eq=False)
class CaseResult:
    """Everything measured on one case."""

    case: Case
    tooth: Tooth
    films: tuple[FilmResult, ...]
    canals: tuple[CanalResult, ...]


def read_films(case: Case) -> dict[str, Radiograph]:
    """Read every film of a case from beside its case file.

    Raises
    ------
    StaleCaseError
        The image is not the one the case was made on.
    ImageError
        The image cannot be read.
    """
    films = {}
    for film in case.films:
        radiograph = read(case.film_path(film))
        if radiograph.sha256 != film.sha256:
            raise StaleCaseError(
                f"film {film.id} ({film.path}) must be the image the case was made on: its SHA-256 is "
                f"{radiograph.sha256[:12]}..., the case says {film.sha256[:12]}...; restore the image or start a new case"
            )
        films[film.id] = radiograph
    return films


def evaluate(case: Case, radiographs: Mapping[str, Radiograph] | None = None, *, retrace: bool = False) -> CaseResult:
    """Measure a case.

    Parameters
    ----------
    case
        The case; it is not changed.
    radiographs
        Its films by id; read from beside the case file when left out.
    retrace
        Also trace the stored clicks anew where a path is stored, and say how far the two differ.

    Raises
    ------
    WlmeasureError
        A film that cannot be read or has changed, or a member that cannot be measured; names the member.
    """
    films = read_films(case) if radiographs is None else dict(radiographs)
    tooth = Tooth.from_iso3950(case.tooth)
    film_results = {}
    for k, film in enumerate(case.films):
        if film.id not in films:
            raise CaseError(f"films[{k}] must come with its image: none was given for {film.id!r}")
        film_results[film.id] = _evaluate_film(film, films[film.id], f"films[{k}]")
    canals = tuple(
        _evaluate_canal(canal, film_results, tooth, f"canals[{k}]", retrace) for k, canal in enumerate(case.canals)
    )
    return CaseResult(case, tooth, tuple(film_results.values()), canals)


def accept_paths(result: CaseResult) -> Case:
    """The case with every traced path written beside its clicks, so that a better tracer never changes a stored length."""
    canals = []
    for canal in result.canals:
        traces = []
        for measured in canal.traces:
            trace = measured.trace
            if trace.path_px is None:
                points = tuple((float(row), float(col)) for row, col in measured.path.path_px)
                trace = evolve(trace, path_px=points, tracer=measured.path.tracer)
            traces.append(trace)
        canals.append(evolve(canal.canal, traces=tuple(traces)))
    return evolve(result.case, canals=tuple(canals))


def _seat_flags(path: CanalTrace, reference: Float64 | None, tip: Float64 | None, film: FilmResult) -> list[Flag]:
    """Whether the file sits as it should: stop on the reference point, tip in the canal, apex on the film."""
    assert film.calibration is not None
    to_mm = film.calibration.to_mm
    line = to_mm(path.path_px)
    found = []
    if tip is not None:  # the file in this canal; its stop is the first point of the file that ends there
        if float(np.hypot(*(line - to_mm(tip)).T).min()) > SEAT_MM:
            found.append(_FLAGS["tip-off-canal"])
        start = line[0] if reference is None else to_mm(reference)
        for trace in film.file_traces:
            ends = to_mm(trace.path_px[[0, -1]])
            if np.hypot(*(ends[1] - to_mm(tip))) <= SEAT_MM < np.hypot(*(ends[0] - start)):
                found.append(_FLAGS["stop-off-reference"])
    rows, cols = film.radiograph.values.shape
    border = np.minimum(path.path_px[-1] + 0.5, (rows, cols) - path.path_px[-1] - 0.5) * film.calibration.mm_per_px
    if float(border.min()) < SEAT_MM:
        found.append(_FLAGS["apex-at-edge"])
    return found


def _retraced_mm(trace: Trace, path: CanalTrace, film: FilmResult) -> float | None:
    """How much longer a new tracing of the stored clicks is than the stored path."""
    if trace.path_px is None or trace.clicks_px is None or film.calibration is None:
        return None
    again = trace_line(film.radiograph, trace.clicks_px, "canal", film.calibration.mm_per_px)
    return _mm(again.path_px, film.calibration) - _mm(path.path_px, film.calibration)


def _mm(points_px: object, calibration: Calibration) -> float:
    return float(arc_length(calibration.to_mm(points_px))[-1])


def _ratio(film: Film, radiograph: Radiograph) -> float:
    return radiograph.col_over_row if film.col_over_row is None else film.col_over_row


def _evaluate_film(film: Film, radiograph: Radiograph, where: str) -> FilmResult:
    if (film.rows, film.cols) != radiograph.values.shape:
        raise CaseError(
            f"{where}.rows and cols must be those of the image: {film.rows} x {film.cols}, but {film.path} has "
            f"{radiograph.rows} x {radiograph.cols}"
        )
    ratio = _ratio(film, radiograph)
    lines, traces, spacings = [], [], []
    for k, scale in enumerate(film.scale):
        name = f"{where}.scale[{k}]"
        try:
            if isinstance(scale, Spacing):
                spacings.append(calibrate_spacing(_claim(radiograph, scale.claim), magnification=scale.magnification))
                continue
            std = RULER_STD_MM if scale.known_length_std_mm is None else scale.known_length_std_mm
            points = check_points(scale.points_px, radiograph.values.shape, name="points_px")
            if isinstance(scale, KnownObject):
                lines.append(KnownLine(points, scale.known_length_mm, std, "object"))
                continue
            trace = _trace_file(scale, points, radiograph, ratio)
            traces.append(trace)
            lines.append(KnownLine(trace.path_px, scale.known_length_mm, std))
        except WlmeasureError as error:
            raise type(error)(f"{name}: {error}") from None
    calibration = calibrate_lines(lines, col_over_row=ratio) if lines else (spacings[0] if spacings else None)
    flags = () if calibration is None else calibration.flags
    if calibration is not None and not MM_PER_PX_RANGE[0] <= calibration.mm_per_px_row <= MM_PER_PX_RANGE[1]:
        raise CalibrationError(
            f"{where}.scale must give {MM_PER_PX_RANGE[0]:g} to {MM_PER_PX_RANGE[1]:g} mm per pixel: "
            f"{calibration.mm_per_px_row:.4g}; check the known length and its points"
        )
    magnification = None
    detector = next((c for c in radiograph.spacings if c.plane == "detector"), None)
    if calibration is not None and lines and detector is not None:
        magnification = implied_magnification(calibration, detector)
        flags = merge(flags, magnification_flags(magnification))
    if calibration is None:
        flags = (_FLAGS["no-scale"],)
    return FilmResult(film, radiograph, calibration, tuple(traces), magnification, flags)


def _claim(radiograph: Radiograph, name: str) -> SpacingClaim:
    found = next((claim for claim in radiograph.spacings if claim.claim == name), None)
    if found is None:
        has = ", ".join(claim.claim for claim in radiograph.spacings) or "none"
        raise CalibrationError(
            f"claim must be a spacing that the image has ({has}): {name!r}; calibrate on a known length"
        )
    return found


def _trace_file(scale: KnownFile, points: Float64, radiograph: Radiograph, ratio: float) -> CanalTrace:
    """The file's path: as given, or traced through its clicks, since the chord of a curved file is not its length."""
    if scale.trace_kind == "path":
        return given_path(points, radiograph.values.shape, name="points_px")
    chord = hypot(points[-1, 0] - points[0, 0], (points[-1, 1] - points[0, 1]) * ratio)
    if chord == 0.0:
        raise CaseError("points_px must not begin and end at one point: stop and tip are the same")
    rough = scale.known_length_mm / chord
    return trace_line(radiograph, points, "file", (rough, rough * ratio), name="points_px")


def _trace_canal(trace: Trace, film: FilmResult) -> CanalTrace:
    if trace.path_px is not None:
        stored = given_path(trace.path_px, film.radiograph.values.shape)
        if trace.tracer is None:
            return stored
        return CanalTrace(stored.path_px, stored.clicks_px, trace.tracer, stored.centre_std_px)
    clicks = check_points(trace.clicks_px, film.radiograph.values.shape, name="clicks_px")
    if film.calibration is not None:
        size = film.calibration.mm_per_px
    else:
        chord = hypot(clicks[-1, 0] - clicks[0, 0], (clicks[-1, 1] - clicks[0, 1]) * film.col_over_row)
        rough = TYPICAL_CANAL_MM / max(chord, 1.0)
        size = (rough, rough * film.col_over_row)
    return trace_line(film.radiograph, clicks, "canal", size)


def _evaluate_canal(
    canal: Canal, films: Mapping[str, FilmResult], tooth: Tooth, where: str, retrace: bool
) -> CanalResult:
    try:
        readings = [
            ElectronicReading(r.length_mm, r.mark, r.file_size, r.conditions) for r in canal.electronic_readings
        ]
        electronic = electronic_length(readings) if readings else None
    except WlmeasureError as error:
        raise type(error)(f"{where}.electronic_readings: {error}") from None
    traces = []
    for k, trace in enumerate(canal.traces):
        try:
            traces.append(_measure_trace(canal, trace, films[trace.film], tooth, retrace))
        except WlmeasureError as error:
            raise type(error)(f"{where}.traces[{k}]: {error}") from None
    basis = min(traces, key=_film_std_mm, default=None)
    working = reconcile(
        None if basis is None else basis.radiographic,
        electronic,
        decided_mm=None if canal.decision is None else canal.decision.length_mm,
    )
    flags = (_FLAGS["canal-joins"],) if canal.joins is not None else ()
    return CanalResult(canal, tuple(traces), basis, electronic, working, flags)


def _film_std_mm(result: TraceResult) -> float:
    """What the film that speaks for a canal is chosen by; the first of equals is taken."""
    film = result.radiographic
    return float("inf") if film is None or film.std_mm is None else film.std_mm


def _measure_trace(canal: Canal, trace: Trace, film: FilmResult, tooth: Tooth, retrace: bool) -> TraceResult:
    path = _trace_canal(trace, film)
    calibration = film.calibration
    reference = _point(trace.reference_px, film, "reference_px")
    tip_px = _point(trace.file_tip_px, film, "file_tip_px")
    if calibration is None:
        points = _three_points(path.path_px * np.array([1.0, film.col_over_row]))
        angles = fit_canal(points, noise=Noise(path.centre_std_px))
        return TraceResult(trace, film, path, angles, flags=(_FLAGS["no-scale"],))
    length = measure_length(path, calibration, reference_px=reference, unseen_from_mm=trace.unseen_from_mm)
    curvature = measure_curvature(
        _three_points(calibration.to_mm(path.path_px)),
        noise=path_noise(path, calibration),
        end_std_mm=CLICK_STD_PX * max(calibration.mm_per_px),
    )
    tip = None if tip_px is None else _tip_to_end_mm(calibration.to_mm(path.path_px), calibration.to_mm(tip_px))
    flags = [*_seat_flags(path, reference, tip_px, film), _FLAGS["nothing-seen-in-depth"]]
    if tooth.length_doubt(length.length_mm) is not None:
        flags.append(_FLAGS["length-doubtful"])
    radiographic = radiographic_length(
        length.length_mm,
        length.length_std_mm,
        apical_end=trace.apical_end,
        resorption=canal.resorption or "none",
        apex=canal.apex or "closed",
        apex_visibility=trace.apex_visibility or "clear",
        unseen_mm=0.0 if trace.unseen_from_mm is None else max(0.0, length.canal_mm - trace.unseen_from_mm),
        unseen_std_per_mm=0.0,  # already a term of the length's budget
    )
    return TraceResult(
        trace=trace,
        film=film,
        path=path,
        angles=curvature.model,
        length=length,
        curvature=curvature,
        difficulty=curvature_difficulty(curvature.largest_deg, s_shaped=curvature.form == "S"),
        tip_to_end_mm=tip,
        retraced_mm=_retraced_mm(trace, path, film) if retrace else None,
        radiographic=radiographic,
        flags=tuple(flags),
    )


def _three_points(points: Float64) -> Float64:
    """The same polyline with at least three points, which the fit of a bend needs: two are a straight canal."""
    return points if len(points) > 2 else np.vstack([points[0], points.mean(axis=0), points[1]])


def _point(point: tuple[float, float] | None, film: FilmResult, name: str) -> Float64 | None:
    if point is None:
        return None
    return np.asarray(check_points([point], film.radiograph.values.shape, name=name, least=1)[0], np.float64)


def _tip_to_end_mm(path_mm: Float64, tip_mm: Float64) -> float:
    """Distance along the canal from the foot of the file's tip to the end; negative when the tip lies beyond it."""
    along = arc_length(path_mm)
    step = np.diff(path_mm, axis=0)
    squared = np.maximum(np.einsum("ij,ij->i", step, step), 1e-18)
    raw = np.einsum("ij,ij->i", tip_mm - path_mm[:-1], step) / squared
    share = np.clip(raw, 0.0, 1.0)
    distance = np.hypot(*(path_mm[:-1] + share[:, None] * step - tip_mm).T)
    k = int(distance.argmin())
    if k == len(step) - 1 and raw[k] > 1.0:
        share[k] = raw[k]
    return float(along[-1] - (along[k] + share[k] * np.sqrt(squared[k])))
