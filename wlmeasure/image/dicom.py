"""Single-frame grey DICOM: stored values and polarity; modality and VOI for display only; spacing claims."""

from __future__ import annotations

import hashlib
import warnings as python_warnings
from collections.abc import Mapping
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from pydicom.dataelem import RawDataElement
from pydicom.encaps import get_frame
from pydicom.uid import UID, RLELossless

from wlmeasure.errors import ImageError, StaleCaseError
from wlmeasure.image.codec_messages import codec_messages
from wlmeasure.image.codestream import check_stream
from wlmeasure.image.dicom_file import check_header, parse
from wlmeasure.image.file_content import file_content
from wlmeasure.image.headers import check_size
from wlmeasure.image.radiograph import DisplayRange, Radiograph, StoredValues, printable
from wlmeasure.image.spacing import resolve_aspect, resolve_spacing

__all__ = ["display_range", "polarity", "read_data_set", "read_dicom"]

RADIOGRAPHS = {
    "1.2.840.10008.5.1.4.1.1.1": "Computed Radiography",
    "1.2.840.10008.5.1.4.1.1.1.1": "Digital X-Ray, presentation",
    "1.2.840.10008.5.1.4.1.1.1.1.1": "Digital X-Ray, processing",
    "1.2.840.10008.5.1.4.1.1.1.3": "Digital Intra-Oral X-Ray, presentation",
    "1.2.840.10008.5.1.4.1.1.1.3.1": "Digital Intra-Oral X-Ray, processing",
    "1.2.840.10008.5.1.4.1.1.7": "Secondary Capture",
}
"""SOP classes (PS3.4) that hold an intra-oral radiograph; others are read with a warning."""

LONGEST_VALUE = 16_384
"""Longest raw value of an attribute used here, in bytes: a longer one is not converted (our parameter)."""

MAX_COMPRESSED_PIXELS = 32_000_000
"""Largest picture decoded from JPEG, JPEG-LS or JPEG 2000: decoders do some 20 megapixels a second (our parameter)."""

DEFLATED = "1.2.840.10008.1.2.1.99"
_KEYWORDS = (
    *("SOPClassUID", "Rows", "Columns", "SamplesPerPixel", "NumberOfFrames", "PhotometricInterpretation"),
    *("BitsAllocated", "BitsStored", "HighBit", "PixelRepresentation", "PresentationLUTShape"),
    *("PixelIntensityRelationshipSign", "RescaleSlope", "RescaleIntercept", "WindowCenter", "WindowWidth"),
    *("VOILUTFunction", "PixelSpacing", "ImagerPixelSpacing", "NominalScannedPixelSpacing", "PixelAspectRatio"),
    *("PixelSpacingCalibrationType", "PixelSpacingCalibrationDescription", "EstimatedRadiographicMagnificationFactor"),
    "LossyImageCompression",
)


def read_dicom(data: bytes, *, path: str, sha256: str) -> Radiograph:
    """Radiograph of the bytes of one DICOM file.

    Raises ImageError for a file that is cut short, has no picture, several frames or colour, stores other than 8 to 16
    bits, or is compressed in a way that the plain install cannot decode.
    """
    notes: list[str] = []
    # pydicom warns through the warnings module; what it says of a file travels with the file.
    with python_warnings.catch_warnings(record=True) as said:
        python_warnings.simplefilter("always")
        dataset = parse(data)
        facts = _facts(dataset, notes)
        bits = _check_picture(dataset, facts)
        values = _values(dataset, facts, notes)
        class_name = printable(UID(str(facts.get("SOPClassUID", ""))).name, 64) or "absent"
    notes += dict.fromkeys(printable(entry.message) for entry in said)

    if facts.get("SOPClassUID") not in RADIOGRAPHS:
        notes.append(f"SOP class must be a radiograph's: {class_name}; read all the same")
    if str(facts.get("LossyImageCompression", "")).strip() == "01":
        notes.append("lossy compression: the picture was compressed with loss at some time")
    bright_is_dense, polarity_notes = polarity(facts)
    claims, spacing_notes = resolve_spacing(facts)
    col_over_row, aspect_notes = resolve_aspect(facts, claims)
    display, display_notes = _display(dataset, facts)
    return Radiograph(
        values=values,
        bright_is_dense=bright_is_dense,
        path=path,
        sha256=sha256,
        format="DICOM",
        bits=bits,
        stored_rows=int(values.shape[0]),
        stored_cols=int(values.shape[1]),
        col_over_row=col_over_row,
        spacings=claims,
        warnings=(*notes, *polarity_notes, *spacing_notes, *aspect_notes, *display_notes),
        display=display,
    )


def read_data_set(path: Path, *, sha256: str) -> pydicom.Dataset:
    """The whole data set of a DICOM film, for objects that refer to it or are derived from it.

    Raises
    ------
    StaleCaseError
        The file is no longer the one with that SHA-256.
    ImageError
        It cannot be read.
    """
    try:
        data = file_content(path)
    except ImageError as error:
        raise ImageError(f"{printable(path.name)}: {error}") from error
    if hashlib.sha256(data).hexdigest() != sha256:
        raise StaleCaseError(
            f"{printable(path.name)} must be the film that was measured: it has changed since; start again"
        )
    with python_warnings.catch_warnings():
        python_warnings.simplefilter("ignore")  # said when the film was read for measuring
        dataset = parse(data)
        check_header(dataset)
    return dataset


