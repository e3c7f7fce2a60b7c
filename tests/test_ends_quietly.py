"""Stopped by hand, a reader that has gone, numbers that are none, and the one line for a fault of the program."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from wlmeasure.cli import main
from wlmeasure.errors import MeasureError, fault_words
from wlmeasure.study.size import subjects_for_icc, subjects_for_limits, subjects_for_repeatability

ROOT = Path(__file__).resolve().parents[1]
MOLAR = str(ROOT / "sample_images" / "cases" / "molar.wl.json")


def test_ctrl_c_ends_without_a_word(monkeypatch, capsys):
    """In the middle of a job; the signal is a real one."""
    monkeypatch.setattr("wlmeasure.record.case.load_case", lambda _: signal.raise_signal(signal.SIGINT))
    assert main(["measure", MOLAR]) == 130
    assert capsys.readouterr() == ("", "")


def test_ctrl_c_while_the_words_are_looked_up(monkeypatch, capsys):
    monkeypatch.setattr("wlmeasure.cli._parser", lambda _: signal.raise_signal(signal.SIGINT))
    assert main(["measure", MOLAR]) == 130
    assert capsys.readouterr() == ("", "")


def test_ctrl_c_in_the_middle_of_a_file_leaves_nothing_of_it(monkeypatch, tmp_path):
    real = os.fsync

    def stopped(handle):
        real(handle)
        signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr("os.fsync", stopped)
    assert main(["convert", MOLAR, "--paths-only", "--out", str(tmp_path / "x.wlpaths.json")]) == 130
    assert list(tmp_path.iterdir()) == []


def test_nobody_hears_the_line(tmp_path):
    """`2>&-`, and stderr into a pipe whose reader has gone: the status is what it is, and stdout stays clean."""
    reading, writing = os.pipe()
    os.close(reading)
    command = [sys.executable, "-m", "wlmeasure.cli", "read", str(tmp_path / "none.png"), "--json"]
    for way in ({"stderr": writing}, {"preexec_fn": lambda: os.close(2)}):
        done = subprocess.run(command, stdout=subprocess.PIPE, env=os.environ | {"PYTHONPATH": str(ROOT)}, **way)
        assert (done.returncode, done.stdout) == (1, b"")
    os.close(writing)


@pytest.mark.parametrize("wrong", ["2_1", "1e", "٢", "nan", "inf", "1e400", ""])
@pytest.mark.parametrize(
    "words",
    [
        ["phantom", "out", "--ramp"],
        ["phantom", "out", "--seed"],
        ["batch", MOLAR, "--out", "x.csv", "--correlated-mm"],
        ["observers", "x.csv", "--worst"],
        ["record", "list", "--most"],
        ["study", "size", "--icc"],
    ],
    ids=lambda words: f"{words[0]} {words[-1]}",
)
def test_what_is_no_number_is_wrong_usage(words, wrong, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as stopped:
        main([*words, wrong])
    assert stopped.value.code == 2
    assert "number" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("value", ["1e308", "-1e308", "1e-308"])
@pytest.mark.parametrize(
    "words",
    [
        ["study", "size", "--icc", "0.9", "--width", "{}"],
        ["study", "size", "--sd", "{}", "--limit-within", "0.3"],
        ["study", "size", "--sd", "1", "--limit-within", "{}"],
        ["study", "size", "--repeatability-within", "{}"],
        ["phantom", "out", "--shift", "{}", "--views", "2", "--cap", "7"],
        ["compare", MOLAR, "--from", "f2", "--to", "f4", "--mark", "{}0,1=2,3"],
    ],
    ids=lambda words: f"{words[0]} {words[-2]} {words[-1]}",
)
def test_a_huge_or_tiny_number_is_no_fault(words, value, capsys, tmp_path, monkeypatch):
    if words[0] == "compare" and value == "1e-308":
        pytest.skip("a point of the film; it measures, which takes long")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("WLMEASURE_TRACEBACK", "1")
    try:
        status = main([word.format(value) for word in words])
    except SystemExit as usage:
        status = usage.code
    told = capsys.readouterr().err
    assert status in (0, 1, 2)
    assert "fault of the program" not in told


def test_subjects_beyond_any_study():
    for ask in (
        lambda: subjects_for_icc(0.5, 1e-300, 2),
        lambda: subjects_for_limits(1.0, 1e-308),
        lambda: subjects_for_repeatability(1e-308, 2),
    ):
        with pytest.raises(MeasureError, match="must be within reach"):
            ask()


def test_the_line_about_a_fault_holds_nothing_private(monkeypatch, capsys, tmp_path):
    """The place and the kind; not what the program was just looking at."""

    def broken(_):
        raise KeyError("Anna Kowalska 1971")

    monkeypatch.setattr("wlmeasure.record.case.case_from_json", lambda *_, **__: broken(1))
    path = tmp_path / "Kowalska.wl.json"
    path.write_text("{}")
    assert main(["measure", str(path)]) == 1
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert told.startswith("wlmeasure: fault of the program (KeyError at wlmeasure/record/case.py:")
    assert "Kowalska" not in told
    assert "send no file with it" in told
    assert "(RuntimeError):" in fault_words(RuntimeError("x"))
