"""The image archive from the session and in the dock: films found and opened, the case sent, verdicts told in words."""

import importlib.util
import json
from pathlib import Path

import numpy as np
import pydicom
import pytest
from attrs import evolve
from wlmeasure_napari import _pacs
from wlmeasure_napari._session import Session

from wlmeasure.errors import CaseError, PacsError
from wlmeasure.image.reading import read
from wlmeasure.share.dicom.objects import dicom_bytes, file_meta
from wlmeasure.share.pacs.instance import instance_of

from .test_dock import Person, person  # noqa: F401  a fixture
from .test_session import whole_job

TESTS = Path(__file__).resolve().parents[1]


def load(name, path):
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


Fake = load("dicomweb_server", TESTS / "references" / "dicomweb_server.py").Fake
io_film = load("dicom_conftest", TESTS / "share" / "dicom" / "conftest.py").io_film
PIXELS = np.random.default_rng(5).integers(0, 3000, (90, 70), dtype=np.uint16)


def instance(**attributes):
    film = io_film(PIXELS, **attributes)
    film.file_meta = file_meta(film)
    return instance_of(dicom_bytes(film), "film.dcm")


class Practice(Fake):
    """The same with a search that finds all it holds."""

    def usual(self, request):
        if request.command == "GET" and request.path.split("?")[0].split("/")[-2] != "instances":
            films = [instance_of(data, "held").dataset for data in self.held.values()]
            for film in films:
                del film.PixelData
            request.reply(200, json.dumps([film.to_json_dict() for film in films]).encode())
        else:
            super().usual(request)


