"""Case files out and in, and copies of a whole archive: same values, same chain."""

import hashlib
import json
import stat
from pathlib import Path

import pytest
from attrs import evolve

from wlmeasure.errors import ArchiveError
from wlmeasure.record.archive.archive import open_archive
from wlmeasure.record.archive.chain import receipt_from_text
from wlmeasure.record.archive.exchange import LIST_NAME, backup, export, import_files, is_backup, restore
from wlmeasure.record.archive.verify import verify
from wlmeasure.record.case import load_case, save_case

WHO = {"by": "AB", "at": "2026-11-25T10:30:00"}
ODD = ("../up", "A/b", "a", "A", ".hidden", "Ä ö", "x" * 80, "con:1*", "..")


def test_everything_out_as_case_files_and_in_again(archive, new_address, case, bare, tmp_path):
    head = archive.add(case, **WHO).head
    archive.add(evolve(case, tooth="47"), on=head, **WHO)
    for name in ODD:
        archive.add(evolve(bare, case_id=name), **WHO)
    *done, receipt = export(archive, tmp_path / "out")
    paths = [one.path for one in done]
    assert sorted([*paths, tmp_path / "out" / LIST_NAME]) == sorted(
        (tmp_path / "out").iterdir()
    )  # none is anywhere else
    assert {stat.S_IMODE(path.stat().st_mode) for path in (tmp_path / "out").iterdir()} == {0o600}
    assert {load_case(path).case_id for path in paths} == {"bench-1", *ODD}
    assert len({path.name.lower() for path in paths}) == len(ODD) + 1
    with open_archive(new_address(), create=True) as other:
        kept = receipt_from_text(str(receipt))
        done = list(import_files(other, [tmp_path / "out"], **WHO, receipt=kept))
        assert [one.error for one in done] == [None] * len(paths)
        for line in archive.cases():
            assert other.load(line.case_id).case == archive.load(line.case_id).case
        assert not verify(other).findings
        again = list(import_files(other, paths, **WHO))
        assert [(one.added.new_revision, one.added.new_entries) for one in again] == [(False, ())] * len(paths)


@pytest.fixture
def exported(archive, case, bare, tmp_path):
    """Three cases in a folder, and the receipt."""
    for one in (case, bare, evolve(bare, case_id="P-3")):
        archive.add(one, **WHO)
    *_, receipt = export(archive, tmp_path / "out")
    return tmp_path / "out", receipt_from_text(str(receipt))


TAMPERED = {
    "a length changed": lambda folder: change(folder / "bench-1.wl.json", "22.0", "20.0"),
    "one taken out": lambda folder: (folder / "P-3.wl.json").unlink(),
    "one put in": lambda folder: (folder / "P-4.wl.json").write_text((folder / "P-3.wl.json").read_text()),
    "two exchanged": lambda folder: exchange(folder / "P-2.wl.json", folder / "P-3.wl.json"),
    "the list changed": lambda folder: change(folder / LIST_NAME, "P-3", "P-4"),
    "the list is something else": lambda folder: (folder / LIST_NAME).write_text("[]"),
}
REMADE = {
    "the list made anew": lambda folder: remade(folder),
    "the list gone": lambda folder: (folder / LIST_NAME).unlink(),
}


def change(path, old, new):
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new))


def exchange(one, other):
    first = one.read_text()
    one.write_text(other.read_text())
    other.write_text(first)


def remade(folder):
    change(folder / "bench-1.wl.json", "22.0", "20.0")
    said = json.loads((folder / LIST_NAME).read_text())
    said["files"] = {name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in said["files"]}
    (folder / LIST_NAME).write_text(json.dumps(said))


def faults(address, folder, **more):
    """What an import into a new archive finds wrong: of files, or of the whole."""
    with open_archive(address, create=True) as other:
        try:
            return [one for one in import_files(other, [folder], **WHO, **more) if one.error is not None]
        except ArchiveError as error:
            return [error]


@pytest.mark.parametrize("tamper", (TAMPERED | REMADE).values(), ids=TAMPERED | REMADE)
def test_a_tampered_export_is_seen_where_it_comes_in(exported, new_address, backend, tamper):
    if backend == "postgresql":
        pytest.skip("the files are the same")
    folder, receipt = exported
    tamper(folder)
    assert faults(new_address(), folder, receipt=receipt)


@pytest.mark.parametrize("tamper", TAMPERED.values(), ids=TAMPERED)
def test_the_list_alone_shows_what_does_not_fit_it(exported, new_address, backend, tamper):
    if backend == "postgresql":
        pytest.skip("the files are the same")
    folder, _ = exported
    tamper(folder)
    assert faults(new_address(), folder)


def test_an_export_goes_on_after_a_bad_case_and_lists_it(archive, case, bare, sql, tmp_path):
    archive.add(case, **WHO)
    archive.add(evolve(bare, case_id="\u00fc" * 80), **WHO)  # 480 bytes as a name
    archive.add(bare, **WHO)
    sql("UPDATE wl_journal SET stored_by = 'XY' WHERE case_id = 'P-2'")
    *done, receipt = export(archive, tmp_path / "out")
    assert {one.case_id: one.error is None for one in done} == {"bench-1": True, "P-2": False, "\u00fc" * 80: True}
    assert receipt.files == 2
    assert len(list((tmp_path / "out").iterdir())) == 3


