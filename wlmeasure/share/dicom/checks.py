"""Rules of the standard that the validators in use do not look at; checked on every object before it is written.

Measured with dcmtk 3.6.7 and the dicom3tools of June 2022: neither dsrdump nor dciodvfy minds coordinates outside the image,
an outdated tooth code or a calibration type that is not an enumerated value.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import isfinite

from pydicom.dataset import Dataset

from wlmeasure.errors import ShareError
from wlmeasure.trade.tooth_codes import OUTDATED_TOOTH_CODES, TOOTH_CODES

__all__ = ["check_calibration", "check_graphics", "check_report", "content_items"]

CALIBRATION_TYPES = ("GEOMETRY", "FIDUCIAL")  # PS3.3 10.7.1.2, enumerated
MOST_POINTS = 8191  # pairs of 4-byte numbers in an element whose length has 16 bits (PS3.5 7.1.2)
LONGEST_DESCRIPTION = 64  # LO


def content_items(item: Dataset) -> Iterator[Dataset]:
    """Every content item of a report below `item`, in the order of the document."""
    for child in item.get("ContentSequence") or ():
        yield child
        yield from content_items(child)


def check_report(report: Dataset, shapes: Mapping[str, tuple[int, ...]]) -> None:
    """Coordinates inside their image, images among the evidence, current tooth codes, finite numbers.

    Parameters
    ----------
    report
        A structured report.
    shapes
        (rows, columns) of every image by its SOP Instance UID.

    Raises
    ------
    ShareError
        Names what breaks which rule.
    """
    listed = _evidence(report)
    for item in content_items(report):
        kind = item.ValueType
        if kind == "SCOORD":
            image = next((child for child in item.get("ContentSequence") or () if child.ValueType == "IMAGE"), None)
            if image is None:
                raise ShareError("SCOORD must name the image it lies on: it names none; this is a fault of the program")
            uid = str(image.ReferencedSOPSequence[0].ReferencedSOPInstanceUID)
            if uid not in shapes:
                raise ShareError(f"SCOORD must lie on a film of the case: it refers to {uid}")
            _check_inside("SCOORD", item.GraphicData, shapes[uid])
        elif kind == "IMAGE":
            uid = str(item.ReferencedSOPSequence[0].ReferencedSOPInstanceUID)
            if uid not in listed:
                raise ShareError(f"image {uid} must be listed as evidence of the report: it is not")
        elif kind == "NUM":
            for measured in item.MeasuredValueSequence:
                value = measured.get("FloatingPointValue", measured.NumericValue)
                if not isfinite(float(value)):
                    raise ShareError(f"{item.ConceptNameCodeSequence[0].CodeMeaning} must be a finite number: {value}")
        elif kind == "CODE":
            code = str(item.ConceptCodeSequence[0].get("CodeValue", ""))
            if code in OUTDATED_TOOTH_CODES:
                tooth = OUTDATED_TOOTH_CODES[code]
                raise ShareError(f"code of tooth {tooth} must be {TOOTH_CODES[tooth]}: {code} is of an older edition")


def check_graphics(state: Dataset, shape: tuple[int, ...]) -> None:
    """Every graphic and anchor of a presentation state inside its image of (rows, columns).

    Raises
    ------
    ShareError
        Names the layer.
    """
    for annotation in state.get("GraphicAnnotationSequence") or ():
        for graphic in annotation.get("GraphicObjectSequence") or ():
            _check_inside(annotation.GraphicLayer, graphic.GraphicData, shape)
        for text in annotation.get("TextObjectSequence") or ():
            _check_inside(annotation.GraphicLayer, text.AnchorPoint, shape)


def check_calibration(dataset: Dataset) -> None:
    """Pixel Spacing Calibration Type one of its enumerated values, with a description, on two positive spacings.

    Raises
    ------
    ShareError
        Names the attribute.
    """
    kind = dataset.get("PixelSpacingCalibrationType")
    if kind is None:
        return
    if kind not in CALIBRATION_TYPES:
        raise ShareError(f"PixelSpacingCalibrationType must be {' or '.join(CALIBRATION_TYPES)}: {kind!r}")
    described = str(dataset.get("PixelSpacingCalibrationDescription") or "")
    if not 0 < len(described) <= LONGEST_DESCRIPTION:
        raise ShareError(
            f"PixelSpacingCalibrationDescription must be 1 to {LONGEST_DESCRIPTION} characters: {described!r}"
        )
    spacing = [float(value) for value in dataset.get("PixelSpacing") or ()]
    if len(spacing) != 2 or not all(isfinite(value) and value > 0.0 for value in spacing):
        raise ShareError(f"PixelSpacing must be two finite numbers > 0 (row, column): {spacing}")


def _evidence(report: Dataset) -> set[str]:
    return {
        str(instance.ReferencedSOPInstanceUID)
        for keyword in ("CurrentRequestedProcedureEvidenceSequence", "PertinentOtherEvidenceSequence")
        for study in report.get(keyword) or ()
        for series in study.ReferencedSeriesSequence
        for instance in series.ReferencedSOPSequence
    }


def _check_inside(what: str, data: object, shape: tuple[int, ...]) -> None:
    """Columns 0 to `shape[1]` and rows 0 to `shape[0]` from the corner of the image (PS3.3 C.18.6.1.1)."""
    numbers = [float(value) for value in data]  # type: ignore[attr-defined]
    rows, cols = shape
    if len(numbers) > 2 * MOST_POINTS:
        raise ShareError(
            f"{what} must have at most {MOST_POINTS} points in a DICOM file: {len(numbers) // 2}; thin the path"
        )
    if len(numbers) % 2 or not numbers:
        raise ShareError(f"{what} must hold pairs of column and row: {len(numbers)} numbers")
    for column, row in zip(numbers[::2], numbers[1::2], strict=True):
        if not (0.0 <= column <= cols and 0.0 <= row <= rows):  # false for NaN too
            raise ShareError(
                f"{what} must lie inside the image of {rows} x {cols} pixels: column {column:g}, row {row:g}"
            )
