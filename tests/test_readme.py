"""The README shows what the program prints today."""

from __future__ import annotations

from pathlib import Path

from wlmeasure.record.case import load_case
from wlmeasure.record.evaluate import evaluate
from wlmeasure.share.result import record_text
from wlmeasure.share.samples import sample_case, sample_truth_text

README = Path(__file__).resolve().parents[1] / "README.md"


def test_the_demo_in_the_readme_is_the_demo() -> None:
    result = evaluate(load_case(sample_case("curved_out_of_plane")))
    record = record_text(result)

    text = README.read_text(encoding="utf-8")

    assert record[: record.index("\nCautions")].rstrip() in text
    assert sample_truth_text(result).strip() in text
