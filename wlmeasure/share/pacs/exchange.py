"""One exchange with a server that may be slow, broken or hostile: bounded in size and time, never led elsewhere.

A time-out of the socket alone starts anew with every byte, so a server that drips holds a program for ever. Here a timer
cuts the connection itself, whether it is shaking hands, sending or reading.
"""

from __future__ import annotations

import logging
import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from io import BytesIO
from typing import Any

import requests
from requests.adapters import HTTPAdapter
from requests.auth import HTTPBasicAuth
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

from wlmeasure.errors import PacsError, PacsLostError, PacsRefusedError
from wlmeasure.image.radiograph import printable
from wlmeasure.share.pacs.settings import Secret, Server

__all__ = ["JSON_TYPES", "BoundedSession", "Progress", "reason_words"]

Progress = Callable[[int], None]

JSON_TYPES = ("application/dicom+json", "application/json")
XML_TYPES = ("application/dicom+xml", "application/xml", "text/xml")
LARGEST_JSON = 32 * 2**20  # bytes (our parameter): some thousand instances of a search
LARGEST_REFUSAL = 2**18  # bytes that are read of an error page (our parameter)
CHUNK = 2**16
# They log a traceback for every refusal, and addresses with a patient's number in them; nobody asked to see that on stderr.
for _name in ("dicomweb_client", "retrying", "urllib3"):
    logging.getLogger(_name).addHandler(logging.NullHandler())
TRY_AGAIN = (429, 503)  # too many requests, service unavailable (RFC 6585, RFC 9110): both mean later, not no
LONGEST_WAIT_S = 60.0  # of what Retry-After may ask (our parameter)
REASONS = {  # PS3.7 annex C and PS3.4 B.2.3, by their ranges
    0x0110: "processing failure",
    0x0111: "duplicate SOP instance",
    0x0117: "invalid object instance",
    0x0122: "SOP class not supported",
    0x0124: "not authorized",
    0xA700: "out of resources",
    0xA900: "data set does not match its SOP class",
    0xC000: "cannot be understood",
}


class _Watch:
    """Holds a second handle of the connection in use and shuts it when an exchange takes too long."""

    def __init__(self) -> None:
        self._twin: socket.socket | None = None
        self._lock = threading.Lock()
        self.late = False

    def take(self, sock: socket.socket) -> None:
        with self._lock:  # one connection at a time: an older one is closed already
            if self._twin is not None:
                self._twin.close()
            self._twin = sock.dup()

    def _cut(self) -> None:
        with self._lock:
            self.late = True
            if self._twin is not None:
                with suppress(OSError):  # gone by itself
                    self._twin.shutdown(socket.SHUT_RDWR)

    @contextmanager
    def limit(self, seconds: float) -> Iterator[None]:
        self.late = False
        timer = threading.Timer(seconds, self._cut)
        timer.daemon = True
        timer.start()
        try:
            yield
        finally:
            timer.cancel()

    def close(self) -> None:
        with self._lock:
            if self._twin is not None:
                self._twin.close()
                self._twin = None


class _Adapter(HTTPAdapter):
    """Connections that the watch knows from their first byte on, the handshake included."""

    def __init__(self, watch: _Watch) -> None:
        self._watch = watch
        super().__init__(pool_connections=1, pool_maxsize=1, max_retries=0)

    def init_poolmanager(self, *arguments: Any, **options: Any) -> None:
        super().init_poolmanager(*arguments, **options)
        watch = self._watch

        class Plain(HTTPConnection):
            def _new_conn(self) -> socket.socket:
                sock = super()._new_conn()
                watch.take(sock)
                return sock

        class Secure(HTTPSConnection):
            def _new_conn(self) -> socket.socket:
                sock = super()._new_conn()
                watch.take(sock)
                return sock

        class PlainPool(HTTPConnectionPool):
            ConnectionCls = Plain

        class SecurePool(HTTPSConnectionPool):
            ConnectionCls = Secure

        self.poolmanager.pool_classes_by_scheme = {"http": PlainPool, "https": SecurePool}


class _Counted:
    """Bytes that tell how far they were read; their length is known, so that they go in one piece."""

    def __init__(self, data: bytes, progress: Progress) -> None:
        self._file, self._size, self._progress = BytesIO(data), len(data), progress

    def __len__(self) -> int:
        return self._size

    def read(self, count: int = -1) -> bytes:
        piece = self._file.read(count)
        self._progress(self._file.tell())
        return piece


