"""A file is written whole or not at all: to a file beside it, flushed to the disk, and only then given its name.

Until that instant what stood there stands, after it the new content does, also when the power fails: the folder that keeps the
name is flushed too (POSIX).

- A link is followed: the file that it names is replaced, the link stays. One that leads nowhere is refused.
- A new file is for its owner alone, whatever the umask, unless it is said to be for others; most of what is written here
  concerns a patient. A file that is replaced keeps its mode. A write-protected file is refused.
- What a killed program left half written is removed by the next one that writes the same file.
- What a command reads it never writes over (:func:`keeping`), under whatever name.
- A device or pipe, such as ``/dev/stdout``, has no old content that could be lost: it is written straight into.
"""

from __future__ import annotations

import errno
import os
import re
import stat
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from pathlib import Path

from wlmeasure.errors import NotWrittenError, one_line

__all__ = ["alone", "keep", "keeping", "whole_file", "whole_folder", "write_whole"]

STREAMS = ("/dev/stdout", "/dev/stderr", "/dev/fd/", "/proc/")  # what is open already, which another may be writing to
LEFT_AFTER_S = 60.0  # so old a half-written file must be before it counts as left behind (our parameter)
FULL = (errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC))  # no reading ends with one of these
_KEPT: ContextVar[list[str | os.PathLike[str]] | None] = ContextVar("kept", default=None)
_LEFT = re.compile(r"[0-9a-f]{16}\.part(-wal|-shm|-journal)?")  # with what SQLite lays beside a database
NAME_KEPT = 40  # signs of a file's name that stand in that of its temporary: together they stay below 255 bytes


def write_whole(
    path: str | os.PathLike[str], content: bytes | str, *, replace: bool = True, private: bool = True
) -> None:
    """Write a file whole or not at all; a text as UTF-8, its line ends as they are. See :func:`whole_file`.

    Raises
    ------
    NotWrittenError
        It cannot be written; what stood there before still stands.
    """
    with whole_file(path, replace=replace, private=private) as temporary:
        try:
            temporary.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
        except OSError as error:
            raise _not_written(Path(path), error) from None


@contextmanager
def whole_file(path: str | os.PathLike[str], *, replace: bool = True, private: bool = True) -> Iterator[Path]:
    """A file to write to, empty at first, that becomes `path` when the block ends without an error; else it is removed.

    Parameters
    ----------
    path
        The file to be written; its folder must be there.
    replace
        Whether a file that is there is replaced. False: it is an error, also where it came while the block ran.
    private
        Whether a new file is for its owner alone; else it gets what the umask leaves.

    Raises
    ------
    NotWrittenError
        It cannot be written, or the disk is full while the block writes. What else the block raises goes on unchanged.
    """
    path = Path(path)
    with _told(path):
        target, old = _target(path, replace=replace)
    if old is not None and (not stat.S_ISREG(old.st_mode) or _is_stream(path)):
        with _full(path):
            yield path
        return
    temporary = target.with_name(f".{target.name[:NAME_KEPT]}.{os.urandom(8).hex()}.part")
    _remove_left(target)
    held = -1
    try:
        with _told(path):
            mode = 0o600 if private or old is not None else 0o666
            held = os.open(temporary, os.O_RDWR | os.O_CREAT | os.O_EXCL, mode)
            _lock(held)
        with _full(path):
            yield temporary
        with _told(path):
            if old is not None:
                temporary.chmod(old.st_mode & 0o777)
            _flush(temporary)
            if replace:
                temporary.replace(target)
            else:
                _put(temporary, target)
    finally:
        if held >= 0:
            os.close(held)
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
    _flush_folder(target.parent)


@contextmanager
def keeping(paths: Iterable[str | os.PathLike[str]] = ()) -> Iterator[None]:
    """Within the block nothing is written over these files, nor over those that :func:`keep` adds: they are what is read.

    Told by the file itself: a link to one of them, or a second name of it, is refused as its own name is.
    """
    before = _KEPT.set([*(_KEPT.get() or ()), *paths])
    try:
        yield
    finally:
        _KEPT.reset(before)


def keep(paths: Iterable[str | os.PathLike[str]]) -> None:
    """Add files to those that the block of :func:`keeping` around does not write over; without one it does nothing."""
    kept = _KEPT.get()
    if kept is not None:
        kept.extend(paths)


@contextmanager
def alone(path: str | os.PathLike[str]) -> Iterator[None]:
    """Within the block no other program is in such a block for a file of the same folder: for who reads, adds and writes again.

    By a lock on the folder, which goes with the process; where a system or file system has none, there is none.
    """
    handle = -1
    try:
        with suppress(ImportError, OSError):
            import fcntl

            handle = os.open(Path(path).absolute().parent, os.O_RDONLY)
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        if handle >= 0:
            os.close(handle)


