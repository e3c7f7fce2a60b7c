"""De-identification: planted names and numbers are gone from every byte, references and measurements are not."""

import csv

import numpy as np
import pydicom
import pytest
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.uid import ExplicitVRLittleEndian, generate_uid

from wlmeasure.errors import ImageError
from wlmeasure.share.deidentify import Profile, deidentify, deidentify_files

IO = "1.2.840.10008.5.1.4.1.1.1.3"
SR = "1.2.840.10008.5.1.4.1.1.88.33"
GSPS = "1.2.840.10008.5.1.4.1.1.11.1"
STUDY, SERIES, FRAME = (generate_uid(entropy_srcs=[name]) for name in ("study", "series", "frame"))
IMAGE, REPORT, STATE = (generate_uid(entropy_srcs=[name]) for name in ("image", "report", "state"))

# One token each, 40 in all: who, where, when, with what, and where people write what they should not.
PLANTED = {
    "PatientName": "Zephyrine^Quillfeather", "PatientID": "QZX-000001", "PatientBirthDate": "19330307",
    "OtherPatientNames": "Marigold^Quillfeather", "PatientAddress": "7 Larkspur Row", "PatientTelephoneNumbers": "5550117",
    "PatientComments": "nervous QZX-02", "PatientAge": "093Y", "MilitaryRank": "QZX-03", "EthnicGroup": "QZX-04",
    "Occupation": "keeper QZX-05", "PatientReligiousPreference": "QZX-06", "AdditionalPatientHistory": "QZX-07 history",
    "InstitutionName": "Larkspur Dental QZX-08", "InstitutionAddress": "QZX-09", "InstitutionalDepartmentName": "QZX-10",
    "StationName": "QZX-11", "ReferringPhysicianName": "Thistledown^Ambrose", "PerformingPhysicianName": "QZX^Twelve",
    "OperatorsName": "QZX^Thirteen", "PhysiciansOfRecord": "QZX^Fourteen", "NameOfPhysiciansReadingStudy": "QZX^Fifteen",
    "AccessionNumber": "QZX-16", "StudyID": "QZX-17", "StudyDescription": "QZX-18 for Quillfeather",
    "SeriesDescription": "QZX-19", "ProtocolName": "QZX-20", "ImageComments": "QZX-21 Quillfeather 46",
    "DeviceSerialNumber": "QZX-22", "DetectorID": "QZX-23", "AdmissionID": "QZX-24", "RequestedProcedureDescription": "QZX-25",
    "PerformedProcedureStepDescription": "QZX-26", "DerivationDescription": "QZX-27", "RequestingPhysician": "QZX^TwentyEight",
    "IssuerOfPatientID": "QZX-29", "ReasonForStudy": "QZX-30", "AcquisitionComments": "QZX-31",
}  # fmt: skip
PRIVATE, NESTED = "QZX-32 private", "QZX-33 nested"
TOKENS = (*PLANTED.values(), PRIVATE, NESTED)


def base(sop_class, uid):
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID = sop_class, uid
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.SourceApplicationEntityTitle = "QZXAE"
    dataset = FileDataset("planted.dcm", Dataset(), file_meta=meta, preamble=b"QZX preamble".ljust(128, b"\0"))
    dataset.SOPClassUID, dataset.SOPInstanceUID = sop_class, uid
    dataset.StudyInstanceUID, dataset.SeriesInstanceUID, dataset.FrameOfReferenceUID = STUDY, SERIES, FRAME
    dataset.StudyDate, dataset.StudyTime, dataset.ContentDate, dataset.ContentTime = (
        "20260311",
        "093012",
        "20260311",
        "093013",
    )
    for keyword, value in PLANTED.items():
        setattr(dataset, keyword, value)
    block = dataset.private_block(0x0099, "LARKSPUR QZX", create=True)
    block.add_new(0x01, "LO", PRIVATE)
    return dataset


def code(value, meaning, scheme="DCM"):
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    return item


