"""A structured report read back: what its coded content says, and the case it was made from.

Needs no highdicom. The content is read as any reader must read it, from codes and coordinates; the case comes from the
private element and must agree with the content, so that a report that was edited afterwards is noticed.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np
from attrs import evolve, field, frozen
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.multival import MultiValue

from wlmeasure.errors import CaseError, ImageError, ShareError, WlmeasureError
from wlmeasure.image.dicom_file import check_header, parse
from wlmeasure.image.file_content import file_content
from wlmeasure.image.radiograph import printable
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.record.case import Case, KnownFile, KnownObject, case_from_json, save_case
from wlmeasure.record.record import record_of
from wlmeasure.share.dicom import codes
from wlmeasure.share.dicom.codes import Code
from wlmeasure.share.dicom.objects import quiet
from wlmeasure.share.dicom.points import from_dicom
from wlmeasure.trace.spline import arc_length
from wlmeasure.trade.tooth_codes import tooth_of_code

__all__ = ["CanalLength", "Report", "case_from_report", "case_to_file", "disagreement", "predecessor", "read_report"]

Float64 = NDArray[np.float64]

CASE_BLOCK = (0x0099, "WLMEASURE CASE 1", 0x01)
"""Group, private creator and element of the case's JSON (unlimited text)."""
MOST_BYTES = 32_000_000  # of a deflated report; real ones have 0.1 MB (our parameter)
ON_THE_PATH = ("M-CANAL", "M-KNOWN-GAP")
"""Methods of a canal's length whose first path is the canal's as it was traced."""
SAME_PX = 1e-3  # coordinates are stored as 32-bit numbers: a wide film loses 1e-4 px


@frozen
class Measured:
    """One number of the report: concept, value in `unit`, method and half-widths of its 95 % interval."""

    name: Code
    value: float
    unit: str
    method: str | None
    lower: float | None
    upper: float | None
    paths_px: tuple[Float64, ...] = field(default=(), eq=False)
    image_uid: str | None = None
    frame: int | None = None

    @property
    def std(self) -> float | None:
        """Standard uncertainty, where the interval is even."""
        even = self.lower is not None and self.upper is not None and abs(self.lower - self.upper) <= 1e-6 * self.upper
        return self.upper / NORMAL_95 if even and self.upper is not None else None


@frozen
class Group:
    """One measurement group: its tracking identifier, finding, coded evaluations (concept to value) and numbers."""

    name: str
    finding: str
    tooth: str | None
    evaluations: tuple[tuple[str, str], ...]
    texts: tuple[tuple[str, str], ...]
    numbers: tuple[Measured, ...]

    def number(self, concept: str, method: str | None = None) -> Measured | None:
        """The first number of that concept code, and method code where one is given."""
        return next((n for n in self.numbers if n.name.value == concept and method in (None, n.method)), None)


@frozen
class CanalLength:
    """One canal on one film as the report has it.

    `recomputed_mm` is the length of the stored polyline under the stored scale of the same image; None without a scale.
    """

    name: str
    canal: str
    image_uid: str
    method: str
    path_px: Float64 = field(eq=False, repr=False)
    length_mm: float = 0.0
    std_mm: float | None = None
    recomputed_mm: float | None = None


@frozen
class Report:
    """A report read back; `case` is None where its private element is gone, as after de-identification."""

    uid: str
    tooth: str | None
    made_at: str
    predecessors: tuple[str, ...]
    groups: tuple[Group, ...]
    lengths: tuple[CanalLength, ...]
    case: Case | None


def read_report(path: Path) -> Report:
    """Read a structured report that this program wrote.

    Raises
    ------
    ShareError
        Not a file, not a report of template TID 1500 with the codes of 99WLM, or damaged.
    """
    dataset = _dataset(path)
    try:
        with quiet():
            report = _content(dataset, _case(dataset, path))
    except WlmeasureError:
        raise
    except Exception as error:  # pydicom converts on access, and raises nearly anything for what is damaged
        raise ShareError(f"{path.name}: report is damaged: {printable(error)}; send it again") from error
    if not report.groups:
        raise ShareError(f"{path.name} must hold measurement groups (TID 1501): it holds none")
    teeth = {group.tooth for group in report.groups if group.tooth is not None}
    if len(teeth) > 1:
        raise ShareError(f"{path.name} must be of one tooth: {', '.join(sorted(teeth))}")
    return report


def _content(dataset: Dataset, case: Case | None) -> Report:
    groups = tuple(_group(item) for item in _groups(dataset))
    predecessors = tuple(
        str(instance.ReferencedSOPInstanceUID)
        for study in dataset.get("PredecessorDocumentsSequence") or ()
        for series in study.ReferencedSeriesSequence
        for instance in series.ReferencedSOPSequence
    )
    tooth = next((group.tooth for group in groups if group.tooth is not None), None)
    made_at = f"{dataset.get('ContentDate') or ''} {dataset.get('ContentTime') or ''}".strip()
    return Report(str(dataset.SOPInstanceUID), tooth, made_at, predecessors, groups, _lengths(groups), case)