def _check_kept(path: Path) -> None:
    for source in _KEPT.get() or ():
        with suppress(OSError):  # one of them is not there
            if path.samefile(source):
                name = one_line(Path(source).name)
                raise _not_written(path, f"it is {name}, which is read here; choose another name")


def _lock(handle: int) -> None:
    """Hold a file for as long as this program lives; where a system or file system cannot, it is not held."""
    with suppress(ImportError, OSError):
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _remove_left(target: Path) -> None:
    """Remove what programs that were killed left of this very file: old, and held by nobody."""
    try:
        import fcntl

        begin = f".{target.name[:NAME_KEPT]}."
        found = sorted(one for one in target.parent.iterdir() if one.name.startswith(begin))
    except (ImportError, OSError):
        return
    for left in found:
        is_ours = _LEFT.fullmatch(left.name[len(begin) :])
        if is_ours is None or (is_ours[1] and os.path.lexists(left.with_name(left.name.removesuffix(is_ours[1])))):
            continue
        with suppress(OSError):
            handle = os.open(left, os.O_RDONLY | os.O_NOFOLLOW)
            try:
                if time.time() - os.fstat(handle).st_mtime > LEFT_AFTER_S:
                    fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    left.unlink()
            finally:
                os.close(handle)


@contextmanager
def whole_folder(path: str | os.PathLike[str]) -> Iterator[Path]:
    """A folder to fill that becomes `path` when the block ends without an error; else it is removed with all in it.

    It and all in it are for their owner alone.

    Raises
    ------
    NotWrittenError
        `path` is there and is no empty folder, or cannot be made.
    """
    import shutil  # not needed to write a file, and not quick to import

    path = Path(path)
    if path.exists() and (not path.is_dir() or any(path.iterdir())):
        raise NotWrittenError(f"{path} must be a new or empty folder: it holds something; choose another")
    temporary = path.with_name(f".{path.name[:NAME_KEPT]}.{os.urandom(8).hex()}.part")
    try:
        with _told(path):
            path.parent.mkdir(parents=True, exist_ok=True)
            temporary.mkdir(mode=0o700)
        with _full(path):
            yield temporary
        with _told(path):
            for one in temporary.rglob("*"):
                one.chmod(0o700 if one.is_dir() else 0o600)
            if path.exists():
                path.rmdir()
            temporary.rename(path)
    finally:
        shutil.rmtree(temporary, ignore_errors=True)
    _flush_folder(path.parent)


def _target(path: Path, *, replace: bool) -> tuple[Path, os.stat_result | None]:
    """Where the bytes go, links followed, and what is there now."""
    try:
        old = path.stat()
    except FileNotFoundError:
        if path.is_symlink():
            raise _not_written(
                path, "it is a link to a file that is not there; mend the link or choose another name"
            ) from None
        return path, None
    _check_kept(path)
    if not replace:
        raise _not_written(path, "a file of that name is there already; choose another")
    if stat.S_ISDIR(old.st_mode):
        raise _not_written(path, "it is a folder; name a file in it")
    if not os.access(path, os.W_OK):
        raise _not_written(path, "it is write-protected; choose another name or take the protection off")
    return path.resolve(), old


def _is_stream(path: Path) -> bool:
    return str(path.absolute()).startswith(STREAMS)


def _put(temporary: Path, target: Path) -> None:
    """Give a file its name unless there is one by that name."""
    try:
        target.hardlink_to(temporary)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        if os.path.lexists(target):
            raise
        temporary.rename(target)


def _flush(path: Path) -> None:
    handle = os.open(path, os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _flush_folder(folder: Path) -> None:
    """The new name to the disk; where a system or file system cannot, the file stands all the same."""
    if os.name == "nt":
        return
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise _not_written(path, error) from None


@contextmanager
def _full(path: Path) -> Iterator[None]:
    """A disk without room is told with the file's name, whatever has filled it; any other error of the block is its own."""
    try:
        yield
    except OSError as error:
        if error.errno is None or error.errno not in FULL:
            raise
        raise _not_written(path, os.strerror(error.errno)) from None


def _not_written(path: Path, reason: OSError | str) -> NotWrittenError:
    said = reason if isinstance(reason, str) else reason.strerror or str(reason)
    kept = "; the old file is unchanged" if os.path.isfile(path) else ""  # noqa: PTH113 - never raises
    return NotWrittenError(f"{one_line(path.name)} cannot be written: {said}{kept}")