@pytest.fixture
def practice(monkeypatch, tmp_path):
    made = Practice(None)
    monkeypatch.setenv("WLMEASURE_PACS", made.url)
    monkeypatch.setenv("WLMEASURE_FILMS", str(tmp_path / "films"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    for name in ("WLMEASURE_PACS_PASSWORD", "WLMEASURE_PACS_TOKEN"):
        monkeypatch.delenv(name, raising=False)
    for one in (
        instance(),
        instance(SOPInstanceUID="1.2.3.4.9", PrimaryAnatomicStructureSequence=[], PatientName="<b>Evil</b>\x1b[1m"),
    ):
        made.held[one.uid] = one.data
    yield made
    made.close()


@pytest.fixture
def heard():
    return {}


def listening(session, heard):
    session.said.connect(lambda place, text: heard.__setitem__(place, text))
    return session


def test_a_film_is_found_and_opened_with_its_tooth(practice, heard, tmp_path):
    session, found = listening(Session(), heard), []
    session.do("pacs", lambda: _pacs.find(session, found.extend, patient="P-0017", days="", tooth=""))
    assert heard["pacs"] == f"2 films in {practice.url.split('/')[2]}"
    assert [line.teeth for line in found] == [("46",), ()]
    session.do("pacs", lambda: _pacs.open_found(session, found[0]))
    assert heard["pacs"] == ""
    assert session.tooth.designation == "46"
    (path,) = (tmp_path / "films").iterdir()
    assert session.case.films[0].sha256 == read(path).sha256
    assert path.read_bytes() == practice.held[found[0].uid]
    # The same film again is refused in words; another film is one more of the case, and changes no tooth.
    session.do("pacs", lambda: _pacs.open_found(session, found[0]))
    assert "already" in heard["pacs"]
    session.do("pacs", lambda: _pacs.open_found(session, found[1]))
    assert heard["pacs"] == ""
    assert len(session.case.films) == 1  # it has the patient's ID and another name
    session.answer("Add to 46 anyway")
    assert (len(session.case.films), session.case.tooth) == (2, "46")
    stranger = instance(SOPInstanceUID="1.2.3.4.10", PatientID="P-9")
    practice.held[stranger.uid] = stranger.data
    kept = sorted((tmp_path / "films").iterdir())
    session.do("pacs", lambda: _pacs.open_found(session, evolve(found[0], uid=stranger.uid)))  # found under our patient
    assert "must be of patient P-0017: what the archive sends is of another patient" in heard["pacs"]
    assert sorted((tmp_path / "films").iterdir()) == kept
    session.do("pacs", lambda: _pacs.open_found(session, evolve(found[0], uid=stranger.uid, patient="P-9")))
    assert heard["pacs"].startswith("film must be of the case's patient P-0017: it is of P-9")
    assert len(session.case.films) == 2


def test_refusals_of_the_archive_are_messages(practice, heard, monkeypatch):
    session, found = listening(Session(), heard), []
    ask = lambda: _pacs.find(session, found.extend, patient="P", days="", tooth="")  # noqa: E731
    practice.script = [lambda r: r.reply(403)]
    session.do("pacs", ask)
    assert "does not allow this" in heard["pacs"]
    session.do("pacs", lambda: _pacs.find(session, found.extend, patient="", days="", tooth=""))
    assert "must be narrowed" in heard["pacs"]
    monkeypatch.setenv("WLMEASURE_PACS", "/nowhere/pacs.toml")
    session.do("pacs", ask)
    assert "image archive must be named first" in heard["pacs"]
    monkeypatch.setattr("wlmeasure.share.pacs.LIBRARIES", ("no_such_library_here",))
    with pytest.raises(PacsError, match=r"wlmeasure\[pacs\]"):
        ask()
    assert found == []


def test_the_case_is_sent_and_again_nothing_is_new(practice, heard):
    session = listening(whole_job(), heard)
    practice.held.clear()
    session.do("record", lambda: _pacs.send_case(session))
    host = practice.url.split("/")[2]
    assert heard["record"] == f"Sent to {host}: 3 objects, read back and found equal."
    kinds = sorted(pydicom.dcmread(pydicom.filebase.DicomBytesIO(data)).Modality for data in practice.held.values())
    assert kinds == ["IO", "PR", "SR"]  # the picture is no DICOM film, so it goes along as a capture
    session.do("record", lambda: _pacs.send_case(session))
    assert heard["record"].endswith("equal (3 of them were there already).")
    with pytest.raises(CaseError, match="film and a tooth"):
        _pacs.send_case(Session())


def test_what_is_in_doubt_is_told_one_by_one(practice, heard):
    session = listening(whole_job(), heard)
    practice.script = [practice.usual, lambda r: r.reply(409)]
    session.do("record", lambda: _pacs.send_case(session))
    head, *lines = heard["record"].splitlines()
    assert head.startswith("Not all is in 127.0.0.1:")
    assert head.endswith("1 of 3 objects are in doubt.")
    assert len(lines) == 1
    assert "refused (status 409)" in lines[0] or "refuses (status 409)" in lines[0]


@pytest.mark.viewer
def test_in_the_dock(person, practice):  # noqa: F811
    """Find by patient, open by the button; names are shown as they are written, never as markup."""
    person.press(person.button("Image archive…"))
    dialog = person.dock._dialog
    assert dialog.isVisible()
    dialog.patient.edit.setText("P-0017")
    person.press(dialog.search)
    cells = [[dialog.table.item(row, column).text() for column in range(dialog.table.columnCount())] for row in (0, 1)]
    assert cells[0][:6] == ["46", "2026-11-01", "IO", "90 x 70", "Bär, Käthe", "P-0017"]
    assert cells[1][0] == "not named"
    assert cells[1][4] == "<b>Evil</b>[1m"
    person.press(dialog.open_film)
    assert person.session.case.tooth == "46"
    assert not dialog.isVisible()  # out of the film's way
    person.press(person.button("Image archive…"))
    assert dialog.table.rowCount() == 2
    dialog.table.setCurrentCell(-1, -1)
    person.press(dialog.open_film)
    assert dialog.message.text() == "Choose a film first."
    person.press(person.button("Send to image archive"))
    assert "it holds none; measure it first" in person.said("record")
