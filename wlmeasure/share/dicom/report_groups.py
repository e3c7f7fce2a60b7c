"""The measurement groups of a report (TID 1501, TID 300 under it): the scale of a film, a canal on a film, a canal's record."""

from __future__ import annotations

from collections.abc import Sequence

import highdicom as hd
import numpy as np
from numpy.typing import NDArray

from wlmeasure.image.radiograph import printable
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.measure.curvature import schneider_deg
from wlmeasure.measure.length import LengthEstimate
from wlmeasure.record.evaluate import CanalResult, CaseResult, FilmResult, TraceResult
from wlmeasure.record.facts import case_facts
from wlmeasure.share.dicom import codes
from wlmeasure.share.dicom.codes import Code, private
from wlmeasure.share.dicom.objects import MAKER, uid_of
from wlmeasure.share.dicom.points import to_dicom
from wlmeasure.share.dicom.source import FilmImage
from wlmeasure.share.result import canal_flags, decision_doubts, method_words, risk_words

__all__ = ["canal_group", "concept", "record_group", "scale_group"]

Float64 = NDArray[np.float64]

TANGENT_SHARE = 0.05  # our parameter: length of a tangent that is shown, as a share of the canal's
ARC_POINTS = 16  # our parameter; the chords of an arc of 90 degrees lie within 0.2 % of its radius
# TID 310 has no place for the coverage of an uncertainty, so the algorithm's parameters say it.
COVERAGE = "uncertainties: half-widths of 95 % intervals, 1.96 standard uncertainties"
_SR = hd.sr
_CONTAINS = _SR.RelationshipTypeValues.CONTAINS


def concept(code: Code) -> hd.sr.CodedConcept:
    """A code as highdicom has it."""
    return _SR.CodedConcept(code.value, code.scheme, code.meaning)


def _polyline(points_px: object, image: FilmImage) -> hd.sr.CoordinatesForMeasurement:
    source = _SR.SourceImageForRegion(str(image.dataset.SOPClassUID), image.uid, _frames(image))
    return _SR.CoordinatesForMeasurement(_SR.GraphicTypeValues.POLYLINE, to_dicom(points_px), source)


def _frames(image: FilmImage) -> list[int] | None:
    return None if image.frame is None else [image.frame]


def _algorithm(program: str, *parameters: str) -> hd.sr.AlgorithmIdentification:
    return _SR.AlgorithmIdentification(MAKER, program, parameters=[COVERAGE, *parameters])


def _number(
    name: Code,
    value: float,
    unit: Code,
    *,
    method: str | None = None,
    std: float | None = None,
    interval: tuple[float, float] | None = None,
    along: Sequence[hd.sr.CoordinatesForMeasurement] = (),
    image: FilmImage | None = None,
    algorithm: hd.sr.AlgorithmIdentification | None = None,
) -> hd.sr.Measurement:
    """One measurement (TID 300) with the half-widths of its 95 % interval in its own unit (TID 310).

    `interval` gives unequal half-widths; an infinite end is left out.
    """
    if std is not None:
        interval = value - NORMAL_95 * std, value + NORMAL_95 * std
    lower, upper = (None, None) if interval is None else (max(0.0, value - interval[0]), max(0.0, interval[1] - value))
    properties = None
    if lower is not None and upper is not None:
        properties = _SR.MeasurementProperties(
            upper_measurement_uncertainty=float(upper) if np.isfinite(upper) else None,
            lower_measurement_uncertainty=float(lower),
        )
        for item in properties:  # highdicom says "no units" whatever the measurement
            item.MeasuredValueSequence[0].MeasurementUnitsCodeSequence = [concept(unit)]
    of_image = None
    if image is not None:
        of_image = [_SR.SourceImageForMeasurement(str(image.dataset.SOPClassUID), image.uid, _frames(image))]
    return _SR.Measurement(
        name=concept(name),
        value=float(value),
        unit=concept(unit),
        method=None if method is None else concept(private(method)),
        properties=properties,
        referenced_images=of_image,
        referenced_coordinates=list(along) or None,
        algorithm_id=algorithm,
    )


