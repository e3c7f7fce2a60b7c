"""The command line on the shipped tables gives the published figures; a study is made, filled and asked for by words."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from wlmeasure.cli import main
from wlmeasure.study.manifest import load_study

ROOT = Path(__file__).resolve().parents[2]
TABLES = ROOT / "sample_images" / "tables"
CASES = ROOT / "sample_images" / "cases"


def _said(capsys, *words: str) -> str:
    assert main(["observers", *words]) == 0
    return capsys.readouterr().out


def _summary(capsys, name: str, *words: str) -> dict:
    return json.loads(_said(capsys, str(TABLES / name), "--json", *words))["summaries"][0]


def test_two_meters_as_printed_in_1986(capsys):
    """T8.1: mean -2.118, SD 38.765; -78.10 and 73.86 at 1.96 SD, -79.65 and 75.41 at 2 SD; repeats 15.307 and 19.911."""
    found = _summary(capsys, "peak_flow.csv")
    (pair,) = found["pairs"]
    assert (pair["limits"]["bias"], pair["limits"]["std"]) == pytest.approx((-2.118, 38.765), abs=5e-4)
    at = [round(pair[name][end], 2) for name in ("limits", "limits_two_sd") for end in ("low", "high")]
    assert at == [-78.10, 73.86, -79.65, 75.41]
    assert [own["error"]["error"] for own in found["own"]] == pytest.approx([15.307, 19.911], abs=5e-4)
    text = _said(capsys, str(TABLES / "peak_flow.csv"))
    for figure in ("bias -2.118", "SD 38.765", "-78.09", "73.86", "at 2 SD -79.648", "75.413"):
        assert figure in text


def test_six_subjects_and_four_judges_as_printed_in_1979(capsys):
    """T8.2."""
    icc = _summary(capsys, "judges.csv")["icc"]
    values = [round(one["value"], 4) for one in icc.values()]
    assert values == [0.1657, 0.2898, 0.7148, 0.4428, 0.6201, 0.9093]
    text = _said(capsys, str(TABLES / "judges.csv"))
    for value in (".1657", ".2898", ".7148", ".4428", ".6201", ".9093"):
        assert value in text


def test_twenty_children_and_six_working_lengths(capsys):
    """T8.3: 21.46; T8.4: 0.1258 mm and 0.616 %, from a table with semicolons and decimal commas."""
    assert _summary(capsys, "children.csv")["own"][0]["within"]["std"] == pytest.approx(21.46, abs=5e-3)
    assert "within-subject SD 21.460" in _said(capsys, str(TABLES / "children.csv"))
    (pair,) = _summary(capsys, "working_length.csv")["pairs"]
    assert pair["error"]["error"] == pytest.approx(0.1258, abs=5e-5)
    assert "Dahlberg error 0.1258, 0.616 % of the mean" in _said(capsys, str(TABLES / "working_length.csv"))


def test_shares_with_wilsons_intervals(capsys):
    """T8.5: 84.48 (73.07-91.62), 96.55 (88.27-99.05), 100 (93.79-100), 85.71 (75.66-92.05) %."""
    text = _said(capsys, str(TABLES / "shares.csv"))
    for said in (
        "49 of 58, 84.48 % (73.07 to 91.62 %)",
        "56 of 58, 96.55 % (88.27 to 99.05 %)",
        "58 of 58, 100.00 % (93.79 to 100.00 %)",
        "60 of 70, 85.71 % (75.66 to 92.05 %)",
    ):
        assert said in text
    only = _summary(capsys, "shares.csv", "--within", "0.2")["pairs"][0]["shares"]
    assert [(share["within"], share["hits"]) for share in only] == [(0.2, 0)]


def test_several_readings_as_printed_in_2007(capsys):
    (pair,) = _summary(capsys, "ejection.csv", "--true-value", "varies")["pairs"]
    found = (pair["repeated"]["bias"], pair["repeated"]["low"], pair["repeated"]["high"])
    assert found == pytest.approx((0.6022, -1.3395, 2.5438), abs=1e-4)


@pytest.mark.parametrize("ending", ["html", "pdf"])
def test_a_report_of_every_shipped_table_is_written(tmp_path, capsys, ending):
    for table in sorted(TABLES.glob("*.csv")):
        out = tmp_path / f"{table.stem}.{ending}"
        assert str(out) in _said(capsys, str(table), "--out", str(out))
        content = out.read_bytes()
        assert content.startswith(b"%PDF" if ending == "pdf" else b"<!doctype html>")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["observers", "none.csv"], "none.csv"),
        (["observers", str(TABLES / "README.md")], "README.md: columns must be"),
        (["observers", str(TABLES / "judges.csv"), "--walk", "x"], "--walk must come with a study"),
        (["observers", str(TABLES / "judges.csv"), "--out", "x.doc"], "must end in .html or .pdf"),
        (["observers", str(TABLES)], "there is no study.json"),
        (["study", "status", str(TABLES)], "there is no study.json"),
        (["study", "size"], "--icc, --sd or --repeatability-within"),
        (["study", "size", "--icc", "1.5"], "icc must be"),
    ],
)
def test_bad_input_is_one_line(capsys, monkeypatch, tmp_path, words, said):
    monkeypatch.chdir(tmp_path)
    assert main(words) == 1
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1


def test_case_files_in_folders_of_observers(tmp_path, capsys):
    """The same film by two people under other names, one 0.5 mm shorter: 40 pixels of 0.0125 mm, by hand."""
    from attrs import evolve

    from wlmeasure.record.case import KnownObject, load_case, save_case

    for start, name in ((200.0, "straight"), (280.0, "s_curved")):
        case = load_case(CASES / f"{name}.wl.json")
        film = evolve(
            case.films[0],
            path=str(case.film_path(case.films[0]).resolve()),
            scale=(KnownObject(points_px=((0.0, 0.0), (800.0, 0.0)), known_length_mm=10.0),),
        )
        for observer, end in (("ANN", 1240.0), ("BEN", 1200.0)):
            trace = evolve(case.canals[0].traces[0], clicks_px=((start, 500.0), (end, 500.0)), file_tip_px=None)
            trace = evolve(trace, path_px=tuple((start + k * (end - start) / 50.0, 500.0) for k in range(51)))
            made = evolve(case, films=(film,), entries=(), canals=(evolve(case.canals[0], traces=(trace,)),))
            (tmp_path / observer).mkdir(exist_ok=True)
            save_case(made, tmp_path / observer / f"{observer}_{name}.wl.json")
    out = tmp_path / "r.html"
    found = json.loads(_said(capsys, str(tmp_path), "--json", "--out", str(out)))
    whole = found["summaries"][0]
    assert (whole["definition"], whole["subjects"], whole["observers"]) == ("length_mm", 2, ["ANN", "BEN"])
    assert whole["pairs"][0]["limits"]["bias"] == pytest.approx(0.5, abs=1e-6)
    assert found["paths"]["shares"]["end"] == pytest.approx(1.0, abs=1e-6)
    assert "film" in out.read_text("utf-8")


def test_sizes_by_words(capsys):
    words = ["study", "size", "--icc", "0.8", "--observers", "3", "--sd", "0.5", "--repeatability-within", "10"]
    assert main(words) == 0
    lines = capsys.readouterr().out.splitlines()
    # 8 x 1.96^2 x 0.2^2 x 2.6^2 / (3 x 2 x 0.2^2) + 1 = 35.6; 100 subjects for 0.34 SD; 193 for 10 %.
    assert [line.split()[0] for line in lines] == ["36", "100", "193"]


def test_a_study_by_words(tmp_path, capsys):
    out = tmp_path / "study"
    films = [str(CASES / f"{name}.wl.json") for name in ("straight", "s_curved", "curved_out_of_plane")]
    words = ["study", "init", str(out), *films, "--observers", "A,B,C", "--repeats", "2", "--seed", "5"]
    words += ["--definitions", "length_mm,schneider_deg", "--clicks", "3-8", "--apical-end", "apical foramen"]
    assert main([*words, "--hide", "names", "--hide", "measures:B"]) == 0
    said = capsys.readouterr().out
    assert "3 films, 3 observers, 18 readings to make" in said
    assert "may be recognised" in said
    study = load_study(out)
    assert [observer.hidden for observer in study.observers] == [("names",), ("names", "measures"), ("names",)]
    assert (study.protocol.least_clicks, study.protocol.most_clicks) == (3, 8)
    assert main(["study", "status", str(out), "--json"]) == 0
    status = json.loads(capsys.readouterr().out)
    assert [(one["done"], one["assigned"], one["next"]) for one in status["observers"]] == [(0, 6, 1)] * 3
    assert main(["observers", str(out)]) == 1
    assert "there are none yet" in capsys.readouterr().err
    rules = tmp_path / "rules.json"
    rules.write_text('{"definitions": ["length_mm"], "apical_end": "file tip", "scale": "observer"}')
    assert main(["study", "init", str(tmp_path / "b"), films[0], "--observers", "A", "--protocol", str(rules)]) == 0
    assert load_study(tmp_path / "b").films[0].scale == ()
    capsys.readouterr()
    again = [
        "study",
        "init",
        str(tmp_path / "c"),
        films[0],
        "--observers",
        "A",
        "--protocol",
        str(rules),
        "--reference",
    ]
    assert main(again) == 1
    assert "--protocol must stand alone" in capsys.readouterr().err


def test_help_of_the_new_words_needs_no_numpy():
    code = (
        "import sys; from wlmeasure.cli import main\n"
        "for words in (['--help'], ['study', 'init', '--help'], ['observers', '--help']):\n"
        "    try: main(words)\n"
        "    except SystemExit: pass\n"
        "print('numpy' in sys.modules)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stdout.splitlines()[-1] == "False"
