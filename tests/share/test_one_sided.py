"""A length that may be too long and not too short: every output says its two ends, none a half-width that it has not."""

import json
import math
import re

import pypdfium2
import pytest
from attrs import evolve

from tests.record.unseen import TRACE, UNSEEN
from tests.share.readback import html_words, pdf_words
from wlmeasure.decide.filling import limit_words
from wlmeasure.errors import CaseError
from wlmeasure.record.case import Entry, case_from_json, case_to_json
from wlmeasure.record.evaluate import evaluate
from wlmeasure.record.facts import case_facts
from wlmeasure.record.record import LengthRecord, decided, measured_entries
from wlmeasure.share.archived import _length
from wlmeasure.share.card import card_file, chart_note, stop_rows, stops_card
from wlmeasure.share.course import _bar_mm
from wlmeasure.share.drawing import Label
from wlmeasure.share.html import html_page
from wlmeasure.share.lettering import line_width
from wlmeasure.share.page import Columns
from wlmeasure.share.pdf import pdf_page
from wlmeasure.share.report import report
from wlmeasure.share.result import measured_words, proposal_words, record_text, result_json, scale_words
from wlmeasure.share.tables import lengths_csv
from wlmeasure.share.timeline import entry_words

BENCH_TRACE = {"film": "f1", "apical_end": "radiographic apex"}


@pytest.fixture
def unseen(bench):
    """20 mm from the stop's face by a file of 18 mm; nobody said that its stop was seated."""
    return bench({"scale": [UNSEEN]}, trace_changes=TRACE)


@pytest.fixture
def seated(bench):
    return bench({"scale": [UNSEEN | {"stop_seated": "yes"}]}, trace_changes=TRACE)


def shown(working):
    """The proposal as it is printed: a tenth, rounded down."""
    return f"{math.floor(10.0 * working.length_mm) / 10.0:.1f}"


def ends(result):
    """The ends of the length's and the proposal's intervals, to 0.1 mm as they are printed."""
    length, working = result.canals[0].traces[0].length, result.canals[0].working_length
    return [f"{low:.1f} to {high:.1f}" for low, high in (length.length_interval_mm, working.interval_mm)]


def test_words_of_a_length_and_of_a_proposal(unseen, seated):
    length, working = unseen.canals[0].traces[0].length, unseen.canals[0].working_length
    told = ends(unseen)
    assert measured_words(length) == f"20.0 mm ({told[0]})"
    assert proposal_words(working) == f"{shown(working)} mm ({told[1]})"
    assert re.fullmatch(r"20\.0 mm ± \d\.\d", measured_words(seated.canals[0].traces[0].length))
    assert working.length_mm < seated.canals[0].working_length.length_mm - 0.1


def test_the_scale_says_from_where_to_where_and_how_far_it_may_be_too_large(unseen, seated):
    """1 mm of 18 is 5.6 %."""
    words = scale_words(unseen.films[0])
    assert "18 mm ± 0.10 from the perpendicular of the marked reference point to the tip" in words
    below, above = map(float, re.search(r"per pixel -(\d\.\d)/\+(\d\.\d) %", words).groups())
    assert 5.0 < below < 6.5
    assert above < 3.0
    assert "mm per pixel ± " in scale_words(seated.films[0])


def test_the_length_record(unseen):
    text, told = record_text(unseen), ends(unseen)
    assert f"20.0 mm ({told[0]})" in text
    assert f"proposed {shown(unseen.canals[0].working_length)} mm ({told[1]})" in text
    assert "slid up by 1 mm, this length is 1.1 mm too long" in text
    assert re.search(r"seat of the stop -1\.0\d/\+0\.00", text)
    assert "20.0 mm ±" not in text


def test_the_report(unseen):
    page, told = html_page(report(unseen, made_at="2026-12-01T10:00:00", program="wlmeasure")), ends(unseen)
    for words in told:
        assert f"({words})" in page
    assert "-1.0" in page
    assert "slid up by 1 mm" in page


def test_card_and_chart(unseen):
    note, told = chart_note(unseen, "MB"), ends(unseen)
    length = shown(unseen.canals[0].working_length)
    assert f"working length {length} mm ({told[1]}) (95 %) from cusp" in note
    comma = chart_note(unseen, "MB", decimal=",")
    assert f"{length.replace('.', ',')} mm ({told[1].replace('.', ',')})" in comma
    assert stop_rows(unseen)


