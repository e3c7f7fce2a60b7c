"""A PostgreSQL server of our own for tests and benches: in a temporary folder, on a Unix socket alone, ended with the block."""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

# The server ends with the process that started it, also when that is killed.
WITH_US = ("setpriv", "--pdeathsig", "QUIT", "--") if shutil.which("setpriv") else ()
ROOM = 500 * 2**20  # bytes; a server with the tests' few databases has about 150 MB


def programs() -> Path | None:
    """The folder of initdb and postgres: Debian keeps them off the PATH."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: float(path.parts[4]))
    path = found[-1] if found else shutil.which("initdb")
    return None if path is None else Path(path).resolve().parent


class Server:
    """A server that can be made to crash and to come back."""

    def __init__(self, folder: Path, *, fsync: bool) -> None:
        self.folder, self.bin = folder, programs()
        self.count, self.used = 0, []
        # The server refuses to run as root: then it runs as the user that Debian made for it, else as nobody.
        self.user: dict[str, Any] = {}
        if os.geteuid() == 0:
            names = {entry.pw_name for entry in pwd.getpwall()}
            owner = pwd.getpwnam("postgres" if "postgres" in names else "nobody")
            os.chown(folder, owner.pw_uid, owner.pw_gid)
            self.user = {"user": owner.pw_uid, "group": owner.pw_gid, "extra_groups": []}
        self.settings = ["-c", "listen_addresses=", "-c", f"fsync={'on' if fsync else 'off'}", "-k", str(folder)]
        made = subprocess.run(
            [
                self.bin / "initdb",
                "-D",
                folder / "data",
                "-A",
                "trust",
                "-U",
                "wl",
                "-E",
                "UTF8",
                "--locale=C",
                "--no-sync",
            ],
            capture_output=True,
            text=True,
            cwd=folder,
            **self.user,
        )
        if made.returncode != 0:
            raise RuntimeError(made.stderr)
        self.start()

    def start(self) -> None:
        """Start, and come back when connections are taken; the server's own words tell when."""
        self.process = subprocess.Popen(
            [*WITH_US, self.bin / "postgres", "-D", self.folder / "data", *self.settings],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            cwd=self.folder,
            env={"LC_ALL": "C", "PATH": os.environ.get("PATH", "")},
            start_new_session=True,
            text=True,
            **self.user,
        )
        said = []
        for line in self.process.stderr:
            said.append(line)
            if "ready to accept connections" in line:
                break
        else:
            raise RuntimeError("".join(said))
        self.reader = threading.Thread(target=self.process.stderr.read, daemon=True)
        self.reader.start()

    def stop(self, number: int = signal.SIGQUIT) -> None:
        """End the server; SIGQUIT is a crash of its own making: every connection breaks at once, nothing is tidied up."""
        self.process.send_signal(number)
        self.process.wait()
        self.reader.join()
        self.process.stderr.close()

    def address(self, database: str) -> str:
        return f"postgresql://wl@/{database}?unix_sock={self.folder}/.s.PGSQL.5432"

    def run(self, statement: str, database: str = "postgres") -> None:
        """One statement, outside a transaction."""
        import pg8000

        connection = pg8000.connect("wl", database=database, unix_sock=f"{self.folder}/.s.PGSQL.5432")
        try:
            connection.autocommit = True
            connection.cursor().execute(statement)
        finally:
            connection.close()

    def new_database(self, options: str = "") -> str:
        """The name of an empty database: a used one that was given back, or a new one."""
        if self.used and not options:
            name = self.used.pop()
            self.run("DROP SCHEMA public CASCADE", name)  # quicker than a new database
            self.run("CREATE SCHEMA public", name)
            return name
        self.count += 1
        self.run(f"CREATE DATABASE t{self.count} {options}")
        return f"t{self.count}"


@contextmanager
def running(*, fsync: bool = False) -> Iterator[Server]:
    """A server for the block; without fsync in memory where there is room, and safe against all but the machine's crash."""
    memory = Path("/dev/shm")
    in_memory = not fsync and os.access(memory, os.W_OK) and shutil.disk_usage(memory).free > ROOM
    folder = Path(tempfile.mkdtemp(prefix="wl-pg-", dir=memory if in_memory else None))
    server = None
    try:
        server = Server(folder, fsync=fsync)
        yield server
    finally:
        if server is not None and server.process.poll() is None:
            server.stop()
        shutil.rmtree(folder, ignore_errors=True)