class BoundedSession(requests.Session):
    """A session of ``requests`` whose every answer is complete, bounded, of the asked type, and from the asked server.

    Every exchange ends with an answer of status 200 to 299 or 404 (a search or a retrieval may find nothing), or raises:

    PacsLostError
        Not reached, broken off, silent or too long; status 429 or 503.
    PacsRefusedError
        Any other status, a redirect, a certificate that cannot be verified, an answer of another type or too large.
    """

    def __init__(self, server: Server, secret: Secret) -> None:
        super().__init__()
        self._server, self._watch = server, _Watch()
        self.progress: Progress | None = None
        self.trust_env = False  # no password from a .netrc, no proxy and no authorities that another program set
        self.verify = True if server.ca_bundle is None else str(server.ca_bundle)
        if server.client_certificate is not None:
            key = server.client_key
            self.cert = str(server.client_certificate) if key is None else (str(server.client_certificate), str(key))
        if secret.token is not None:
            self.headers["Authorization"] = f"Bearer {secret.token}"
        elif secret.user is not None:
            self.auth = HTTPBasicAuth(secret.user.encode(), (secret.password or "").encode())
        self.headers["Accept-Encoding"] = "identity"  # a compressed answer may grow a thousandfold
        for scheme in ("https://", "http://"):
            self.mount(scheme, _Adapter(self._watch))

    def close(self) -> None:
        """Close the connection."""
        super().close()
        self._watch.close()

    def request(self, method: Any, url: Any, *arguments: Any, **options: Any) -> requests.Response:
        """One exchange; the name and the arguments are those of ``requests``."""
        server = self._server
        headers = dict(options.pop("headers", None) or {})
        headers.pop("Host", None)  # the client library leaves its port out
        headers.setdefault("Accept", f"{JSON_TYPES[0]}, {XML_TYPES[0]};q=0.1" if method == "POST" else JSON_TYPES[0])
        options |= {"stream": True, "allow_redirects": False, "timeout": (server.connect_s, server.silence_s)}
        data = options.get("data")
        if isinstance(data, bytes) and self.progress is not None:
            options["data"] = _Counted(data, self.progress)
        try:
            with self._watch.limit(server.longest_s):
                response = super().request(method, url, *arguments, headers=headers, **options)
                try:
                    answer = self._answer(response, headers["Accept"], is_store=method == "POST")
                finally:
                    response.close()
        except PacsError as error:
            raise self._too_late() or error from None
        except (OSError, ValueError) as error:  # all of requests' errors are one or the other
            raise self._too_late() or self._failed(error) from None
        if late := self._too_late():  # an answer without a length looks complete where it was cut off
            raise late
        return answer

    def _too_late(self) -> PacsLostError | None:
        if not self._watch.late:
            return None
        return PacsLostError(f"{self._server.host} took longer than {self._server.longest_s:g} s for one exchange")

    def _answer(self, response: requests.Response, accept: str, *, is_store: bool) -> requests.Response:
        host, status = self._server.host, response.status_code
        if status in TRY_AGAIN:
            raise PacsLostError(f"{host} is busy (status {status})", _retry_after(response))
        if 300 <= status < 400:
            where = printable(response.headers.get("Location", ""), 120)
            raise PacsRefusedError(
                f"{host} must answer itself: it sends elsewhere ({where}), which is not followed; if the archive has moved, "
                "change url in the settings",
                status,
            )
        if status == 404:
            response._content = b""  # whatever page comes with it
            return response
        if not 200 <= status < 300:
            raise PacsRefusedError(f"{host} {_status_words(response)}", status)
        kind = response.headers.get("Content-Type", "").split(";")[0].strip().lower()
        is_json = accept.startswith("application/")
        if is_store and kind in XML_TYPES:  # some archives know no other; it is not believed anyhow
            response._content = b""
            return response
        body = self._body(response, LARGEST_JSON if is_json else int(self._server.largest_mb * 1e6))
        allowed = JSON_TYPES if is_json else ("multipart/related", "application/dicom")
        if kind not in allowed and status != 204:
            raise PacsRefusedError(
                f"{host} must answer with {' or '.join(allowed)}: {printable(kind or 'nothing named', 60)}; is url that of its "
                "DICOMweb service?",
                status,
            )
        if is_json and not is_store and body and not body.lstrip().startswith(b"["):
            raise PacsRefusedError(f"{host} must answer a search with a list: it sends something else", status)
        if is_json:
            response.headers["Content-Type"] = kind  # the client library does not know parameters behind it
        response._content = body  # where requests keeps what it has read whole
        return response

    def _body(self, response: requests.Response, most: int) -> bytes:
        too_large = PacsRefusedError(
            f"{self._server.host} must answer with at most {most / 1e6:.4g} MB: more; ask for less, or raise largest_mb",
            response.status_code,
        )
        if response.headers.get("Content-Encoding", "identity").lower() != "identity":
            raise PacsRefusedError(
                f"{self._server.host} must answer uncompressed, as it was asked to", response.status_code
            )
        length = response.headers.get("Content-Length", "")
        if length.isascii() and length.isdigit() and (len(length) > 15 or int(length) > most):
            raise too_large
        body = bytearray()
        for piece in response.iter_content(CHUNK):
            body += piece
            if len(body) > most:
                raise too_large
        return bytes(body)

    def _failed(self, error: Exception) -> PacsError:
        """What a failed exchange means; a certificate is refused for good, all else may be tried again."""
        host = self._server.host
        for cause in _causes(error):
            if isinstance(cause, ssl.SSLCertVerificationError):
                return PacsRefusedError(
                    f"certificate of {host} must be one that can be verified: {printable(cause.verify_message, 120)}; name the "
                    "practice's authority as ca_bundle in the settings"
                )
            if isinstance(cause, ssl.SSLError) and not isinstance(
                cause, ssl.SSLEOFError | ssl.SSLZeroReturnError | ssl.SSLSyscallError
            ):
                return PacsRefusedError(f"{host} must speak TLS as asked: {printable(cause.reason or cause, 120)}")
        if isinstance(error, requests.exceptions.Timeout):
            slow = isinstance(error, requests.exceptions.ConnectTimeout)
            seconds = self._server.connect_s if slow else self._server.silence_s
            return PacsLostError(f"{host} {'cannot be reached' if slow else 'says nothing'} for {seconds:g} s")
        if isinstance(error, requests.exceptions.ChunkedEncodingError | requests.exceptions.ConnectionError):
            inner = next((c for c in _causes(error) if isinstance(c, OSError) and c.strerror), None)
            words = "" if inner is None else f": {printable(inner.strerror, 80)}"
            return PacsLostError(f"{host} cannot be reached, or the connection broke{words}")
        return PacsRefusedError(f"{host} cannot be asked: {printable(error, 160)}")


