"""What all DICOM objects made here share: identifiers, dates, whom they are about, and their bytes."""

from __future__ import annotations

import hashlib
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO

from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.multival import MultiValue
from pydicom.uid import ExplicitVRLittleEndian

from wlmeasure.errors import ShareError
from wlmeasure.image.radiograph import printable
from wlmeasure.share.dicom.codes import Code

__all__ = [
    "MAKER",
    "code_item",
    "dicom_bytes",
    "equipment",
    "file_meta",
    "header_text",
    "identity",
    "quiet",
    "stamp",
    "uid_of",
]

MAKER = "wlmeasure"
UTF8 = "ISO_IR 192"
# Type 1 and 2 of the modules Patient and General Study, and what says that a patient's identity was removed. Nothing
# else of the film's header is about the patient and goes on.
PATIENT = ("PatientName", "PatientID", "IssuerOfPatientID", "PatientBirthDate", "PatientSex")
STUDY = ("StudyInstanceUID", "StudyDate", "StudyTime", "ReferringPhysicianName", "StudyID", "AccessionNumber")
_EMPTY = ("PatientName", "PatientID", "PatientBirthDate", "PatientSex", *STUDY[1:])
_REMOVED = ("PatientIdentityRemoved", "DeidentificationMethod")
_FORM = {
    "PatientBirthDate": r"\d{8}",
    "StudyDate": r"\d{8}",
    "StudyTime": r"\d{2}(\d{2}(\d{2}(\.\d{1,6})?)?)?",
    "PatientSex": r"[MFO]",
    "PatientIdentityRemoved": r"YES|NO",
}
LONGEST_TEXT = 64  # PS3.5, value representation LO and each part of PN
LONGEST = {
    **{"AccessionNumber": 16, "StudyID": 16},  # SH
    **{"PatientName": 194, "ReferringPhysicianName": 194},  # three parts of PN
}


def uid_of(*parts: str) -> str:
    """A unique identifier made from what it identifies: the same parts, the same UID.

    128 bits of a SHA-256 in the form of a UUID of version 8 (RFC 9562) under the root 2.25 (PS3.5 B.2).
    """
    number = int.from_bytes(hashlib.sha256("\0".join(parts).encode()).digest()[:16], "big")
    number = number & ~(0xF << 76) | (0x8 << 76)
    number = number & ~(0x3 << 62) | (0x2 << 62)
    return f"2.25.{number}"


@contextmanager
def quiet() -> Iterator[None]:
    """Silence for what pydicom and highdicom warn of in a film's header, as a name without a caret; it goes on as it is."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def header_text(dataset: Dataset, keyword: str) -> str:
    """One attribute as harmless text; empty where it is absent, cannot be read or breaks its form."""
    try:
        with quiet():
            value = dataset.get(keyword)
    except Exception:  # pydicom converts on access and raises what the conversion raises
        return ""
    if isinstance(value, MultiValue):  # none of those that are asked for may have several values
        value = " ".join(str(part) for part in value)
    text = "" if value is None else str(value).strip(" \0")
    longest = LONGEST.get(keyword, LONGEST_TEXT)
    if "\\" in text:  # parts values; here it stands for bytes that no character set gave a letter
        return ""
    if not text.isprintable() or len(text) > longest:  # else verbatim: an identifier must stay what it is
        text = printable(text, longest)
    return text if keyword not in _FORM or re.fullmatch(_FORM[keyword], text) else ""


def identity(dataset: Dataset) -> Dataset:
    """Whom and which study a derived object is about: the film's own patient and study, as text in UTF-8.

    What must stand but may be empty (type 2) is empty where the film says nothing, as after de-identification.

    Raises
    ------
    ShareError
        A film without a study, which nothing can join.
    """
    out = Dataset()
    out.SpecificCharacterSet = UTF8
    for keyword in (*PATIENT, *STUDY, *_REMOVED):
        text = header_text(dataset, keyword)
        if text or keyword in _EMPTY:
            with quiet():
                setattr(out, keyword, text)
    if "PatientIdentityRemoved" in out and "DeidentificationMethodCodeSequence" in dataset:
        out.DeidentificationMethodCodeSequence = dataset.DeidentificationMethodCodeSequence
    if not out.get("StudyInstanceUID"):
        raise ShareError(
            "StudyInstanceUID must stand in the film's header: absent; export the film from its study again"
        )
    return out


def equipment(dataset: Dataset, program: str) -> None:
    """Enter this program as what made the object (General Equipment, PS3.3 C.7.5.1)."""
    dataset.Manufacturer = MAKER
    dataset.ManufacturerModelName = MAKER
    dataset.SoftwareVersions = program[:LONGEST_TEXT]


def stamp(dataset: Dataset, made_at: str, *more: str) -> None:
    """Enter the time `made_at` (``2026-11-25T10:30:00``) as that of the instance and of what `more` names, such as Content.

    highdicom enters itself as contributing equipment at the clock's time; that becomes `made_at` as well.
    """
    date, time = made_at[:10].replace("-", ""), made_at[11:19].replace(":", "")
    for keyword in ("InstanceCreation", *more):
        setattr(dataset, f"{keyword}Date", date)
        setattr(dataset, f"{keyword}Time", time)
    for item in dataset.get("ContributingEquipmentSequence") or ():
        if item.get("ManufacturerModelName") == "highdicom":
            item.ContributionDateTime = date + time


def code_item(code: Code) -> Dataset:
    """A code as the item of a code sequence."""
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = code.value, code.scheme, code.meaning
    return item


def file_meta(dataset: Dataset, syntax: str = ExplicitVRLittleEndian) -> FileMetaDataset:
    """File meta information of an object that is complete but for it."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = dataset.SOPClassUID
    meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
    meta.TransferSyntaxUID = syntax
    return meta


def dicom_bytes(dataset: Dataset) -> bytes:
    """The object as the bytes of a file (PS3.10).

    Raises
    ------
    ShareError
        The film's header, which a copy takes over, holds what no file may.
    """
    sink = BytesIO()
    try:
        with quiet():
            dataset.save_as(sink, enforce_file_format=True)
    except Exception as error:  # a hostile header can raise nearly anything out of pydicom
        raise ShareError(
            f"header of the film must be one that can be written: {printable(error)}; export it again"
        ) from error
    return sink.getvalue()
