"""A server that breaks off, is busy, lies, drips, floods, leads elsewhere or is somebody else."""

import json
import socket

import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st

from wlmeasure.errors import PacsError, PacsLostError, PacsRefusedError
from wlmeasure.share.pacs.client import MOST, PAGE, open_image_archive
from wlmeasure.share.pacs.found import Query
from wlmeasure.share.pacs.instance import instance_of
from wlmeasure.share.pacs.send import send
from wlmeasure.share.pacs.settings import Server

AT = "2026-11-25T10:30:00+01:00"


def sent(archive, instances, journal):
    return list(send(archive, instances, journal, at=AT))


def posts(fake):
    return sum(method == "POST" for method, *_ in fake.log)


def drop(request):
    """Break off after the first kilobyte of what is sent."""
    request.rfile.read(1024)
    request.connection.shutdown(socket.SHUT_RDWR)
    request.close_connection = True


drop.reads = False


def keep_and_drop(fake):
    def answer(request):
        fake.held[instance_of(fake.sent(request), "sent").uid] = fake.sent(request)
        request.connection.shutdown(socket.SHUT_RDWR)
        request.close_connection = True

    return answer


# ---- what may be tried again ---------------------------------------------------------------------------------------


def test_broken_off_in_the_middle_it_is_sent_again_after_growing_waits(fake, opened, journal, small, waits):
    fake.script = [fake.usual, drop, fake.usual, drop]
    one = small()
    (verdict,) = sent(opened(fake.url), [one], journal)
    assert verdict.outcome == "sent"
    assert fake.held == {one.uid: fake.held[one.uid]}
    assert posts(fake) == 3
    assert waits == [0.5, 1.0]
    assert list(journal.folder.iterdir()) == []


def test_broken_off_for_good_it_is_not_called_sent_and_goes_on_the_next_time(fake, opened, journal, small, waits):
    fake.script = [fake.usual, drop, fake.usual, drop, fake.usual, drop, fake.usual]
    one = small()
    (verdict,) = sent(opened(fake.url), [one], journal)
    assert (verdict.outcome, fake.held) == ("unknown", {})
    assert "the connection broke" in verdict.text
    assert posts(fake) == 3  # the first attempt and two retries, no more
    (entry,) = journal.folder.iterdir()
    assert json.loads(entry.read_text())["sha256"] == one.sha256
    (verdict,) = sent(opened(fake.url), [one], journal)
    assert verdict.outcome == "sent"
    assert f"goes on with a send begun {AT}" in verdict.text
    assert list(journal.folder.iterdir()) == []


def test_an_answer_that_is_lost_after_storing_is_not_sent_twice(fake, opened, journal, small):
    fake.script = [fake.usual, keep_and_drop(fake)]
    (verdict,) = sent(opened(fake.url), [small()], journal)
    assert verdict.outcome == "sent"
    assert posts(fake) == 1


def test_half_stored_it_is_not_called_sent_and_is_replaced_by_the_whole(fake, opened, journal, small):
    """An archive that keeps what it got of an object that was cut off: its own pixels are missing."""
    one = small()
    half = small(PixelData=b"\1" * 128)

    def keep_half(request):
        fake.held[one.uid] = half.data
        request.connection.shutdown(socket.SHUT_RDWR)
        request.close_connection = True

    fake.script = [fake.usual, keep_half]
    (verdict,) = sent(opened(fake.url, retries=0), [one], journal)
    assert verdict.outcome == "unknown"

    def overwrite(request):
        fake.held[one.uid] = fake.sent(request)
        request.reply(200, b"{}")

    fake.script = [fake.usual, overwrite]
    (verdict,) = sent(opened(fake.url), [one], journal)
    assert verdict.outcome == "sent"


