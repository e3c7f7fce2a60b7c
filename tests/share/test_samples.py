"""The samples and the demonstration: all a measured case can be handed on as, in one folder."""

import csv
import json
import xml.etree.ElementTree as ET

import attrs
import numpy as np
import pytest

from tests.share import readback
from wlmeasure.errors import CaseError
from wlmeasure.record.case import Entry, load_case, save_case
from wlmeasure.record.edit import struck_out, with_entry
from wlmeasure.record.evaluate import evaluate
from wlmeasure.record.record import LengthRecord, compare
from wlmeasure.share.samples import sample_case, sample_truth_text, write_demo

AT = "2026-11-25T10:30:00"


def test_every_sample_is_found_and_another_is_refused_by_name(measured):
    for name in measured:
        assert load_case(sample_case(name)).tooth == measured[name].case.tooth
    with pytest.raises(CaseError, match="'incisor'"):
        sample_case("incisor")


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


def test_the_molars_truth_is_said_canal_by_canal(molar):
    """The figures printed, by hand from the truth files: way to the foramen, and straight on to the root's end."""
    text = sample_truth_text(molar)
    folder = sample_case("molar").parents[1] / "truth"
    for film, canal in (("molar_mb", "MB"), ("molar_ml", "ML"), ("molar_mb", "D")):
        truth = json.loads((folder / f"{film}.json").read_text(encoding="utf-8"))
        (own,) = (one for one in truth["canals"] if one["name"] == canal)
        true_mm = own["total_mm"] + np.linalg.norm(np.subtract(own["apex_mm"], own["points_mm"][-1]))
        assert f"canal {canal}: true length in three dimensions {true_mm:.2f} mm" in text
    filled = json.loads((folder / "molar_filling.json").read_text(encoding="utf-8"))["fillings"]
    for one in filled:
        assert f"canal {one['canal']}: the filling truly ends {one['to_apex_mm']:.2f} mm from the root's end" in text


def test_the_molar_is_played_into_a_folder_and_gone_on_with(molar, tmp_path):
    """Measured again the stored figures are the same, so nothing is entered twice; what a person adds stays."""
    folder = tmp_path / "molar"
    written = {path.name for path in write_demo(molar, folder, at=AT, program="wlmeasure 0.1.0")}
    assert written >= {"case.wl.json", "report.html", "report.pdf", "stops.pdf", "f4.svg", "lengths.csv"}
    case = load_case(folder / "case.wl.json")
    assert case.entries == molar.case.entries
    assert compare(case, evaluate(case)) == ()
    note = Entry(id="e900", kind="note", at="2026-06-01T10:00", by="RM", note="No complaints.")
    save_case(with_entry(case, note), folder / "case.wl.json")
    write_demo(molar, folder, at=AT, program="wlmeasure 0.1.0")
    again = load_case(folder / "case.wl.json")
    assert again.entries == (*molar.case.entries, note)
    assert "No complaints." in (folder / "report.html").read_text(encoding="utf-8")


def test_the_pages_of_the_demonstration_follow_the_record_that_is_written(measured, tmp_path):
    """A decision that a person struck out in the folder stands on no page of the next run."""
    folder = tmp_path / "demo"
    write_demo(measured["straight"], folder, at=AT, program="wlmeasure 0.1.0")
    case = load_case(folder / "case.wl.json")
    decision = evaluate(case).canals[0].decision
    assert f"decided by {decision.by}" in readback.pdf_words((folder / "stops.pdf").read_bytes())
    save_case(struck_out(case, decision.id, at=AT, by="RM"), folder / "case.wl.json")
    write_demo(measured["straight"], folder, at=AT, program="wlmeasure 0.1.0")
    assert readback.from_card_pdf((folder / "stops.pdf").read_bytes()) == {"single": (None, 20.5)}
    assert readback.from_report_html((folder / "report.html").read_bytes()) == {"single": (None, 20.5)}


def test_a_clock_before_the_story_does_not_break_the_record(molar, tmp_path):
    """With a figure that differs it is entered anew, dated by this computer's clock, and the record can be followed."""
    changed = next(entry for entry in molar.case.entries if entry.kind == "film length" and entry.inputs_sha256)
    other = attrs.evolve(changed, length_mm=changed.length_mm - 0.1)
    entries = tuple(other if entry is changed else entry for entry in molar.case.entries)
    result = attrs.evolve(molar, case=attrs.evolve(molar.case, entries=entries))
    write_demo(result, tmp_path / "early", at="2020-01-01T00:00:00", program="wlmeasure 0.1.0")
    case = load_case(tmp_path / "early" / "case.wl.json")
    (new,) = case.entries[len(entries) :]
    assert (new.kind, new.supersedes, new.at) == ("film length", changed.id, "2020-01-01T00:00:00")
    assert compare(case, evaluate(case)) == ()
