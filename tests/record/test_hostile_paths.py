"""Where the path of a film in a case file may lead: a mailed case makes nobody read, wait for or show a file of its choice."""

import hashlib
import json
import os

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from wlmeasure.cli import main
from wlmeasure.errors import CaseError, ImageError, StaleCaseError, WlmeasureError
from wlmeasure.image.file_content import file_content
from wlmeasure.image.reading import is_structured_report, read
from wlmeasure.record import films
from wlmeasure.record.case import load_case
from wlmeasure.record.films import read_films

PICTURE = np.random.default_rng(3).integers(0, 255, (40, 30), dtype=np.uint8)


@pytest.fixture
def case(tmp_path):
    """A function from the path of a film, as a case has it, to the case; the film itself lies beside the case's folder."""
    content = cv2.imencode(".png", PICTURE)[1].tobytes()
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "cases").mkdir()
    (tmp_path / "elsewhere" / "film.png").write_bytes(content)

    def case(path, content=content):
        film = {"id": "f1", "path": str(path), "sha256": hashlib.sha256(content).hexdigest(), "rows": 40, "cols": 30}
        body = {"schema": "wlmeasure-case/2", "tooth": "46", "films": [film]}
        file = tmp_path / "cases" / "c.wl.json"
        file.write_text(json.dumps(body), encoding="utf-8")
        return load_case(file)

    return case


def test_a_film_may_lie_in_another_folder(case, tmp_path):
    """A practice keeps films where it keeps them; the samples' cases lie beside the folder of films."""
    for path in ("../elsewhere/film.png", tmp_path / "elsewhere" / "film.png"):
        np.testing.assert_array_equal(read_films(case(path))["f1"].values, PICTURE)


def test_another_file_is_not_looked_into(case, tmp_path, monkeypatch, capsys):
    """Neither what it holds nor what kind of file it is is said: only that it is another one."""
    secret = tmp_path / "elsewhere" / "letter.txt"
    secret.write_text("dear patient", encoding="utf-8")
    monkeypatch.setattr("wlmeasure.image.reading.content_kind", lambda _: pytest.fail("looked into"))
    with pytest.raises(StaleCaseError, match="its SHA-256 is another than the case's") as caught:
        read_films(case(secret))
    said = str(caught.value)
    assert hashlib.sha256(secret.read_bytes()).hexdigest()[:6] not in said
    assert main(["measure", str(tmp_path / "cases" / "c.wl.json")]) == 1
    assert "dear" not in capsys.readouterr().err


@pytest.mark.parametrize(
    "path",
    [
        "//server/share/film.png",
        r"\\server\share\film.png",
        r"\\.\PhysicalDrive0",
        "file:///etc/passwd",
        "https://a.example/f.png",
    ],
)
def test_a_path_to_another_machine_is_not_opened(case, monkeypatch, path):
    monkeypatch.setattr(films, "read", lambda *_, **__: pytest.fail("opened"))
    with pytest.raises(CaseError, match="film f1: path must be a file of this computer"):
        read_films(case(path))


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with a name here")
def test_pipes_and_devices_are_never_opened(case, tmp_path):
    """Opening a pipe waits for its writer, a device has no end; any of them would hold the program for ever."""
    pipe = tmp_path / "elsewhere" / "pipe"
    os.mkfifo(pipe)
    for path in (pipe, "/dev/zero", "/dev/stdin", tmp_path):
        with pytest.raises(ImageError, match="a directory or device"):
            read_films(case(path))
    with pytest.raises(ImageError):
        read(pipe)
    assert not is_structured_report(pipe)
    with pytest.raises(CaseError, match="device"):
        load_case(pipe)
    for words in (["read"], ["measure"], ["deidentify", "--no-text-in-pixels", "--out", str(tmp_path / "out")]):
        assert main([*words, str(pipe)]) == 1
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("path", ["/proc/self/environ", "/proc/self/maps", "/proc/kmsg", "/proc/kcore"])
def test_what_the_system_makes_up_is_not_read(path):
    """Such files say that they have no bytes, and some of them never end."""
    if not os.path.isfile(path):  # noqa: PTH113
        pytest.skip(f"{path} is not there")
    with pytest.raises(ImageError):
        read(path)
    with pytest.raises(WlmeasureError):
        load_case(path)


def test_a_large_file_is_refused_by_its_size(tmp_path):
    path = tmp_path / "large"
    with path.open("wb") as file:
        file.truncate(10**12)  # a hole: it takes no room
    with pytest.raises(ImageError, match="at most 200000000 bytes: 1000000000000"):
        read(path)
    with pytest.raises(CaseError, match="at most 16777216 bytes"):
        load_case(path)
    with pytest.raises(ImageError, match="at most 10 bytes"):
        file_content(path, 10)


def test_a_link_to_itself_and_a_link_to_a_pipe(tmp_path):
    loop = tmp_path / "loop"
    loop.symlink_to(loop)
    with pytest.raises(ImageError):
        read(loop)
    with pytest.raises(CaseError, match=r"loop cannot be read"):
        load_case(loop)


PARTS = st.sampled_from(
    ["..", ".", "", "cases", "elsewhere", "film.png", "c.wl.json", "~", "$HOME", "con", "a" * 300, "é", "a:b", "*"]
)
PATHS = st.lists(PARTS | st.text(max_size=5), min_size=1, max_size=6).flatmap(
    lambda parts: st.sampled_from(["/", "\\", "//"]).map(lambda joint: joint.join(parts))
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(path=PATHS)
def test_whatever_a_path_says_it_is_that_film_or_one_clear_line(case, tmp_path, path):
    """Law: nothing is written, and what is read is the film of that hash or nothing."""
    before = sorted(str(entry) for entry in tmp_path.rglob("*"))
    try:
        films = read_films(case(path))
    except WlmeasureError:
        pass
    else:
        np.testing.assert_array_equal(films["f1"].values, PICTURE)
        assert path.endswith("film.png")
    after = sorted(str(entry) for entry in tmp_path.rglob("*"))
    assert set(after) - set(before) <= {str(tmp_path / "cases" / "c.wl.json")}
