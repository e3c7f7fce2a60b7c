"""What a codec in C writes to stderr, collected: some report a damaged picture only there, others chatter about a good one."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from wlmeasure.image.radiograph import printable

__all__ = ["codec_messages"]

_QUIET = threading.Lock()


@contextmanager
def codec_messages(lines: list[str]) -> Iterator[None]:
    """Collect what the codecs write to stderr.

    One thread at a time, because the file descriptor belongs to the process.
    """
    import tempfile  # not for PNG, which reports its damage properly; 3 ms

    with _QUIET, tempfile.TemporaryFile() as sink:
        kept = None
        with suppress(OSError):  # a program without a console has no stderr to keep
            kept = os.dup(2)
            os.dup2(sink.fileno(), 2)
        try:
            yield
        finally:
            if kept is not None:
                os.dup2(kept, 2)
                os.close(kept)
            sink.seek(0)
            text = sink.read(4096).decode("utf-8", "replace")
            lines += [line for line in (printable(raw) for raw in text.splitlines()) if line]
