"""What a decoder writes to stderr, collected: some report a damaged picture only there."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from wlmeasure.image.radiograph import printable

__all__ = ["codec_messages"]

_QUIET = threading.Lock()
MOST_BYTES = 4096  # of what is said that is looked at (our parameter)


@contextmanager
def codec_messages(lines: list[str]) -> Iterator[None]:
    """Collect in `lines` what is written to file descriptor 2 meanwhile.

    One thread at a time, because the file descriptor belongs to the process.
    """
    with _QUIET:
        sink = _sink()
        kept = None
        with suppress(OSError):  # a program without a console has no stderr to keep
            kept = os.dup(2)
            os.dup2(sink, 2)
        try:
            yield
        finally:
            if kept is not None:
                os.dup2(kept, 2)
                os.close(kept)
            os.lseek(sink, 0, os.SEEK_SET)
            text = os.read(sink, MOST_BYTES).decode("utf-8", "replace")
            os.close(sink)
            lines += [line for line in (printable(raw) for raw in text.splitlines()) if line]


def _sink() -> int:
    """A file without a name."""
    if hasattr(os, "memfd_create"):
        return os.memfd_create("codec messages")
    import tempfile  # 3 ms

    with tempfile.TemporaryFile() as file:
        return os.dup(file.fileno())
