"""What the commands leave on a disk: for whose eyes, never over what they read, nothing half made."""

import errno
import json
import os
import shutil
import stat
from pathlib import Path

import pytest

from wlmeasure.cli import main

ROOT = Path(__file__).resolve().parents[1]
SAMPLES = ROOT / "sample_images"
pytestmark = pytest.mark.skipif(os.name == "nt", reason="Windows has no file modes and no links for all")

FOR_OTHERS = {"phantom", "learn", "study"}  # made from nothing, or blinded; all else concerns a patient


@pytest.fixture
def case(tmp_path):
    """A case with its film, as a folder from elsewhere."""
    folder = tmp_path / "from"
    (folder / "cases").mkdir(parents=True)
    (folder / "films").mkdir()
    text = (SAMPLES / "cases" / "straight.wl.json").read_text()
    (folder / "cases" / "straight.wl.json").write_text(text)
    for film in json.loads(text)["films"]:
        shutil.copyfile(SAMPLES / "cases" / film["path"], folder / "cases" / film["path"])
    return folder / "cases" / "straight.wl.json"


READINGS = "subject,observer,repeat,value\n" + "".join(
    f"s{s},{o},1,{20 + s + 0.1 * k}\n" for s in range(6) for k, o in enumerate("AB")
)
COMMANDS = {
    "report pdf": ["report", "{case}", "--out", "{out}/a.pdf"],
    "report html": ["report", "{case}", "--out", "{out}/a.html"],
    "report stops": ["report", "{case}", "--stops", "--out", "{out}/b.pdf"],
    "share table": ["share", "{case}", "--as", "table", "--out", "{out}/a.csv"],
    "share paths": ["share", "{case}", "--as", "paths", "--out", "{out}/a.json"],
    "share sr": ["share", "{case}", "--as", "sr", "--out", "{out}/a.dcm"],
    "share secondary": ["share", "{case}", "--as", "secondary", "--out", "{out}/b.dcm"],
    "deidentify": ["deidentify", "{film}", "--out", "{out}/clean", "--no-text-in-pixels", "--preview", "{out}/look"],
    "record add": ["record", "add", "{case}", "--by", "AB", "--archive", "{out}/a.sqlite"],
    "record show": ["record", "show", "bench-01", "--archive", "{out}/a.sqlite", "--out", "{out}/c.wl.json"],
    "record export": ["record", "export", "{out}/export", "--archive", "{out}/a.sqlite"],
    "record backup": ["record", "backup", "{out}/b.sqlite", "--archive", "{out}/a.sqlite"],
    "convert": ["convert", "{case}", "--out", "{out}/a.wlpaths.json"],
    "convert tables": ["convert", "{case}", "--out", "{out}/tables"],
    "batch": ["batch", "{out}/a.wlpaths.json", "--out", "{out}/table.csv"],
    "observers": ["observers", "{readings}", "--out", "{out}/observers.html"],
    "study init": ["study", "init", "{out}/study", "{case}", "--observers", "A,B"],
    "read --case": ["read", "{out}/a.dcm", "--case", "{out}/d.wl.json"],
}


def test_files_that_concern_a_patient_are_for_their_owner_alone(case, tmp_path, capsys):
    """With a umask that would let everybody read them; every file of the commands, by its mode."""
    out = tmp_path / "to"
    out.mkdir()
    (tmp_path / "readings.csv").write_text(READINGS)
    told = {"case": case, "film": next((case.parent.parent / "films").iterdir()), "out": out}
    told["readings"] = tmp_path / "readings.csv"
    modes = {}
    old = os.umask(0)
    try:
        for name, words in COMMANDS.items():
            before = {path for path in out.rglob("*") if path.is_file()}
            assert main([word.format(**told) for word in words]) == 0, (name, capsys.readouterr().err)
            made = {path for path in out.rglob("*") if path.is_file()} - before
            assert made, name
            modes |= {path.relative_to(out).as_posix(): (name, stat.S_IMODE(path.stat().st_mode)) for path in made}
    finally:
        os.umask(old)
    assert [path for path in out.rglob(".*") if not path.name.startswith(".table")] == []  # no temporary file
    open_to_others = {path for path, (_, mode) in modes.items() if mode & 0o077}
    assert all(path.startswith("study/") for path in open_to_others), open_to_others
    assert modes["study/key.json"] == ("study init", 0o600)
    assert modes["study/study.json"][1] & 0o044  # what every observer reads


def test_a_full_disk_is_no_fault_of_a_films_header(case, tmp_path, capsys, monkeypatch):
    def full(_):
        raise OSError(errno.ENOSPC, "No space left on device")

    film = next((case.parent.parent / "films").iterdir())
    monkeypatch.setattr(os, "fsync", full)
    assert main(["deidentify", str(film), "--out", str(tmp_path / "clean"), "--no-text-in-pixels"]) == 1
    told = capsys.readouterr().err
    assert "0001.png cannot be written: No space left on device" in told
    assert "header" not in told


ONTO = [
    ["report", "{case}", "--out", "{link}.html"],
    ["report", "{case}", "--stops", "--out", "{link}.pdf"],
    ["share", "{case}", "--as", "table", "--out", "{link}.csv"],
    ["share", "{case}", "--as", "paths", "--out", "{link}.json"],
    ["convert", "{case}", "--paths-only", "--out", "{link}.wlpaths.json"],
    ["batch", "{case}", "--paths-only", "--out", "{link}.csv"],
]


@pytest.mark.parametrize("target", ["case", "film"])
@pytest.mark.parametrize("words", ONTO, ids=[f"{words[0]} {words[-1]}" for words in ONTO])
def test_no_output_goes_through_a_link_onto_what_it_is_made_from(case, tmp_path, capsys, words, target):
    film = next((case.parent.parent / "films").iterdir())
    source = case if target == "case" else film
    if target == "film" and words[0] in ("convert", "batch"):
        pytest.skip("without its films")
    link = tmp_path / "link"
    name = Path(words[-1].format(case=case, link=link))
    name.symlink_to(source)
    before = source.read_bytes()
    assert main([word.format(case=case, link=link) for word in words]) == 1
    told = capsys.readouterr().err
    assert f"{name.name} " in told
    assert source.name in told or "new file" in told
    assert source.read_bytes() == before
    assert name.is_symlink()