def image(burned="NO"):
    dataset = base(IO, IMAGE)
    dataset.Modality, dataset.ImageType = "IO", ["ORIGINAL", "PRIMARY", ""]
    dataset.Rows, dataset.Columns, dataset.SamplesPerPixel = 4, 3, 1
    dataset.BitsAllocated, dataset.BitsStored, dataset.HighBit, dataset.PixelRepresentation = 16, 12, 11, 0
    dataset.PhotometricInterpretation = "MONOCHROME2"
    dataset.PixelSpacing, dataset.ImagerPixelSpacing = [0.021, 0.019], [0.022, 0.02]
    dataset.Manufacturer = "Sensors Ltd"
    dataset.PixelData = np.arange(12, dtype="<u2").tobytes()
    if burned is not None:
        dataset.BurnedInAnnotation = burned
    step = Dataset()
    step.RequestedProcedureDescription = NESTED
    step.ScheduledProcedureStepDescription = NESTED
    dataset.RequestAttributesSequence = Sequence([step])
    tooth = code("QZX-34", "QZX-35", "99LARK")
    dataset.PrimaryAnatomicStructureSequence = Sequence([code("866005003", "Lower six of Quillfeather", "SCT"), tooth])
    dataset.add_new(0x60000010, "US", 4)
    dataset.add_new(0x60004000, "LT", "QZX-36 overlay")
    return dataset


def reference():
    item = Dataset()
    item.ReferencedSOPClassUID, item.ReferencedSOPInstanceUID = IO, IMAGE
    return item


def content(value_type, concept, **more):
    item = Dataset()
    item.RelationshipType, item.ValueType = "CONTAINS", value_type
    item.ConceptNameCodeSequence = Sequence([concept])
    for keyword, value in more.items():
        setattr(item, keyword, value)
    return item


def report():
    dataset = base(SR, REPORT)
    dataset.Modality, dataset.ValueType = "SR", "CONTAINER"
    dataset.ConceptNameCodeSequence = Sequence([code("126000", "Imaging Measurement Report")])
    measured = Dataset()
    measured.NumericValue = "21.37"
    measured.MeasurementUnitsCodeSequence = Sequence([code("mm", "millimeter", "UCUM")])
    line = content("SCOORD", code("111030", "Image Region"), GraphicType="POLYLINE", GraphicData=[1.5, 2.5, 3.5, 4.5])
    line.ContentSequence = Sequence(
        [content("IMAGE", code("111040", "Source"), ReferencedSOPSequence=Sequence([reference()]))]
    )
    number = content("NUM", code("121211", "Path length"), MeasuredValueSequence=Sequence([measured]))
    number.ContentSequence = Sequence([line])
    group = content("CONTAINER", code("125007", "Measurement Group"))
    group.ContentSequence = Sequence([number, content("TEXT", code("121106", "Comment"), TextValue="QZX-37 comment")])
    dataset.ContentSequence = Sequence([
        content("PNAME", code("121008", "Person Observer Name"), PersonName="Quillfeather^QZX-38"),
        content("UIDREF", code("121012", "Device Observer UID"), UID=IMAGE),
        content("TEXT", code("111001", "Algorithm Name"), TextValue="symmetry-fit"),
        group,
    ])  # fmt: skip
    series = Dataset()
    series.SeriesInstanceUID, series.ReferencedSOPSequence = SERIES, Sequence([reference()])
    study = Dataset()
    study.StudyInstanceUID, study.ReferencedSeriesSequence = STUDY, Sequence([series])
    dataset.CurrentRequestedProcedureEvidenceSequence = Sequence([study])
    return dataset


def state():
    dataset = base(GSPS, STATE)
    dataset.Modality, dataset.ContentLabel, dataset.ContentCreatorName = "PR", "PATHS", "Quillfeather^QZX-39"
    dataset.ContentDescription = "QZX-40"
    series = Dataset()
    series.SeriesInstanceUID, series.ReferencedImageSequence = SERIES, Sequence([reference()])
    dataset.ReferencedSeriesSequence = Sequence([series])
    words, line, drawn = Dataset(), Dataset(), Dataset()
    words.UnformattedTextValue, words.AnchorPoint = "MB of Quillfeather", [1.0, 2.0]
    words.AnchorPointAnnotationUnits, words.AnchorPointVisibility = "PIXEL", "Y"
    line.GraphicType, line.GraphicData = "POLYLINE", [1.0, 2.0, 3.0, 4.0]
    line.GraphicDimensions, line.NumberOfGraphicPoints = 2, 2
    drawn.GraphicLayer, drawn.TextObjectSequence, drawn.GraphicObjectSequence = (
        "PATHS",
        Sequence([words]),
        Sequence([line]),
    )
    drawn.ReferencedImageSequence = Sequence([reference()])
    dataset.GraphicAnnotationSequence = Sequence([drawn])
    return dataset