def case_from_report(path: Path, *, films: Mapping[str, str] | None = None) -> Case:
    """The case a report was made from, its paths accepted.

    A film's file name does not travel with a report, since it may name the patient: the case says film1.png, film2.dcm.

    Parameters
    ----------
    path
        The report.
    films
        Where the films lie, by their ids, as the case is to name them.

    Raises
    ------
    ShareError
        The report has lost its case, or its coded content says otherwise than the case.
    """
    report = read_report(path)
    case = report.case
    if case is None:
        raise ShareError(
            f"{path.name} must carry its case in a private element: it is gone, as after de-identification; its lengths and "
            "paths can still be read"
        )
    if (fault := disagreement(report)) is not None:
        raise ShareError(f"{path.name}: {fault}; the report was changed after it was made")
    placed = [evolve(film, path=(films or {}).get(film.id, film.path)) for film in case.films]
    return evolve(case, films=tuple(placed), folder=path.parent)


def case_to_file(path: Path, out: Path) -> None:
    """Write the case inside a report as a case file; a file that stands there is not written over.

    Raises
    ------
    ShareError
        As :func:`case_from_report`, or a file stands there.
    """
    case = case_from_report(path)
    if out.exists():
        raise ShareError(f"{out.name} must be a new file: one stands there; choose another name for --case")
    save_case(case, out)


def predecessor(path: Path, tooth: str) -> Dataset:
    """The report at `path`, which a new one of the same tooth is to replace.

    Raises
    ------
    ShareError
        It is no report of that tooth.
    """
    before = read_report(path)
    if before.tooth != tooth:
        raise ShareError(
            f"{path.name} must be a report of tooth {tooth} to be replaced by one: it is of tooth {before.tooth}"
        )
    return _dataset(path)


def _dataset(path: Path) -> Dataset:
    try:
        data = file_content(path)
    except ImageError as error:
        raise ShareError(f"{path.name} cannot be read: {error}") from error
    if data[128:132] != b"DICM":
        raise ShareError(f"{path.name} must be a DICOM file: it is none")
    try:
        with quiet():
            dataset = parse(data, max_inflated=MOST_BYTES)
            check_header(dataset)
            kind = str(dataset.get("SOPClassUID", ""))
    except ImageError as error:
        raise ShareError(f"{path.name} must be a DICOM file: {error}") from error
    except Exception as error:  # pydicom converts on access and raises what the conversion raises
        raise ShareError(f"{path.name}: report is damaged: {printable(error)}; send it again") from error
    if not kind.startswith("1.2.840.10008.5.1.4.1.1.88."):
        raise ShareError(f"{path.name} must be a structured report: its SOP class is {printable(kind, 64) or 'absent'}")
    return dataset


def _named(items: object, code: str) -> list[Dataset]:
    """Content items of that concept code."""
    return [item for item in items or () if _code(item.get("ConceptNameCodeSequence")).value == code]  # type: ignore[attr-defined]


def _groups(dataset: Dataset) -> list[Dataset]:
    return [
        group
        for measurements in _named(dataset.get("ContentSequence"), "126010")
        for group in _named(measurements.get("ContentSequence"), "125007")
    ]


def _code(sequence: Any) -> Code:
    if not sequence:
        return Code("", "", "")
    item = sequence[0]
    value = item.get("CodeValue") or item.get("LongCodeValue") or ""
    return Code(str(value), str(item.get("CodingSchemeDesignator") or ""), str(item.get("CodeMeaning") or ""))


def _group(item: Dataset) -> Group:
    name, finding, tooth = "", "", None
    evaluations, texts, numbers = [], [], []
    for child in item.ContentSequence:
        concept = _code(child.ConceptNameCodeSequence)
        if child.ValueType == "NUM":
            numbers.append(_measured(child, concept))
        elif child.ValueType == "CODE":
            value = _code(child.ConceptCodeSequence)
            if concept.value == "121071":
                finding = value.value
            elif concept.value == codes.FINDING_SITE.value:
                tooth = tooth_of_code(value.value)
            else:
                evaluations.append((concept.value, value.value))
        elif child.ValueType == "TEXT":
            if concept.value == "112039":
                name = str(child.TextValue)
            else:
                texts.append((concept.value, str(child.TextValue)))
    return Group(name, finding, tooth, tuple(evaluations), tuple(texts), tuple(numbers))


