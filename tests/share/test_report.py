"""The report: one well-formed page that loads nothing, shows everything, and lets no text become markup."""

import base64
import re
from html.parser import HTMLParser

import attrs
import cv2
import numpy as np
import pypdfium2
import pytest

from tests.share import readback
from wlmeasure.record.case import case_digest
from wlmeasure.share.cautions import CAUTIONS, PACEMAKER
from wlmeasure.share.html import html_page
from wlmeasure.share.page import Cards
from wlmeasure.share.report import report, report_file
from wlmeasure.share.result import limit_words

MADE = {"made_at": "2026-11-25 10:30", "program": "wlmeasure 0.1.0"}
VOID = {"meta", "br", "img", "link", "hr", "input"}


class Page(HTMLParser):
    """Tags in balance, attributes and visible text of a page; SVG shapes close themselves."""

    def __init__(self, html):
        super().__init__(convert_charrefs=True)
        self.open, self.tags, self.attributes, self.pieces, self.wrong = [], [], [], [], []
        self.feed(html)
        self.close()
        assert self.wrong == []
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]
        names = [name for name, _ in attrs]
        if len(set(names)) != len(names):
            self.wrong.append(f"an attribute twice in {tag}")
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        if not self.open or self.open[-1] != tag:
            self.wrong.append(f"</{tag}> closes {self.open[-1:]}")
        else:
            self.open.pop()

    def handle_data(self, data):
        self.pieces.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.pieces).split())


def html_of(result, made_at="2026-11-25 10:30", program="wlmeasure 0.1.0"):
    return html_page(report(result, made_at=made_at, program=program))


def page(result):
    return Page(html_of(result))


@pytest.fixture(scope="module")
def pages(measured):
    return {name: page(result) for name, result in measured.items()}


def test_every_page_is_well_formed_and_one_document(pages, measured):
    for name, found in pages.items():
        assert found.tags.count("html") == found.tags.count("body") == found.tags.count("h1") == 1
        html = html_of(measured[name])
        assert html.startswith("<!doctype html>\n")
        assert '<meta charset="utf-8">' in html


def test_no_page_loads_or_runs_anything(pages, measured):
    for name, found in pages.items():
        assert not {"script", "link", "iframe", "object", "embed", "base", "form"} & set(found.tags)
        html = html_of(measured[name])
        assert (
            re.search(r"https?:|//[a-z]|url\(|@import|javascript:", re.sub(r"base64,[A-Za-z0-9+/=]+", "", html)) is None
        )
        for tag, attribute, value in found.attributes:
            assert not attribute.startswith("on"), (tag, attribute)
            if attribute in ("href", "src", "xlink:href"):
                assert value.startswith(("#", "data:image/jpeg;base64,")), value[:40]


def test_every_film_is_embedded_and_is_that_film(pages, measured):
    """The data of each picture decode to the displayed film, at most 1600 pixels long (JPEG: within a few grey levels)."""
    for name, result in measured.items():
        data = [v for t, a, v in pages[name].attributes if t == "image" and a == "href"]
        assert len(data) == len(result.films)
        for text, film in zip(data, result.films, strict=True):
            raw = np.frombuffer(base64.b64decode(text.split(",", 1)[1], validate=True), np.uint8)
            picture = cv2.imdecode(raw, cv2.IMREAD_GRAYSCALE)
            shown = film.radiograph.displayed()
            assert picture.shape == shown.shape
            assert np.abs(picture.astype(int) - shown).mean() < 4.0


def test_every_reference_leads_to_something(pages):
    for found in pages.values():
        ids = [value for _, attribute, value in found.attributes if attribute == "id"]
        assert len(set(ids)) == len(ids)
        used = {value for tag, attribute, value in found.attributes if tag == "use" and attribute == "href"}
        assert used == {f"#{name}" for name in ids}


def test_every_film_canal_figure_and_flag_is_shown(pages, measured):
    for name, result in measured.items():
        text = pages[name].text
        assert f"Working length, tooth {result.tooth.designation}" in text
        for film in result.films:
            assert f"Film {film.film.id}" in text
            assert f"{film.film.name}, SHA-256 {film.film.sha256[:12]})" in text
        for canal in result.canals:
            assert f"Canal {canal.canal.name}" in text
            assert canal.canal.reference_point in text
            working = canal.working_length
            assert working.status in text
            assert (limit_words(working.length_mm) if working.length_mm is not None else "none") in text
            assert all(flag.text in text for flag in working.flags)
            for trace in canal.traces:
                low, high = trace.length.length_interval_mm
                assert f"{trace.length.length_mm:.1f} mm ± {1.96 * trace.length.length_std_mm:.1f}" in text
                assert f"95 %: {low:.2f} to {high:.2f} mm" in text
                assert all(term.term in text for term in trace.length.budget)
                assert trace.path.tracer in text
            decision = canal.decision
            if decision is not None:
                assert f"decided working length {limit_words(decision.length_mm)} proposed" in text
                assert f"{limit_words(decision.length_mm)} decided by {decision.by}, {decision.at[:10]}" in text
                assert decision.note in text


