"""The command line from outside: exit statuses, one clear line for every bad input, nothing changed, a quick start."""

import copy
import hashlib
import html
import json
import os
import re
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import cv2
import numpy as np
import pydicom
import pytest
from attrs import evolve
from pydicom.dataset import FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian

from wlmeasure import __version__
from wlmeasure.cli import main
from wlmeasure.record.case import load_case, save_case
from wlmeasure.record.evaluate import accept_paths, evaluate
from wlmeasure.share.result import record_text, result_json

ROOT = Path(__file__).resolve().parents[1]
SAMPLES = ROOT / "sample_images"
ROWS, COLS = 480, 300
PICTURE = np.random.default_rng(7).integers(1000, 1100, (ROWS, COLS), dtype=np.uint16)
PNG = cv2.imencode(".png", PICTURE)[1].tobytes()
COLOUR = cv2.imencode(".png", np.dstack([PICTURE, PICTURE[::-1], PICTURE[:, ::-1]]))[1].tobytes()
EVIL = "<script>alert(\"1\")</script> & 'q'"


def snapshot(folder):
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "folder"
        for path in sorted(folder.rglob("*"))
    }


@pytest.fixture
def body(tmp_path):
    """A case on a film of noise; known file 400 px = 20 mm, canal 440 px = 22 mm."""
    (tmp_path / "film.png").write_bytes(PNG)
    return {
        "schema": "wlmeasure-case/1",
        "tooth": "46",
        "films": [
            {
                "id": "f1",
                "path": "film.png",
                "sha256": hashlib.sha256(PNG).hexdigest(),
                "rows": ROWS,
                "cols": COLS,
                "scale": [
                    {
                        "kind": "known_file",
                        "points_px": [[20, 50], [420, 50]],
                        "trace_kind": "path",
                        "known_length_mm": 20.0,
                        "known_length_std_mm": 0.05,
                    }
                ],
            }
        ],
        "canals": [
            {
                "name": "MB",
                "reference_point": "cusp",
                "traces": [
                    {
                        "film": "f1",
                        "reference_px": [20, 60],
                        "path_px": [[20, 60], [460, 60]],
                        "apical_end": "radiographic apex",
                    }
                ],
            }
        ],
    }


@pytest.fixture
def save(tmp_path, body):
    def save(content=None, name="a.wl.json"):
        path = tmp_path / name
        path.write_bytes(
            content if isinstance(content, bytes) else json.dumps(body if content is None else content).encode()
        )
        return path

    return save


@pytest.fixture
def run(tmp_path, capsys):
    """Run one command in process: (status, stdout, stderr); whatever it is, it must leave the folder as it was."""

    def run(*arguments, changes=False):
        before = snapshot(tmp_path)
        try:
            status = main([str(argument) for argument in arguments])
        except SystemExit as stop:
            status = stop.code
        said = capsys.readouterr()
        if not changes:
            assert snapshot(tmp_path) == before
        return status, said.out, said.err

    return run


@pytest.fixture
def refused(run):
    """The one line that a bad input gives, with status 1 and nothing on stdout."""

    def refused(*arguments):
        status, out, err = run(*arguments)
        assert (status, out) == (1, ""), (status, out, err)
        assert err.startswith("wlmeasure: ")
        assert err.count("\n") == 1
        assert err.endswith("\n")
        assert "Traceback" not in err
        assert len(err) < 400
        return err

    return refused


def outside(*arguments, stdout=subprocess.PIPE, **variables):
    """The same as a process of its own; stdout is buffered, as a user's is."""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"} | variables
    environment.pop("PYTHONUNBUFFERED", None)
    command = [sys.executable, "-W", "error", "-m", "wlmeasure.cli", *(str(argument) for argument in arguments)]
    return subprocess.run(command, stdout=stdout, stderr=subprocess.PIPE, text=True, encoding="utf-8", env=environment)


def write_dicom(path, pixels=PICTURE, **attributes):
    dataset = pydicom.Dataset()
    dataset.SOPClassUID, dataset.SOPInstanceUID, dataset.Modality = "1.2.840.10008.5.1.4.1.1.1.3", "1.2.3.4", "IO"
    dataset.Rows, dataset.Columns = pixels.shape[:2]
    dataset.SamplesPerPixel, dataset.PhotometricInterpretation, dataset.PixelRepresentation = 1, "MONOCHROME2", 0
    dataset.BitsAllocated, dataset.BitsStored, dataset.HighBit = 16, 12, 11
    dataset.ImagerPixelSpacing = [0.050, 0.040]
    dataset.PixelData = pixels.tobytes()
    for keyword, value in attributes.items():
        setattr(dataset, keyword, value)
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset.file_meta.MediaStorageSOPClassUID = dataset.SOPClassUID
    dataset.file_meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
    pydicom.dcmwrite(path, dataset, enforce_file_format=True)
    return path


def png_header(rows, cols):
    """A PNG whose header promises a picture that the file does not hold."""
    chunks = [
        (b"IHDR", struct.pack(">IIBBBBB", cols, rows, 16, 0, 0, 0, 0)),
        (b"IDAT", zlib.compress(b"\0")),
        (b"IEND", b""),
    ]
    parts = [struct.pack(">I", len(d)) + n + d + struct.pack(">I", zlib.crc32(n + d)) for n, d in chunks]
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)


