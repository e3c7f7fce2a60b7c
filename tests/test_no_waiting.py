"""A pipe that nobody writes to, named as an input or as settings, is refused in one line and never waited for."""

import os
import signal

import pytest

from wlmeasure.cli import main

pytestmark = pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")

WORDS = [
    ["read", "{pipe}"],
    ["films", "{pipe}"],
    ["measure", "{pipe}.wl.json"],
    ["measure", "{molar}", "--clicks", "{pipe}"],
    ["compare", "{pipe}.wl.json", "--from", "f1", "--to", "f2"],
    ["report", "{pipe}.wl.json", "--out", "{out}.pdf"],
    ["share", "{pipe}.wl.json", "--as", "paths", "--out", "{out}"],
    ["deidentify", "{pipe}", "--out", "{out}"],
    ["record", "add", "{pipe}.wl.json", "--archive", "{out}"],
    ["record", "list", "--archive", "{pipe}"],
    ["record", "add", "{molar}", "--id", "x", "--by", "AB", "--archive", "{pipe}"],
    ["record", "import", "{pipe}", "--archive", "{out}"],
    ["record", "list", "--archive", "postgresql://wl@db.example/x?sslrootcert={pipe}"],
    ["pacs", "find", "--patient", "P"],
    ["pacs", "send", "{pipe}", "--server", "https://127.0.0.1:1/x"],
    ["study", "init", "{out}", "{molar}", "--observers", "A", "--protocol", "{pipe}"],
    ["study", "init", "{out}", "{pipe}", "--observers", "A", "--tooth", "46"],
    ["study", "score", "{pipe}", "--truth", "{pipe}", "--out", "{out}"],
    ["observers", "{pipe}"],
    ["propose", "{pipe}", "--out", "{out}", "--tooth", "46"],
    ["batch", "{pipe}", "--out", "{out}.csv"],
    ["batch", "{pipe}.csv", "--out", "{out}.csv"],
    ["convert", "{pipe}.csv", "--out", "{out}.json"],
    ["convert", "{pipe}.json", "--out", "{out}.csv"],
    ["convert", "{pipe}.jsonl", "--out", "{out}.csv"],
    ["convert", "{pipe}.parquet", "--out", "{out}.csv"],
]


@pytest.fixture
def no_waiting():
    """Whoever waits is woken by an alarm, so that a fault is a failure and no test without an end."""

    def woken(*_):
        raise KeyboardInterrupt("it waited for the pipe")  # no wall of the program takes that for a fault

    before = signal.signal(signal.SIGALRM, woken)
    signal.alarm(20)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


@pytest.mark.parametrize("words", WORDS, ids=[" ".join([*words[:2], words[-1]]) for words in WORDS])
def test_a_pipe_is_refused(words, tmp_path, monkeypatch, capsys, no_waiting):
    for name in ("", ".wl.json", ".csv", ".json", ".jsonl", ".parquet"):
        os.mkfifo(tmp_path / f"pipe{name}")
    monkeypatch.setenv("WLMEASURE_PACS", str(tmp_path / "pipe"))
    molar = os.path.join(os.path.dirname(__file__), "..", "sample_images", "cases", "molar.wl.json")  # noqa: PTH118, PTH120
    told = {"pipe": tmp_path / "pipe", "out": tmp_path / "out", "molar": molar}
    try:
        status = main([word.format(**told) for word in words])
    except SystemExit as usage:
        pytest.fail(f"wrong usage: {capsys.readouterr().err} {usage}")
    said = capsys.readouterr().err
    assert status == 1, said
    assert "fault of the program" not in said
    assert said.startswith("wlmeasure: ")
