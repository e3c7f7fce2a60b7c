"""The films of a folder and of a DICOMDIR: what is listed, what is passed over, and what may not be reached."""

import os
import shutil
import subprocess
import warnings
from pathlib import Path

import cv2
import numpy as np
import pydicom
import pydicom.data
import pytest
from dicom_film import STORED, code, film, written
from pydicom.uid import DeflatedExplicitVRLittleEndian

from wlmeasure.errors import ImageError
from wlmeasure.image import listing
from wlmeasure.image.listing import list_films

MEDIUM = Path(pydicom.data.__file__).parent / "test_files" / "dicomdirtests"


@pytest.fixture
def folder(tmp_path):
    """Two DICOM films, a PNG, a report, notes, and a film cut short."""
    (tmp_path / "series").mkdir()
    tooth = {"PrimaryAnatomicStructureSequence": [code("866005003")]}
    (tmp_path / "series" / "IM1").write_bytes(written(film(AcquisitionDate="20261103", **tooth)))
    several = film(ContentDate="20261105", NumberOfFrames=2, PixelData=STORED.tobytes() * 2)
    (tmp_path / "b.dcm").write_bytes(written(several, DeflatedExplicitVRLittleEndian))
    (tmp_path / "old.png").write_bytes(cv2.imencode(".png", np.zeros((30, 40), np.uint8))[1].tobytes())
    os.utime(tmp_path / "old.png", (0, 86400))
    report = pydicom.Dataset()
    report.SOPClassUID, report.SOPInstanceUID = "1.2.840.10008.5.1.4.1.1.88.33", "1.2.3"
    (tmp_path / "report.dcm").write_bytes(written(report))
    (tmp_path / "notes.txt").write_text("nothing to see")
    (tmp_path / ".hidden.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    (tmp_path / "cut.dcm").write_bytes(written(film())[:4000])
    return tmp_path


def test_a_folder_lists_tooth_date_and_size_without_pixels(folder, monkeypatch):
    monkeypatch.setattr("wlmeasure.image.dicom.decode_frame", None)  # whoever decodes fails
    found = list_films(folder)
    assert found.others == 2
    assert [(f.name, f.teeth, f.date, f.date_is_of_file, f.rows, f.cols, f.frames) for f in found.films[:3]] == [
        ("b.dcm", (), "2026-11-05", False, 900, 700, 2),
        ("series/IM1", ("46",), "2026-11-03", False, 900, 700, 1),
        ("old.png", (), "1970-01-02", True, 30, 40, 1),
    ]
    (cut,) = found.films[3:]
    assert cut.name == "cut.dcm"
    assert cut.refused.startswith("DICOM file is truncated: Pixel Data must hold 1260000 bytes")
    assert found.notes == ()


@pytest.mark.parametrize(
    ("attributes", "says"),
    [
        ({"PhotometricInterpretation": "HSV"}, "PhotometricInterpretation must be"),
        ({"BitsAllocated": 32, "BitsStored": 32, "HighBit": 31}, "BitsStored must be 1 to 16"),
        ({"Rows": 60000, "Columns": 60000}, "at most 48 megapixels"),
    ],
)
def test_a_broken_film_is_one_line(tmp_path, attributes, says):
    (tmp_path / "a.dcm").write_bytes(written(film(**attributes)))
    (only,) = list_films(tmp_path).films
    assert says in only.refused
    assert only.refused.isprintable()


@pytest.mark.parametrize(
    "content",
    [b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff\xe0", b"II*\0\xff\xff\xff\xff", bytes(128) + b"DICM" + b"\xff" * 40],
)
def test_damage_is_no_traceback(tmp_path, content):
    (tmp_path / "a").write_bytes(content)
    (only,) = list_films(tmp_path).films
    assert only.refused


@pytest.mark.parametrize("length", [300, 420, 600])
def test_a_header_that_is_cut_is_told(tmp_path, length):
    (tmp_path / "a.dcm").write_bytes(written(film())[:length])
    (only,) = list_films(tmp_path).films
    assert only.refused


def test_a_large_folder_is_looked_at_in_part(tmp_path):
    for k in range(5):
        (tmp_path / f"{k}.txt").write_text("x")
    found = list_films(tmp_path, max_files=3)
    assert (found.others, found.films) == (3, ())
    assert found.notes == ("only the first 3 files were looked at; name a folder further down",)


def test_folders_within_folders_have_an_end(tmp_path, monkeypatch):
    deep = tmp_path / "a" / "b" / "c"
    deep.mkdir(parents=True)
    (deep / "x.dcm").write_bytes(written(film()))
    assert len(list_films(tmp_path).films) == 1
    monkeypatch.setattr(listing, "MAX_DEPTH", 2)
    assert list_films(tmp_path).films == ()


def test_links_to_folders_are_not_followed(tmp_path):
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "again").symlink_to(tmp_path / "in", target_is_directory=True)
    (tmp_path / "in" / "a.dcm").write_bytes(written(film()))
    assert [f.name for f in list_films(tmp_path / "in").films] == ["a.dcm"]


@pytest.mark.parametrize("name", ["DICOMDIR", "DICOMDIR-bigEnd", "DICOMDIR-implicit", "DICOMDIR-nooffset"])
def test_a_directory_of_another_writer(name):
    """31 images lie on the medium that comes with pydicom; the folder itself holds the same."""
    found = list_films(MEDIUM / name)
    assert len(found.films) == 31
    assert not any(f.refused for f in found.films)
    walked = {f.path for place in MEDIUM.iterdir() if place.is_dir() for f in list_films(place).films}
    assert {f.path for f in found.films} == {path for path in walked if "TINY" not in str(path)}


def directory(path, *names):
    """A DICOMDIR with one image record a name, which may be anything."""
    root = pydicom.Dataset()
    root.SOPClassUID, root.SOPInstanceUID = "1.2.840.10008.1.3.10", "1.2.3.9"
    records = []
    for parts in names:
        record = pydicom.Dataset()
        record.DirectoryRecordType = "IMAGE"
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # pydicom objects to writing what is tested here
            record.ReferencedFileID = parts
        records.append(record)
    root.DirectoryRecordSequence = records
    path.write_bytes(written(root))
    return path


def test_a_name_may_not_leave_the_folder(tmp_path):
    """`..`, an absolute path, one part that is a path of its own, and a link: each is refused, none is opened."""
    outside = tmp_path / "outside"
    inside = tmp_path / "medium"
    outside.mkdir()
    inside.mkdir()
    (outside / "SECRET").write_bytes(written(film()))
    (inside / "LINK").symlink_to(outside, target_is_directory=True)
    (inside / "IM1").write_bytes(written(film()))
    names = [["IM1"], ["..", "outside", "SECRET"], ["../outside/SECRET"], [str(outside / "SECRET")], ["LINK", "SECRET"]]
    found = list_films(directory(inside / "DICOMDIR", *names))
    assert [f.name for f in found.films if not f.refused] == ["IM1"]
    refused = [f for f in found.films if f.refused]
    assert len(refused) == 4
    assert all("must stay in its folder" in f.refused for f in refused)
    assert all(f.path == inside for f in refused)


def test_names_in_small_letters_are_found_and_missing_ones_told(tmp_path):
    (tmp_path / "im1").write_bytes(written(film()))
    found = list_films(directory(tmp_path / "DICOMDIR", ["IM1"], ["IM2"]))
    assert [bool(f.refused) for f in found.films] == [False, True]
    assert found.films[1].refused == "IM2: file that the DICOMDIR lists is not there"


def test_what_is_neither_is_refused(tmp_path):
    (tmp_path / "a.dcm").write_bytes(written(film()))
    for place, says in (("a.dcm", "it is another file"), ("b", "nothing there")):
        with pytest.raises(ImageError, match=f"{place} must be a folder or a DICOMDIR: {says}"):
            list_films(tmp_path / place)


def test_dcmtk_writes_a_directory_that_is_read(tmp_path):
    maker = shutil.which("dcmmkdir")
    if maker is None:
        pytest.skip("dcmmkdir is not installed (Debian and Ubuntu: dcmtk)")
    names = {"StudyInstanceUID": "1.2.3.5", "SeriesInstanceUID": "1.2.3.6", "PatientID": "P1", "PatientName": "A"}
    names |= {"StudyDate": "20261103", "StudyTime": "1200", "StudyID": "1", "SeriesNumber": 1, "InstanceNumber": 1}
    (tmp_path / "IM1").write_bytes(written(film(SOPClassUID="1.2.840.10008.5.1.4.1.1.7", Modality="OT", **names)))
    subprocess.run([maker, "+id", ".", "-W", "IM1"], cwd=tmp_path, check=True, capture_output=True)
    (only,) = list_films(tmp_path / "DICOMDIR").films
    assert (only.name, only.date, only.rows) == ("IM1", "2026-11-03", 900)
