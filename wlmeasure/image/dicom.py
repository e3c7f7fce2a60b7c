"""One frame of a grey DICOM file: stored values and polarity; what its header says for display only; spacing claims; teeth."""

from __future__ import annotations

import hashlib
import os
import warnings as python_warnings
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import date
from pathlib import Path

import pydicom
from attrs import evolve, frozen
from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset
from pydicom.uid import UID

from wlmeasure.errors import FrameError, ImageError, StaleCaseError
from wlmeasure.image.coded_teeth import coded_teeth
from wlmeasure.image.decoding import DEFLATED, NATIVE, PALETTE, Layout, decode_frame
from wlmeasure.image.dicom_file import check_header, parse, parse_head
from wlmeasure.image.file_content import file_content, first_bytes
from wlmeasure.image.headers import check_size
from wlmeasure.image.radiograph import Radiograph, printable
from wlmeasure.image.shown import display_table, number, padding, polarity
from wlmeasure.image.spacing import resolve_aspect, resolve_spacing

__all__ = [
    "DicomHeader",
    "data_set",
    "directory_records",
    "read_data_set",
    "read_dicom",
    "read_dicom_header",
]

RADIOGRAPHS = {
    "1.2.840.10008.5.1.4.1.1.1": "Computed Radiography",
    "1.2.840.10008.5.1.4.1.1.1.1": "Digital X-Ray, presentation",
    "1.2.840.10008.5.1.4.1.1.1.1.1": "Digital X-Ray, processing",
    "1.2.840.10008.5.1.4.1.1.1.3": "Digital Intra-Oral X-Ray, presentation",
    "1.2.840.10008.5.1.4.1.1.1.3.1": "Digital Intra-Oral X-Ray, processing",
    "1.2.840.10008.5.1.4.1.1.7": "Secondary Capture",
    "1.2.840.10008.5.1.4.1.1.7.2": "Multi-frame Grayscale Byte Secondary Capture",
    "1.2.840.10008.5.1.4.1.1.7.3": "Multi-frame Grayscale Word Secondary Capture",
    "1.2.840.10008.5.1.4.1.1.7.4": "Multi-frame True Color Secondary Capture",
}
"""SOP classes (PS3.4) that hold an intra-oral radiograph; others are read with a warning."""

LONGEST_VALUE = 16_384
"""Longest raw value of an attribute used here, in bytes: a longer one is not converted (our parameter)."""

_KEYWORDS = (
    *("SOPClassUID", "Rows", "Columns", "SamplesPerPixel", "NumberOfFrames", "PhotometricInterpretation"),
    *("BitsAllocated", "BitsStored", "HighBit", "PixelRepresentation", "PresentationLUTShape"),
    *("PixelIntensityRelationshipSign", "RescaleSlope", "RescaleIntercept", "WindowCenter", "WindowWidth"),
    *("VOILUTFunction", "PixelSpacing", "ImagerPixelSpacing", "NominalScannedPixelSpacing", "PixelAspectRatio"),
    *("PixelSpacingCalibrationType", "PixelSpacingCalibrationDescription", "EstimatedRadiographicMagnificationFactor"),
    *("LossyImageCompression", "WindowCenterWidthExplanation", "PixelPaddingValue", "PixelPaddingRangeLimit"),
)
MAX_DIRECTORY_ELEMENTS = 300_000
"""Most elements in a DICOMDIR: one of 5000 films has half as many (our parameter)."""
MEDIA_DIRECTORY = b"1.2.840.10008.1.3.10"
_IDENTIFIERS = ("SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID")
_OVERLAY_GROUPS = range(0x6000, 0x6020, 2)
_COLOURS = ("RGB", "YBR_FULL", "YBR_FULL_422", "YBR_ICT", "YBR_RCT")
"""Photometric interpretations of three samples that may turn out to be a grey film, as JPEG-wrapped exports are."""
_FRAME_MACROS = (
    *("PixelMeasuresSequence", "PixelValueTransformationSequence", "FrameVOILUTSequence"),
    *("FrameAnatomySequence", "FramePixelDataPropertiesSequence"),
)
"""Functional groups of a multi-frame object (PS3.3 C.7.6.16.2) in which attributes used here may stand."""
_SEQUENCES = (
    *("PerFrameFunctionalGroupsSequence", "SharedFunctionalGroupsSequence", "ModalityLUTSequence", "VOILUTSequence"),
    *("PrimaryAnatomicStructureSequence", "AnatomicRegionSequence"),
)
"""Sequences that are looked into."""


