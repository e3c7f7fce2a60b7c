"""What a search of an image archive found: one line an instance, from a stranger's JSON to harmless text."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date
from typing import Any

from attrs import frozen

from wlmeasure.errors import PacsError
from wlmeasure.image.radiograph import printable
from wlmeasure.share.pacs.instance import is_uid, kind_of
from wlmeasure.trade.tooth import Tooth
from wlmeasure.trade.tooth_codes import SNOMED_CT, tooth_of_code

__all__ = ["FIELDS", "Found", "Query", "found_from_json", "teeth_from_json", "typed_query"]

FIELDS = (
    *("PatientID", "PatientName", "StudyDate", "AccessionNumber", "Modality", "SOPClassUID", "Rows", "Columns"),
    *("NumberOfFrames", "ContentDate", "AcquisitionDate", "PrimaryAnatomicStructureSequence", "SeriesDescription"),
)
TAGS = {
    "SOPClassUID": "00080016",
    "SOPInstanceUID": "00080018",
    "StudyDate": "00080020",
    "AcquisitionDate": "00080022",
    "ContentDate": "00080023",
    "AccessionNumber": "00080050",
    "Modality": "00080060",
    "SeriesDescription": "0008103E",
    "PatientName": "00100010",
    "PatientID": "00100020",
    "StudyInstanceUID": "0020000D",
    "SeriesInstanceUID": "0020000E",
    "Rows": "00280010",
    "Columns": "00280011",
    "NumberOfFrames": "00280008",
}
STRUCTURES = "00082228"  # Primary Anatomic Structure Sequence
CODE_VALUE, CODE_SCHEME = "00080100", "00080102"


@frozen
class Query:
    """What is asked for; all that is given must fit.

    Attributes
    ----------
    patient, accession
        Patient ID and accession number, exactly.
    since, until
        Days of the study (``20261101``), each may be left out.
    modalities
        Such as IO, DX.
    tooth
        ISO 3950, as coded in the film; a film without a coded tooth does not fit.
    study
        Study Instance UID.
    """

    patient: str | None = None
    accession: str | None = None
    since: str | None = None
    until: str | None = None
    modalities: tuple[str, ...] = ()
    tooth: str | None = None
    study: str | None = None


@frozen
class Found:
    """One instance of a search; texts are harmless and may be empty."""

    uid: str
    series: str
    study: str
    kind: str
    modality: str = ""
    date: str = ""
    teeth: tuple[str, ...] = ()
    rows: int | None = None
    cols: int | None = None
    frames: int | None = None
    patient: str = ""
    patient_name: str = ""
    accession: str = ""
    description: str = ""


def typed_query(
    patient: str | None = None,
    accession: str | None = None,
    days: str | None = None,
    study: str | None = None,
    tooth: str | None = None,
    modalities: str | None = None,
    *,
    notation: str | None = None,
) -> Query:
    """A query as a person types it; empty texts are left out. `days` is FROM-TO, either may be empty, or one day.

    Days are ``20261101`` or ``2026-11-01``. The tooth in any of the trade's ways, or in the `notation` that is always used.

    Raises
    ------
    WlmeasureError
        No such day or tooth, or a tooth that may be several.
    """
    since, until = (None, None) if not (days or "").strip() else _typed_days((days or "").strip())
    named = tuple(part.strip().upper() for part in (modalities or "").split(",") if part.strip())
    for one in named:
        if not re.fullmatch(r"[A-Z0-9]{1,16}", one):
            raise PacsError(f"modality must be letters such as IO or DX: {printable(one, 20)!r}")
    typed = (tooth or "").strip()
    return Query(
        patient=(patient or "").strip() or None,
        accession=(accession or "").strip() or None,
        since=since,
        until=until,
        modalities=named,
        tooth=Tooth.from_words(typed, notation).designation if typed else None,
        study=(study or "").strip() or None,
    )


def _typed_days(text: str) -> tuple[str | None, str | None]:
    day = r"(\d{8}|\d{4}-\d{2}-\d{2})"
    found = re.fullmatch(rf"{day}?\s*(-)?\s*{day}?", text, re.ASCII)
    if found is None or not (found[1] or found[3]):
        raise PacsError(f"date must be days such as 20261101-20261130, 20261101- or 20261101: {printable(text, 40)!r}")
    since, until = (None if part is None else part.replace("-", "") for part in (found[1], found[3]))
    for one in (since, until):
        try:
            if one is not None:
                date.fromisoformat(one)
        except ValueError:
            raise PacsError(f"date must be days of the calendar: {one}") from None
    if found[2] is None:
        return since or until, since or until
    if since is not None and until is not None and since > until:
        raise PacsError(f"date must begin before it ends: {printable(text, 40)!r}")
    return since, until


def _value(item: Mapping[str, Any], tag: str) -> Any:
    member = item.get(tag)
    values = member.get("Value") if isinstance(member, dict) else None
    value = values[0] if isinstance(values, list) and values else None
    if isinstance(value, dict):  # a person's name (PS3.18 F.2.2)
        value = value.get("Alphabetic", "")
    return value


def _text(item: Mapping[str, Any], keyword: str, limit: int = 64) -> str:
    value = _value(item, TAGS[keyword])
    return printable(value, limit) if isinstance(value, str | int | float) else ""


def _whole(item: Mapping[str, Any], keyword: str) -> int | None:
    text = _text(item, keyword, 12)
    return int(text) if text.isascii() and text.isdigit() else None


def teeth_from_json(item: Mapping[str, Any]) -> tuple[str, ...]:
    """Teeth coded in the Primary Anatomic Structure Sequence of one answer, by ISO 3950."""
    member = item.get(STRUCTURES)
    items = member.get("Value") if isinstance(member, dict) else None
    found = []
    for code in items[:32] if isinstance(items, list) else ():  # no one has more teeth of a kind
        value, scheme = (_value(code, tag) if isinstance(code, dict) else None for tag in (CODE_VALUE, CODE_SCHEME))
        tooth = tooth_of_code(printable(value, 16), printable(scheme or SNOMED_CT, 16))
        if tooth is not None:
            found.append(tooth)
    return tuple(dict.fromkeys(found))


def found_from_json(item: Mapping[str, Any], study: Mapping[str, Any]) -> Found | None:
    """One line from one answer of a search for instances and that for its study; None where an identifier is missing."""
    both = {**study, **item}
    uid, series = _text(both, "SOPInstanceUID"), _text(both, "SeriesInstanceUID")
    own, sop_class = _text(study, "StudyInstanceUID"), _text(both, "SOPClassUID")
    if not all(map(is_uid, (uid, series, own))):
        return None
    day = next((d for w in ("AcquisitionDate", "ContentDate", "StudyDate") if len(d := _text(both, w, 8)) == 8), "")
    return Found(
        uid=uid,
        series=series,
        study=own,
        kind=kind_of(sop_class),
        modality=_text(both, "Modality", 16),
        date=f"{day[:4]}-{day[4:6]}-{day[6:]}" if day.isascii() and day.isdigit() else "",
        teeth=teeth_from_json(both),
        rows=_whole(both, "Rows"),
        cols=_whole(both, "Columns"),
        frames=_whole(both, "NumberOfFrames"),
        patient=_text(both, "PatientID"),
        patient_name=_text(both, "PatientName"),
        accession=_text(both, "AccessionNumber", 16),
        description=_text(both, "SeriesDescription"),
    )
