"""The stops card: settings by hand arithmetic, never rounded up; the note; the crown with its reference points."""

import numpy as np
import pypdfium2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.record.case import Entry
from wlmeasure.record.record import LengthRecord
from wlmeasure.share.card import chart_note, held_length, reference_drawing, reference_place, stop_rows, stops_card
from wlmeasure.share.drawing import Ellipse, Label
from wlmeasure.share.figures import canal_colours
from wlmeasure.share.page import Remarks, Table
from wlmeasure.share.pdf import pdf_page

MADE = {"made_at": "2026-11-25 10:30", "program": "wlmeasure 0.1.0"}
DECISION = {"length_mm": 20.7, "by": "NB", "at": "2026-11-25T10:30", "reason": None}


def entry(number, kind, **more):
    return {
        "id": f"e{number}", "kind": kind, "at": f"2026-11-25T11:{number:02d}", "by": "NB", "canal": "MB",
        "reference_point": "cusp", **more,
    }  # fmt: skip


@pytest.fixture
def decided(bench):
    return bench(canal_changes={"decision": DECISION})


def test_settings_by_hand(decided):
    """20.7: files and cone 20.5; needle 2 mm short 18.7 -> 18.5; plugger 5 mm short 15.7 -> 15.5 (allowances: our defaults)."""
    rows = stop_rows(decided)
    assert [row[0] for row in rows[:4]] == ["file 20/.04", "file 25/.04", "file 30/.04", "file 35/.04"]
    assert {row[1] for row in rows[:4]} == {"20.5"}
    assert dict(rows[4:]) == {
        "master cone": "20.5", "irrigation needle, 2.0 short": "18.5", "heated plugger, 5.0 short": "15.5",
    }  # fmt: skip


def test_twenty_point_nine_on_a_ruler_of_halves(bench):
    """Needle and plugger short by the table (common practice, no source)."""
    assert stop_rows(bench(canal_changes={"decision": DECISION | {"length_mm": 20.9}}))[3:] == (
        ("file 35/.04", "20.5"),
        ("master cone", "20.5"),
        ("irrigation needle, 2.0 short", "18.5"),
        ("heated plugger, 5.0 short", "15.5"),
    )


def test_the_users_list_ruler_allowances_and_number_format_replace_ours(bench):
    result = bench(canal_changes={"decision": DECISION}, instrument_list=["17/.02", "25/.06"])
    rows = stop_rows(result, allowances_mm={"cone": 0.3}, step_mm=0.25, decimal=",")
    assert rows == (("file 17/.02", "20,5"), ("file 25/.06", "20,5"), ("cone, 0,3 short", "20,2"))


@given(st.floats(1.0, 40.0), st.sampled_from([0.25, 0.5, 1.0]))
def test_no_setting_exceeds_what_it_is_set_for(length, step):
    from wlmeasure.decide.filling import stop_setting_mm

    setting = stop_setting_mm(length, step_mm=step)
    assert setting <= length + 1e-8
    assert length - setting < step


def test_a_needle_longer_than_the_canal_gets_a_dash(bench):
    result = bench(canal_changes={"decision": DECISION | {"length_mm": 4.0}})
    assert dict(stop_rows(result))["heated plugger, 5.0 short"] == "–"


def test_the_records_last_decision_holds_before_the_cases(bench):
    entries = [entry(1, "decided working length", length_mm=19.6)]
    result = bench(canal_changes={"decision": DECISION}, entries=entries)
    (canal,) = result.canals
    assert held_length(canal, LengthRecord(result.case.entries)) == (19.6, None, "decided by NB, 2026-11-25")
    assert stop_rows(result)[0][1] == "19.5"


def test_a_proposal_that_is_not_settled_sets_no_stop(bench):
    """Readings of 18.5 at the foramen against a film of 22: conflict. Nothing is decided, so nothing can be set."""
    readings = [{"length_mm": 18.5, "mark": "foramen"}] * 3
    result = bench(canal_changes={"electronic_readings": readings})
    (canal,) = result.canals
    assert canal.working_length.status in ("conflict", "caution")
    assert {row[1] for row in stop_rows(result)} == {"–"}
    assert chart_note(result, canal) is None
    page = stops_card(result, **MADE)
    assert canal.working_length.status in str(page.blocks)


