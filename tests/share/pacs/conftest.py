"""Image archives for tests: Orthanc behind a proxy that speaks TLS and may drop, and a server of our own that misbehaves."""

import importlib.util
import os
import socket
import threading
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve

from tests.references.certificates import Certificates
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
