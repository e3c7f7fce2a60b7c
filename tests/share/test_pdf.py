"""The report on paper: opened and read by another library (pdfium), text and picture alike."""

import attrs
import numpy as np
import pypdfium2
import pytest

from wlmeasure.errors import CaseError
from wlmeasure.share.cautions import CAUTIONS
from wlmeasure.share.drawing import Area, Drawing, Ellipse, Label, Line
from wlmeasure.share.page import Bullets, Card, Cards, Columns, Figure, Heading, Key, Page, Remarks, Row, Table, Text
from wlmeasure.share.pdf import pdf_page
from wlmeasure.share.report import report, report_file

MADE = {"made_at": "2026-11-25 10:30", "program": "wlmeasure 0.1.0"}


def words(pdf):
    """The text of all pages, with every space and line break as one space."""
    document = pypdfium2.PdfDocument(pdf)
    text = " ".join(sheet.get_textpage().get_text_range() for sheet in document)
    return " ".join(text.split())


def pixels(pdf, scale=2.0):
    return pypdfium2.PdfDocument(pdf)[0].render(scale=scale).to_numpy()[..., ::-1]


def squeezed(text):
    return "".join(text.split())


def test_all_that_the_report_says_is_on_paper(measured, molar):
    """Every text of every block; line breaks within a cell are not told from spaces, so spaces are left out."""

    def texts(blocks):
        for block in blocks:
            match block:
                case Heading() | Text():
                    yield from block.text.split("\n")
                case Table():
                    yield from [cell for row in (block.head, *block.rows) for cell in row]
                case Remarks() | Bullets():
                    yield from block.texts
                case Figure():
                    yield block.caption
                    yield from [key.words for key in block.keys]
                case Cards():
                    for card in block.cards:
                        yield from (card.title, card.value, card.spread, *card.lines, card.strong)
                case Columns():
                    yield from texts(block.left)
                    yield from texts(block.right)
                case Row():
                    for cell in block.cells:
                        yield from texts(cell)

    for result in (*measured.values(), molar):
        page = report(result, **MADE)
        found = squeezed(words(pdf_page(page).content))
        wanted = [page.title, page.subtitle, page.footer, *texts(page.blocks)]
        # A long word (a hash) may be broken over two lines; pdfium writes no sign between the halves.
        assert [text for text in wanted if squeezed(text) not in found] == []
        assert all(squeezed(caution) in found for caution in CAUTIONS)


def test_nothing_is_cut_off_at_the_edge_of_a_sheet(measured):
    """No letter and no stroke within 5 mm of the edge of any sheet."""
    for result in measured.values():
        document = pypdfium2.PdfDocument(pdf_page(report(result, **MADE)).content)
        for sheet in document:
            assert sheet.get_size() == pytest.approx((595.3, 841.9), abs=0.1)  # A4
            ink = sheet.render(scale=1.0, grayscale=True).to_numpy().squeeze() < 200
            assert not ink[:14].any()
            assert not ink[-14:].any()
            assert not ink[:, :14].any()
            assert not ink[:, -14:].any()


def test_the_same_page_gives_the_same_bytes_and_holds_each_film_once(measured):
    result = measured["curved_out_of_plane"]
    first, second = (report_file(result, "r.pdf", **MADE).content for _ in range(2))
    assert first == second
    assert first.count(b"/Subtype /Image") == len(result.films)


def test_markup_stays_text(hostile):
    evil = "<script>alert(\"1\")</script> & 'q'"
    pdf = report_file(hostile, "r.pdf", **MADE).content
    assert squeezed(words(pdf)).count(squeezed(evil)) >= 5
    assert b"/JavaScript" not in pdf
    assert b"/URI" not in pdf


def test_names_in_greek_cyrillic_and_polish_are_readable():
    names = "Łukasz Żółć, Αθηνά, Ирина, Nguyễn, ±0.3°, ≤ 5"
    assert names in words(pdf_page(Page("t", names, (Text(names),))).content)


