"""The stops card: settings by hand arithmetic, never rounded up; what is read at arm's length; the crown from above."""

import re

import numpy as np
import pypdfium2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.errors import CaseError
from wlmeasure.record.facts import case_facts
from wlmeasure.share.card import card_file, chart_note, reference_drawing, reference_place, stop_rows, stops_card
from wlmeasure.share.drawing import Ellipse, Label
from wlmeasure.share.figures import canal_colours
from wlmeasure.share.lettering import line_width
from wlmeasure.share.page import Columns, Heading, Remarks, Table, Text
from wlmeasure.share.pdf import pdf_page

MADE = {"made_at": "2026-11-25 10:30", "program": "wlmeasure 0.1.0"}
LIST = ["20/.04", "25/.04", "30/.04", "35/.04"]
NAMES = {"MB": "mesiobuccal", "ML": "mesiolingual", "DB": "distobuccal", "DL": "distolingual"}


def entry(number, kind, **more):
    return {
        "id": f"e{number}", "kind": kind, "at": f"2026-11-25T11:{number:02d}", "by": "NB", "canal": "MB",
        "reference_point": "cusp", **more,
    }  # fmt: skip


def decision(length_mm=20.7, number=1, **more):
    return entry(number, "decided working length", length_mm=length_mm, **more)


@pytest.fixture
def decided(bench):
    return bench(entries=[decision()], instrument_list=LIST)


def panels(page):
    """Of each canal the labels of its plate by their words, and the texts and remarks beside it."""
    for block in page.blocks:
        if isinstance(block, Columns) and not any(isinstance(part, Table) for part in block.right):
            (figure,) = block.left
            texts = [part.text for part in block.right if isinstance(part, Text)]
            (remarks,) = [part.texts for part in block.right if isinstance(part, Remarks)]
            yield {s.text: s for s in figure.drawing.shapes if isinstance(s, Label)}, texts, remarks, figure.drawing


def canals(count, **more):
    names = [*NAMES, "MM", "P"][:count]
    return {
        "canals": [
            {"name": name, "reference_point": f"{NAMES.get(name, name)} cusp tip", "traces": []} for name in names
        ],
        "entries": [
            decision(20.7 - 0.6 * k, k + 1, canal=name, reference_point=f"{NAMES.get(name, name)} cusp tip")
            for k, name in enumerate(names)
        ],
    } | more


def test_settings_by_hand(decided):
    """20.7: files and cone 20.5; needle 2 mm short 18.7 -> 18.5; plugger 5 mm short 15.7 -> 15.5 (allowances: our defaults)."""
    assert stop_rows(decided) == (
        ("files 20/.04, 25/.04, 30/.04, 35/.04", "20.5"),
        ("master cone", "20.5"),
        ("irrigation needle, 2.0 short", "18.5"),
        ("heated plugger, 5.0 short", "15.5"),
    )


def test_twenty_point_nine_on_a_ruler_of_halves(bench):
    """Needle and plugger short by the table (common practice, no source)."""
    assert stop_rows(bench(entries=[decision(20.9)])) == (
        ("master cone", "20.5"),
        ("irrigation needle, 2.0 short", "18.5"),
        ("heated plugger, 5.0 short", "15.5"),
    )


def test_only_instruments_of_the_practice_are_printed(bench, decided):
    """The shipped list is there to pick from; without a list of its own a card names no file."""
    without = bench(entries=[decision()])
    assert without.case.instruments  # the shipped list is there all the same
    for name, result in (("card.html", without), ("card.pdf", without)):
        text = words(card_file(result, name, **MADE).content, name)
        assert not re.search(r"/\.\d|\bfiles?\b", text), text
    assert "files 20/.04, 25/.04, 30/.04, 35/.04" in words(card_file(decided, "card.pdf", **MADE).content, "card.pdf")


def words(content, name):
    if name.endswith(".pdf"):
        pages = pypdfium2.PdfDocument(content)
        return " ".join(" ".join(page.get_textpage().get_text_range() for page in pages).split())
    return " ".join(re.sub(r"<style>.*?</style>|<[^>]+>", " ", content.decode()).split())


def test_the_users_list_ruler_allowances_and_number_format_replace_ours(bench):
    result = bench(entries=[decision()], instrument_list=["17/.02", "25/.06"])
    rows = stop_rows(result, allowances_mm={"cone": 0.3}, step_mm=0.25, decimal=",")
    assert rows == (("files 17/.02, 25/.06", "20,5"), ("cone, 0,3 short", "20,2"))
    page = stops_card(result, step_mm=0.25, decimal=",", **MADE)
    ((labels, _, _, _),) = panels(page)
    assert {"20,5", "length 20,7 mm"} <= set(labels)