def test_busy_and_then_fine(fake, opened, journal, small, waits):
    fake.script = [
        lambda r: r.reply(503),
        lambda r: r.reply(429, Retry_After="7"),
        fake.usual,
        lambda r: r.reply(503, Retry_After="86400"),
    ]
    (verdict,) = sent(opened(fake.url), [small()], journal)
    assert verdict.outcome == "sent"
    assert waits == [0.5, 7.0, 60.0]  # a day is not waited


def test_out_of_reach_the_rest_is_not_tried(opened, journal, small, waits):
    with socket.create_server(("127.0.0.1", 0)) as closed:
        url = f"https://127.0.0.1:{closed.getsockname()[1]}/web"
    found = sent(opened(url), [small(), small(SOPInstanceUID="1.2.3.4.8"), small(SOPInstanceUID="1.2.3.4.9")], journal)
    assert [v.outcome for v in found] == ["unknown"] * 3
    assert "cannot be reached" in found[0].text
    assert "not tried" in found[2].text
    assert waits == [0.5, 1.0] * 2
    assert not journal.folder.exists()  # nothing was begun


@pytest.mark.parametrize("status", [400, 403, 409, 413, 415, 500])
def test_a_refusal_is_never_tried_again(fake, opened, journal, small, waits, status):
    fake.script = [fake.usual, lambda r: r.reply(status, b"<b>no</b>", kind="text/html")]
    (verdict,) = sent(opened(fake.url), [small()], journal)
    assert verdict.outcome == "refused"
    assert f"status {status}" in verdict.text
    assert "<b>" not in verdict.text
    assert (posts(fake), waits) == (1, [])
    assert list(journal.folder.iterdir()) == []


def test_the_archives_own_reason_is_told(fake, opened, journal, small):
    one = small()
    failed = {"00081198": {"vr": "SQ", "Value": [{"00081197": {"vr": "US", "Value": [0xA900]}}]}}
    fake.script = [fake.usual, lambda r: r.reply(409, json.dumps(failed).encode())]
    (verdict,) = sent(opened(fake.url), [one], journal)
    assert "data set does not match its SOP class (A900H)" in verdict.text
    failed["00081198"]["Value"][0]["00081155"] = {"vr": "UI", "Value": [one.uid]}
    answer = json.dumps(failed).encode()
    fake.script = [fake.usual, lambda r: r.reply(200, answer, kind="application/dicom+json; charset=utf-8")]
    (verdict,) = sent(opened(fake.url), [one], journal)
    assert verdict.outcome == "refused"
    assert "A900H" in verdict.text


# ---- what an archive says and does not do --------------------------------------------------------------------------


def test_it_says_stored_and_keeps_an_older_copy(fake, opened, journal, small):
    one, older = small(), small(PatientName="Bär^Anna", SeriesNumber=9)
    fake.script = [lambda r: r.reply(404)]  # the older one comes to light only when it is read back
    fake.held[one.uid] = older.data
    (verdict,) = sent(opened(fake.url), [one], journal)
    assert verdict.outcome == "differs"
    assert verdict.differing == ("PatientName", "SeriesNumber")
    assert "though it says it stored it): differs in PatientName, SeriesNumber" in verdict.text


def test_it_says_stored_and_keeps_other_pixels(fake, opened, journal, small):
    one = small()
    fake.script = [lambda r: r.reply(404), lambda r: r.reply(200, b"{}")]
    fake.held[one.uid] = small(PixelData=one.dataset.PixelData[:-2] + b"\0\1").data
    (verdict,) = sent(opened(fake.url), [one], journal)
    assert (verdict.outcome, verdict.differing) == ("differs", ("PixelData",))


def test_an_older_copy_that_is_there_is_not_touched(fake, opened, journal, small):
    one = small()
    fake.held[one.uid] = older = small(StationName="ROOM9").data
    (verdict,) = sent(opened(fake.url), [one], journal)
    assert (verdict.outcome, verdict.differing) == ("differs", ("StationName",))
    assert posts(fake) == 0
    assert fake.held[one.uid] == older


