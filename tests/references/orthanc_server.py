"""An image archive (Orthanc with its DICOMweb plugin) of our own for tests, in a temporary folder, ended with the block.

Debian's Orthanc 1.10 listens on every address of the machine, whatever it is told. So it runs in a network of its own
(`unshare`) that has nothing but a loopback; this same file, run there, hands connections on from a socket in the folder.
Where the system allows no such network, only the machine of a CI runs it in the open: strangers are refused by Orthanc
itself there (RemoteAccessAllowed), and a password that nobody knows stands before it.
"""

from __future__ import annotations

import fcntl
import json
import os
import secrets
import shutil
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

PLUGIN = Path("/usr/share/orthanc/plugins/libOrthancDicomWeb.so")
PORT = 8042
READY_S = 30.0


def program() -> str | None:
    """Where Orthanc is, with its plugin; Debian keeps it off an ordinary user's PATH."""
    found = shutil.which("Orthanc") or shutil.which("Orthanc", path="/usr/sbin:/usr/bin")
    return found if found and PLUGIN.exists() else None


def own_network() -> list[str] | None:
    """What stands before a command to run it in a network of its own; None where the system does not allow one."""
    if shutil.which("unshare") is None:
        return None
    for command in (["unshare", "--net", "--"], ["unshare", "--net", "--map-root-user", "--"]):
        if subprocess.run([*command, "true"], capture_output=True).returncode == 0:
            return command
    return None


class Server:
    """A running archive: `connect` gives a connection to its HTTP port."""

    def __init__(self, folder: Path, network: list[str] | None, *, overwrite: bool) -> None:
        self.user, self.password = "wl", secrets.token_hex(16)
        self._socket = folder / "http.sock"
        settings = {
            "Name": "tests",
            "StorageDirectory": str(folder / "db"),
            "IndexDirectory": str(folder / "db"),
            "HttpPort": PORT if network else _free_port(),
            "DicomServerEnabled": False,
            "RemoteAccessAllowed": False,
            "AuthenticationEnabled": True,
            "RegisteredUsers": {self.user: self.password},
            "OverwriteInstances": overwrite,
            "Plugins": [str(PLUGIN)],
            "DicomWeb": {"Enable": True, "Root": "/dicom-web/"},
        }
        path = folder / "orthanc.json"
        path.touch(mode=0o600)
        path.write_text(json.dumps(settings), "utf-8")
        self.said = folder / "said.txt"
        with self.said.open("wb") as said:
            self.process = subprocess.Popen(
                [*(network or ()), sys.executable, __file__, str(folder), program(), "net" if network else "open"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=said,
                start_new_session=True,
            )
        if not self.process.stdout.readline():  # written when Orthanc answers
            self.stop()
            raise RuntimeError(self.said.read_text("utf-8", "replace")[-2000:])

    def connect(self) -> socket.socket:
        """A connection to the archive's HTTP port."""
        made = socket.socket(socket.AF_UNIX)
        made.connect(str(self._socket))
        return made

    def stop(self) -> None:
        """End it; nothing of it is kept."""
        self.process.stdin.close()
        self.process.wait()
        self.process.stdout.close()


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as one:
        return int(one.getsockname()[1])


@contextmanager
def running(*, overwrite: bool = False) -> Iterator[Server]:
    """An archive for the block. `overwrite` says whether it takes another object under an identifier that it has."""
    memory = Path("/dev/shm")
    folder = Path(tempfile.mkdtemp(prefix="wl-pacs-", dir=memory if os.access(memory, os.W_OK) else None))
    server = None
    try:
        server = Server(folder, own_network(), overwrite=overwrite)
        yield server
    finally:
        if server is not None:
            server.stop()
        shutil.rmtree(folder, ignore_errors=True)


def pump(source: socket.socket, sink: socket.socket) -> None:
    """Hand on what comes until one side ends; then that the other may end too."""
    try:
        while data := source.recv(65536):
            sink.sendall(data)
        sink.shutdown(socket.SHUT_WR)
    except OSError:
        for one in (source, sink):
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)


def _inside(folder: Path, orthanc: str, own: bool) -> None:
    """Run Orthanc and hand connections on; ends with the program that holds our standard input."""
    if own:  # a new network's loopback is down, and `ip` is not everywhere
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as any_socket:
            fcntl.ioctl(any_socket, 0x8914, struct.pack("16sh", b"lo", 1 | 64))  # SIOCSIFFLAGS: IFF_UP, IFF_RUNNING
    port = json.loads((folder / "orthanc.json").read_text("utf-8"))["HttpPort"]
    process = subprocess.Popen([orthanc, str(folder / "orthanc.json")], stdin=subprocess.DEVNULL, stdout=sys.stderr)
    try:
        with socket.socket(socket.AF_UNIX) as listener:
            listener.bind(str(folder / "http.sock"))
            listener.listen()
            threading.Thread(target=_serve, args=(listener, port), daemon=True).start()
            if _answers(process, port):
                print("ready", flush=True)
                sys.stdin.read()
    finally:
        process.send_signal(signal.SIGKILL)  # it would take 3 s to end by itself; nothing of it is kept
        process.wait()
        shutil.rmtree(folder, ignore_errors=True)  # here, for the tests may have been killed


def _answers(process: subprocess.Popen[bytes], port: int) -> bool:
    pause = threading.Event()
    for _ in range(int(READY_S / 0.02)):
        try:
            socket.create_connection(("127.0.0.1", port)).close()
            return True
        except OSError:
            if process.poll() is not None:
                return False
            pause.wait(0.02)
    return False


def _serve(listener: socket.socket, port: int) -> None:
    while True:
        ours, _ = listener.accept()
        try:
            theirs = socket.create_connection(("127.0.0.1", port))
        except OSError:
            ours.close()
            continue
        for pair in ((ours, theirs), (theirs, ours)):
            threading.Thread(target=pump, args=pair, daemon=True).start()


if __name__ == "__main__":
    _inside(Path(sys.argv[1]), sys.argv[2], sys.argv[3] == "net")
