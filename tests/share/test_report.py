"""The report: one well-formed page that loads nothing, shows everything, and lets no text become markup."""

import base64
import re
from html.parser import HTMLParser

import cv2
import numpy as np
import pytest

from wlmeasure.record.case import case_digest
from wlmeasure.share.cautions import CAUTIONS, PACEMAKER
from wlmeasure.share.html import html_page
from wlmeasure.share.report import report
from wlmeasure.share.result import limit_words

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
            assert (f"{working.length_mm:.1f} mm" if working.length_mm is not None else "none") in text
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
