"""The teeth that a DICOM header names: Primary Anatomic Structure and Anatomic Region Sequence (PS3.3 10.5, A.26)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from pydicom.dataset import Dataset

from wlmeasure.image.radiograph import printable
from wlmeasure.trade.tooth_codes import is_supernumerary, tooth_of_code

__all__ = ["coded_teeth"]

MOST_CODES = 64
"""Codes looked at in one header; the whole dentition has 32 (our parameter)."""
_SEQUENCES = ("PrimaryAnatomicStructureSequence", "AnatomicRegionSequence")


def coded_teeth(headers: Iterable[Dataset]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """ISO 3950 designations of the teeth that the headers name, each once, and notes on teeth that have none.

    Codes of CID 4018 and 4019, of older editions of SNOMED CT, and of SNOMED RT are known. A header that cannot be read
    names no tooth.
    """
    teeth: dict[str, None] = {}
    notes: dict[str, None] = {}
    for _, (value, scheme, meaning) in zip(range(MOST_CODES), _codes(headers), strict=False):
        if (tooth := tooth_of_code(value, scheme)) is not None:
            teeth[tooth] = None
        elif is_supernumerary(value, scheme):
            notes[f"{meaning or 'supernumerary tooth'}: it has no designation in ISO 3950; type the tooth"] = None
    return tuple(teeth), tuple(notes)


def _codes(headers: Iterable[Dataset]) -> Iterator[tuple[str, str, str]]:
    for header in headers:
        for keyword in _SEQUENCES:
            try:
                for item in header.get(keyword) or ():
                    value = item.get("CodeValue") or item.get("LongCodeValue") or ""
                    meaning = printable(item.get("CodeMeaning") or "", 64)
                    yield str(value)[:64], str(item.get("CodingSchemeDesignator") or "")[:16], meaning
            except Exception:  # pydicom converts on access and raises what the conversion raises
                continue
