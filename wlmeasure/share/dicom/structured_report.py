"""A case as a DICOM structured report: Comprehensive SR, template TID 1500 (PS3.16).

Every length is a number inferred from the polyline it was computed on, in a measurement group of TID 1501 (TID 300 under it)
and not of TID 1410, which is for regions: a canal's path is open. Groups: the scale of each film, each canal on each film,
and the record of each canal. The case itself travels in one private element, so that reading the report back gives the same
case; the coded content stands without it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence

import highdicom as hd
from attrs import evolve
from highdicom.coding_schemes import CodingSchemeIdentificationItem
from pydicom.dataset import Dataset

from wlmeasure.errors import ShareError
from wlmeasure.record.case import Case, case_to_json
from wlmeasure.record.evaluate import CaseResult, accept_paths
from wlmeasure.record.facts import case_facts
from wlmeasure.share.dicom import codes
from wlmeasure.share.dicom.checks import check_report
from wlmeasure.share.dicom.codes import Code, private
from wlmeasure.share.dicom.objects import MAKER, UTF8, quiet, stamp, uid_of
from wlmeasure.share.dicom.report_groups import canal_group, concept, record_group, scale_group
from wlmeasure.share.dicom.report_reading import CASE_BLOCK
from wlmeasure.share.dicom.source import FilmImage
from wlmeasure.share.result import decision_is_stale

__all__ = ["structured_report"]

_SR = hd.sr


def structured_report(
    result: CaseResult, images: Sequence[FilmImage], *, made_at: str, program: str, previous: Dataset | None = None
) -> Dataset:
    """The report of a measured case.

    The same arguments give the same object, identifiers included.

    Parameters
    ----------
    result
        What :func:`~wlmeasure.record.evaluate.evaluate` returned.
    images
        Its films as DICOM images, in the order of the case (:func:`~wlmeasure.share.dicom.source.film_images`).
    made_at, program
        When (``2026-11-25T10:30:00``) and with what name and version.
    previous
        The report that this one replaces, which it refers to as its predecessor.

    Raises
    ------
    ShareError
        A case without anything measured, or what breaks a rule of the standard that no validator looks at.
    """
    by_film = {image.film.film.id: image for image in images}
    groups = [group for image in images if (group := scale_group(image, result, program)) is not None]
    for canal in result.canals:
        groups += [canal_group(canal, trace, by_film[trace.trace.film], result, program) for trace in canal.traces]
        if (record := record_group(canal, result, program)) is not None:
            groups.append(record)
    if not groups:
        raise ShareError("case must hold a scale, a trace or a reading to report: it holds none; measure it first")
    case = json.dumps(case_to_json(_travelling(result, images)), ensure_ascii=False, allow_nan=False)
    study = str(images[0].dataset.StudyInstanceUID)
    facts = (study, case, made_at, program, "" if previous is None else str(previous.SOPInstanceUID))
    device = _SR.DeviceObserverIdentifyingAttributes(
        uid=uid_of("device", MAKER), name=MAKER, manufacturer_name=MAKER, model_name=program
    )
    observer = _SR.ObserverContext(
        observer_type=concept(Code("121007", "DCM", "Device")), observer_identifying_attributes=device
    )
    content = _SR.MeasurementReport(
        observation_context=_SR.ObservationContext(observer_device_context=observer),
        procedure_reported=concept(private("PROC-WL")),
        imaging_measurements=groups,
        title=concept(Code("126000", "DCM", "Imaging Measurement Report")),
    )
    with quiet():
        report = _SR.ComprehensiveSR(
            evidence=[image.reference for image in {image.uid: image for image in images}.values()],
            content=content[0],
            series_instance_uid=uid_of("report series", *facts),
            series_number=1,
            sop_instance_uid=uid_of("report", *facts),
            instance_number=1,
            manufacturer=MAKER,
            manufacturer_model_name=MAKER,
            software_versions=program,
            series_description="Canal lengths",
            is_complete=True,
            is_final=_final(result),
            specific_character_set=UTF8,
            coding_schemes=[
                CodingSchemeIdentificationItem(codes.SCHEME, name=codes.SCHEME_NAME, responsible_organization=MAKER)
            ],
            previous_versions=None if previous is None else [previous],
        )
    stamp(report, made_at, "Content")
    group, creator, element = CASE_BLOCK
    report.private_block(group, creator, create=True).add_new(element, "UT", case)
    check_report(report, {image.uid: image.film.radiograph.values.shape for image in images})
    return report


def _final(result: CaseResult) -> bool:
    """Whether every canal has a decided length that stops are set by and that holds."""
    canals = case_facts(result).canals
    return bool(canals) and all(
        canal.stop is not None and canal.stop.whose == "decided" and not decision_is_stale(canal) for canal in canals
    )


def _travelling(result: CaseResult, images: Sequence[FilmImage]) -> Case:
    """The case with its accepted paths; a film's file name, which may name the patient, and proposals stay at home."""
    case = accept_paths(result)
    kinds = {image.film.film.sha256: image.film.radiograph.format.lower() for image in images}
    named = {
        sha256: f"film{k}.{'dcm' if kind == 'dicom' else kind}" for k, (sha256, kind) in enumerate(kinds.items(), 1)
    }
    names = [named[image.film.film.sha256] for image in images]  # frames of one file lie in one file
    films = (evolve(film, path=name, proposed=()) for film, name in zip(case.films, names, strict=True))
    return evolve(case, films=tuple(films))
