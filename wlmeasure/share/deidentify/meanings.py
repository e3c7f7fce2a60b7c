"""Codes whose words are known: the words of a code are typed into the file, so anybody's name may stand there.

Ours are those of :mod:`wlmeasure.share.dicom.codes`; the rest are the standard's (PS3.16), as pydicom bundles them. A code that
neither knows keeps its value where it has the form of its scheme's codes, and loses its words.
"""

from __future__ import annotations

import re
from functools import cache

from pydicom.sr._concepts_dict import concepts

from wlmeasure.share.dicom import codes
from wlmeasure.trade.tooth_codes import tooth_of_code

__all__ = ["is_scheme", "is_value", "meaning"]

_FORMS = {
    "DCM": r"\d{6}",
    "SCT": r"\d{6,18}",
    "SRT": r"[A-Z]\d?-[0-9A-F]{4,6}",
    "SNM3": r"[A-Z]\d?-[0-9A-F]{4,6}",
    "LN": r"\d{1,7}-\d",
    "FMA": r"\d{1,6}",
    "ISO3950": r"[1-8][1-8]",
    codes.SCHEME: "(?!)",  # ours are all known
    "UCUM": "(?!)",  # a unit may be written as any word: only known ones stay
}


def is_scheme(designator: str) -> bool:
    """Whether codes of the scheme are kept; somebody's own scheme names its owner."""
    return designator in _FORMS


def is_value(value: str, scheme: str) -> bool:
    """Whether a code is known, or has at least the form that its scheme's codes have."""
    return meaning(value, scheme) is not None or re.fullmatch(_FORMS.get(scheme, "(?!)"), value) is not None


def meaning(value: str, scheme: str) -> str | None:
    """The words of a code by our table, else by the standard's; None for a code that neither knows."""
    designation = tooth_of_code(value, scheme)
    if designation is not None:  # by an older code as well
        return codes.tooth_code(designation).meaning
    return _ours().get((value, scheme)) or _standard(scheme).get(value)


@cache
def _ours() -> dict[tuple[str, str], str]:
    found = [value for value in vars(codes).values() if isinstance(value, codes.Code)]
    found += [codes.private(value) for value in codes.PRIVATE]
    return {(code.value, code.scheme): code.meaning for code in found}


@cache
def _standard(scheme: str) -> dict[str, str]:
    """Meanings by code value; at most 64 characters, as CodeMeaning may have."""
    listed = concepts.get(scheme, {})
    found: dict[str, str] = {}
    for named in listed.values():  # one code may have several meanings; the shortest is the one that people use
        for value, (words, *_) in named.items():
            found[value] = min(found.get(value, words), words, key=len)[:64]
    return found
