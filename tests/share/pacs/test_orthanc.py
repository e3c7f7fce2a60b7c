"""Against a real archive: nothing differs on the way there and back, and a send that is cut is gone on with."""

import hashlib
import json

import cv2
import numpy as np
import pydicom
import pytest
from pydicom.uid import DeflatedExplicitVRLittleEndian, ImplicitVRLittleEndian, RLELossless

from wlmeasure.cli import main
from wlmeasure.errors import PacsRefusedError
from wlmeasure.image.reading import read
from wlmeasure.record.case import load_case, save_case
from wlmeasure.record.evaluate import evaluate
from wlmeasure.share.dicom.objects import dicom_bytes, file_meta
from wlmeasure.share.dicom.report_reading import read_report
from wlmeasure.share.pacs.case_objects import FORMS, case_objects
from wlmeasure.share.pacs.compare import differences
from wlmeasure.share.pacs.fetch import get
from wlmeasure.share.pacs.found import Query
from wlmeasure.share.pacs.instance import instance_of, read_instance
from wlmeasure.share.pacs.send import send

AT = "2026-11-25T10:30:00+01:00"
MADE = {"made_at": AT[:19], "program": "wlmeasure 0.1.0"}
CUT_AFTER = 300_000  # bytes; the film has 1.3 million, and what is asked before has a thousand


def of_study(number):
    """Identifiers and a patient that no other test has: the archive keeps what it is given."""
    return {
        "SOPInstanceUID": f"1.2.3.{number}.1",
        "StudyInstanceUID": f"1.2.3.{number}.2",
        "SeriesInstanceUID": f"1.2.3.{number}.3",
        "PatientID": f"P-{number}",
    }


def raw_elements(path):
    """The data set as another reader's eyes see it: bytes of every element by its tag, nothing converted."""
    dataset = pydicom.dcmread(path)
    return {tag: dataset.get_item(tag) for tag in dataset.keys()}  # noqa: SIM118  the values would be converted


def test_film_report_presentation_and_copy_come_back_without_a_difference(archive, journal, on_dicom, tmp_path):
    result = on_dicom(**of_study(100))
    film = read_instance(tmp_path / "film.dcm")
    objects = [film, *case_objects(result, ("sr", "presentation", "calibrated"), **MADE).instances]
    assert [v.outcome for v in send(archive, objects, journal, at=AT)] == ["sent"] * 4
    found = archive.find(Query(patient="P-100"))
    assert {line.uid for line in found} == {one.uid for one in objects}
    assert [line.kind for line in found] == ["report", "film", "film", "presentation"]  # the newest first
    first = next(line for line in found if line.uid == film.uid)
    assert (first.teeth, first.date, first.rows, first.cols, first.modality) == (("46",), "2026-11-01", 900, 700, "IO")
    for one in get(archive, found, tmp_path / "out"):
        assert one.new
        sent = next(other for other in objects if other.uid == one.uid)
        (tmp_path / "sent.dcm").write_bytes(sent.data)
        held = read_instance(one.path)
        assert differences(sent.dataset, held.dataset) == ()
        assert raw_elements(one.path) == raw_elements(tmp_path / "sent.dcm")  # not by our own comparison
        if sent.uid == film.uid:
            assert np.array_equal(read(one.path).values, read(tmp_path / "film.dcm").values)
            assert held.data == film.data  # so a case that knows the film by its hash finds it again
        if sent.name == "sr.dcm":
            assert read_report(one.path) == read_report(tmp_path / "sent.dcm")
    assert [v.outcome for v in send(archive, objects, journal, at=AT)] == ["there"] * 4


def test_a_plain_picture_goes_as_capture_with_what_refers_to_it(archive, journal, on_png):
    objects = case_objects(on_png(), FORMS, **MADE).instances
    assert next(one.name for one in objects) in ("sr_film1.dcm", "secondary.dcm")  # what the others refer to goes first
    assert len({one.uid for one in objects}) == len(objects) == 4
    assert [v.outcome for v in send(archive, objects, journal, at=AT)] == ["sent"] * 4


@pytest.mark.parametrize(
    ("number", "syntax"),
    [
        (200, ImplicitVRLittleEndian),
        (201, DeflatedExplicitVRLittleEndian),
        (203, RLELossless),
    ],
)
def test_other_transfer_syntaxes_come_back_as_they_are(archive, journal, small, number, syntax):
    one = small(**of_study(number))
    film = one.dataset
    if syntax.is_compressed:
        film.compress(syntax, generate_instance_uid=False)
    film.file_meta = file_meta(film, syntax)
    one = instance_of(dicom_bytes(film), "film.dcm")
    assert [v.outcome for v in send(archive, [one], journal, at=AT)] == ["sent"]
    held = archive.retrieve(one.study, one.series, one.uid)
    assert held.dataset.file_meta.TransferSyntaxUID == syntax
    assert np.array_equal(held.dataset.pixel_array, np.arange(64).reshape(8, 8))