def read_dicom(data: bytes, *, path: str, sha256: str, frame: int | None = None) -> Radiograph:
    """Radiograph of the bytes of one DICOM file; `frame` counts from 1, and may be None where the file has one frame.

    Raises ImageError for a file that is cut short, has no picture or colour, stores other than 1 to 16 bits, or is
    compressed in a way that no decoder here reads; FrameError where it has several frames and none of them was named.
    """
    warnings: list[str] = []
    notes: list[str] = []
    # pydicom warns through the warnings module; what it says of a file travels with the file.
    with python_warnings.catch_warnings(record=True) as said:
        python_warnings.simplefilter("always")
        dataset = parse(data)
        check_header(dataset, only=_SEQUENCES)
        frames = _frames(dataset)
        headers = _headers(dataset, frame)
        facts = _facts(headers, warnings)
        layout = _layout(dataset, facts, frames)  # asked which frame only of a file that can be read
        index = _which_frame(frames, frame)
        grey = decode_frame(dataset, _syntax(dataset), layout, index, notes)
        modality, voi = (_items(headers, keyword) for keyword in ("ModalityLUTSequence", "VOILUTSequence"))
        teeth, of_teeth = coded_teeth(headers)
        notes += [*_overlays(dataset), *_missing(dataset)]
        patient = _patient_fingerprint(dataset)
        class_name = printable(UID(str(facts.get("SOPClassUID", ""))).name, 64) or "absent"
    warnings += dict.fromkeys(printable(entry.message) for entry in said)

    if str(facts.get("SOPClassUID", "")) not in RADIOGRAPHS:
        warnings.append(f"SOP class must be a radiograph's: {class_name}; read all the same")
    if str(facts.get("LossyImageCompression", "")).strip() == "01":
        warnings.append("lossy compression: the picture was compressed with loss at some time")
    warnings += grey.warnings
    values, coloured = grey.values, layout.samples > 1 or layout.photometric == PALETTE
    claims, spacing_warnings = resolve_spacing(facts)
    col_over_row, aspect_warnings = resolve_aspect(facts, claims)
    # What the header says of padding and windows is said of monochrome values (PS3.3 C.7.5.1.1.2, C.11.2).
    padded = None if coloured else padding(facts, signed=layout.signed)
    radiograph = Radiograph(
        values=values,
        bright_is_dense=True,
        path=path,
        sha256=sha256,
        format="DICOM",
        bits=layout.stored if layout.photometric != PALETTE else 8 * values.dtype.itemsize,
        stored_rows=layout.rows,
        stored_cols=layout.cols,
        col_over_row=col_over_row,
        spacings=claims,
        frame=index if frames > 1 else None,
        frames=frames,
        teeth=teeth,
        padding=padded,
        masked=grey.coloured,
        patient_fingerprint=patient,
    )
    if coloured:
        bright_is_dense, said_of_polarity = polarity(facts)
        return evolve(
            radiograph,
            bright_is_dense=bright_is_dense,
            warnings=(*warnings, *said_of_polarity, *spacing_warnings, *aspect_warnings),
            notes=(*notes, *of_teeth),
        )
    inside = radiograph.picture_values()
    if padded is not None and inside.size < values.size:
        span = f"{padded[0]}" if padded[0] == padded[1] else f"{padded[0]} to {padded[1]}"
        share = 100.0 * (values.size - inside.size) / values.size
        notes.append(f"padding value {span}: {share:.2g} % of the pixels are no picture")
    with python_warnings.catch_warnings(record=True) as said:  # a table is converted when it is looked into
        python_warnings.simplefilter("always")
        shown = display_table(facts, modality, voi, bits=layout.stored, signed=layout.signed, picture=inside)
    warnings += dict.fromkeys(printable(entry.message) for entry in said)
    if modality:  # a table stands in place of the rescale
        facts.pop("RescaleSlope", None)
    bright_is_dense, polarity_warnings = polarity(facts, falling=shown.falling)
    return evolve(
        radiograph,
        bright_is_dense=bright_is_dense,
        display=shown.display,
        warnings=(*warnings, *polarity_warnings, *spacing_warnings, *aspect_warnings, *shown.warnings),
        notes=(*notes, *of_teeth, *shown.notes),
    )


