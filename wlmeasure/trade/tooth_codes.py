"""Codes of teeth in DICOM headers and reports, by their ISO 3950 designation.

DICOM PS3.16 CID 4018 (permanent) and 4019 (deciduous), SNOMED CT; the same set, tooth by tooth, as a national value set for
ISO 3950 (HL7 Belgium, BeVSToothNumberBodySite). Readers need older codes as well: SNOMED CT gave 20 permanent teeth other
numbers, and before that headers held SNOMED RT codes (T-54210 and on, scheme SRT). CID 4025 is of supernumerary teeth, which
have no designation in ISO 3950.
"""

from __future__ import annotations

from itertools import chain

__all__ = [
    "OUTDATED_TOOTH_CODES",
    "SNOMED_RT_TOOTH_CODES",
    "TOOTH_CODES",
    "is_supernumerary",
    "tooth_of_code",
]

SNOMED_CT = "SCT"
SNOMED_RT = ("SRT", "SNM3", "99SDM")
"""Coding schemes of the SNOMED RT codes: the present one and two that it had before (PS3.16 table 8-1)."""

_QUADRANTS = {
    1: "422653006 424877001 860767006 57826002 36492000 865995000 863902006 68085002",
    2: "424399000 423185002 860780009 61897005 23226009 865988009 863901004 87704003",
    3: "425106001 423331005 860782001 2400006 24573005 866006002 863898000 74344005",
    4: "424575004 423937004 860785004 80140008 8873007 866005003 863899008 38994002",
    5: "88824007 65624003 30618001 17505006 27855007",
    6: "51678005 43622005 73937000 45234009 51943008",
    7: "89552004 14770005 43281008 38896004 49330006",
    8: "67834006 22445006 6062009 58646007 61868007",
}
TOOTH_CODES = {f"{q}{n}": code for q, row in _QUADRANTS.items() for n, code in enumerate(row.split(), 1)}
"""SNOMED CT code of every tooth by its ISO 3950 designation (CID 4018, 4019)."""

OUTDATED_TOOTH_CODES = {
    **{"7121006": "17", "5140004": "16", "80647007": "13", "11712009": "12", "22120004": "11", "31982000": "21"},
    **{"25748002": "22", "72876007": "23", "23427002": "26", "66303006": "27", "48402004": "37", "89625000": "36"},
    **{"39844006": "33", "77130001": "32", "113278005": "31", "15422005": "41", "82628004": "42", "47055002": "43"},
    **{"28480000": "46", "40005008": "47"},
}
"""SNOMED CT codes that older editions gave incisors, canines, first and second molars; read, never written."""


def _down_and_up(first: int, second: int, last: int) -> chain[str]:
    return chain((f"{first}{n}" for n in range(last, 0, -1)), (f"{second}{n}" for n in range(1, last + 1)))


# In steps of ten: permanent teeth along the upper jaw from right to left, then the lower one from left to right; primary
# teeth quadrant by quadrant from the midline, the lower right one before the lower left.
_PERMANENT_IN_ORDER = tuple(chain(_down_and_up(1, 2, 8), _down_and_up(3, 4, 8)))
_PRIMARY_IN_ORDER = tuple(f"{quadrant}{n}" for quadrant in (5, 6, 8, 7) for n in range(1, 6))
SNOMED_RT_TOOTH_CODES = {
    **{f"T-{54210 + 10 * k}": tooth for k, tooth in enumerate(_PERMANENT_IN_ORDER)},
    **{f"T-{54610 + 10 * k}": tooth for k, tooth in enumerate(_PRIMARY_IN_ORDER)},
    # Codes of the newer kind for incisors, called permanent in so many words.
    **{"T-54272": "12", "T-54282": "11", "T-54292": "21", "T-54302": "22"},
    **{"T-54432": "32", "T-54442": "31", "T-54452": "41", "T-54462": "42"},
}
"""SNOMED RT codes of the teeth; read, never written."""


def tooth_of_code(value: str, scheme: str = SNOMED_CT) -> str | None:
    """ISO 3950 designation of a tooth's code, current or outdated; None for any other code."""
    value, scheme = value.strip(), scheme.strip()
    if scheme in SNOMED_RT:
        return SNOMED_RT_TOOTH_CODES.get(value)
    if scheme != SNOMED_CT:
        return None
    found = next((tooth for tooth, code in TOOTH_CODES.items() if code == value), None)
    return found or OUTDATED_TOOTH_CODES.get(value)


def is_supernumerary(value: str, scheme: str = SNOMED_CT) -> bool:
    """Whether the code is one of CID 4025: the 52 numbers 217 to 268 of one SNOMED CT name space, with a check digit."""
    numbered = len(value) == 13 and value.isdigit() and value[3:12] == "100012410"
    return scheme.strip() == SNOMED_CT and numbered and 217 <= int(value[:3]) <= 268
