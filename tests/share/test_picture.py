"""What an image says of itself, as text and JSON alike."""

import json

import numpy as np

from wlmeasure.image.radiograph import Radiograph, SpacingClaim
from wlmeasure.share.picture import picture_json, picture_text

MEMBERS = [
    *("path", "format", "sha256", "rows", "cols", "stored_rows", "stored_cols", "bits", "frame", "frames"),
    *("teeth", "orientation", "bright_is_dense", "col_over_row", "spacings", "densities", "notes", "warnings"),
]


def radiograph(**more):
    claim = SpacingClaim(0.05, 0.04, "ImagerPixelSpacing", "detector", "detector", 1.05, ("not calibrated",))
    given = {
        "values": np.zeros((20, 30), np.uint16),
        "bright_is_dense": False,
        "path": "a.dcm",
        "sha256": "0" * 64,
        "format": "DICOM",
        "bits": 12,
        "stored_rows": 30,
        "stored_cols": 20,
        "orientation": 6,
        "col_over_row": 0.8,
        "spacings": (claim,),
        "densities": ("300 dpi",),
        "warnings": ("something",),
    }
    return Radiograph(**(given | more))


def test_json_has_everything_but_the_pixels():
    data = json.loads(json.dumps(picture_json(radiograph()), allow_nan=False))
    assert list(data) == MEMBERS
    assert (data["rows"], data["cols"], data["stored_rows"], data["orientation"]) == (20, 30, 30, 6)
    assert data["spacings"] == [
        {
            "claim": "ImagerPixelSpacing",
            "row_mm": 0.05,
            "col_mm": 0.04,
            "plane": "detector",
            "trust": "detector",
            "magnification": 1.05,
            "description": "",
            "warnings": ["not calibrated"],
        }
    ]


def test_text_says_the_same_for_a_person():
    text = picture_text(radiograph())
    for piece in (
        "a.dcm",
        "DICOM, 12 bit",
        "20 rows x 30 columns, turned by EXIF orientation 6",
        "dark is dense",
        "0" * 64,
        "ImagerPixelSpacing: 0.05 mm from row to row, 0.04 mm from column to column; detector plane, trust: detector",
        "magnification 1.05 stated, not applied",
        "! not calibrated",
        "300 dpi",
        "! something",
    ):
        assert piece in text
    assert text.endswith("\n")


def test_an_image_without_spacing_says_what_to_do():
    plain = radiograph(spacings=(), orientation=1, stored_rows=20, stored_cols=30, bright_is_dense=True)
    assert "none: calibrate on a file or an object of known length" in picture_text(plain)
    assert "bright is dense" in picture_text(plain)
    assert "EXIF" not in picture_text(plain)


def test_frame_teeth_and_notes_are_said():
    text = picture_text(radiograph(frame=3, frames=10, teeth=("46",), notes=("1 overlay over the picture left out",)))
    assert ", frame 3 of 10\n" in text
    assert "  tooth        46 (lower right first molar)\n" in text
    assert "  note         1 overlay over the picture left out\n" in text
    several = picture_text(radiograph(teeth=("46", "47")))
    assert "46 (lower right first molar), 47 (lower right second molar); choose the one that is measured\n" in several