@frozen
class DicomHeader:
    """What a DICOM file says of its picture before any pixel is decoded; `date` is of the exposure, as ISO 8601, or None."""

    rows: int
    cols: int
    frames: int
    teeth: tuple[str, ...]
    date: str | None


def read_dicom_header(path: Path, *, size: int) -> DicomHeader | None:
    """The header of a DICOM file of `size` bytes; None where it holds no picture, as a report or a directory.

    Raises ImageError for a header that is damaged or of a picture that :func:`read_dicom` would refuse by its header alone.
    """
    with python_warnings.catch_warnings():
        python_warnings.simplefilter("ignore")  # said when the film is read
        dataset = parse_head(path)
        check_header(dataset, only=_SEQUENCES)
        headers = _headers(dataset, None)
        facts = _facts(headers, [])
        if "Rows" not in facts and "PhotometricInterpretation" not in facts:
            kind = str(facts.get("SOPClassUID") or dataset.file_meta.get("MediaStorageSOPClassUID") or "")
            if kind and "Image Storage" not in UID(kind).name:
                return None
            raise ImageError("DICOM file is damaged or truncated: its header ends before the picture; export it again")
        layout = _described(dataset, facts, _frames(dataset))
        needed = (layout.frames * layout.frame_bits + 7) // 8
        if _syntax(dataset) in NATIVE and _syntax(dataset) != DEFLATED and size < needed:
            raise ImageError(f"DICOM file is truncated: Pixel Data must hold {needed} bytes: the file has {size}")
        teeth, _ = coded_teeth(headers)
        return DicomHeader(layout.rows, layout.cols, layout.frames, teeth, _date(dataset))


def directory_records(path: Path) -> tuple[tuple[str, ...], ...] | None:
    """The file names, in their parts, of the images that a DICOMDIR lists (PS3.3 F.3); None where the file is none.

    The parts are as they stand there; whoever opens them has to see that they stay inside the folder of the DICOMDIR.
    """
    try:
        head = first_bytes(path, 1024)
    except OSError as error:
        raise ImageError(f"file cannot be opened: {error.strerror}; check the name and the permissions") from error
    if head[128:132] != b"DICM" or MEDIA_DIRECTORY not in head:
        return None
    with python_warnings.catch_warnings():
        python_warnings.simplefilter("ignore")
        dataset = parse_head(path)
        check_header(dataset, only=("DirectoryRecordSequence",), max_elements=MAX_DIRECTORY_ELEMENTS)
        try:
            return tuple(
                (name,) if isinstance(name, str) else tuple(str(part) for part in name)
                for record in dataset.get("DirectoryRecordSequence") or ()
                if record.get("DirectoryRecordType") == "IMAGE" and (name := record.get("ReferencedFileID"))
            )
        except Exception as error:  # pydicom converts on access and raises what the conversion raises
            raise ImageError(f"DICOMDIR is damaged: {printable(error)}; open its folder instead") from error


_SALT = os.urandom(16)


def _patient_fingerprint(dataset: Dataset) -> str | None:
    """Patient ID, its issuer and Patient's Name (PS3.3 C.7.1.1) as a salted hash; case and blanks do not count."""
    parts = []
    for keyword in ("PatientID", "IssuerOfPatientID", "PatientName"):
        try:
            text = str(dataset.get(keyword) or "")[:LONGEST_VALUE]
        except Exception:  # pydicom converts on access and raises what the conversion raises
            text = ""
        parts.append(" ".join(text.casefold().replace("^", " ").split()))
    if not (parts[0] or parts[2]):
        return None
    return hashlib.blake2b("\0".join(parts).encode("utf-8", "surrogatepass"), key=_SALT, digest_size=16).hexdigest()