@pytest.fixture
def study(tmp_path):
    paths = []
    for name, dataset in (("image", image()), ("report", report()), ("state", state())):
        paths.append(tmp_path / f"{name}.dcm")
        dataset.save_as(paths[-1], enforce_file_format=True)
    return paths


def test_no_planted_identifier_is_left_in_any_byte(study, tmp_path):
    before = b"".join(path.read_bytes() for path in study)
    uids = [str(uid).encode() for uid in (STUDY, SERIES, FRAME, IMAGE, REPORT, STATE)]
    words = b"QZX Quillfeather Larkspur LARK Thistledown Zephyrine Marigold 5550117 19330307 093Y 20260311 0930".split()
    marks = [*words, *uids]
    assert all(mark in before for mark in marks)
    assert len(TOKENS) == 40
    # A fixed key: digits of a time may stand in a random UID by chance.
    done = deidentify_files(study, tmp_path / "out", no_text_in_pixels=True, key=b"a key")
    after = b"".join(path.read_bytes() for path in (*done.files, tmp_path / "out" / "removed.csv"))
    assert [mark for mark in marks if mark in after] == []


def test_references_measurements_geometry_and_codes_are_intact(study, tmp_path):
    done = deidentify_files(study, tmp_path / "out", no_text_in_pixels=True)
    film, sr, gsps = (pydicom.dcmread(path) for path in done.files)
    new = film.SOPInstanceUID
    assert new.startswith("2.25.")
    assert film.file_meta.MediaStorageSOPInstanceUID == new
    assert film.StudyInstanceUID == sr.StudyInstanceUID == gsps.StudyInstanceUID
    evidence = sr.CurrentRequestedProcedureEvidenceSequence[0]
    assert evidence.StudyInstanceUID == film.StudyInstanceUID
    assert evidence.ReferencedSeriesSequence[0].ReferencedSOPSequence[0].ReferencedSOPInstanceUID == new
    observer, uidref, algorithm, group = sr.ContentSequence
    assert observer.PersonName == "Anonymous"
    assert new == uidref.UID
    assert algorithm.TextValue == "symmetry-fit"
    number, comment = group.ContentSequence
    assert comment.TextValue == "removed"
    assert number.MeasuredValueSequence[0].NumericValue == 21.37
    assert number.ConceptNameCodeSequence[0].CodeMeaning == "Path length"
    line = number.ContentSequence[0]
    assert list(line.GraphicData) == [1.5, 2.5, 3.5, 4.5]
    assert line.ContentSequence[0].ReferencedSOPSequence[0].ReferencedSOPInstanceUID == new
    (drawn,) = gsps.GraphicAnnotationSequence
    assert drawn.ReferencedImageSequence[0].ReferencedSOPInstanceUID == new
    assert gsps.ReferencedSeriesSequence[0].ReferencedImageSequence[0].ReferencedSOPInstanceUID == new
    assert drawn.TextObjectSequence[0].UnformattedTextValue == "removed"
    assert list(drawn.GraphicObjectSequence[0].GraphicData) == [1.0, 2.0, 3.0, 4.0]
    assert list(film.PixelSpacing) == [0.021, 0.019]
    assert film.PixelData == image().PixelData
    assert film.Manufacturer == "Sensors Ltd"
    tooth, unknown = film.PrimaryAnatomicStructureSequence
    assert tooth.CodeMeaning == "lower right first molar tooth"
    assert (unknown.CodeValue, unknown.CodingSchemeDesignator, unknown.CodeMeaning) == (
        "removed",
        "99REMOVED",
        "removed",
    )


