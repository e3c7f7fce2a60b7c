"""`wlmeasure record` from outside, on both databases: what it stores, says and refuses."""

import copy
import importlib.util
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from wlmeasure.cli import main
from wlmeasure.record.archive.place import VARIABLE
from wlmeasure.record.case import load_case

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture
def named(address, monkeypatch):
    """The archive's address in the environment."""
    monkeypatch.setenv(VARIABLE, address)
    return address


@pytest.fixture
def say(named, capsys):
    """Run one word of `record`: (status, stdout, stderr)."""

    def say(*words):
        try:
            status = main(["record", *(str(word) for word in words)])
        except SystemExit as stop:
            status = stop.code
        said = capsys.readouterr()
        return status, said.out, said.err

    return say


@pytest.fixture
def ok(say):
    def ok(*words):
        status, out, err = say(*words)
        assert (status, err) == (0, "")
        return out

    return ok


@pytest.fixture
def refused(say):
    def refused(*words):
        status, out, err = say(*words)
        assert (status, out, err.count("\n")) == (1, "", 1), (status, out, err)
        assert err.startswith("wlmeasure: ")
        return err

    return refused


@pytest.fixture
def file(full, tmp_path):
    def file(name="a.wl.json", **members):
        path = tmp_path / name
        path.write_text(json.dumps(copy.deepcopy(full) | members), encoding="utf-8")
        return path

    return file


def test_a_case_from_its_file_to_the_record_and_back(ok, file, tmp_path):
    out = ok("add", file(), "--by", "AB")
    assert out.startswith("case bench-1: revision 1 and entries e1, e2; now at row 3\n  receipt 3:")
    assert ok("add", file(), "--by", "AB").startswith("case bench-1: nothing new; now at row 3\n")
    given = ("--canal", "MB", "--set", "length_mm=21,5", "--set", "length_std_mm=0.2 mm", "--set", "status=caution")
    out = ok("add", "bench-1", "--kind", "film length", *given, "--by", "CD", "--at", "2026-11-26T08:00:00")
    assert out.startswith("case bench-1: entries e3; now at row 4\n")
    out = ok("show", "bench-1", "--out", tmp_path / "again.wl.json")
    assert "case bench-1, tooth 46: revision 1, 3 entries, at row 4 (last change 20" in out
    assert "  MB: nothing decided; from the mesiobuccal cusp tip\n" in out
    assert "[superseded by e2]" in out
    assert "e3    2026-11-26 08:00, MB: length on the film at 21.5 mm ± 0.4, caution, from mesiobuccal" in out
    entry = load_case(tmp_path / "again.wl.json").entries[-1]
    assert (entry.length_mm, entry.length_std_mm, entry.by, entry.canal) == (21.5, 0.2, "CD", "MB")
    assert (entry.reference_point, entry.program) == ("mesiobuccal cusp tip", None)
    out = ok("history", "bench-1")
    assert [line.split()[0] for line in out.splitlines()] == ["case", "row", "1", "2", "3", "4"]
    assert out.splitlines()[-1].endswith("CD  2026-11-26T08:00:00  entry e3: MB, film length 21.5 mm ± 0.4")
    assert "bench-1" in ok("list", "--status", "caution", "--since", "2026-11-26", "--tooth", "46")
    assert "bench-1" in ok("list", "--tooth", "Universal 30")
    assert ok("list", "--tooth", "FDI 11") == "no case\n"


def test_a_decision_shows_as_what_holds(ok, file):
    ok("add", file())
    ok("add", "bench-1", "--kind", "decided working length", "--canal", "MB", "--set", "length_mm=20.5")
    assert "  MB: decided working length 20.5 mm (e3); from the" in ok("show", "bench-1")


def test_json_is_what_the_text_says(ok, file):
    added = json.loads(ok("add", file(), "--by", "AB", "--json"))
    assert (added["case_id"], added["row"], added["revision"], added["new_entries"]) == ("bench-1", 3, 1, ["e1", "e2"])
    assert (
        json.loads(ok("list", "--json"))["cases"][0].items() >= {"case_id": "bench-1", "row": 3, "entries": 2}.items()
    )
    shown = json.loads(ok("show", "bench-1", "--json"))
    assert (shown["row"], shown["revision"], shown["case"]["entries"][1]["supersedes"]) == (3, 1, "e1")
    rows = json.loads(ok("history", "bench-1", "--json"))["rows"]
    assert [row["what"] for row in rows] == ["revision", "entry", "entry"]
    assert (rows[1]["entry"]["length_mm"], rows[0]["stored_by"]) == (22.0, "AB")
    verdict = json.loads(ok("verify", "--json"))
    assert verdict == {
        **{"sound": True, "findings": [], "cases": 1, "revisions": 1, "entries": 2},
        "receipt": added["receipt"],
    }
    assert rows[-1]["receipt"] == added["receipt"]


