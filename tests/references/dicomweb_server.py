"""A small DICOMweb server of our own for tests, which can be made to misbehave."""

from __future__ import annotations

import ssl
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from wlmeasure.share.pacs.instance import instance_of


def server_context(pair):
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*map(str, pair))
    return context


class Fake:
    """A DICOMweb server of our own over TLS. `script` holds functions that answer the next requests in its place.

    `held` is what it keeps, by SOP Instance UID; `log` the (method, path, headers) of every request.
    """

    def __init__(self, pair):
        self.held, self.log, self.script = {}, [], []
        self.ended = threading.Event()
        fake = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def log_message(self, *_):
                pass

            def any_method(self):
                length = int(self.headers.get("Content-Length", 0))
                self.body = b""
                fake.log.append((self.command, self.path, dict(self.headers)))
                answer = fake.script.pop(0) if fake.script else fake.usual
                if getattr(answer, "reads", True):
                    self.body = self.rfile.read(length)
                answer(self)

            do_GET = do_POST = any_method  # noqa: N815

            def reply(self, status, body=b"", kind="application/dicom+json", **headers):
                self.send_response(status)
                self.send_header("Content-Type", kind)
                if "Content_Length" not in headers:
                    self.send_header("Content-Length", str(len(body)))
                for name, value in headers.items():
                    self.send_header(name.replace("_", "-"), value)
                self.end_headers()
                self.wfile.write(body)

        class TlsServer(ThreadingHTTPServer):
            daemon_threads = True

            def finish_request(self, request, address):
                if pair is not None:
                    try:
                        request = server_context(pair).wrap_socket(request, server_side=True)
                    except OSError:
                        return
                try:
                    super().finish_request(request, address)
                except OSError:
                    pass
                finally:
                    request.close()

            def handle_error(self, *_):
                pass

        self.server = TlsServer(("127.0.0.1", 0), Handler)
        scheme = "http" if pair is None else "https"
        self.url = f"{scheme}://127.0.0.1:{self.server.server_port}/web"
        self.thread = threading.Thread(target=self.server.serve_forever, args=(0.01,), daemon=True)
        self.thread.start()

    def close(self):
        self.ended.set()
        self.server.shutdown()
        self.server.server_close()
        self.thread.join()

    @staticmethod
    def sent(request):
        """The one DICOM file of a request to store."""
        head, rest = request.body.split(b"\r\n\r\n", 1)
        return rest[: rest.rindex(b"\r\n" + head.split(b"\r\n")[0])]

    def usual(self, request):
        """A plain archive: keeps the first copy, says so, gives it back."""
        path = request.path.split("?")[0].split("/")
        if request.command == "POST":
            one = instance_of(self.sent(request), "sent")
            self.held.setdefault(one.uid, one.data)
            request.reply(200, b"{}")
        elif path[-2] == "instances":
            data = self.held.get(path[-1])
            if data is None:
                request.reply(404, b"no such thing", kind="text/plain")
            else:
                self.give(request, data)
        else:
            request.reply(200, b"[]")

    @staticmethod
    def give(request, data):
        body = b"--x1\r\nContent-Type: application/dicom\r\n\r\n" + data + b"\r\n--x1--\r\n"
        request.reply(200, body, kind='multipart/related; type="application/dicom"; boundary=x1')