def test_the_files_say_what_was_done(study, tmp_path):
    done = deidentify_files(study, tmp_path / "out", Profile(clean_descriptors=True), no_text_in_pixels=True)
    film = pydicom.dcmread(done.files[0])
    assert film.PatientIdentityRemoved == "YES"
    assert film.LongitudinalTemporalInformationModified == "REMOVED"
    assert [item.CodeValue for item in film.DeidentificationMethodCodeSequence] == [
        "113100",
        "113104",
        "113103",
        "113105",
    ]
    with (tmp_path / "out" / "removed.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    told = {row["element"]: row["action"] for row in rows if row["file"] == "0001.dcm"}
    assert told["PatientName"] == "emptied"
    assert told["PatientComments"] == "removed"
    assert told["SOPInstanceUID"] == "new UID"
    assert told["RequestAttributesSequence"] == "removed"
    assert any(action == "removed: private" for action in told.values())
    assert {row["file"] for row in rows} == {"0001.dcm", "0002.dcm", "0003.dcm"}


def test_uids_can_be_kept_and_the_same_key_gives_the_same(study):
    datasets = [pydicom.dcmread(path) for path in study]
    kept, _ = deidentify(datasets, Profile(retain_uids=True))
    assert [d.SOPInstanceUID for d in kept] == [IMAGE, REPORT, STATE]
    one, other, third = (deidentify(datasets, key=key)[0][0].SOPInstanceUID for key in (b"k", b"k", b"l"))
    assert one == other != third
    assert deidentify(datasets)[0][0].SOPInstanceUID != deidentify(datasets)[0][0].SOPInstanceUID
    assert datasets[0].PatientID == PLANTED["PatientID"]  # what was given is not changed


def test_a_neutral_descriptor_is_kept_only_where_the_option_asks():
    dataset = image()
    dataset.SeriesDescription = "Periapical film, trial file"
    dataset.StudyDescription = "Periapical film of Quillfeather"
    (plain,), _ = deidentify([dataset])
    (clean,), _ = deidentify([dataset], Profile(clean_descriptors=True))
    assert "SeriesDescription" not in plain
    assert clean.SeriesDescription == "Periapical film, trial file"
    assert "StudyDescription" not in clean


@pytest.mark.parametrize("burned", [None, "YES"])
def test_pictures_nobody_looked_at_are_asked_about(tmp_path, burned):
    path = tmp_path / "film.dcm"
    image(burned).save_as(path, enforce_file_format=True)
    with pytest.raises(ImageError, match=r"film\.dcm.*--no-text-in-pixels"):
        deidentify_files([path], tmp_path / "out")
    assert not (tmp_path / "out").exists()
    assert len(deidentify_files([path], tmp_path / "out", no_text_in_pixels=True).files) == 1


def test_nothing_to_do_or_a_full_folder_is_refused_before_anything_is_written(study, tmp_path):
    other = tmp_path / "note.txt"
    other.write_text("no picture", encoding="utf-8")
    with pytest.raises(ImageError, match=r"note\.txt must be a radiograph or a DICOM object"):
        deidentify_files([other], tmp_path / "out", no_text_in_pixels=True)
    assert not (tmp_path / "out").exists()
    with pytest.raises(ImageError, match="must be a new or empty folder"):
        deidentify_files(study, tmp_path, no_text_in_pixels=True)
    with pytest.raises(ImageError, match="at least one"):
        deidentify_files([], tmp_path / "out")


def test_a_film_measures_the_same_after_it(study, tmp_path):
    from wlmeasure.image.reading import read

    done = deidentify_files(study[:1], tmp_path / "out", no_text_in_pixels=True)
    before, after = read(study[0]), read(done.files[0])
    np.testing.assert_array_equal(before.values, after.values)
    assert before.spacings == after.spacings


@pytest.mark.parametrize("element", [b"\x08\x00\x18\x00", b"\x08\x00\x16\x00"])
def test_an_identifier_that_cannot_be_read_is_made_anew(tmp_path, element):
    """A UID said to be numbers: pydicom raises when it is looked at (found by the fuzzer, seed 9321, file 1590)."""
    path = tmp_path / "film.dcm"
    made = image("NO")
    made.SOPInstanceUID = made.SOPClassUID = "1.2.3.4.1"
    made.file_meta.MediaStorageSOPInstanceUID = made.file_meta.MediaStorageSOPClassUID = "1.2.3.4.1"
    made.save_as(path, enforce_file_format=True)
    data = path.read_bytes()
    assert data.count(element + b"UI") == 1
    path.write_bytes(data.replace(element + b"UI", element + b"SL"))
    (written,) = deidentify_files([path], tmp_path / "out", no_text_in_pixels=True).files
    film = pydicom.dcmread(written)
    assert film.SOPInstanceUID.startswith("2.25.")
    assert film.SOPClassUID in ("1.2.3.4.1", IO) or film.SOPClassUID.startswith("2.25.")
    assert film.file_meta.MediaStorageSOPClassUID == film.SOPClassUID