def test_it_says_stored_and_does_not_give_it_back(fake, opened, journal, small, waits):
    fake.script = [lambda r: r.reply(404)] + [
        lambda r: r.reply(202, b"{}") if r.command == "POST" else r.reply(404)
    ] * 20
    (verdict,) = sent(opened(fake.url), [small()], journal)
    assert verdict.outcome == "unknown"
    assert "does not give it back" in verdict.text
    assert len(list(journal.folder.iterdir())) == 1


def test_what_is_there_and_equal_is_not_sent_again(fake, opened, journal, small):
    one = small()
    assert [v.outcome for v in sent(opened(fake.url), [one], journal)] == ["sent"]
    assert [v.outcome for v in sent(opened(fake.url), [one], journal)] == ["there"]
    assert posts(fake) == 1


# ---- hostile answers -----------------------------------------------------------------------------------------------


def test_answers_of_another_type_are_refused(fake, opened, small):
    one = small()
    page = lambda r: r.reply(200, b"<html>log in</html>", kind="text/html")  # noqa: E731
    fake.script = [page, page]
    archive = opened(fake.url)
    with pytest.raises(PacsRefusedError, match="must answer with application/dicom"):
        archive.find(Query(patient="P"))
    with pytest.raises(PacsRefusedError, match="must answer with multipart/related"):
        archive.retrieve(one.study, one.series, one.uid)


def test_a_redirect_is_not_followed_and_no_password_goes_there(fake, certificates, opened, small, monkeypatch):
    from .conftest import Fake

    monkeypatch.setenv("WLMEASURE_PACS_PASSWORD", "grün")
    elsewhere = Fake(certificates.good)
    try:
        for status in (301, 302, 307, 308):
            fake.script = [lambda r: r.reply(status, Location=f"{elsewhere.url}/studies")]  # noqa: B023
            with pytest.raises(PacsRefusedError, match=r"sends elsewhere .*which is not followed"):
                opened(fake.url, user="anna").find(Query(patient="P"))
        assert elsewhere.log == []
        assert fake.log[-1][2]["Authorization"] == "Basic YW5uYTpncsO8bg=="  # anna:grün, in UTF-8
    finally:
        elsewhere.close()


def drip(fake, head):
    """One byte at a time, for ever: of the head of an answer, or of its body."""

    def answer(request):
        request.wfile.write(head)
        while not fake.ended.wait(0.02):
            request.wfile.write(b"x")

    return answer


