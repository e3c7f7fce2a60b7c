"""One DICOM instance as it is sent or was got: its identifiers, checked, and its bytes, untouched."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from pathlib import Path

from attrs import field, frozen
from pydicom.dataset import Dataset

from wlmeasure.errors import ImageError, PacsError
from wlmeasure.image.dicom import data_set
from wlmeasure.image.file_content import first_bytes
from wlmeasure.image.radiograph import printable
from wlmeasure.share.dicom.objects import header_text, quiet

__all__ = ["Instance", "check_patient", "checked_uid", "instance_of", "is_uid", "kind_of", "own_name", "read_instance"]

LARGEST_FILE = 2 * 2**30  # bytes; a data set with 32-bit lengths is not larger (our parameter)
KINDS = {
    "1.2.840.10008.5.1.4.1.1.88.": "report",
    "1.2.840.10008.5.1.4.1.1.11.": "presentation",
    "1.2.840.10008.5.1.4.1.1.": "film",
}
"""Beginnings of SOP classes (PS3.4 B.5), the narrower ones first, and what their objects are called here."""


@frozen
class Instance:
    """A DICOM object.

    Attributes
    ----------
    name
        What messages call it: the name of its file.
    uid, series, study, sop_class
        Its SOP Instance UID, and the others.
    data
        The bytes of its file (PS3.10).
    dataset
        The same, read.
    """

    name: str
    uid: str
    series: str
    study: str
    sop_class: str
    data: bytes = field(repr=False)
    dataset: Dataset = field(repr=False, eq=False)

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.data).hexdigest()


def is_uid(text: str) -> bool:
    """Whether a text has the form of a unique identifier (PS3.5 9.1): digits and points, at most 64; never ``..``."""
    return len(text) <= 64 and re.fullmatch(r"[0-9]+(\.[0-9]+)+", text, re.ASCII) is not None


def checked_uid(text: str, what: str) -> str:
    """A unique identifier in its form (PS3.5 9.1): digits and points, at most 64.

    Raises
    ------
    PacsError
        Anything else.
    """
    if not is_uid(text):
        raise PacsError(f"{what} must be a unique identifier of digits and points: {printable(text, 80)!r}")
    return text


def instance_of(data: bytes, name: str) -> Instance:
    """An instance from the bytes of its file.

    Raises
    ------
    PacsError
        No DICOM file, or one without its identifiers.
    """
    shown = printable(name, 120)
    if data[128:132] != b"DICM":
        raise PacsError(f"{shown} must be a DICOM file (PS3.10): it does not begin like one; export it again")
    try:
        dataset = data_set(data)
    except ImageError as error:
        raise PacsError(f"{shown}: {error}") from None
    keywords = ("SOPInstanceUID", "SeriesInstanceUID", "StudyInstanceUID", "SOPClassUID")
    uid, series, study, sop_class = (checked_uid(_verbatim(dataset, word), f"{shown}: {word}") for word in keywords)
    return Instance(shown, uid, series, study, sop_class, data, dataset)


def _verbatim(dataset: Dataset, keyword: str) -> str:
    try:
        with quiet():
            value = dataset.get(keyword)
    except Exception:  # pydicom converts on access and raises what the conversion raises
        return ""
    return "" if value is None else str(value).rstrip(" \0")


def read_instance(path: str | Path) -> Instance:
    """An instance from its file.

    Raises
    ------
    PacsError
        The file cannot be opened, or see :func:`instance_of`.
    """
    path = Path(path)
    try:
        data = first_bytes(path, LARGEST_FILE + 1)
    except OSError as error:
        raise PacsError(f"{printable(path.name)} cannot be opened: {error.strerror}; check the name") from None
    if len(data) > LARGEST_FILE:
        raise PacsError(f"{printable(path.name)} must have at most {LARGEST_FILE // 2**30} GB")
    return instance_of(data, path.name)


def check_patient(one: Instance, others: Iterable[Path]) -> None:
    """One patient: the DICOM files among `others` name the Patient ID that `one` names, or one of them names none.

    Raises
    ------
    PacsError
        They name different patients, so that they do not belong into one case.
    """
    mine = header_text(one.dataset, "PatientID")
    for path in others:
        try:
            theirs = header_text(read_instance(path).dataset, "PatientID")
        except PacsError:  # no DICOM file, which says nothing of a patient
            continue
        if mine and theirs and mine != theirs:
            raise PacsError(
                f"film must be of the case's patient {theirs}: it is of {mine}; open it in a window of its own, as a new case"
            )


def kind_of(sop_class: str) -> str:
    """What an object of this class is called here: film, report, presentation, or object."""
    return next((kind for begin, kind in KINDS.items() if sop_class.startswith(begin)), "object")


def own_name(instance: Instance) -> str:
    """A file name of our own making: a stranger's text never becomes one. The same instance, the same name."""
    return f"{kind_of(instance.sop_class)}_{hashlib.sha256(instance.uid.encode()).hexdigest()[:12]}.dcm"