def _group(
    name: str,
    uid: str,
    finding: Code,
    measurements: Sequence[hd.sr.Measurement],
    result: CaseResult,
    evaluations: Sequence[tuple[Code, Code]] = (),
    texts: Sequence[tuple[Code, str]] = (),
) -> hd.sr.MeasurementsAndQualitativeEvaluations:
    group = _SR.MeasurementsAndQualitativeEvaluations(
        tracking_identifier=_SR.TrackingIdentifier(uid=uid, identifier=name),
        finding_type=concept(finding),
        finding_sites=[_SR.FindingSite(concept(codes.tooth_code(result.case.tooth)))],
        measurements=list(measurements) or None,
        qualitative_evaluations=[_SR.QualitativeEvaluation(concept(n), concept(v)) for n, v in evaluations] or None,
    )
    for name_of, text in texts:  # the template may be extended; highdicom knows coded evaluations only
        group[0].ContentSequence.append(_SR.TextContentItem(concept(name_of), printable(text, 1024), _CONTAINS))
    return group


def scale_group(
    image: FilmImage, result: CaseResult, program: str
) -> hd.sr.MeasurementsAndQualitativeEvaluations | None:
    """The scale of one film: known lengths, millimetres per pixel in both directions, magnification."""
    film: FilmResult = image.film
    scale = film.calibration
    if scale is None:
        return None
    algorithm = _algorithm(program)
    lengths = [
        _number(
            codes.CALIBRATION_OBJECT_SIZE,
            line.known_length_mm,
            codes.MM,
            method="M-FILE-PATH" if line.kind == "file" else None,
            std=line.known_length_std_mm,
            along=[_polyline(line.path_px, image)],
        )
        for line in scale.lines
    ]
    factors = [
        _number(
            codes.CALIBRATION_FACTOR,
            size,
            codes.MM_PER_PIXEL,
            method=method,
            std=size * scale.rel_std,
            image=image,
            algorithm=algorithm,
        )
        for method, size in (("M-ROW", scale.mm_per_px_row), ("M-COL", scale.mm_per_px_col))
    ]
    if film.magnification is not None:
        factors.append(_number(codes.MAGNIFICATION, film.magnification, codes.ONE, image=image))
    kinds = [f"CAL-{line.kind.upper()}{'-REF' if line.upper_end == 'reference' else ''}" for line in scale.lines] or [
        "CAL-TAPER" if film.estimated else "CAL-SPACING"
    ]
    return _group(
        f"scale of film {film.film.id}",
        uid_of("scale", image.key),
        private("SCALE"),
        [*lengths, *factors],
        result,
        [(codes.CALIBRATION_OBJECT, private(kind)) for kind in dict.fromkeys(kinds)],
        [(codes.COMMENT, flag.text) for flag in film.flags],
    )


def _interval(length: LengthEstimate) -> tuple[float, float]:
    """The 95 % interval; even half-widths are 1.96 standard uncertainties, since a reader takes those back from them."""
    if length.too_long_mm > 0.0:
        return length.length_interval_mm
    half = NORMAL_95 * length.length_std_mm
    return length.length_mm - half, length.length_mm + half


