"""The table of PS3.15 annex E, and our own lists for what it leaves open.

Table: PS3.15, table E.1-1, actions of edition 2026c, option columns of edition 2020a; attributes newer than that have no
descriptor to clean and are removed.
"""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path

from attrs import frozen

__all__ = [
    "BYTES",
    "DUMMIES",
    "FREE_TEXT",
    "KEPT_BYTES",
    "KEPT_CONCEPTS",
    "KEPT_TEXT",
    "KEPT_UIDS",
    "NEEDED",
    "NEEDED_TEXT",
    "NEUTRAL_WORDS",
    "REMOVED",
    "STANDARD_TERMS",
    "STANDARD_UIDS",
    "TERMS",
    "Profile",
    "Row",
    "table",
]

TABLE = Path(__file__).with_name("profile.csv")
STANDARD_UIDS = "1.2.840.10008."
# UIDs of schemes and contexts, which name no patient and no occasion.
KEPT_UIDS = frozenset(
    ("SOPClassUID", "ReferencedSOPClassUID", "TransferSyntaxUID", "CodingSchemeUID", "ContextUID", "MappingResourceUID")
)
# Text that a machine writes of itself, and codes, which are looked at by their scheme. Our list; whatever else can be typed is
# removed, and what of this is left is named to whoever asked.
KEPT_TEXT = frozenset(
    (
        *("Manufacturer", "ManufacturerModelName", "SoftwareVersions", "AlgorithmName", "AlgorithmVersion"),
        *("SecondaryCaptureDeviceManufacturer", "SecondaryCaptureDeviceManufacturerModelName"),
        "SecondaryCaptureDeviceSoftwareVersions",
    )
)
# Text with defined terms: anything else in it was typed.
TERMS = {
    "RescaleType": frozenset(("US", "HU", "OD", "MGML", "Z_EFF", "ED", "EDW", "HU_MOD", "PCT")),
    "ModalityLUTType": frozenset(("US", "HU", "OD", "MGML", "Z_EFF", "ED", "EDW", "HU_MOD", "PCT")),
}
# Typed text that has to stand where it stands (type 1 or 1C): a word that says nothing takes its place.
NEEDED_TEXT = frozenset(("PixelSpacingCalibrationDescription", "GraphicLayerDescription"))
KEPT_CONCEPTS = frozenset((("111001", "DCM"), ("111003", "DCM")))  # algorithm name and version
# The table takes these away; a presentation state without them is none (type 1), so they get a value that says nothing.
NEEDED = frozenset(("PresentationCreationDate", "PresentationCreationTime"))
FREE_TEXT = ("LO", "SH", "ST", "LT", "UT", "UC", "PN", "AE", "UR")
BYTES = ("OB", "OW", "OF", "OD", "OL", "OV")
# Bytes that are pictures or tables of numbers; any others may hold whatever somebody put there, as a colour profile may.
KEPT_BYTES = frozenset(
    (
        *("PixelData", "FloatPixelData", "DoubleFloatPixelData", "ExtendedOffsetTable", "ExtendedOffsetTableLengths"),
        *("RedPaletteColorLookupTableData", "GreenPaletteColorLookupTableData", "BluePaletteColorLookupTableData"),
        *("LUTData", "GraphicData", "VectorGridData", "SmallestImagePixelValue", "LargestImagePixelValue"),
    )
)
# Terms that the standard defines for coded strings of films, reports and presentation states: they name nobody, and a list of
# what stays is read only where it is short.
STANDARD_TERMS = frozenset(
    (
        *(
            "",
            "YES",
            "NO",
            "Y",
            "N",
            "00",
            "01",
            "L",
            "R",
            "A",
            "P",
            "H",
            "F",
            "B",
            "U",
            "AL",
            "AR",
            "PL",
            "PR",
            "IO",
            "DX",
        ),
        *(
            "CR",
            "PX",
            "OT",
            "SR",
            "KO",
            "SC",
            "ORIGINAL",
            "DERIVED",
            "PRIMARY",
            "SECONDARY",
            "OTHER",
            "FOR PRESENTATION",
        ),
        *("FOR PROCESSING", "MONOCHROME1", "MONOCHROME2", "RGB", "YBR_FULL", "YBR_FULL_422", "YBR_ICT", "YBR_RCT"),
        *(
            "PALETTE COLOR",
            "IDENTITY",
            "INVERSE",
            "LIN",
            "LOG",
            "LINEAR",
            "LINEAR_EXACT",
            "SIGMOID",
            "GEOMETRY",
            "FIDUCIAL",
        ),
        *("NONE", "DIRECT", "SCINTILLATOR", "STORAGE", "FILM", "JAW", "TOOTH", "ISO_IR 6", "ISO_IR 100", "ISO_IR 101"),
        *(
            "ISO_IR 109",
            "ISO_IR 110",
            "ISO_IR 126",
            "ISO_IR 127",
            "ISO_IR 138",
            "ISO_IR 144",
            "ISO_IR 148",
            "ISO_IR 192",
        ),
        *("ISO_10918_1", "ISO_14495_1", "ISO_15444_1", "CONTAINER", "TEXT", "NUM", "CODE", "DATETIME", "DATE", "TIME"),
        *(
            "UIDREF",
            "PNAME",
            "COMPOSITE",
            "IMAGE",
            "WAVEFORM",
            "SCOORD",
            "SCOORD3D",
            "TCOORD",
            "CONTAINS",
            "HAS OBS CONTEXT",
        ),
        *(
            "HAS CONCEPT MOD",
            "HAS PROPERTIES",
            "HAS ACQ CONTEXT",
            "INFERRED FROM",
            "SELECTED FROM",
            "SEPARATE",
            "CONTINUOUS",
        ),
        *("PARTIAL", "COMPLETE", "UNVERIFIED", "VERIFIED", "PRELIMINARY", "FINAL", "POINT", "MULTIPOINT", "POLYLINE"),
        *("CIRCLE", "ELLIPSE", "PIXEL", "DISPLAY", "LEFT", "RIGHT", "CENTER", "SCALE TO FIT", "TRUE SIZE", "MAGNIFY"),
        *("DCMR", "DIGITIZED", "UNSPECIFIED", "WSD", "DF", "DV", "DI", "DRW", "SD", "SI", "REMOVED"),
    )
)
REMOVED = "removed"
DUMMIES = {
    **dict.fromkeys(("LO", "SH", "ST", "LT", "UT", "UC"), REMOVED),
    **{"PN": "Anonymous", "DA": "19700101", "TM": "000000", "DT": "19700101000000", "AS": "000Y", "AE": "REMOVED"},
    **{"IS": "0", "DS": "0", "CS": "REMOVED", "UR": "urn:removed"},
    **dict.fromkeys(("US", "SS", "UL", "SL", "UV", "SV", "FL", "FD"), 0),
}
# Words that a descriptor may consist of to be kept by the option "clean descriptors". Our list.
NEUTRAL_WORDS = frozenset(
    (
        *("periapical", "intraoral", "intra", "oral", "radiograph", "x", "ray", "film", "sensor", "image"),
        *("dental", "endodontic", "endodontics", "tooth", "teeth", "root", "canal", "molar", "premolar"),
        *("incisor", "canine", "upper", "lower", "left", "right", "maxillary", "mandibular", "working", "length"),
        *("trial", "file", "cone", "fit", "filling", "preoperative", "postoperative", "bitewing", "presentation"),
        *("processing", "report", "measurement", "calibrated", "copy", "derived", "original"),
    )
)


@frozen
class Profile:
    """Which options of the profile are taken besides its basic form."""

    retain_uids: bool = False
    clean_descriptors: bool = False

    def codes(self, *, clean_pixels: bool = False) -> tuple[tuple[str, str], ...]:
        """Codes of CID 7050 for the method sequence of a file; of one whose pixels had text blacked out."""
        codes = [("113100", "Basic Application Confidentiality Profile")]
        if clean_pixels:
            codes.append(("113101", "Clean Pixel Data Option"))
        codes += [("113104", "Clean Structured Content Option"), ("113103", "Clean Graphics Option")]
        if self.retain_uids:
            codes.append(("113110", "Retain UIDs Option"))
        if self.clean_descriptors:
            codes.append(("113105", "Clean Descriptors Option"))
        return tuple(codes)


@frozen
class Row:
    """What the table does to an attribute: by the basic profile and by two options."""

    basic: str
    retain_uids: str
    clean_descriptors: str


@cache
def table() -> dict[int, Row]:
    """The rows by tag."""
    with TABLE.open(encoding="utf-8", newline="") as file:
        return {
            int(row["tag"], 16): Row(row["basic"], row["retain_uids"], row["clean_descriptors"])
            for row in csv.DictReader(file)
        }