def test_cautions_and_provenance_stand_on_every_page(pages, measured):
    for name, result in measured.items():
        text = pages[name].text
        assert all(caution in text for caution in CAUTIONS)
        assert case_digest(result.case)[:12] in text
        assert "wlmeasure 0.1.0" in text
        assert "Made 2026-11-25 10:30." in text


def test_the_pacemaker_caution_stands_only_where_there_are_readings(pages):
    assert {name for name, found in pages.items() if PACEMAKER not in found.text} == {"s_curved"}


def test_no_text_becomes_markup(hostile):
    """Canal name, reference point, film id and path, decision, condition, tracer and case id are markup, and stay text."""
    found = page(hostile)
    html = html_of(hostile, "<b>", "<b>")
    assert "<script" not in html.lower()
    assert not {"script", "i"} & set(found.tags)
    evil = "<script>alert(\"1\")</script> & 'q'"
    assert found.text.count(evil) >= 5  # name, reference point, case id, decision by, reason
    assert "Film <i>f&1" in found.text
    assert not any(attribute.startswith("on") for _, attribute, _ in found.attributes)


def test_a_film_without_scale_shows_angles_and_says_so(bench):
    text = page(bench({"scale": []})).text
    assert "none: angles only" in text
    assert "This film has no scale, so it gives angles and no millimetres." in text


def test_a_canal_with_readings_alone_is_on_the_page_with_the_pacemaker_caution(bench):
    readings = [{"length_mm": 21.5, "mark": "foramen"}] * 3
    text = page(bench(canal_changes={"traces": [], "electronic_readings": readings})).text
    assert "Canal MB, readings alone" in text
    assert "21.0 mm" in text
    assert PACEMAKER in text


def test_unequal_pixels_keep_the_tooths_form(bench):
    """Film 480 rows x 300 columns at 0.8: 620 px high is 620 * 300 * 0.8 / 480 = 310 px wide."""
    found = page(bench({"col_over_row": 0.8}))
    (view, width, height) = ("-0.5 -0.5 300 480", "310", "620")
    values = [(attribute, value) for tag, attribute, value in found.attributes if tag == "svg"]
    at = values.index(("viewbox", view))
    assert values[at + 1 : at + 3] == [("width", width), ("height", height)]


# --- paper ------------------------------------------------------------------------------------------------------------------


def shown(result):
    """The report's text as HTML and as PDF."""
    return page(result).text, readback.pdf_words(report_file(result, "r.pdf", **MADE).content)


def test_no_path_of_a_disk_stands_on_a_report(bench, tmp_path):
    """A folder may name the patient; the film's bare name is enough to find it."""
    folder = tmp_path / "Doe_Jane_1970" / "scans"
    folder.mkdir(parents=True)
    (folder / "film.png").write_bytes((tmp_path / "film.png").read_bytes())
    for path in ("Doe_Jane_1970/scans/film.png", str(folder / "film.png")):
        for text in shown(bench({"path": path})):
            assert "Film f1: film.png" in text
            assert "Doe" not in text
            assert "scans" not in text


@pytest.mark.parametrize("place", [r"C:\Users\Jane\film.png", r"..\films\film.png", "a/b/film.png", "film.png"])
def test_a_films_name_is_bare_on_whatever_system_it_was_written(bench, place):
    film = bench().films[0].film
    assert attrs.evolve(film, path=place).name == "film.png"
    assert attrs.evolve(film, path=place, frame=2).name == "film.png, frame 2"


def test_the_last_lines_are_no_developers_dump(measured, molar):
    """No whole hash and no name of a parameter; the case's own hash, shortened, and where the whole figures stand."""
    for result in (*measured.values(), molar):
        for text in shown(result):
            for film in result.films:
                text = text.replace(film.film.name, "")
            assert not re.search(r"[0-9a-f]{16}", text)
            assert not re.search(r"\b[a-z]+_[a-z_]+\b", text)
            assert f"Inputs of the case: SHA-256 {case_digest(result.case)[:12]}." in text
            assert text.count("± is the half-width of the 95 % interval") == 1
            assert "wlmeasure measure CASE.wl.json --json" in text
            assert "no reason given" not in text