@pytest.mark.parametrize(
    "head", [b"", b"HTTP/1.1 200 OK\r\nX-", b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\n\r\n"]
)
def test_an_answer_that_drips_is_cut_off(fake, opened, head):
    fake.script = [drip(fake, head)]
    with pytest.raises(PacsLostError, match=r"took longer than 0\.3 s"):
        opened(fake.url, longest_s=0.3, retries=0).find(Query(patient="P"))


def test_a_handshake_that_drips_is_cut_off(opened):
    """A server that never ends its part of the TLS handshake."""
    import threading

    ended = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def serve():
            other, _ = listener.accept()
            with other:
                try:
                    other.sendall(b"\x16\x03\x03\x3f\xff")  # a handshake record of 16 kB
                    while not ended.wait(0.02):
                        other.sendall(b"\2")
                except OSError:
                    pass

        thread = threading.Thread(target=serve)
        thread.start()
        with pytest.raises(PacsError, match=r"took longer than 0\.3 s"):
            opened(f"https://127.0.0.1:{listener.getsockname()[1]}", longest_s=0.3, retries=0).find(Query(patient="P"))
        ended.set()
        thread.join()


def test_silence_is_a_loss(fake, opened):
    fake.script = [lambda r: fake.ended.wait()]
    with pytest.raises(PacsLostError, match=r"says nothing for 0\.2 s"):
        opened(fake.url, silence_s=0.2, retries=0).find(Query(patient="P"))


def test_a_huge_answer_is_refused_at_its_announcement_or_its_limit(fake, opened, small):
    one = small()
    pieces = []

    def flood(request):
        request.send_response(200)
        request.send_header("Content-Type", "multipart/related; boundary=x1")
        request.end_headers()
        while True:
            pieces.append(request.wfile.write(b"\0" * 65536))

    archive = opened(fake.url, largest_mb=1.0)
    fake.script = [lambda r: r.reply(200, kind="multipart/related; boundary=x", Content_Length="99999999999999999999")]
    with pytest.raises(PacsRefusedError, match="at most 1 MB"):
        archive.retrieve(one.study, one.series, one.uid)
    fake.script = [flood]
    with pytest.raises(PacsRefusedError, match="at most 1 MB"):
        archive.retrieve(one.study, one.series, one.uid)
    assert sum(pieces) < 40e6  # what stood in the buffers of the way


def test_a_compressed_answer_is_refused(fake, opened):
    fake.script = [lambda r: r.reply(200, b"\x1f\x8b", Content_Encoding="gzip")]
    with pytest.raises(PacsRefusedError, match="uncompressed"):
        opened(fake.url).find(Query(patient="P"))


@pytest.mark.parametrize(
    "body",
    [b"{", b"[1]", b'"x"', b"[" * 100_000, b"[" + b"9" * 5000 + b"]", b"\xff\xfe", b"[[]]"],
)
def test_a_search_answered_with_nonsense_is_one_line(fake, opened, body):
    fake.script = [lambda r: r.reply(200, body)]
    with pytest.raises(PacsRefusedError) as refusal:
        opened(fake.url).find(Query(patient="P"))
    assert "\n" not in str(refusal.value)


def test_lines_with_odd_values_do_no_harm(fake, opened):
    study = {
        "0020000D": {"vr": "UI", "Value": ["1.2"]},
        "00100010": {"vr": "PN", "Value": [{"Alphabetic": "A\x1b[31m\n^B"}]},
    }
    odd = {
        "00080016": {"vr": "UI", "Value": ["1.2.840.10008.5.1.4.1.1.1.3"]},
        "00080018": {"vr": "UI", "Value": ["1.2.3"]},
        "0020000E": {"vr": "UI", "Value": ["1.2.4"]},
        "00080060": {"vr": "CS", "Value": ["\x1b]0;x\x07IO"]},
        "00280010": {"vr": "US", "Value": ["many"]},
        "00082228": {"vr": "SQ", "Value": [7, {"00080100": 3}, {"00080100": {"Value": [["x"]]}}]},
        "00080023": {"vr": "DA", "Value": ["../../../"]},
        "0008103E": {"vr": "LO", "Value": [{"Alphabetic": ["x"]}]},
    }
    fake.script = [
        lambda r: r.reply(200, json.dumps([study]).encode()),
        lambda r: r.reply(200, json.dumps([odd]).encode()),
        lambda r: r.reply(200, b"[3, {}]"),
    ]
    (line,) = opened(fake.url).find(Query(patient="P"))
    assert (line.uid, line.rows, line.teeth, line.date, line.description) == ("1.2.3", None, (), "", "")
    assert (line.patient_name, line.modality) == ("A[31m ^B", "]0;xIO")


def test_a_search_without_end_is_ended(fake, opened):
    """A server that answers every page with a full page of new things, and one that always answers alike."""
    count = iter(range(10**6))

    def page(request):
        items = [{"0020000D": {"vr": "UI", "Value": [f"1.2.{next(count)}"]}} for _ in range(PAGE)]
        request.reply(200, json.dumps(items).encode())

    fake.script = [page] * 100
    with pytest.raises(PacsError, match=f"at most {MOST} answers"):
        opened(fake.url).find(Query(patient="P"))
    alike = json.dumps([{"0020000D": {"vr": "UI", "Value": ["1.2"]}}] * PAGE).encode()
    fake.script = [lambda r: r.reply(200, alike)] * 2 + [lambda r: r.reply(200, b"[]")]
    assert opened(fake.url).find(Query(patient="P")) == []


def test_another_instance_than_asked_for_is_refused(fake, opened, small):
    one = small()
    fake.script = [lambda r: fake.give(r, small(SOPInstanceUID="1.2.3.4.9").data)]
    with pytest.raises(PacsRefusedError, match=r"it sends 1\.2\.3\.4\.9"):
        opened(fake.url).retrieve(one.study, one.series, one.uid)


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("multipart/related", b"--x\r\n\r\n"),
        ("multipart/related; boundary=x", b"--y\r\n\r\nabc\r\n--y--"),
        ("multipart/related; boundary=x", b"--x\r\nContent-Type: application/dicom\r\n\r\nabc"),
        ("multipart/related; boundary=x", b"--x\r\nContent-Type: text/html\r\n\r\nabc\r\n--x--"),
        ("multipart/related; boundary=x", b"--x\r\nContent-Type: application/dicom\r\n\r\nabc\r\n--x--"),
        ("application/dicom", b"\0" * 128 + b"DICM" + b"\xff" * 40),
    ],
)
def test_a_retrieval_answered_with_nonsense_is_one_line(fake, opened, small, kind, body):
    one = small()
    fake.script = [lambda r: r.reply(200, body, kind=kind)]
    with pytest.raises(PacsRefusedError, match="must"):
        opened(fake.url).retrieve(one.study, one.series, one.uid)