@given(st.floats(1.0, 40.0), st.sampled_from([0.25, 0.5, 1.0]))
def test_no_setting_exceeds_what_it_is_set_for(length, step):
    from wlmeasure.decide.filling import stop_setting_mm

    setting = stop_setting_mm(length, step_mm=step)
    assert setting <= length + 1e-8
    assert length - setting < step


def test_a_needle_longer_than_the_canal_gets_a_dash(bench):
    result = bench(entries=[decision(4.0, confirmed=["length-in-centimetres"])])
    assert dict(stop_rows(result))["heated plugger, 5.0 short"] == "–"


def test_the_records_last_decision_holds(bench):
    result = bench(entries=[decision(20.7), decision(19.6, 2, supersedes="e1")])
    stop = case_facts(result).of("MB").stop
    assert (stop.length_mm, stop.setting_mm, stop.whose, stop.by) == (19.6, 19.5, "decided", "NB")
    assert stop_rows(result)[0][1] == "19.5"


def test_a_proposal_that_is_not_settled_sets_no_stop(bench):
    """Readings of 18.5 at the foramen against a film of 22: conflict. Nothing is decided, so nothing can be set."""
    readings = [entry(k, "electronic reading", length_mm=18.5, finding="foramen") for k in (1, 2, 3)]
    result = bench(entries=readings)
    (canal,) = result.canals
    assert canal.working_length.status == "caution"
    assert {row[1] for row in stop_rows(result)} == {"–"}
    assert chart_note(result, "MB") is None
    with pytest.raises(CaseError, match=r"none has one: MB: not decided, and the proposal is not settled \(caution\)$"):
        stops_card(result, **MADE)


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        (
            {"canal_changes": {"reference_point": None}, "schema": "wlmeasure-case/2"},
            "the coronal reference point is not named",
        ),
        ({"trace_changes": {"reference_px": None}}, "the coronal reference point is not marked on the film"),
        ({"film_changes": {"scale": []}}, "no film of it has a scale"),
        ({"canal_changes": {"traces": []}}, "nothing is measured"),
        (
            {"entries": [decision(), entry(2, "electronic reading", length_mm=21.0, finding="foramen")],
             "canal_changes": {"reference_point": "lingual cusp"}},
            "decided from cusp, and lengths count from lingual cusp now; decide again",
        ),
        (
            {"entries": [entry(2, "electronic reading", length_mm=21.0, finding="foramen")], "canal_changes": {"traces": []}},
            "not decided, and the readings establish no length (not established)",
        ),
    ],
)  # fmt: skip
def test_no_card_and_one_line_where_no_canal_has_a_stop(bench, changes, why):
    result = bench(**changes)
    with pytest.raises(CaseError) as caught:
        card_file(result, "card.pdf", **MADE)
    assert str(caught.value) == f"stops card needs a canal with a working length, and none has one: MB: {why}"


def test_a_canal_without_a_stop_says_why_beside_the_others(bench):
    changes = canals(2)
    changes["canals"][1]["reference_point"] = "central fossa"
    text = words(card_file(bench(**changes), "card.pdf", **MADE).content, "card.pdf")
    assert (
        "No stop for ML: decided from mesiolingual cusp tip, and lengths count from central fossa now; decide again."
        in text
    )
    assert text.count("set the stop to") == 1


def test_the_note_says_reference_length_uncertainty_method_and_who(decided):
    note = chart_note(decided, "MB", decimal=",")
    assert note.startswith("46 MB: working length 20,7 mm from cusp; measured 20,6 mm (19,2 to 21,9) (95 %)")
    assert "film only" in note
    assert note.endswith("decided by NB, 2026-11-25.")


STALE = (
    entry(1, "electronic reading", length_mm=21.2, finding="foramen"),
    decision(20.7, 2, rests_on=["e1"]),
    entry(3, "shaping file", size=25, taper=0.04, length_mm=20.7),
)


def test_the_note_says_that_a_length_no_longer_holds(bench):
    note = chart_note(bench(entries=[*STALE]), "MB")
    assert "decided by" in note
    assert "No longer holds. The canal was flared or shaped since" in note