def _measured(item: Dataset, concept: Code) -> Measured:
    value, unit = _value(item)
    method, lower, upper = None, None, None
    image: tuple[str | None, int | None] = None, None
    paths = []
    for child in item.get("ContentSequence") or ():
        name = _code(child.get("ConceptNameCodeSequence")).value
        if name == codes.MEASUREMENT_METHOD.value:
            method = _code(child.ConceptCodeSequence).value
        elif name == codes.UPPER_UNCERTAINTY.value:
            upper = _value(child)[0]
        elif name == codes.LOWER_UNCERTAINTY.value:
            lower = _value(child)[0]
        elif child.ValueType == "SCOORD":
            paths.append(from_dicom(child.GraphicData))
            if not np.isfinite(paths[-1]).all():
                raise ValueError("a coordinate of it must be finite")
            image = _referenced(child.ContentSequence[0])
        elif child.ValueType == "IMAGE":
            image = _referenced(child)
    return Measured(concept, value, unit, method, lower, upper, tuple(paths), *image)


def _referenced(item: Dataset) -> tuple[str, int | None]:
    """The image that a content item refers to, and the frame where it names one."""
    reference = item.ReferencedSOPSequence[0]
    frames = reference.get("ReferencedFrameNumber")
    if isinstance(frames, MultiValue):
        frames = frames[0]
    return str(reference.ReferencedSOPInstanceUID), None if frames is None else int(frames)


def _value(item: Dataset) -> tuple[float, str]:
    measured = item.MeasuredValueSequence[0]
    # A decimal string holds 16 characters; the double beside it holds the number.
    value = measured.get("FloatingPointValue")
    number = float(measured.NumericValue if value is None else value)
    if not isfinite(number):
        raise ValueError(f"a number of it must be finite: {number}")
    return number, _code(measured.MeasurementUnitsCodeSequence).value


def _lengths(groups: tuple[Group, ...]) -> tuple[CanalLength, ...]:
    scales = {}
    for group in groups:
        row, col = (group.number(codes.CALIBRATION_FACTOR.value, method) for method in ("M-ROW", "M-COL"))
        if row is not None and col is not None and row.image_uid is not None:
            scales[row.image_uid, row.frame] = row.value, col.value
    found = []
    for group in groups:
        canal = dict(group.evaluations).get("CANAL-ID", "")
        for number in group.numbers:
            if number.name.value == codes.PATH_LENGTH.value and number.paths_px and number.image_uid is not None:
                path, scale = number.paths_px[0], scales.get((number.image_uid, number.frame))
                only_ends = number.method == "M-KNOWN-GAP"  # the path is no part of most of that length
                again = None if scale is None or only_ends else _again(path, scale)
                found.append(
                    CanalLength(
                        group.name, canal, number.image_uid, number.method or "", path, number.value, number.std, again
                    )
                )
    return tuple(found)


def _again(path: NDArray[np.float64], scale: tuple[float, float]) -> float | None:
    """The length recomputed, mm; None where damaged points or scales give no number."""
    with np.errstate(over="ignore", invalid="ignore"):
        length = float(arc_length(path * scale)[-1])
    return length if isfinite(length) else None


def _case(dataset: Dataset, path: Path) -> Case | None:
    group, creator, element = CASE_BLOCK
    try:
        raw = dataset.private_block(group, creator)[element].value
    except KeyError:
        return None
    # An archive that knows no private elements hands them on as bytes of unknown kind.
    text = raw.decode("utf-8", "replace") if isinstance(raw, bytes) else str(raw)
    try:
        return case_from_json(json.loads(text.rstrip("\0 ")), folder=path.parent, name=f"the case in {path.name}")
    except (ValueError, RecursionError) as error:
        if isinstance(error, CaseError):
            raise
        raise ShareError(f"{path.name}: the case inside cannot be read: {printable(error)}") from error


def disagreement(report: Report) -> str | None:
    """What of the coded content is not that of the case inside: tooth, paths, known lengths, decisions; None if all is."""
    case = report.case
    if case is None:
        return None
    if report.tooth != case.tooth:
        return f"tooth of the content must be that of the case: {report.tooth}, not {case.tooth}"
    stored = [np.asarray(trace.path_px) for canal in case.canals for trace in canal.traces if trace.path_px]
    for path in (length.path_px for length in report.lengths if length.method in ON_THE_PATH):
        if not any(path.shape == own.shape and np.abs(path - own).max() <= SAME_PX for own in stored):
            return "paths of the content must be those of the case: one is not"
    lengths = (s for film in case.films for s in film.scale if isinstance(s, KnownFile | KnownObject))
    known = [scale.known_length_mm for scale in lengths if scale.gives_scale]
    record, _ = record_of(case)
    held = [record.decision(canal.name) for canal in case.canals]
    decided = [entry.length_mm for entry in held if entry is not None]
    for what, concept, own_mm in (
        ("known lengths", codes.CALIBRATION_OBJECT_SIZE.value, known),
        ("decided lengths", "WL-FINAL", decided),
    ):
        said = [number.value for group in report.groups for number in group.numbers if number.name.value == concept]
        if said != own_mm:
            return f"{what} of the content must be those of the case: {said}, not {own_mm}"
    return None