def test_it_keeps_the_first_copy_and_that_is_told(archive, journal, small):
    one = small(**of_study(300))
    other = small(**of_study(300), StationName="ROOM9")
    assert [v.outcome for v in send(archive, [one], journal, at=AT)] == ["sent"]
    assert archive.store(other) is None  # it says that it stored it
    (verdict,) = send(archive, [other], journal, at=AT)
    assert (verdict.outcome, verdict.differing) == ("differs", ("StationName",))
    assert archive.retrieve(one.study, one.series, one.uid).data == one.data


def test_a_send_that_is_cut_is_gone_on_with(archive, proxy, journal, on_dicom, waits, tmp_path):
    """The proxy drops in the middle of the film: at first once, then every time, then no more."""
    on_dicom(**of_study(400))
    film = read_instance(tmp_path / "film.dcm")
    proxy.cut_after, proxy.cuts_left = CUT_AFTER, 3
    found = list(send(archive, [film], journal, at=AT))
    assert (proxy.cuts, waits) == (3, [0.5, 1.0])
    assert [v.outcome for v in found] == ["unknown"]
    assert "not known to be stored" in found[0].text
    assert archive.retrieve(film.study, film.series, film.uid) is None  # and nothing of it is there
    assert len(list(journal.folder.iterdir())) == 1
    proxy.cuts_left = 1
    (verdict,) = send(archive, [film], journal, at=AT)
    assert (proxy.cuts, verdict.outcome) == (4, "sent")
    assert "goes on with a send begun" in verdict.text
    assert archive.retrieve(film.study, film.series, film.uid).data == film.data
    assert list(journal.folder.iterdir()) == []


def test_what_came_through_before_the_cut_is_not_sent_again(archive, proxy, journal, on_dicom, small, tmp_path):
    on_dicom(**of_study(500))
    film = read_instance(tmp_path / "film.dcm")
    little = small(**of_study(501))
    proxy.cut_after, proxy.cuts_left = CUT_AFTER, 99
    assert [v.outcome for v in send(archive, [little, film], journal, at=AT)] == ["sent", "unknown"]
    proxy.cuts_left = 0
    assert [v.outcome for v in send(archive, [little, film], journal, at=AT)] == ["there", "sent"]


def test_a_wrong_password_is_refused(proxy, opened, orthanc, journal, small, monkeypatch):
    monkeypatch.setenv("WLMEASURE_PACS_PASSWORD", "wrong")
    (verdict,) = send(opened(proxy.url, user=orthanc.user), [small()], journal, at=AT)
    assert (verdict.outcome, "password" in verdict.text) == ("refused", True)


def test_a_wrong_certificate_is_refused(proxy, opened, orthanc, certificates, monkeypatch):
    monkeypatch.setenv("WLMEASURE_PACS_PASSWORD", orthanc.password)
    with pytest.raises(PacsRefusedError, match="certificate of 127"):
        opened(proxy.url, user=orthanc.user, ca_bundle=certificates.stranger).find(Query(patient="P"))


# ---- the command line ----------------------------------------------------------------------------------------------


@pytest.fixture
def settings(orthanc, proxy, certificates, tmp_path, monkeypatch):
    """A settings file of the practice, a password in the environment, a state folder of the test's own."""
    path = tmp_path / "pacs.toml"
    path.write_text(
        f'[servers.practice]\nurl = "{proxy.url}"\nuser = "{orthanc.user}"\nca_bundle = "{certificates.ca}"\n'
    )
    monkeypatch.setenv("WLMEASURE_PACS", str(path))
    monkeypatch.setenv("WLMEASURE_PACS_PASSWORD", orthanc.password)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return path