# --- usage --------------------------------------------------------------------------------------------------------------


def test_help_names_every_command_and_ends_with_0(run):
    status, out, err = run("--help")
    assert (status, err) == (0, "")
    for word in ("demo", "read", "measure", "report", "phantom", "--version"):
        assert word in out
    for word in ("demo", "read", "measure", "report", "phantom"):
        status, out, err = run(word, "--help")
        assert (status, err) == (0, "")
        assert out.startswith(f"usage: wlmeasure {word}")


def test_version(run):
    assert run("--version") == (0, f"wlmeasure {__version__}\n", "")


@pytest.mark.parametrize(
    "arguments",
    [(), ("guess",), ("measure",), ("read",), ("report", "a.wl.json"), ("measure", "a", "b"), ("read", "a", "--xml")],
)
def test_wrong_usage_is_2_with_the_usage_on_stderr(run, arguments):
    status, out, err = run(*arguments)
    assert (status, out) == (2, "")
    assert err.startswith("usage: wlmeasure")


# --- read ---------------------------------------------------------------------------------------------------------------


def test_read_a_png(run, body, tmp_path):
    status, out, err = run("read", tmp_path / "film.png")
    assert (status, err) == (0, "")
    assert "480 rows x 300 columns" in out
    assert hashlib.sha256(PNG).hexdigest() in out
    status, out, err = run("read", tmp_path / "film.png", "--json")
    data = json.loads(out)
    assert (data["rows"], data["cols"], data["bits"], data["format"]) == (480, 300, 16, "PNG")
    assert (data["spacings"], data["col_over_row"]) == ([], 1.0)
    assert out.count("\n") == 1


def test_read_a_dicom_with_unequal_spacing(run, tmp_path):
    path = write_dicom(tmp_path / "film.dcm")
    status, out, err = run("read", path)
    assert (status, err) == (0, "")
    assert "ImagerPixelSpacing: 0.05 mm from row to row, 0.04 mm from column to column" in out
    data = json.loads(run("read", path, "--json")[1])
    (claim,) = data["spacings"]
    assert (claim["claim"], claim["row_mm"], claim["col_mm"], claim["trust"]) == (
        "ImagerPixelSpacing",
        0.05,
        0.04,
        "detector",
    )
    assert data["col_over_row"] == pytest.approx(0.8)


def test_a_wrong_extension_is_read_by_content_and_said(run, tmp_path, body):
    (tmp_path / "film.dcm").write_bytes(PNG)
    status, out, _ = run("read", tmp_path / "film.dcm")
    assert status == 0
    assert "read as PNG" in out
    body["films"][0]["path"] = "film.dcm"
    (tmp_path / "a.wl.json").write_text(json.dumps(body))
    status, out, _ = run("measure", tmp_path / "a.wl.json", "--json")
    assert status == 0
    assert "read as PNG" in json.dumps(json.loads(out)["films"][0]["warnings"])


# --- measure ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["straight", "two_films", "s_curved"])
def test_measure_prints_the_record_and_one_json_object(run, name):
    from wlmeasure.record.evaluate import evaluate
    from wlmeasure.record.over_time import over_time

    path = SAMPLES / "cases" / f"{name}.wl.json"
    result = evaluate(load_case(path))
    compared = over_time(result)
    assert run("measure", path) == (0, record_text(result, compared), "")
    status, out, err = run("measure", path, "--json")
    assert (status, err, out.count("\n")) == (0, "", 1)
    assert json.loads(out) == json.loads(json.dumps(result_json(result, compared)))


