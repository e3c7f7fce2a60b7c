"""Spacing claims of a DICOM header: meaning from PS3.3 10.7.1, ranking ours; row and column spacing always unequal."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.image.spacing import resolve_aspect, resolve_spacing

DETECTOR = (0.040, 0.030)
TOOTH = (0.036, 0.027)  # the same detector behind a magnification of 1.111
SHAPE = {"Rows": 900, "Columns": 700}


def resolve(**attributes):
    return resolve_spacing(SHAPE | attributes)


def said(claim):
    return " | ".join(claim.warnings)


ROWS = {
    "1 fiducial": (
        {"PixelSpacing": TOOTH, "ImagerPixelSpacing": DETECTOR, "PixelSpacingCalibrationType": "FIDUCIAL"},
        ("PixelSpacing", "patient", "calibrated", TOOTH),
        "same depth as the fiducial",
    ),
    "2 geometry": (
        {"PixelSpacing": TOOTH, "ImagerPixelSpacing": DETECTOR, "PixelSpacingCalibrationType": "GEOMETRY"},
        ("PixelSpacing", "patient", "estimate", TOOTH),
        "unspecified depth",
    ),
    "3 corrected, no one says how": (
        {"PixelSpacing": TOOTH, "ImagerPixelSpacing": DETECTOR},
        ("PixelSpacing", "patient", "estimate", TOOTH),
        "1.111 (row), 1.111 (column)",
    ),
    "3 against a scan": (
        {"PixelSpacing": TOOTH, "NominalScannedPixelSpacing": DETECTOR},
        ("PixelSpacing", "patient", "estimate", TOOTH),
        "differs from NominalScannedPixelSpacing",
    ),
    "4 equal": (
        {"PixelSpacing": DETECTOR, "ImagerPixelSpacing": DETECTOR},
        ("ImagerPixelSpacing", "detector", "detector", DETECTOR),
        "not calibrated",
    ),
    "5 detector only": (
        {"ImagerPixelSpacing": DETECTOR},
        ("ImagerPixelSpacing", "detector", "detector", DETECTOR),
        "not calibrated",
    ),
    "6 pixel spacing only": (
        {"PixelSpacing": DETECTOR},
        ("PixelSpacing", "unknown", "unknown", DETECTOR),
        "cannot be determined whether or not correction or calibration have been performed",
    ),
    "7 scan only": (
        {"NominalScannedPixelSpacing": DETECTOR},
        ("NominalScannedPixelSpacing", "film", "detector", DETECTOR),
        "film or print",
    ),
}


@pytest.mark.parametrize(("attributes", "expected", "warning"), ROWS.values(), ids=ROWS)
def test_best_claim_of_each_situation(attributes, expected, warning):
    claims, dropped = resolve(**attributes)
    best = claims[0]
    assert (best.claim, best.plane, best.trust, (best.row_mm, best.col_mm)) == expected
    assert warning in said(best)
    assert dropped == ()


@pytest.mark.parametrize("attributes", [{}, {"PixelAspectRatio": (4, 3)}, {"PixelSpacing": ()}, {"PixelSpacing": None}])
def test_no_spacing_no_claim(attributes):
    """Row 8: an aspect ratio is no scale."""
    assert resolve(**attributes) == ((), ())


def test_all_usable_claims_follow_the_best():
    claims, _ = resolve(
        PixelSpacing=TOOTH,
        ImagerPixelSpacing=DETECTOR,
        NominalScannedPixelSpacing=(0.05, 0.04),
        PixelSpacingCalibrationType="FIDUCIAL",
    )
    assert [c.claim for c in claims] == ["PixelSpacing", "ImagerPixelSpacing", "NominalScannedPixelSpacing"]
    equal, _ = resolve(PixelSpacing=DETECTOR, ImagerPixelSpacing=DETECTOR)
    assert [(c.claim, c.trust) for c in equal] == [("ImagerPixelSpacing", "detector"), ("PixelSpacing", "detector")]


def test_fiducial_equal_to_the_detector_implies_no_magnification():
    (best, _), _ = resolve(PixelSpacing=DETECTOR, ImagerPixelSpacing=DETECTOR, PixelSpacingCalibrationType="FIDUCIAL")
    assert best.trust == "calibrated"
    assert "implies magnification 1.000" in said(best)


def test_equal_means_equal_after_rounding():
    """A DS value of 16 characters and one of 6 are the same spacing."""
    claims, _ = resolve(PixelSpacing=("0.0400", "0.0300"), ImagerPixelSpacing=(0.040001, 0.030001))
    assert claims[0].claim == "ImagerPixelSpacing"


def test_pixel_spacing_equal_to_the_scan_is_the_film():
    claims, _ = resolve(PixelSpacing=DETECTOR, NominalScannedPixelSpacing=DETECTOR)
    assert [(c.claim, c.plane) for c in claims] == [("NominalScannedPixelSpacing", "film"), ("PixelSpacing", "film")]


def test_type_outside_the_enumeration_is_taken_as_absent():
    claims, _ = resolve(PixelSpacing=TOOTH, PixelSpacingCalibrationType="FILE")
    assert claims[0].trust == "unknown"
    assert "must be FIDUCIAL or GEOMETRY: 'FILE'" in said(claims[0])


def test_description_is_required_with_a_type_and_shown():
    bare, _ = resolve(PixelSpacing=TOOTH, PixelSpacingCalibrationType="FIDUCIAL")
    assert "PixelSpacingCalibrationDescription" in said(bare[0])
    told, _ = resolve(
        PixelSpacing=TOOTH,
        PixelSpacingCalibrationType="FIDUCIAL",
        PixelSpacingCalibrationDescription="25 mm\x1b[2J file",
    )
    assert "PixelSpacingCalibrationDescription" not in said(told[0])
    assert told[0].description == "25 mm[2J file"


def test_magnification_is_offered_for_the_detector_and_never_applied():
    claims, _ = resolve(
        PixelSpacing=TOOTH,
        ImagerPixelSpacing=DETECTOR,
        PixelSpacingCalibrationType="FIDUCIAL",
        EstimatedRadiographicMagnificationFactor="1.07",
    )
    offered = {c.claim: (c.magnification, c.row_mm) for c in claims}
    assert offered == {"PixelSpacing": (None, 0.036), "ImagerPixelSpacing": (1.07, 0.040)}


@pytest.mark.parametrize("factor", [0, -1.1, 0.9, "nan", "many"])
def test_impossible_magnification_is_not_offered(factor):
    """SID / SOD cannot be below 1."""
    claims, dropped = resolve(ImagerPixelSpacing=DETECTOR, EstimatedRadiographicMagnificationFactor=factor)
    assert claims[0].magnification is None
    assert "EstimatedRadiographicMagnificationFactor must be a number >= 1" in dropped[0]


@pytest.mark.parametrize(("factor", "warned"), [(1.111, False), (1.25, True)])
def test_geometry_is_compared_with_the_magnification_factor(factor, warned):
    claims, _ = resolve(
        PixelSpacing=TOOTH,
        ImagerPixelSpacing=DETECTOR,
        PixelSpacingCalibrationType="GEOMETRY",
        EstimatedRadiographicMagnificationFactor=factor,
    )
    assert ("must agree with EstimatedRadiographicMagnificationFactor" in said(claims[0])) is warned


@pytest.mark.parametrize(
    "bad",
    [
        (0, 0.03),
        (0.04, 0),
        (-0.04, 0.03),
        (float("nan"), 0.03),
        (float("inf"), 0.03),
        (0.04,),
        (0.04, 0.03, 0.02),
        0.04,
        "abc\\0.03",
        "0.04",
        b"\xff\\x",
        (None, None),
        (1e-320, 1e300),
        {"a": 1},
    ],
    ids=repr,
)
def test_invalid_spacing_is_dropped_with_field_rule_and_value(bad):
    """10.7.1.3: spacings are positive and not zero."""
    claims, dropped = resolve(PixelSpacing=bad, ImagerPixelSpacing=DETECTOR)
    assert [c.claim for c in claims] == ["ImagerPixelSpacing"]
    assert dropped[0].startswith("PixelSpacing must be two finite numbers > 0 (row, column): ")


def test_spacing_text_as_stored_is_understood():
    claims, _ = resolve(PixelSpacing="0.04\\0.03 ")
    assert (claims[0].row_mm, claims[0].col_mm) == (0.04, 0.03)


@pytest.mark.parametrize(("magnification", "warned"), [(0.89, True), (0.91, False), (1.34, False), (1.36, True)])
def test_magnification_outside_the_plausible(magnification, warned):
    """0.90 to 1.35, our parameter."""
    own = tuple(v / magnification for v in DETECTOR)
    claims, _ = resolve(PixelSpacing=own, ImagerPixelSpacing=DETECTOR, PixelSpacingCalibrationType="FIDUCIAL")
    assert ("must lie in 0.90 to 1.35" in said(claims[0])) is warned


def test_rows_and_columns_magnified_unlike():
    claims, _ = resolve(PixelSpacing=(0.036, 0.029), ImagerPixelSpacing=DETECTOR)
    assert "magnified alike" in said(claims[0])


@pytest.mark.parametrize(
    ("spacing", "side"),
    [((0.265, 0.026), "height of the image must lie in 15 to 80 mm: 238.5 mm"), ((0.04, 0.02), "width of the image")],
)
def test_image_extent_outside_the_plausible(spacing, side):
    """15 to 80 mm, our parameter; 96 dpi is 0.265 mm."""
    claims, _ = resolve(ImagerPixelSpacing=spacing)
    assert side in said(claims[0])


def test_plausible_extent_is_silent_and_unequal_pixels_are_told():
    """36 mm x 21 mm."""
    claims, _ = resolve(ImagerPixelSpacing=DETECTOR)
    assert "must lie in" not in said(claims[0])
    assert "not square" in said(claims[0])


def test_aspect_comes_from_the_best_claim_then_from_the_ratio():
    claims, _ = resolve(ImagerPixelSpacing=DETECTOR)
    assert resolve_aspect({"PixelAspectRatio": (1, 1)}, claims)[0] == pytest.approx(0.75)
    # Pixel Aspect Ratio is vertical \ horizontal.
    ratio, warnings = resolve_aspect({"PixelAspectRatio": (4, 3)}, ())
    assert ratio == pytest.approx(0.75)
    assert "no millimetres" in warnings[0]
    assert resolve_aspect({}, ()) == (1.0, ())
    assert resolve_aspect({"PixelAspectRatio": (0, 3)}, ())[0] == 1.0


def test_claims_of_different_pixel_shape_are_told():
    claims, _ = resolve(PixelSpacing=(0.036, 0.03), ImagerPixelSpacing=DETECTOR)
    assert "must have the pixel shape of PixelSpacing" in resolve_aspect({}, claims)[1][0]


ANYTHING = st.one_of(
    st.none(),
    st.text(max_size=20),
    st.binary(max_size=20),
    st.floats(),
    st.integers(),
    st.lists(st.floats(), max_size=3),
)


@given(
    st.fixed_dictionaries(
        {},
        optional=dict.fromkeys(
            (
                *("PixelSpacing", "ImagerPixelSpacing", "NominalScannedPixelSpacing", "PixelAspectRatio", "Rows"),
                *("Columns", "PixelSpacingCalibrationType", "PixelSpacingCalibrationDescription"),
                "EstimatedRadiographicMagnificationFactor",
            ),
            ANYTHING,
        ),
    )
)
def test_no_header_breaks_the_ranking(attributes):
    """Law: any header gives finite positive claims and printable lines, never an exception."""
    claims, dropped = resolve_spacing(attributes)
    ratio, told = resolve_aspect(attributes, claims)
    assert math.isfinite(ratio)
    assert ratio > 0
    for claim in claims:
        assert min(claim.row_mm, claim.col_mm) > 0
    for line in (*dropped, *told, *(w for c in claims for w in c.warnings)):
        assert line.isprintable()
