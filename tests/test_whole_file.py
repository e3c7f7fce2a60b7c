"""A file is written whole or not at all, by one function, whoever writes it."""

from __future__ import annotations

import ast
import errno
import os
import signal
import stat
import subprocess
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from wlmeasure.cli import main
from wlmeasure.errors import NotWrittenError
from wlmeasure.whole_file import keep, keeping, whole_file, whole_folder, write_whole

ROOT = Path(__file__).resolve().parents[1]
CASE = ROOT / "sample_images" / "cases" / "straight.wl.json"
posix = pytest.mark.skipif(os.name == "nt", reason="Windows has no file modes, links for all, or devices in folders")


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def fill(path: Path, then: Callable[[], object], **options: bool) -> None:
    """A block that writes half a file and then does something else."""
    with whole_file(path, **options) as temporary:
        temporary.write_bytes(b"half")
        then()


def full(*_: object) -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


@pytest.mark.parametrize("content", [b"\x00\xff\r\n", "zażółć\r\n\n"])
def test_what_is_written_is_what_is_read(tmp_path: Path, content: bytes | str) -> None:
    """Bytes as they are; a text as UTF-8 with the line ends that it has, on every system."""
    write_whole(tmp_path / "a", content)
    assert (tmp_path / "a").read_bytes() == (content.encode("utf-8") if isinstance(content, str) else content)
    assert names(tmp_path) == ["a"]


@pytest.mark.parametrize("step", ["replace", "fsync", "open"])
@pytest.mark.parametrize("old", [b"old", None])
def test_a_disk_that_fails_leaves_what_was_there(tmp_path: Path, monkeypatch, step: str, old: bytes | None) -> None:
    path = tmp_path / "a.pdf"
    if old is not None:
        path.write_bytes(old)
    with monkeypatch.context() as patch:
        patch.setattr(os, step, full)
        with pytest.raises(NotWrittenError, match=r"^a\.pdf cannot be written: No space left on device") as caught:
            write_whole(path, b"new")
    assert ("the old file is unchanged" in str(caught.value)) == (old is not None)
    assert (path.read_bytes() if path.exists() else None) == old
    assert names(tmp_path) == ([] if old is None else ["a.pdf"])


