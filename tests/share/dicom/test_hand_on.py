"""`wlmeasure share` and reading a report back, from outside: what is written, what is refused and in which words."""

import csv
import hashlib
import json
import subprocess
import sys
from pathlib import Path

import pydicom
import pytest

from wlmeasure import cli
from wlmeasure.record.case import save_case
from wlmeasure.share import hand_on
from wlmeasure.share.paths import PATHS_SCHEMA, paths_json

ROOT = Path(__file__).resolve().parents[3]
TWO_FILMS = ROOT / "sample_images" / "cases" / "two_films.wl.json"


@pytest.fixture
def case(on_dicom, tmp_path):
    """A case file on one DICOM film."""
    result = on_dicom()
    save_case(result.case, tmp_path / "a.wl.json")
    return tmp_path / "a.wl.json"


@pytest.fixture
def share(capsys, tmp_path):
    """A function from arguments to (status, lines on stdout, stderr), run in the process."""

    def share(*arguments):
        try:
            status = cli.main(["share", *map(str, arguments)])
        except SystemExit as stop:
            status = stop.code
        said = capsys.readouterr()
        return status, said.out.splitlines(), said.err

    return share


@pytest.fixture
def refused(share, tmp_path):
    """The one line that a wish which cannot be met gives; nothing is written."""

    def refused(*arguments):
        before = sorted(tmp_path.iterdir())
        status, out, err = share(*arguments)
        assert (status, out) == (1, [])
        assert err.startswith("wlmeasure: ")
        assert err.count("\n") == 1
        assert sorted(tmp_path.iterdir()) == before
        return err

    return refused


def test_the_forms_are_the_ones_of_the_room():
    assert cli.SHARE_FORMS == hand_on.FORMS


@pytest.mark.parametrize(
    ("form", "sop_class"),
    [
        ("sr", "1.2.840.10008.5.1.4.1.1.88.33"),
        ("presentation", "1.2.840.10008.5.1.4.1.1.11.1"),
        ("calibrated", "1.2.840.10008.5.1.4.1.1.1.3"),
    ],
)
def test_dicom_forms_of_a_dicom_film(share, case, tmp_path, form, sop_class):
    pytest.importorskip("highdicom", reason='the extra "dicom" is not installed')
    film = tmp_path / "film.dcm"
    before = hashlib.sha256(film.read_bytes()).hexdigest()
    status, out, err = share(case, "--as", form, "--out", tmp_path / "out.dcm")
    assert (status, out, err) == (0, [str(tmp_path / "out.dcm")], "")
    assert pydicom.dcmread(tmp_path / "out.dcm").SOPClassUID == sop_class
    assert hashlib.sha256(film.read_bytes()).hexdigest() == before


def test_a_report_on_pictures_brings_its_captures(share, tmp_path, faults):
    pytest.importorskip("highdicom", reason='the extra "dicom" is not installed')
    status, out, _ = share(TWO_FILMS, "--as", "sr", "--out", tmp_path / "r.dcm")
    names = ["r.dcm", "r_film1.dcm", "r_film2.dcm"]
    assert (status, out) == (0, [str(tmp_path / name) for name in names])
    report, *captures = (pydicom.dcmread(tmp_path / name) for name in names)
    (study,) = report.CurrentRequestedProcedureEvidenceSequence
    listed = {i.ReferencedSOPInstanceUID for s in study.ReferencedSeriesSequence for i in s.ReferencedSOPSequence}
    assert listed == {capture.SOPInstanceUID for capture in captures}
    assert {capture.StudyInstanceUID for capture in captures} == {report.StudyInstanceUID}
    for name in names:
        assert faults(tmp_path / name) == []


def test_a_calibrated_picture_brings_the_capture_it_comes_from(share, tmp_path, faults):
    status, out, _ = share(TWO_FILMS, "--as", "calibrated", "--film", "f2", "--out", tmp_path / "c.dcm")
    assert (status, out) == (0, [str(tmp_path / "c.dcm"), str(tmp_path / "c_film2.dcm")])
    copy, capture = (pydicom.dcmread(path) for path in out)
    assert copy.SourceImageSequence[0].ReferencedSOPInstanceUID == capture.SOPInstanceUID
    assert copy.PixelData == capture.PixelData
    assert [faults(Path(path)) for path in out] == [[], []]


