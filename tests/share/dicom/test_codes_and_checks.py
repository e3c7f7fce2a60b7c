"""Codes against the standard's own context groups, and the faults that no validator in use finds."""

import subprocess
import warnings
from pathlib import Path
from typing import get_args

import numpy as np
import pydicom
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.decide.methods import ApicalEnd
from wlmeasure.decide.reconcile import Status
from wlmeasure.errors import ShareError
from wlmeasure.share.dicom import codes
from wlmeasure.share.dicom.calibrated import calibrated_copy
from wlmeasure.share.dicom.checks import check_calibration, check_graphics, check_report
from wlmeasure.share.dicom.objects import dicom_bytes, stamp, uid_of
from wlmeasure.share.dicom.points import from_dicom, to_dicom
from wlmeasure.share.dicom.source import film_images
from wlmeasure.trade import tooth_codes
from wlmeasure.trade.tooth import Tooth

PUBLISHED = Path(codes.__file__).with_name("codes.csv")
REGENERATE = (
    "codes.csv is not what codes.py says; write it again:\n"
    'python -c "import pathlib, wlmeasure.share.dicom.codes as c; '
    "pathlib.Path(c.__file__).with_name('codes.csv').write_text(c.codes_csv())\""
)
SHAPE = (900, 700)
finite = st.floats(-0.5, 5000.0)


# Codes


def test_the_published_table_is_the_code():
    assert PUBLISHED.read_text("utf-8") == codes.codes_csv(), REGENERATE


def test_private_codes_fit_their_attributes():
    """Code Value SH, at most 16; Code Meaning LO, at most 64; ASCII, for readers of any character set."""
    for value, (meaning, definition) in codes.PRIVATE.items():
        assert len(value) <= 16
        assert len(meaning) <= 64
        assert definition.endswith(".")
        assert (value + meaning).isascii()


def test_every_word_of_the_trade_has_its_code():
    names = {name for designation in tooth_codes.TOOTH_CODES for name in Tooth.from_iso3950(designation).canal_names}
    assert {codes.canal_code(name).value for name in names} <= set(codes.PRIVATE) - {"CANAL-OTHER"}
    assert set(codes.APICAL_ENDS) == set(get_args(ApicalEnd))
    assert set(codes.STATUSES) == set(get_args(Status))
    assert {*codes.APICAL_ENDS.values(), *codes.STATUSES.values()} <= set(codes.PRIVATE)


@pytest.mark.parametrize("name", ["ID", "other", "MB3", "x" * 40, ""])
def test_another_canal_is_one_named_in_words(name):
    assert codes.canal_code(name).value == "CANAL-OTHER"


# Identifiers and coordinates


@given(st.lists(st.text(), min_size=1, max_size=4))
def test_an_identifier_is_valid_and_follows_its_parts(parts):
    uid = pydicom.uid.UID(uid_of(*parts))
    assert uid.is_valid
    assert uid == uid_of(*parts)
    assert uid != uid_of(*parts, "x")


@given(st.lists(st.tuples(finite, finite), min_size=1, max_size=20))
def test_coordinates_go_there_and_back(points):
    given_px = np.array(points)
    np.testing.assert_allclose(from_dicom(to_dicom(given_px).ravel().tolist()), given_px, atol=1e-9)


def test_the_centre_of_the_first_pixel_is_half_a_pixel_from_the_corner():
    assert to_dicom([[0.0, 2.0]]).tolist() == [[2.5, 0.5]]


def test_a_time_is_entered_for_what_is_named():
    dataset = pydicom.Dataset()
    dataset.ContentDate = "20200101"
    stamp(dataset, "2026-11-25T10:30:00")
    assert (dataset.InstanceCreationDate, dataset.InstanceCreationTime) == ("20261125", "103000")
    assert dataset.ContentDate == "20200101"


# Faults that no validator in use finds


@pytest.fixture
def report(on_dicom, made):
    pytest.importorskip("highdicom", reason='the extra "dicom" is not installed')
    from wlmeasure.share.dicom.structured_report import structured_report

    result = on_dicom()
    return structured_report(result, film_images(result), **made)


def each(item):
    for child in item.get("ContentSequence", ()):
        yield child
        yield from each(child)


def written(dataset, path):
    path.write_bytes(dicom_bytes(dataset))
    return path


def outside(report):
    line = next(item for item in each(report) if item.ValueType == "SCOORD")
    line.GraphicData = [*line.GraphicData[:-2], 701.0, 100.0]


def outdated(report):
    for item in each(report):
        if item.ValueType == "CODE" and item.ConceptCodeSequence[0].get("CodeValue") == "866005003":
            item.ConceptCodeSequence[0].CodeValue = "28480000"


