"""Storing from the session: the case as saved, its record, conflicts told, nothing overwritten."""

import pytest
from attrs import evolve
from wlmeasure_napari._archive import store
from wlmeasure_napari._entries import add_reading, begin_file, enter_draft, strike_out
from wlmeasure_napari._session import Session

from wlmeasure.errors import ArchiveConflictError, ArchiveError, CaseError
from wlmeasure.record.archive.archive import open_archive
from wlmeasure.record.case import load_case

from .test_session import whole_job


@pytest.fixture(autouse=True)
def archive(tmp_path, monkeypatch):
    path = tmp_path / "archive.sqlite"
    monkeypatch.setenv("WLMEASURE_ARCHIVE", str(path))
    return path


def test_a_case_is_stored_with_its_record_and_again_only_what_is_new(archive):
    session = whole_job()
    heard = []
    session.said.connect(lambda *words: heard.append(words))
    session.do("record", lambda: store(session, "bench-77"))
    assert heard[-1][0] == "record"
    assert "Stored in the archive as bench-77, row 6; receipt 6:" in heard[-1][1]  # one revision and five entries
    begin_file(session)
    enter_draft(session)
    session.do("record", lambda: store(session))
    with open_archive() as opened:
        stored = opened.load("bench-77")
        assert stored.case.entries == load_case(session.path).entries
        assert stored.head.rows == 7
    session.do("record", session.undo)
    assert heard[-1] == ("record", "")  # the news is gone with the next step


def test_what_somebody_else_stored_is_told_and_kept(archive):
    session = whole_job()
    store(session, "bench-77")
    with open_archive() as opened:  # somebody else's change
        other = opened.load("bench-77")
        opened.add(evolve(other.case, tooth="44"), by="AB", at="2030-01-01T10:00:00", on=other.head)
    add_reading(session, 20.5, "foramen")
    with pytest.raises(ArchiveConflictError, match=r"has changed since you opened it.*storing once more"):
        store(session)
    with open_archive() as opened:
        assert opened.load("bench-77").case.tooth == "44"
    store(session)
    with open_archive() as opened:
        assert opened.load("bench-77").case.tooth == "45"
        assert opened.load("bench-77", revision=2).case.tooth == "44"


def test_what_is_missing_is_said():
    session = Session()
    with pytest.raises(CaseError, match="film and tooth"):
        store(session, "x")
    session = whole_job()
    with pytest.raises(CaseError, match="case id must be entered first"):
        store(session)
    store(session, "bench-1")
    with pytest.raises(CaseError, match="case id must be 'bench-1'"):
        store(session, "bench-2")
    session.initials = " "
    with pytest.raises(CaseError, match="initials"):
        store(session)


def test_without_the_extra_it_says_which(monkeypatch):
    session = whole_job()
    monkeypatch.setattr("wlmeasure.record.archive.LIBRARIES", ("no_such_library_here",))
    with pytest.raises(ArchiveError, match=r"wlmeasure\[archive\]"):
        store(session, "x")


def test_another_case_in_the_same_window_is_its_own(archive, tmp_path):
    """The state that one case was stored at says nothing of the next one opened."""
    session = whole_job()
    store(session, "bench-77")
    session.save_as(tmp_path / "one.wl.json")
    other = whole_job()
    other.save_as(tmp_path / "other.wl.json")
    other.close_case()
    session.open_case(tmp_path / "other.wl.json")
    session.initials = "KO"
    store(session, "bench-78")
    with open_archive() as opened:
        assert [line.case_id for line in opened.cases()] == ["bench-77", "bench-78"]


def test_what_was_stored_and_undone_is_not_stored_as_if_it_stood(archive):
    session = whole_job()
    heard = []
    session.said.connect(lambda *words: heard.append(words))
    session.decide(19.0, "KO", "")
    session.do("record", lambda: store(session, "bench-77"))
    last = session.case.entries[-1].id
    session.undo()  # the id
    session.undo()  # the decision
    session.do("record", lambda: store(session, "bench-77"))
    assert heard[-1][1].startswith(f"entries {last} must stay: they are stored in the archive and were undone here")
    session.redo()
    strike_out(session)
    session.do("record", lambda: store(session, "bench-77"))
    with open_archive() as opened:
        assert opened.load("bench-77").case.entries == session.case.entries