def test_a_drawing_is_where_it_says_in_its_colours():
    """A box of unequal units: red line along the top edge, blue disc in the middle, green left half, title turned upright."""
    shapes = (
        Area(((0.0, 0.0), (50.0, 0.0), (50.0, 10.0), (0.0, 10.0)), "#0f0"),
        Line(((0.0, 0.2), (100.0, 0.2)), "#f00", 8.0),  # its upper rim is the edge: 8 of 400 px wide
        Ellipse(50.0, 5.0, 5.0, 1.0, fill="#00f"),
        Label(90.0, 8.0, "up", turn_deg=-90.0, colour="#000000"),
    )
    pdf = pdf_page(Page("t", "s", (Figure(Drawing((0.0, 0.0, 100.0, 10.0), 400.0, 200.0, shapes, "d"), "c"),))).content
    seen = pixels(pdf).astype(int)
    red = (seen[..., 0] > 200) & (seen[..., 1:].max(axis=2) < 60)
    green = (seen[..., 1] > 200) & (seen[..., 0] < 60) & (seen[..., 2] < 60)
    blue = (seen[..., 2] > 200) & (seen[..., :2].max(axis=2) < 60)
    red_rows, red_cols = np.nonzero(red)
    width, top, left = np.ptp(red_cols) + 1, red_rows.min(), red_cols.min()
    assert width == pytest.approx(400 * 0.62 * 2.0, abs=2)  # pixels of 1/144 inch
    height = width / 2
    blue_rows, blue_cols = np.nonzero(blue)
    assert blue_cols.mean() - left == pytest.approx(width / 2, abs=1.5)
    assert blue_rows.mean() - top == pytest.approx(height / 2, abs=1.5)
    assert np.ptp(blue_cols) == pytest.approx(width / 10, abs=2)
    assert np.ptp(blue_rows) == pytest.approx(height / 5, abs=2)
    assert np.nonzero(green)[1].max() - left == pytest.approx(width / 2, abs=1.5)
    # Text turned upright: higher than wide, right of the disc.
    dark = seen.max(axis=2) < 90
    dark[: top + 4] = dark[top + int(height) :] = False
    rows, cols = np.nonzero(dark)
    assert np.ptp(rows) > np.ptp(cols)
    assert cols.min() - left > 0.8 * width


def test_a_long_report_runs_over_several_sheets_with_the_head_of_its_table_on_each():
    rows = tuple((f"row {k}", f"{k}", "some words") for k in range(150))
    pdf = pdf_page(Page("t", "s", (Table(rows, ("name", "figure", "basis"), numbers=(1,)),))).content
    document = pypdfium2.PdfDocument(pdf)
    assert len(document) >= 3
    for sheet in document:
        assert "basis" in sheet.get_textpage().get_text_range()
    assert all(f"row {k} {k} some words" in words(pdf) for k in range(150))


def test_columns_too_high_for_one_sheet_are_split():
    tall = tuple(Text(f"line {k}") for k in range(120))
    pdf = pdf_page(Page("t", "s", (Columns(tall, (Text("right"),)),))).content
    assert len(pypdfium2.PdfDocument(pdf)) >= 2
    assert all(f"line {k}" in words(pdf) for k in range(120))


def test_cards_and_keys_are_drawn_in_the_colours_they_name():
    card = Card("#0000ff", "Canal MB", "21.0 mm", "± 0.4", ("stop at 21.0 mm",), "decided 21.0 mm")
    figure = Figure(
        Drawing((0.0, 0.0, 1.0, 1.0), 10.0, 10.0, (), "d"), "c", (Key("#ff0000", "known length", wide=True),)
    )
    seen = pixels(pdf_page(Page("t", "s", (Cards((card, card)), figure))).content).astype(int)
    assert ((seen[..., 2] > 200) & (seen[..., 0] < 60)).sum() > 300
    assert ((seen[..., 0] > 200) & (seen[..., 2] < 60)).sum() > 200


@pytest.mark.parametrize("name", ["r.txt", "r", "r.svg"])
def test_another_ending_is_refused(bench, name):
    with pytest.raises(CaseError, match=r"must end in \.html or \.pdf"):
        report_file(bench(), name, **MADE)


def test_a_molar_takes_five_sheets_and_no_heading_stands_alone(molar):
    """The headings of films stand on the sheet of their table, each canal's files with their strain on one sheet."""
    molar = attrs.evolve(molar, case=attrs.evolve(molar.case, instrument_list=("20/.04", "25/.04", "30/.04", "35/.04")))
    sheets = [
        sheet.get_textpage().get_text_range()
        for sheet in pypdfium2.PdfDocument(pdf_page(report(molar, **MADE)).content)
    ]
    assert len(sheets) <= 5
    for film, canal in (("Film f2", "distobuccal cusp tip"), ("Film f3", "mesiolingual cusp tip")):
        (on,) = (text for text in sheets if f"{film}: molar" in text)
        assert canal in on
    (on,) = (text for text in sheets if "Files in the bend of MB" in text)
    assert all(f"{size}/.04" in on.split("strain (95 %)")[1] for size in (20, 25, 30, 35))
    (on,) = (text for text in sheets if "Bend and uncertainty of each canal" in text)
    assert "tilt the film cannot" in " ".join(on.split())


def test_figures_of_a_table_stand_together_at_its_right():
    """Two columns of figures end within 60 pt of each other; what is left of the width goes to the words before them."""
    table = Table((("file 20/.04", "20.0", "19.5"),), ("set the stop to", "MB", "ML"), numbers=(1, 2))
    text = pypdfium2.PdfDocument(pdf_page(Page("T", "s", (table,))).content)[0].get_textpage()
    first, last = (text.search(figure).get_next()[0] for figure in ("20.0", "19.5"))
    left, right = (text.get_charbox(k)[0] for k in (first, last))
    assert 0.0 < right - left < 60.0
    assert left > 400.0  # of 595 pt
