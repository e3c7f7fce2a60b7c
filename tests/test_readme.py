"""The README shows what the program prints today."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from wlmeasure.cli import DEMO_CASE
from wlmeasure.record.case import case_from_json, load_case
from wlmeasure.record.evaluate import evaluate
from wlmeasure.share.result import record_text
from wlmeasure.share.samples import sample_case, sample_truth_text

README = Path(__file__).resolve().parents[1] / "README.md"


def test_the_demo_in_the_readme_is_the_demo() -> None:
    result = evaluate(load_case(sample_case(DEMO_CASE)))
    record = record_text(result)

    text = README.read_text(encoding="utf-8")

    assert record[: record.index("\nCautions")].rstrip() in text
    assert sample_truth_text(result).strip() in text


def test_the_readmes_python_runs(monkeypatch, capsys) -> None:
    """The code for Python users, as it stands there, from the folder it is meant for."""
    text = README.read_text(encoding="utf-8")
    measured, found = (block.split("```")[0] for block in text.split("```python\n")[1:])
    monkeypatch.chdir(README.parent)
    exec(measured, {})
    assert "S" in capsys.readouterr().out
    names: dict[str, Any] = {}
    exec(found, names)
    tip, truth = names["found"].tip_px, names["phantom"].truth.file.tip_px
    assert abs(tip - truth).max() < 3.0


def test_the_readmes_case_file_is_one() -> None:
    text = README.read_text(encoding="utf-8")
    data = json.loads(text.split("```json\n")[1].split("```")[0].replace("…", "0" * 64))
    assert case_from_json(data).canals[0].name == "single"


def test_the_readmes_entries_of_a_scale_are_entries() -> None:
    """Each line of the block, the known file's left-out members put in."""
    text = README.read_text(encoding="utf-8")
    known = '"trace_kind": "clicks", "points_px": [[20, 50], [420, 50]], "known_length_mm": 20'
    lines = text.split("```text\n{")[1].split("```")[0].replace("...", known).splitlines()
    data = json.loads(text.split("```json\n")[1].split("```")[0].replace("…", "0" * 64))
    data["films"][0]["scale"] = [json.loads(line if line.startswith("{") else "{" + line) for line in lines]
    assert [type(one).__name__ for one in case_from_json(data).films[0].scale] == ["KnownFile", "Spacing", "FileTaper"]
