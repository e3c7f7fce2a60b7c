"""An intra-oral film that keeps to the standard, a case traced on it, and the validators where they are installed.

Rows are 0.040 mm apart and columns 0.030 mm on the detector. The canal is a polyline of hand-made length: legs of 300 and 400
pixels along rows and columns, so every length is a sum and a hypotenuse.
"""

import hashlib
import json
import shutil
import subprocess
import sys
from types import SimpleNamespace

import cv2
import numpy as np
import pydicom
import pytest
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian

from wlmeasure.record.case import case_from_json
from wlmeasure.record.evaluate import evaluate
from wlmeasure.share.dicom.codes import Code
from wlmeasure.share.dicom.objects import code_item

ROWS, COLS = 900, 700
STORED = np.random.default_rng(5).integers(0, 3000, (ROWS, COLS), dtype=np.uint16)
# (row, col): known file down one column, 20 mm in 500 pixels: 0.040 mm per row; columns are 3/4 of it.
FILE_PX = [[20.0, 50.0], [520.0, 50.0]]
REFERENCE_PX = [20.0, 300.0]
PATH_PX = [[120.0, 300.0], [320.25, 300.0], [520.5, 400.125]]


def item(value, scheme, meaning):
    return code_item(Code(value, scheme, meaning))


def io_film(pixels=STORED, **attributes):
    """Digital Intra-Oral X-Ray Image for presentation (PS3.3 A.27) of tooth 46; attributes of None are left out."""
    film = Dataset()
    film.SpecificCharacterSet = "ISO_IR 100"
    film.ImageType = ["ORIGINAL", "PRIMARY", ""]
    film.SOPClassUID = "1.2.840.10008.5.1.4.1.1.1.3"
    film.SOPInstanceUID, film.StudyInstanceUID, film.SeriesInstanceUID = "1.2.3.4.1", "1.2.3.4.2", "1.2.3.4.3"
    film.StudyDate, film.StudyTime, film.StudyID, film.AccessionNumber = "20261101", "101500", "7", "A17"
    film.ContentDate, film.ContentTime = "20261101", "101501"
    film.AcquisitionDate, film.AcquisitionTime = "20261101", "101501"
    film.Modality, film.PresentationIntentType = "IO", "FOR PRESENTATION"
    film.Manufacturer, film.ManufacturerModelName, film.StationName = "Sensor works", "S1", "ROOM2"
    film.InstitutionName = "Practice by the bridge"
    film.ReferringPhysicianName, film.PatientName, film.PatientID = "Vogt^Ada", "Bär^Käthe", "P-0017"
    film.PatientBirthDate, film.PatientSex, film.PatientAge = "19700203", "F", "056Y"
    film.PatientComments, film.StudyDescription = "anxious", "control"
    film.SeriesNumber, film.InstanceNumber, film.AcquisitionNumber = 1, 1, 1
    film.PatientOrientation = ["A", "F"]
    film.ImageLaterality, film.BodyPartExamined = "R", "JAW"
    film.AnatomicRegionSequence = [item("661005", "SCT", "Jaw region")]
    film.PrimaryAnatomicStructureSequence = [item("866005003", "SCT", "Mandibular right first molar tooth")]
    film.AcquisitionContextSequence = []
    film.ImagerPixelSpacing = [0.040, 0.030]
    film.DetectorType, film.PositionerType = "DIRECT", "NONE"
    film.PixelIntensityRelationship, film.PixelIntensityRelationshipSign = "LIN", -1
    film.RescaleSlope, film.RescaleIntercept, film.RescaleType = 1, 0, "US"
    film.PresentationLUTShape, film.LossyImageCompression, film.BurnedInAnnotation = "IDENTITY", "00", "NO"
    film.WindowCenter, film.WindowWidth = 1500, 3000
    film.Rows, film.Columns = pixels.shape
    film.SamplesPerPixel, film.PhotometricInterpretation, film.PixelRepresentation = 1, "MONOCHROME2", 0
    film.BitsAllocated, film.BitsStored, film.HighBit = 16, 12, 11
    film.PixelData = pixels.tobytes()
    for keyword, value in attributes.items():
        if value is None:
            delattr(film, keyword)
        else:
            setattr(film, keyword, value)
    return film


def write(film, path):
    film.file_meta = FileMetaDataset()
    film.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    pydicom.dcmwrite(path, film, enforce_file_format=True)
    return path


def png(pixels, path):
    path.write_bytes(cv2.imencode(".png", pixels)[1].tobytes())
    return path