def polarity(facts: Mapping[str, object]) -> tuple[bool, tuple[str, ...]]:
    """Whether a larger stored value means more attenuation, and warnings where the attributes disagree.

    Pixel Intensity Relationship Sign (-1: higher value is less beam, PS3.3 C.8.11.3.1.2) is physics and decides; else
    Presentation LUT Shape, else MONOCHROME1 or 2, which say what is shown white; white is dense by the habit of
    radiographs. A negative Rescale Slope turns what is shown, not what is stored.
    """
    notes = []
    photometric = str(facts.get("PhotometricInterpretation", "")).strip()
    shape = str(facts.get("PresentationLUTShape") or "").strip()
    shown_white = photometric != "MONOCHROME1"
    if shape in ("IDENTITY", "INVERSE"):
        if (shape == "IDENTITY") != shown_white:
            notes.append(f"PresentationLUTShape must fit {photometric}: {shape}; the shape is followed")
        shown_white = shape == "IDENTITY"
    if (_number(facts.get("RescaleSlope")) or 1.0) < 0.0:
        shown_white = not shown_white
    sign = _number(facts.get("PixelIntensityRelationshipSign"))
    if sign not in (-1.0, 1.0):
        return shown_white, tuple(notes)
    if (sign < 0) != shown_white:
        notes.append(
            f"PixelIntensityRelationshipSign must fit {photometric}: {sign:+.0f}; the sign is followed, check that "
            "metal is bright"
        )
    return sign < 0, tuple(notes)


def display_range(facts: Mapping[str, object]) -> tuple[DisplayRange | None, tuple[str, ...]]:
    """First VOI window, carried back through the rescale to stored values (PS3.3 C.11.2.1.2).

    A sigmoid is shown as the straight window of the same centre and width.
    """
    center, width = (_number(_first(facts.get(keyword))) for keyword in ("WindowCenter", "WindowWidth"))
    if center is None or width is None:
        return None, ()
    exact = str(facts.get("VOILUTFunction") or "LINEAR").strip() != "LINEAR"
    if not (width > 0.0 if exact else width > 1.0):
        return None, (f"WindowWidth must be > {0 if exact else 1}: {width:g}; window not used",)
    low, high = (center - width / 2, center + width / 2) if exact else (center - width / 2, center + width / 2 - 1.0)
    slope, intercept = _number(facts.get("RescaleSlope")), _number(facts.get("RescaleIntercept"))
    slope = 1.0 if slope is None else slope
    if slope == 0.0:
        return None, ("RescaleSlope must not be 0: 0; window not used",)
    ends = sorted((end - (intercept or 0.0)) / slope for end in (low, high))
    if not (isfinite(ends[0]) and isfinite(ends[1]) and ends[0] < ends[1]):
        return None, (f"window must be a range of stored values: {ends[0]:g}, {ends[1]:g}; window not used",)
    return DisplayRange(*ends), ()


def _display(dataset: pydicom.Dataset, facts: Mapping[str, object]) -> tuple[DisplayRange | None, tuple[str, ...]]:
    if "ModalityLUTSequence" in dataset or ("VOILUTSequence" in dataset and facts.get("WindowWidth") is None):
        return None, ("display table (LUT sequence) is not applied: shown from percentiles of the stored values",)
    return display_range(facts)


def _facts(dataset: pydicom.Dataset, notes: list[str]) -> dict[str, object]:
    """Plain values of the attributes used; one that cannot be read stays as its raw text."""
    facts: dict[str, object] = {}
    for keyword in _KEYWORDS:
        try:
            raw = dataset.get_item(keyword)
            if isinstance(raw, RawDataElement) and len(raw.value or b"") > LONGEST_VALUE:
                raise ValueError("too long")
            value = dataset.get(keyword)
        except Exception:  # pydicom converts on access and raises what the conversion raises
            text = _raw_text(dataset, keyword)
            notes.append(f"{keyword} cannot be read: {printable(text, 40)!r}")
            value = text.strip("\0 ") or None
        if isinstance(value, pydicom.multival.MultiValue):
            value = tuple(value)
        if value is not None and value != "":
            facts[keyword] = value
    return facts


def _raw_text(dataset: pydicom.Dataset, keyword: str) -> str:
    """The bytes of an attribute as text, where pydicom can still give them."""
    try:
        raw = dataset.get_item(keyword)
    except Exception:  # even this may convert
        return ""
    return raw.value[:LONGEST_VALUE].decode("latin-1") if raw is not None and isinstance(raw.value, bytes) else ""