def _date(dataset: Dataset) -> str | None:
    """Day of the exposure, else of the content or of the study, as ISO 8601."""
    for keyword in ("AcquisitionDate", "AcquisitionDateTime", "ContentDate", "StudyDate"):
        try:
            text = str(dataset.get(keyword) or "")[:8]
        except Exception:  # pydicom converts on access and raises what the conversion raises
            continue
        if len(text) == 8 and text.isascii() and text.isdigit():
            with suppress(ValueError):
                return date(int(text[:4]), int(text[4:6]), int(text[6:])).isoformat()
    return None


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


def data_set(data: bytes) -> pydicom.Dataset:
    """Any DICOM object from the bytes of its file, guarded against one that inflates or unfolds without end.

    Raises
    ------
    ImageError
        Damaged, or no DICOM at all.
    """
    with python_warnings.catch_warnings():
        python_warnings.simplefilter("ignore")
        dataset = parse(data)
        check_header(dataset)
    return dataset


def _syntax(dataset: Dataset) -> str:
    try:
        return str(dataset.file_meta.TransferSyntaxUID)
    except Exception as error:  # as for any attribute, pydicom converts on access
        raise ImageError(f"DICOM transfer syntax cannot be read: {printable(error)}; export it again") from error


def _frames(dataset: Dataset) -> int:
    """How many frames there are."""
    try:
        said = dataset.get("NumberOfFrames")
    except Exception:  # pydicom converts on access and raises what the conversion raises
        said = _raw_text(dataset, "NumberOfFrames").strip("\0 ")
    frames = _whole({"NumberOfFrames": said}, "NumberOfFrames", 1)
    if frames < 1:
        raise ImageError(f"NumberOfFrames must be >= 1: {frames}; export it again")
    return frames


def _which_frame(frames: int, frame: int | None) -> int:
    """The frame that is meant, from 1."""
    if frame is None:
        if frames > 1:
            raise FrameError(
                f"frame must be named: NumberOfFrames is {frames}; say which, --frame 1 to --frame {frames}", frames
            )
        return 1
    if isinstance(frame, bool) or not isinstance(frame, int) or not 1 <= frame <= frames:
        raise FrameError(f"frame must be a whole number from 1 to {frames}: {frame!r}", frames)
    return frame


def _headers(dataset: Dataset, frame: int | None) -> list[Dataset]:
    """Where the attributes of a frame stand: its functional groups, those that all frames share, the file, in this order."""
    found: list[Dataset] = []
    which = frame - 1 if isinstance(frame, int) and frame > 0 else 0
    for keyword, at in (("PerFrameFunctionalGroupsSequence", which), ("SharedFunctionalGroupsSequence", 0)):
        try:
            groups = dataset.get(keyword)
            if groups is not None and len(groups) > at:
                found += [groups[at][name][0] for name in _FRAME_MACROS if groups[at].get(name)]
        except Exception:  # what cannot be read is as good as absent
            continue
    return [*found, dataset]


def _items(headers: Sequence[Dataset], keyword: str) -> tuple[Dataset, ...]:
    """The items of the first sequence of that name."""
    for header in headers:
        try:
            if items := header.get(keyword):
                return tuple(items)
        except Exception:  # what cannot be read is as good as absent
            continue
    return ()


def _facts(headers: Sequence[Dataset], warnings: list[str]) -> dict[str, object]:
    """Plain values of the attributes used; one that cannot be read stays as its raw text."""
    facts: dict[str, object] = {}
    for keyword in _KEYWORDS:
        for header in headers:
            try:
                raw = header.get_item(keyword)
                if isinstance(raw, RawDataElement) and len(raw.value or b"") > LONGEST_VALUE:
                    raise ValueError("too long")
                value = header.get(keyword)
            except Exception:  # pydicom converts on access and raises what the conversion raises
                text = _raw_text(header, keyword)
                warnings.append(f"{keyword} cannot be read: {printable(text, 40)!r}")
                value = text.strip("\0 ") or None
            if isinstance(value, pydicom.multival.MultiValue):
                value = tuple(value)
            if value is not None and value != "":
                facts[keyword] = value
                break
    return facts