def _causes(error: BaseException) -> Iterator[BaseException]:
    """The error and what is behind it; urllib3 keeps it as `reason` or first argument."""
    waiting, seen = [error], set()
    while waiting:
        one = waiting.pop(0)
        if id(one) in seen:
            continue
        seen.add(id(one))
        yield one
        behind = (one.__cause__, one.__context__, getattr(one, "reason", None), *one.args)
        waiting += [cause for cause in behind if isinstance(cause, BaseException)]


def _retry_after(response: requests.Response) -> float | None:
    text = response.headers.get("Retry-After", "")
    return min(float(text), LONGEST_WAIT_S) if text.isascii() and text.isdigit() and len(text) < 10 else None


def _status_words(response: requests.Response) -> str:
    """A refusal in words; for a refused storage also the archive's own reason (PS3.18 10.5.3)."""
    known = {
        401: "refuses user, password or token",
        403: "does not allow this to this user",
        413: "refuses it as too large",
        415: "does not take this kind of object",
    }
    status = response.status_code
    words = f"{known.get(status, 'refuses')} (status {status})"
    kind = response.headers.get("Content-Type", "").split(";")[0].strip().lower()
    if kind not in JSON_TYPES:
        return words
    try:
        import json

        answer = json.loads(response.raw.read(LARGEST_REFUSAL, decode_content=False))
        answer = answer[0] if isinstance(answer, list) else answer
        code = int(answer["00081198"]["Value"][0]["00081197"]["Value"][0])
    except Exception:  # a stranger's words about a refusal that stands without them
        return words
    return f"{words}: {reason_words(code)}"


def reason_words(code: int) -> str:
    """A Failure Reason (0008,1197) in words."""
    known = REASONS.get(code) or REASONS.get(code & 0xFF00) or REASONS.get(code & 0xF000)
    return f"{known} ({code:04X}H)" if known else f"reason {code:04X}H"