def test_json_and_table_hold_both_ends(unseen):
    (canal,) = result_json(unseen)["canals"]
    length = unseen.canals[0].traces[0].length
    assert canal["length_interval_mm"] == list(length.length_interval_mm)
    seat = [term for term in canal["budget"] if term["term"] == "seat of the stop"]
    assert seat[0]["shape"] == "one-sided"
    low, high = length.length_interval_mm
    assert f"{low:.3f}" in lengths_csv(unseen)
    assert f"{high:.3f}" in lengths_csv(unseen)


def test_what_stops_are_set_by_keeps_both_ends(unseen):
    stop = case_facts(unseen).of("MB").stop
    assert stop.interval_mm == unseen.canals[0].working_length.interval_mm


def test_to_narrow_it_is_to_know_that_the_stop_was_seated(unseen):
    found = unseen.canals[0].traces[0].advice[0]
    assert found.term == "seat of the stop"
    assert re.search(r"-1\.\d\d/\+0\.\d\d -> ±0\.\d\d mm", found.words)


@pytest.fixture
def entered(unseen):
    """The case with a length decided, and so with the film's length in the record."""
    made = decided(unseen, "MB", 19.0, at="2026-12-01T10:00:00", by="KO", program="test 1")
    flared = Entry(id=made.next_id(), kind="coronal flaring", at="2026-12-01T10:05:00", by="KO", canal="MB")
    case = evolve(unseen.case, entries=made.with_entry(flared).entries)
    return evaluate(case, {"f1": unseen.films[0].radiograph})


def test_the_record_keeps_both_ends_and_says_them(unseen, entered):
    entry = next(e for e in entered.case.entries if e.kind == "film length")
    assert entry.length_interval_mm == pytest.approx(unseen.canals[0].traces[0].length.length_interval_mm)
    assert case_from_json(json.loads(json.dumps(case_to_json(entered.case)))).entries == entered.case.entries
    words = entry_words(entry)
    assert f"20.0 mm ({ends(unseen)[0]})" in words
    page = html_page(report(entered, made_at="2026-12-01T10:00:00", program="wlmeasure"))
    assert words.split(": ", 1)[1].split(",")[0] in page
    for text in (words, page):
        assert "20.0 mm ±" not in text


def test_the_bar_of_the_course_reaches_as_far(entered):
    entry = next(e for e in entered.case.entries if e.kind == "film length")
    low, high = _bar_mm(entry)
    assert entry.length_mm - low > 2.0 * (high - entry.length_mm)


def test_what_the_archive_says_of_a_stored_length(entered):
    entry = next(e for e in entered.case.entries if e.kind == "film length")
    low, high = entry.length_interval_mm
    assert _length(entry) == f"{limit_words(entry.length_mm)} ({low:.1f} to {high:.1f})"


def test_an_entry_from_before_stands_and_reads_as_it_did(unseen, entered):
    """Its two ends are not known; it is neither edited nor entered once more, and a length seen evenly has none."""
    old = tuple(evolve(e, length_below_mm=None, length_above_mm=None) for e in entered.case.entries)
    assert "length_below_mm" not in json.dumps(case_to_json(evolve(entered.case, entries=old)))
    again = measured_entries(unseen, LengthRecord(old), at="2026-12-02T10:00:00", by="KO", program="test 2")
    assert again.entries == old


def test_a_seated_stop_needs_no_two_ends(seated):
    made = decided(seated, "MB", 19.0, at="2026-12-01T10:00:00", by="KO", program="test 1")
    entry = next(e for e in made.entries if e.kind == "film length")
    assert (entry.length_below_mm, entry.length_above_mm) == (None, None)
    assert re.search(r"20\.0 mm ± \d\.\d", entry_words(entry))


def test_one_end_alone_is_refused(entered):
    record = LengthRecord(())
    entry = next(e for e in entered.case.entries if e.kind == "film length")
    half = evolve(entry, id=record.next_id(), length_above_mm=None)
    with pytest.raises(CaseError, match="length_below_mm and length_above_mm must stand together"):
        record.with_entry(half)


def plate(page):
    """The labels of the first canal's plate."""
    figures = [part for block in page.blocks if isinstance(block, Columns) for part in block.left]
    return [shape for shape in figures[0].drawing.shapes if isinstance(shape, Label)], figures[0].drawing