@settings(max_examples=300, deadline=None)
@given(
    pieces=st.lists(
        st.sampled_from(
            [
                b"--x",
                b"--x--",
                b"\r\n",
                b"\r\n\r\n",
                b"Content-Type: application/dicom",
                b"abc",
                b"--",
                b"\0" * 128,
                b"DICM",
            ]
        ),
        max_size=12,
    ),
    kind=st.sampled_from(
        ["multipart/related; boundary=x", 'multipart/related; boundary="x"', "multipart/related", "application/dicom"]
    ),
)
def test_parts_of_any_order_are_one_part_or_refused(pieces, kind):
    """What is taken for the part is a stretch of the answer that no boundary runs through."""
    body = b"".join(pieces)
    with open_image_archive(Server("https://archive.example")) as archive:
        try:
            part = archive._only_part(kind, body)
        except PacsRefusedError:
            return
    assert part in body
    assert kind == "application/dicom" or b"\r\n--x" not in part


def test_one_answer_that_cannot_be_read_does_not_stop_the_others(fake, opened, journal, small):
    other = small(SOPInstanceUID="1.2.3.4.8")
    fake.script = [lambda r: fake.give(r, b"\0" * 128 + b"DICM" + b"\xff" * 40)]
    assert [v.outcome for v in sent(opened(fake.url), [small(), other], journal)] == ["refused", "sent"]


def test_what_could_not_be_read_back_is_not_sent(fake, opened, journal, small):
    (verdict,) = sent(opened(fake.url, largest_mb=0.001), [small()], journal)
    assert (verdict.outcome, fake.log) == ("refused", [])
    assert "largest_mb" in verdict.text


def test_a_film_that_inflates_without_end_is_refused(fake, opened, small):
    """A deflated data set that grows a thousandfold, beyond what one film can be."""
    import zlib

    deflater = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    zeros = b"\0" * 2**20
    bomb = (deflater.compress(zeros) + deflater.flush(zlib.Z_FULL_FLUSH)) * 500
    syntax = b"1.2.840.10008.1.2.1.99"
    meta = b"\2\0\x10\0UI" + len(syntax).to_bytes(2, "little") + syntax
    data = b"\0" * 128 + b"DICM" + b"\2\0\0\0UL\4\0" + len(meta).to_bytes(4, "little") + meta + bomb
    one = small()
    fake.script = [lambda r: fake.give(r, data)]
    with pytest.raises(PacsRefusedError, match="must hold at most"):
        opened(fake.url).retrieve(one.study, one.series, one.uid)


# ---- who it is -----------------------------------------------------------------------------------------------------