def test_a_case_that_has_moved_on(ok, refused, file):
    ok("add", file())
    assert "at row 3, and its content differs" in refused("add", file(tooth="47"))
    assert "revision 2; now at row 4" in ok("add", file(tooth="47"), "--on", 3)
    assert "it was at row 3, it is at row 4" in refused("add", file(tooth="36"), "--on", 3)
    note = ("--kind", "note", "--canal", "MB")
    assert "it was at row 3, it is at row 4" in refused("add", "bench-1", *note, "--on", 3)
    assert "entries e3" in ok("add", "bench-1", *note, "--on", 4)
    assert "tooth 46: revision 1" in ok("show", "bench-1", "--revision", 1)


def test_a_file_without_an_id(ok, refused, file):
    path = file(case_id=None)
    assert "case id must be given" in refused("add", path)
    assert ok("add", path, "--id", "P-7").startswith("case P-7: revision 1")
    assert "which the case has already" in refused("add", file("b.wl.json"), "--id", "P-8")
    assert "case id must be one line" in refused("add", path, "--id", "a\nb")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("add", "bench-1", "--kind", "glide path", "--set", "size=10"), "canal"),
        (
            (
                "add",
                "bench-1",
                "--kind",
                "shaping file",
                "--canal",
                "MB",
                "--set",
                "size=33",
                "--set",
                "taper=0.04",
                "--set",
                "length_mm=20",
            ),
            "special",
        ),
        (("add", "bench-1", "--kind", "decided working length", "--canal", "MB", "--set", "length_mm=2"), "Or 20 mm"),
        (("add", "bench-1", "--kind", "note", "--canal", "MB", "--id", "x"), "--id must not be given with --kind"),
        (("add", "FILE", "--canal", "MB"), "--kind must be given with --canal"),
        (("add", "FILE", "--set", "note=x"), "--kind must be given"),
        (("add", "bench-1", "--kind", "wish", "--canal", "MB"), "kind must be one of preoperative estimate"),
        (("add", "bench-1", "--kind", "note", "--canal", "DB"), "canal must be one of the case (MB, ML): 'DB'"),
        (
            ("add", "bench-1", "--kind", "note", "--canal", "MB", "--set", "length_mm=long"),
            "length must be a number",
        ),
        (("add", "bench-1", "--kind", "note", "--canal", "MB", "--set", "length_mm=99"), "length must be <= 60: 99"),
        (("add", "bench-1", "--kind", "note", "--canal", "MB", "--set", "lenth_mm=9"), "--set must be one of"),
        (("add", "bench-1", "--kind", "note", "--canal", "MB", "--set", "id=e9"), "--set must be one of"),
        (("add", "bench-1", "--kind", "note", "--canal", "MB", "--set", "note"), "--set must be one of"),
        (
            ("add", "bench-1", "--kind", "note", "--canal", "MB", "--at", "2020-01-01T10:00"),
            "at lies before the entry above it",
        ),
        (
            ("add", "bench-1", "--kind", "note", "--canal", "MB", "--at", "2126-01-01T10:00"),
            "must not lie in the future",
        ),
        (
            ("add", "bench-1", "--kind", "proposed working length", "--canal", "MB", "--set", "length_mm=20"),
            "kind must be one of preoperative estimate",
        ),
        (("add", "bench-1", "--kind", "note", "--canal", "MB", "--set", "supersedes=e9"), "supersedes must name"),
        (("add", "P-9", "--kind", "note", "--canal", "MB"), "case must be one of the archive: 'P-9'"),
        (("add", "none.wl.json"), "none.wl.json cannot be read"),
        (("show", "P-9"), "`wlmeasure record list` shows them"),
        (("history", "P-9"), "`wlmeasure record list` shows them"),
        (("show", "bench-1", "--out", "FILE"), "--out must name a new file"),
        (("list", "--since", "yesterday"), "since must be a day"),
        (("verify", "--receipt", "x"), "receipt must be a number, a colon"),
        (("backup", "FILE"), "backup must go to a new file"),
        (("list", "--archive", "postgresql://wl:geheim@h/x"), "must hold no password"),
    ],
)
@pytest.mark.parametrize("backend", ["sqlite"])
def test_what_is_refused_is_one_line(ok, refused, file, words, message):
    path = file()
    ok("add", path)
    assert message in refused(*(path if word == "FILE" else word for word in words))
    assert "row 3" in ok("show", "bench-1")


