"""A simulated study through the real files: bias, repeat SD, correlation and path agreement come back as they were made."""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path

import numpy as np
import pytest

from wlmeasure.cli import main
from wlmeasure.study.folder import init_study
from wlmeasure.study.protocol import Protocol
from wlmeasure.trace.spline import arc_length

HERE = Path(__file__).resolve().parent
SEED = 71  # chosen once; none other was looked at


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """12 films, 3 observers, 2 repeats: 72 case files by observers of known bias and spread."""
    spec = importlib.util.spec_from_file_location("simulated", HERE / "simulated.py")
    simulated = importlib.util.module_from_spec(spec)
    sys.modules["simulated"] = simulated
    spec.loader.exec_module(simulated)
    folder = tmp_path_factory.mktemp("simulated")
    truth = simulated.cheap_films(folder / "films", 12, SEED)
    hands = simulated.HANDS
    protocol = Protocol(definitions=("length_mm",), apical_end="radiographic apex", scale="given", least_clicks=3)
    cases = sorted((folder / "films").glob("*.wl.json"))
    study = init_study(folder / "study", cases, [h.name for h in hands], protocol, repeats=2, seed=SEED).study
    assert simulated.read_all(study, truth, hands, 0.05, SEED) == 72
    lengths = np.array([arc_length(path)[-1] * 0.05 for path in truth.values()])
    return study, hands, simulated.expected_icc(lengths, hands), folder


@pytest.fixture(scope="module")
def said(made):
    """What the command line says of the study, as JSON, with the report and the list for the viewer written."""
    import contextlib
    import io

    study, _, _, folder = made
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        words = [
            "observers",
            str(study.folder),
            "--json",
            "--out",
            str(folder / "report.html"),
            "--walk",
            str(folder / "w"),
        ]
        assert main(words) == 0
    return json.loads(out.getvalue())


def test_bias_and_correlation_are_those_of_the_simulation(made, said):
    _study, hands, icc, _ = made
    whole = said["summaries"][0]
    assert (whole["subjects"], whole["complete"], whole["readings"]) == (12, 12, 72)
    bias = {hand.name: hand.bias_mm for hand in hands}
    for pair in whole["pairs"]:
        true = bias[pair["first"]] - bias[pair["second"]]
        for limits in (pair["limits"], pair["repeated"]):
            low, high = limits["bias_interval"]
            print(
                f"\n{pair['first']} - {pair['second']}: {limits['bias']:.3f} ({low:.3f} to {high:.3f}), made with {true:.3f}"
            )
            assert low <= true <= high
            assert high - low < 0.7
    low, high = whole["icc"]["ICC(2,1)"]["interval"]
    print(f"ICC(2,1) {whole['icc']['ICC(2,1)']['value']:.4f} ({low:.4f} to {high:.4f}), made with {icc:.4f}")
    assert low <= icc <= high
    assert high - low < 0.2


def test_repeat_spread_and_ends_are_those_of_the_simulation(made, said):
    study, hands, _, _ = made
    for place, (own, hand) in enumerate(zip(said["summaries"][0]["own"], hands, strict=True)):
        # Held against the errors that were drawn, in the observer's order: against the SD that they were drawn with, one in
        # twenty intervals of 95 % misses, and which one depends on the order.
        rng = np.random.default_rng([SEED, place])
        drawn: dict[str, list[float]] = {}
        for task in study.observer(hand.name).tasks:
            drawn.setdefault(task.film, []).append(rng.normal(0.0, hand.std_mm))
            rng.normal()  # across the canal
        spread = np.sqrt(np.mean([(one - two) ** 2 / 2.0 for one, two in drawn.values()]))
        assert own["observer"] == hand.name
        assert own["within"]["std"] == pytest.approx(spread, abs=0.01)
        low, high = own["within"]["std_interval"]
        assert low < spread < high
        assert 0.5 * hand.std_mm < spread < 1.7 * hand.std_mm  # 12 pairs: 999 of 1000 lie there
        low, high = own["drift"]["over_all_interval"]
        assert low <= 0.0 <= high
    ellipse = said["paths"]["ellipse"]
    along = np.sqrt(np.mean([hand.std_mm**2 for hand in hands]) + np.var([hand.bias_mm for hand in hands], ddof=1))
    across = np.sqrt(np.mean([hand.across_mm**2 for hand in hands]))
    assert ellipse["along_std_mm"] == pytest.approx(along, rel=0.3)
    assert ellipse["across_std_mm"] == pytest.approx(across, rel=0.3)
    assert said["paths"]["shares"]["end"] > 0.9


def test_groups_of_teeth_are_there_and_the_report_holds_together(made, said):
    _study, _, _, folder = made
    assert [one["group"] for one in said["summaries"]] == ["", "incisor", "molar", "premolar"]
    page = (folder / "report.html").read_text("utf-8")
    for text in (
        "Agreement of observers",
        "limits of agreement",
        "The worst disagreements",
        "By group of teeth",
        "drift",
    ):
        assert text in page
    assert "http" not in page.replace("http://www.w3.org", "")  # nothing is loaded from anywhere
    assert "patient" not in page
    walk = json.loads((folder / "w" / "walk.json").read_text("utf-8"))
    assert len(walk["items"]) == 6


def test_table_and_folder_say_the_same(made, tmp_path, capsys):
    """A smaller study: its folder and the table made of it give the same figures, and status counts them."""
    simulated = sys.modules["simulated"]
    truth = simulated.cheap_films(tmp_path / "films", 4, SEED)
    protocol = Protocol(definitions=("length_mm",), apical_end="radiographic apex", scale="given", least_clicks=3)
    cases = sorted((tmp_path / "films").glob("*.wl.json"))
    hands = simulated.HANDS
    study = init_study(tmp_path / "study", cases, [h.name for h in hands], protocol, seed=SEED).study
    simulated.read_all(study, truth, hands, 0.05, SEED)
    table = tmp_path / "table.csv"
    assert main(["study", "table", str(study.folder), "--out", str(table)]) == 0
    capsys.readouterr()
    said = []
    for place in (table, study.folder):
        assert main(["observers", str(place), "--json"]) == 0
        said.append(json.loads(capsys.readouterr().out)["summaries"])
    assert said[0] == said[1]
    assert main(["study", "status", str(study.folder)]) == 0
    assert capsys.readouterr().out.count("4 of 4, done") == 3