def test_a_certificate_of_an_unknown_authority_is_refused_and_nothing_is_asked(
    fake, opened, certificates, journal, small
):
    for ca in (None, certificates.stranger):
        found = sent(opened(fake.url, ca_bundle=ca), [small(), small(SOPInstanceUID="1.2.3.4.8")], journal)
        assert [v.outcome for v in found] == ["refused", "unknown"]
        assert "certificate of 127.0.0.1" in found[0].text
        assert "ca_bundle" in found[0].text
        assert "not tried" in found[1].text
    assert fake.log == []


def test_a_certificate_of_another_host_is_refused(certificates, opened):
    from .conftest import Fake

    other = Fake(certificates.other_host)
    try:
        with pytest.raises(PacsRefusedError, match=r"certificate of 127\.0\.0\.1.*IP address mismatch"):
            opened(other.url).find(Query(patient="P"))
        assert other.log == []
    finally:
        other.close()


def test_no_environment_weakens_it(fake, opened, certificates, monkeypatch, tmp_path):
    """Neither authorities nor a proxy nor a .netrc of other programs."""
    monkeypatch.setenv("REQUESTS_CA_BUNDLE", str(certificates.ca))
    monkeypatch.setenv("SSL_CERT_FILE", str(certificates.ca))
    monkeypatch.setenv("HTTPS_PROXY", "http://127.0.0.1:9")
    (tmp_path / ".netrc").write_text("machine 127.0.0.1 login wrong password wrong\n")
    monkeypatch.setenv("NETRC", str(tmp_path / ".netrc"))
    with pytest.raises(PacsRefusedError, match="certificate"):
        opened(fake.url, ca_bundle=None).find(Query(patient="P"))
    assert opened(fake.url).find(Query(patient="P")) == []
    assert "Authorization" not in fake.log[-1][2]


def test_a_client_certificate_is_shown_where_it_is_asked_for(certificates, opened, tmp_path):
    import ssl

    from .conftest import server_context

    context = server_context(certificates.good)
    context.verify_mode = ssl.CERT_REQUIRED
    context.load_verify_locations(str(certificates.ca))
    names = []

    def serve(listener):
        other, _ = listener.accept()
        try:
            with context.wrap_socket(other, server_side=True) as secure:
                names.append(secure.getpeercert()["subject"][0][0][1])
                secure.recv(4096)
                secure.sendall(b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: 2\r\n\r\n[]")
        except OSError:
            other.close()

    import threading

    for shown in ({}, dict(zip(("client_certificate", "client_key"), certificates.other_host, strict=True))):
        with socket.create_server(("127.0.0.1", 0)) as listener:
            thread = threading.Thread(target=serve, args=(listener,))
            thread.start()
            archive = opened(f"https://127.0.0.1:{listener.getsockname()[1]}", retries=0, **shown)
            if shown:
                assert archive.find(Query(patient="P")) == []
            else:
                with pytest.raises(PacsError):
                    archive.find(Query(patient="P"))
            thread.join()
    assert names == ["other"]


def test_a_wrong_password_is_asked_once(fake, opened, journal, small, monkeypatch, waits):
    monkeypatch.setenv("WLMEASURE_PACS_PASSWORD", "wrong")
    fake.script = [lambda r: r.reply(401, WWW_Authenticate='Basic realm="x"')] * 9
    found = sent(opened(fake.url, user="anna"), [small(), small(SOPInstanceUID="1.2.3.4.8")], journal)
    assert [v.outcome for v in found] == ["refused", "unknown"]
    assert "refuses user, password or token" in found[0].text
    assert (len(fake.log), waits) == (1, [])
    assert "wrong" not in str(found)


def test_secrets_are_not_shown(monkeypatch):
    monkeypatch.setenv("WLMEASURE_PACS_TOKEN", "tok-123")
    archive = open_image_archive(Server("https://archive.example"))
    assert "tok-123" not in repr(evolve(archive))
    assert archive.session.headers["Authorization"] == "Bearer tok-123"