def test_a_reason_that_was_not_given_is_left_out(bench):
    decision = {"id": "e1", "kind": "decided working length", "at": "2026-11-25T10:30", "by": "NB", "canal": "MB",
                "reference_point": "cusp", "length_mm": 20.5}  # fmt: skip
    for text in shown(bench(entries=[decision])):
        assert "decided by NB, 2026-11-25" in text
        assert "reason" not in text
    for text in shown(bench(entries=[decision | {"note": "a sharp bend"}])):
        assert "decided by NB, 2026-11-25. a sharp bend" in text


def test_a_decision_is_large_and_a_proposal_second(bench):
    """Decided 20.5 of proposed 20.7; without a decision the figure is set lightly and says that nothing is decided."""
    decision = {"id": "e1", "kind": "decided working length", "at": "2026-11-25T10:30", "by": "NB", "canal": "MB",
                "reference_point": "cusp", "length_mm": 20.5}  # fmt: skip
    (cards,) = [b for b in report(bench(entries=[decision]), **MADE).blocks if isinstance(b, Cards)]
    (card,) = cards.cards
    assert (card.title, card.value, card.faint) == ("Canal MB, decided working length", "20.5 mm", False)
    assert card.lines[0].startswith("proposed 20.6 mm (")
    (cards,) = [b for b in report(bench(), **MADE).blocks if isinstance(b, Cards)]
    (card,) = cards.cards
    assert (card.title, card.value, card.faint) == ("Canal MB, proposed working length, not decided", "20.6 mm", True)


def test_readings_from_before_shaping_are_shown_as_superseded(bench):
    def entry(number, kind, **more):
        return {"id": f"e{number}", "kind": kind, "at": f"2026-11-25T11:{number:02d}", "by": "NB", "canal": "MB",
                "reference_point": "cusp", **more}  # fmt: skip

    readings = [entry(k, "electronic reading", length_mm=21.5, finding="foramen") for k in (1, 2, 3)]
    shaped = entry(4, "shaping file", size=25, taper=0.04, length_mm=21.0)
    after = entry(5, "electronic reading", length_mm=21.0, finding="foramen")
    for text in shown(bench(entries=[*readings, shaped, after])):
        assert "Readings: 21 mm (foramen)." in text
        assert "Earlier readings: 21.5, 21.5, 21.5 mm (foramen), superseded: the canal was shaped" in text


def test_what_speaks_against_a_decision_stands_with_its_figure(bench):
    def entry(number, kind, **more):
        return {"id": f"e{number}", "kind": kind, "at": f"2026-11-25T11:{number:02d}", "by": "NB", "canal": "MB",
                "reference_point": "cusp", **more}  # fmt: skip

    entries = [entry(1, "decided working length", length_mm=20.5),
               entry(2, "shaping file", size=25, taper=0.04, length_mm=20.5)]  # fmt: skip
    (cards,) = [b for b in report(bench(entries=entries), **MADE).blocks if isinstance(b, Cards)]
    assert cards.cards[0].lines[0].startswith("! No longer holds. The canal was flared or shaped since")


def filled(content):
    """Of each sheet how far down it is printed, as a share of the height between its margins; the foot left out."""
    shares = []
    for sheet in pypdfium2.PdfDocument(content):
        ink = sheet.render(scale=1.0, grayscale=True).to_numpy().squeeze() < 200
        height = len(ink)
        shares.append((np.flatnonzero(ink[: height - 30].any(axis=1)).max() - 34) / (height - 68))
    return shares


def test_no_sheet_stays_half_empty(measured, molar):
    """Of all that were tried no sheet but a last one is less than half filled, and none holds cautions alone."""
    for result in (*measured.values(), molar):
        *first, last = filled(report_file(result, "r.pdf", **MADE).content)
        assert all(share >= 0.5 for share in first)
        assert last >= 0.3


@pytest.mark.parametrize("name", ["straight", "angulated", "curved_out_of_plane"])
def test_one_canal_takes_one_sheet(measured, name):
    assert len(filled(report_file(measured[name], "r.pdf", **MADE).content)) == 1


def test_the_practices_own_reference_stands_on_every_sheet(molar):
    for sheet in pypdfium2.PdfDocument(report_file(molar, "r.pdf", **MADE).content):
        assert f"case {molar.case.case_id}" in sheet.get_textpage().get_text_range()
