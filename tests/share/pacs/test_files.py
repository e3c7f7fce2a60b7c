"""Files that are got, the journal of sends, and the bar: whole or not at all, nothing overwritten, nothing in a pipe."""

import io
import os
import sys

import pytest

from wlmeasure.cli import main
from wlmeasure.errors import PacsError
from wlmeasure.share.pacs.fetch import get
from wlmeasure.share.pacs.found import Found
from wlmeasure.share.pacs.instance import check_patient, own_name
from wlmeasure.share.pacs.journal import Journal
from wlmeasure.share.pacs.send import send

AT = "2026-11-25T10:30:00+01:00"
KEY = ("https://a.example", "1.2.3", "ab" * 32)


@pytest.fixture
def line(fake, small):
    """An instance that the archive holds, as a search gives it."""
    one = small()
    fake.held[one.uid] = one.data
    return Found(one.uid, one.series, one.study, "film")


def test_a_file_is_whole_private_and_named_by_us(fake, opened, line, small, tmp_path):
    out = tmp_path / "a" / "b"
    (got,) = get(opened(fake.url), [line], out)
    assert got.new
    assert [path.name for path in out.iterdir()] == [own_name(small())]
    assert got.path.read_bytes() == small().data
    assert got.path.stat().st_mode & 0o077 == 0
    (again,) = get(opened(fake.url), [line], out)
    assert (again.path, again.new, again.error) == (got.path, False, None)


def test_a_different_file_or_a_stranger_in_its_place_stays(fake, opened, line, small, tmp_path):
    path = tmp_path / own_name(small())
    for content, words in (
        (small(StationName="ROOM9").data, "differs from the archive in StationName"),
        (b"mine", "must be a DICOM"),
    ):
        path.write_bytes(content)
        (got,) = get(opened(fake.url), [line], tmp_path)
        assert got.path is None
        assert words in got.error
        assert path.read_bytes() == content
    path.unlink()
    path.mkdir()
    (got,) = get(opened(fake.url), [line], tmp_path)
    assert "must not be overwritten" in got.error
    assert [one.name for one in tmp_path.iterdir() if one.name.startswith(".")] == []


def test_a_file_that_comes_in_between_is_not_overwritten(fake, opened, line, small, tmp_path, monkeypatch):
    path = tmp_path / own_name(small())
    really = os.fsync

    def meanwhile(handle):
        path.write_bytes(b"somebody else's")
        really(handle)

    monkeypatch.setattr("os.fsync", meanwhile)
    (got,) = get(opened(fake.url), [line], tmp_path)
    assert "cannot be written" in got.error
    assert path.read_bytes() == b"somebody else's"
    assert len(list(tmp_path.iterdir())) == 1