def test_a_report_is_read_back(share, case, tmp_path, capsys):
    pytest.importorskip("highdicom", reason='the extra "dicom" is not installed')
    share(case, "--as", "sr", "--out", tmp_path / "one.dcm")
    share(case, "--as", "sr", "--previous", tmp_path / "one.dcm", "--out", tmp_path / "two.dcm")
    assert cli.main(["read", str(tmp_path / "two.dcm")]) == 0
    text = capsys.readouterr().out
    assert "tooth        46" in text
    assert f"replaces     {pydicom.dcmread(tmp_path / 'one.dcm').SOPInstanceUID}" in text
    assert "Path length, From the coronal reference point: 20.56 ± " in text  # 4 + 8.01 + 8.55
    assert cli.main(["read", str(tmp_path / "two.dcm"), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    written = json.loads(case.read_text("utf-8"))
    assert "decided working length" in {entry["kind"] for entry in written["entries"]}
    assert told["case"]["entries"] == written["entries"]
    assert told["case"]["films"][0]["sha256"] == written["films"][0]["sha256"]


def test_the_case_inside_is_written_and_measures_the_same(share, case, tmp_path, capsys):
    """The film lies beside it under the name that the case gives it."""
    pytest.importorskip("highdicom", reason='the extra "dicom" is not installed')
    share(case, "--as", "sr", "--out", tmp_path / "r.dcm")
    assert cli.main(["read", str(tmp_path / "r.dcm"), "--case", str(tmp_path / "back.wl.json")]) == 0
    (tmp_path / "film1.dcm").write_bytes((tmp_path / "film.dcm").read_bytes())
    capsys.readouterr()
    told = []
    for name in ("a", "back"):
        assert cli.main(["measure", "--json", str(tmp_path / f"{name}.wl.json")]) == 0
        told.append(json.loads(capsys.readouterr().out))
    assert told[0] == told[1]
    for source, words in (("r.dcm", "must be a new file: one stands there"), ("film.dcm", "an image holds no case")):
        assert cli.main(["read", str(tmp_path / source), "--case", str(tmp_path / "back.wl.json")]) == 1
        assert words in capsys.readouterr().err


def test_tables_and_paths_need_no_extra(case, tmp_path):
    """In a process of its own: neither pydicom's writers nor highdicom are imported for them, nor by `--help`."""
    script = (
        "import sys; from wlmeasure.cli import main\n"
        "assert main(sys.argv[1:]) == 0\n"
        "assert 'highdicom' not in sys.modules and 'wlmeasure.share.dicom' not in sys.modules"
    )
    for form, name in (("table", "t.csv"), ("paths", "p.json")):
        arguments = ["share", str(case), "--as", form, "--out", str(tmp_path / name)]
        subprocess.run([sys.executable, "-c", script, *arguments], check=True, cwd=ROOT, stdout=subprocess.DEVNULL)
    (row,) = csv.DictReader((tmp_path / "t.csv").read_text("utf-8").splitlines())
    assert float(row["length_mm"]) == pytest.approx(20.565, abs=1e-3)
    assert json.loads((tmp_path / "p.json").read_text("utf-8"))["schema"] == PATHS_SCHEMA


def test_without_the_extra_it_is_named(refused, case, tmp_path, monkeypatch):
    monkeypatch.setattr(hand_on, "find_spec", lambda name: None)
    for form in ("sr", "presentation"):
        assert 'run pip install "wlmeasure[dicom]"' in refused(case, "--as", form, "--out", tmp_path / "o.dcm")


def test_which_film_is_asked_for(refused, share, tmp_path):
    for form in ("presentation", "secondary", "calibrated"):
        if form == "presentation":
            pytest.importorskip("highdicom", reason='the extra "dicom" is not installed')
        said = refused(TWO_FILMS, "--as", form, "--out", tmp_path / "o.dcm")
        assert f"--film must name the film for --as {form}: the case has f1, f2" in said
    said = refused(TWO_FILMS, "--as", "secondary", "--film", "f3", "--out", tmp_path / "o.dcm")
    assert "--film must be a film of the case (f1, f2): 'f3'" in said
    assert "--film must be left out for --as table" in refused(
        TWO_FILMS, "--as", "table", "--film", "f1", "--out", tmp_path / "o.csv"
    )
    status, out, _ = share(TWO_FILMS, "--as", "secondary", "--film", "f2", "--out", tmp_path / "o.dcm")
    assert (status, out) == (0, [str(tmp_path / "o.dcm")])


def test_a_source_is_never_written_over(refused, case, tmp_path):
    film = tmp_path / "film.dcm"
    assert "a.wl.json must not be a case file" in refused(case, "--as", "paths", "--out", case)
    for form in ("calibrated", "table"):
        assert "film.dcm must be a new file" in refused(case, "--as", form, "--out", film)


def test_a_report_replaces_only_a_report(refused, share, case, tmp_path):
    pytest.importorskip("highdicom", reason='the extra "dicom" is not installed')
    film = tmp_path / "film.dcm"
    said = refused(case, "--as", "sr", "--previous", film, "--out", tmp_path / "o.dcm")
    assert "film.dcm must be a structured report" in said
    said = refused(case, "--as", "table", "--previous", film, "--out", tmp_path / "o.csv")
    assert "--previous must come with --as sr" in said
    share(TWO_FILMS, "--as", "sr", "--out", tmp_path / "34.dcm")
    said = refused(case, "--as", "sr", "--previous", tmp_path / "34.dcm", "--out", tmp_path / "o.dcm")
    assert "must be a report of tooth 46 to be replaced by one: it is of tooth 34" in said


def test_a_film_whose_header_cannot_be_copied_is_one_clear_line(refused, case, tmp_path):
    """A sequence that is said to be text, as the fuzzer found one (seed 2027, file 18147)."""
    pytest.importorskip("highdicom", reason='the extra "dicom" is not installed')
    film = pydicom.dcmread(tmp_path / "film.dcm")
    film.add_new(0x0018A001, "LO", "a name")
    film.save_as(tmp_path / "film.dcm")
    data = json.loads(case.read_text("utf-8"))
    data["films"][0]["sha256"] = hashlib.sha256((tmp_path / "film.dcm").read_bytes()).hexdigest()
    case.write_text(json.dumps(data), "utf-8")
    said = refused(case, "--as", "calibrated", "--out", tmp_path / "o.dcm")
    assert "a film's header must be one that can be copied" in said


def test_a_dicom_film_needs_no_capture(refused, case, tmp_path):
    said = refused(case, "--as", "secondary", "--out", tmp_path / "o.dcm")
    assert "film f1 needs no secondary capture: it is a DICOM image" in said


def test_a_film_without_a_scale_has_none_to_hand_on(refused, tmp_path, measure, make):
    film = make.body(make.write(make.io_film(), tmp_path / "film.dcm"), scale=[])
    save_case(measure([film], [make.canal("f1")]).case, tmp_path / "b.wl.json")
    said = refused(tmp_path / "b.wl.json", "--as", "calibrated", "--out", tmp_path / "o.dcm")
    assert "film f1 must have a scale: it has none" in said


def test_paths_are_lines_of_column_and_row(on_dicom, on_png):
    """Pixel coordinates with (0, 0) at a pixel's centre, x before y; millimetres are derived from the stored scale."""
    said = paths_json(on_dicom())
    file, canal = said["features"]
    assert canal["geometry"]["coordinates"] == [[300.0, 120.0], [300.0, 320.25], [400.125, 520.5]]
    assert canal["properties"]["reference"] == [300.0, 20.0]
    assert canal["properties"]["length_mm"] == pytest.approx(20.565, abs=1e-3)
    assert file["properties"] == {"kind": "known file", "image": "f1", "known_length_mm": 20.0}
    (scale,) = said["calibrations"]
    assert (scale["mm_per_px_row"], scale["mm_per_px_col"]) == (pytest.approx(0.04), pytest.approx(0.03))
    assert "Baer" not in json.dumps(paths_json(on_png()))
