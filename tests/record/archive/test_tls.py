"""PostgreSQL over TLS: a server elsewhere has to show a certificate, before it is told anything. Both ends are real."""

import shutil
import socket
import ssl
import struct
import threading

import pytest

from tests.references.certificates import Certificates
from wlmeasure.cli import main
from wlmeasure.errors import ArchiveError
from wlmeasure.record.archive.archive import open_archive
from wlmeasure.record.archive.place import VARIABLE, place_of

HOST, SECRET = "db.example", "geheim"


@pytest.fixture(scope="module")
def certificates(tmp_path_factory):
    return Certificates(tmp_path_factory.mktemp("certificates"), HOST)


@pytest.fixture(autouse=True)
def elsewhere(monkeypatch):
    """`HOST` is a name like any other; only where it leads is told by the test."""
    real = socket.getaddrinfo
    monkeypatch.setattr(
        socket, "getaddrinfo", lambda host, *rest, **more: real("127.0.0.1" if host == HOST else host, *rest, **more)
    )


class Impostor:
    """Speaks as much of the protocol as gets it a password in clear text; `heard` is all that it was told behind TLS."""

    def __init__(self, pair):
        self.heard, self.tls = [], None
        if pair is not None:
            self.tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            self.tls.load_cert_chain(*map(str, pair))
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self.thread = threading.Thread(target=self.serve, daemon=True)
        self.thread.start()

    def serve(self):
        while True:
            try:
                connection, _ = self.listener.accept()
            except OSError:
                return
            try:
                connection.recv(8)  # is TLS spoken here?
                connection.sendall(b"N" if self.tls is None else b"S")
                if self.tls is not None:
                    connection = self.tls.wrap_socket(connection, server_side=True)
                self.heard.append(connection.recv(4096))
                connection.sendall(b"R" + struct.pack(">ii", 8, 3))  # AuthenticationCleartextPassword
                self.heard.append(connection.recv(4096))
            except OSError:
                pass
            connection.close()

    def close(self):
        self.listener.shutdown(socket.SHUT_RDWR)
        self.listener.close()
        self.thread.join()


@pytest.fixture
def impostor(certificates):
    made = []

    def impostor(pair=certificates.impostor):
        made.append(Impostor(pair))
        return made[-1]

    yield impostor
    for one in made:
        one.close()


def told(monkeypatch, capsys, address):
    monkeypatch.setenv(VARIABLE, address)
    assert main(["record", "list"]) == 1
    return capsys.readouterr().err


def test_an_impostor_is_not_told_the_password(monkeypatch, capsys, impostor, certificates):
    fake = impostor()
    address = f"postgresql://wl:{SECRET}@{HOST}:{fake.port}/x"
    for ca in ("", f"?sslrootcert={certificates.ca}"):
        said = told(monkeypatch, capsys, address + ca)
        assert "must show a certificate that can be verified" in said
        assert "out of reach" not in said
        assert fake.heard == []
    # With a certificate of the practice's authority, but for another name.
    other = impostor(certificates.other_host)
    said = told(monkeypatch, capsys, f"postgresql://wl:{SECRET}@{HOST}:{other.port}/x?sslrootcert={certificates.ca}")
    assert "Hostname mismatch" in said
    assert other.heard == []


def test_whoever_asks_for_less_is_told_what_it_costs(monkeypatch, capsys, impostor):
    """That the impostor of the test above would have heard it."""
    fake = impostor()
    said = told(monkeypatch, capsys, f"postgresql://wl:{SECRET}@{HOST}:{fake.port}/x?sslmode=require")
    assert "warning: archive" in said
    assert "can read the password" in said
    assert any(SECRET.encode() in heard for heard in fake.heard)


def test_a_server_that_will_not_encrypt_is_told_nothing(monkeypatch, capsys, impostor):
    fake = impostor(None)
    said = told(monkeypatch, capsys, f"postgresql://wl:{SECRET}@{HOST}:{fake.port}/x")
    assert "must speak TLS, which it refuses" in said
    assert not any(SECRET.encode() in heard for heard in fake.heard)


def test_a_certificate_of_the_practices_authority_opens_the_archive(own_server, certificates, bare, tmp_path):
    """PostgreSQL itself, over TLS, on a port of its own."""
    pem, key = (own_server.folder / name for name in ("server.pem", "server.key"))
    for source, target in zip(certificates.good, (pem, key), strict=True):
        shutil.copy(source, target)
        target.chmod(0o600)
        if own_server.user:
            shutil.chown(target, own_server.user["user"], own_server.user["group"])
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    own_server.run("CREATE DATABASE tls")
    own_server.stop()
    usual = own_server.settings
    listen = ("listen_addresses=127.0.0.1", f"port={port}", "ssl=on", f"ssl_cert_file={pem}", f"ssl_key_file={key}")
    own_server.settings = [*usual, *(word for one in listen for word in ("-c", one))]
    try:
        own_server.start()
        address = f"postgresql://wl@{HOST}:{port}/tls"
        with open_archive(f"{address}?sslrootcert={certificates.ca}", create=True) as archive:
            archive.add(bare, by="AB", at="2026-11-25T10:30:00")
            with archive.engine.connect() as connection:
                assert connection.exec_driver_sql("SELECT ssl FROM pg_stat_ssl WHERE pid = pg_backend_pid()").scalar()
        for refused in (address, f"{address}?sslrootcert={certificates.stranger}"):
            with pytest.raises(ArchiveError, match="must show a certificate that can be verified"):
                open_archive(refused)
    finally:
        own_server.stop()
        own_server.settings = usual
        own_server.start()


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "127.8.0.1", "[::1]", ""])
def test_this_machine_needs_none(host):
    place = place_of(f"postgresql://wl@{host}/x")
    assert place.warning is None


def test_nothing_behind_the_question_mark_leads_elsewhere():
    with pytest.raises(ArchiveError, match="must have no 'host' behind the question mark"):
        place_of("postgresql://wl@localhost/x?host=db.example")


def test_an_authority_that_is_none(tmp_path):
    (tmp_path / "ca.pem").write_text("no certificate")
    with pytest.raises(ArchiveError, match="sslrootcert must be a file of certificates"):
        open_archive(f"postgresql://wl@{HOST}/x?sslrootcert={tmp_path / 'ca.pem'}")