@pytest.mark.parametrize("decimal", [".", ","])
def test_both_ends_of_the_interval_stand_whole_on_the_card(unseen, seated, entered, decimal):
    """Proposed and decided, one-sided and even: no line is wider than its plate, and the sheet reads both ends."""
    for result in (unseen, seated, entered):
        page = stops_card(result, made_at="2026-12-01", program="test 1", decimal=decimal)
        labels, drawing = plate(page)
        for label in labels:
            if label.anchor == "start":
                assert label.x + line_width(label.text, label.size, bold=label.bold) <= drawing.width
                assert label.y < drawing.height - 4.0
        stop = case_facts(result).of("MB").stop
        low_mm, high_mm = stop.interval_mm or (0.0, 0.0)
        low, high = (f"{end:.1f}".replace(".", decimal) for end in (low_mm, high_mm))
        told = f"95 %: {low} to {high} mm"
        for content in (pdf_words(pdf_page(page).content), html_words(html_page(page))):
            assert f"length {math.floor(10.0 * stop.length_mm) / 10.0:.1f}".replace(".", decimal) in content
            uneven = (
                stop.interval_mm is not None and f"{stop.length_mm - low_mm:.1f}" != f"{high_mm - stop.length_mm:.1f}"
            )
            assert (told in content) == uneven


def test_four_proposals_with_two_ends_and_their_warnings_fit_on_one_small_sheet(bench):
    canals = [
        {"name": name, "reference_point": f"{name} cusp", "traces": [BENCH_TRACE | TRACE]}
        for name in ("MB", "ML", "DB", "DL")
    ]
    page = stops_card(bench({"scale": [UNSEEN]}, canals=canals), made_at="2026-12-01", program="test 1")
    sheets = pypdfium2.PdfDocument(pdf_page(page).content)
    assert len(sheets) == 1


def test_the_card_says_in_short_what_a_length_rests_on(unseen, seated, entered):
    """1 mm of 18 is 1.1 mm of 20."""
    for result, words in (
        (unseen, "Rests on: film only, no readings; the stop may have slid: then up to 1.1 mm too long"),
        (seated, "Rests on: film only, no readings"),
        (entered, "Rests on: film only, no readings; seat of the stop not known"),
    ):
        for name in ("card.pdf", "card.html"):
            content = card_file(result, name, made_at="2026-12-01", program="test 1").content
            text = pdf_words(content) if name.endswith("pdf") else html_words(content.decode())
            assert words in text
            assert ("slid" in text) == (result is unseen)


def test_what_was_said_of_stop_and_metal_stands_in_text_report_and_json(bench):
    dark = {"metal": "dark"}
    for more, words, seat in (({}, "seat of the stop not known", "not known"),
                              ({"stop_seated": "yes"}, "stop seen to be seated", "yes")):  # fmt: skip
        by_reference = bench({"scale": [UNSEEN | more]} | dark, trace_changes=TRACE)
        outside = {k: v for k, v in UNSEEN.items() if k != "reference_px"} | {"upper_end": "out of the picture"} | more
        out = bench({"scale": [outside]} | dark, trace_changes=TRACE)
        for result, upper in ((by_reference, "reference"), (out, "out of the picture")):
            for text in (record_text(result), html_words(html_page(report(result, made_at="", program="")))):
                assert words in text
                assert "metal said to be dark" in text
            (film,) = result_json(result)["films"]
            assert film["metal"] == "dark"
            assert film["known_files"] == [
                {"known_length_mm": 18.0, "upper_end": upper, "upper_end_said": True, "stop_seated": seat}
            ]


def test_what_the_film_warns_of_stands_beside_a_proposed_stop(bench):
    """The cusp at column 130 lies 80 pixels of 0.05 mm beside the shaft."""
    far = {"reference_px": [60, 130]}
    for result, words in (
        (bench({"scale": [UNSEEN | far]}, trace_changes=TRACE | far), True),
        (bench({"scale": [UNSEEN]}, trace_changes=TRACE), False),
    ):
        text = pdf_words(card_file(result, "card.pdf", made_at="2026-12-01", program="test 1").content)
        assert ("Look at the film: the reference point lies far beside the shaft" in text) == words