def test_an_import_goes_on_after_a_file_that_is_refused(archive, case, bare, tmp_path):
    archive.add(case, **WHO)
    folder = tmp_path / "in"
    folder.mkdir()
    save_case(evolve(case, tooth="47"), folder / "a.wl.json")
    (folder / "b.wl.json").write_text("{")
    save_case(evolve(bare, case_id=None), folder / "c.wl.json")
    save_case(bare, folder / "d.wl.json")
    (folder / "note.txt").write_text("no case")
    done = {one.path.name: one.error for one in import_files(archive, [folder, tmp_path / "none.wl.json"], **WHO)}
    assert list(done) == ["a.wl.json", "b.wl.json", "c.wl.json", "d.wl.json", "none.wl.json"]
    for name, words in (("a", "its content differs"), ("b", "must be JSON"), ("c", "case_id must be given")):
        assert words in done[f"{name}.wl.json"]
    assert done["d.wl.json"] is None
    assert "No such file" in done["none.wl.json"]
    assert archive.load("bench-1").case == case


def test_an_export_writes_over_nothing(archive, case, tmp_path):
    archive.add(case, **WHO)
    (tmp_path / "bench-1.wl.json").write_text("mine")
    with pytest.raises(ArchiveError, match="folder must be empty"):
        list(export(archive, tmp_path))
    with pytest.raises(ArchiveError, match="cannot be used: File exists"):
        list(export(archive, tmp_path / "bench-1.wl.json"))
    assert (tmp_path / "bench-1.wl.json").read_text() == "mine"


def test_a_backup_is_an_archive_with_the_same_chain_and_comes_back(archive, new_address, case, bare, note, tmp_path):
    head = archive.add(case, **WHO).head
    archive.add(evolve(case, tooth="47"), on=head, **WHO)
    head = archive.add(bare, **WHO).head
    archive.append("P-2", note("n1", extra={"flags": ["a-flag"]}), on=head, **WHO)
    path = tmp_path / "copy.sqlite"
    verdict = backup(archive, path)
    assert (verdict.findings, verdict.receipt) == ((), archive.receipt())
    assert sorted(tmp_path.glob(".*")) == []
    assert sorted(tmp_path.glob("copy*")) == [path]
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert is_backup(path)
    archive.append("P-2", note("n2"), on=archive.head("P-2"), **WHO)  # the copy does not follow
    with open_archive(new_address(), create=True) as other:
        assert restore(other, path) == verdict
        assert verify(other) == verdict
        for name in ("bench-1", "P-2"):
            assert [s.receipt for s in other.history(name)] == [s.receipt for s in archive.history(name)][
                : len(other.history(name))
            ]
        assert other.load("bench-1", revision=1).case == case
        # The chain goes on where it was.
        assert other.append("P-2", note("n3"), on=other.head("P-2"), **WHO).receipt.rows == verdict.receipt.rows + 1
        assert not verify(other).findings
        with pytest.raises(ArchiveError, match="must hold nothing yet"):
            restore(other, path)


def test_a_backup_while_others_write(archive, case, bare, note, tmp_path):
    head = archive.add(bare, **WHO).head
    copies = []
    for number in range(3):
        head = archive.append("P-2", note(f"n{number}"), on=head, **WHO).head
        with open_archive(str(tmp_path / "held.sqlite"), create=True):
            copies.append(backup(archive, tmp_path / f"copy{number}.sqlite"))
    assert [copy.entries for copy in copies] == [1, 2, 3]


def test_a_backup_of_what_was_changed_is_made_and_says_so(archive, case, sql, tmp_path):
    archive.add(case, **WHO)
    sql("UPDATE wl_journal SET stored_by = 'XY' WHERE seq = 2")
    verdict = backup(archive, tmp_path / "copy.sqlite")
    assert "row 2 (case bench-1, its row 2): is not what was stored" in verdict.findings
    with (
        open_archive(str(tmp_path / "new.sqlite"), create=True) as other,
        pytest.raises(ArchiveError, match=r"is not what was stored.*nothing was restored"),
    ):
        restore(other, tmp_path / "copy.sqlite")


def test_a_backup_writes_over_nothing_and_leaves_nothing_behind(archive, case, tmp_path):
    archive.add(case, **WHO)
    path = tmp_path / "copy.sqlite"
    path.write_text("mine")
    with pytest.raises(ArchiveError, match="must go to a new file"):
        backup(archive, path)
    assert path.read_text() == "mine"
    assert not is_backup(path)
    with pytest.raises(ArchiveError, match="cannot be"):
        backup(archive, tmp_path / "none" / "copy.sqlite")
    assert [found.name for found in tmp_path.iterdir() if "copy" in found.name or "none" in found.name] == [
        "copy.sqlite"
    ]
    assert not is_backup(Path("none"))
