"""Image archives for tests: Orthanc behind a proxy that speaks TLS and may drop, and a server of our own that misbehaves."""

import importlib.util
import os
import socket
import threading
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

from wlmeasure.share.dicom.objects import dicom_bytes, file_meta
from wlmeasure.share.pacs.client import open_image_archive
from wlmeasure.share.pacs.instance import instance_of
from wlmeasure.share.pacs.journal import Journal
from wlmeasure.share.pacs.settings import Server

TESTS = Path(__file__).resolve().parents[2]


def load(name, path):
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


dicomweb_server = load("dicomweb_server", TESTS / "references" / "dicomweb_server.py")
Fake, server_context = dicomweb_server.Fake, dicomweb_server.server_context
orthanc_server = load("orthanc_server", TESTS / "references" / "orthanc_server.py")
dicom = load("dicom_conftest", TESTS / "share" / "dicom" / "conftest.py")
on_dicom, on_png, measure = dicom.on_dicom, dicom.on_png, dicom.measure
io_film, write = dicom.io_film, dicom.write


def _certificate(folder, name, hosts, issuer=None, issuer_key=None):
    """A certificate and its key as PEM files; without an issuer an authority of its own."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])
    now = datetime.now(UTC)
    names = [x509.DNSName(h) if not h[0].isdigit() else x509.IPAddress(ip_address(h)) for h in hosts]
    own = key if issuer_key is None else issuer_key
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject if issuer is None else issuer.subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=2))
        .add_extension(x509.BasicConstraints(ca=issuer is None, path_length=None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(own.public_key()), critical=False)
    )
    if names:
        made = made.add_extension(x509.SubjectAlternativeName(names), critical=False)
    if issuer is None:
        usage = dict.fromkeys(
            ("digital_signature", "content_commitment", "key_encipherment", "data_encipherment", "key_agreement"), False
        )
        made = made.add_extension(
            x509.KeyUsage(**usage, key_cert_sign=True, crl_sign=True, encipher_only=False, decipher_only=False),
            critical=True,
        )
    made = made.sign(own, hashes.SHA256())
    pem, secret = folder / f"{name}.pem", folder / f"{name}.key"
    pem.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    secret.write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    return made, key, pem, secret


class Certificates:
    """An authority with a server's certificate for 127.0.0.1, one for another host, and an authority nobody knows."""

    def __init__(self, folder):
        authority, key, self.ca, _ = _certificate(folder, "authority", ())
        *_, good, good_key = _certificate(folder, "good", ("127.0.0.1",), authority, key)
        *_, other, other_key = _certificate(folder, "other", ("archive.example",), authority, key)
        *_, self.stranger, _ = _certificate(folder, "stranger", ())
        self.good, self.other_host = (good, good_key), (other, other_key)


@pytest.fixture(scope="session")
def certificates(tmp_path_factory):
    return Certificates(tmp_path_factory.mktemp("certificates"))


class Proxy:
    """Takes TLS connections on 127.0.0.1 and hands them on; after `cut_after` bytes it drops both sides,
    `cuts_left` times."""

    def __init__(self, connect, pair):
        self._connect, self._context = connect, server_context(pair)
        self.cut_after = self.cuts = self.cuts_left = 0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"https://127.0.0.1:{self._listener.getsockname()[1]}/dicom-web"
        threading.Thread(target=self._serve, daemon=True).start()

    def close(self):
        self._listener.close()

    def _serve(self):
        while True:
            try:
                raw, _ = self._listener.accept()
            except OSError:
                return
            threading.Thread(target=self._one, args=(raw,), daemon=True).start()

    def _one(self, raw):
        try:
            ours = self._context.wrap_socket(raw, server_side=True)
        except OSError:
            raw.close()
            return
        theirs = self._connect()
        threading.Thread(target=orthanc_server.pump, args=(theirs, ours), daemon=True).start()
        passed = 0
        try:
            while data := ours.recv(4096):
                passed += len(data)
                if self.cuts_left and passed > self.cut_after:
                    self.cuts, self.cuts_left = self.cuts + 1, self.cuts_left - 1
                    for one in (theirs, ours):
                        one.shutdown(socket.SHUT_RDWR)
                    break
                theirs.sendall(data)
        except OSError:
            pass
        for one in (theirs, ours):
            one.close()


@pytest.fixture(scope="session")
def orthanc():
    """A running Orthanc that keeps the first copy of an instance."""
    if orthanc_server.program() is None:
        why = "Orthanc with its DICOMweb plugin is not installed; run.py installs Debian's packages"
        (pytest.fail if os.environ.get("CI") else pytest.skip)(why)
    if orthanc_server.own_network() is None and not os.environ.get("CI"):
        pytest.skip("Orthanc would listen on every address: this system allows no network of its own (unshare)")
    with orthanc_server.running() as server:
        yield server


@pytest.fixture
def proxy(orthanc, certificates):
    made = Proxy(orthanc.connect, certificates.good)
    yield made
    made.close()


@pytest.fixture
def waits():
    """The waits that were asked for between attempts; nobody waits."""
    return []


@pytest.fixture
def opened(waits, certificates):
    """A function from a URL and settings to an open archive whose waits are only written down."""
    made = []

    def opened(url, **settings):
        settings = {"ca_bundle": certificates.ca, "connect_s": 5.0, "silence_s": 20.0, "retries": 2} | settings
        made.append(evolve(open_image_archive(Server(url, **settings)), pause=waits.append))
        return made[-1]

    yield opened
    for archive in made:
        archive.session.close()


@pytest.fixture
def archive(orthanc, proxy, opened, monkeypatch):
    """Orthanc over TLS."""
    monkeypatch.setenv("WLMEASURE_PACS_PASSWORD", orthanc.password)
    return opened(proxy.url, user=orthanc.user)


@pytest.fixture
def journal(tmp_path):
    return Journal(tmp_path / "journal")


@pytest.fixture
def fake(certificates):
    made = Fake(certificates.good)
    yield made
    made.close()


@pytest.fixture
def small():
    """An instance of 8 x 8 pixels; keywords go to its header."""

    def small(**attributes):
        film = io_film(np.arange(64, dtype=np.uint16).reshape(8, 8), **attributes)
        film.file_meta = file_meta(film)
        return instance_of(dicom_bytes(film), "film.dcm")

    return small