def test_what_no_longer_holds_stands_beside_its_number(bench):
    """In the panel of the canal concerned, on its plate and in words; the other canal's panel says nothing."""
    changes = canals(2)
    shaped = entry(
        9, "shaping file", size=25, taper=0.04, length_mm=20.0, canal="MB", reference_point="mesiobuccal cusp tip"
    )
    changes["entries"].append(shaped)
    (first, second) = panels(stops_card(bench(**changes), **MADE))
    assert "! no longer holds" in first[0]
    assert "set the stop to" not in first[0]
    (remark,) = first[2]
    assert remark.startswith("No longer holds. The canal was flared or shaped since it was measured")
    assert "set the stop to" in second[0]
    assert second[2] == ()
    (fresh,) = panels(stops_card(bench(entries=list(STALE[:2])), **MADE))
    assert fresh[2] == ()


def test_a_decision_on_another_film_length_asks_to_look_beside(bench):
    """The film gave 21.4 mm when it was decided and gives 22.0 now; the decision itself still stands."""
    film = bench().films[0].film.sha256
    measured = entry(
        1, "film length", length_mm=21.4, film_sha256=film, status="radiographic apex", inputs_sha256="0" * 64
    )
    (panel,) = panels(stops_card(bench(entries=[measured, decision(20.5, 2, rests_on=["e1"])]), **MADE))
    assert "! see the remark" in panel[0]
    assert panel[2][0].startswith("The film gives another length now than when it was decided")


def test_four_canals_fit_on_one_small_sheet(bench):
    result = bench(**canals(4))
    pdf = pypdfium2.PdfDocument(pdf_page(stops_card(result, **MADE)).content)
    assert len(pdf) == 1
    assert pdf[0].get_size() == pytest.approx((419.5, 595.3), abs=0.2)  # A5
    text = " ".join(pdf[0].get_textpage().get_text_range().split())
    assert all(f"from {words} cusp tip" in text for words in NAMES.values())
    (table,) = [part for block in stops_card(result, **MADE).blocks if isinstance(block, Columns) for part in block.right
                if isinstance(part, Table)]  # fmt: skip
    assert table.head == ("set to, mm", "MB", "ML", "DB", "DL")


def test_more_canals_go_on_a_further_sheet_that_names_tooth_and_case(bench):
    page = stops_card(bench(**canals(6, case_id="K-7")), **MADE)
    pdf = pypdfium2.PdfDocument(pdf_page(page).content)
    assert len(pdf) == 2
    for sheet in pdf:
        assert "Stops, tooth 46, case K-7" in sheet.get_textpage().get_text_range()
    assert [block.text for block in page.blocks if isinstance(block, Heading)] == [
        "Stops, tooth 46, case K-7, further canals"
    ]


def letters(sheet, text):
    """Of the letters of a text on a sheet: the size of the font (pt), and the height of the drawn letter (pt)."""
    page = sheet.get_textpage()
    at, _ = page.search(text).get_next()
    _, bottom, _, top = page.get_charbox(at)
    return pypdfium2.raw.FPDFText_GetFontSize(page, at), top - bottom


@pytest.mark.parametrize("count", [1, 3, 4])
def test_stops_are_read_at_arms_length(bench, count):
    """At least 40 pt, whose digits are 10 mm high; 20.7, 20.1, 19.5, 18.9 rounded down to half millimetres."""
    (sheet,) = pypdfium2.PdfDocument(card_file(bench(**canals(count)), "card.pdf", **MADE).content)
    for stop in ("20.5", "20.0", "19.5", "18.5")[:count]:
        size, height = letters(sheet, stop)
        assert size >= 40.0
        assert height >= 0.72 * 40.0  # of a digit with no part below the line
    assert letters(sheet, "length 20.7")[0] >= 12.0
    assert letters(sheet, "from mesiobuccal")[0] >= 11.0
    assert letters(sheet, "Stops, tooth 46")[0] >= 16.0
    assert letters(sheet, "MB")[0] >= 18.0


def test_on_a_screen_the_digits_are_as_large(bench):
    """71 px are 53 pt; a style sheet's rule would override the size that stands with the text."""
    html = card_file(bench(**canals(1)), "card.html", **MADE).content.decode()
    assert re.search(r'<text [^>]*font-size="71"[^>]*font-weight="bold"[^>]*>20\.5</text>', html)
    assert not re.search(r"text\s*\{[^}]*font-size", html)