def test_wrong_usage_is_status_2(say):
    assert say()[0] == 2
    assert say("forget")[0] == 2
    assert say("show")[0] == 2


def test_reading_makes_no_archive(refused, backend, named, tmp_path):
    for words in (("list",), ("verify",), ("show", "P-1"), ("export", tmp_path / "out"), ("backup", tmp_path / "b")):
        assert "must be made first: `wlmeasure record add` makes it" in refused(*words)
    if backend == "sqlite":
        assert not Path(named).exists()


def test_verify_says_what_it_found_and_ends_with_1(ok, say, file, named, backend):
    from wlmeasure.record.archive.archive import open_archive

    receipt = json.loads(ok("add", file(), "--json"))["receipt"]
    assert ok("verify", "--receipt", receipt[:30]).startswith("as it was stored: 1 cases, 1 revisions, 2 entries\n")
    with open_archive(named) as archive, archive.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE wl_journal SET stored_by = 'XY' WHERE seq = 2")
    status, out, err = say("verify")
    assert status == 1
    assert out.startswith("NOT what was stored: 1 cases")
    assert "  row 2 (case bench-1, its row 2): is not what was stored\n" in out
    assert err == "wlmeasure: archive is not what was stored: see the findings, and compare with the last backup\n"


def test_export_backup_and_import(ok, say, refused, file, tmp_path, monkeypatch, new_address):
    ok("add", file())
    path = tmp_path / "out" / "bench-1.wl.json"
    written, receipt = ok("export", tmp_path / "out").splitlines()
    assert (written, receipt.split()[0]) == (str(path), "receipt")
    assert ok("import", tmp_path / "out", "--receipt", receipt.split()[1]).endswith("nothing new\n")
    assert "must be the export of receipt" in refused("import", tmp_path / "out", "--receipt", f"2:{'0' * 16}")
    copied = json.loads(ok("backup", tmp_path / "copy.sqlite", "--json"))
    assert ok("import", tmp_path / "out") == f"{path}: bench-1: nothing new\n"
    monkeypatch.setenv(VARIABLE, new_address())
    assert json.loads(ok("import", tmp_path / "copy.sqlite", "--json")) == copied == json.loads(ok("verify", "--json"))
    assert "must hold nothing yet" in refused("import", tmp_path / "copy.sqlite")
    monkeypatch.setenv(VARIABLE, new_address())
    status, out, err = say("import", tmp_path / "out", tmp_path / "none.wl.json")
    assert (status, err) == (1, "wlmeasure: 1 of 2 files must be looked at: nothing was stored of them\n")
    assert out.splitlines()[0] == f"{path}: bench-1: revision 1 and entries e1, e2"
    assert out.splitlines()[1].startswith(f"{tmp_path / 'none.wl.json'}: REFUSED: none.wl.json cannot be read")
    assert json.loads(ok("show", "bench-1", "--json"))["case"]["case_id"] == "bench-1"


def test_a_process_of_its_own_with_warnings_as_errors(named, file, backend):
    environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"}
    for words in (("add", str(file())), ("list",), ("verify",)):
        command = [sys.executable, "-W", "error", "-m", "wlmeasure.cli", "record", *words]
        done = subprocess.run(command, capture_output=True, text=True, env=environment)
        assert (done.returncode, done.stderr) == (0, "")
        assert "bench-1" in done.stdout or "1 cases" in done.stdout


@pytest.mark.parametrize("backend", ["sqlite"])
def test_without_the_extra_it_says_what_to_install(refused, file, monkeypatch):
    found = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "sqlalchemy" else found(name))
    for words in (("list",), ("add", file())):
        assert 'run pip install "wlmeasure[archive]"' in refused(*words)