def body(path, film_id="f1", shape=(ROWS, COLS), **changes):
    return {
        "id": film_id,
        "path": path.name,
        "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        "rows": shape[0],
        "cols": shape[1],
        "scale": [
            {
                "kind": "known_file",
                "points_px": FILE_PX,
                "trace_kind": "path",
                "known_length_mm": 20.0,
                "known_length_std_mm": 0.05,
            }
        ],
    } | changes


def canal(*films, name="MB", **changes):
    traces = [
        {"film": film, "reference_px": REFERENCE_PX, "path_px": PATH_PX, "apical_end": "radiographic apex"}
        for film in films
    ]
    return {"name": name, "reference_point": "mesiobuccal cusp", "traces": traces} | changes


@pytest.fixture
def measure(tmp_path):
    """A function from the members of a case, films in the temporary folder, to what is measured on it."""

    def measure(films, canals, **changes):
        case = {"schema": "wlmeasure-case/1", "tooth": "46", "films": films, "canals": canals} | changes
        return evaluate(case_from_json(case, folder=tmp_path))

    return measure


@pytest.fixture
def on_dicom(tmp_path, measure):
    """A case on one DICOM film; keywords go to the film's header."""

    def on_dicom(pixels=STORED, *, case=None, **attributes):
        path = write(io_film(pixels, **attributes), tmp_path / "film.dcm")
        readings = [{"length_mm": 19.5, "mark": "foramen"}] * 3
        decision = {"length_mm": 19.0, "by": "Dr Quill", "at": "2026-11-25T10:00", "reason": "agreed"}
        canals = [canal("f1", electronic_readings=readings, decision=decision)]
        return measure([body(path)], canals, **(case or {}))

    return on_dicom


@pytest.fixture
def on_png(tmp_path, measure):
    """A case on one 16-bit PNG film; the case gives its pixels the shape 3 : 4."""

    def on_png(pixels=STORED, **film):
        return measure([body(png(pixels, tmp_path / "Baer_Kaethe.png"), col_over_row=0.75, **film)], [canal("f1")])

    return on_png


def program(name, package):
    """Where a validator is; the test is skipped, and says why, where it is not installed."""
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"{name} is not installed (Debian and Ubuntu: {package})")
    return found


@pytest.fixture
def faults():
    """A function from a file to the errors that dciodvfy and, for a report, dsrdump name; warnings are left out."""
    verify, dump = program("dciodvfy", "dicom3tools"), program("dsrdump", "dcmtk")

    def faults(path):
        said = subprocess.run([verify, str(path)], capture_output=True, text=True).stderr.splitlines()
        found = [line for line in said if line.startswith("Error")]
        assert any(not line.startswith(("Warning", "Error", "(")) for line in said), said  # it has named the object
        if str(pydicom.dcmread(path, stop_before_pixels=True).SOPClassUID).startswith("1.2.840.10008.5.1.4.1.1.88."):
            run = subprocess.run([dump, str(path)], capture_output=True, text=True)
            found += [line for line in run.stderr.splitlines() if line.startswith(("E:", "F:"))]
            if run.returncode != 0:
                found.append(f"dsrdump ended with {run.returncode}")
        return found

    return faults


@pytest.fixture
def dcmpschk():
    """The checker of presentation states (dcmtk): a function from a file to its last words."""
    checker = program("dcmpschk", "dcmtk")
    return lambda path: subprocess.run([checker, str(path)], capture_output=True, text=True).stderr.splitlines()[-1]


@pytest.fixture
def tid1500():
    """The reader of another house (dcmqi, C++): a function from a report to the JSON it makes of it."""
    pytest.importorskip("dcmqi", reason="dcmqi is not installed")

    def tid1500(path):
        out = path.with_suffix(".tid1500.json")
        command = [sys.executable, "-c", "from dcmqi import tid1500reader; tid1500reader()"]
        run = subprocess.run(
            [*command, "--inputDICOM", str(path), "--outputMetadata", str(out)], capture_output=True, text=True
        )
        assert run.returncode == 0, run.stderr
        return json.loads(out.read_text("utf-8"))

    return tid1500


@pytest.fixture
def make():
    """What the fixtures above build cases of, for cases of another make."""
    return SimpleNamespace(body=body, canal=canal, io_film=io_film, png=png, write=write)


@pytest.fixture
def made():
    """When and by what the objects of these tests are made."""
    return {"made_at": "2026-11-25T10:30:00", "program": "wlmeasure 0.1.0"}