def canal_group(
    canal: CanalResult, trace: TraceResult, image: FilmImage, result: CaseResult, program: str
) -> hd.sr.MeasurementsAndQualitativeEvaluations:
    """One canal on one film: its length along the path and the angles of its bend."""
    path = trace.path.path_px
    along = [_polyline(path, image)]
    algorithm = _algorithm(program, f"tracer: {printable(trace.path.tracer, 200)}")
    numbers = []
    remarks = [(codes.COMMENT, flag.text) for flag in trace.flags]
    if trace.length is not None and trace.length.gap is not None:
        # Where the crown piece ends and the canal begins is not measured.
        numbers.append(
            _number(
                codes.PATH_LENGTH,
                trace.length.length_mm,
                codes.MM,
                method="M-KNOWN-GAP",
                interval=_interval(trace.length),
                along=along,
                algorithm=algorithm,
            )
        )
        words = method_words(trace.length)
        remarks.insert(0, (codes.COMMENT, f"{words[:1].upper()}{words[1:]}."))
    elif trace.length is not None and trace.length.canal_mm is not None:
        reference = trace.start_px
        if reference is not None:
            whole = np.vstack([np.asarray(reference, np.float64)[None], path])
            numbers.append(
                _number(
                    codes.PATH_LENGTH,
                    trace.length.length_mm,
                    codes.MM,
                    method="M-FROM-REF",
                    interval=_interval(trace.length),
                    along=[_polyline(whole, image)],
                    algorithm=algorithm,
                )
            )
        numbers.append(
            _number(
                codes.PATH_LENGTH,
                trace.length.canal_mm,
                codes.MM,
                method="M-CANAL",
                interval=_interval(trace.length) if reference is None else None,
                along=along,
                algorithm=algorithm,
            )
        )
    numbers += _bend(trace, image, algorithm)
    point = canal.canal.reference_point
    reference_words = [] if point is None else [(private("REF-POINT"), point)]
    return _group(
        f"{result.case.tooth} {printable(canal.canal.name, 40)} on film {trace.trace.film}",
        uid_of("canal", image.key, result.case.tooth, canal.canal.name),
        codes.ROOT_CANAL,
        numbers,
        result,
        [
            (private("CANAL-ID"), codes.canal_code(canal.canal.name)),
            (private("APICAL-END"), private(codes.APICAL_ENDS[trace.trace.apical_end])),
        ],
        [*reference_words, *remarks],
    )


def _bend(trace: TraceResult, image: FilmImage, algorithm: hd.sr.AlgorithmIdentification) -> list[hd.sr.Measurement]:
    """Angles on the two straight lines they lie between, the radius on its arc: all of the fitted model, not of the path."""
    bend, model = trace.curvature, trace.angles
    if bend is None:  # a film without a scale
        lines = _lines(trace, 0, image)
        return [
            _number(
                codes.ANGLE, schneider_deg(model), codes.DEG, method="M-SCHNEIDER", along=lines, algorithm=algorithm
            )
        ]
    if not bend.determined or bend.schneider_deg is None:
        return []

    def angle(method: str, value: float, std: float | None, curve: int = 0) -> hd.sr.Measurement:
        along = _lines(trace, curve, image)
        return _number(codes.ANGLE, value, codes.DEG, method=method, std=std, along=along, algorithm=algorithm)

    out = [angle("M-SCHNEIDER", bend.schneider_deg, bend.schneider_std_deg)]
    if bend.schneider_secondary_deg is not None:
        out.append(angle("M-SCHNEIDER-2", bend.schneider_secondary_deg, bend.schneider_secondary_std_deg, 1))
    if bend.weine_deg is not None:
        out.append(angle("M-PRUETT", bend.weine_deg, bend.weine_std_deg))
    ends = [_polyline(trace.path.path_px[[0, -1]], image)]
    access = bend.canal_access.angle_deg, codes.DEG
    out.append(
        _number(codes.ANGLE, *access, method="M-ACCESS", std=bend.canal_access_std_deg, along=ends, algorithm=algorithm)
    )
    if bend.pruett_radius_mm is not None and model.arcs:
        first, last = model.bends[0]
        arc = _model(trace, np.linspace(model.breaks_mm[2 * first], model.breaks_mm[2 * last + 1], ARC_POINTS))
        out.append(
            _number(
                codes.RADIUS,
                bend.pruett_radius_mm,
                codes.MM,
                method="M-PRUETT",
                interval=bend.pruett_radius_interval_mm,
                along=[_polyline(_inside(arc, image), image)],
                algorithm=algorithm,
            )
        )
    return out


