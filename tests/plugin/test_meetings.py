"""Twenty-two ways for two programs to meet over one file: nothing that was stored or saved is lost, and each conflict is told.

Two documents, archives or folders in one process stand for two programs: what they share is the disk alone.
"""

import os
import threading
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve
from wlmeasure_napari._document import ChangedError, Document

from wlmeasure.errors import ArchiveConflictError, ArchiveError, CaseError, NotWrittenError, StudyError
from wlmeasure.learn.progress import Step, add_step
from wlmeasure.record.archive.archive import open_archive
from wlmeasure.record.archive.exchange import backup, export, restore
from wlmeasure.record.archive.verify import verify
from wlmeasure.record.case import Entry, load_case, save_case
from wlmeasure.study import folder as study_folder
from wlmeasure.whole_file import whole_file, write_whole

SAMPLE = Path(__file__).resolve().parents[2] / "sample_images" / "cases" / "straight.wl.json"
WHO = {"by": "AB", "at": "2027-01-01T10:00:00"}


@pytest.fixture
def case(tmp_path):
    return evolve(load_case(SAMPLE), case_id="P-1")


@pytest.fixture
def films(case):
    return {film.id: case.film_path(film) for film in case.films}


@pytest.fixture
def path(case, tmp_path):
    path = tmp_path / "case.wl.json"
    save_case(case, path)
    return path


def changed(case, tooth):
    return evolve(case, tooth=tooth)


def opened(path, case):
    document = Document.at(path)
    document.opened(case)
    return document


@pytest.fixture
def archive(tmp_path, case):
    with open_archive(str(tmp_path / "a.sqlite"), create=True) as archive:
        archive.add(case, **WHO)
        yield archive


def note(name):
    return Entry(id=name, kind="note", at=WHO["at"], by="AB", note=name)


# ---- a case file and its draft ----


def test_1_two_windows_open_one_file(path, case):
    first = opened(path, case)
    with pytest.raises(CaseError, match="open in another window"):
        Document.at(path)
    first.release()
    opened(path, case).release()


@pytest.mark.parametrize("what", ["changed", "gone", "another case", "no case"])
def test_2_to_5_the_file_is_another_one_when_it_is_saved(path, case, films, what):
    mine = opened(path, case)
    mine.keep(changed(case, "47"), films)
    if what == "changed":
        save_case(changed(case, "45"), path)
    elif what == "gone":
        path.unlink()
    elif what == "another case":
        save_case(evolve(case, case_id="P-2", tooth="11"), path)
    else:
        path.write_text("a letter")
    theirs = path.read_bytes() if path.exists() else None
    with pytest.raises(ChangedError):
        mine.save(changed(case, "47"), films)
    assert (path.read_bytes() if path.exists() else None) == theirs
    assert load_case(mine.draft).tooth == "47"
    mine.release()


def test_6_saved_over_knowingly_both_are_there(path, case, films):
    mine = opened(path, case)
    save_case(changed(case, "45"), path)
    aside = mine.set_theirs_aside()
    mine.save(changed(case, "47"), films, over=True)
    assert (load_case(aside).tooth, load_case(path).tooth) == ("45", "47")
    mine.release()


def test_7_saved_under_the_name_of_a_file_that_another_window_has(path, case, films, tmp_path):
    theirs = opened(path, case)
    mine = Document()
    with pytest.raises(CaseError, match="open in another window"):
        mine.save_as(changed(case, "47"), films, path)
    assert load_case(path).tooth == case.tooth
    theirs.release()


def test_8_two_windows_on_one_draft(case, films):
    mine = Document()
    mine.keep(case, films)
    with pytest.raises(CaseError, match="open in another window"):
        Document.at(mine.draft)
    mine.release()


def test_9_another_window_went_on_with_the_draft(case, films):
    mine = Document()
    mine.keep(case, films)
    draft = mine.draft
    mine.release()
    theirs = Document.at(draft)
    theirs.keep(changed(case, "45"), films)
    assert "goes on as a copy" in mine.hold_again(changed(case, "47"), films)
    assert (load_case(draft).tooth, load_case(mine.draft).tooth) == ("45", "47")
    for one in (mine, theirs):
        one.release()


def test_10_another_window_opened_the_file_meanwhile(path, case, films):
    mine = opened(path, case)
    mine.release()
    theirs = opened(path, case)
    assert "is open in another window now" in mine.hold_again(changed(case, "47"), films)
    assert load_case(mine.draft).tooth == "47"
    theirs.save(changed(case, "45"), films)
    assert load_case(path).tooth == "45"
    for one in (mine, theirs):
        one.release()


# ---- an archive ----


def test_11_two_entries_on_one_state(archive):
    head = archive.head("P-1")
    archive.append("P-1", note("n1"), on=head, **WHO)
    with pytest.raises(ArchiveConflictError, match="has changed since you opened it"):
        archive.append("P-1", note("n2"), on=head, **WHO)
    assert [entry.id for entry in archive.load("P-1").case.entries if entry.kind == "note"] == ["n1"]


def test_12_two_revisions_on_one_state(archive, case):
    head = archive.head("P-1")
    archive.add(changed(case, "45"), on=head, **WHO)
    with pytest.raises(ArchiveConflictError, match="has changed since you opened it"):
        archive.add(changed(case, "47"), on=head, **WHO)
    assert [archive.load("P-1", revision).case.tooth for revision in (1, 2)] == [case.tooth, "45"]


