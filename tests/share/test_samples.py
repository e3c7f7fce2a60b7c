"""The samples and the demonstration: all a measured case can be handed on as, in one folder."""

import csv
import xml.etree.ElementTree as ET

import pytest

from wlmeasure.errors import CaseError
from wlmeasure.record.case import load_case
from wlmeasure.record.evaluate import evaluate
from wlmeasure.record.record import LengthRecord, compare
from wlmeasure.share.samples import sample_case, sample_truth_text, write_demo

AT = "2026-11-25T10:30:00"


def test_every_sample_is_found_and_another_is_refused_by_name(measured):
    for name in measured:
        assert load_case(sample_case(name)).tooth == measured[name].case.tooth
    with pytest.raises(CaseError, match="'molar'"):
        sample_case("molar")


def test_the_truth_is_said_beside_what_was_measured(measured):
    """22.00 mm is the length of every sample's canal; the error is the difference of the two figures printed."""
    for result in measured.values():
        text = sample_truth_text(result)
        for canal in result.canals:
            for trace in canal.traces:
                error = trace.length.length_mm - 22.0
                assert f"measured {trace.length.length_mm:.2f} mm, error {error:+.2f} mm" in text
        assert "true length in three dimensions 22.00 mm" in text


def test_a_film_without_truth_says_nothing(bench):
    assert sample_truth_text(bench()) == ""


def test_the_demonstration_is_a_case_that_measures_the_same_again(measured, tmp_path):
    """Its folder stands alone: films beside the case, accepted paths inside, a record that compares clean."""
    for name in ("curved_out_of_plane", "two_films"):
        folder = tmp_path / name
        written = write_demo(measured[name], folder, at=AT, program="wlmeasure 0.1.0")
        assert written[0] == folder / "case.wl.json"
        assert all(path.is_file() for path in written)
        case = load_case(written[0])
        assert all((folder / film.path).is_file() for film in case.films)
        assert all(trace.path_px is not None for canal in case.canals for trace in canal.traces)
        result = evaluate(case)
        for before, after in zip(measured[name].canals[0].traces, result.canals[0].traces, strict=True):
            assert after.length.length_mm == pytest.approx(before.length.length_mm, abs=1e-9)
        assert {entry.kind for entry in LengthRecord(case.entries).standing()} >= {
            "film length",
            "decided working length",
        }
        assert compare(case, result) == ()
        assert (folder / "report.html").read_text(encoding="utf-8").startswith("<!doctype html>")
        for film in case.films:
            ET.parse(folder / f"{film.id}.svg")
        with (folder / "lengths.csv").open(encoding="utf-8", newline="") as file:
            assert len(list(csv.DictReader(file))) == len(case.films)