def test_a_broken_retrieval_leaves_no_file(fake, opened, line, tmp_path):
    def short(request):
        request.reply(200, b"--x1\r\n", kind="multipart/related; boundary=x1", Content_Length="5000")
        request.close_connection = True

    fake.script = [short] * 3
    (got,) = get(opened(fake.url), [line], tmp_path)
    assert "the connection broke" in got.error
    assert len(fake.log) == 3
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_is_said(fake, opened, line, tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(PacsError, match="--out cannot be made"):
        list(get(opened(fake.url), [line], tmp_path / "file"))


def test_an_archive_that_knows_no_star_is_asked_without(fake, opened, line):
    fake.script = [lambda r: r.reply(406)]
    assert opened(fake.url).retrieve(line.study, line.series, line.uid).uid == line.uid
    accepted = [headers["Accept"] for _, _, headers in fake.log]
    assert ["transfer-syntax=*" in one for one in accepted] == [True, False]


def test_an_archive_that_answers_in_xml_is_read_back_all_the_same(fake, opened, small, tmp_path):
    one = small()

    def xml(request):
        fake.held[one.uid] = fake.sent(request)
        request.reply(200, b"<!DOCTYPE x [<!ENTITY a 'b'>]><x>&a;</x>", kind="application/dicom+xml; charset=utf-8")

    fake.script = [fake.usual, xml]
    (verdict,) = send(opened(fake.url), [one], Journal(tmp_path), at=AT)
    assert verdict.outcome == "sent"


def test_the_journal_knows_what_was_begun_and_nothing_of_the_patient(tmp_path):
    journal = Journal(tmp_path / "state" / "pacs")
    assert journal.begun(*KEY) is None
    journal.begin(*KEY, AT)
    assert journal.begun(*KEY) == AT
    (path,) = journal.folder.iterdir()
    assert journal.folder.stat().st_mode & 0o077 == path.stat().st_mode & 0o077 == 0
    for other in (("https://b.example", *KEY[1:]), (KEY[0], "1.2.4", KEY[2]), (*KEY[:2], "cd" * 32)):
        assert journal.begun(*other) is None
    for broken in (b"", b"[]", b"{}", b"\xff", b"{" * 5000):
        path.write_bytes(broken)
        assert journal.begun(*KEY) is None
    journal.end(*KEY)
    journal.end(*KEY)
    assert list(journal.folder.iterdir()) == []


def test_without_a_journal_nothing_is_sent(fake, opened, small, tmp_path):
    (tmp_path / "file").touch()
    (verdict,) = send(opened(fake.url), [small()], Journal(tmp_path / "file"), at=AT)
    assert verdict.outcome == "unknown"
    assert "nothing was sent" in verdict.text
    assert [method for method, *_ in fake.log] == ["GET"]


def test_films_of_one_case_are_of_one_patient(small, tmp_path):
    path = tmp_path / "x.dcm"
    for theirs, fits in (("P-0017", True), ("P-9", False), ("", True)):
        path.write_bytes(small(PatientID=theirs).data)
        if fits:
            check_patient(small(), [path])
        else:
            with pytest.raises(PacsError, match="of the case's patient P-9: it is of P-0017"):
                check_patient(small(), [path])
    path.write_bytes(b"a picture")
    check_patient(small(), [path])


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture
def at_fake(fake, certificates, tmp_path, monkeypatch):
    path = tmp_path / "pacs.toml"
    path.write_text(f'[servers.practice]\nurl = "{fake.url}"\nca_bundle = "{certificates.ca}"\nretries = 0\n')
    monkeypatch.setenv("WLMEASURE_PACS", str(path))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


def test_the_bar_is_on_a_terminal_alone(at_fake, fake, small, tmp_path, monkeypatch, capsys):
    (tmp_path / "x.dcm").write_bytes(small().data)
    assert main(["pacs", "send", str(tmp_path / "x.dcm")]) == 0
    assert capsys.readouterr() == ("x.dcm: sent and verified\n", "")
    fake.held.clear()
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    assert main(["pacs", "send", str(tmp_path / "x.dcm")]) == 0
    assert "########################" in terminal.getvalue()
    assert "100%" in terminal.getvalue()
    assert terminal.getvalue().endswith("\r\x1b[K")
    assert capsys.readouterr().out == "x.dcm: sent and verified\n"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["send", "{film}", "--as", "sr"], "--as and --film must come with a case file"),
        (["send", "none.wl.json"], "--as must say what of the case is sent"),
        (["send", "none.wl.json", "--as", "sr"], "none.wl.json"),
        (["send", "none.dcm"], "none.dcm cannot be opened"),
        (["send", "{film}", "{other}"], "must not share SOP Instance UID"),
        (["find"], "must be narrowed"),
        (["find", "--patient", "A*"], "PatientID must be"),
        (["find", "--study", "../x"], "study must be a unique identifier"),
        (["find", "--server", "none"], "--server must be one of practice"),
        (["get", "--out", "x"], "get needs a UID"),
        (["get", "x/y", "--out", "x"], "SOP Instance UID must be a unique identifier"),
    ],
)
def test_wrong_words_are_one_line(at_fake, fake, small, tmp_path, capsys, words, told):
    (tmp_path / "x.dcm").write_bytes(small().data)
    (tmp_path / "y.dcm").write_bytes(small(StationName="ROOM9").data)
    names = {"film": tmp_path / "x.dcm", "other": tmp_path / "y.dcm"}
    assert main(["pacs", *(word.format(**names) for word in words)]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert told in err
    assert err.startswith("wlmeasure: ")
    assert err.count("\n") == 1
    assert fake.log == []