def test_a_block_that_fails_halfway_leaves_nothing_new(tmp_path: Path) -> None:
    """Also when it is broken off by a person; what it raised goes on unchanged."""
    path = tmp_path / "a.csv"
    path.write_bytes(b"old")

    def fail(error: type[BaseException]) -> None:
        raise error

    for error in (ZeroDivisionError, KeyboardInterrupt, FileNotFoundError):
        with pytest.raises(error):
            fill(path, partial(fail, error))
    with pytest.raises(ZeroDivisionError), whole_folder(tmp_path / "d") as folder:
        (folder / str(1 // 0)).touch()
    assert path.read_bytes() == b"old"
    assert names(tmp_path) == ["a.csv"]


@pytest.mark.parametrize("whole", [whole_file, whole_folder])
def test_a_disk_that_is_full_within_the_block_is_told_with_the_name(tmp_path: Path, whole) -> None:
    """Whatever the block's own words are: a table is written piece by piece, and a library has words of its own."""
    with (
        pytest.raises(NotWrittenError, match=r"^a\.csv cannot be written: No space left on device$"),
        whole(tmp_path / "a.csv"),
    ):
        raise OSError(errno.ENOSPC, "Error writing bytes to file")
    assert names(tmp_path) == []


def test_until_the_end_of_the_block_the_old_file_stands(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(b"old")
    with whole_file(path) as temporary:
        temporary.write_bytes(b"new")
        assert path.read_bytes() == b"old"
        assert temporary.parent == tmp_path  # one file system: a renaming, no copy
    assert path.read_bytes() == b"new"


def test_the_file_and_its_folder_reach_the_disk_in_that_order(tmp_path: Path, monkeypatch) -> None:
    """The content before the name, the name before we say that it is written."""
    told: list[str] = []
    really_fsync, really_replace = os.fsync, os.replace

    def fsync(handle: int) -> None:
        told.append("folder" if stat.S_ISDIR(os.fstat(handle).st_mode) else f"file of {os.fstat(handle).st_size}")
        really_fsync(handle)

    def replace(*names: object) -> None:
        told.append("name")
        really_replace(*names)

    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(os, "replace", replace)
    write_whole(tmp_path / "a", b"four")
    assert told == ["file of 4", "name", "folder"] if os.name != "nt" else ["file of 4", "name"]


@posix
@pytest.mark.parametrize(("private", "new"), [(False, 0o640), (True, 0o600)])
def test_a_new_file_gets_what_the_umask_leaves_and_an_old_one_keeps_its_mode(
    tmp_path: Path, private: bool, new: int
) -> None:
    path = tmp_path / "a"
    old = os.umask(0o027)
    try:
        write_whole(path, b"", private=private)
        assert stat.S_IMODE(path.stat().st_mode) == new
        path.chmod(0o604)
        write_whole(path, b"", private=private)
        assert stat.S_IMODE(path.stat().st_mode) == 0o604
    finally:
        os.umask(old)


@posix
def test_a_link_stays_and_the_file_that_it_names_is_written(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    target, link = tmp_path / "there" / "b", tmp_path / "a"
    target.write_bytes(b"old")
    link.symlink_to(Path("there") / "b")
    write_whole(link, b"new")
    assert link.is_symlink()
    assert target.read_bytes() == b"new"
    target.unlink()
    with pytest.raises(NotWrittenError, match="it is a link to a file that is not there; mend the link"):
        write_whole(link, b"new")
    link.unlink()
    link.symlink_to(link)
    with pytest.raises(NotWrittenError, match="a cannot be written"):
        write_whole(link, b"new")
    assert names(tmp_path / "there") == []


def test_a_write_protected_file_is_not_written_over(tmp_path: Path, monkeypatch) -> None:
    """The system is asked, since to its administrator nothing is protected."""
    path = tmp_path / "a"
    path.write_bytes(b"old")
    path.chmod(0o444)
    monkeypatch.setattr(os, "access", lambda file, mode, **_: mode != os.W_OK)
    with pytest.raises(NotWrittenError, match=r"it is write-protected; .*; the old file is unchanged"):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"


@pytest.mark.parametrize("name", ["folder", "none/a"])
def test_what_cannot_be_a_file_is_told_in_one_line(tmp_path: Path, name: str) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(NotWrittenError, match=r"cannot be written: (it is a folder|No such file)") as caught:
        write_whole(tmp_path / name, b"")
    assert "\n" not in str(caught.value)


def test_a_name_of_the_longest_length_can_be_written(tmp_path: Path) -> None:
    write_whole(tmp_path / ("ż" * 125 + ".pdf"), b"")
    assert len(names(tmp_path)) == 1


def test_a_file_that_is_there_or_comes_in_between_is_not_replaced(tmp_path: Path) -> None:
    path = tmp_path / "a"
    with pytest.raises(NotWrittenError, match="cannot be written"):
        fill(path, lambda: path.write_bytes(b"theirs"), replace=False)
    with pytest.raises(NotWrittenError, match="a file of that name is there already"):
        write_whole(path, b"ours", replace=False)
    assert path.read_bytes() == b"theirs"
    assert names(tmp_path) == ["a"]
    write_whole(tmp_path / "b", b"ours", replace=False)
    assert (tmp_path / "b").read_bytes() == b"ours"


def test_without_hard_links_too_nothing_is_replaced(tmp_path: Path, monkeypatch) -> None:
    """As on many network drives and sticks."""

    def none(*_: object) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", none)
    write_whole(tmp_path / "a", b"ours", replace=False)
    with pytest.raises(NotWrittenError, match="cannot be written"):
        fill(tmp_path / "b", lambda: (tmp_path / "b").write_bytes(b"theirs"), replace=False)
    assert [(tmp_path / name).read_bytes() for name in "ab"] == [b"ours", b"theirs"]


@posix
@posix
@pytest.mark.parametrize("way", ["its own name", "a link", "a link to a link", "a second name"])
def test_what_is_read_is_not_written_over(tmp_path: Path, way: str) -> None:
    source, out = tmp_path / "film.png", tmp_path / "out"
    source.write_bytes(b"film")
    if way == "its own name":
        out = source
    elif way == "a second name":
        out.hardlink_to(source)
    else:
        out.symlink_to(source)
        if way == "a link to a link":
            out = tmp_path / "again"
            out.symlink_to("out")
    with keeping([tmp_path / "not there"]):
        keep([source])
        with pytest.raises(NotWrittenError, match=rf"{out.name} cannot be written: it is film.png, which is read here"):
            write_whole(out, b"page")
    assert source.read_bytes() == b"film"
    write_whole(out, b"page")  # outside the block it is a file like any other
    assert source.read_bytes() == (b"film" if way == "a second name" else b"page")


@posix
def test_what_a_killed_program_left_is_removed_by_the_next(tmp_path: Path) -> None:
    """Old and held by nobody; not a fresh one, not one that is being written, not another file's."""
    write = "import os, signal; os.kill(os.getpid(), signal.SIGKILL)"
    code = f"from wlmeasure.whole_file import whole_file\nwith whole_file({str(tmp_path / 'a')!r}) as t:\n    {write}"
    subprocess.run([sys.executable, "-c", code], env=os.environ | {"PYTHONPATH": str(ROOT)})
    (left,) = tmp_path.iterdir()
    other = tmp_path / left.name.replace(".a.", ".b.")
    other.touch()
    os.utime(other, (0, 0))
    write_whole(tmp_path / "a", b"new")
    assert left.exists()  # a moment old: another computer may be at it
    os.utime(left, (0, 0))
    with whole_file(tmp_path / "a") as mine:
        os.utime(mine, (0, 0))
        write_whole(tmp_path / "a", b"another's")
        assert mine.exists()
    assert names(tmp_path) == sorted([other.name, "a"])


@posix
def test_what_sqlite_laid_beside_a_file_that_was_never_finished_is_removed(tmp_path: Path) -> None:
    """Pages of patients' records; not those of a file that is still there, which a program may be writing."""
    for name in ("0" * 16, "1" * 16):
        for rest in ("-wal", "-shm", "-journal"):
            (tmp_path / f".a.{name}.part{rest}").touch()
    (tmp_path / f".a.{'1' * 16}.part").touch()
    for path in tmp_path.iterdir():
        if path.suffix != ".part":
            os.utime(path, (0, 0))
    write_whole(tmp_path / "a", b"new")
    assert [name for name in names(tmp_path) if "0" * 16 in name] == []
    assert len([name for name in names(tmp_path) if "1" * 16 in name]) == 4


@posix
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_program_that_is_told_to_end_leaves_nothing(tmp_path: Path, monkeypatch, number: int) -> None:
    monkeypatch.setattr(os, "fsync", lambda _: signal.raise_signal(number))
    with pytest.raises(SystemExit) as ended:
        main(["convert", str(CASE), "--paths-only", "--out", str(tmp_path / "x.wlpaths.json")])
    assert ended.value.code == 128 + number
    assert names(tmp_path) == []
    assert signal.getsignal(number) is signal.SIG_DFL


def test_a_device_is_written_into_and_stays_one(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    reader = os.open(tmp_path / "pipe", os.O_RDONLY | os.O_NONBLOCK)
    write_whole(tmp_path / "pipe", b"through")
    assert os.read(reader, 100) == b"through"
    os.close(reader)
    assert stat.S_ISFIFO((tmp_path / "pipe").stat().st_mode)
    write_whole("/dev/null", b"gone")
    assert stat.S_ISCHR(Path("/dev/null").stat().st_mode)


@posix
def test_what_a_shell_has_opened_stays_the_same_file(tmp_path: Path) -> None:
    """`--out /dev/stdout > file`: what is printed afterwards stands in the same file."""
    code = "import os; from wlmeasure.whole_file import write_whole; write_whole('/dev/stdout', 'a'); os.write(1, b'b')"
    with (tmp_path / "out").open("ab") as file:
        subprocess.run([sys.executable, "-c", code], stdout=file, check=True, cwd=ROOT)
    assert (tmp_path / "out").read_bytes() == b"ab"


def test_a_folder_appears_whole_and_replaces_only_an_empty_one(tmp_path: Path) -> None:
    (tmp_path / "d").mkdir()
    with whole_folder(tmp_path / "d") as folder:
        (folder / "a").write_bytes(b"a")
    assert names(tmp_path / "d") == ["a"]
    for there in (tmp_path / "d", tmp_path / "d" / "a"):
        with pytest.raises(NotWrittenError, match="must be a new or empty folder"), whole_folder(there):
            raise AssertionError("nothing is begun")
    assert names(tmp_path) == ["d"]


@pytest.mark.parametrize("words", [["report"], ["report", "--stops"]])
def test_a_report_that_cannot_be_written_leaves_the_old_one(tmp_path: Path, monkeypatch, capsys, words) -> None:
    """The disk is full when the page is written: the page that a surgery prints from still opens."""
    out = tmp_path / "page.html"
    out.write_bytes(b"the old page")
    monkeypatch.setattr(os, "fsync", full)
    assert main([*words, str(CASE), "--out", str(out)]) == 1
    assert "page.html cannot be written: No space left on device; the old file is unchanged" in capsys.readouterr().err
    assert out.read_bytes() == b"the old page"
    assert names(tmp_path) == ["page.html"]


# What opens a file that another function has made for it to fill: the file or folder of a `whole_file` or `whole_folder`.
FILLS = {"study/path_tables.py", "study/path_files.py", "study/dataset.py", "study/batch.py", "study/propose.py"}
CALLS = {"write_bytes", "write_text", "mkstemp", "mkdtemp", "NamedTemporaryFile", "hardlink_to", "fsync"}


def test_nobody_else_writes_a_file() -> None:
    """Every call in the program and the plugin that makes, renames or opens a file to write stands in `whole_file`."""
    found: set[str] = set()
    for top in (ROOT / "wlmeasure", ROOT / "plugins"):
        for path in top.rglob("*.py"):
            name = path.relative_to(top).as_posix()
            if name == "whole_file.py":
                continue
            for node in ast.walk(ast.parse(path.read_text("utf-8"))):
                if not isinstance(node, ast.Call):
                    continue
                called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
                words = [one.value for one in node.args if isinstance(one, ast.Constant)]
                opens = called == "open" and any(isinstance(w, str) and w[:1] in "wax" and len(w) < 4 for w in words)
                renames = called in ("rename", "replace") and len(node.args) == 1 and not node.keywords  # a path's own
                if called in CALLS or renames or (opens and name not in FILLS):
                    found.add(f"{name}:{node.lineno} {called}")
    assert found == set()