def _lines(trace: TraceResult, curve: int, image: FilmImage) -> list[hd.sr.CoordinatesForMeasurement]:
    """The straight parts before and after one curve of the fitted model; its one line where there is no curve.

    A part without a length, as where the curve goes on to the apex, is shown as the tangent there.
    """
    model = trace.angles
    breaks = [0.0, *(float(at) for at in model.breaks_mm), model.length_mm]
    shown, step = TANGENT_SHARE * model.length_mm, 1e-4 * model.length_mm
    lines = []
    parts: tuple[int, ...] = (0,)
    if model.arcs:  # a curve may be several arcs
        first, last = model.bends[curve]
        parts = (2 * first, 2 * last + 2)
    for k in parts:
        begin, end = breaks[k : k + 2]
        if model.arcs and end - begin < shown:
            # Two points of the curve beside the part, coronal one first, drawn apart.
            before, after = _model(trace, [begin - step, begin] if k > parts[0] else [end, end + step])
            reach = (after - before) * shown / step
            line = np.array([after - reach, after] if k > parts[0] else [before, before + reach])
        else:
            line = _model(trace, [begin, end])
        lines.append(_polyline(_inside(line, image), image))
    return lines


def _model(trace: TraceResult, at: object) -> Float64:
    """Points of the fitted model at arc-length positions, in pixels (row, col)."""
    film = trace.film
    size = (1.0, film.col_over_row) if film.calibration is None else film.calibration.mm_per_px
    points: Float64 = trace.angles.point(np.asarray(at, np.float64)) / size
    return points


def _inside(points_px: Float64, image: FilmImage) -> Float64:
    """The points, pulled onto the image's edge where a fitted line leaves it by a little: a coordinate must lie on it."""
    rows, cols = image.film.radiograph.values.shape
    return np.clip(points_px, (-0.5, -0.5), (rows - 0.5, cols - 0.5))


def record_group(
    canal: CanalResult, result: CaseResult, program: str
) -> hd.sr.MeasurementsAndQualitativeEvaluations | None:
    """What stands in the length record of one canal: film, readings, proposal, decision."""
    film = None if canal.basis is None else canal.basis.radiographic
    facts = case_facts(result).of(canal.canal.name)
    electronic, working, decision = facts.electronic, facts.proposal, facts.decision
    lengths = [("WL-PROP", "M-RECONCILED", working.length_mm, working.std_mm)]
    if film is not None:
        lengths.insert(0, ("WL-RAD", "M-ALLOWANCE", film.length_mm, film.std_mm))
    if electronic is not None:
        lengths.insert(-1, ("WL-ELEC", "M-READING", electronic.length_mm, electronic.std_mm))
    if decision is not None:
        lengths.append(("WL-FINAL", "M-DECIDED", decision.length_mm, None))
    if facts.stop is not None:
        whose = "M-DECIDED" if facts.stop.whose == "decided" else "M-RECONCILED"
        lengths.append(("WL-STOP", whose, facts.stop.setting_mm, None))
    algorithm = _algorithm(program)
    numbers = [
        _number(
            private(name),
            length,
            codes.MM,
            method=method,
            std=std,
            algorithm=algorithm if name in ("WL-RAD", "WL-PROP") else None,
        )
        for name, method, length, std in lengths
        if length is not None
    ]
    if not numbers:
        return None
    words = [] if facts.reference_point is None else [(private("REF-POINT"), facts.reference_point)]
    if film is not None and film.length_mm is not None:
        words.append((codes.COMMENT, f"Film: {film.method} of {film.allowance_mm:.2f} mm."))
    if facts.risk is not None:
        words.append((codes.COMMENT, f"Stop {risk_words(facts)}."))
    remarks = [flag.text for flag in canal_flags(canal, canal.basis, facts)]
    words += [(codes.COMMENT, text) for text in dict.fromkeys([*remarks, *decision_doubts(facts)])]
    return _group(
        f"{result.case.tooth} {printable(canal.canal.name, 40)} record",
        uid_of("record", str(result.case.films[0].sha256), result.case.tooth, canal.canal.name),
        codes.ROOT_CANAL,
        numbers,
        result,
        [
            (private("CANAL-ID"), codes.canal_code(canal.canal.name)),
            (private("WL-STATUS"), private(codes.STATUSES[working.status])),
        ],
        words,
    )
