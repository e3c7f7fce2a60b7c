"""Codes of the DICOM objects: those of the standards that were found, and our own for what has none.

Teeth: :mod:`wlmeasure.trade.tooth_codes`. Root canal: SNOMED CT 3262009, the one code here that the standard does
not use itself, so that its licence is SNOMED International's and not DICOM's. Everything else by the context groups
named beside it. For working length, electronic reading, coronal reference point and the definitions of a canal's angle no
code was found, so they are codes of the private scheme 99WLM, declared in every file (PS3.3 8.2) and published in
``codes.csv`` beside this module.
"""

from __future__ import annotations

from attrs import frozen

from wlmeasure.share.cells import table_text
from wlmeasure.trade.tooth import Tooth
from wlmeasure.trade.tooth_codes import TOOTH_CODES

__all__ = [
    "APICAL_ENDS",
    "PRIVATE",
    "SCHEME",
    "STATUSES",
    "Code",
    "canal_code",
    "codes_csv",
    "tooth_code",
]

SCHEME = "99WLM"
SCHEME_NAME = "wlmeasure: canal lengths and their methods"


@frozen
class Code:
    """One coded concept: value (at most 16 characters), coding scheme, meaning (at most 64)."""

    value: str
    scheme: str
    meaning: str


PATH_LENGTH = Code("121211", "DCM", "Path length")  # CID 7470
ANGLE = Code("1483009", "SCT", "Angle")  # CID 12304; no code for the curvature of a canal was found
RADIUS = Code("131190003", "SCT", "Radius")  # CID 7470
CALIBRATION_FACTOR = Code("122322", "DCM", "Calibration Factor")  # CID 3451
CALIBRATION_OBJECT = Code("122421", "DCM", "Calibration Object")
CALIBRATION_OBJECT_SIZE = Code("122423", "DCM", "Calibration Object Size")
MAGNIFICATION = Code("399163009", "SCT", "Magnification")
UPPER_UNCERTAINTY = Code("371886008", "SCT", "+, range of upper measurement uncertainty")  # CID 225
LOWER_UNCERTAINTY = Code("371885007", "SCT", "-, range of lower measurement uncertainty")
MEASUREMENT_METHOD = Code("370129005", "SCT", "Measurement Method")
FINDING_SITE = Code("363698007", "SCT", "Finding Site")
COMMENT = Code("121106", "DCM", "Comment")
ROOT_CANAL = Code("3262009", "SCT", "Root canal of tooth")

MM = Code("mm", "UCUM", "millimeter")
DEG = Code("deg", "UCUM", "degree")
ONE = Code("1", "UCUM", "no units")
MM_PER_PIXEL = Code("mm/{pixels}", "UCUM", "millimeter per pixel")

