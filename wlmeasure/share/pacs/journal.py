"""Which sends were begun and not yet seen to be complete: one small file each, gone once the archive was read back.

Nothing is believed because of it: the archive itself is asked. It tells the half-stored rest of a send of our own, which is
sent once more, from somebody else's object under the same identifier, which is not touched. No names stand in it.
"""

from __future__ import annotations

import hashlib
import json
from contextlib import suppress
from pathlib import Path

from attrs import frozen

from wlmeasure.errors import NotWrittenError, PacsError
from wlmeasure.image.file_content import first_bytes
from wlmeasure.whole_file import write_whole

__all__ = ["Journal", "user_journal"]

LARGEST = 4096  # bytes of one entry; ours have 300


@frozen
class Journal:
    """The folder of the entries; it is made, for its owner alone, when the first one is written."""

    folder: Path

    def _path(self, server: str, uid: str, sha256: str) -> Path:
        return self.folder / f"{hashlib.sha256(chr(0).join((server, uid, sha256)).encode()).hexdigest()[:40]}.json"

    def begun(self, server: str, uid: str, sha256: str) -> str | None:
        """When a send of these very bytes was begun that was never seen to be complete; None where there was none."""
        try:
            entry = json.loads(first_bytes(self._path(server, uid, sha256), LARGEST))
            return str(entry["begun"])[:40] if entry["sha256"] == sha256 and entry["uid"] == uid else None
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def begin(self, server: str, uid: str, sha256: str, at: str) -> None:
        """Enter a send before its first byte goes.

        Raises
        ------
        PacsError
            It cannot be written: a send that nobody would know of is not begun.
        """
        path = self._path(server, uid, sha256)
        entry = {"schema": "wlmeasure-pacs-send/1", "server": server, "uid": uid, "sha256": sha256, "begun": at}
        try:
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            write_whole(path, json.dumps(entry))
        except (OSError, NotWrittenError) as error:
            raise PacsError(f"journal of sends {self.folder} cannot be written: {error}; nothing was sent") from None

    def end(self, server: str, uid: str, sha256: str) -> None:
        """Forget a send: the archive was read back, or refused it."""
        with suppress(OSError):  # one that stays says "begun", which the next send looks into
            self._path(server, uid, sha256).unlink(missing_ok=True)


def user_journal() -> Journal:
    """The journal in the user's own state folder."""
    from platformdirs import user_state_path

    return Journal(user_state_path("wlmeasure", appauthor=False) / "pacs")