def _check_picture(dataset: pydicom.Dataset, facts: Mapping[str, object]) -> int:
    """Refuse what is not one grey picture of 8 to 16 bits, before decoding; returns the bits stored."""
    if "PixelData" not in dataset:
        other = "FloatPixelData" in dataset or "DoubleFloatPixelData" in dataset
        held = (
            "floating point samples"
            if other
            else printable(UID(str(facts.get("SOPClassUID", ""))).name, 64) or "absent"
        )
        raise ImageError(f"DICOM file must hold integer Pixel Data: {held}; choose the radiograph of the study")
    if (frames := _whole(facts, "NumberOfFrames", 1)) != 1:
        raise ImageError(f"NumberOfFrames must be 1: {frames}; export the one frame to measure on")
    photometric = printable(facts.get("PhotometricInterpretation", "absent"), 32)
    samples = _whole(facts, "SamplesPerPixel", 1)
    if photometric not in ("MONOCHROME1", "MONOCHROME2") or samples != 1:
        raise ImageError(
            f"PhotometricInterpretation must be MONOCHROME1 or MONOCHROME2 with 1 sample: {photometric}, {samples}; "
            "export the grey radiograph"
        )
    check_size(_whole(facts, "Rows", 0), _whole(facts, "Columns", 0))
    allocated = _whole(facts, "BitsAllocated", 0)
    bits = _whole(facts, "BitsStored", allocated)
    if allocated not in (8, 16) or not 8 <= bits <= allocated:
        raise ImageError(f"BitsStored must be 8 to 16 in 8 or 16 allocated: {bits} in {allocated}; export it as 16 bit")
    if (high := _whole(facts, "HighBit", bits - 1)) != bits - 1:
        raise ImageError(f"HighBit must be BitsStored - 1 = {bits - 1}: {high}; export it again")
    if (signed := _whole(facts, "PixelRepresentation", 0)) not in (0, 1):
        raise ImageError(f"PixelRepresentation must be 0 or 1: {signed}; export it again")
    return bits


def _values(dataset: pydicom.Dataset, facts: Mapping[str, object], notes: list[str]) -> StoredValues:
    rows, cols = _whole(facts, "Rows", 0), _whole(facts, "Columns", 0)
    try:
        held = len(dataset.get("PixelData") or b"")
        syntax = UID(str(dataset.file_meta.TransferSyntaxUID))
    except Exception as error:  # as for any attribute, pydicom converts on access
        raise ImageError(f"DICOM Pixel Data cannot be read: {printable(error)}; export it again") from error
    name = printable(syntax.name, 80)
    compressed = not syntax.is_private and syntax.is_transfer_syntax and syntax.is_compressed and syntax != DEFLATED
    allocated = _whole(facts, "BitsAllocated", 0)
    needed = rows * cols * allocated // 8
    if not compressed and held < needed:
        raise ImageError(f"DICOM file is truncated: Pixel Data must hold {needed} bytes: {held}; export it again")
    if compressed and syntax != RLELossless:
        check_size(rows, cols, max_pixels=MAX_COMPRESSED_PIXELS)
        _check_stream(dataset, (rows, cols), allocated, name)
    said: list[str] = []
    try:
        with codec_messages(said):
            stored: np.ndarray[Any, Any] = dataset.pixel_array
    except Exception as error:  # decoders are plug-ins and raise what they like
        if compressed:
            raise ImageError(
                f"DICOM transfer syntax {name} ({printable(syntax, 64)}) cannot be decoded: it needs a DICOM "
                'decoder extra (run pip install "wlmeasure[dicom]") or is damaged; export it uncompressed'
            ) from error
        raise ImageError(f"DICOM Pixel Data cannot be decoded ({name}): {printable(error)}; export it again") from error
    if any("premature" in line.lower() for line in said):
        raise ImageError(f"DICOM file is truncated: the picture ends early ({name}); copy or export it again")
    notes += dict.fromkeys(f"decoder of {name}: {line}" for line in said)
    if stored.shape != (rows, cols):
        raise ImageError(f"decoded shape must be {(rows, cols)}: {stored.shape}; export it again")
    if stored.dtype == np.int8:
        stored = stored.astype(np.int16)
    return stored


def _check_stream(dataset: pydicom.Dataset, shape: tuple[int, int], allocated: int, syntax: str) -> None:
    """The stream that a decoder is to be given must hold a picture of the size that the header says."""
    try:
        stream = get_frame(dataset.PixelData, 0, number_of_frames=1)
    except Exception as error:  # of a damaged encapsulation pydicom raises nearly anything
        raise ImageError(f"DICOM Pixel Data cannot be read ({syntax}): {printable(error)}; export it again") from error
    check_stream(stream, *shape, allocated)


def _first(value: object) -> object:
    return value[0] if isinstance(value, tuple) and value else value


def _number(value: object) -> float | None:
    try:
        number = float(str(value))
    except ValueError:
        return None
    return number if isfinite(number) else None


def _whole(facts: Mapping[str, object], keyword: str, default: int) -> int:
    value = facts.get(keyword)
    if value is None:
        return default
    number = _number(value)
    if number is None or number != int(number):
        raise ImageError(f"{keyword} must be a whole number: {printable(value, 40)}; export it again")
    return int(number)