def test_13_two_cases_under_one_id(archive, case):
    with pytest.raises(ArchiveConflictError, match="its content differs"):
        archive.add(changed(case, "45"), **WHO)
    assert archive.load("P-1").case.tooth == case.tooth


def test_14_the_same_case_twice(archive, case):
    added = archive.add(case, **WHO)
    assert (added.new_revision, added.new_entries) == (False, ())


def test_15_two_programs_make_one_archive(tmp_path, case):
    begin, faults = threading.Barrier(4), []

    def run(number):
        try:
            begin.wait()
            with open_archive(str(tmp_path / "new.sqlite"), create=True) as own:
                own.add(evolve(case, case_id=f"P-{number}"), **WHO)
        except Exception as error:
            faults.append(error)

    threads = [threading.Thread(target=run, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    with open_archive(str(tmp_path / "new.sqlite")) as made:
        assert len(made.cases()) == 4
        assert not verify(made).findings


def test_16_a_backup_where_another_file_comes_in_between(archive, tmp_path, monkeypatch):
    path, real = tmp_path / "b.sqlite", os.fsync

    def meanwhile(handle):
        path.write_bytes(b"theirs")
        real(handle)

    monkeypatch.setattr(os, "fsync", meanwhile)
    with pytest.raises(ArchiveError, match="cannot be written"):
        backup(archive, path)
    assert path.read_bytes() == b"theirs"


def test_17_a_backup_into_an_archive_that_somebody_has_begun(archive, tmp_path, case):
    backup(archive, tmp_path / "b.sqlite")
    with open_archive(str(tmp_path / "c.sqlite"), create=True) as other:
        other.add(evolve(case, case_id="P-9"), **WHO)
        with pytest.raises(ArchiveError, match="must hold nothing yet"):
            restore(other, tmp_path / "b.sqlite")
        assert [line.case_id for line in other.cases()] == ["P-9"]


def test_18_two_exports_into_one_folder(archive, tmp_path):
    first = export(archive, tmp_path / "out")
    next(first)
    with pytest.raises(ArchiveError, match="folder must be empty"):
        list(export(archive, tmp_path / "out"))
    list(first)
    assert len(list((tmp_path / "out").iterdir())) == 2


# ---- a study, a report, a table ----


def test_19_two_programs_store_one_result(tmp_path, case, monkeypatch):
    """Both have looked and found none; the one that comes later is told, and the first stays."""
    path = tmp_path / "results" / "A" / "f-1.wl.json"
    monkeypatch.setattr(study_folder, "result_path", lambda *_: path)
    monkeypatch.setattr(study_folder, "template", lambda *_: case)
    monkeypatch.setattr(study_folder, "violations", lambda *_: ())

    class Study:
        id, protocol, folder = "s", None, tmp_path

        def observer(self, _):
            return type("Observer", (), {"tasks": [type("Task", (), {"film": "f", "repeat": 1})]})

    study_folder.store_result(Study(), "A", 1, case, at=WHO["at"])
    with pytest.raises(StudyError, match="must be stored once"):
        study_folder.store_result(Study(), "A", 1, changed(case, "45"), at=WHO["at"])
    with monkeypatch.context() as patch:
        patch.setattr(Path, "exists", lambda _: False)  # a moment before the other one came
        with pytest.raises(CaseError, match="a file of that name is there already"):
            study_folder.store_result(Study(), "A", 1, changed(case, "45"), at=WHO["at"])
    assert load_case(path).tooth == case.tooth


def test_20_two_programs_write_one_report(tmp_path):
    """A report is made anew from its case each time, so the later one stands, and it is whole."""
    path, contents = tmp_path / "report.html", [bytes([k]) * 200_000 for k in range(4)]
    begin = threading.Barrier(4)

    def run(content):
        begin.wait()
        for _ in range(5):
            write_whole(path, content)

    threads = [threading.Thread(target=run, args=(content,)) for content in contents]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert path.read_bytes() in contents
    assert [one.name for one in tmp_path.iterdir() if one.name.startswith(".")] == []


def test_21_a_file_that_must_be_new_comes_in_between(tmp_path):
    def write():
        with whole_file(tmp_path / "a", replace=False) as part:
            part.write_bytes(b"mine")
            (tmp_path / "a").write_bytes(b"theirs")

    with pytest.raises(NotWrittenError):
        write()
    assert (tmp_path / "a").read_bytes() == b"theirs"


@pytest.mark.skipif(os.name == "nt", reason="Windows has no lock on a folder")
def test_22_two_markings_into_one_table_are_two_lines(tmp_path):
    begin = threading.Barrier(6)
    random = np.random.default_rng(7)
    errors = random.normal(0.0, 1.0, 6).round(3)

    def run(k):
        begin.wait()
        add_step(tmp_path / "progress.csv", Step(WHO["at"], f"x{k}", 1, float(errors[k]), 0.1, 1, 1))

    threads = [threading.Thread(target=run, args=(k,)) for k in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    lines = (tmp_path / "progress.csv").read_text().splitlines()
    assert len(lines) == 7