def test_the_note_says_reference_length_uncertainty_method_and_who(decided):
    (canal,) = decided.canals
    note = chart_note(decided, canal, decimal=",")
    assert note.startswith("46 MB: working length 20,7 mm from cusp; measured 21,0 mm ± ")
    assert "film only" in note
    assert note.endswith("decided by NB, 2026-11-25.")


def test_a_stale_length_is_said_on_the_card(bench):
    entries = [
        entry(1, "electronic reading", length_mm=21.2, finding="foramen"),
        entry(2, "decided working length", length_mm=20.7, rests_on=["e1"]),
        entry(3, "shaping file", size=25, taper=0.04, length_mm=20.7),
    ]
    page = stops_card(bench(entries=entries), **MADE)
    (remarks,) = [block for block in page.blocks if isinstance(block, Remarks)]
    assert len(remarks.texts) == 1
    assert "e2" in remarks.texts[0]
    assert "flared or shaped" in remarks.texts[0]
    (fresh,) = [b for b in stops_card(bench(entries=entries[:2]), **MADE).blocks if isinstance(b, Remarks)]
    assert fresh.texts == ()


def test_four_canals_fit_on_one_small_sheet(bench):
    canals = [
        {"name": name, "reference_point": f"{words} cusp tip", "traces": [], "decision": DECISION}
        for name, words in (
            ("MB", "mesiobuccal"),
            ("ML", "mesiolingual"),
            ("DB", "distobuccal"),
            ("DL", "distolingual"),
        )
    ]
    result = bench(canals=canals)
    pdf = pypdfium2.PdfDocument(pdf_page(stops_card(result, **MADE)).content)
    assert len(pdf) == 1
    assert pdf[0].get_size() == pytest.approx((419.5, 595.3), abs=0.2)  # A5
    text = pdf[0].get_textpage().get_text_range()
    assert all(canal["name"] in text and canal["reference_point"].split()[0] in text for canal in canals)
    (table,) = [block for block in stops_card(result, **MADE).blocks if isinstance(block, Table)]
    assert table.head == ("set the stop to, mm", "MB", "ML", "DB", "DL")


@pytest.mark.parametrize(
    ("words", "place"),
    [
        ("mesiobuccal cusp tip", (-0.5, -0.5)), ("MB cusp", (-0.5, -0.5)), ("Distolingual cusp", (0.5, 0.5)),
        ("palatal cusp", (0.0, 0.55)), ("incisal edge", (0.0, 0.0)), ("flattened step", None), ("ambit", None),
    ],
)  # fmt: skip
def test_where_a_reference_point_lies(words, place):
    assert reference_place(words) == place


@pytest.mark.parametrize(
    ("tooth", "mesial_right", "buccal_up"),
    [("16", True, True), ("26", False, True), ("36", False, False), ("46", True, False)],
)
def test_the_crown_stands_as_in_a_chart(bench, tooth, mesial_right, buccal_up):
    """Facing the patient: the right side's teeth have mesial on the right, the upper ones buccal on top."""
    result = bench(tooth=tooth, canal_changes={"reference_point": "mesiobuccal cusp"})
    drawing = reference_drawing(result, canal_colours(result))
    letters = {shape.text: (shape.x, shape.y) for shape in drawing.shapes if isinstance(shape, Label)}
    assert (letters["M"][0] > letters["D"][0]) == mesial_right
    assert (letters["B"][1] < letters["P" if tooth[0] in "12" else "L"][1]) == buccal_up
    (dot,) = [shape for shape in drawing.shapes if isinstance(shape, Ellipse)]
    middle = np.array(drawing.box[2:]) / 2
    assert (dot.x > middle[0]) == mesial_right
    assert (dot.y < middle[1]) == buccal_up


def test_an_entry_may_hold_for_a_canal_only(bench):
    """The record's decision of one canal is not another's."""
    result = bench(entries=[entry(1, "decided working length", length_mm=19.6)])
    record = LengthRecord((Entry(**entry(1, "decided working length", length_mm=19.6) | {"canal": "DB"}),))
    (canal,) = result.canals
    assert held_length(canal, record)[2] == "proposed, not decided"