def test_measure_takes_a_scale_from_a_files_taper_and_proposes_no_length_from_it(run, tmp_path):
    """The sample film without a stop, its file clicked at the picture's edge and the tip: true scale 0.01967 mm per pixel."""
    film = SAMPLES / "films" / "ref_stop_outside.png"
    truth = np.genfromtxt(SAMPLES / "truth" / "ref_stop_outside_file.csv", delimiter=",", names=True)
    line = np.column_stack([truth["row_px"], truth["col_px"]])
    line = line[(line > 2.0).all(axis=1)]
    case = json.loads((SAMPLES / "cases" / "straight.wl.json").read_text(encoding="utf-8"))
    taper = {"kind": "file_taper", "points_px": line[[0, -1]].tolist(), "trace_kind": "clicks", "file_size": 15}
    one = {"id": "f1", "path": str(film), "sha256": hashlib.sha256(film.read_bytes()).hexdigest()}
    case["films"] = [one | {"rows": 1500, "cols": 1000, "scale": [taper]}]
    trace = {"film": "f1", "clicks_px": line[[len(line) // 3, -1]].tolist(), "apical_end": "file tip"}
    case["canals"] = [{"name": "single", "reference_point": "top", "traces": [trace]}]
    path = tmp_path / "taper.wl.json"
    path.write_text(json.dumps(case), encoding="utf-8")
    status, out, err = run("measure", path)
    assert (status, err) == (0, "")
    assert "from taper of the file" in out
    assert "a length by it is preliminary and gives no working length" in out
    result = json.loads(run("measure", path, "--json")[1])
    assert result["films"][0]["method"] == "taper of the file"
    assert result["films"][0]["rel_std"] > 0.15
    assert result["canals"][0]["working_length"]["length_mm"] is None


def test_a_taper_that_cannot_be_measured_names_the_case_and_the_film(run, tmp_path):
    """A file of 60 rows is too short to measure its thickness along."""
    film = SAMPLES / "films" / "ref_stop_outside.png"
    case = json.loads((SAMPLES / "cases" / "straight.wl.json").read_text(encoding="utf-8"))
    line = [[300, 500], [360, 500]]
    taper = {"kind": "file_taper", "points_px": line, "trace_kind": "path", "file_size": 15}
    one = {"id": "f1", "path": str(film), "sha256": hashlib.sha256(film.read_bytes()).hexdigest()}
    case["films"] = [one | {"rows": 1500, "cols": 1000, "scale": [taper]}]
    case["canals"] = []
    path = tmp_path / "short.wl.json"
    path.write_text(json.dumps(case | {"entries": []}), encoding="utf-8")
    status, _, err = run("measure", path)
    assert status == 1
    assert err.startswith("wlmeasure: short.wl.json: films[0].scale[0]: ")


def test_measure_again_says_how_far_a_new_tracing_differs(run, save, body):
    body["canals"][0]["traces"][0]["clicks_px"] = [[20, 60], [460, 60]]
    path = save()
    assert json.loads(run("measure", path, "--json")[1])["canals"][0]["retraced_difference_mm"] is None
    difference = json.loads(run("measure", path, "--json", "--retrace")[1])["canals"][0]["retraced_difference_mm"]
    assert isinstance(difference, float)
    assert "traced anew" in run("measure", path, "--retrace")[1]


def test_relative_paths_start_at_the_case_file_and_not_at_the_shell(run, save, tmp_path, monkeypatch):
    save()
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    assert run("measure", Path("..") / "a.wl.json")[0] == 0


# --- report and demo ------------------------------------------------------------------------------------------------------


def test_report_writes_one_page_and_prints_its_name(run, save, tmp_path):
    path, out = save(), tmp_path / "page.html"
    before = snapshot(tmp_path)
    assert run("report", path, "--out", out, changes=True) == (0, f"{out}\n", "")
    page = out.read_text(encoding="utf-8")
    assert page.startswith("<!doctype html>")
    assert f"wlmeasure {__version__}" in page
    assert {name: found for name, found in snapshot(tmp_path).items() if name != "page.html"} == before


def test_the_stops_alone_in_the_users_number_format(run, save, tmp_path):
    out = tmp_path / "stops.html"
    assert run("report", save(), "--stops", "--decimal-comma", "--out", out, changes=True) == (0, f"{out}\n", "")
    page = out.read_text(encoding="utf-8")
    assert "proposed, not decided" in page
    assert ">20,5<" in page
    assert "irrigation needle, 2,0 short" in page
    assert "Rounded down to 0,5 mm, never up." in page


def test_no_stops_card_without_a_stop_and_one_line_why(refused, save, body, tmp_path):
    """A length from the orifice is no working length, so nothing is written that a stop could be set by."""
    del body["canals"][0]["traces"][0]["reference_px"]
    said = refused("report", save(), "--stops", "--out", tmp_path / "stops.pdf")
    assert "none has one: MB: the coronal reference point is not marked on the film" in said
    assert not (tmp_path / "stops.pdf").exists()


def test_report_writes_pdf_by_the_ending(run, save, tmp_path):
    out = tmp_path / "page.PDF"
    assert run("report", save(), "--out", out, changes=True) == (0, f"{out}\n", "")
    assert out.read_bytes().startswith(b"%PDF-")


@pytest.mark.parametrize("name", ["page", "page.txt", "page.svg"])
def test_report_refuses_what_it_cannot_write(refused, save, tmp_path, name):
    said = refused("report", save(), "--out", tmp_path / name)
    assert f"a page's name must end in .html or .pdf: {name}" in said


def test_an_output_that_cannot_be_written_is_one_line(refused, save, tmp_path):
    path = save()
    assert "No such file or directory" in refused("report", path, "--out", tmp_path / "none" / "page.html")
    (tmp_path / "d.html").mkdir()
    assert "it is a folder; name a file in it" in refused("report", path, "--out", tmp_path / "d.html")


def test_markup_in_every_text_stays_text_in_the_page(run, save, body, tmp_path):
    folder = tmp_path / "<b>&'x'"
    folder.mkdir()
    (folder / "film.png").write_bytes(PNG)
    body["case_id"] = EVIL
    body["films"][0]["path"] = "<b>&'x'/film.png"
    body["canals"][0] |= {
        "name": EVIL,
        "reference_point": EVIL,
        "decision": {"length_mm": 20.5, "by": EVIL, "at": "2026-11-25T10:30", "reason": EVIL},
    }
    out = tmp_path / "page.html"
    assert run("report", save(), "--out", out, changes=True)[0] == 0
    page = out.read_text(encoding="utf-8")
    assert "<script" not in page.lower()
    assert "<b>&'x'" not in page
    assert page.count(html.escape(EVIL)) >= 5


def test_demo_writes_the_whole_case_and_says_the_truth(run, tmp_path):
    folder = tmp_path / "demo"
    status, out, err = run("demo", "--out", folder, changes=True)
    assert (status, err) == (0, "")
    assert "LENGTH RECORD   tooth 46" in out
    assert len(out.splitlines()) <= 84  # decision, stop and proposal have a line each
    written = out.rsplit("Written: ", 1)[1].strip().split(", ")
    assert all(Path(name).is_file() for name in written)
    assert {Path(name).name for name in written} >= {
        "case.wl.json",
        "report.html",
        "report.pdf",
        "stops.pdf",
        "f1.svg",
        "lengths.csv",
    }
    again = json.loads(run("measure", folder / "case.wl.json", "--json", changes=True)[1])
    lengths = [float(text) for text in re.findall(r"measured ([0-9.]+) mm", out)]
    assert [canal["length_mm"] for canal in again["canals"]] == pytest.approx(lengths, abs=0.005)
    assert len(lengths) == 3


def test_demo_never_writes_over_another_case(run, save, tmp_path):
    """Its files may lie where somebody works; their case stays, and the demonstration's own is renewed."""
    for content in (None, b"not even JSON"):
        save(content, "case.wl.json")
        status, _, err = run("demo", "--out", tmp_path)
        assert status == 1
        assert "must not be written over: another case stands there; choose another folder" in err
    assert run("demo", "--out", tmp_path / "own", changes=True)[0] == 0
    assert run("demo", "--out", tmp_path / "own", changes=True)[0] == 0


def test_demo_where_nothing_can_be_written_is_one_line(run, tmp_path):
    (tmp_path / "taken").write_text("a file")
    status, _, err = run("demo", "--out", tmp_path / "taken")
    assert status == 1
    assert err.startswith("wlmeasure: ")
    assert err.count("\n") == 1


# --- bad images -----------------------------------------------------------------------------------------------------------

BAD_IMAGES = {
    "not an image": (b"just some words, no picture", "PNG, TIFF, JPEG, BMP or DICOM"),
    "zero bytes": (b"", "zero bytes"),
    "truncated": (PNG[: len(PNG) // 2], "truncated"),
    "another format": (b"%PDF-1.7 ...", "PDF"),
    "coloured": (COLOUR, "colour"),
    "over 48 megapixels": (png_header(20_000, 20_000), "48 megapixels"),
}


@pytest.mark.parametrize("what", BAD_IMAGES)
def test_bad_images_are_one_clear_line(refused, save, body, tmp_path, what):
    content, message = BAD_IMAGES[what]
    (tmp_path / "film.png").write_bytes(content)
    said = refused("read", tmp_path / "film.png")
    assert said.startswith("wlmeasure: film.png: ")
    assert message in said
    body["films"][0]["sha256"] = hashlib.sha256(content).hexdigest()  # of another file nothing would be said
    path = save()
    assert message in refused("measure", path)
    assert message in refused("report", path, "--out", tmp_path / "page.html")


def test_an_image_that_is_not_there(refused, save, tmp_path):
    assert "nothing there" in refused("read", tmp_path / "none.png")
    path = save()
    (tmp_path / "film.png").unlink()
    assert "film.png: path must be an image file: nothing there" in refused("measure", path)
    assert "a directory or device" in refused("read", tmp_path)


def test_an_image_that_changed_since_the_case_was_saved(refused, save, tmp_path):
    path = save()
    (tmp_path / "film.png").write_bytes(cv2.imencode(".png", PICTURE + 1)[1].tobytes())
    said = refused("measure", path)
    assert "film f1 (film.png) must be the image the case was made on" in said
    assert "restore the image or start a new case" in said


@pytest.mark.parametrize(
    ("attributes", "message"),
    [
        (
            {"SamplesPerPixel": 1, "PhotometricInterpretation": "HSV"},
            "PhotometricInterpretation must be one of MONOCHROME1, MONOCHROME2",
        ),
        ({"PixelData": PICTURE.tobytes()[:1000]}, "truncated"),
    ],
)
def test_bad_dicom_is_one_clear_line(refused, save, body, tmp_path, attributes, message):
    path = write_dicom(tmp_path / "film.dcm", **attributes)
    assert message in refused("read", path)
    body["films"][0] |= {"path": "film.dcm", "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}
    assert message in refused("measure", save())


def test_a_frame_is_asked_for_and_kept_in_the_case(run, refused, save, body, tmp_path):
    path = write_dicom(tmp_path / "film.dcm", NumberOfFrames=2, PixelData=PICTURE.tobytes() * 2)
    assert refused("read", path) == (
        "wlmeasure: film.dcm: frame must be named: NumberOfFrames is 2; say which, --frame 1 to --frame 2\n"
    )
    assert "frame must be a whole number from 1 to 2: 3" in refused("read", path, "--frame", 3)
    assert ", frame 2 of 2\n" in run("read", path, "--frame", 2)[1]
    body["films"][0] |= {"path": "film.dcm", "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}
    assert "film f1 must name the frame of film.dcm, 1 to 2: none" in refused("measure", save())
    body["films"][0] |= {"frame": 2}
    assert "film.dcm, frame 2" in run("measure", save())[1]


def test_a_spacing_of_0_is_no_scale_when_the_case_asks_for_it(refused, run, save, body, tmp_path):
    path = write_dicom(tmp_path / "film.dcm", ImagerPixelSpacing=[0, 0])
    status, out, _ = run("read", path)
    assert status == 0
    assert "ImagerPixelSpacing must be two finite numbers > 0" in out
    body["films"][0] |= {
        "path": "film.dcm",
        "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        "scale": [{"kind": "spacing", "claim": "ImagerPixelSpacing"}],
    }
    said = refused("measure", save())
    assert "films[0].scale[0]: claim must be a spacing that the image has (none)" in said


# --- bad cases ------------------------------------------------------------------------------------------------------------


def put(*path_and_value):
    """A change of one member, by its path."""
    *path, last, value = path_and_value

    def change(body):
        holder = body
        for key in path:
            holder = holder[key]
        if value is ...:
            del holder[last]
        else:
            holder[last] = value

    return change


SCALE = ("films", 0, "scale", 0)
TRACE = ("canals", 0, "traces", 0)
READINGS = ("canals", 0, "electronic_readings")


def reading(length):
    return [{"length_mm": length, "mark": "foramen"}]


def entered(length):
    return [{"id": "e1", "kind": "electronic reading", "by": "NB", "length_mm": length, "finding": "foramen"}]


BAD_CASES = {
    "no point": (put(*TRACE, "path_px", []), "canals[0].traces[0].path_px must hold 2 to 100000 points: 0"),
    "one point": (put(*TRACE, "path_px", [[20, 60]]), "canals[0].traces[0].path_px must hold 2 to 100000 points: 1"),
    "one point of the file": (put(*SCALE, "points_px", [[20, 50]]), "films[0].scale[0].points_px must hold 2"),
    "a point of one number": (put(*TRACE, "path_px", [[20], [30, 40]]), "path_px[0] must be a pair of numbers"),
    "a textual point": (put(*TRACE, "path_px", [[20, "60"], [30, 40]]), "path_px[0][1] must be a number: '60'"),
    "a point outside": (put(*TRACE, "path_px", [[20, 60], [480, 60]]), "canals[0].traces[0]: path_px must lie inside"),
    "a file's point outside": (
        put(*SCALE, "points_px", [[-1, 50], [420, 50]]),
        "films[0].scale[0]: points_px must lie",
    ),
    "a point twice": (put(*TRACE, "path_px", [[20, 60], [20, 60]]), "canals[0].traces[0]: path_px must not repeat"),
    "a file's point twice": (put(*SCALE, "points_px", [[20, 50], [20, 50]]), "films[0].scale[0]: points_px must not"),
    "a length of zero": (put(*SCALE, "known_length_mm", 0), "films[0].scale[0].known_length_mm must be >= 1: 0"),
    "a negative length": (put(*SCALE, "known_length_mm", -21), "known_length_mm must be >= 1: -21"),
    "a textual length": (put(*SCALE, "known_length_mm", "21,5"), "known_length_mm must be a number: '21,5'"),
    "a length below 1 mm": (put(*SCALE, "known_length_mm", 0.99), "known_length_mm must be >= 1: 0.99"),
    "a length above 60 mm": (put(*SCALE, "known_length_mm", 60.01), "known_length_mm must be <= 60: 60.01"),
    "a reading of zero": (put(*READINGS, reading(0)), "canals[0].electronic_readings[0].length_mm must be >= 1: 0"),
    "a negative reading": (put(*READINGS, reading(-3)), "electronic_readings[0].length_mm must be >= 1: -3"),
    "a textual reading": (put(*READINGS, reading("21")), "electronic_readings[0].length_mm must be a number: '21'"),
    "a reading above 60 mm": (put(*READINGS, reading(61)), "electronic_readings[0].length_mm must be <= 60: 61"),
    "an entry of zero": (put("entries", entered(0)), "entries[0].length_mm must be >= 1: 0"),
    "a textual entry": (put("entries", entered("21")), "entries[0].length_mm must be a number: '21'"),
    "an entry above 60 mm": (put("entries", entered(61)), "entries[0].length_mm must be <= 60: 61"),
    "no tooth": (put("tooth", ...), "tooth is missing"),
    "no film": (put("films", []), "films must hold 1 to 50 items: 0"),
    "a film without hash": (put("films", 0, "sha256", ...), "films[0].sha256 is missing"),
    "films of the wrong type": (put("films", {}), "films must be a list"),
    "rows as a text": (put("films", 0, "rows", "480"), "films[0].rows must be a whole number: '480'"),
    "rows of another image": (put("films", 0, "rows", 481), "films[0].rows and cols must be those of the image"),
    "an unknown kind of scale": (put(*SCALE, "kind", "ruler"), "films[0].scale[0].kind must be one of"),
    "an unknown end": (put(*TRACE, "apical_end", "tip"), "canals[0].traces[0].apical_end must be one of"),
    "an unknown film": (put(*TRACE, "film", "f2"), "canals[0].traces[0].film must be the id of a film (f1): 'f2'"),
    "no schema": (put("schema", ...), "schema must be 'wlmeasure-case/2'"),
    "a newer schema": (put("schema", "wlmeasure-case/3"), "it comes from a newer version; update wlmeasure"),
    "a schema that is no text": (put("schema", 1), "is it a case file?"),
}


@pytest.mark.parametrize("what", BAD_CASES)
def test_bad_cases_are_one_clear_line(refused, save, body, what):
    change, message = BAD_CASES[what]
    change(body)
    assert message in refused("measure", save())


@pytest.mark.parametrize(
    ("token", "message"),
    [
        ("NaN", "numbers must be finite: the file holds NaN"),
        ("Infinity", "numbers must be finite: the file holds Infinity"),
        ("-Infinity", "numbers must be finite: the file holds -Infinity"),
        ("1e999", "must be a finite number: inf"),
        ("-1e999", "must be a finite number: -inf"),
        ("1" * 5000, "thousands of digits"),
        ("1" * 400, "must be a finite number: 1111"),
    ],
)
@pytest.mark.parametrize("place", ["length", "point", "reading", "unknown member"])
def test_numbers_that_are_not_finite(refused, run, save, body, token, message, place):
    body["canals"][0]["electronic_readings"] = reading(21.5)
    mark = 12345.678
    change = {
        "length": put(*SCALE, "known_length_mm", mark),
        "point": put(*TRACE, "path_px", [[20, 60], [mark, 60]]),
        "reading": put(*READINGS, reading(mark)),
        "unknown member": put("films", 0, "later", mark),
    }[place]
    change(body)
    path = save(json.dumps(body).replace(str(mark), token).encode())
    if place == "unknown member" and token == "1" * 400:
        assert run("measure", path)[0] == 0  # a whole number of 400 digits is JSON and is kept as it stands
        return
    assert message in refused("measure", path)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "a.wl.json must be JSON"),
        (PNG, "a.wl.json must be UTF-8 text"),
        (b"tooth: 46", "a.wl.json must be JSON"),
        ('{"tooth": "46\u00e9"}'.encode("latin-1"), "a.wl.json must be UTF-8 text"),
        (b"[]", "a.wl.json must be a JSON object"),
        (b"null", "a.wl.json must be a JSON object"),
        (b"[" * 200_000 + b"]" * 200_000, "nested too deeply"),
        (b'{"tooth": "46", "tooth": "47"}', "member 'tooth' must stand once"),
    ],
)
def test_files_that_are_no_case(refused, save, tmp_path, content, message):
    path = save(content)
    assert message in refused("measure", path)
    assert message in refused("report", path, "--out", tmp_path / "page.html")


def test_a_case_that_is_not_there_or_a_folder(refused, tmp_path):
    assert "none.wl.json cannot be read: No such file or directory" in refused("measure", tmp_path / "none.wl.json")
    (tmp_path / "d.wl.json").mkdir()
    assert "d.wl.json cannot be read: Is a directory" in refused("measure", tmp_path / "d.wl.json")


@pytest.mark.parametrize("text", ["a\nWORKING LENGTH   9.0 mm", "\x1b[2J", "\ud800"])
def test_texts_that_would_write_into_the_terminal(refused, save, body, text):
    body["canals"][0]["name"] = text
    assert "canals[0].name must be " in refused("measure", save())


@pytest.mark.parametrize("length", [9.5, 34.0])
def test_unusual_lengths_are_flagged_and_measured(run, save, body, length):
    """Outside 10 to 33 mm (common practice): a flag on the result, never a refusal."""
    body["films"][0]["scale"][0]["known_length_mm"] = length
    body["canals"][0] |= {"electronic_readings": reading(length) * 3}
    status, out, err = run("measure", save(), "--json")
    assert (status, err) == (0, "")
    data = json.loads(out)
    assert "file-length-unusual" in [warning["code"] for warning in data["films"][0]["warnings"]]
    assert "length-unusual" in [flag["code"] for flag in data["canals"][0]["working_length"]["flags"]]


# --- as a process of its own ----------------------------------------------------------------------------------------------


def test_a_process_ends_with_the_same_statuses_and_streams(save, body, tmp_path):
    good = outside("measure", save())
    assert (good.returncode, good.stderr) == (0, "")
    proposed = "proposed 20.6 mm (19.2 to 21.9)  to the estimated constriction  film only"
    assert f"WORKING LENGTH   not decided; {proposed}" in good.stdout
    broken = copy.deepcopy(body)
    broken["tooth"] = "99"
    bad = outside("measure", save(broken, "b.wl.json"))
    assert (bad.returncode, bad.stdout, bad.stderr.count("\n")) == (1, "", 1)
    assert "Traceback" not in bad.stderr
    (tmp_path / "film.png").write_bytes(PNG[:5000])
    cut = outside("read", tmp_path / "film.png")
    assert (cut.returncode, cut.stdout, cut.stderr.count("\n")) == (1, "", 1)
    usage = outside()
    assert (usage.returncode, usage.stdout) == (2, "")
    assert usage.stderr.startswith("usage: wlmeasure")


@pytest.mark.parametrize("option", [(), ("--json",)], ids=["text", "json"])
def test_a_reader_that_goes_away_is_no_complaint(save, option):
    """`wlmeasure measure ... | head -0`: the pipe is closed before anything is written, short output or long."""
    reading_end, writing_end = os.pipe()
    os.close(reading_end)
    try:
        done = outside("measure", save(), *option, stdout=writing_end)
    finally:
        os.close(writing_end)
    assert (done.returncode, done.stderr) == (141, "")  # as a shell counts SIGPIPE


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="only Linux has a disk that is always full")
def test_a_full_disk_is_one_line_and_status_1(save):
    with Path("/dev/full").open("w") as full:
        done = outside("measure", save(), stdout=full)
    assert (done.returncode, done.stderr) == (1, "wlmeasure: No space left on device\n")


def test_an_output_that_cannot_hold_a_sign_is_one_line(save):
    done = outside("measure", save(), PYTHONIOENCODING="ascii")
    assert (done.returncode, done.stderr.count("\n")) == (1, 1)
    assert "output must be able to hold '\\xb1', but its encoding is ascii; set PYTHONUTF8=1" in done.stderr


# Names of the libraries a command loads; each costs start-up time, which is a feature here.
DATABASES = ("sqlalchemy", "alembic", "pg8000", "sqlite3", "_sqlite3")
HEAVY = ("numpy", "attrs", "cv2", "pydicom", "skimage", "scipy", "pandas", "PIL", "napari", "typing", *DATABASES)


def loaded(code, *arguments):
    """Top-level names that `code` leaves in sys.modules."""
    script = f"import sys\n{code}\nprint('LOADED', *sorted({{name.split('.')[0] for name in sys.modules}}))"
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-I", "-c", f"import sys; sys.path.insert(0, {str(ROOT)!r})\n{script}", *arguments],
        capture_output=True,
        text=True,
        env=environment,
        check=True,
    )
    return set(done.stdout.rsplit("LOADED", 1)[1].split())


def test_the_command_line_itself_loads_nothing_heavy():
    assert not loaded("import wlmeasure.cli") & set(HEAVY)
    assert not loaded("import wlmeasure.cli\ntry: wlmeasure.cli.main(['--help'])\nexcept SystemExit: pass") & set(HEAVY)
    assert not loaded("import wlmeasure.cli\nwlmeasure.cli.main(['--version'])") & set(HEAVY)
    record = "import wlmeasure.cli\ntry: wlmeasure.cli.main(['record', 'add', '--help'])\nexcept SystemExit: pass"
    assert not loaded(record) & set(HEAVY)


def test_reading_a_png_loads_no_dicom_and_no_skimage(body, tmp_path):
    names = loaded(f"import wlmeasure.cli\nassert wlmeasure.cli.main(['read', {str(tmp_path / 'film.png')!r}]) == 0")
    assert not names & {"pydicom", "skimage", "scipy", "pandas", "PIL", "napari", *DATABASES}
    assert "cv2" in names


def test_measuring_a_png_loads_no_scipy_and_no_dicom():
    """The clicks of this sample are traced, so every room takes part."""
    case = str(SAMPLES / "cases" / "s_curved.wl.json")
    names = loaded(f"import wlmeasure.cli\nassert wlmeasure.cli.main(['measure', {case!r}]) == 0")
    assert not names & {"scipy", "pydicom", "pandas", "PIL", "napari", "matplotlib", *DATABASES}


def test_neither_help_nor_measuring_a_stored_path_loads_the_network(tmp_path):
    """`loaded` names packages alone, and OpenCV is there anyway: here it is the room that is asked for."""
    fresh = accept_paths(evaluate(load_case(SAMPLES / "cases" / "s_curved.wl.json")))
    case = str(tmp_path / "stored.wl.json")
    films = tuple(evolve(film, path=str(fresh.film_path(film).resolve())) for film in fresh.films)
    save_case(evolve(fresh, films=films), case)
    asked = "assert not [name for name in sys.modules if name.startswith(('wlmeasure.detect', 'wlmeasure.study'))]"
    loaded(f"import wlmeasure.cli\nassert wlmeasure.cli.main(['measure', {case!r}]) == 0\n{asked}")
    words = "import wlmeasure.cli\ntry: wlmeasure.cli.main(['propose', '--help'])\nexcept SystemExit: pass"
    assert not loaded(f"{words}\n{asked}") & set(HEAVY)


def test_open_starts_the_viewer_on_the_files_named(monkeypatch):
    """The word is there, and hands its files to the plugin's own program."""
    import runpy

    started = []
    monkeypatch.setattr(sys, "argv", list(sys.argv))
    monkeypatch.setattr(runpy, "run_module", lambda name, run_name: started.append((name, run_name, sys.argv[1:])))
    assert main(["open", "film.png", "case.wl.json"]) == 0
    assert started == [("wlmeasure_napari", "__main__", ["film.png", "case.wl.json"])]


# --- phantom ------------------------------------------------------------------------------------------------------------


def test_phantom_writes_films_that_read_reads_and_the_truth_beside_them(run, tmp_path):
    status, out, err = run("phantom", tmp_path / "films", "--seed", 1003, "--level", "clear", changes=True)
    assert (status, err) == (0, "")
    image, paths = (Path(line) for line in out.splitlines())
    made = ["film_0001.png", "film_0001.truth.json", "truth.wlpaths.json"]
    assert sorted(path.name for path in (tmp_path / "films").iterdir()) == made
    assert paths.name == made[-1]
    truth = json.loads((tmp_path / "films" / "film_0001.truth.json").read_text(encoding="utf-8"))
    assert (truth["schema"], truth["image"], truth["level"]) == ("wlmeasure-phantom/1", image.name, "clear")
    status, out, err = run("read", image, "--json")
    assert (status, err) == (0, "")
    assert (json.loads(out)["rows"], json.loads(out)["cols"]) == (truth["rows"], truth["cols"])


def test_phantom_never_writes_over_films(refused, tmp_path):
    (tmp_path / "film_0007.truth.json").write_text("{}")
    assert "folder must hold no films yet" in refused("phantom", tmp_path)


@pytest.mark.parametrize(("option", "value"), [("--count", 0), ("--count", 10**6), ("--seed", -1)])
def test_phantom_refuses_numbers_out_of_range(refused, tmp_path, option, value):
    assert f"{option[2:]} must be" in refused("phantom", tmp_path / "films", option, value)


def test_phantom_knows_the_levels_of_its_room(run, tmp_path):
    from wlmeasure.cli import PHANTOM_LEVELS
    from wlmeasure.phantom.anatomy import LEVELS

    assert tuple(LEVELS) == PHANTOM_LEVELS
    assert run("phantom", tmp_path / "films", "--level", "easy")[0] == 2
    assert run("phantom", tmp_path / "films", "--count", "two")[0] == 2


def test_phantom_hands_its_wishes_to_the_films(run, tmp_path):
    """Every tooth under a crown, a veil of a fifth, canals that join and bend smoothly: the truth says so of each film."""
    wishes = ("--count", 2, "--seed", 1005, "--confluent", 1, "--cap", 1.0, "--scatter", 0.2, "--ramp", 0.5)
    assert run("phantom", tmp_path / "films", *wishes, changes=True)[0] == 0
    for path in sorted((tmp_path / "films").glob("*.truth.json")):
        truth = json.loads(path.read_text(encoding="utf-8"))
        assert (truth["cap"] in ("metal", "veneered"), truth["scatter"], truth["ramp_mm"]) == (True, 0.2, 0.5)
        of_root = [canal["root"] for canal in truth["canals"]]
        pairs = sum(of_root.count(root) == 2 for root in set(of_root))
        assert sum(canal["joins"] is not None for canal in truth["canals"]) == pairs


@pytest.mark.parametrize(
    ("option", "value", "said"),
    [("--confluent", 2, "confluent"), ("--cap", -1, "cap"), ("--scatter", 3, "scatter"), ("--ramp", 9, "ramp")],
)
def test_phantom_refuses_wishes_before_it_makes_a_folder(refused, tmp_path, option, value, said):
    assert f"{said} must be 0 to" in refused("phantom", tmp_path / "films", option, value)
    assert not (tmp_path / "films").exists()


def test_phantom_into_a_file_is_one_line(refused, save):
    assert "a.wl.json" in refused("phantom", save())


def test_deidentify_says_what_it_did_or_why_not(run, refused, tmp_path):
    from pydicom.data import get_testdata_file

    film = get_testdata_file("CT_small.dcm")
    assert "--no-text-in-pixels" in refused("deidentify", film, "--out", tmp_path / "out")
    status, out, _ = run("deidentify", film, "--out", tmp_path / "out", "--no-text-in-pixels", changes=True)
    assert status == 0
    assert out.startswith("1 file in ")
    assert (tmp_path / "out" / "0001.dcm").is_file()
    assert b"CompressedSamples" not in (tmp_path / "out" / "0001.dcm").read_bytes()  # the patient's name there


def test_every_command_of_the_readme_is_one(capsys):
    """No command is promised that the program does not know, and none is kept from the reader."""
    text = (Path(__file__).resolve().parents[1] / "README.md").read_text(encoding="utf-8")
    promised = set(re.findall(r"^\| `wlmeasure (\w+)", text, re.MULTILINE))
    with pytest.raises(SystemExit):
        main(["--help"])
    known = set(re.findall(r"^    (\w+) {2,}|^    (\w+)$", capsys.readouterr().out, re.MULTILINE))
    assert promised == {a or b for a, b in known} - {"COMMAND"}
    for word in promised:
        with pytest.raises(SystemExit) as stop:
            main([word, "--help"])
        assert stop.value.code == 0


def test_films_lists_a_folder_in_words_and_json(run, refused, tmp_path):
    write_dicom(tmp_path / "film.dcm")
    (tmp_path / "cut.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    status, out, err = run("films", tmp_path)
    assert (status, err) == (0, "")
    assert "film.dcm\n" in out
    assert "! cut.png: PNG file is damaged" in out
    assert out.endswith("1 film\n")
    data = json.loads(run("films", tmp_path, "--json")[1])
    assert data["schema"] == "wlmeasure-films/1"
    assert [bool(film["refused"]) for film in data["films"]] == [False, True]
    assert "nowhere must be a folder or a DICOMDIR: nothing there" in refused("films", tmp_path / "nowhere")
    assert "wlmeasure films lists those in a folder" in refused("read", tmp_path)


MOLAR = ("compare", ROOT / "sample_images" / "cases" / "molar.wl.json")


def test_compare_carries_marks_and_draws_them(run, tmp_path):
    out = tmp_path / "f2_on_f4.svg"
    said = json.loads(run(*MOLAR, "--from", "f2", "--to", "f4", "--json", "--out", out, changes=True)[1])
    assert said["verdict"] == "fits"
    assert {(mark["canal"], mark["mark"]) for mark in said["carried"]} == {
        (canal, mark) for canal in ("MB", "D") for mark in ("apical end", "reference point")
    }
    assert out.read_text().startswith("<svg")


def test_compare_says_why_films_do_not_fit(run, refused, tmp_path):
    assert "projections differ" in run(*MOLAR, "--from", "f2", "--to", "f3")[1]
    refused(*MOLAR, "--from", "f2", "--to", "f3", "--out", tmp_path / "a.svg")
    refused(*MOLAR, "--from", "f2", "--to", "f9")
    refused(*MOLAR, "--from", "f2", "--to", "f4", "--mark", "1,2=3")