@pytest.fixture
def copied(on_dicom, made):
    result = on_dicom()
    return calibrated_copy(result, film_images(result)[0], **made)


@pytest.mark.parametrize(
    ("fault", "words"),
    [(outside, "must lie inside the image of 900 x 700"), (outdated, "code of tooth 46 must be 866005003")],
)
def test_faults_of_a_report_that_validators_miss(report, fault, words):
    check_report(report, {"1.2.3.4.1": SHAPE})
    fault(report)
    with pytest.raises(ShareError, match=words):
        check_report(report, {"1.2.3.4.1": SHAPE})


def test_a_calibration_type_that_is_not_enumerated(copied):
    check_calibration(copied)
    copied.PixelSpacingCalibrationType = "FILE"
    with pytest.raises(ShareError, match="must be GEOMETRY or FIDUCIAL: 'FILE'"):
        check_calibration(copied)


def test_the_validators_do_miss_them(report, copied, tmp_path, faults):
    """Why the checks are ours; as measured with dcmtk 3.6.7 and the dicom3tools of June 2022, and skipped with others."""
    said = subprocess.run(["dsrdump", "--version"], capture_output=True, text=True).stdout
    if "v3.6.7" not in said:
        pytest.skip(f"measured with dcmtk 3.6.7; here is {said[:40]!r}")
    outside(report)
    outdated(report)
    copied.PixelSpacingCalibrationType = "FILE"
    assert faults(written(report, tmp_path / "report.dcm")) == []
    assert faults(written(copied, tmp_path / "copy.dcm")) == []


def test_the_validators_do_find_what_they_look_for(report, tmp_path, faults):
    """The other way round: a fault that they know is named, so that silence means something."""
    assert faults(written(report, tmp_path / "sound.dcm")) == []
    line = next(item for item in each(report) if item.ValueType == "SCOORD")
    line.RelationshipType = "CONTAINS"
    assert faults(written(report, tmp_path / "relation.dcm")) != []
    del report.CurrentRequestedProcedureEvidenceSequence
    assert faults(written(report, tmp_path / "evidence.dcm")) != []


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -0.1])
def test_a_coordinate_that_is_none_is_refused(report, value):
    line = next(item for item in each(report) if item.ValueType == "SCOORD")
    line.GraphicData = [value, *list(line.GraphicData)[1:]]
    with pytest.raises(ShareError, match="must lie inside the image"):
        check_report(report, {"1.2.3.4.1": SHAPE})


def test_an_image_that_is_not_listed_as_evidence_is_refused(report):
    del report.CurrentRequestedProcedureEvidenceSequence
    with pytest.raises(ShareError, match="must be listed as evidence"):
        check_report(report, {"1.2.3.4.1": SHAPE})


def test_an_image_of_another_case_is_refused(report):
    with pytest.raises(ShareError, match="must lie on a film of the case"):
        check_report(report, {"1.2.3.4.9": SHAPE})


def test_a_path_too_long_for_its_element_is_refused():
    state, annotation, graphic = pydicom.Dataset(), pydicom.Dataset(), pydicom.Dataset()
    graphic.GraphicData = [1.0, 1.0] * 8192
    annotation.GraphicLayer, annotation.GraphicObjectSequence = "CANAL 1", [graphic]
    state.GraphicAnnotationSequence = [annotation]
    with pytest.raises(ShareError, match="at most 8191 points"):
        check_graphics(state, SHAPE)
    graphic.GraphicData = [1.0, 1.0] * 8191
    check_graphics(state, SHAPE)
    graphic.GraphicData = [1.0, 900.5]
    with pytest.raises(ShareError, match="CANAL 1 must lie inside"):
        check_graphics(state, SHAPE)


@pytest.mark.parametrize(
    ("attribute", "value", "words"),
    [
        ("PixelSpacingCalibrationDescription", "", "1 to 64 characters"),
        ("PixelSpacingCalibrationDescription", "x" * 65, "1 to 64 characters"),
        ("PixelSpacing", [0.04, 0.0], "two finite numbers > 0"),
    ],
)
def test_a_calibration_that_says_too_little_is_refused(attribute, value, words):
    dataset = pydicom.Dataset()
    dataset.PixelSpacing, dataset.PixelSpacingCalibrationType = [0.04, 0.03], "FIDUCIAL"
    dataset.PixelSpacingCalibrationDescription = "file 20 mm"
    check_calibration(dataset)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pydicom's own, of a value too long
        setattr(dataset, attribute, value)
    with pytest.raises(ShareError, match=words):
        check_calibration(dataset)
