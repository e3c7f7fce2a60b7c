"""UIDs in place of the old ones, and where there are none: the same for the same thing within one call, and for nobody else."""

from __future__ import annotations

import hashlib
import hmac

from pydicom.dataset import Dataset
from pydicom.uid import UID

__all__ = ["IMAGE_CLASS", "missing_uids", "new_uid", "said"]

IMAGE_CLASS = "1.2.840.10008.5.1.4.1.1.7"
"""Secondary Capture: what a picture is whose file does not say what it is (PS3.3 A.8)."""
_WHO = ("PatientID", "IssuerOfPatientID", "PatientName", "PatientBirthDate")
_STUDY = ("StudyID", "AccessionNumber", "StudyDate")
_SERIES = ("Modality", "SeriesNumber", "SeriesDescription", "SeriesDate", "SeriesTime")


def new_uid(key: bytes, old: str) -> UID:
    """A UID by PS3.5 annex B.2: 2.25 and a number of 128 bits, here of a keyed hash, so that equal ones stay equal."""
    digest = hmac.new(key, old.encode("utf-8", "surrogatepass"), hashlib.sha256).digest()[:16]
    return UID(f"2.25.{int.from_bytes(digest, 'big')}")


def said(dataset: Dataset, keyword: str) -> str:
    """An attribute as text; what cannot be read is as good as absent."""
    try:
        return str(dataset.get(keyword, "") or "").strip()
    except Exception:  # pydicom converts on access and raises what the conversion raises
        return ""


def missing_uids(dataset: Dataset, key: bytes, content: bytes) -> dict[str, UID]:
    """A UID for each of what a file of that content may not name, by keyword.

    Films belong to one study where a Series Instance UID, or patient and study, say so, and to one series where Modality and
    what a series is called do; a film that says nothing of whose it is has a study of its own.
    """
    own = hashlib.sha256(content).hexdigest()
    study, series = said(dataset, "StudyInstanceUID"), said(dataset, "SeriesInstanceUID")
    if not study:
        who = [said(dataset, keyword).casefold() for keyword in _WHO]
        of_study = [said(dataset, keyword) for keyword in _STUDY]
        if series:
            study = f"study of series {series}"
        elif who[0] or who[2] or of_study[1]:
            study = "\0".join(("study", *who, *of_study))
        else:
            study = f"study of {own}"
    of_series = "\0".join((study, *(said(dataset, keyword) for keyword in _SERIES)))
    return {
        "StudyInstanceUID": new_uid(key, study),
        "SeriesInstanceUID": new_uid(key, of_series),
        "SOPInstanceUID": new_uid(key, f"instance {own}"),
    }