def _raw_text(dataset: Dataset, keyword: str) -> str:
    """The bytes of an attribute as text, where pydicom can still give them."""
    try:
        raw = dataset.get_item(keyword)
    except Exception:  # even this may convert
        return ""
    return raw.value[:LONGEST_VALUE].decode("latin-1") if raw is not None and isinstance(raw.value, bytes) else ""


def _layout(dataset: Dataset, facts: Mapping[str, object], frames: int) -> Layout:
    """How the picture is stored, refused before it is decoded where it cannot be read."""
    if "PixelData" not in dataset:
        other = "FloatPixelData" in dataset or "DoubleFloatPixelData" in dataset
        class_name = printable(UID(str(facts.get("SOPClassUID", ""))).name, 64) or "absent"
        held = "floating point samples" if other else class_name
        raise ImageError(f"DICOM file must hold integer Pixel Data: {held}; choose the radiograph of the study")
    return _described(dataset, facts, frames)


def _described(dataset: Dataset, facts: Mapping[str, object], frames: int) -> Layout:
    """How the header says that the picture is stored; what is not one picture of 1 to 16 bits is refused."""
    photometric = printable(facts.get("PhotometricInterpretation", "absent"), 32)
    samples = _whole(facts, "SamplesPerPixel", 1)
    one = ("MONOCHROME1", "MONOCHROME2", PALETTE)
    if (photometric, samples) not in [*((c, 1) for c in one), *((c, 3) for c in _COLOURS)]:
        raise ImageError(
            f"PhotometricInterpretation must be one of {', '.join(one)} with 1 sample or of {', '.join(_COLOURS)} with 3: "
            f"{photometric}, {samples}; export the grey radiograph"
        )
    rows, cols = _whole(facts, "Rows", 0), _whole(facts, "Columns", 0)
    check_size(rows, cols)
    allocated = _whole(facts, "BitsAllocated", 0)
    stored = _whole(facts, "BitsStored", allocated)
    if allocated not in (1, 8, 16) or not 1 <= stored <= allocated:
        raise ImageError(
            f"BitsStored must be 1 to 16, in 1, 8 or 16 allocated: {stored} in {allocated}; export it as 16 bit"
        )
    high = _whole(facts, "HighBit", stored - 1)
    if not stored - 1 <= high < allocated:
        raise ImageError(f"HighBit must be {stored - 1} to {allocated - 1}: {high}; export it again")
    if high != stored - 1 and _syntax(dataset) not in NATIVE:
        raise ImageError(
            f"HighBit must be BitsStored - 1 = {stored - 1} in compressed Pixel Data: {high}; export it again"
        )
    if (signed := _whole(facts, "PixelRepresentation", 0)) not in (0, 1):
        raise ImageError(f"PixelRepresentation must be 0 or 1: {signed}; export it again")
    return Layout(rows, cols, samples, allocated, stored, high, signed == 1, frames, photometric)


def _overlays(dataset: Dataset) -> list[str]:
    """A note on the overlays of a file (PS3.3 C.9.2), which are left out: they are drawn over the picture, not part of it."""
    drawn = [group for group in _OVERLAY_GROUPS if (group, 0x3000) in dataset or (group, 0x0100) in dataset]
    if not drawn:
        return []
    return [f"{len(drawn)} overlay{'s' if len(drawn) > 1 else ''} over the picture left out"]


def _missing(dataset: Dataset) -> list[str]:
    """A note on identifiers that others refer to the film by, where they are not there."""
    missing = [keyword for keyword in _IDENTIFIERS if keyword not in dataset]
    if not missing:
        return []
    return [f"header without {', '.join(missing)}: it can be measured, but no DICOM object can refer to it"]


def _whole(facts: Mapping[str, object], keyword: str, default: int) -> int:
    value = facts.get(keyword)
    if value is None or value == "":
        return default
    parsed = number(value)
    if parsed is None or parsed != int(parsed):
        raise ImageError(f"{keyword} must be a whole number: {printable(value, 40)}; export it again")
    return int(parsed)
