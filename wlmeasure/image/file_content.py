"""The bytes of a file that somebody names, where the name may be a trap: bounded, and never a device or a pipe.

A path may come from a case file that was mailed. What has no end (a device), no writer (a pipe) or no length (what the
system makes up as it is read, such as /proc) is refused before a byte is read.
"""

from __future__ import annotations

import os
import stat
from errno import EINVAL, EISDIR
from pathlib import Path

from wlmeasure.errors import ImageError, one_line

TYPE_CHECKING = False  # `typing` is kept off the start-up path
if TYPE_CHECKING:
    from typing import BinaryIO

__all__ = ["MAX_FILE_BYTES", "file_content", "first_bytes", "open_regular", "regular_bytes"]

MAX_FILE_BYTES = 200_000_000
"""Largest file read into memory, in bytes: with its picture decoded it stays below 1 GB (our parameter)."""


def open_regular(path: Path) -> BinaryIO:
    """The file, open for reading in binary; it must be closed by the caller.

    Raises
    ------
    OSError
        Nothing there, no right to it, or no regular file (EINVAL): what has no end or waits for a writer is not opened.
    """
    _check_regular(path.stat().st_mode)  # first: opening a pipe may wait for its writer
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    try:
        _check_regular(os.fstat(handle).st_mode)  # another one may have been put there since
    except OSError:
        os.close(handle)
        raise
    return os.fdopen(handle, "rb")


def _check_regular(mode: int) -> None:
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(EISDIR, os.strerror(EISDIR))
    if not stat.S_ISREG(mode):
        raise OSError(EINVAL, "a device or pipe, which has no end")


def first_bytes(path: Path, most: int) -> bytes:
    """At most so many bytes from the beginning of a regular file; OSError as :func:`open_regular`."""
    with open_regular(path) as file:
        return file.read(most) or b""  # None: what the system makes up has nothing to say just now


def regular_bytes(path: Path) -> bytes:
    """All bytes of a regular file, of which there may be none; OSError as :func:`open_regular`."""
    with open_regular(path) as file:
        return file.read()


def file_content(path: Path, max_bytes: int = MAX_FILE_BYTES) -> bytes:
    """All bytes of a regular file.

    Raises
    ------
    ImageError
        Nothing there, a folder, a device, no bytes, or more than `max_bytes`; without the file's name.
    """
    try:
        if not path.is_file():
            what = "a directory or device" if path.exists() else "nothing there"
            hint = "; wlmeasure films lists those in a folder" if path.is_dir() else "; check the name"
            raise ImageError(f"path must be an image file: {what}{hint}")
        with open_regular(path) as file:
            size = os.fstat(file.fileno()).st_size
            if size > max_bytes:
                raise ImageError(f"file must be at most {max_bytes} bytes: {size}; it is not one radiograph")
            data = file.read(size) if size else b""
    except (OSError, ValueError) as error:
        if isinstance(error, ImageError):
            raise
        reason = getattr(error, "strerror", None) or one_line(error)
        raise ImageError(f"file cannot be opened: {reason}; check the name and the permissions") from error
    if not data:
        raise ImageError("file must hold an image: it has zero bytes; copy or export it again")
    return data