def test_the_words(settings, on_dicom, tmp_path, capsys):
    result = on_dicom(**of_study(600))
    case = tmp_path / "case.wl.json"
    save_case(result.case, case)
    film = str(tmp_path / "film.dcm")
    assert main(["pacs", "send", str(case), "--as", "presentation", "--film", "f1"]) == 0
    told = capsys.readouterr().out
    assert told.startswith("presentation.dcm: sent and verified\nfilm f1 is not in this archive:")
    assert main(["pacs", "send", film, str(case), "--as", "sr,presentation"]) == 0
    out, err = capsys.readouterr()
    assert out == "film.dcm: sent and verified\nsr.dcm: sent and verified\npresentation.dcm: was there already, equal\n"
    assert err == ""  # no terminal, no bar
    assert (
        main(["pacs", "send", str(case), "--as", "sr,presentation", "--json"]) == 0
    )  # the same case, the same objects
    told = json.loads(capsys.readouterr().out)
    assert [(one["outcome"], one["verified"]) for one in told["instances"]] == [("there", True)] * 2
    assert main(["pacs", "find", "--patient", "P-600", "--modality", "IO", "--tooth", "46"]) == 0
    assert capsys.readouterr().out == (
        "Bär, Käthe, P-600, A17; study 1.2.3.600.2\n  2026-11-01  IO  46  900 x 700\n    1.2.3.600.1\n"
    )
    assert main(["pacs", "find", "--patient", "P-600", "--tooth", "ISO 11"]) == 0
    assert capsys.readouterr().out == "nothing found\n"
    assert main(["pacs", "find", "--date", "20261101-", "--patient", "P-600", "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["instances"]) == 3
    assert main(["pacs", "find", "--date", "-20261031", "--patient", "P-600"]) == 0
    assert capsys.readouterr().out == "nothing found\n"
    out = tmp_path / "got"
    assert main(["pacs", "get", "1.2.3.600.1", "--out", str(out)]) == 0
    (path,) = out.iterdir()
    assert capsys.readouterr().out == f"{path}  1.2.3.600.1\n"
    assert path.read_bytes() == (tmp_path / "film.dcm").read_bytes()
    assert main(["pacs", "get", "--study", "1.2.3.600.2", "--out", str(out), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert sorted(one["new"] for one in told["files"]) == [False, True, True]
    path.write_bytes(path.read_bytes()[:-2] + b"\7\7")
    assert main(["pacs", "get", "1.2.3.600.1", "--out", str(out)]) == 1
    told = capsys.readouterr()
    assert "must not be overwritten: it differs from the archive in PixelData" in told.out
    assert told.err == "wlmeasure: 1 of 1 instances were not got: see above\n"
    assert main(["pacs", "get", "1.2.3.4.999", "--out", str(out)]) == 1
    assert "must be in the archive" in capsys.readouterr().err


def test_the_case_in_a_report_that_was_got_fits_the_film_that_was_got(settings, on_dicom, tmp_path, capsys):
    result = on_dicom(**of_study(700))
    save_case(result.case, tmp_path / "case.wl.json")
    film, case, out = str(tmp_path / "film.dcm"), str(tmp_path / "case.wl.json"), tmp_path / "got"
    assert main(["pacs", "send", film, case, "--as", "sr"]) == 0
    assert main(["pacs", "get", "--patient", "P-700", "--out", str(out)]) == 0
    (report,) = out.glob("report_*.dcm")
    (film,) = out.glob("film_*.dcm")
    assert main(["read", str(report), "--case", str(out / "back.wl.json")]) == 0
    back = load_case(out / "back.wl.json")
    assert back.films[0].sha256 == hashlib.sha256(film.read_bytes()).hexdigest()
    film.rename(back.film_path(back.films[0]))
    assert evaluate(back).canals[0].working_length == result.canals[0].working_length
    capsys.readouterr()


def test_what_was_not_verified_is_exit_1(settings, proxy, on_dicom, tmp_path, capsys):
    on_dicom(**of_study(800))
    settings.write_text(settings.read_text() + "retries = 0\n")
    proxy.cut_after, proxy.cuts_left = CUT_AFTER, 1
    assert main(["pacs", "send", str(tmp_path / "film.dcm")]) == 1
    told = capsys.readouterr()
    assert told.out.startswith("film.dcm: not known to be stored: ")
    assert told.err == "wlmeasure: 1 of 1 instances are not known to be in the archive as sent: see above\n"
    assert main(["pacs", "send", str(tmp_path / "film.dcm")]) == 0
    assert (
        "film.dcm: sent and verified: sent and read back, equal; goes on with a send begun" in capsys.readouterr().out
    )


def test_every_pixel_kind_of_plain_film_goes(archive, journal, measure, tmp_path):
    """An 8-bit film too: odd numbers of bytes are padded."""
    pixels = np.random.default_rng(3).integers(0, 255, (901, 701), dtype=np.uint8)
    path = tmp_path / "film8.png"
    path.write_bytes(cv2.imencode(".png", pixels)[1].tobytes())
    from .conftest import dicom

    result = measure([dicom.body(path, shape=pixels.shape)], [dicom.canal("f1")])
    objects = case_objects(result, ("secondary",), **MADE).instances
    assert [v.outcome for v in send(archive, objects, journal, at=AT)] == ["sent"]
