"""A copy of a film that carries our pixel size: Pixel Spacing with Calibration Type FIDUCIAL (PS3.3 10.7.1.2).

FIDUCIAL is a spacing "calibrated by the operator or image processing software by measurement of an object (fiducial) that is
visible in the pixel data and is of known size", valid close to the central ray and at the fiducial's depth: a file of known
length in the tooth. The film itself is never edited: what is measured on the copy differs, so the copy is another instance,
in a series of its own in the same study. Made on request only; a presentation state says the same without a copy.
"""

from __future__ import annotations

import copy

from pydicom.dataset import Dataset
from pydicom.valuerep import DSfloat

from wlmeasure.errors import ShareError
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.record.evaluate import CaseResult
from wlmeasure.share.dicom.checks import LONGEST_DESCRIPTION, check_calibration
from wlmeasure.share.dicom.codes import Code
from wlmeasure.share.dicom.objects import MAKER, code_item, equipment, file_meta, header_text, stamp, uid_of
from wlmeasure.share.dicom.source import FilmImage

__all__ = ["calibrated_copy"]

ACQUISITION = Code("109101", "DCM", "Acquisition Equipment")  # CID 7005
SOURCE_IMAGE = Code("121322", "DCM", "Source image for image processing operation")  # CID 7202
_EQUIPMENT = (
    *("Manufacturer", "ManufacturerModelName", "SoftwareVersions", "DeviceSerialNumber"),
    *("InstitutionName", "InstitutionAddress", "StationName", "InstitutionalDepartmentName"),
)
_REPLACED = ("PixelSpacing", "PixelSpacingCalibrationType", "PixelSpacingCalibrationDescription")
# A signature over the film does not hold for the copy.
_SIGNATURES = ("DigitalSignaturesSequence", "MACParametersSequence")


def calibrated_copy(result: CaseResult, image: FilmImage, *, made_at: str, program: str) -> Dataset:
    """The copy of one film of a measured case; its pixels are the film's.

    The same arguments give the same object, identifiers included.

    Parameters
    ----------
    result
        What :func:`~wlmeasure.record.evaluate.evaluate` returned.
    image
        The film as a DICOM image; a capture is calibrated likewise.
    made_at, program
        When (``2026-11-25T10:30:00``) and with what name and version.

    Raises
    ------
    ShareError
        A film without a scale, or with one that does not rest on a known length seen on the film.
    """
    film, source = image.film, image.dataset
    scale = film.calibration
    if scale is None:
        raise ShareError(f"film {film.film.id} must have a scale: it has none; calibrate it on a file of known length")
    if not scale.lines:
        raise ShareError(
            f"film {film.film.id} must be calibrated on a known length seen on it: its scale comes from the {scale.method}; "
            "trace a file from its stop, or its reference point, to its tip"
        )
    if image.frame is not None:
        raise ShareError(
            f"film {film.film.id} must be a file of one frame to be copied with its scale: it is frame {image.frame} of "
            f"{film.radiograph.frames}, and one Pixel Spacing would hold for all; export the frame, or use --as presentation"
        )
    out = copy.deepcopy(source)
    # Before anything is entered: the words of the film are in its own character set, and stay in it.
    facts = (image.uid, *(f"{size:.9g}" for size in scale.mm_per_px), made_at, program)
    out.SOPInstanceUID, out.SeriesInstanceUID = uid_of("calibrated", *facts), uid_of("calibrated series", *facts)
    out.SeriesNumber, out.SeriesDescription = None, "Calibrated on a known length"
    for keyword in _SIGNATURES:
        if keyword in out:
            delattr(out, keyword)
    kind = list(source.get("ImageType") or ["ORIGINAL", "PRIMARY"])
    out.ImageType = ["DERIVED", *kind[1:]]
    _keep_replaced(out, source, made_at)
    out.PixelSpacing = [DSfloat(size, auto_format=True) for size in scale.mm_per_px]
    out.PixelSpacingCalibrationType = "FIDUCIAL"
    out.PixelSpacingCalibrationDescription = _description(result, image)
    if "PixelAspectRatio" in out:  # PS3.3 C.7.6.3.1.7: not beside a spacing
        del out.PixelAspectRatio
    out.DerivationDescription = (
        f"Pixel Spacing set to the scale found on the film, +-{100.0 * NORMAL_95 * scale.rel_std:.1f} % (95 %), by {program}; "
        "pixel values unchanged"
    )
    item = Dataset()
    item.ReferencedSOPClassUID, item.ReferencedSOPInstanceUID = source.SOPClassUID, source.SOPInstanceUID
    item.PurposeOfReferenceCodeSequence = [code_item(SOURCE_IMAGE)]
    item.SpatialLocationsPreserved = "YES"
    out.SourceImageSequence = [item]
    _change_equipment(out, source, program)
    stamp(out, made_at)
    out.file_meta = file_meta(out, source.file_meta.TransferSyntaxUID)
    check_calibration(out)
    return out


def _description(result: CaseResult, image: FilmImage) -> str:
    scale = image.film.calibration
    assert scale is not None
    known = ", ".join(f"{line.kind} {line.known_length_mm:g} mm" for line in scale.lines)
    text = f"{known}, tooth {result.case.tooth}"
    if len(text) > LONGEST_DESCRIPTION:
        text = f"{len(scale.lines)} known lengths, tooth {result.case.tooth}"
    return text


def _keep_replaced(out: Dataset, source: Dataset, made_at: str) -> None:
    """An older spacing goes to the Original Attributes Sequence (PS3.3 C.12.1.1.9), so that nothing is lost."""
    held = [keyword for keyword in _REPLACED if keyword in source]
    if not held:
        return
    old = Dataset()
    for keyword in held:
        old[keyword] = copy.deepcopy(source[keyword])
    item = Dataset()
    item.SourceOfPreviousValues = ""
    item.AttributeModificationDateTime = made_at[:19].replace("-", "").replace("T", "").replace(":", "")
    item.ModifyingSystem = MAKER
    item.ReasonForTheAttributeModification = "CORRECT"
    item.ModifiedAttributesSequence = [old]
    out.OriginalAttributesSequence = [*(source.get("OriginalAttributesSequence") or ()), item]


def _change_equipment(out: Dataset, source: Dataset, program: str) -> None:
    """Enter this program as what made the copy, the device as what contributed to it (PS3.3 C.12.1.1.5)."""
    device = Dataset()
    for keyword in _EQUIPMENT:
        text = header_text(source, keyword)
        if text:
            setattr(device, keyword, text)
        if keyword in out:
            delattr(out, keyword)
    device.PurposeOfReferenceCodeSequence = [code_item(ACQUISITION)]
    if "Manufacturer" in device:  # type 1 there: a device that no one names cannot be entered
        out.ContributingEquipmentSequence = [*(source.get("ContributingEquipmentSequence") or ()), device]
    equipment(out, program)