def test_a_proposal_never_looks_like_a_decision(bench):
    """Light and grey within a dashed frame, in other words, where a decision is heavy and black."""
    ((held, texts, _, plate),) = panels(stops_card(bench(entries=[decision()]), **MADE))
    ((open_, said, _, framed),) = panels(stops_card(bench(), **MADE))
    assert (held["20.5"].bold, held["20.5"].colour) == (True, "#1c2329")
    assert (open_["20.5"].bold, open_["20.5"].colour) == (False, "#6b747d")
    assert "set the stop to" in held
    assert "proposed, not decided" in open_
    assert texts[1] == "decided by NB, 2026-11-25"
    assert said[1] == "proposed, not decided"
    assert [shape.dash for shape in plate.shapes if getattr(shape, "dash", ())] == []
    assert [shape.dash for shape in framed.shapes if getattr(shape, "dash", ())] == [(5.0, 4.0)]
    (length,) = [text for text in open_ if text.startswith("length")]
    assert length == "length 20.6 mm"
    assert "95 %: 19.2 to 21.9 mm" in open_
    for page, cells in ((stops_card(bench(entries=[decision()]), **MADE), "20.5"), (stops_card(bench(), **MADE), "–")):
        (table,) = [
            part for one in page.blocks if isinstance(one, Columns) for part in one.right if isinstance(part, Table)
        ]
        assert table.rows[0][1] == cells  # nothing in a row of figures would say that one is only proposed


@pytest.mark.parametrize(
    ("spread", "told"),
    [({"length_std_mm": 0.2}, "95 %: ± 0.4 mm"),
     ({"length_std_mm": 0.4, "length_below_mm": 1.5, "length_above_mm": 0.4}, "95 %: 19.2 to 21.1 mm"), ({}, "")],
)  # fmt: skip
def test_the_interval_of_a_decision_stands_whole_within_its_plate(bench, spread, told):
    """1.96 x 0.2 = 0.4; 20.7 less 1.5 and plus 0.4."""
    page = stops_card(bench(entries=[decision(**spread)]), **MADE)
    ((labels, _, _, plate),) = panels(page)
    assert [text for text in labels if text.startswith("95 %")] == ([told] if told else [])
    for label in labels.values():
        if label.anchor == "start":
            assert label.x + line_width(label.text, label.size, bold=label.bold) <= plate.width
            assert label.y < plate.height - 4.0
    assert told in words(pdf_page(page).content, "card.pdf")


def test_a_decision_says_what_it_rests_on_where_that_is_weak(bench):
    """On three readings that agree with the film nothing is added."""
    ((_, texts, _, _),) = panels(stops_card(bench(entries=[decision()]), **MADE))
    assert "Rests on: film only, no readings" in texts
    assert texts[-1].startswith("By this model, not tested on patients: ")
    readings = [entry(k, "electronic reading", length_mm=21.5, finding="foramen") for k in (2, 3, 4)]
    ((_, texts, _, _),) = panels(stops_card(bench(entries=[*readings, decision(20.7, 5)]), **MADE))
    assert not any(text.startswith("Rests on") for text in texts)


@given(st.text(min_size=1, max_size=40).filter(str.strip))
def test_no_name_leaves_its_plate(name):
    """A name of up to 40 letters, wide ones too, is as large as the plate has room for."""
    from wlmeasure.share.card import PLATE_PX, _fitted

    size = _fitted(name, PLATE_PX[0] - 20.0)
    assert 0.0 < size * 0.85 * len(name) <= PLATE_PX[0] - 20.0 + 1e-9


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


def test_a_decision_holds_for_its_canal_only(bench):
    """The record's decision of one canal is not another's."""
    changes = canals(2)
    changes["entries"] = changes["entries"][:1]
    result = bench(**changes)
    facts = case_facts(result)
    assert facts.of("MB").stop.length_mm == 20.7
    assert facts.of("ML").stop is None


def test_a_card_without_a_case_id_has_a_line_to_write_whose_tooth_it_is_on(bench):
    """Two patients' tooth 46 are alike on paper."""
    page = stops_card(bench(**canals(1)), **MADE)
    assert page.title == "Stops, tooth 46, case ____________"
    assert page.subtitle.endswith("No case id was entered: write whose tooth it is on the line")
    named = stops_card(bench(**canals(1, case_id="K-7")), **MADE)
    assert (named.title, "case id" in named.subtitle) == ("Stops, tooth 46, case K-7", False)