PRIVATE: dict[str, tuple[str, str]] = {
    "PROC-WL": ("Working length of root canals", "The procedure that the report is of."),
    "WL-RAD": ("Working length from the radiograph", "Reference point to apical limit, by a named allowance."),
    "WL-ELEC": ("Working length from electronic readings", "Of one or more readings of an electronic apex locator."),
    "WL-PROP": ("Proposed working length", "What film and readings together propose; absent where they conflict."),
    "WL-FINAL": ("Decided working length", "The length that the clinician decided."),
    "WL-STOP": ("Stop setting", "What stops are set to, 0.5 mm ruler, rounded down; absent where nothing holds."),
    "WL-STATUS": ("Agreement of film and readings", "What film and readings say together."),
    "REF-POINT": ("Coronal reference point", "Where the length begins, in words."),
    "APICAL-END": ("Apical end of the trace", "What the traced path ends at."),
    "CANAL-ID": ("Canal", "Which canal of the tooth."),
    "CANAL-SINGLE": ("Single canal", "The only canal of the tooth or root."),
    "CANAL-B": ("Buccal canal", "Buccal or labial canal."),
    "CANAL-L": ("Lingual canal", "Lingual canal."),
    "CANAL-P": ("Palatal canal", "Palatal canal."),
    "CANAL-MB": ("Mesiobuccal canal", "Mesiobuccal canal where there is one."),
    "CANAL-MB1": ("First mesiobuccal canal", "Main mesiobuccal canal."),
    "CANAL-MB2": ("Second mesiobuccal canal", "Second mesiobuccal canal."),
    "CANAL-ML": ("Mesiolingual canal", "Mesiolingual canal."),
    "CANAL-MM": ("Middle mesial canal", "Canal between mesiobuccal and mesiolingual."),
    "CANAL-D": ("Distal canal", "Distal canal where there is one."),
    "CANAL-DB": ("Distobuccal canal", "Distobuccal canal."),
    "CANAL-DL": ("Distolingual canal", "Distolingual canal."),
    "CANAL-OTHER": ("Canal named in words", "The tracking identifier holds its name."),
    "END-APEX": ("Radiographic apex", "Tip of the root on the film."),
    "END-FORAMEN": ("Apical foramen seen on the film", "Foramen marked on the film."),
    "END-FILE-TIP": ("Tip of the file", "Tip of a file in the canal."),
    "END-FILLING": ("End of the root filling", "Apical end of the filling."),
    "END-OPEN-APEX": ("Open apex", "End of a root that is not closed."),
    "ST-CONCORDANT": ("Film and readings agree", "Status concordant."),
    "ST-ORDINARY": ("Differ as ordinary anatomy does", "Status ordinary anatomy."),
    "ST-CAUTION": ("Differ: caution", "Status caution."),
    "ST-CONFLICT": ("Film and readings conflict", "Status conflict; no length is proposed."),
    "ST-FILM": ("Film only", "No usable reading."),
    "ST-READING": ("Reading only", "No usable film."),
    "ST-NONE": ("Not established", "Neither film nor reading gives a length."),
    "CAL-FILE": ("Hand file of known length", "A file in the tooth, from its stop to its tip."),
    "CAL-FILE-REF": (
        "Hand file, from its reference point",
        "A file in the tooth, from the perpendicular of the marked point that its stop rested on to its tip.",
    ),
    "CAL-OBJECT": ("Object of known size", "An object on the film, from end to end."),
    "CAL-SPACING": ("Pixel spacing of the image header", "A spacing that the image claims, taken knowingly."),
    "CAL-TAPER": ("Taper of a file of known size", "An estimate from the thickness of its shaft."),
    "SCALE": ("Scale of the radiograph", "What a group of calibration measurements finds."),
    "M-ROW": ("From row to row", "Spacing of the centres of two rows."),
    "M-COL": ("From column to column", "Spacing of the centres of two columns."),
    "M-FILE-PATH": ("Along the file", "Length along the traced file, not its chord."),
    "M-FROM-REF": ("From the coronal reference point", "Straight to the orifice, then along the canal; first vertex: point."),
    "M-CANAL": ("Along the canal", "Arc length of the traced canal alone, orifice to apical end."),
    "M-KNOWN-GAP": ("Known length plus gap", "File length from reference point to tip, plus tip to apical end on the film."),
    "M-SCHNEIDER": ("Schneider 1971", "Angle of the first curve."),
    "M-SCHNEIDER-2": ("Schneider 1971, second curve", "Angle of the second curve of an S-shaped canal."),
    "M-PRUETT": ("Weine; Pruett 1997", "Angle between the straight parts; radius of the arc between them."),
    "M-ACCESS": ("Canal access angle, Guenday 2005", "Angle of the chord orifice to apex with the coronal part."),
    "M-ALLOWANCE": ("Film length less an apical allowance", "The comment names the allowance."),
    "M-READING": ("Electronic apex locator", "Typed in by the clinician."),
    "M-RECONCILED": ("Film and readings reconciled", "Bounded by the shorter of both."),
    "M-DECIDED": ("Decided by the clinician", "Not computed."),
}  # fmt: skip
"""Meaning and definition of every code of the scheme 99WLM."""

APICAL_ENDS = {
    "radiographic apex": "END-APEX",
    "apical foramen": "END-FORAMEN",
    "file tip": "END-FILE-TIP",
    "filling end": "END-FILLING",
    "open apex": "END-OPEN-APEX",
}
STATUSES = {
    "concordant": "ST-CONCORDANT",
    "ordinary anatomy": "ST-ORDINARY",
    "caution": "ST-CAUTION",
    "conflict": "ST-CONFLICT",
    "film only": "ST-FILM",
    "reading only": "ST-READING",
    "not established": "ST-NONE",
}


def private(value: str) -> Code:
    """The code of the private scheme with that value."""
    return Code(value, SCHEME, PRIVATE[value][0])


def tooth_code(designation: str) -> Code:
    """The code of a tooth by its ISO 3950 designation, which :class:`~wlmeasure.record.case.Case` has checked."""
    return Code(TOOTH_CODES[designation], "SCT", f"{Tooth.from_iso3950(designation).name} tooth")


def canal_code(name: str) -> Code:
    """The code of a canal by its usual name, else that of a canal named in words."""
    value = f"CANAL-{name.strip().upper()}"
    return private(value if value in PRIVATE and value != "CANAL-ID" else "CANAL-OTHER")


def codes_csv() -> str:
    """The private scheme as the table that is published beside this module."""
    rows = ((SCHEME, value, *words) for value, words in PRIVATE.items())
    return table_text([("scheme", "code", "meaning", "definition"), *rows])
